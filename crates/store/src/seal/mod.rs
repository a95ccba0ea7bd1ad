//! The seal: a chain of hashes over what was recorded, so that a change made afterwards shows.
//!
//! One link for each commit and for each begin of a session, written in the same transaction: there
//! is no recorded row without its link. [`bytes`] says what a link is the hash of. Values and the
//! flags that follow from them are left out: they can be worked out anew from codes and mappings.
//!
//! The writer seals what it was handed, not what it finds in the file: a row that somebody else
//! slipped in is covered by no link. And it never stops recording for the chain's sake: where the
//! chain is gone it begins anew, and says so for ever.

mod bytes;
mod cause;
mod prove;
mod sections;
mod strays;
mod verdict;
mod walk;

use sqlx::SqliteConnection;
use zonda_model::{Sample, Stamp};

use self::bytes::{Bytes, Hash, Link, NO_HASH, Sealed};
pub(crate) use self::bytes::{Fronts, entry, kind, unpacked, unpacked_keys};
pub(crate) use self::prove::covering;
pub(crate) use self::walk::links;
use crate::book::GapEntry;
use crate::commit::ClockRow;
use crate::error::StoreError;
use crate::open::Readable;
use crate::recorder::Event;
use crate::row::ChannelId;
use crate::session::Start;

pub use bytes::MAPPED;
pub use prove::{Ask, Progress, Rule, Watch};
pub use verdict::{Covered, Covers, Fault, Flaw, Verdict};

/// The newest link of a record. Its hash stands for everything that was recorded up to it: whoever
/// has a copy of it in another place can prove that nothing was changed or cut off before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SealHead {
    /// Its number.
    pub link: i64,
    /// Up to when the record went then.
    pub at: Stamp,
    /// Its hash.
    pub hash: [u8; 32],
}

impl SealHead {
    /// The hash as 64 hexadecimal digits.
    pub fn hex(&self) -> String {
        blake3::Hash::from_bytes(self.hash).to_hex().to_string()
    }
}

impl Readable {
    /// The newest link; `None` where nothing is sealed yet.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn seal(&self) -> Result<Option<SealHead>, StoreError> {
        let row = sqlx::query!("SELECT id, at, hash FROM seal ORDER BY id DESC LIMIT 1")
            .fetch_optional(&self.pool())
            .await?;
        Ok(row.map(|row| SealHead {
            link: row.id,
            at: Stamp::from_micros(row.at),
            hash: hash_of(&row.hash),
        }))
    }
}

/// Puts the head into the log. Whoever keeps logs in another place has a copy that a change of the
/// record cannot reach.
pub(crate) fn log(head: &SealHead) {
    tracing::info!(
        link = head.link,
        head = head.hex(),
        "the record is sealed up to {}",
        head.at
    );
}

/// Where the chain ends, and the next link goes on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tip {
    id: i64,
    hash: Hash,
    to: Fronts,
}

impl Tip {
    const fn next(&self) -> i64 {
        self.id.saturating_add(1)
    }

    /// The newest link, as it stands after this.
    pub(crate) const fn head(&self, at: Stamp) -> SealHead {
        SealHead {
            link: self.id,
            at,
            hash: self.hash,
        }
    }
}

/// What a commit put into the file.
#[derive(Debug)]
pub(crate) struct Commit<'a> {
    pub(crate) session: i64,
    pub(crate) batch: i64,
    pub(crate) at: Stamp,
    pub(crate) is_last: bool,
    pub(crate) samples: &'a [Sample<ChannelId>],
    pub(crate) gaps: &'a [GapEntry],
    /// With their keys.
    pub(crate) events: Vec<(i64, &'a Event)>,
    pub(crate) clocks: Vec<(i64, &'a ClockRow)>,
}

/// What the begin of a session put into the file.
#[derive(Debug)]
pub(crate) struct Begin<'a> {
    pub(crate) session: i64,
    pub(crate) start: &'a Start,
    /// The channels in their order, each with the version of its mapping.
    pub(crate) mappings: &'a [(i64, i64)],
    pub(crate) gaps: &'a [GapEntry],
}

/// Where the chain ends. One that is not there is begun: over nothing in a new file, after what is
/// recorded already in one from before the seal. To be asked before anything is written.
pub(crate) async fn tip(connection: &mut SqliteConnection, at: Stamp) -> Result<Tip, sqlx::Error> {
    let row = sqlx::query!(
        "SELECT id, hash, sample_to, event_to, gap_to, clock_to FROM seal ORDER BY id DESC LIMIT 1"
    )
    .fetch_optional(&mut *connection)
    .await?;
    match row {
        Some(row) => Ok(Tip {
            id: row.id,
            hash: hash_of(&row.hash),
            to: Fronts {
                sample: row.sample_to,
                event: row.event_to,
                gap: row.gap_to,
                clock: row.clock_to,
            },
        }),
        None => start(connection, at).await,
    }
}

/// One of a wrong length is somebody else's work. Recording goes on all the same; the verifier sees
/// that link's fault.
pub(crate) fn hash_of(bytes: &[u8]) -> Hash {
    bytes.try_into().unwrap_or(NO_HASH)
}

async fn start(connection: &mut SqliteConnection, at: Stamp) -> Result<Tip, sqlx::Error> {
    let row = sqlx::query!(
        r#"SELECT (SELECT max(id) FROM session) AS "session: i64", (SELECT max(at) FROM sample) AS "sample: i64",
                  (SELECT max(id) FROM event) AS "event: i64", (SELECT max(id) FROM gap) AS "gap: i64",
                  (SELECT max(id) FROM clock) AS "clock: i64""#
    )
    .fetch_one(&mut *connection)
    .await?;
    let link = Link {
        id: 1,
        kind: kind::START,
        session: row.session,
        batch: 0,
        at: at.micros(),
        samples: 0,
        to: Fronts {
            sample: row.sample,
            event: row.event,
            gap: row.gap,
            clock: row.clock,
        },
        named: None,
        closed: None,
    };
    if row.session.is_some() {
        tracing::info!("the record is sealed from now on; what is in it already is not");
    }
    let mut bytes = Bytes::of(&NO_HASH, &link, false);
    bytes.samples(&[], &[]);
    put(connection, link, &[], &bytes).await
}

/// Adds the link of a commit.
pub(crate) async fn seal_commit(
    connection: &mut SqliteConnection,
    tip: Tip,
    commit: &Commit<'_>,
) -> Result<Tip, sqlx::Error> {
    let mut rows: Vec<_> = commit.samples.iter().map(Sealed::of).collect();
    rows.sort_unstable();
    let late = rows.partition_point(|row| Some(row.at) <= tip.to.sample);
    let named: Vec<_> = rows[..late]
        .iter()
        .map(|row| (row.at, row.channel))
        .collect();
    let marks: Vec<_> = rows.iter().map(Sealed::mark).collect();
    let link = Link {
        id: tip.next(),
        kind: kind::COMMIT,
        session: Some(commit.session),
        batch: commit.batch,
        at: commit.at.micros(),
        samples: i64::try_from(rows.len()).unwrap_or(i64::MAX),
        to: Fronts {
            sample: tip.to.sample.max(rows.last().map(|row| row.at)),
            event: tip.to.event.max(commit.events.last().map(|(id, _)| *id)),
            gap: tip.to.gap.max(commit.gaps.last().map(|gap| gap.id)),
            clock: tip.to.clock.max(commit.clocks.last().map(|(id, _)| *id)),
        },
        named: bytes::packed(&named),
        closed: bytes::packed_keys(&closed(commit.gaps)),
    };
    let mut bytes = Bytes::of(&tip.hash, &link, commit.is_last);
    bytes.samples(&rows, &marks);
    gaps(&mut bytes, tip, commit.gaps);
    add_events(&mut bytes, &commit.events);
    bytes.count(commit.clocks.len());
    for (id, row) in &commit.clocks {
        bytes.clock(
            *id,
            row.at.micros(),
            row.axis_minus_utc_us,
            row.cause.as_bytes(),
        );
    }
    put(connection, link, &marks, &bytes).await
}

/// Adds the link of a session's begin.
pub(crate) async fn seal_begin(
    connection: &mut SqliteConnection,
    tip: Tip,
    begin: &Begin<'_>,
) -> Result<Tip, sqlx::Error> {
    let Start {
        boot,
        version,
        config_hash,
        config_text,
        at,
        ..
    } = begin.start;
    let link = Link {
        id: tip.next(),
        kind: kind::SESSION,
        session: Some(begin.session),
        batch: 0,
        at: at.micros(),
        samples: 0,
        to: Fronts {
            gap: tip.to.gap.max(begin.gaps.last().map(|gap| gap.id)),
            ..tip.to
        },
        named: bytes::packed(begin.mappings),
        closed: bytes::packed_keys(&closed(begin.gaps)),
    };
    let mut bytes = Bytes::of(&tip.hash, &link, false);
    bytes.samples(&[], &[]);
    gaps(&mut bytes, tip, begin.gaps);
    bytes.count(0);
    bytes.count(0);
    bytes.session([boot, version, config_hash, config_text].map(String::as_bytes));
    channels(connection, begin.mappings, &mut bytes).await?;
    put(connection, link, &[], &bytes).await
}

/// Adds the link of a correction with the events that tell of it, or of such events alone.
pub(crate) async fn seal_correction(
    connection: &mut SqliteConnection,
    tip: Tip,
    correction: Option<i64>,
    events: &[(i64, &Event)],
    at: Stamp,
) -> Result<(), sqlx::Error> {
    let named: Vec<_> = correction
        .map(|id| (entry::CORRECTION, id))
        .into_iter()
        .collect();
    let link = Link {
        id: tip.next(),
        kind: kind::ENTRY,
        session: None,
        batch: 0,
        at: at.micros(),
        samples: 0,
        to: Fronts {
            event: tip.to.event.max(events.last().map(|(id, _)| *id)),
            ..tip.to
        },
        named: bytes::packed(&named),
        closed: None,
    };
    let mut bytes = Bytes::of(&tip.hash, &link, false);
    bytes.samples(&[], &[]);
    bytes.count(0);
    bytes.count(0);
    add_events(&mut bytes, events);
    bytes.count(0);
    if let Some(id) = correction {
        self::correction(connection, id, &mut bytes).await?;
    }
    put(connection, link, &[], &bytes).await?;
    Ok(())
}

fn add_events(bytes: &mut Bytes, events: &[(i64, &Event)]) {
    bytes.count(events.len());
    for (id, event) in events {
        let texts = [
            event.severity.word(),
            &event.kind,
            &event.subject,
            &event.text,
        ];
        bytes.event(*id, event.at.micros(), texts.map(str::as_bytes));
    }
}

fn closed(gaps: &[GapEntry]) -> Vec<i64> {
    let closed = gaps.iter().filter(|gap| gap.to.is_some());
    closed.map(|gap| gap.id).collect()
}

/// Gaps that began and gaps that ended, each by key, as the book hands them over.
fn gaps(bytes: &mut Bytes, tip: Tip, gaps: &[GapEntry]) {
    let opened = gaps.partition_point(|gap| Some(gap.id) <= tip.to.gap);
    bytes.count(gaps.len() - opened);
    for gap in &gaps[opened..] {
        let texts = [gap.cause.word(), &gap.detail].map(str::as_bytes);
        bytes.opened(gap.id, gap.channel.0, gap.from.micros(), texts);
    }
    let closed = gaps.iter().filter(|gap| gap.to.is_some());
    bytes.count(closed.clone().count());
    for gap in closed {
        bytes.closed(gap.id, gap.to.map(Stamp::micros), gap.missed);
    }
}

/// The channels of a session with their mappings, as the file has them: it keeps both for ever.
async fn channels(
    connection: &mut SqliteConnection,
    mappings: &[(i64, i64)],
    bytes: &mut Bytes,
) -> Result<(), sqlx::Error> {
    bytes.count(mappings.len());
    for (channel, version) in mappings {
        let row = sqlx::query!(
            r#"SELECT name AS "name: Vec<u8>", quantity AS "quantity: Vec<u8>", si_unit AS "si_unit: Vec<u8>",
                      since_at, config AS "config: Vec<u8>", text AS "text: Vec<u8>"
               FROM mapping JOIN channel ON channel.id = mapping.channel WHERE mapping.channel = ? AND version = ?"#,
            channel,
            version
        )
        .fetch_optional(&mut *connection)
        .await?;
        let Some(row) = row else { continue };
        bytes.channel(
            *channel,
            [&row.name, &row.quantity, &row.si_unit],
            (*version, row.since_at),
            [&row.config, &row.text],
        );
    }
    Ok(())
}

async fn put(
    connection: &mut SqliteConnection,
    link: Link,
    marks: &[u8],
    bytes: &Bytes,
) -> Result<Tip, sqlx::Error> {
    let hash = bytes.hash();
    let tip = Tip {
        id: link.id,
        hash,
        to: link.to,
    };
    let (hash, marks) = (hash.as_slice(), (!marks.is_empty()).then_some(marks));
    sqlx::query!(
        "INSERT INTO seal (id, kind, session, batch, at, samples, sample_to, event_to, gap_to, clock_to, named, closed, marks, hash)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        link.id,
        link.kind,
        link.session,
        link.batch,
        link.at,
        link.samples,
        link.to.sample,
        link.to.event,
        link.to.gap,
        link.to.clock,
        link.named,
        link.closed,
        marks,
        hash
    )
    .execute(connection)
    .await?;
    Ok(tip)
}

/// A correction as the chain covers it: what was asked for, not how far it is.
async fn correction(
    connection: &mut SqliteConnection,
    id: i64,
    bytes: &mut Bytes,
) -> Result<(), sqlx::Error> {
    let row = sqlx::query!(
        r#"SELECT at, channel, from_at, to_at, undoes, mapping AS "mapping: Vec<u8>", reason AS "reason: Vec<u8>", by_whom AS "by_whom: Vec<u8>"
           FROM correction WHERE id = ?"#,
        id
    )
    .fetch_optional(connection)
    .await?;
    if let Some(row) = row {
        let numbers = [id, row.at, row.channel, row.from_at, row.to_at].map(Some);
        let [id, at, channel, from, to] = numbers;
        bytes.entry(
            [id, at, channel, from, to, row.undoes],
            [&row.mapping, &row.reason, &row.by_whom],
        );
    }
    Ok(())
}
