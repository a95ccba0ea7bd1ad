//! A copy of the record while it is being written: one whole file, checked before it gets its name.
//!
//! A plain copy of the file would miss what is still in its log.

use std::fs::File;
use std::path::{Path, PathBuf};

use sqlx::Connection;

use crate::engine;
use crate::error::StoreError;
use crate::folder;
use crate::open::Readable;

/// What a backup holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backup {
    /// Its size.
    pub bytes: u64,
    /// Samples in it.
    pub samples: i64,
}

/// Why there is no backup. What was there before is as it was.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The name is taken.
    #[error("{} is there already; choose another name for the backup", .0.display())]
    Exists(PathBuf),
    /// Too little room; the disk may be the one that the record itself grows on.
    #[error("a backup needs {} MB free in {}, there are {}", .need >> 20, dir.display(), .free >> 20)]
    NoRoom {
        /// The directory.
        dir: PathBuf,
        /// Bytes needed: twice the record's size.
        need: u64,
        /// Bytes free.
        free: u64,
    },
    /// The copy does not hold what it should.
    #[error(
        "the copy of the record is not whole ({0}) and was thrown away; try again, and have the disk looked at"
    )]
    NotWhole(String),
    /// The operating system refused.
    #[error("the backup {} cannot be written: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What it said.
        source: std::io::Error,
    },
    /// SQLite refused.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl Readable {
    /// Copies the record into a new file. It bears another name until it is whole, checked and on the
    /// disk.
    ///
    /// Recording goes on meanwhile; its log grows by what is recorded in that time.
    ///
    /// # Errors
    /// [`BackupError`].
    pub async fn backup(&self, to: &Path) -> Result<Backup, BackupError> {
        let io = |source| BackupError::Io {
            path: to.to_owned(),
            source,
        };
        let dir = match to.parent() {
            Some(dir) if !dir.as_os_str().is_empty() => dir,
            _ => Path::new("."),
        };
        if to.exists() {
            return Err(BackupError::Exists(to.to_owned()));
        }
        self.refuse_without_room(dir)?;
        let partial = to.with_added_extension("partial");
        remove(&partial).map_err(io)?; // of a backup that was cut off
        let copied = self.copy(&partial).await;
        if copied.is_err() {
            // The first error is the one to tell.
            let _ = remove(&partial);
        }
        let backup = copied?;
        let settle = || {
            File::open(&partial)?.sync_all()?;
            std::fs::rename(&partial, to)?;
            File::open(dir)?.sync_all()
        };
        settle().map_err(io)?;
        Ok(backup)
    }

    fn refuse_without_room(&self, dir: &Path) -> Result<(), BackupError> {
        let size = self.size();
        let need = 2 * (size.record + size.log);
        match folder::space(dir) {
            Some((free, _)) if free < need => Err(BackupError::NoRoom {
                dir: dir.to_owned(),
                need,
                free,
            }),
            _ => Ok(()),
        }
    }

    async fn copy(&self, partial: &Path) -> Result<Backup, BackupError> {
        let name = partial.to_str().ok_or_else(|| BackupError::Io {
            path: partial.to_owned(),
            source: std::io::Error::other("its name is not Unicode"),
        })?;
        let least = self.count_all().await?;
        self.vacuum_into(name).await?;
        let samples = check(partial).await?;
        // The copy is of some moment in between.
        let most = self.count_all().await?;
        if !(least..=most).contains(&samples) {
            let found = format!("{samples} samples in place of {least} to {most}");
            return Err(BackupError::NotWhole(found));
        }
        Ok(Backup {
            bytes: folder::bytes(partial),
            samples,
        })
    }

    async fn vacuum_into(&self, name: &str) -> Result<(), StoreError> {
        let mut connection = engine::connect_copier(&folder::record_path(self.dir())).await?;
        sqlx::query("VACUUM INTO ?")
            .bind(name)
            .execute(&mut connection)
            .await?;
        connection.close().await?;
        Ok(())
    }

    async fn count_all(&self) -> Result<i64, StoreError> {
        Ok(sqlx::query_scalar!("SELECT count(*) FROM sample")
            .fetch_one(&self.pool())
            .await?)
    }
}

/// Reads a copy through; how many samples it holds.
async fn check(copy: &Path) -> Result<i64, BackupError> {
    let sql = |error: sqlx::Error| BackupError::Store(error.into());
    let mut connection = engine::connect_inspector(copy, true).await.map_err(sql)?;
    if let Some(found) = engine::quick_check(&mut connection).await.map_err(sql)? {
        return Err(BackupError::NotWhole(found));
    }
    let samples = sqlx::query_scalar!("SELECT count(*) FROM sample")
        .fetch_one(&mut connection)
        .await
        .map_err(sql)?;
    connection.close().await.map_err(sql)?;
    Ok(samples)
}

fn remove(path: &Path) -> std::io::Result<()> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}
