//! Corrections and the proof of values: what follows from a stored code by the mapping in force then.
//!
//! A correction changes a value and the flags that its channel's mapping sets. Everything else on a
//! sample comes from the acquisition (`late`, `simulated`, `stuck`, what a device said of its own
//! number) and stays: of the old flags those go which the old mapping explains. A sample without a
//! code has nothing that could follow, and stays as it is.
//!
//! What is derived from a corrected channel follows it, by the law in force then ([`crate::derived`]).
//!
//! A velocity that is judged by its probe's temperature is judged anew where the temperature is
//! corrected, and a thermocouple compensated anew, as long as both lie at one time in the record, as
//! they do where one module reads them. Where they came from two sources their ticks paired them, and
//! the record does not keep ticks: there the flags of the judgement stay as they were.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use zonda_model::TrueUtc;
use zonda_model::written::{BadWriting, Span};
use zonda_model::{Quality, Quantity, Stamp};
use zonda_signal::line::BadLine;
use zonda_signal::{BadDescription, Companion, Description, Line, Mapping, MappingError, Step};
use zonda_store::{
    BadCorrection, ChannelId, ChannelRow, CorrectionEntry, CorrectionRow, Readable, Recorder, Rule,
    SampleRow, StoreError, UndoEntry, Verdict,
};

use crate::derived::Laws;

/// Flags that depend on what is read beside.
const BESIDE: Quality = Quality::OUTSIDE_ENVELOPE
    .union(Quality::BELOW_THRESHOLD)
    .union(Quality::ABOVE_ENVELOPE)
    .union(Quality::MOVED);

/// The station finds a channel absent by its neighbours, too, and says so with this flag.
const BY_OTHERS: Quality = Quality::UNCERTAIN;

/// What a person asks for.
#[derive(Clone, Debug)]
pub struct Request {
    /// The channel's name.
    pub channel: String,
    /// From when on, true UTC.
    pub from: Stamp,
    /// Up to when (not included), true UTC.
    pub to: Stamp,
    /// What changes.
    pub change: Change,
    /// Why.
    pub reason: String,
    /// Who says so.
    pub by: String,
}

/// What changes about the mapping.
#[derive(Clone, Debug)]
pub enum Change {
    /// The range that the signal's span stands for; everything else stays.
    Range(String),
    /// All of it, as the record describes mappings.
    Mapping(String),
}

/// Why a request cannot be met.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// The record, or the correction itself.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such channel.
    #[error("there is no channel `{0}` in the record")]
    Unknown(String),
    /// Ends before it begins.
    #[error("the stretch ends at {1}, which is not after its beginning {0}; exchange them")]
    Reversed(Stamp, Stamp),
    /// The clock was set within the stretch.
    #[error(
        "the clock was set between {0} and {1}: correct the time before and the time after each by itself"
    )]
    ClockStepped(Stamp, Stamp),
    /// No mapping is known for the stretch.
    #[error("the record does not say how the codes of {0} became values then")]
    NoMapping(String),
    /// Several are.
    #[error(
        "the mapping of {0} changed at {1}; correct the time before and the time after each by itself"
    )]
    Several(String, Stamp),
    /// It follows from other channels.
    #[error("{channel} is derived, as {law} of {inputs}: correct those, and it follows")]
    Derived {
        /// Which.
        channel: String,
        /// How.
        law: String,
        /// From what.
        inputs: String,
    },
    /// The mapping has no range to be exchanged.
    #[error(
        "{0} has no range: its values do not begin with a straight line from a signal. Give its new mapping by --config"
    )]
    NoRange(String),
    /// A range that cannot be.
    #[error("the range `{0}`: {1}")]
    Range(String, BadWriting),
    /// A range that does not fit.
    #[error("the range: {0}")]
    Line(#[from] BadLine),
    /// A mapping that cannot be.
    #[error("the mapping: {0}")]
    Mapping(#[from] MappingError),
    /// A description that cannot be.
    #[error("the mapping: {0}")]
    Description(#[from] BadDescription),
    /// A mapping to another quantity.
    #[error("{channel} is recorded as {was}; a mapping to {now} is another channel's")]
    Quantity {
        /// Whose.
        channel: String,
        /// What it is.
        was: Quantity,
        /// What it would be.
        now: Quantity,
    },
    /// It would change nothing.
    #[error("{0} has this mapping already")]
    Same(String),
}

/// How a channel's codes became values, for a while.
#[derive(Clone, Debug)]
struct Way {
    from: Stamp,
    to: Stamp,
    mapping: Arc<Mapping>,
    companion: Option<ChannelId>,
}

/// How all codes of a record became values.
#[derive(Clone, Debug)]
pub struct Ways {
    channels: Vec<ChannelRow>,
    /// In the order of time, without overlaps. Where there is none, nothing is known.
    of: BTreeMap<ChannelId, Vec<Way>>,
    laws: Laws,
    utc: TrueUtc,
}

/// What follows from a code.
struct Follows {
    value: Option<f64>,
    found: Quality,
    /// The flags that can be told.
    told: Quality,
}

impl Ways {
    /// Of a record: the mappings of its configurations, and over them the corrections in force. Where
    /// a correction is under way, nothing is known.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn of(record: &Readable) -> Result<Self, StoreError> {
        let (channels, mappings) = (record.channels().await?, record.mappings().await?);
        let utc = TrueUtc::new(record.clock().await?);
        let mut ways = Self {
            laws: Laws::of(&channels, &mappings, utc.clone()),
            channels,
            of: BTreeMap::new(),
            utc,
        };
        let end = Stamp::from_micros(i64::MAX);
        for row in mappings {
            // A text that is not understood is no way; the proof says how much it worked out.
            let mapping = row
                .text
                .parse::<Description>()
                .and_then(|text| text.rebuild());
            ways.put(row.channel, (row.since, end), mapping.ok());
        }
        for row in record.corrections().await? {
            ways.overlay(&row);
        }
        Ok(ways)
    }

    fn overlay(&mut self, row: &CorrectionRow) {
        if row.is_in_force() && row.is_done() {
            let mapping = row
                .mapping
                .parse::<Description>()
                .and_then(|text| text.rebuild());
            self.put(row.channel, row.stretch, mapping.ok());
        } else if row.undone_by.is_none() && !row.is_done() {
            self.put(row.channel, row.stretch, None);
        }
    }

    /// Has one way, or none, in the place of what was there.
    fn put(&mut self, channel: ChannelId, (from, to): (Stamp, Stamp), mapping: Option<Mapping>) {
        let companion = mapping
            .as_ref()
            .and_then(|mapping| mapping.companion())
            .and_then(|name| self.find(name.as_str()))
            .map(|row| row.id);
        let ways = self.of.entry(channel).or_default();
        let mut kept: Vec<Way> = Vec::new();
        for way in ways.drain(..) {
            if way.from < from.min(way.to) {
                kept.push(Way {
                    to: way.to.min(from),
                    ..way.clone()
                });
            }
            if way.to > to.max(way.from) {
                kept.push(Way {
                    from: way.from.max(to),
                    ..way
                });
            }
        }
        kept.extend(mapping.map(|mapping| Way {
            from,
            to,
            mapping: Arc::new(mapping),
            companion,
        }));
        kept.sort_by_key(|way| way.from);
        *ways = kept;
    }

    fn find(&self, name: &str) -> Option<&ChannelRow> {
        self.channels.iter().find(|row| row.name.as_str() == name)
    }

    fn way(&self, channel: ChannelId, at: Stamp) -> Option<&Way> {
        let ways = self.of.get(&channel)?;
        let after = ways.partition_point(|way| way.from <= at);
        ways.get(after.checked_sub(1)?).filter(|way| at < way.to)
    }

    /// What follows from a sample's code, beside the others of its time; `None` where nothing can be
    /// told.
    fn follows(&self, row: &SampleRow, together: &[SampleRow]) -> Option<Follows> {
        let way = self.way(row.channel, row.at)?;
        let code = row.code?;
        let mut told = Mapping::FLAGS - BY_OTHERS;
        let beside = way.companion.map(|companion| {
            let found = together.iter().find(|other| other.channel == companion);
            found.map(|other| Companion {
                value: other.value,
                quality: other.quality - crate::mapper::FORGIVEN,
            })
        });
        let companion = match beside {
            None => Companion::NONE,
            Some(Some(companion)) => companion,
            // By its ticks it had one, which the record cannot tell.
            Some(None) if way.mapping.envelope().is_some() => {
                told -= BESIDE;
                Companion::NONE
            }
            Some(None) => return None,
        };
        let (value, mut found) = way.mapping.map_with(Some(code), companion);
        if value.is_some() && way.mapping.certificate().is_some() {
            found |= self.standing(&way.mapping, row.at);
        }
        Some(Follows {
            value,
            found: found & (told | BY_OTHERS),
            told,
        })
    }

    /// What the day says of a certificate.
    fn standing(&self, mapping: &Mapping, at: Stamp) -> Quality {
        let utc = self.utc.of(at);
        let day = Timestamp::from_microsecond(utc.micros()).ok();
        day.map_or(Quality::empty(), |utc| {
            mapping.standing(TimeZone::UTC.to_datetime(utc).date())
        })
    }

    /// Has the verdict on a record say where a derived sample does not follow from those of its inputs.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn prove_derived(
        &self,
        record: &Readable,
        (from, to): (Stamp, Stamp),
        verdict: &mut Verdict,
    ) -> Result<(), StoreError> {
        let channels: Vec<_> = self
            .laws
            .channels()
            .into_iter()
            .chain(self.laws.inputs())
            .collect();
        if self.laws.channels().is_empty() {
            return Ok(());
        }
        for (begin, end) in self.utc.stretches(from, to) {
            let cells = self.laws.cells(begin);
            let mut next = begin;
            while next < end {
                let (page, after) = record.whole_cells((next, end), &channels, cells).await?;
                for cell in page.chunk_by(|one, other| cells.begin(one.at) == cells.begin(other.at))
                {
                    let mut follows = cell.to_vec();
                    self.laws.work_out(&mut follows);
                    for (stored, follows) in cell.iter().zip(&follows) {
                        verdict.compare(stored, follows);
                    }
                }
                next = after;
            }
        }
        Ok(())
    }

    /// Works values and flags out for a proof: what can be told is set, everything else left.
    pub fn rule(self: Arc<Self>) -> Rule {
        Arc::new(move |together: &mut [SampleRow]| {
            for index in 0..together.len() {
                if let Some(follows) = self.follows(&together[index], together) {
                    let row = &mut together[index];
                    row.value = follows.value;
                    row.quality = (row.quality - follows.told) | follows.found;
                }
            }
        })
    }

    /// Works out what changes from these ways to other ones: of measured channels, the one that the others are judged by
    /// first, and then of those that are derived from them.
    fn change(old: Arc<Self>, new: Arc<Self>, measured: Vec<ChannelId>, laws: Laws) -> Rule {
        let same_time = |one: &SampleRow, other: &SampleRow| one.at == other.at;
        Arc::new(move |cell: &mut [SampleRow]| {
            let before = cell.to_vec();
            let moments = before.chunk_by(same_time);
            for (was, now) in moments.zip(cell.chunk_by_mut(same_time)) {
                old.change_moment(&new, &measured, was, now);
            }
            laws.change(&before, cell);
        })
    }

    /// The samples of one time, as they were and as they become.
    fn change_moment(
        &self,
        new: &Self,
        measured: &[ChannelId],
        before: &[SampleRow],
        together: &mut [SampleRow],
    ) {
        for channel in measured {
            let Some(index) = before.iter().position(|row| row.channel == *channel) else {
                continue;
            };
            let was = self.follows(&before[index], before);
            let now = new.follows(&together[index], together);
            if let (Some(was), Some(now)) = (was, now) {
                let row = &mut together[index];
                row.value = now.value;
                row.quality = (row.quality - was.found) | now.found;
            }
        }
    }

    /// Channels that are judged by this one somewhere in a stretch.
    fn judged_by(&self, channel: ChannelId, (from, to): (Stamp, Stamp)) -> Vec<ChannelId> {
        let judged = self.of.iter().filter(|(_, ways)| {
            ways.iter()
                .any(|way| way.companion == Some(channel) && way.from < to && from < way.to)
        });
        judged
            .map(|(id, _)| *id)
            .filter(|id| *id != channel)
            .collect()
    }
}

/// Makes a request ready: the mapping, the stretch on the record's axis, and what changes with it.
///
/// # Errors
/// [`Refused`], in a sentence for the person who asked.
pub async fn prepare(
    record: &Readable,
    request: &Request,
    now: Stamp,
) -> Result<CorrectionEntry, Refused> {
    let ways = Ways::of(record).await?;
    let channel = ways
        .find(&request.channel)
        .ok_or_else(|| Refused::Unknown(request.channel.clone()))?
        .clone();
    let stretch = stretch(&ways.utc, (request.from, request.to))?;
    let name = || request.channel.clone();
    for row in record.corrections().await? {
        let meets = row.stretch.0 < stretch.1 && stretch.0 < row.stretch.1;
        if row.channel == channel.id && row.is_in_force() && meets {
            // Before anything is said of the mapping, which is that correction's there.
            return Err(BadCorrection::Overlaps {
                id: row.id,
                channel: name(),
                from: ways.utc.of(row.stretch.0),
                to: ways.utc.of(row.stretch.1),
            }
            .into());
        }
    }
    if let Some((law, inputs)) = ways.laws.law(channel.id) {
        return Err(Refused::Derived {
            channel: name(),
            law: law.to_string(),
            inputs: ways.names(inputs),
        });
    }
    let old = match ways.in_stretch(channel.id, stretch)[..] {
        [] => return Err(Refused::NoMapping(name())),
        [way] => way.clone(),
        [_, next, ..] => return Err(Refused::Several(name(), ways.utc.of(next.from))),
    };
    let mapping = match &request.change {
        Change::Range(range) => with_range(&old.mapping, range, &request.channel)?,
        Change::Mapping(text) => text.parse::<Description>()?.rebuild()?,
    };
    if mapping.quantity() != channel.quantity {
        return Err(Refused::Quantity {
            channel: name(),
            was: channel.quantity,
            now: mapping.quantity(),
        });
    }
    if mapping == *old.mapping {
        return Err(Refused::Same(name()));
    }
    Ok(entry(ways, &channel, stretch, mapping, request, now))
}

fn entry(
    ways: Ways,
    channel: &ChannelRow,
    stretch: (Stamp, Stamp),
    mapping: Mapping,
    request: &Request,
    now: Stamp,
) -> CorrectionEntry {
    let text = mapping.describe().to_string();
    let mut new = ways.clone();
    new.put(channel.id, stretch, Some(mapping));
    let mut measured = vec![channel.id];
    measured.extend(ways.judged_by(channel.id, stretch));
    let companions = measured.iter().flat_map(|id| {
        let both = [&ways, &new].map(|ways| ways.of.get(id));
        let ways = both.into_iter().flatten().flatten();
        ways.filter_map(|way| way.companion).collect::<Vec<_>>()
    });
    let laws = ways.laws.fed_by(&measured, stretch);
    let beside = companions.chain(laws.inputs()).collect();
    let written = measured.iter().copied().chain(laws.channels()).collect();
    let cells = laws.cells(stretch.0);
    CorrectionEntry {
        channel: channel.id,
        stretch,
        mapping: text,
        reason: request.reason.trim().to_owned(),
        by: request.by.trim().to_owned(),
        at: now,
        beside,
        rule: Ways::change(Arc::new(ways), Arc::new(new), measured, laws),
        cells,
        written,
    }
}

impl Ways {
    fn names(&self, channels: &[ChannelId]) -> String {
        let name = |id: &ChannelId| {
            self.channels
                .iter()
                .find(|row| row.id == *id)
                .map(|row| row.name.as_str())
        };
        channels
            .iter()
            .filter_map(name)
            .collect::<Vec<_>>()
            .join(", ")
    }

    fn in_stretch(&self, channel: ChannelId, (from, to): (Stamp, Stamp)) -> Vec<&Way> {
        let ways = self.of.get(&channel).into_iter().flatten();
        ways.filter(|way| way.from < to && from < way.to).collect()
    }
}

/// The stretch on the record's axis.
fn stretch(utc: &TrueUtc, (from, to): (Stamp, Stamp)) -> Result<(Stamp, Stamp), Refused> {
    if from >= to {
        return Err(Refused::Reversed(from, to));
    }
    match utc.stretches(from, to)[..] {
        [stretch] => Ok(stretch),
        _ => Err(Refused::ClockStepped(from, to)),
    }
}

/// The same mapping with another range.
fn with_range(old: &Mapping, range: &str, channel: &str) -> Result<Mapping, Refused> {
    let range: Span = range
        .parse()
        .map_err(|error| Refused::Range(range.to_owned(), error))?;
    let (Some(Step::Line(line)), rest) = (old.steps().first(), old.steps().get(1..)) else {
        return Err(Refused::NoRange(channel.to_owned()));
    };
    let mut builder = Mapping::builder(old.quantity(), old.format(), old.scale())
        .step(Step::Line(Line::new(line.from(), range)?));
    if let Some(signal) = old.signal() {
        builder = builder.signal(signal);
    }
    for step in rest.unwrap_or_default() {
        builder = builder.step(step.clone());
    }
    if let Some(envelope) = old.envelope() {
        builder = builder.envelope(envelope.clone());
    }
    if let Some(companion) = old.companion() {
        builder = builder.companion(companion.clone());
    }
    if old.lacks_certificate() {
        builder = builder.lacking_certificate();
    }
    Ok(builder.build()?)
}

/// Makes a correction that was cut short ready to be gone on with.
///
/// # Errors
/// As [`prepare`].
async fn again(record: &Readable, row: &CorrectionRow) -> Result<CorrectionEntry, Refused> {
    let mut ways = Ways::of(record).await?;
    // What was in force before this one: its own stretch is not known while it is under way.
    let end = Stamp::from_micros(i64::MAX);
    for mapping in record.mappings().await? {
        if mapping.channel == row.channel {
            let text = mapping.text.parse::<Description>()?.rebuild()?;
            ways.put(row.channel, (mapping.since, end), Some(text));
        }
    }
    for other in record.corrections().await? {
        if other.channel == row.channel && other.id != row.id {
            ways.overlay(&other);
        }
    }
    let channel = ways
        .channels
        .iter()
        .find(|channel| channel.id == row.channel)
        .cloned();
    let channel = channel.ok_or_else(|| Refused::Unknown(format!("{}", row.channel.0)))?;
    let request = Request {
        channel: channel.name.to_string(),
        from: row.stretch.0,
        to: row.stretch.1,
        change: Change::Mapping(row.mapping.clone()),
        reason: row.reason.clone(),
        by: row.by.clone(),
    };
    let mapping = row.mapping.parse::<Description>()?.rebuild()?;
    Ok(entry(
        ways,
        &channel,
        row.stretch,
        mapping,
        &request,
        row.at,
    ))
}

/// Who does it: the recorder at work, or nobody records and it is done on the file itself.
#[derive(Clone, Copy, Debug)]
pub enum Hands<'a> {
    /// Beside the recording.
    Recorder(&'a Recorder),
    /// On a file into which nobody records.
    Store(&'a zonda_store::Store),
}

impl Hands<'_> {
    /// Corrects; gives the correction's number.
    ///
    /// # Errors
    /// As [`Recorder::correct`].
    pub async fn correct(self, entry: CorrectionEntry) -> Result<i64, StoreError> {
        match self {
            Self::Recorder(recorder) => recorder.correct(entry).await,
            Self::Store(store) => store.correct(entry).await,
        }
    }

    /// Takes a correction back; gives the number under which.
    ///
    /// # Errors
    /// As [`Recorder::undo`].
    pub async fn undo(self, entry: UndoEntry) -> Result<i64, StoreError> {
        match self {
            Self::Recorder(recorder) => recorder.undo(entry).await,
            Self::Store(store) => store.undo(entry).await,
        }
    }

    /// Goes on with whatever was cut short; how much that was.
    ///
    /// # Errors
    /// A mapping cannot be understood any more, or the disk fails.
    pub async fn finish(self, record: &Readable) -> Result<usize, Refused> {
        let unfinished = record.unfinished().await?;
        for row in &unfinished {
            match (row.undoes, self) {
                (Some(_), Self::Recorder(recorder)) => recorder.go_on_undoing(row).await?,
                (Some(_), Self::Store(store)) => store.go_on_undoing(row).await?,
                (None, Self::Recorder(recorder)) => {
                    recorder.go_on(row, again(record, row).await?).await?
                }
                (None, Self::Store(store)) => store.go_on(row, again(record, row).await?).await?,
            };
        }
        Ok(unfinished.len())
    }
}

/// Goes on with what the last session left unfinished, beside the recording.
pub(crate) async fn finish(record: Readable, recorder: Recorder) {
    match Hands::Recorder(&recorder).finish(&record).await {
        Ok(0) => {}
        Ok(count) => tracing::info!(count, "corrections that were cut short are done"),
        Err(error) => tracing::warn!("a correction that was cut short stays so: {error}"),
    }
}

impl From<BadCorrection> for Refused {
    fn from(error: BadCorrection) -> Self {
        Self::Store(error.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a correction may change is what a mapping may set; the seal covers everything else.
    #[test]
    fn only_flags_of_a_mapping_can_be_told() {
        assert_eq!(zonda_store::MAPPED, Mapping::FLAGS);
    }
}
