//! Walking the chain: a piece of its links, each made anew from the rows that it covers.

use std::collections::HashMap;
use std::sync::Arc;

use futures::TryStreamExt;
use futures::stream::BoxStream;
use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqliteConnection, TypeInfo, ValueRef};
use zonda_model::{Code, Sample, Stamp};

use super::bytes::{Bytes, Fronts, Hash, Link, NO_HASH, Sealed, kind, unpacked};
use super::prove::{Plan, Rule};
use super::verdict::{Fault, Flaw, Verdict};
use super::{cause, hash_of, sections};
use crate::read::SampleRow;
use crate::row::{ChannelId, quality_of};

/// How often progress is told, in samples.
const TELL_EVERY: u64 = 20_000;

/// How much more is looked at.
pub(super) type Tell = Box<dyn Fn(u64) + Send + Sync>;

/// A link as the file has it.
#[derive(Clone, Debug)]
pub(crate) struct Stored {
    pub(crate) link: Link,
    pub(super) marks: Vec<u8>,
    pub(super) hash: Hash,
}

/// What a link follows on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Before {
    pub(super) id: i64,
    pub(super) hash: Hash,
    pub(super) to: Fronts,
    at: i64,
    /// The newest commit of all: session and number.
    commit: Option<(Option<i64>, i64)>,
}

impl Before {
    const NOTHING: Self = Self {
        id: 0,
        hash: NO_HASH,
        to: Fronts {
            sample: None,
            event: None,
            gap: None,
            clock: None,
        },
        at: i64::MIN,
        commit: None,
    };

    fn then(self, stored: &Stored) -> Self {
        let link = &stored.link;
        Self {
            id: link.id,
            hash: stored.hash,
            to: link.to,
            at: link.at,
            commit: if link.kind == kind::COMMIT {
                Some((link.session, link.batch))
            } else {
                self.commit
            },
        }
    }

    /// True where a link cannot have been made next, whatever it covers.
    fn is_out_of_order(&self, link: &Link) -> bool {
        let goes_back = link.to.sample < self.to.sample
            || link.to.event < self.to.event
            || link.to.gap < self.to.gap
            || link.to.clock < self.to.clock;
        let skips = link.kind == kind::COMMIT
            && self.commit.is_some_and(|(session, batch)| {
                let expected = if session == link.session {
                    batch + 1
                } else {
                    1
                };
                link.batch != expected
            });
        goes_back || skips
    }
}

/// One core's hands.
pub(super) struct Walker {
    /// For the samples, row by row.
    rows: SqliteConnection,
    /// For everything else meanwhile.
    pub(super) other: SqliteConnection,
    pub(super) plan: Arc<Plan>,
    rule: Option<Rule>,
    tell: Tell,
}

impl Walker {
    pub(super) fn new(
        rows: SqliteConnection,
        other: SqliteConnection,
        plan: Arc<Plan>,
        rule: Option<Rule>,
        tell: Tell,
    ) -> Self {
        Self {
            rows,
            other,
            plan,
            rule,
            tell,
        }
    }

    /// Looks at the links from `first` to `last`.
    pub(super) async fn piece(&mut self, first: i64, last: i64) -> Result<Verdict, sqlx::Error> {
        let mut verdict = Verdict::default();
        let mut before = before(&mut self.other, first).await?;
        let links = links(&mut self.other, (first, last)).await?;
        // What was recorded before the chain began is not looked at.
        let from = match links.first() {
            Some(start) if start.link.kind == kind::START => start.link.to.sample,
            _ => before.to.sample,
        };
        let to = links
            .iter()
            .map(|stored| stored.link.to.sample)
            .max()
            .flatten();
        let mut samples = Samples {
            rows: rows(&mut self.rows, self.rule.is_some(), (from, to)),
            next: None,
            late: &self.plan.late[self.plan.late.partition_point(|(at, _)| Some(*at) <= from)..],
            set_aside: HashMap::new(),
            values: self.rule.as_ref().map(Values::new),
            untold: 0,
            tell: &self.tell,
        };
        for stored in links {
            let link = &stored.link;
            verdict.covered.links += 1;
            if link.id == before.id + 1 && !before.is_out_of_order(link) {
                let hash = {
                    let mut bytes = Bytes::of(
                        &before.hash,
                        link,
                        sections::has_ended(&mut self.other, link).await?,
                    );
                    let count = samples.hash(&mut self.other, &mut bytes, link).await?;
                    bytes.marks(&stored.marks);
                    sections::add(
                        &mut self.other,
                        &mut bytes,
                        link,
                        &before.to,
                        &mut verdict.covered,
                    )
                    .await?;
                    verdict.covered.samples += count;
                    bytes.hash()
                };
                if hash != stored.hash {
                    let faults =
                        cause::find(&mut self.other, &self.plan.late, &before, &stored, hash)
                            .await?;
                    for fault in faults {
                        verdict.add(fault);
                    }
                }
            } else {
                samples.pass_over(link).await?;
                let flaw = if link.id == before.id + 1 {
                    Flaw::OutOfOrder
                } else {
                    Flaw::LinksMissing {
                        first: before.id + 1,
                        last: link.id - 1,
                    }
                };
                let at = if before.id == 0 { link.at } else { before.at };
                verdict.add(Fault::new(flaw).in_link(link.id).at(at));
            }
            before = before.then(&stored);
        }
        samples.finish(&mut verdict);
        Ok(verdict)
    }
}

/// The samples of a piece, in their order, each taken once.
struct Samples<'a> {
    rows: BoxStream<'a, Result<SqliteRow, sqlx::Error>>,
    /// One that was looked at and belongs to a later link.
    next: Option<Sealed>,
    /// What comes late, from here on.
    late: &'a [(i64, i64)],
    /// Samples that a later link names, until it comes.
    set_aside: HashMap<(i64, i64), Sealed>,
    values: Option<Values<'a>>,
    untold: u64,
    tell: &'a Tell,
}

impl Samples<'_> {
    /// Adds the samples of a link, those that came late first; how many there were.
    async fn hash(
        &mut self,
        other: &mut SqliteConnection,
        bytes: &mut Bytes,
        link: &Link,
    ) -> Result<u64, sqlx::Error> {
        let mut count = 0;
        if link.kind == kind::COMMIT {
            for key in unpacked(link.named.as_deref()) {
                let found = match self.set_aside.remove(&key) {
                    Some(found) => Some(found),
                    None => sample(other, key).await?,
                };
                if let Some(found) = found {
                    bytes.sample(&found);
                    count += 1;
                }
            }
        }
        while let Some(found) = self.take(link.to.sample).await? {
            bytes.sample(&found);
            count += 1;
        }
        Ok(count)
    }

    /// Leaves out the samples of a link that cannot be made anew.
    async fn pass_over(&mut self, link: &Link) -> Result<(), sqlx::Error> {
        while self.take(link.to.sample).await?.is_some() {}
        Ok(())
    }

    /// The next sample up to `to` that no later link names.
    async fn take(&mut self, to: Option<i64>) -> Result<Option<Sealed>, sqlx::Error> {
        loop {
            let found = match self.next.take() {
                Some(found) => found,
                None => match self.read().await? {
                    Some(found) => found,
                    None => return Ok(None),
                },
            };
            if Some(found.at) > to {
                self.next = Some(found);
                return Ok(None);
            }
            let key = (found.at, found.channel);
            let passed = self.late.iter().take_while(|late| **late < key).count();
            self.late = &self.late[passed..];
            if self.late.first() == Some(&key) {
                self.set_aside.insert(key, found);
            } else {
                return Ok(Some(found));
            }
        }
    }

    async fn read(&mut self) -> Result<Option<Sealed>, sqlx::Error> {
        let Some(row) = self.rows.try_next().await? else {
            return Ok(None);
        };
        let found = sealed(&row)?;
        if let Some(values) = &mut self.values {
            values.add(&row)?;
        }
        self.untold += 1;
        if self.untold == TELL_EVERY {
            (self.tell)(std::mem::take(&mut self.untold));
        }
        Ok(Some(found))
    }

    fn finish(mut self, verdict: &mut Verdict) {
        (self.tell)(self.untold);
        if let Some(values) = &mut self.values {
            values.work_out();
            let values = std::mem::take(&mut values.found);
            verdict.merge(values);
        }
    }
}

/// Values worked out anew, one time after the other.
struct Values<'a> {
    rule: &'a Rule,
    together: Vec<SampleRow>,
    worked_out: Vec<SampleRow>,
    found: Verdict,
}

impl<'a> Values<'a> {
    fn new(rule: &'a Rule) -> Self {
        Self {
            rule,
            together: Vec::new(),
            worked_out: Vec::new(),
            found: Verdict::default(),
        }
    }

    fn add(&mut self, row: &SqliteRow) -> Result<(), sqlx::Error> {
        let Found::Code(code) = code(row)? else {
            return Ok(()); // the chain says what is wrong with it
        };
        let sample = Sample {
            at: Stamp::from_micros(row.try_get(0)?),
            channel: ChannelId(row.try_get(1)?),
            code,
            value: row.try_get(4)?,
            quality: quality_of(row.try_get(3)?),
        };
        if self
            .together
            .first()
            .is_some_and(|first| first.at != sample.at)
        {
            self.work_out();
        }
        self.together.push(sample);
        Ok(())
    }

    fn work_out(&mut self) {
        self.worked_out.clone_from(&self.together);
        (self.rule)(&mut self.worked_out);
        for (stored, follows) in self.together.iter().zip(&self.worked_out) {
            self.found.compare(stored, follows);
        }
        self.found.worked_out += self.together.len() as u64;
        self.together.clear();
    }
}

/// What the first of these links follows on.
pub(super) async fn before(
    connection: &mut SqliteConnection,
    first: i64,
) -> Result<Before, sqlx::Error> {
    let last: Option<i64> = sqlx::query_scalar("SELECT max(id) FROM seal WHERE id < ?")
        .bind(first)
        .fetch_one(&mut *connection)
        .await?;
    let Some(last) = last else {
        return Ok(Before::NOTHING);
    };
    let commit = sqlx::query_as(
        "SELECT session, batch FROM seal WHERE id < ? AND kind = 1 ORDER BY id DESC LIMIT 1",
    )
    .bind(first)
    .fetch_optional(&mut *connection)
    .await?;
    let found = links(connection, (last, last)).await?;
    Ok(found.first().map_or(Before::NOTHING, |stored| Before {
        commit,
        ..Before::NOTHING.then(stored)
    }))
}

/// These links, as far as they are there.
pub(crate) async fn links(
    connection: &mut SqliteConnection,
    (first, last): (i64, i64),
) -> Result<Vec<Stored>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT id, kind, session, batch, at, samples, sample_to, event_to, gap_to, clock_to, named, closed, marks, hash
         FROM seal WHERE id BETWEEN ? AND ? ORDER BY id",
    )
    .bind(first)
    .bind(last)
    .fetch_all(connection)
    .await?;
    rows.iter().map(stored).collect()
}

fn stored(row: &SqliteRow) -> Result<Stored, sqlx::Error> {
    let marks: Option<Vec<u8>> = row.try_get("marks")?;
    let hash: Vec<u8> = row.try_get("hash")?;
    Ok(Stored {
        link: Link {
            id: row.try_get("id")?,
            kind: row.try_get("kind")?,
            session: row.try_get("session")?,
            batch: row.try_get("batch")?,
            at: row.try_get("at")?,
            samples: row.try_get("samples")?,
            to: Fronts {
                sample: row.try_get("sample_to")?,
                event: row.try_get("event_to")?,
                gap: row.try_get("gap_to")?,
                clock: row.try_get("clock_to")?,
            },
            named: row.try_get("named")?,
            closed: row.try_get("closed")?,
        },
        marks: marks.unwrap_or_default(),
        hash: hash_of(&hash),
    })
}

/// The samples after `from` up to `to`.
fn rows(
    connection: &mut SqliteConnection,
    with_values: bool,
    (from, to): (Option<i64>, Option<i64>),
) -> BoxStream<'_, Result<SqliteRow, sqlx::Error>> {
    // Without a front nothing is before; without an end there is nothing.
    let sql = match (with_values, from) {
        (true, Some(_)) => {
            "SELECT at, channel, code, flags, value FROM sample WHERE at > ? AND at <= ? ORDER BY at, channel"
        }
        (false, Some(_)) => {
            "SELECT at, channel, code, flags FROM sample WHERE at > ? AND at <= ? ORDER BY at, channel"
        }
        (true, None) => {
            "SELECT at, channel, code, flags, value FROM sample WHERE at >= ? AND at <= ? ORDER BY at, channel"
        }
        (false, None) => {
            "SELECT at, channel, code, flags FROM sample WHERE at >= ? AND at <= ? ORDER BY at, channel"
        }
    };
    sqlx::query(sql)
        .bind(from.unwrap_or(i64::MIN))
        .bind(to)
        .fetch(connection)
}

/// One sample.
pub(super) async fn sample(
    connection: &mut SqliteConnection,
    (at, channel): (i64, i64),
) -> Result<Option<Sealed>, sqlx::Error> {
    let row =
        sqlx::query("SELECT at, channel, code, flags FROM sample WHERE at = ? AND channel = ?")
            .bind(at)
            .bind(channel)
            .fetch_optional(connection)
            .await?;
    row.as_ref().map(sealed).transpose()
}

/// What is sealed of a row `at, channel, code, flags`.
pub(super) fn sealed(row: &SqliteRow) -> Result<Sealed, sqlx::Error> {
    let (at, channel) = (row.try_get(0)?, row.try_get(1)?);
    Ok(match code(row)? {
        Found::Code(code) => Sealed::new(at, channel, code, row.try_get(3)?),
        Found::Alien => Sealed::alien(at, channel),
    })
}

/// What stands where a code belongs.
enum Found {
    /// A code, or none.
    Code(Option<Code>),
    /// Something of a kind that the writer never wrote.
    Alien,
}

/// What stands in the third column.
fn code(row: &SqliteRow) -> Result<Found, sqlx::Error> {
    let raw = row.try_get_raw(2)?;
    if raw.is_null() {
        return Ok(Found::Code(None));
    }
    let kind = raw.type_info();
    Ok(match kind.name() {
        "INTEGER" => Found::Code(Some(Code::Count(row.try_get(2)?))),
        "REAL" => Found::Code(Some(Code::Number(row.try_get(2)?))),
        _ => Found::Alien,
    })
}
