//! Samples in bulk: pages of them, read where each row costs little.
//!
//! The pool hands out every row as values that it copied one by one, 1.5 million rows a second; a report, an evaluation or an
//! export walks over millions of them. Here a page is decoded while SQLite stands on the row, which is three times as fast
//! and leaves nothing behind. It is the same SQLite inside, in the same process, so that its locks hold for both.
//!
//! Left to others: everything but pages of samples.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OpenFlags, Row, params_from_iter};
use tokio::sync::Semaphore;
use zonda_model::{Code, Sample, Stamp};

use crate::engine;
use crate::error::StoreError;
use crate::read::{Key, SampleRow};
use crate::row::{ChannelId, quality_of};

/// A page that is asked for.
#[derive(Clone, Debug)]
pub(crate) struct Page {
    pub(crate) range: (Stamp, Stamp),
    pub(crate) channels: Option<Vec<ChannelId>>,
    pub(crate) after: Option<Key>,
    pub(crate) limit: i64,
}

/// Connections that read pages, each one page at a time.
#[derive(Debug)]
pub(crate) struct Bulk {
    /// So many read at once; the next one waits.
    turns: Arc<Semaphore>,
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    file: std::path::PathBuf,
    is_still: bool,
    /// At most as many as have a turn.
    idle: Mutex<Vec<Connection>>,
}

impl Bulk {
    /// None is open yet.
    pub(crate) fn over(file: &Path, is_still: bool) -> Self {
        Self {
            turns: Arc::new(Semaphore::new(engine::READERS as usize)),
            shared: Arc::new(Shared {
                file: file.to_owned(),
                is_still,
                idle: Mutex::default(),
            }),
        }
    }

    /// Reads a page, in a transaction of its own.
    pub(crate) async fn read(&self, page: Page) -> Result<Vec<SampleRow>, StoreError> {
        // None any more after `close`: who held on to it that long still gets its page.
        let turn = Arc::clone(&self.turns).acquire_owned().await;
        let shared = Arc::clone(&self.shared);
        let reading = tokio::task::spawn_blocking(move || {
            let _turn = turn;
            shared.read(&page)
        });
        match reading.await {
            Ok(read) => Ok(read?),
            // Nobody calls it off; the runtime is going down.
            Err(_) => Err(StoreError::Ended),
        }
    }

    /// Waits until nobody reads, and lets go of the file.
    pub(crate) async fn close(&self) {
        let _turns = self.turns.acquire_many(engine::READERS).await;
        self.turns.close();
        self.shared.lock().clear();
    }
}

impl Shared {
    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Connection>> {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn read(&self, page: &Page) -> rusqlite::Result<Vec<SampleRow>> {
        let idle = self.lock().pop();
        let connection = idle.map_or_else(|| self.open(), Ok)?;
        let read = page.read(&connection);
        // One that failed is in doubt, and not used again.
        if read.is_ok() {
            self.lock().push(connection);
        }
        read
    }

    /// Set up as the pool's are.
    fn open(&self) -> rusqlite::Result<Connection> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = if self.is_still {
            let address = engine::address(&self.file, "immutable=1");
            let address = address.map_err(|_| rusqlite::Error::InvalidPath(self.file.clone()))?;
            Connection::open_with_flags(address, flags | OpenFlags::SQLITE_OPEN_URI)?
        } else {
            Connection::open_with_flags(&self.file, flags)?
        };
        connection.busy_timeout(engine::BUSY)?;
        connection.pragma_update(None, "temp_store", "MEMORY")?;
        connection.pragma_update(None, "cell_size_check", "ON")?;
        connection.pragma_update(None, "query_only", "ON")?;
        Ok(connection)
    }
}

impl Page {
    fn read(&self, connection: &Connection) -> rusqlite::Result<Vec<SampleRow>> {
        let mut sql = String::from(
            "SELECT at, channel, code, value, flags FROM sample WHERE (at, channel) > (?, ?) AND at < ?",
        );
        let after = self.after.unwrap_or(Key {
            at: Stamp::from_micros(self.range.0.micros().saturating_sub(1)),
            channel: ChannelId(i64::MAX),
        });
        let mut bound = vec![after.at.micros(), after.channel.0, self.range.1.micros()];
        if let Some(channels) = &self.channels {
            sql.push_str(" AND channel IN (");
            sql.push_str(&vec!["?"; channels.len()].join(", "));
            sql.push(')');
            bound.extend(channels.iter().map(|channel| channel.0));
        }
        sql.push_str(" ORDER BY at, channel LIMIT ?");
        bound.push(self.limit);
        let mut statement = connection.prepare_cached(&sql)?;
        let mut rows = statement.query(params_from_iter(bound))?;
        let mut page = Vec::new();
        while let Some(row) = rows.next()? {
            page.push(sample_of(row)?);
        }
        Ok(page)
    }
}

/// Reads `at, channel, code, value, flags`.
fn sample_of(row: &Row<'_>) -> rusqlite::Result<SampleRow> {
    let code = match row.get_ref(2)? {
        ValueRef::Real(number) => Some(Code::Number(number)),
        ValueRef::Integer(count) => Some(Code::Count(count)),
        _ => None,
    };
    Ok(Sample {
        at: Stamp::from_micros(row.get(0)?),
        channel: ChannelId(row.get(1)?),
        code,
        value: row.get(3)?,
        quality: quality_of(row.get(4)?),
    })
}
