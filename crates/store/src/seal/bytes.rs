//! What a link is the hash of, byte for byte: `docs/seal.md` in code. Pure.
//!
//! Writing and verifying come through here, each with rows of its own: the writer with what it was
//! handed, the verifier with what it finds in the file.

use blake3::Hasher;
use zonda_model::{Code, Quality, Sample};

use crate::row::ChannelId;

/// The first bytes of everything that is hashed for a link, so that no hash made for another purpose
/// can be taken for one.
const HEADER: &[u8; 16] = b"zonda.seal.link1";

/// The hash of a link.
pub(crate) type Hash = [u8; 32];

/// What stands in the place of the hash before the first link's.
pub(crate) const NO_HASH: Hash = [0; 32];

/// Flags that follow from a code by its mapping, and may be corrected with it. All others tell how a
/// sample was acquired and how it stood among its neighbours: they are sealed with the code. Flags of
/// a sample without a code follow from nothing, and all of them are sealed.
pub const MAPPED: Quality = Quality::OPEN_LOOP
    .union(Quality::SHORT)
    .union(Quality::UNDER_RANGE)
    .union(Quality::OVER_RANGE)
    .union(Quality::OUTSIDE_ENVELOPE)
    .union(Quality::BELOW_THRESHOLD)
    .union(Quality::ABOVE_ENVELOPE)
    .union(Quality::UNCALIBRATED)
    .union(Quality::CALIBRATION_OVERDUE)
    .union(Quality::MOVED)
    .union(Quality::SATURATED)
    .union(Quality::NO_NUMBER)
    .union(Quality::UNCERTAIN);

/// What kind of link it is.
pub(crate) mod kind {
    pub(crate) const START: i64 = 0;
    pub(crate) const COMMIT: i64 = 1;
    pub(crate) const SESSION: i64 = 2;
    pub(crate) const ENTRY: i64 = 3;
}

/// What a link of kind [`kind::ENTRY`] names: the table, and then the key in it.
pub(crate) mod entry {
    pub(crate) const CORRECTION: i64 = 1;
}

/// The last keys that the chain covers; `None` before the first. In the order of the file's columns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Fronts {
    pub(crate) sample: Option<i64>,
    pub(crate) event: Option<i64>,
    pub(crate) gap: Option<i64>,
    pub(crate) clock: Option<i64>,
}

/// A link's own columns, but for its marks and its hash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Link {
    pub(crate) id: i64,
    pub(crate) kind: i64,
    pub(crate) session: Option<i64>,
    pub(crate) batch: i64,
    pub(crate) at: i64,
    pub(crate) samples: i64,
    pub(crate) to: Fronts,
    pub(crate) named: Option<Vec<u8>>,
    pub(crate) closed: Option<Vec<u8>>,
}

/// What is sealed of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Sealed {
    pub(crate) at: i64,
    pub(crate) channel: i64,
    tag: u8,
    code: [u8; 8],
    acquired: i64,
}

impl Sealed {
    /// What the writer was handed.
    pub(crate) fn of(sample: &Sample<ChannelId>) -> Self {
        let (at, channel) = (sample.at.micros(), sample.channel.0);
        Self::new(at, channel, sample.code, i64::from(sample.quality.bits()))
    }

    /// What the columns say.
    pub(crate) fn new(at: i64, channel: i64, code: Option<Code>, flags: i64) -> Self {
        let (tag, code) = match code {
            None => (0, [0; 8]),
            Some(Code::Count(count)) => (1, count.to_le_bytes()),
            Some(Code::Number(number)) => (2, number.to_le_bytes()),
        };
        let sealed = if tag == 0 {
            -1
        } else {
            !i64::from(MAPPED.bits())
        };
        Self {
            at,
            channel,
            tag,
            code,
            acquired: flags & sealed,
        }
    }

    /// One whose code is something that the writer never wrote.
    pub(crate) fn alien(at: i64, channel: i64) -> Self {
        Self {
            tag: u8::MAX,
            ..Self::new(at, channel, None, 0)
        }
    }

    /// 33 bytes.
    fn bytes(&self) -> [u8; 33] {
        let mut bytes = [0; 33];
        bytes[..8].copy_from_slice(&self.at.to_le_bytes());
        bytes[8..16].copy_from_slice(&self.channel.to_le_bytes());
        bytes[16] = self.tag;
        bytes[17..25].copy_from_slice(&self.code);
        bytes[25..].copy_from_slice(&self.acquired.to_le_bytes());
        bytes
    }

    /// The byte by which a changed sample is told from its neighbours: the first of its hash. It proves
    /// nothing; one change in 256 leaves it as it was.
    pub(crate) fn mark(&self) -> u8 {
        blake3::hash(&self.bytes()).as_bytes()[0]
    }
}

/// What is being hashed for a link. The sections have to come in the order of the methods.
pub(crate) struct Bytes(Hasher);

impl Bytes {
    /// The link's own columns, after the hash before. `has_ended` where the session ended in order
    /// with this commit.
    pub(crate) fn of(before: &Hash, link: &Link, has_ended: bool) -> Self {
        let mut bytes = Self(Hasher::new());
        bytes.0.update(HEADER).update(before);
        bytes.number(link.id);
        bytes.number(link.kind);
        bytes.optional(link.session);
        bytes.number(link.batch);
        bytes.number(link.at);
        bytes.number(has_ended.into());
        for front in [link.to.sample, link.to.event, link.to.gap, link.to.clock] {
            bytes.optional(front);
        }
        for list in [&link.named, &link.closed] {
            bytes.text(list.as_deref().unwrap_or_default());
        }
        bytes.number(link.samples);
        bytes
    }

    /// The samples, by time and then channel, and their marks. How many, the link has said.
    pub(crate) fn samples(&mut self, rows: &[Sealed], marks: &[u8]) {
        for row in rows {
            self.sample(row);
        }
        self.marks(marks);
    }

    /// One of the samples.
    pub(crate) fn sample(&mut self, row: &Sealed) {
        self.0.update(&row.bytes());
    }

    /// The marks after the samples.
    pub(crate) fn marks(&mut self, marks: &[u8]) {
        self.text(marks);
    }

    /// How many rows of the next section follow.
    pub(crate) fn count(&mut self, rows: usize) {
        self.number(i64::try_from(rows).unwrap_or(i64::MAX));
    }

    /// A gap as it began: cause and detail.
    pub(crate) fn opened(&mut self, id: i64, channel: i64, from: i64, texts: [&[u8]; 2]) {
        self.numbers([id, channel, from]);
        self.texts(texts);
    }

    /// How a gap ended.
    pub(crate) fn closed(&mut self, id: i64, to: Option<i64>, missed: i64) {
        self.number(id);
        self.optional(to);
        self.number(missed);
    }

    /// An event: severity, kind, subject and text.
    pub(crate) fn event(&mut self, id: i64, at: i64, texts: [&[u8]; 4]) {
        self.numbers([id, at]);
        self.texts(texts);
    }

    /// A change of the clock, and its cause.
    pub(crate) fn clock(&mut self, id: i64, at: i64, axis_minus_utc_us: i64, cause: &[u8]) {
        self.numbers([id, at, axis_minus_utc_us]);
        self.text(cause);
    }

    /// A session: boot, version, hash and text of the configuration.
    pub(crate) fn session(&mut self, texts: [&[u8]; 4]) {
        self.texts(texts);
    }

    /// A channel of the session and the mapping in force: name, quantity and unit; hash of the
    /// configuration that brought the mapping, and its text.
    pub(crate) fn channel(
        &mut self,
        channel: i64,
        names: [&[u8]; 3],
        (version, since): (i64, i64),
        mapping: [&[u8]; 2],
    ) {
        self.number(channel);
        self.texts(names);
        self.numbers([version, since]);
        self.texts(mapping);
    }

    /// A row of a table of its own: its numbers and its texts.
    pub(crate) fn entry<const N: usize, const T: usize>(
        &mut self,
        numbers: [Option<i64>; N],
        texts: [&[u8]; T],
    ) {
        for number in numbers {
            self.optional(number);
        }
        self.texts(texts);
    }

    pub(crate) fn hash(&self) -> Hash {
        *self.0.finalize().as_bytes()
    }

    fn number(&mut self, number: i64) {
        self.0.update(&number.to_le_bytes());
    }

    fn numbers<const N: usize>(&mut self, numbers: [i64; N]) {
        for number in numbers {
            self.number(number);
        }
    }

    fn optional(&mut self, number: Option<i64>) {
        self.0.update(&[u8::from(number.is_some())]);
        self.number(number.unwrap_or(0));
    }

    fn text(&mut self, text: &[u8]) {
        self.count(text.len());
        self.0.update(text);
    }

    fn texts<const N: usize>(&mut self, texts: [&[u8]; N]) {
        for text in texts {
            self.text(text);
        }
    }
}

/// Pairs of numbers, as a link names rows; an empty list is none.
pub(crate) fn packed(pairs: &[(i64, i64)]) -> Option<Vec<u8>> {
    let bytes = pairs
        .iter()
        .flat_map(|(a, b)| [a.to_le_bytes(), b.to_le_bytes()].concat());
    (!pairs.is_empty()).then(|| bytes.collect())
}

/// The same of single numbers.
pub(crate) fn packed_keys(keys: &[i64]) -> Option<Vec<u8>> {
    let bytes = keys.iter().flat_map(|key| key.to_le_bytes());
    (!keys.is_empty()).then(|| bytes.collect())
}

/// What [`packed_keys`] packed; a rest that is no whole number is left out.
pub(crate) fn unpacked_keys(bytes: Option<&[u8]>) -> Vec<i64> {
    let (keys, _rest) = bytes.unwrap_or_default().as_chunks();
    keys.iter().map(|key| i64::from_le_bytes(*key)).collect()
}

/// What [`packed`] packed.
pub(crate) fn unpacked(bytes: Option<&[u8]>) -> Vec<(i64, i64)> {
    let keys = unpacked_keys(bytes);
    let (pairs, _rest) = keys.as_chunks::<2>();
    pairs.iter().map(|[a, b]| (*a, *b)).collect()
}
