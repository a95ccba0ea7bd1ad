//! Loop checks in the record: dated, with who did it, with what, point by point, and what it said.
//!
//! Rows are added, never edited. The check goes into the file in one commit with an event whose text
//! carries the [hash](LoopCheckEntry::hash) of it, and the seal covers events; so a check that was
//! edited afterwards no longer has the hash that its event tells.

use sqlx::sqlite::SqliteRow;
use sqlx::{Row, SqliteConnection};
use zonda_model::Stamp;

use crate::error::StoreError;
use crate::open::Readable;
use crate::row::ChannelId;

/// The first bytes of what is hashed, so that no hash made for another purpose can be taken for one.
const HEADER: &[u8; 16] = b"zonda.loopcheck1";

/// A loop check that was carried through. Errors, zero and tolerance are shares of the span.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopCheckEntry {
    /// When its last point was taken, on the record's axis.
    pub at: Stamp,
    /// Whose.
    pub channel: ChannelId,
    /// The version of the mapping in force.
    pub mapping: i64,
    /// Who did it.
    pub operator: String,
    /// Where the signal came from: a calibrator, or the meter's own output test.
    pub source: String,
    /// Its number, or nothing.
    pub serial: String,
    /// The loop's span, such as `4-20 mA`.
    pub signal: String,
    /// What its ends stand for.
    pub range: String,
    /// The largest error that passes.
    pub tolerance: f64,
    /// Found per applied, with its standard uncertainty.
    pub gain: (f64, f64),
    /// Offset at the beginning of the span, with its standard uncertainty.
    pub zero: (f64, f64),
    /// The largest error, with its sign.
    pub error_max: f64,
    /// Every error is within the tolerance.
    pub is_passed: bool,
    /// What there is to add, or nothing.
    pub note: String,
    /// The points in the order in which they were taken.
    pub points: Vec<LoopPoint>,
}

/// One point of it; signals in A or V.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopPoint {
    /// When its mean was taken.
    pub at: Stamp,
    /// Where it lies in the span, as a share.
    pub share: f64,
    /// What was applied.
    pub target: f64,
    /// What arrived, with its standard uncertainty.
    pub found: (f64, f64),
    /// (found − target) as a share of the span.
    pub error: f64,
    /// Of how many samples.
    pub samples: i64,
}

/// A loop check as the file has it.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopCheckRow {
    /// Its key; later ones have higher ones.
    pub id: i64,
    /// The check.
    pub check: LoopCheckEntry,
    /// Its hash as it was stored, in hexadecimal.
    pub hash: String,
}

impl LoopCheckEntry {
    /// BLAKE3 over the check, in hexadecimal: the header, then every field in its order, whole numbers and
    /// numbers as 8 bytes, little end first, texts with their length before, and the points with their
    /// count before.
    pub fn hash(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(HEADER);
        let whole = |hasher: &mut blake3::Hasher, number: i64| {
            hasher.update(&number.to_le_bytes());
        };
        let number = |hasher: &mut blake3::Hasher, number: f64| {
            hasher.update(&number.to_le_bytes());
        };
        for value in [self.at.micros(), self.channel.0, self.mapping] {
            whole(&mut hasher, value);
        }
        for text in [
            &self.operator,
            &self.source,
            &self.serial,
            &self.signal,
            &self.range,
        ] {
            whole(&mut hasher, length(text.len()));
            hasher.update(text.as_bytes());
        }
        let Self {
            tolerance,
            gain,
            zero,
            error_max,
            ..
        } = *self;
        for value in [tolerance, gain.0, gain.1, zero.0, zero.1, error_max] {
            number(&mut hasher, value);
        }
        whole(&mut hasher, self.is_passed.into());
        whole(&mut hasher, length(self.note.len()));
        hasher.update(self.note.as_bytes());
        whole(&mut hasher, length(self.points.len()));
        for point in &self.points {
            whole(&mut hasher, point.at.micros());
            for value in [
                point.share,
                point.target,
                point.found.0,
                point.found.1,
                point.error,
            ] {
                number(&mut hasher, value);
            }
            whole(&mut hasher, point.samples);
        }
        hasher.finalize().to_hex().to_string()
    }
}

impl LoopCheckRow {
    /// True where the check still has the hash that was stored with it. That its event tells the same
    /// hash, and that the event is untouched, is the seal's to prove.
    pub fn is_untouched(&self) -> bool {
        self.check.hash() == self.hash
    }
}

fn length(bytes: usize) -> i64 {
    i64::try_from(bytes).unwrap_or(i64::MAX)
}

/// The texts of a check in the file; what they are is said by the migration.
const COLUMNS: &str = "id, at, channel, mapping, operator, source, serial, signal, range, tolerance, gain, gain_u, zero, zero_u, error_max, is_passed, note, hash";

pub(crate) async fn insert_loop_checks(
    connection: &mut SqliteConnection,
    checks: &[LoopCheckEntry],
) -> Result<(), sqlx::Error> {
    for check in checks {
        let done = sqlx::query(
            "INSERT INTO loop_check (at, channel, mapping, operator, source, serial, signal, range, tolerance, gain, gain_u, zero, zero_u, error_max, is_passed, note, hash)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(check.at.micros())
        .bind(check.channel.0)
        .bind(check.mapping)
        .bind(&check.operator)
        .bind(&check.source)
        .bind(&check.serial)
        .bind(&check.signal)
        .bind(&check.range)
        .bind(check.tolerance)
        .bind(check.gain.0)
        .bind(check.gain.1)
        .bind(check.zero.0)
        .bind(check.zero.1)
        .bind(check.error_max)
        .bind(check.is_passed)
        .bind(&check.note)
        .bind(check.hash())
        .execute(&mut *connection)
        .await?;
        let id = done.last_insert_rowid();
        for (place, point) in (0_i64..).zip(&check.points) {
            insert_point(connection, (id, place), point).await?;
        }
    }
    Ok(())
}

async fn insert_point(
    connection: &mut SqliteConnection,
    (id, place): (i64, i64),
    point: &LoopPoint,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO loop_check_point (loop_check, place, at, share, target, found, found_u, error, samples)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )
    .bind(id)
    .bind(place)
    .bind(point.at.micros())
    .bind(point.share)
    .bind(point.target)
    .bind(point.found.0)
    .bind(point.found.1)
    .bind(point.error)
    .bind(point.samples)
    .execute(connection)
    .await?;
    Ok(())
}

impl Readable {
    /// Loop checks with keys below `before`, newest first; of one channel, or of all.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn loop_checks(
        &self,
        channel: Option<ChannelId>,
        before: Option<i64>,
        limit: i64,
    ) -> Result<Vec<LoopCheckRow>, StoreError> {
        let query = format!(
            "SELECT {COLUMNS} FROM loop_check WHERE (?1 IS NULL OR channel = ?1) AND id < ?2 ORDER BY id DESC LIMIT ?3"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(query))
            .bind(channel.map(|channel| channel.0))
            .bind(before.unwrap_or(i64::MAX))
            .bind(limit)
            .fetch_all(&self.pool())
            .await?;
        self.with_points(rows).await
    }

    /// The newest loop check of each channel that was ever checked, by channel.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn latest_loop_checks(&self) -> Result<Vec<LoopCheckRow>, StoreError> {
        let query = format!(
            "SELECT {COLUMNS} FROM loop_check WHERE id IN (SELECT max(id) FROM loop_check GROUP BY channel) ORDER BY channel"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(query))
            .fetch_all(&self.pool())
            .await?;
        self.with_points(rows).await
    }

    async fn with_points(&self, rows: Vec<SqliteRow>) -> Result<Vec<LoopCheckRow>, StoreError> {
        let mut checks = Vec::with_capacity(rows.len());
        for row in rows {
            let mut check = check_of(&row)?;
            let points = sqlx::query(
                "SELECT at, share, target, found, found_u, error, samples FROM loop_check_point WHERE loop_check = ? ORDER BY place",
            )
            .bind(check.id)
            .fetch_all(&self.pool())
            .await?;
            check.check.points = points.iter().map(point_of).collect::<Result<_, _>>()?;
            checks.push(check);
        }
        Ok(checks)
    }
}

fn check_of(row: &SqliteRow) -> Result<LoopCheckRow, sqlx::Error> {
    Ok(LoopCheckRow {
        id: row.try_get("id")?,
        hash: row.try_get("hash")?,
        check: LoopCheckEntry {
            at: Stamp::from_micros(row.try_get("at")?),
            channel: ChannelId(row.try_get("channel")?),
            mapping: row.try_get("mapping")?,
            operator: row.try_get("operator")?,
            source: row.try_get("source")?,
            serial: row.try_get("serial")?,
            signal: row.try_get("signal")?,
            range: row.try_get("range")?,
            tolerance: row.try_get("tolerance")?,
            gain: (row.try_get("gain")?, row.try_get("gain_u")?),
            zero: (row.try_get("zero")?, row.try_get("zero_u")?),
            error_max: row.try_get("error_max")?,
            is_passed: row.try_get("is_passed")?,
            note: row.try_get("note")?,
            points: Vec::new(),
        },
    })
}

fn point_of(row: &SqliteRow) -> Result<LoopPoint, sqlx::Error> {
    Ok(LoopPoint {
        at: Stamp::from_micros(row.try_get("at")?),
        share: row.try_get("share")?,
        target: row.try_get("target")?,
        found: (row.try_get("found")?, row.try_get("found_u")?),
        error: row.try_get("error")?,
        samples: row.try_get("samples")?,
    })
}
