//! Opening the record: refuses what it must not touch, brings the layout up to date.

use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use sqlx::{Connection, SqliteConnection, SqlitePool};

use crate::bulk::Bulk;
use crate::cut_out;
use crate::engine;
use crate::error::{OpenError, StoreError};
use crate::folder::{self, Claim};
use crate::schema::{self, Found};

/// A file up to this size is read through before it is used: about a second on a small board
/// (measured: 176 MB in 0.6 s). A larger one would delay recording by more than its damage is likely
/// to cost; [`Readable::check`] looks it over while recording goes on.
const CHECK_BYTES_MAX: u64 = 256 << 20;

/// How long readers may finish on connections that are being replaced.
const FAREWELL: Duration = Duration::from_secs(2);

/// How a record may be opened for writing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OpenOptions {
    /// Allow a network or user-space file system, at one's own risk.
    pub any_file_system: bool,
}

/// The read side of a record. Cheap to clone.
///
/// Every read is a short transaction; nobody may keep one open while waiting for a slow reader,
/// because the write-ahead log could not be folded in meanwhile. So nothing here hands out a cursor:
/// long lists come page by page, by key.
#[derive(Clone, Debug)]
pub struct Readable {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    dir: PathBuf,
    /// On a medium that nobody can write to.
    is_still: bool,
    pool: RwLock<SqlitePool>,
    bulk: RwLock<Arc<Bulk>>,
}

/// A record that this process alone may write.
#[derive(Debug)]
pub struct Store {
    read: Readable,
    claim: Arc<Claim>,
}

impl Store {
    /// Opens the record of a data directory for writing; makes one where there is none.
    ///
    /// # Errors
    /// [`OpenError`]; the file is then as it was.
    pub async fn open(dir: &Path) -> Result<Self, OpenError> {
        Self::open_with(dir, OpenOptions::default()).await
    }

    /// Like [`open`](Self::open), with options.
    ///
    /// # Errors
    /// [`OpenError`]; the file is then as it was.
    pub async fn open_with(dir: &Path, options: OpenOptions) -> Result<Self, OpenError> {
        engine::refuse_old().await?;
        if dir.is_file() {
            inspect(dir).await?; // says what it is, where it is a run that was cut out
        }
        let claim = Arc::new(folder::claim(dir, options.any_file_system)?);
        let path = folder::record_path(dir);
        if path.exists() {
            inspect(&path).await?;
        }
        let mut connection = engine::connect_writer(&path)
            .await
            .map_err(StoreError::from)?;
        schema::migrate(&mut connection).await?;
        connection.close().await.map_err(StoreError::from)?;
        Ok(Self {
            read: Readable::over(dir, false),
            claim,
        })
    }

    /// The read side. It stays usable after the recorder has ended.
    pub const fn read(&self) -> &Readable {
        &self.read
    }

    /// Refuses where a recorder is at work: it holds the right to write, too.
    pub(crate) fn refuse_while_recording(&self) -> Result<(), StoreError> {
        if Arc::strong_count(&self.claim) > 1 {
            return Err(StoreError::Recording);
        }
        Ok(())
    }

    /// The right to write, for whoever goes on writing after this is dropped.
    pub(crate) fn claim(&self) -> Arc<Claim> {
        Arc::clone(&self.claim)
    }

    /// A fresh connection for the one writer.
    pub(crate) async fn write_connection(&self) -> Result<SqliteConnection, StoreError> {
        let path = folder::record_path(self.read.dir());
        Ok(engine::connect_existing_writer(&path).await?)
    }
}

impl Readable {
    /// Opens the record of a data directory for reading, whether or not a daemon writes it; or a file that was cut out of one.
    ///
    /// # Errors
    /// [`OpenError`].
    pub async fn open(dir: &Path) -> Result<Self, OpenError> {
        engine::refuse_old().await?;
        let path = folder::record_path(dir);
        if !path.exists() {
            return Err(nothing(dir));
        }
        let (found, is_still) = look_at(dir, &path).await?;
        match found {
            Found::Empty => Err(nothing(dir)),
            Found::Record(found) if found < schema::known() => Err(OpenError::Older {
                path,
                found,
                known: schema::known(),
            }),
            found => refuse_foreign_or_newer(&path, found).map(|()| Self::over(dir, is_still)),
        }
    }

    fn over(dir: &Path, is_still: bool) -> Self {
        let file = folder::record_path(dir);
        let pool = RwLock::new(engine::readers(&file, is_still));
        let bulk = RwLock::new(Arc::new(Bulk::over(&file, is_still)));
        let dir = dir.to_owned();
        Self {
            shared: Arc::new(Shared {
                dir,
                is_still,
                pool,
                bulk,
            }),
        }
    }

    /// The data directory.
    pub fn dir(&self) -> &Path {
        &self.shared.dir
    }

    /// Ends all reading and lets go of the file. A later read opens it again.
    pub async fn close(&self) {
        self.renew().await;
    }

    /// Reads the whole file through and says what is wrong first, if anything. Takes seconds on a
    /// large file; recording goes on meanwhile.
    ///
    /// # Errors
    /// The file cannot be read.
    pub async fn check(&self) -> Result<Option<String>, StoreError> {
        let mut connection = self.pool().acquire().await?;
        Ok(engine::quick_check(&mut connection).await?)
    }

    pub(crate) fn pool(&self) -> SqlitePool {
        let pool = self.shared.pool.read();
        pool.unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(crate) fn bulk(&self) -> Arc<Bulk> {
        let bulk = self.shared.bulk.read();
        Arc::clone(&bulk.unwrap_or_else(PoisonError::into_inner))
    }

    /// A connection of one's own that can read and nothing else, for work that needs one view of the
    /// whole file while others write.
    pub(crate) async fn inspector(&self) -> Result<SqliteConnection, sqlx::Error> {
        let path = folder::record_path(self.dir());
        engine::connect_inspector(&path, self.shared.is_still).await
    }

    /// The file itself, and whether nobody can write to it.
    pub(crate) fn file(&self) -> (PathBuf, bool) {
        (folder::record_path(self.dir()), self.shared.is_still)
    }

    /// Replaces the connections, after an error that leaves them in doubt.
    pub(crate) async fn renew(&self) {
        let (file, is_still) = self.file();
        let pool = swap(&self.shared.pool, engine::readers(&file, is_still));
        let bulk = swap(&self.shared.bulk, Arc::new(Bulk::over(&file, is_still)));
        // Whoever still reads finishes on the old ones; nobody waits for them for long.
        let closing = async { tokio::join!(pool.close(), bulk.close()) };
        let _ = tokio::time::timeout(FAREWELL, closing).await;
    }
}

/// Puts something new in the place of the old.
fn swap<T>(place: &RwLock<T>, new: T) -> T {
    let place = place.write();
    std::mem::replace(&mut *place.unwrap_or_else(PoisonError::into_inner), new)
}

fn nothing(dir: &Path) -> OpenError {
    OpenError::Nothing {
        dir: dir.to_owned(),
    }
}

/// What the file says it is, and whether it can only be read as one that nobody writes: on a
/// read-only medium there may be no log beside it, and SQLite can make none.
async fn look_at(dir: &Path, path: &Path) -> Result<(Found, bool), OpenError> {
    let refused = match identify(path, false).await {
        Ok(found) => return Ok((found, false)),
        Err(refused) => refused,
    };
    if folder::is_writable(dir) || folder::bytes(&folder::log_path(dir)) > 0 {
        return Err(refused);
    }
    Ok((identify(path, true).await?, true))
}

async fn identify(path: &Path, is_still: bool) -> Result<Found, OpenError> {
    let refuse = |error| refusal(path, error);
    let mut connection = engine::connect_inspector(path, is_still)
        .await
        .map_err(refuse)?;
    let found = schema::identify(&mut connection).await.map_err(refuse)?;
    connection.close().await.map_err(refuse)?;
    Ok(found)
}

/// Looks at a file through a connection that cannot change it, and refuses what must not be written to.
///
/// It is never opened other than through SQLite: closing a plain file would drop the locks that
/// SQLite's own connections of this process hold on it (<https://sqlite.org/howtocorrupt.html>, 2.2).
async fn inspect(path: &Path) -> Result<(), OpenError> {
    let refuse = |error| refusal(path, error);
    let mut connection = engine::connect_inspector(path, false)
        .await
        .map_err(refuse)?;
    let found = schema::identify(&mut connection).await.map_err(refuse)?;
    refuse_foreign_or_newer(path, found)?;
    if cut_out::is_one(&mut connection).await.map_err(refuse)? {
        return Err(OpenError::CutOut {
            path: path.to_owned(),
        });
    }
    if folder::bytes(path) <= CHECK_BYTES_MAX
        && let Some(why) = engine::quick_check(&mut connection).await.map_err(refuse)?
    {
        return Err(OpenError::Damaged {
            path: path.to_owned(),
            why,
        });
    }
    connection.close().await.map_err(refuse)
}

fn refuse_foreign_or_newer(path: &Path, found: Found) -> Result<(), OpenError> {
    match found {
        Found::Foreign => Err(OpenError::Foreign {
            path: path.to_owned(),
            why: "it is another program's SQLite file".to_owned(),
        }),
        Found::Record(found) if found > schema::known() => Err(OpenError::Newer {
            path: path.to_owned(),
            found,
            known: schema::known(),
        }),
        Found::Record(_) | Found::Empty => Ok(()),
    }
}

/// What SQLite says when it first looks at a file, as a refusal.
fn refusal(path: &Path, error: sqlx::Error) -> OpenError {
    let path = path.to_owned();
    match engine::result_code(&error) {
        Some(engine::CORRUPT) => OpenError::Damaged {
            path,
            why: error.to_string(),
        },
        Some(engine::NOT_A_DATABASE) => OpenError::Foreign {
            path,
            why: "it does not begin as an SQLite file does".to_owned(),
        },
        _ => StoreError::from(error).into(),
    }
}

/// Opens the file again after an error, and looks at it before anything is written to it.
pub(crate) async fn reopen(dir: &Path) -> Result<SqliteConnection, StoreError> {
    let path = folder::record_path(dir);
    let mut connection = engine::connect_existing_writer(&path).await?;
    if folder::bytes(&path) <= CHECK_BYTES_MAX
        && let Some(why) = engine::quick_check(&mut connection).await?
    {
        return Err(StoreError::Row(format!("the file is damaged: {why}")));
    }
    Ok(connection)
}
