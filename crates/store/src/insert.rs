//! Samples into the table: several hundred a statement, because the way to SQLite costs more than
//! the row (measured: 1.9 M rows/s against 0.2 M one by one).

use std::sync::LazyLock;

use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, AssertSqlSafe, SqliteConnection};
use zonda_model::{Code, Sample};

use crate::row::ChannelId;

/// Rows of one statement, largest first. A batch is cut greedily; few different texts, so that each
/// is prepared once. SQLite allows 32 766 variables, and more than 500 rows gain nothing (measured).
const SIZES: [usize; 4] = [500, 64, 8, 1];

static STATEMENTS: LazyLock<[String; SIZES.len()]> = LazyLock::new(|| SIZES.map(statement));

/// A row that is already there is left as it is and does not count as affected.
fn statement(rows: usize) -> String {
    let values = vec!["(?,?,?,?,?)"; rows].join(",");
    format!(
        "INSERT INTO sample (at, channel, code, value, flags) VALUES {values} ON CONFLICT DO NOTHING"
    )
}

/// Why samples were not inserted.
#[derive(Debug)]
pub(crate) enum NotInserted {
    /// Some channel has a sample at one of the stamps already; which, is not known. The transaction
    /// has to be rolled back.
    Taken,
    /// SQLite refused.
    Sql(sqlx::Error),
}

impl From<sqlx::Error> for NotInserted {
    fn from(error: sqlx::Error) -> Self {
        Self::Sql(error)
    }
}

/// Inserts every sample, or says that a place was taken.
pub(crate) async fn insert(
    connection: &mut SqliteConnection,
    samples: &[Sample<ChannelId>],
) -> Result<(), NotInserted> {
    let mut rest = samples;
    for (size, statement) in SIZES.into_iter().zip(STATEMENTS.iter()) {
        while rest.len() >= size {
            let (rows, left) = rest.split_at(size);
            if execute(connection, statement, rows).await? != rows.len() {
                return Err(NotInserted::Taken);
            }
            rest = left;
        }
    }
    Ok(())
}

/// Inserts every sample, each at the first free microsecond at or after its stamp; says how many
/// were moved. One by one, for the rare batch that [`insert`] refused.
pub(crate) async fn insert_at_free(
    connection: &mut SqliteConnection,
    samples: &[Sample<ChannelId>],
) -> Result<(Vec<Sample<ChannelId>>, u64), sqlx::Error> {
    let single = &STATEMENTS[SIZES.len() - 1];
    let mut placed = Vec::with_capacity(samples.len());
    let mut moved = 0;
    for sample in samples {
        let mut sample = *sample;
        let wanted = sample.at;
        while execute(connection, single, std::slice::from_ref(&sample)).await? == 0 {
            sample.at = sample.at.plus(std::time::Duration::from_micros(1));
        }
        moved += u64::from(sample.at != wanted);
        placed.push(sample);
    }
    Ok((placed, moved))
}

async fn execute(
    connection: &mut SqliteConnection,
    statement: &'static str,
    rows: &[Sample<ChannelId>],
) -> Result<usize, sqlx::Error> {
    let arguments = bind(rows).map_err(sqlx::Error::Encode)?;
    let done = sqlx::query_with(AssertSqlSafe(statement), arguments)
        .execute(connection)
        .await?;
    Ok(usize::try_from(done.rows_affected()).unwrap_or(usize::MAX))
}

fn bind(rows: &[Sample<ChannelId>]) -> Result<SqliteArguments, sqlx::error::BoxDynError> {
    let mut arguments = SqliteArguments::default();
    arguments.reserve(rows.len() * 5, 0);
    for row in rows {
        debug_assert!(
            row.value.is_none_or(f64::is_finite),
            "no other number is let in, see `guarded`"
        );
        arguments.add(row.at.micros())?;
        arguments.add(row.channel.0)?;
        match row.code {
            Some(Code::Count(count)) => arguments.add(count)?,
            Some(Code::Number(number)) => arguments.add(number)?,
            None => arguments.add(None::<i64>)?,
        }
        arguments.add(row.value)?;
        arguments.add(i64::from(row.quality.bits()))?;
    }
    Ok(arguments)
}
