//! Backups while recording goes on.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::fs;

use common::{OPTIONS, all, gaps, open, sample, second};
use zonda_store::{BackupError, Readable, Recorder};

#[tokio::test]
async fn a_backup_made_while_recording_is_a_record_of_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a", "b"], second(0)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let pour = async |from: i64, to: i64| {
        for s in from..to {
            let samples = channels
                .iter()
                .map(|channel| sample(*channel, second(s), 1.0));
            recorder.samples(samples.collect()).await.unwrap();
        }
    };
    pour(0, 1000).await;
    recorder.flush().await.unwrap();

    let shelf = tempfile::tempdir().unwrap();
    let to = shelf.path().join("record.sqlite");
    let cut_off = shelf.path().join("record.sqlite.partial");
    fs::write(&cut_off, "of a backup that was killed").unwrap();
    let read = store.read().clone();
    let path = to.clone();
    let backup = tokio::spawn(async move { read.backup(&path).await });
    pour(1000, 2000).await;
    let backup = backup.await.unwrap().unwrap();
    assert!((2000..=4000).contains(&backup.samples), "{backup:?}");
    assert!(!cut_off.exists());
    assert_eq!(fs::metadata(&to).unwrap().len(), backup.bytes);

    // It opens in the place of a data directory, and what it holds is the beginning of the record.
    let copy = Readable::open(shelf.path()).await.unwrap();
    let (kept, samples) = (all(&copy).await, all(store.read()).await);
    assert_eq!(kept[..], samples[..kept.len()]);
    assert_eq!(i64::try_from(kept.len()).unwrap(), backup.samples);
    assert!(gaps(&copy).await.is_empty());
    copy.close().await;

    let taken = store.read().backup(&to).await.unwrap_err();
    assert!(matches!(taken, BackupError::Exists(_)), "{taken}");
    let nowhere = shelf.path().join("missing/record.sqlite");
    let refused = store.read().backup(&nowhere).await.unwrap_err();
    assert!(refused.to_string().contains("record"), "{refused}");
    recorder.end(second(2000)).await.unwrap();
    task.await.unwrap();
}
