//! Readers that hold on, give up half-way or ask for everything: recording does not notice.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::time::{Duration, Instant};

use common::{EVER, OPTIONS, all, open, sample, second};
use futures::StreamExt;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};
use zonda_model::Stamp;
use zonda_store::{ChannelId, Grid, Key, Recorder, Size};

/// What the log may be in ordinary times: what is folded in at once, and as much again on top.
const LOG_MAX: u64 = 16 << 20;

async fn pour(recorder: &Recorder, channels: &[ChannelId], from: i64, to: i64) {
    for s in from..to {
        let samples = channels
            .iter()
            .map(|channel| sample(*channel, second(s), 1.0));
        recorder.samples(samples.collect()).await.unwrap();
        recorder.flush().await.unwrap();
    }
}

#[tokio::test]
async fn a_reader_from_outside_that_holds_on_lets_the_log_grow_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let names: Vec<_> = (0..64).map(|number| format!("P{number}")).collect();
    let names: Vec<_> = names.iter().map(String::as_str).collect();
    let (store, session) = open(dir.path(), &names, second(0)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    pour(&recorder, &channels, 0, 300).await;
    let size = || -> Size { store.read().size() };

    // Somebody's tool stands in the middle of a SELECT.
    let tool = SqliteConnectOptions::new()
        .filename(dir.path().join("record.sqlite"))
        .row_buffer_size(1);
    let mut tool = tool.read_only(true).connect().await.unwrap();
    let mut rows = sqlx::query("SELECT * FROM sample").fetch(&mut tool);
    rows.next().await.unwrap().unwrap();
    pour(&recorder, &channels, 300, 1300).await;
    let held_log = size().log;
    assert!(
        held_log > LOG_MAX,
        "the reader did not hold the log: {held_log}"
    );
    assert!(recorder.recording().borrow().stalled.is_none());

    // It goes; the log is folded in and given back by itself.
    drop(rows);
    tool.close().await.unwrap();
    pour(&recorder, &channels, 1300, 1320).await;
    assert!(size().log <= LOG_MAX, "{:?}", size());
    assert_eq!(store.read().count_samples(EVER).await.unwrap(), 1320 * 64);
    recorder.end(second(1320)).await.unwrap();
    task.await.unwrap();
    assert_eq!(size().log, 0);
}

/// A page is one transaction: between pages nothing holds the log, however slow the reader is.
#[tokio::test]
async fn the_log_stays_short_while_somebody_pages_slowly() {
    let dir = tempfile::tempdir().unwrap();
    let names: Vec<_> = (0..64).map(|number| format!("P{number}")).collect();
    let names: Vec<_> = names.iter().map(String::as_str).collect();
    let (store, session) = open(dir.path(), &names, second(0)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let mut after = None;
    for round in 0..1000 {
        pour(&recorder, &channels, round, round + 1).await;
        let page = store.read().samples(EVER, None, after, 10).await.unwrap();
        after = page.last().map(|last| Key {
            at: last.at,
            channel: last.channel,
        });
        assert!(store.read().size().log <= LOG_MAX);
    }
    recorder.end(second(1000)).await.unwrap();
    task.await.unwrap();
}

/// A client that goes away has its question dropped at any moment. Two thousand of them, and then
/// one write and one read pass at once.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn questions_dropped_at_any_moment_harm_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a", "b"], second(0)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for s in 0..5000 {
        let samples = channels
            .iter()
            .map(|channel| sample(*channel, second(s), 1.0));
        recorder.samples(samples.collect()).await.unwrap();
    }
    recorder.flush().await.unwrap();
    let grid = Grid::over((second(0), second(5000)), 6000);
    for round in 0..2000_u64 {
        let (read, channels) = (store.read().clone(), channels.clone());
        let asking = tokio::spawn(async move {
            match round % 4 {
                0 => drop(read.samples(EVER, None, None, 5000).await.unwrap()),
                1 => drop(read.history(&channels, grid).await.unwrap()),
                2 => drop(read.gaps(EVER, None, 100).await.unwrap()),
                _ => drop(read.latest(&channels, Stamp::default()).await.unwrap()),
            }
        });
        // Somewhere within the first millisecond, and now and then to the end.
        if round % 50 == 0 {
            asking.await.unwrap();
        } else {
            let until = Instant::now() + Duration::from_micros(round * 7919 % 1000);
            while Instant::now() < until && !asking.is_finished() {
                tokio::task::yield_now().await;
            }
            asking.abort();
        }
    }
    let began = Instant::now();
    recorder
        .samples(vec![sample(channels[0], second(6000), 2.0)])
        .await
        .unwrap();
    recorder.flush().await.unwrap();
    assert_eq!(all(store.read()).await.len(), 10_001);
    assert!(
        began.elapsed() < Duration::from_secs(5),
        "{:?}",
        began.elapsed()
    );
    assert!(recorder.recording().borrow().stalled.is_none());
    recorder.end(second(6000)).await.unwrap();
    task.await.unwrap();
}
