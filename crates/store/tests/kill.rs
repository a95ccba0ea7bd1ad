//! The daemon is killed at any moment: what was said to be durable is there.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader};
use std::process::Stdio;

use common::{all, check_gaps, gaps, open, pour};
use zonda_store::{Readable, Store};

/// What the other test kills.
#[tokio::test]
async fn pours() {
    assert!(pour::pour().await > 0);
}

/// Starts the pouring, lets it say `count` ticks, and kills it.
fn pour_and_kill(dir: &std::path::Path, count: usize) -> Vec<i64> {
    let mut child = pour::process(&[], "pours", dir, u32::MAX)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    // Held open to the end: a child that cannot say anything ends in order.
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    let ticks = said
        .by_ref()
        .filter_map(|line| pour::tick_of(&line.unwrap()));
    let first = ticks.take(count).collect();
    child.kill().unwrap();
    child.wait().unwrap();
    first
}

#[tokio::test]
async fn whatever_was_durable_survives_a_kill() {
    let dir = tempfile::tempdir().unwrap();
    let mut durable = BTreeSet::new();
    for count in [1, 2, 3, 10, 40, 41] {
        let said = pour_and_kill(dir.path(), count);
        assert_eq!(said.len(), count);
        durable.extend(said);

        let read = Readable::open(dir.path()).await.unwrap();
        assert_eq!(read.check().await.unwrap(), None);
        let samples = all(&read).await;
        let stored: BTreeSet<_> = samples
            .iter()
            .map(|sample| sample.at.micros() / 1_000_000)
            .collect();
        assert!(stored.is_superset(&durable));
        // A tick is stored as a whole, once.
        assert_eq!(samples.len(), stored.len() * 8);
        check_gaps(&samples, &gaps(&read).await);
        read.close().await;
    }
    let store = Store::open(dir.path()).await.unwrap();
    let sessions = store.read().sessions(100).await.unwrap();
    assert_eq!(sessions.len(), 6);
    assert!(
        sessions[1..]
            .iter()
            .all(|session| session.how.as_deref() == Some("interrupted"))
    );
}

/// As an export does while the daemon records.
#[tokio::test]
async fn a_record_that_another_process_writes_can_be_read() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = pour::process(&[], "pours", dir.path(), u32::MAX)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    let ticks = said
        .by_ref()
        .filter_map(|line| pour::tick_of(&line.unwrap()));
    let mut counts = Vec::new();
    let mut read = None;
    for tick in ticks.take(200) {
        if read.is_none() {
            read = Some(Readable::open(dir.path()).await.unwrap());
        }
        let count = read
            .as_ref()
            .unwrap()
            .count_samples(common::EVER)
            .await
            .unwrap();
        assert!(count >= (tick + 1) * 8, "{count} after tick {tick}");
        counts.push(count);
    }
    assert!(counts.is_sorted() && counts[0] < counts[199]);
    let refused = Store::open(dir.path()).await.unwrap_err();
    let says = format!("process {})", child.id());
    assert!(refused.to_string().contains(&says), "{refused}");
    child.kill().unwrap();
    child.wait().unwrap();
}

/// A daemon that dies again and again before its first commit must not lose sight of the time since
/// the last one that recorded.
#[tokio::test]
async fn the_time_before_a_start_that_dies_at_once_stays_a_gap() {
    let dir = tempfile::tempdir().unwrap();
    drop(open(dir.path(), &["a"], common::second(0)).await);
    for s in [100, 200, 300] {
        drop(open(dir.path(), &["a"], common::second(s)).await);
    }
    let read = Readable::open(dir.path()).await.unwrap();
    let gaps = gaps(&read).await;
    assert_eq!(gaps.len(), 1, "{gaps:?}");
    assert_eq!(
        (gaps[0].from, gaps[0].to, gaps[0].missed),
        (common::second(0), None, 300)
    );
}
