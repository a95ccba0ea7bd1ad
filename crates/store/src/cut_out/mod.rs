//! One run cut out of a record, as a file of its own: the same tables with less in them, so that this
//! program and any SQLite tool open it like a record.
//!
//! The seal covers whole commits, so a cut-out takes whole commits: every link that it needs, with
//! every row that the link covers ([`links`]), and the hash that each piece follows on. Each piece can
//! then be made anew by itself. That the pieces belong to the original's chain shows by their hashes,
//! which the original's chain holds. A cut-out of chosen channels has not what the links cover, and no
//! seal at all.
//!
//! Two tables that a record never has say what it is: `cut_out` and `cut_out_piece`. A recorder does
//! not go on in such a file.

mod copy;
mod links;

use std::path::Path;

use sqlx::{Connection, Row, SqliteConnection};
use zonda_model::run::Stretch;
use zonda_model::{RunId, Stamp};

use crate::engine;
use crate::error::StoreError;
use crate::open::Readable;
use crate::rollup;
use crate::row::ChannelId;
use crate::schema;
use crate::seal::{SealHead, hash_of};

/// What is to be cut out.
#[derive(Clone, Debug)]
pub struct CutAsk {
    /// The run.
    pub run: RunId,
    /// Its stretch of the record.
    pub stretch: Stretch,
    /// Only these channels, without the seal; everything that was recorded meanwhile without it.
    pub channels: Option<Vec<ChannelId>>,
    /// The program that does it, such as `zonda 0.1.0`.
    pub program: String,
    /// When, true UTC.
    pub made: Stamp,
}

/// What a cut-out says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CutOut {
    /// The run's key, the same as in the original.
    pub run: i64,
    /// Its stretch of the record.
    pub stretch: Stretch,
    /// The program that made it.
    pub program: String,
    /// When, true UTC.
    pub made: Stamp,
    /// The pieces of the original's chain in it, by first and last link; none in one of chosen channels.
    pub pieces: Vec<(i64, i64)>,
    /// The last link that covers the stretch. Its hash has to be in the original's chain.
    pub head: Option<SealHead>,
    /// The newest link of the original when this was cut out of it.
    pub original: Option<SealHead>,
}

impl Readable {
    /// What this file says of itself where it is a cut-out; `None` of a record.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn cut_out(&self) -> Result<Option<CutOut>, StoreError> {
        let mut connection = self.pool().acquire().await?;
        read(&mut connection).await
    }

    /// The pieces of the chain in this cut-out, by their last links, that another record does not have.
    ///
    /// # Errors
    /// One of them cannot be read.
    pub async fn pieces_missing_in(
        &self,
        original: &Self,
        cut_out: &CutOut,
    ) -> Result<Vec<i64>, StoreError> {
        let mut missing = Vec::new();
        for (_, last) in &cut_out.pieces {
            let sql = "SELECT hash FROM seal WHERE id = ?";
            let own: Option<Vec<u8>> = sqlx::query_scalar(sql)
                .bind(last)
                .fetch_optional(&self.pool())
                .await?;
            let theirs: Option<Vec<u8>> = sqlx::query_scalar(sql)
                .bind(last)
                .fetch_optional(&original.pool())
                .await?;
            if own.is_none() || own != theirs {
                missing.push(*last);
            }
        }
        Ok(missing)
    }

    /// Cuts a run out into a file, new or empty; how many samples it holds. `tell` hears of samples as they are written.
    ///
    /// One view of the record is held open meanwhile: recording goes on, and its log grows by what is recorded in that time. The
    /// caller gives the file its final name, and throws it away where this fails or is not waited for.
    ///
    /// # Errors
    /// The record cannot be read, or the file cannot be written.
    pub async fn cut_out_into(
        &self,
        ask: &CutAsk,
        file: &Path,
        tell: impl Fn(u64) + Send,
    ) -> Result<u64, StoreError> {
        let mut maker = engine::connect_maker(file).await?;
        schema::migrate(&mut maker).await?;
        maker.close().await?;
        let (source, is_still) = self.file();
        let mut between = engine::connect_between(&source, is_still, file).await?;
        let samples = copy::everything(&mut between, ask, tell).await;
        // The first error is the one to tell.
        let closed = between.close().await;
        let samples = samples?;
        closed?;
        let mut maker = engine::connect_maker(file).await?;
        rollup::make_whole(&mut maker).await?;
        maker.close().await?;
        Ok(samples)
    }
}

/// What the file says of itself.
pub(crate) async fn read(connection: &mut SqliteConnection) -> Result<Option<CutOut>, StoreError> {
    if !is_one(connection).await? {
        return Ok(None);
    }
    let row = sqlx::query(
        "SELECT run, from_at, to_at, program, made_at, link, original_link, original_at, original_hash FROM cut_out",
    )
    .fetch_one(&mut *connection)
    .await?;
    let pieces = sqlx::query_as("SELECT first, last FROM cut_out_piece ORDER BY first")
        .fetch_all(&mut *connection)
        .await?;
    let stamp = |name| row.try_get(name).map(Stamp::from_micros);
    let original = match row.try_get::<Option<Vec<u8>>, _>("original_hash")? {
        Some(hash) => Some(SealHead {
            link: row.try_get("original_link")?,
            at: stamp("original_at")?,
            hash: hash_of(&hash),
        }),
        None => None,
    };
    Ok(Some(CutOut {
        run: row.try_get("run")?,
        stretch: Stretch {
            from: stamp("from_at")?,
            to: stamp("to_at")?,
        },
        program: row.try_get("program")?,
        made: stamp("made_at")?,
        head: head(connection, row.try_get("link")?).await?,
        pieces,
        original,
    }))
}

/// True of a file with the tables that only a cut-out has.
pub(crate) async fn is_one(connection: &mut SqliteConnection) -> Result<bool, sqlx::Error> {
    let tables: i64 =
        sqlx::query_scalar("SELECT count(*) FROM sqlite_schema WHERE name = 'cut_out'")
            .fetch_one(connection)
            .await?;
    Ok(tables > 0)
}

/// A link by its number, or the newest one.
async fn head(
    connection: &mut SqliteConnection,
    link: Option<i64>,
) -> Result<Option<SealHead>, StoreError> {
    let found: Option<(i64, i64, Vec<u8>)> = sqlx::query_as(
        "SELECT id, at, hash FROM seal WHERE id <= coalesce(?, 9223372036854775807) ORDER BY id DESC LIMIT 1",
    )
    .bind(link)
    .fetch_optional(connection)
    .await?;
    Ok(found.map(|(link, at, hash)| SealHead {
        link,
        at: Stamp::from_micros(at),
        hash: hash_of(&hash),
    }))
}
