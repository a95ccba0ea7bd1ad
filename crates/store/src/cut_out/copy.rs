//! The rows themselves, from one view of the record into the new file.
//!
//! The connection has the record as `source` and the file as `target`; a bare name finds the record's
//! table where both have it.

use sqlx::{Connection, SqliteConnection};

use super::links::{Chain, Piece, chain, keys};
use super::{CutAsk, head};
use crate::error::StoreError;
use crate::row::ChannelId;
use crate::seal::{Fronts, SealHead, entry, kind, links, unpacked};

/// Samples that one statement copies, so that progress can be told and the work be called off.
const SLICE: i64 = 50_000;

/// What only a cut-out has.
const TABLES: &str = "
CREATE TABLE target.cut_out (
    run           INTEGER NOT NULL, -- its key in table run
    from_at       INTEGER NOT NULL, -- its stretch on the record's axis
    to_at         INTEGER NOT NULL,
    program       TEXT    NOT NULL, -- what made this file
    made_at       INTEGER NOT NULL, -- when, true UTC
    link          INTEGER,          -- the last link that covers the stretch; NULL where nothing is sealed in here
    original_link INTEGER,          -- the newest link of the original then
    original_at   INTEGER,
    original_hash BLOB
) STRICT;
CREATE TABLE target.cut_out_piece ( -- of the chain: links of which every row that they cover is in here
    first INTEGER PRIMARY KEY,
    last  INTEGER NOT NULL
) STRICT;";

/// Names that other rows need; they are few.
const NAMES: [&str; 3] = [
    "INSERT INTO target.channel SELECT * FROM source.channel",
    "INSERT OR IGNORE INTO target.flag SELECT * FROM source.flag",
    "INSERT INTO target.clock SELECT * FROM source.clock",
];

/// What the record says of one run, by its key.
const OF_RUN: [&str; 7] = [
    "INSERT INTO target.run SELECT * FROM source.run WHERE id = ?",
    "INSERT INTO target.run_channel SELECT * FROM source.run_channel WHERE run = ?",
    "INSERT INTO target.run_step SELECT * FROM source.run_step WHERE run = ?",
    "INSERT INTO target.run_word SELECT * FROM source.run_word WHERE run = ?",
    "INSERT INTO target.run_note SELECT * FROM source.run_note WHERE run = ?",
    "INSERT INTO target.run_evaluation SELECT * FROM source.run_evaluation WHERE run = ?",
    "INSERT INTO target.run_traverse SELECT * FROM source.run_traverse WHERE run = ?",
];

/// What belongs to rows that are there by now.
const ALONG: [&str; 4] = [
    "INSERT INTO target.corrected_channel SELECT * FROM source.corrected_channel
     WHERE correction IN (SELECT id FROM target.correction)",
    "INSERT INTO target.superseded SELECT old.* FROM target.correction AS own JOIN source.superseded AS old ON old.correction = own.id
     WHERE EXISTS (SELECT 1 FROM target.sample AS sample WHERE sample.at = old.at AND sample.channel = old.channel)",
    "INSERT INTO target.loop_check_point SELECT * FROM source.loop_check_point
     WHERE loop_check IN (SELECT id FROM target.loop_check)",
    "INSERT INTO target.config_revision SELECT * FROM source.config_revision WHERE hash IN (SELECT config FROM target.session
     UNION SELECT config FROM target.mapping UNION SELECT config FROM target.run_step)",
];

/// Copies everything, in one view of the record; how many samples.
pub(super) async fn everything(
    between: &mut SqliteConnection,
    ask: &CutAsk,
    tell: impl Fn(u64) + Send,
) -> Result<u64, StoreError> {
    let mut transaction = between.begin().await?;
    let view = &mut *transaction;
    let chain = match &ask.channels {
        None => chain(view, ask).await?,
        Some(_) => Chain::default(),
    };
    say(view, ask, &chain).await?;
    for sql in NAMES {
        sqlx::query(sql).execute(&mut *view).await?;
    }
    for sql in OF_RUN {
        sqlx::query(sql).bind(ask.run.0).execute(&mut *view).await?;
    }
    let mut work = Work {
        view,
        ask,
        tell,
        samples: 0,
    };
    for piece in &chain.pieces {
        work.piece(piece).await?;
    }
    match &ask.channels {
        None => work.before_the_chain(&chain.start).await?,
        Some(channels) => work.chosen(channels).await?,
    }
    let samples = work.samples;
    for sql in ALONG {
        sqlx::query(sql).execute(&mut *transaction).await?;
    }
    transaction.commit().await?;
    Ok(samples)
}

/// What the file says of itself.
async fn say(view: &mut SqliteConnection, ask: &CutAsk, chain: &Chain) -> Result<(), StoreError> {
    sqlx::raw_sql(TABLES).execute(&mut *view).await?;
    let newest: Option<SealHead> = head(view, None).await?;
    sqlx::query("INSERT INTO target.cut_out VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)")
        .bind(ask.run.0)
        .bind(ask.stretch.from.micros())
        .bind(ask.stretch.to.micros())
        .bind(&ask.program)
        .bind(ask.made.micros())
        .bind(chain.head)
        .bind(newest.map(|head| head.link))
        .bind(newest.map(|head| head.at.micros()))
        .bind(newest.map(|head| head.hash.to_vec()))
        .execute(&mut *view)
        .await?;
    for piece in &chain.pieces {
        sqlx::query("INSERT INTO target.cut_out_piece VALUES (?, ?)")
            .bind(piece.first)
            .bind(piece.last)
            .execute(&mut *view)
            .await?;
    }
    Ok(())
}

struct Work<'a, F> {
    view: &'a mut SqliteConnection,
    ask: &'a CutAsk,
    tell: F,
    samples: u64,
}

impl<F: Fn(u64) + Send> Work<'_, F> {
    /// Runs a statement on rows between two numbers, both included; how many rows it wrote.
    async fn between(
        &mut self,
        sql: &'static str,
        (one, other): (i64, i64),
    ) -> Result<u64, StoreError> {
        let query = sqlx::query(sql).bind(one).bind(other);
        Ok(query.execute(&mut *self.view).await?.rows_affected())
    }

    /// The links of a piece, what it goes on from, and everything that it covers.
    async fn piece(&mut self, piece: &Piece) -> Result<(), StoreError> {
        let rows =
            "INSERT OR IGNORE INTO target.seal SELECT * FROM source.seal WHERE id BETWEEN ? AND ?";
        self.between(rows, (piece.anchor, piece.last)).await?;
        let fronts = [
            (
                "INSERT OR IGNORE INTO target.event SELECT * FROM source.event WHERE id BETWEEN ? AND ?",
                keys(piece.from.event, piece.to.event),
            ),
            (
                "INSERT OR IGNORE INTO target.gap SELECT * FROM source.gap WHERE id BETWEEN ? AND ?",
                keys(piece.from.gap, piece.to.gap),
            ),
        ];
        for (sql, keys) in fronts {
            if let Some(keys) = keys {
                self.between(sql, keys).await?;
            }
        }
        if let Some(range) = keys(piece.from.sample, piece.to.sample) {
            self.samples(range).await?;
        }
        self.named(piece).await
    }

    /// Sessions with their mappings, corrections and late samples, as the links of a piece name them.
    async fn named(&mut self, piece: &Piece) -> Result<(), StoreError> {
        self.between(
            "INSERT OR IGNORE INTO target.session SELECT * FROM source.session WHERE id IN
             (SELECT session FROM source.seal WHERE id BETWEEN ? AND ? AND kind IN (1, 2))",
            (piece.first, piece.last),
        )
        .await?;
        let naming: Vec<(i64, i64)> = sqlx::query_as(
            "SELECT id, kind FROM source.seal WHERE id BETWEEN ? AND ? AND named IS NOT NULL",
        )
        .bind(piece.first)
        .bind(piece.last)
        .fetch_all(&mut *self.view)
        .await?;
        for (link, of) in naming {
            let stored = links(self.view, (link, link)).await?.pop();
            let named = stored.map(|stored| unpacked(stored.link.named.as_deref()));
            for pair in named.unwrap_or_default() {
                self.one(of, pair).await?;
            }
        }
        let checks = "INSERT OR IGNORE INTO target.loop_check SELECT * FROM source.loop_check WHERE at BETWEEN ? AND ?";
        let to = self.ask.stretch.to.micros();
        self.between(checks, (i64::MIN, to.saturating_sub(1)))
            .await?;
        Ok(())
    }

    /// A row that a link of this kind names.
    async fn one(&mut self, of: i64, pair: (i64, i64)) -> Result<(), StoreError> {
        match of {
            kind::COMMIT => {
                let sql = "INSERT OR IGNORE INTO target.sample SELECT * FROM source.sample WHERE at = ? AND channel = ?";
                self.samples += self.between(sql, pair).await?;
            }
            kind::SESSION => {
                let sql = "INSERT OR IGNORE INTO target.mapping SELECT * FROM source.mapping WHERE channel = ? AND version = ?";
                self.between(sql, pair).await?;
            }
            kind::ENTRY if pair.0 == entry::CORRECTION => {
                let sql = "INSERT OR IGNORE INTO target.correction SELECT * FROM source.correction WHERE id BETWEEN ? AND ?";
                self.between(sql, (pair.1, pair.1)).await?;
            }
            _ => {}
        }
        Ok(())
    }

    /// Samples of a range, both ends included, a slice at a time.
    async fn samples(&mut self, (from, to): (i64, i64)) -> Result<(), StoreError> {
        let mut begin = from;
        while begin <= to {
            let end: Option<i64> = sqlx::query_scalar(
                "SELECT at FROM source.sample WHERE at BETWEEN ? AND ? ORDER BY at LIMIT 1 OFFSET ?",
            )
            .bind(begin)
            .bind(to)
            .bind(SLICE)
            .fetch_optional(&mut *self.view)
            .await?;
            let end = end.unwrap_or(to);
            self.samples += self
                .between(
                    "INSERT OR IGNORE INTO target.sample SELECT * FROM source.sample WHERE at BETWEEN ? AND ?",
                    (begin, end),
                )
                .await?;
            (self.tell)(self.samples);
            begin = end.saturating_add(1);
        }
        Ok(())
    }

    /// What the stretch has from before the chain began, which proves nothing of it.
    async fn before_the_chain(&mut self, start: &Fronts) -> Result<(), StoreError> {
        let (from, to) = self.stretch();
        if let Some(front) = start.sample {
            self.samples((from, to.min(front))).await?;
        }
        self.loose(start.event, start.gap).await?;
        let unsealed = "INSERT OR IGNORE INTO target.mapping SELECT * FROM source.mapping
             WHERE since_at < (SELECT at FROM source.seal WHERE id = 1 AND session IS NOT NULL) AND ? <= ?";
        self.between(unsealed, (from, to)).await?;
        let sessions = "INSERT OR IGNORE INTO target.session SELECT * FROM source.session WHERE started_at <= ?2 AND alive_at >= ?1
             AND id <= (SELECT session FROM source.seal WHERE id = 1)";
        self.between(sessions, (from, to)).await?;
        Ok(())
    }

    /// Chosen channels, and nothing of the chain.
    async fn chosen(&mut self, channels: &[ChannelId]) -> Result<(), StoreError> {
        let (from, to) = self.stretch();
        self.loose(Some(i64::MAX), Some(i64::MAX)).await?;
        for sql in [
            "INSERT INTO target.session SELECT * FROM source.session WHERE started_at <= ?2 AND alive_at >= ?1",
            "INSERT INTO target.mapping SELECT * FROM source.mapping WHERE since_at <= ?2 AND ?1 <= ?2",
            "INSERT INTO target.correction SELECT * FROM source.correction WHERE from_at <= ?2 AND to_at > ?1",
            "INSERT INTO target.loop_check SELECT * FROM source.loop_check WHERE at <= ?2 AND ?1 <= ?2",
        ] {
            self.between(sql, (from, to)).await?;
        }
        for channel in channels {
            let rows = sqlx::query(
                "INSERT INTO target.sample SELECT * FROM source.sample WHERE at BETWEEN ? AND ? AND channel = ?",
            )
            .bind(from)
            .bind(to)
            .bind(channel.0)
            .execute(&mut *self.view)
            .await?;
            self.samples += rows.rows_affected();
            (self.tell)(self.samples);
        }
        Ok(())
    }

    /// Events in the stretch and gaps that reach into it, with keys up to these.
    async fn loose(&mut self, event: Option<i64>, gap: Option<i64>) -> Result<(), StoreError> {
        let (from, to) = self.stretch();
        let statements = [
            (
                "INSERT OR IGNORE INTO target.event SELECT * FROM source.event WHERE at BETWEEN ? AND ? AND id <= ?",
                event,
            ),
            (
                "INSERT OR IGNORE INTO target.gap SELECT * FROM source.gap
                 WHERE coalesce(to_at, 9223372036854775807) > ? AND from_at <= ? AND id <= ?",
                gap,
            ),
        ];
        for (sql, front) in statements {
            sqlx::query(sql)
                .bind(from)
                .bind(to)
                .bind(front)
                .execute(&mut *self.view)
                .await?;
        }
        Ok(())
    }

    /// First and last moment of the run.
    fn stretch(&self) -> (i64, i64) {
        let stretch = self.ask.stretch;
        (stretch.from.micros(), stretch.to.micros().saturating_sub(1))
    }
}
