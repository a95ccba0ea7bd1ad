//! Which links of the chain a cut-out takes: those that cover what it holds, and those that cover what
//! comes along with them, until nothing is added.

use std::collections::{BTreeMap, BTreeSet};

use futures::TryStreamExt;
use sqlx::SqliteConnection;

use super::CutAsk;
use crate::error::StoreError;
use crate::seal::{Fronts, covering, entry, kind, links, unpacked, unpacked_keys};

/// Links with everything that they cover, as pieces without a hole.
#[derive(Debug, Default)]
pub(super) struct Chain {
    pub(super) pieces: Vec<Piece>,
    /// The last link that covers the stretch.
    pub(super) head: Option<i64>,
    /// What lies up to here was recorded before the chain began.
    pub(super) start: Fronts,
}

/// Links that follow on one another, and what they cover.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece {
    pub(super) first: i64,
    pub(super) last: i64,
    /// The link before, from which the piece goes on, or one before that: the last commit.
    pub(super) anchor: i64,
    pub(super) from: Fronts,
    pub(super) to: Fronts,
}

/// What links name beside the samples that come next, of the whole chain.
#[derive(Debug, Default)]
struct Names {
    /// Session begins, by the session.
    sessions: BTreeMap<i64, i64>,
    /// Entries, by the correction.
    corrections: BTreeMap<i64, i64>,
    /// Ends of gaps, by the gap.
    ends: BTreeMap<i64, i64>,
    /// Samples that came late, with the link.
    late: Vec<(i64, i64)>,
}

/// The links for a run.
pub(super) async fn chain(
    source: &mut SqliteConnection,
    ask: &CutAsk,
) -> Result<Chain, StoreError> {
    let ends: (Option<i64>, Option<i64>) = sqlx::query_as("SELECT min(id), max(id) FROM seal")
        .fetch_one(&mut *source)
        .await?;
    let (Some(first), Some(newest)) = ends else {
        return Ok(Chain::default());
    };
    let stretch = (ask.stretch.from, ask.stretch.to);
    let covered = covering(source, stretch, (first, newest)).await?;
    let names = Names::read(source).await?;
    let mut wanted: BTreeSet<i64> = (covered.0..=covered.1).collect();
    wanted.insert(first);
    told_of(source, ask, &mut wanted).await?;
    loop {
        let before = wanted.len();
        let pieces = pieces(source, &wanted).await?;
        names.follow(source, ask, &pieces, &mut wanted).await?;
        if wanted.len() == before {
            let start = links(source, (first, first)).await?.pop();
            let start = start.filter(|stored| stored.link.kind == kind::START);
            return Ok(Chain {
                pieces,
                head: Some(covered.1),
                start: start.map_or_else(Fronts::default, |stored| stored.link.to),
            });
        }
    }
}

/// The links of what was said of the run, of the loop checks of channels, and of the clock.
async fn told_of(
    source: &mut SqliteConnection,
    ask: &CutAsk,
    wanted: &mut BTreeSet<i64>,
) -> Result<(), StoreError> {
    let events: Vec<i64> = sqlx::query_scalar(
        "SELECT id FROM event WHERE kind LIKE 'run\\_%' ESCAPE '\\' AND subject = (SELECT name FROM run WHERE id = ?1)
         UNION SELECT id FROM event WHERE kind = 'loop_check' AND at < ?2",
    )
    .bind(ask.run.0)
    .bind(ask.stretch.to.micros())
    .fetch_all(&mut *source)
    .await?;
    let clocks: Vec<i64> = sqlx::query_scalar("SELECT id FROM clock")
        .fetch_all(&mut *source)
        .await?;
    for (front, keys) in [("event_to", events), ("clock_to", clocks)] {
        for key in keys {
            wanted.extend(reaching(source, front, key).await?);
        }
    }
    Ok(())
}

/// The first link whose front reaches a key; `None` where no link does. Fronts only go on, so it is found by halving.
async fn reaching(
    source: &mut SqliteConnection,
    front: &'static str,
    key: i64,
) -> Result<Option<i64>, StoreError> {
    let probe = match front {
        "event_to" => "SELECT id, event_to FROM seal WHERE id >= ? ORDER BY id LIMIT 1",
        "gap_to" => "SELECT id, gap_to FROM seal WHERE id >= ? ORDER BY id LIMIT 1",
        _ => "SELECT id, clock_to FROM seal WHERE id >= ? ORDER BY id LIMIT 1",
    };
    let ends: (i64, i64) = sqlx::query_as("SELECT min(id), max(id) FROM seal")
        .fetch_one(&mut *source)
        .await?;
    let (mut low, mut high) = ends;
    while low < high {
        let middle = low + (high - low) / 2;
        if front_of(source, probe, middle).await?.1 >= Some(key) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    let (link, reach) = front_of(source, probe, low).await?;
    Ok((reach >= Some(key)).then_some(link))
}

async fn front_of(
    source: &mut SqliteConnection,
    probe: &'static str,
    link: i64,
) -> Result<(i64, Option<i64>), StoreError> {
    let found = sqlx::query_as(probe).bind(link).fetch_one(source).await?;
    Ok(found)
}

impl Names {
    async fn read(source: &mut SqliteConnection) -> Result<Self, StoreError> {
        type Named = (i64, i64, Option<i64>, Option<Vec<u8>>, Option<Vec<u8>>);
        let mut names = Self::default();
        let mut rows = sqlx::query_as::<_, Named>(
            "SELECT id, kind, session, named, closed FROM seal WHERE kind <> 1 OR named IS NOT NULL OR closed IS NOT NULL",
        )
        .fetch(source);
        while let Some((id, of, session, named, closed)) = rows.try_next().await? {
            names.ends.extend(
                unpacked_keys(closed.as_deref())
                    .into_iter()
                    .map(|gap| (gap, id)),
            );
            let pairs = unpacked(named.as_deref());
            match of {
                kind::COMMIT => names.late.extend(pairs.into_iter().map(|(at, _)| (at, id))),
                kind::SESSION => names.sessions.extend(session.map(|session| (session, id))),
                kind::ENTRY => {
                    let own = pairs
                        .into_iter()
                        .filter(|(table, _)| *table == entry::CORRECTION);
                    names.corrections.extend(own.map(|(_, key)| (key, id)));
                }
                _ => {}
            }
        }
        Ok(names)
    }

    /// Adds the links of what came along with these pieces.
    async fn follow(
        &self,
        source: &mut SqliteConnection,
        ask: &CutAsk,
        pieces: &[Piece],
        wanted: &mut BTreeSet<i64>,
    ) -> Result<(), StoreError> {
        let (from, to) = (ask.stretch.from.micros(), ask.stretch.to.micros());
        let mut gaps = gaps(
            source,
            "SELECT id FROM gap WHERE from_at < ? AND coalesce(to_at, 9223372036854775807) > ?",
            (to, from),
        )
        .await?;
        for piece in pieces {
            if let Some(keys) = keys(piece.from.gap, piece.to.gap) {
                gaps.extend(
                    self::gaps(source, "SELECT id FROM gap WHERE id BETWEEN ? AND ?", keys).await?,
                );
            }
            gaps.extend(
                self.ends
                    .iter()
                    .filter(|(_, link)| piece.holds(**link))
                    .map(|(gap, _)| *gap),
            );
            for session in sessions(source, piece).await? {
                wanted.extend(self.sessions.get(&session));
            }
            if let Some((from, to)) = keys(piece.from.sample, piece.to.sample) {
                wanted.extend(
                    self.late
                        .iter()
                        .filter(|(at, _)| (from..=to).contains(at))
                        .map(|(_, link)| *link),
                );
                let made: Vec<i64> = sqlx::query_scalar(
                    "SELECT id FROM correction WHERE from_at <= ? AND to_at > ?",
                )
                .bind(to)
                .bind(from)
                .fetch_all(&mut *source)
                .await?;
                wanted.extend(made.iter().filter_map(|key| self.corrections.get(key)));
            }
        }
        for gap in gaps {
            wanted.extend(reaching(source, "gap_to", gap).await?);
            wanted.extend(self.ends.get(&gap));
        }
        Ok(())
    }
}

/// Gaps that a statement with two numbers finds.
async fn gaps(
    source: &mut SqliteConnection,
    sql: &'static str,
    (one, other): (i64, i64),
) -> Result<BTreeSet<i64>, StoreError> {
    let rows: Vec<i64> = sqlx::query_scalar(sql)
        .bind(one)
        .bind(other)
        .fetch_all(source)
        .await?;
    Ok(rows.into_iter().collect())
}

/// The sessions whose commits are in a piece.
async fn sessions(source: &mut SqliteConnection, piece: &Piece) -> Result<Vec<i64>, StoreError> {
    let found = sqlx::query_scalar(
        "SELECT DISTINCT session FROM seal WHERE id BETWEEN ? AND ? AND kind IN (1, 2) AND session IS NOT NULL",
    )
    .bind(piece.first)
    .bind(piece.last)
    .fetch_all(source)
    .await?;
    Ok(found)
}

/// Cuts the wanted links into pieces, and says from where each goes on.
async fn pieces(
    source: &mut SqliteConnection,
    wanted: &BTreeSet<i64>,
) -> Result<Vec<Piece>, StoreError> {
    let mut ends: Vec<(i64, i64)> = Vec::new();
    for link in wanted {
        match ends.last_mut() {
            Some((_, last)) if *last + 1 == *link => *last = *link,
            _ => ends.push((*link, *link)),
        }
    }
    let mut pieces = Vec::with_capacity(ends.len());
    for (first, last) in ends {
        // The link with which the chain begins covers nothing: what follows goes on from its fronts.
        let own = links(source, (first, first)).await?.pop();
        let before = match own.filter(|stored| stored.link.kind == kind::START) {
            Some(start) => Some(start),
            None => links(source, (first - 1, first - 1)).await?.pop(),
        };
        let to = links(source, (last, last)).await?.pop();
        let commit: Option<i64> =
            sqlx::query_scalar("SELECT max(id) FROM seal WHERE id < ? AND kind = 1")
                .bind(first)
                .fetch_one(&mut *source)
                .await?;
        pieces.push(Piece {
            first,
            last,
            anchor: commit.unwrap_or(first - 1).min(first - 1),
            from: before.map_or_else(Fronts::default, |stored| stored.link.to),
            to: to.map_or_else(Fronts::default, |stored| stored.link.to),
        });
    }
    Ok(pieces)
}

impl Piece {
    const fn holds(&self, link: i64) -> bool {
        self.first <= link && link <= self.last
    }
}

/// The keys after one front up to another, both included; `None` where there are none.
pub(super) fn keys(from: Option<i64>, to: Option<i64>) -> Option<(i64, i64)> {
    let to = to?;
    let from = from.map_or(i64::MIN, |from| from.saturating_add(1));
    (from <= to).then_some((from, to))
}
