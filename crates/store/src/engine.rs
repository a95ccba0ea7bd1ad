//! The SQLite inside: how its connections are set up, and what is asked of it before it is trusted.

use std::path::Path;
use std::time::Duration;

use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, SqliteConnection, SqlitePool};

use crate::error::{OpenError, StoreError};

/// The first SQLite whose write-ahead log cannot lose committed pages when two connections work on
/// it (the race fixed in 3.51.3; <https://sqlite.org/releaselog/3_51_3.html>).
const FLOOR: [u32; 3] = [3, 51, 3];

/// After so many pages in the write-ahead log (4 MiB) the writer folds it into the file.
const FOLD_PAGES: i64 = 1024;

/// What the log may keep on disk after it was folded in; more is given back.
const LOG_KEEP_BYTES: u64 = 16 << 20;

/// SQLite's result codes that are told apart here (<https://sqlite.org/rescode.html>).
pub(crate) const CORRUPT: i32 = 11;
pub(crate) const FULL: i32 = 13;
pub(crate) const NOT_A_DATABASE: i32 = 26;

/// Readers at a time; the next one waits for a connection.
pub(crate) const READERS: u32 = 4;

/// How long a connection waits for a lock that another one holds.
pub(crate) const BUSY: Duration = Duration::from_secs(5);

fn options(file: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(file)
        .busy_timeout(BUSY)
        .pragma("temp_store", "MEMORY") // a full or read-only /tmp must not matter
        .pragma("cell_size_check", "ON") // notice a damaged page when it is read, not when it hurts
        .optimize_on_close(false, None)
        // A slow disk would otherwise fill the log with the text of every slow statement.
        .disable_statement_logging()
}

/// The writer's connection, creating the file where there is none. Its statements are few and
/// reused; the log is moved by hand, so that a commit never pays for it.
pub(crate) async fn connect_writer(file: &Path) -> Result<SqliteConnection, sqlx::Error> {
    SqliteConnection::connect_with(&writer_options(file).create_if_missing(true)).await
}

/// The same on a file that has to be there: a record that vanished is not begun anew by the way.
pub(crate) async fn connect_existing_writer(file: &Path) -> Result<SqliteConnection, sqlx::Error> {
    SqliteConnection::connect_with(&writer_options(file)).await
}

fn writer_options(file: &Path) -> SqliteConnectOptions {
    options(file)
        .page_size(4096)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full) // less loses every commit since the last checkpoint
        .pragma("wal_autocheckpoint", "0")
        .pragma("journal_size_limit", LOG_KEEP_BYTES.to_string())
        .thread_name(|_| "store-writer".to_owned())
}

/// Connections that can read and nothing else.
pub(crate) fn readers(file: &Path, is_still: bool) -> SqlitePool {
    let options = options(file)
        .read_only(true)
        .immutable(is_still)
        .pragma("query_only", "ON")
        .row_buffer_size(1000)
        .thread_name(|_| "store-reader".to_owned());
    SqlitePoolOptions::new()
        .max_connections(READERS)
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
        .acquire_timeout(Duration::from_secs(30))
        .connect_lazy_with(options)
}

/// One connection that cannot change the file, for looking at it before it is used.
pub(crate) async fn connect_inspector(
    file: &Path,
    is_still: bool,
) -> Result<SqliteConnection, sqlx::Error> {
    let options = options(file).read_only(true).immutable(is_still);
    let options = options.pragma("query_only", "ON").row_buffer_size(1000);
    SqliteConnection::connect_with(&options).await
}

/// One that cannot change the file, but can write a copy of it, which `query_only` would not allow.
pub(crate) async fn connect_copier(file: &Path) -> Result<SqliteConnection, sqlx::Error> {
    SqliteConnection::connect_with(&options(file).read_only(true)).await
}

/// A connection that reads one file as `source` and writes another as `target`; the name of neither is `main`, so that a bare
/// table's name finds the source's.
pub(crate) async fn connect_between(
    source: &Path,
    is_still: bool,
    target: &Path,
) -> Result<SqliteConnection, sqlx::Error> {
    let options = options(Path::new(":memory:")).foreign_keys(false); // rows come in any order
    let mut connection = SqliteConnection::connect_with(&options).await?;
    let how = if is_still {
        "mode=ro&immutable=1"
    } else {
        "mode=ro"
    };
    for (sql, address) in [
        ("ATTACH ? AS source", address(source, how)?),
        ("ATTACH ? AS target", address(target, "mode=rw")?),
    ] {
        sqlx::query(sql)
            .bind(address)
            .execute(&mut connection)
            .await?;
    }
    // A copy that is cut off is thrown away as a whole; one that is whole is synced at its end.
    sqlx::raw_sql("PRAGMA target.journal_mode = OFF; PRAGMA target.synchronous = OFF")
        .execute(&mut connection)
        .await?;
    Ok(connection)
}

/// A file as an address, which can say how it is to be opened.
pub(crate) fn address(path: &Path, how: &str) -> Result<String, sqlx::Error> {
    let path = path.to_str().map(|path| {
        let path = path.replace('%', "%25");
        path.replace('?', "%3f").replace('#', "%23")
    });
    let path = path.ok_or_else(|| {
        sqlx::Error::Configuration("its name is not Unicode, which SQLite needs here".into())
    })?;
    Ok(format!("file:{path}?{how}"))
}

/// A connection to a file that is under way and nobody else's: one file, without a log beside it.
pub(crate) async fn connect_maker(file: &Path) -> Result<SqliteConnection, sqlx::Error> {
    let options = options(file)
        .create_if_missing(true)
        .page_size(4096)
        .journal_mode(SqliteJournalMode::Memory)
        .synchronous(SqliteSynchronous::Off);
    SqliteConnection::connect_with(&options).await
}

/// Refuses an SQLite that is older than the floor. Asks the engine itself, without any file.
pub(crate) async fn refuse_old() -> Result<(), OpenError> {
    let version = version().await.map_err(StoreError::from)?;
    if is_trustworthy(&version) {
        Ok(())
    } else {
        Err(OpenError::OldEngine(version))
    }
}

async fn version() -> Result<String, sqlx::Error> {
    let mut connection = SqliteConnection::connect("sqlite::memory:").await?;
    sqlx::query_scalar("SELECT sqlite_version()")
        .fetch_one(&mut connection)
        .await
}

/// SQLite's primary result code (<https://sqlite.org/rescode.html>), if the error is SQLite's.
pub(crate) fn result_code(error: &sqlx::Error) -> Option<i32> {
    let code = error.as_database_error()?.code()?;
    code.parse::<i32>().ok().map(|extended| extended & 0xff)
}

fn is_trustworthy(version: &str) -> bool {
    let parts: Vec<u32> = version
        .split('.')
        .map_while(|part| part.parse().ok())
        .collect();
    parts.as_slice() >= FLOOR.as_slice()
}

/// The first thing that SQLite's quick check finds wrong, or `None`.
pub(crate) async fn quick_check(
    connection: &mut SqliteConnection,
) -> Result<Option<String>, sqlx::Error> {
    let found: String = sqlx::query_scalar("PRAGMA quick_check(1)")
        .fetch_one(connection)
        .await?;
    Ok((found != "ok").then_some(found))
}

/// True where the write-ahead log holds much that is not in the file yet. Its size does not tell,
/// since it is used again from its beginning.
pub(crate) async fn is_log_long(connection: &mut SqliteConnection) -> bool {
    let frames = sqlx::query_as::<_, (i64, i64, i64)>("PRAGMA wal_checkpoint(NOOP)")
        .fetch_one(connection)
        .await;
    frames.is_ok_and(|(_, logged, folded)| logged - folded > FOLD_PAGES)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_compared_as_numbers() {
        for good in ["3.51.3", "3.51.10", "3.52.0", "4.0.0"] {
            assert!(is_trustworthy(good), "{good}");
        }
        for bad in ["3.51.2", "3.9.9", "3.46.0", "", "three"] {
            assert!(!is_trustworthy(bad), "{bad}");
        }
    }

    #[tokio::test]
    async fn the_engine_inside_is_new_enough() {
        refuse_old().await.unwrap();
    }
}
