//! Runs of a record that no daemon records into: opened for as long as one order takes.

use std::path::Path;
use std::sync::Arc;

use tokio::sync::Mutex;
use tokio::task::JoinHandle;
use zonda_lines::{Axis, SystemClocks};
use zonda_model::RunId;
use zonda_store::{
    ChannelEntry, OpenError, Readable, Recorder, RecorderOptions, Start, Store, StoreError,
};

use super::book::Book;
use super::scene::{Scene, period};
use super::{Runs, Shared};

/// Why the runs of a record cannot be changed without a daemon.
#[derive(Debug, thiserror::Error)]
pub enum AloneError {
    /// The record cannot be opened; a daemon may have it.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The record cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nothing was ever recorded.
    #[error("nothing was ever recorded in {0}, so there is nothing that a run could be about")]
    Nothing(String),
}

/// A record that is open for an order.
#[derive(Debug)]
pub struct Alone {
    /// Its runs.
    pub runs: Runs,
    store: Store,
    recorder: Recorder,
    writing: JoinHandle<()>,
}

impl Runs {
    /// The runs of a record, to be read and not changed.
    ///
    /// # Errors
    /// [`AloneError`].
    pub async fn reading(data: &Path) -> Result<Self, AloneError> {
        let record = Readable::open(data).await?;
        let newest = record.sessions(1).await?.first().map(|last| last.alive);
        let scene = Scene::left(&record, String::new()).await?;
        let book = Book {
            scene,
            open: Vec::new(),
            next: RunId(0),
            named: Vec::new(),
        };
        Ok(Self {
            shared: Arc::new(Shared {
                book: Mutex::new(book),
                axis: Axis::new(SystemClocks, newest),
                record,
                recorder: None,
                templates: Vec::new(),
                layouts: Vec::new(),
                zone: jiff::tz::TimeZone::UTC,
                is_alone: true,
            }),
        })
    }

    /// Opens a record that no daemon records into. That is a session of its own, without samples, under
    /// the configuration that was in force last; what is done in it is sealed like anything else.
    ///
    /// # Errors
    /// [`AloneError`].
    pub async fn alone(data: &Path, version: &str) -> Result<Alone, AloneError> {
        // Before it is opened for writing, which would make a record where there is none.
        let record = Readable::open(data).await?;
        let start = start(&record, version).await?;
        record.close().await;
        let mut start = start.ok_or_else(|| AloneError::Nothing(data.display().to_string()))?;
        let store = Store::open(data).await?;
        let axis = Axis::new(SystemClocks, store.newest().await?);
        start.at = axis.now();
        let session = store.begin(&start).await?;
        let options = RecorderOptions {
            commit_every: std::time::Duration::from_secs(1),
            memory_samples: 1000,
        };
        let (recorder, writing) = Recorder::start(&store, session, options);
        recorder
            .clock(axis.now(), axis.axis_minus_utc_us(), "start")
            .await?;
        let record = store.read().clone();
        let scene = Scene::left(&record, start.config_hash).await?;
        let runs = Self::take_up(scene, axis, record, recorder.clone(), true).await?;
        Ok(Alone {
            runs,
            store,
            recorder,
            writing,
        })
    }
}

impl Alone {
    /// Closes the record in order.
    ///
    /// # Errors
    /// The disk took nothing.
    pub async fn close(self) -> Result<(), StoreError> {
        let now = self.runs.now().axis;
        self.recorder.end(now).await?;
        drop(self.runs);
        drop(self.recorder);
        self.writing.await.map_err(|_| StoreError::Ended)?;
        self.store.read().close().await;
        Ok(())
    }
}

/// What was in force last, as a start; `at` is yet to be set.
async fn start(record: &Readable, version: &str) -> Result<Option<Start>, StoreError> {
    let Some(last) = record.sessions(1).await?.pop() else {
        return Ok(None);
    };
    let revisions = record.revisions().await?;
    let text = revisions.into_iter().find(|row| row.hash == last.config);
    let mappings = record.mappings().await?;
    let mut rows = record.channels().await?;
    rows.retain(|row| row.position.is_some());
    rows.sort_by_key(|row| row.position);
    let channels = rows.into_iter().map(|row| ChannelEntry {
        mapping: mappings
            .iter()
            .rfind(|mapping| mapping.channel == row.id)
            .map_or_else(String::new, |mapping| mapping.text.clone()),
        name: row.name,
        quantity: row.quantity,
        unit: row.unit,
        period: period(row.period_us),
    });
    Ok(Some(
        Start {
            boot: String::new(),
            version: version.to_owned(),
            config_hash: last.config,
            config_text: text.map_or_else(String::new, |row| row.text),
            channels: channels.collect(),
            at: zonda_model::Stamp::default(),
        }
        .without_recording(),
    ))
}
