//! What a proof of the record found, for people and for scripts.

use std::fmt;

use zonda_model::{Quality, Stamp};

use super::SealHead;
use crate::read::SampleRow;
use crate::row::ChannelId;

/// Faults that are kept; further ones are only counted, because one wrong page can break thousands
/// of links.
const FAULTS_MAX: usize = 100;

/// What the proof of a record, or of a stretch of it, found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Verdict {
    /// The last link that was looked at: the newest, or the last one that covers the stretch. `None`
    /// where nothing is sealed.
    pub head: Option<SealHead>,
    /// When the chain began.
    pub since: Option<Stamp>,
    /// What was looked at.
    pub covered: Covered,
    /// Samples from before the chain began, about which it says nothing.
    pub unsealed: u64,
    /// Samples whose value and flags were worked out anew.
    pub worked_out: u64,
    /// The first faults, in the order of the chain; those that belong to no link come last.
    pub faults: Vec<Fault>,
    /// How many there are.
    pub fault_count: u64,
    /// The first values that do not follow from their codes.
    pub values: Vec<Fault>,
    /// How many there are.
    pub value_count: u64,
    /// The link that bears the hash that was asked for.
    pub noted: Option<i64>,
}

impl Verdict {
    /// True where the chain holds and every value that was worked out anew is the one that stands
    /// there.
    pub const fn is_well(&self) -> bool {
        self.fault_count == 0 && self.value_count == 0
    }

    pub(crate) fn add(&mut self, fault: Fault) {
        self.fault_count += 1;
        if self.faults.len() < FAULTS_MAX {
            self.faults.push(fault);
        }
    }

    /// Compares a stored sample with what follows, and notes where they differ: to the bit, but for the sign of zero.
    pub fn compare(&mut self, stored: &SampleRow, follows: &SampleRow) {
        let bits = |value: Option<f64>| value.map(|value| (value + 0.0).to_bits());
        if bits(stored.value) != bits(follows.value) || stored.quality != follows.quality {
            let flaw = Flaw::ValueDiffers {
                stored: (stored.value, stored.quality),
                follows: (follows.value, follows.quality),
            };
            let fault = Fault::new(flaw).at(stored.at.micros()).of(stored.channel.0);
            self.add_value(fault);
        }
    }

    pub(crate) fn add_value(&mut self, fault: Fault) {
        self.value_count += 1;
        if self.values.len() < FAULTS_MAX {
            self.values.push(fault);
        }
    }

    /// Takes in what another part of the record showed.
    pub(crate) fn merge(&mut self, other: Self) {
        let counts = (self.fault_count, self.value_count);
        other.faults.into_iter().for_each(|fault| self.add(fault));
        other
            .values
            .into_iter()
            .for_each(|fault| self.add_value(fault));
        self.fault_count = counts.0 + other.fault_count;
        self.value_count = counts.1 + other.value_count;
        self.worked_out += other.worked_out;
        self.covered.merge(other.covered);
    }
}

/// How much the chain covers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Covered {
    /// Links.
    pub links: u64,
    /// Samples.
    pub samples: u64,
    /// Events.
    pub events: u64,
    /// Gaps, by their begin.
    pub gaps: u64,
    /// Changes of the clock.
    pub clocks: u64,
    /// Sessions, by their begin.
    pub sessions: u64,
    /// Corrections.
    pub corrections: u64,
}

impl Covered {
    fn merge(&mut self, other: Self) {
        self.links += other.links;
        self.samples += other.samples;
        self.events += other.events;
        self.gaps += other.gaps;
        self.clocks += other.clocks;
        self.sessions += other.sessions;
        self.corrections += other.corrections;
    }
}

/// A place that does not hold.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// What is wrong there.
    pub flaw: Flaw,
    /// The link that shows it; `None` where no link covers the place.
    pub link: Option<i64>,
    /// Where on the record's axis, as near as it can be told.
    pub at: Option<Stamp>,
    /// The channel, where it can be told.
    pub channel: Option<ChannelId>,
}

impl Fault {
    pub(crate) fn new(flaw: Flaw) -> Self {
        Self {
            flaw,
            link: None,
            at: None,
            channel: None,
        }
    }

    pub(crate) fn in_link(self, link: i64) -> Self {
        Self {
            link: Some(link),
            ..self
        }
    }

    pub(crate) fn at(self, at: i64) -> Self {
        Self {
            at: Some(Stamp::from_micros(at)),
            ..self
        }
    }

    pub(crate) fn of(self, channel: i64) -> Self {
        Self {
            channel: Some(ChannelId(channel)),
            ..self
        }
    }
}

/// What is wrong with a place.
#[derive(Clone, Debug, PartialEq)]
pub enum Flaw {
    /// SQLite itself says that the file is damaged.
    Damaged(String),
    /// There is no chain.
    Unsealed,
    /// Links of the chain are not there.
    LinksMissing {
        /// The first.
        first: i64,
        /// The last.
        last: i64,
    },
    /// The link goes back behind the one before it: links have changed places.
    OutOfOrder,
    /// What the link covers is as it was sealed; the hash that is written down is not its own.
    HashChanged,
    /// A sample is not the one that was sealed: its code, or how it was acquired.
    SampleChanged,
    /// Samples that were sealed are not there.
    SamplesMissing {
        /// How many are there.
        found: u64,
        /// How many were sealed.
        sealed: u64,
    },
    /// Samples are there that were not sealed.
    SamplesAdded {
        /// How many are there.
        found: u64,
        /// How many were sealed.
        sealed: u64,
    },
    /// A row that the link covers is not there.
    RowMissing(Covers),
    /// The samples seem to be as they were; one of these is not, or the link's own row where there
    /// are none.
    RowChanged(Vec<Covers>),
    /// A row that no link covers.
    NoLink(Covers),
    /// A session's row does not agree with the chain: it was changed, or the links at its end are gone.
    SessionChanged {
        /// Its key.
        session: i64,
        /// In what.
        why: String,
    },
    /// No link bears the hash that was noted: the record was cut off behind it, or made anew.
    HeadNotFound,
    /// A value or its flags do not follow from the code by the mapping in force.
    ValueDiffers {
        /// What stands in the record.
        stored: (Option<f64>, Quality),
        /// What follows from the code.
        follows: (Option<f64>, Quality),
    },
}

/// A row that a link covers, or should, with its key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Covers {
    /// A sample; the fault says which.
    Sample,
    /// An event.
    Event(i64),
    /// A gap.
    Gap(i64),
    /// The end of a gap.
    GapEnd(i64),
    /// A change of the clock.
    Clock(i64),
    /// A version of a channel's mapping; the fault says of which channel where there is but one.
    Mapping(i64),
    /// A session, with its configuration and its channels.
    Session(i64),
    /// A correction.
    Correction(i64),
}

impl Flaw {
    /// A word for scripts.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Damaged(_) => "damaged",
            Self::Unsealed => "unsealed",
            Self::LinksMissing { .. } => "links_missing",
            Self::OutOfOrder => "out_of_order",
            Self::HashChanged => "hash_changed",
            Self::SampleChanged => "sample_changed",
            Self::SamplesMissing { .. } => "samples_missing",
            Self::SamplesAdded { .. } => "samples_added",
            Self::RowMissing(_) => "row_missing",
            Self::RowChanged(_) => "row_changed",
            Self::NoLink(_) => "no_link",
            Self::SessionChanged { .. } => "session_changed",
            Self::HeadNotFound => "head_not_found",
            Self::ValueDiffers { .. } => "value_differs",
        }
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Damaged(why) => write!(f, "the file is damaged: {why}"),
            Self::Unsealed => f.write_str("nothing is sealed, though something is recorded"),
            Self::LinksMissing { first, last } if first == last => {
                write!(f, "link {first} was taken out")
            }
            Self::LinksMissing { first, last } => {
                write!(f, "links {first} to {last} were taken out")
            }
            Self::OutOfOrder => f.write_str("links have changed places: this one goes back behind the one before it"),
            Self::HashChanged => {
                f.write_str("the hash that is written down was changed; what it covers is as it was sealed")
            }
            Self::SampleChanged => f.write_str("the code of this sample is not the one that was sealed"),
            Self::SamplesMissing { found, sealed } => {
                write!(f, "of {sealed} sealed samples {found} are there; one is missing here")
            }
            Self::SamplesAdded { found, sealed } => {
                write!(f, "{sealed} samples were sealed and {found} are there; one was put in here")
            }
            Self::RowMissing(row) => write!(f, "{row} was sealed and is not there"),
            Self::RowChanged(rows) => match &rows[..] {
                [] => f.write_str("the link's own row was changed"),
                [row] => write!(f, "{row} or the link's own row was changed"),
                rows => {
                    f.write_str("one of these was changed: ")?;
                    rows.iter().try_for_each(|row| write!(f, "{row}, "))?;
                    f.write_str("the link's own row")
                }
            },
            Self::NoLink(row) => write!(f, "{row} is covered by no link: it was put in afterwards"),
            Self::SessionChanged { session, why } => write!(f, "session {session}: {why}"),
            Self::HeadNotFound => f.write_str(
                "no link bears the hash that was noted: the record was cut off before it, or changed and sealed anew",
            ),
            Self::ValueDiffers { stored, follows } => write!(
                f,
                "the record says {}, from the code follows {}",
                Said(*stored),
                Said(*follows)
            ),
        }
    }
}

impl fmt::Display for Covers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sample => f.write_str("this sample"),
            Self::Event(id) => write!(f, "event {id}"),
            Self::Gap(id) => write!(f, "gap {id}"),
            Self::GapEnd(id) => write!(f, "the end of gap {id}"),
            Self::Clock(id) => write!(f, "clock row {id}"),
            Self::Mapping(version) => write!(f, "version {version} of a channel's mapping"),
            Self::Session(id) => write!(f, "session {id}"),
            Self::Correction(id) => write!(f, "correction {id}"),
        }
    }
}

/// A value with its flags, in words.
struct Said((Option<f64>, Quality));

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            (Some(value), quality) => write!(f, "{value} ({quality})"),
            (None, quality) => write!(f, "no value ({quality})"),
        }
    }
}
