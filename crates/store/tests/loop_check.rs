//! A loop check in the record: it comes back as it was, in one commit with its event, and shows
//! where somebody edited it.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod common;

use common::{OPTIONS, open, second};
use sqlx::{Connection, SqliteConnection};
use zonda_store::{ChannelId, Event, LoopCheckEntry, LoopCheckRow, LoopPoint, Recorder, Severity};

fn check(channel: ChannelId, at: i64) -> LoopCheckEntry {
    LoopCheckEntry {
        at: second(at),
        channel,
        mapping: 1,
        operator: "A. Tester".into(),
        source: "loop calibrator".into(),
        serial: "LC-7".into(),
        signal: "4-20 mA".into(),
        range: "0-50 m/s".into(),
        tolerance: 0.005,
        gain: (1.0012, 0.0003),
        zero: (-0.0004, 0.0002),
        error_max: 0.0011,
        is_passed: true,
        note: String::new(),
        points: [0.0, 0.5, 1.0]
            .into_iter()
            .map(|share| LoopPoint {
                at: second(at),
                share,
                target: 4e-3 + share * 16e-3,
                found: (4.01e-3 + share * 16e-3, 2e-7),
                error: 0.000_625,
                samples: 21,
            })
            .collect(),
    }
}

fn event(check: &LoopCheckEntry) -> Event {
    Event {
        at: check.at,
        severity: Severity::Info,
        kind: "loop_check".into(),
        subject: "a".into(),
        text: format!("record {}", check.hash()),
    }
}

#[tokio::test]
async fn a_check_comes_back_as_it_was_with_its_event() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a", "b"], second(0)).await;
    let [a, b] = [session.channels[0], session.channels[1]];
    let (recorder, _writing) = Recorder::start(&store, session, OPTIONS);
    for (channel, at) in [(a, 10), (b, 20), (a, 30)] {
        let check = check(channel, at);
        let event = event(&check);
        recorder.loop_check(check, event).await.unwrap();
    }
    recorder.flush().await.unwrap();
    let read = store.read();
    let all = read.loop_checks(None, None, 10).await.unwrap();
    let found: Vec<_> = all.iter().map(|row| (row.id, row.check.clone())).collect();
    assert_eq!(
        found,
        [(3, check(a, 30)), (2, check(b, 20)), (1, check(a, 10))]
    );
    assert!(all.iter().all(LoopCheckRow::is_untouched));
    let of_a = read.loop_checks(Some(a), Some(3), 10).await.unwrap();
    assert_eq!(of_a.iter().map(|row| row.id).collect::<Vec<_>>(), [1]);
    let latest = read.latest_loop_checks().await.unwrap();
    assert_eq!(latest.iter().map(|row| row.id).collect::<Vec<_>>(), [3, 2]);
    let events = read.events(None, 10).await.unwrap();
    for row in &all {
        let told = events
            .iter()
            .filter(|event| event.text.ends_with(&row.hash));
        assert_eq!(told.count(), 1);
    }
}

#[tokio::test]
async fn an_edited_check_shows() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, writing) = Recorder::start(&store, session, OPTIONS);
    let (first, second_one) = (check(a, 10), check(a, 20));
    for check in [first, second_one] {
        let event = event(&check);
        recorder.loop_check(check, event).await.unwrap();
    }
    recorder.end(second(30)).await.unwrap();
    writing.await.unwrap();
    let edits = [
        "UPDATE loop_check SET is_passed = 0 WHERE id = 1",
        "UPDATE loop_check SET is_passed = 1, operator = 'B. Tester' WHERE id = 1",
        "UPDATE loop_check SET operator = 'A. Tester', source = 'loop calibratorL', serial = 'C-7' WHERE id = 1",
        "UPDATE loop_check_point SET found = found * 1.000001 WHERE loop_check = 1 AND place = 2",
        "DELETE FROM loop_check_point WHERE loop_check = 1 AND place = 2",
    ];
    let url = format!("sqlite:{}", dir.path().join("record.sqlite").display());
    for edit in edits {
        let mut file = SqliteConnection::connect(&url).await.unwrap();
        sqlx::query(edit).execute(&mut file).await.unwrap();
        file.close().await.unwrap();
        let untouched: Vec<_> = store
            .read()
            .loop_checks(None, None, 10)
            .await
            .unwrap()
            .iter()
            .map(LoopCheckRow::is_untouched)
            .collect();
        assert_eq!(untouched, [true, false], "{edit}");
    }
}
