//! Opening the record: refuses what it must not touch, brings the layout up to date.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sqlx::sqlite::{
    SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteSynchronous,
};
use sqlx::{ConnectOptions, Connection, SqliteConnection};
use zonda_model::Quality;

use crate::error::{OpenError, StoreError};
use crate::folder::{self, Claim};

/// `Znda`: marks the file as ours (header, offset 68).
const APPLICATION_ID: i64 = 0x5A6E_6461;
/// The layout that this program writes: the number of migrations.
const LAYOUT: i64 = 1;
/// Above this size the start does not read the whole file again after an orderly end.
const CHECK_AT_START_BYTES: u64 = 256 << 20;
const READERS: u32 = 4;

static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations");

/// The read side of a record. Cheap to clone.
///
/// Every read is a short transaction; nobody may keep one open while waiting for a slow reader,
/// because the write-ahead log could not be checkpointed meanwhile.
#[derive(Clone, Debug)]
pub struct Readable {
    pub(crate) pool: SqlitePool,
    pub(crate) dir: PathBuf,
}

/// A record that this process alone may write.
#[derive(Debug)]
pub struct Store {
    read: Readable,
    options: SqliteConnectOptions,
    _claim: Claim,
}

impl Store {
    /// Opens the record of a data directory for writing; makes one where there is none.
    ///
    /// # Errors
    /// [`OpenError`]; the file is then as it was.
    pub async fn open(dir: &Path) -> Result<Self, OpenError> {
        refuse_old_engine()?;
        let claim = folder::claim(dir)?;
        let path = folder::record_path(dir);
        let is_new = refuse_by_header(&path)?;
        let options = write_options(&path);
        let mut connection = options
            .connect()
            .await
            .map_err(|error| damaged(&path, &error))?;
        if !is_new {
            check(&mut connection, &path).await?;
        }
        migrate(&mut connection, &path).await?;
        connection.close().await.map_err(StoreError::from)?;
        let read = Readable::connect(dir, &path).await?;
        Ok(Self {
            read,
            options,
            _claim: claim,
        })
    }

    /// The read side.
    pub const fn read(&self) -> &Readable {
        &self.read
    }

    /// A fresh connection for the one writer.
    pub(crate) async fn write_connection(&self) -> Result<SqliteConnection, StoreError> {
        Ok(self.options.connect().await?)
    }

    pub(crate) const fn write_options(&self) -> &SqliteConnectOptions {
        &self.options
    }
}

impl Readable {
    /// Opens the record of a data directory for reading, whether or not a daemon writes it.
    ///
    /// # Errors
    /// [`OpenError`].
    pub async fn open(dir: &Path) -> Result<Self, OpenError> {
        let path = folder::record_path(dir);
        if refuse_by_header(&path)? {
            return Err(OpenError::Nothing {
                dir: dir.to_owned(),
            });
        }
        Self::connect(dir, &path).await
    }

    async fn connect(dir: &Path, path: &Path) -> Result<Self, OpenError> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .read_only(true)
            .busy_timeout(Duration::from_secs(5))
            .pragma("query_only", "ON");
        let pool = SqlitePoolOptions::new()
            .max_connections(READERS)
            .connect_with(options)
            .await
            .map_err(|error| damaged(path, &error))?;
        Ok(Self {
            pool,
            dir: dir.to_owned(),
        })
    }

    /// The data directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Ends all reading.
    pub async fn close(&self) {
        self.pool.close().await;
    }
}

fn write_options(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .create_if_missing(true)
        .page_size(4096)
        .journal_mode(SqliteJournalMode::Wal)
        // NORMAL would lose every commit since the last checkpoint with a power cut.
        .synchronous(SqliteSynchronous::Full)
        .busy_timeout(Duration::from_secs(5))
        .foreign_keys(true)
        .pragma("temp_store", "MEMORY")
        .pragma("journal_size_limit", "16777216")
}

/// SQLite before 3.51.3 can lose committed pages when two connections race at a reset of the log.
fn refuse_old_engine() -> Result<(), OpenError> {
    const LEAST: i32 = 3_051_003;
    if libsqlite3_sys::SQLITE_VERSION_NUMBER >= LEAST {
        return Ok(());
    }
    Err(OpenError::OldEngine(
        libsqlite3_sys::SQLITE_VERSION
            .to_string_lossy()
            .into_owned(),
    ))
}

/// Looks at the header before SQLite does, so that a foreign or newer file is not even opened.
/// Says whether there is no file yet.
fn refuse_by_header(path: &Path) -> Result<bool, OpenError> {
    let mut header = Vec::new();
    match std::fs::File::open(path) {
        Ok(file) => {
            file.take(100)
                .read_to_end(&mut header)
                .map_err(|source| OpenError::Folder {
                    dir: path.to_owned(),
                    source,
                })?
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(true),
        Err(source) => {
            return Err(OpenError::Folder {
                dir: path.to_owned(),
                source,
            });
        }
    };
    if header.is_empty() {
        return Ok(true);
    }
    let foreign = |why: &str| OpenError::Foreign {
        path: path.to_owned(),
        why: why.to_owned(),
    };
    if header.len() < 100 || !header.starts_with(b"SQLite format 3\0") {
        return Err(foreign("it does not begin as an SQLite file does"));
    }
    let number = |at: usize| {
        header[at..at + 4]
            .iter()
            .fold(0_i64, |number, byte| number << 8 | i64::from(*byte))
    };
    let (layout, application) = (number(60), number(68));
    if application != APPLICATION_ID && application != 0 {
        return Err(foreign("it is another program's SQLite file"));
    }
    if layout > LAYOUT {
        return Err(OpenError::Newer {
            path: path.to_owned(),
            found: layout,
            known: LAYOUT,
        });
    }
    Ok(false)
}

fn damaged(path: &Path, error: &sqlx::Error) -> OpenError {
    OpenError::Damaged {
        path: path.to_owned(),
        why: error.to_string(),
    }
}

/// Reads the file through: always after an interrupted session, and otherwise while it is small.
async fn check(connection: &mut SqliteConnection, path: &Path) -> Result<(), OpenError> {
    let size = std::fs::metadata(path).map_or(0, |meta| meta.len());
    let orderly: Result<i64, _> =
        sqlx::query_scalar("SELECT count(*) FROM session WHERE ended_at IS NULL")
            .fetch_one(&mut *connection)
            .await;
    if size > CHECK_AT_START_BYTES && matches!(orderly, Ok(0)) {
        return Ok(());
    }
    let said: String = sqlx::query_scalar("PRAGMA quick_check(1)")
        .fetch_one(connection)
        .await
        .map_err(|error| damaged(path, &error))?;
    if said == "ok" {
        Ok(())
    } else {
        Err(OpenError::Damaged {
            path: path.to_owned(),
            why: said,
        })
    }
}

async fn migrate(connection: &mut SqliteConnection, path: &Path) -> Result<(), OpenError> {
    use sqlx::migrate::MigrateError;
    match MIGRATIONS.run(&mut *connection).await {
        Ok(()) => {}
        Err(MigrateError::VersionMissing(found)) => {
            return Err(OpenError::Newer {
                path: path.to_owned(),
                found,
                known: LAYOUT,
            });
        }
        Err(error) => {
            return Err(OpenError::Foreign {
                path: path.to_owned(),
                why: error.to_string(),
            });
        }
    }
    for pragma in [
        pragma_of(APPLICATION_ID, "application_id"),
        pragma_of(LAYOUT, "user_version"),
    ] {
        sqlx::query(sqlx::AssertSqlSafe(pragma))
            .execute(&mut *connection)
            .await
            .map_err(StoreError::from)?;
    }
    for (bit, (_, flag)) in Quality::all().iter_names().enumerate() {
        let (bit, word) = (i64::try_from(bit).unwrap_or(0), flag.to_string());
        sqlx::query!(
            "INSERT OR IGNORE INTO flag (bit, word) VALUES (?, ?)",
            bit,
            word
        )
        .execute(&mut *connection)
        .await
        .map_err(StoreError::from)?;
    }
    Ok(())
}

fn pragma_of(number: i64, pragma: &str) -> String {
    format!("PRAGMA {pragma} = {number}")
}
