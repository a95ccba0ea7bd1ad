//! The record through its public doors, on real files.
#![expect(
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    reason = "a test stops where it finds something wrong, and its numbers are small"
)]

mod common;

use std::path::Path;
use std::time::Duration;

use common::{OPTIONS, all, open, sample, second};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};
use zonda_model::{Cause, Code, Miss, Quality, Sample, Stamp};
use zonda_store::{ChannelId, Event, Grid, OpenError, Readable, Recorder, Severity, Store};

/// Records one sample a second of each channel from `from` to `to`, and ends the session.
async fn record(dir: &Path, names: &[&str], from: i64, to: i64) {
    let plain = |channel, s| sample(channel, second(s), s as f64);
    record_as(dir, names, (from, to), plain).await;
}

/// The same, with samples of any kind.
async fn record_as(
    dir: &Path,
    names: &[&str],
    (from, to): (i64, i64),
    made: impl Fn(ChannelId, i64) -> Sample<ChannelId>,
) {
    let (store, session) = open(dir, names, second(from)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for s in from..to {
        recorder
            .samples(channels.iter().map(|channel| made(*channel, s)).collect())
            .await
            .unwrap();
    }
    recorder.end(second(to)).await.unwrap();
    task.await.unwrap();
}

#[tokio::test]
async fn what_is_flushed_is_in_the_file_as_it_was_handed_in() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a", "b"], second(0)).await;
    let [a, b] = session.channels[..] else {
        panic!()
    };
    let (recorder, _task) = Recorder::start(&store, session, OPTIONS);
    let handed = vec![
        sample(a, second(0), 1.5),
        Sample {
            code: Some(Code::Number(2.25)),
            ..sample(b, second(0), 2.25)
        },
        Sample {
            code: None,
            value: None,
            quality: Quality::NO_NUMBER,
            ..sample(a, second(1), 0.0)
        },
    ];
    recorder.samples(handed.clone()).await.unwrap();
    recorder.flush().await.unwrap();
    // Another reader, as an outside tool would be.
    assert_eq!(
        all(&Readable::open(dir.path()).await.unwrap()).await,
        handed
    );
}

#[tokio::test]
async fn two_samples_within_one_microsecond_are_both_kept() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, _task) = Recorder::start(&store, session, OPTIONS);
    recorder
        .samples(vec![sample(a, second(0), 1.0), sample(a, second(0), 2.0)])
        .await
        .unwrap();
    recorder.flush().await.unwrap();
    let stored = all(store.read()).await;
    assert_eq!(
        stored.iter().map(|sample| sample.value).collect::<Vec<_>>(),
        [Some(1.0), Some(2.0)]
    );
    assert_eq!(stored[1].at.since(stored[0].at), Duration::from_micros(1));
}

#[tokio::test]
async fn a_restart_leaves_a_gap_with_its_cause() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), &["a"], 0, 10).await;
    record(dir.path(), &["a"], 60, 70).await;
    let read = Readable::open(dir.path()).await.unwrap();
    let gaps = read
        .gaps((second(0), second(1000)), None, 100)
        .await
        .unwrap();
    assert_eq!(gaps.len(), 1);
    assert_eq!(
        (gaps[0].cause, gaps[0].from, gaps[0].to, gaps[0].missed),
        (Cause::DaemonStopped, second(10), Some(second(60)), 50)
    );
    let sessions = read.sessions(10).await.unwrap();
    assert!(
        sessions
            .iter()
            .all(|session| session.how.as_deref() == Some("stopped"))
    );
    // Every slot is a sample or a missed tick.
    assert_eq!(
        i64::try_from(all(&read).await.len()).unwrap() + gaps[0].missed,
        70
    );
}

#[tokio::test]
async fn a_session_that_did_not_end_is_found_interrupted() {
    let dir = tempfile::tempdir().unwrap();
    {
        let (store, session) = open(dir.path(), &["a"], second(0)).await;
        let a = session.channels[0];
        let (recorder, task) = Recorder::start(&store, session, OPTIONS);
        recorder
            .samples(vec![sample(a, second(5), 1.0)])
            .await
            .unwrap();
        recorder
            .missed(
                vec![a],
                second(6),
                Miss {
                    ticks: 1,
                    cause: Cause::Timeout,
                    detail: "no answer".into(),
                },
            )
            .await
            .unwrap();
        recorder.flush().await.unwrap();
        task.abort();
        let _ = task.await;
    }
    let (store, _) = open(dir.path(), &["a"], second(100)).await;
    let sessions = store.read().sessions(10).await.unwrap();
    assert_eq!(sessions[1].how.as_deref(), Some("interrupted"));
    let gaps = store
        .read()
        .gaps((second(0), second(1000)), None, 100)
        .await
        .unwrap();
    // The open gap of the dead session is in the file until the first commit of the new one.
    assert_eq!(gaps[0].cause, Cause::Timeout);
}

#[tokio::test]
async fn a_channel_taken_out_of_the_configuration_is_a_disabled_one() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), &["a", "b"], 0, 10).await;
    record(dir.path(), &["a"], 20, 30).await;
    record(dir.path(), &["a"], 40, 50).await;
    record(dir.path(), &["a", "b"], 60, 70).await;
    let read = Readable::open(dir.path()).await.unwrap();
    let b = read.channels().await.unwrap()[1].id;
    let gaps: Vec<_> = read
        .gaps((second(0), second(1000)), None, 100)
        .await
        .unwrap()
        .into_iter()
        .filter(|gap| gap.channel == b)
        .map(|gap| (gap.cause, gap.from, gap.to))
        .collect();
    assert_eq!(
        gaps,
        [
            (Cause::Disabled, second(10), Some(second(50))),
            (Cause::DaemonStopped, second(50), Some(second(60)))
        ]
    );
}

#[tokio::test]
async fn history_from_rollups_equals_history_from_samples() {
    let dir = tempfile::tempdir().unwrap();
    // Summaries of one bucket have other flags, and some have no number.
    let flagged = |channel, s| match s % 47 {
        0 => Sample {
            quality: Quality::SIMULATED | Quality::UNDER_RANGE,
            ..sample(channel, second(s), s as f64)
        },
        1..=12 => Sample {
            value: None,
            quality: Quality::SIMULATED | Quality::NO_NUMBER,
            ..sample(channel, second(s), 0.0)
        },
        _ => sample(channel, second(s), s as f64),
    };
    record_as(dir.path(), &["a"], (0, 3000), flagged).await;
    let read = Readable::open(dir.path()).await.unwrap();
    let a = read.channels().await.unwrap()[0].id;
    let coarse = Grid::over((second(0), second(3000)), 101);
    assert_eq!(coarse.step_us, 30_000_000);
    let history = read.history(&[a], coarse).await.unwrap();
    let samples = all(&read).await;
    let mut counted = 0;
    for (index, bucket) in history.channels[0].iter().enumerate() {
        let begin = coarse.from.micros() + i64::try_from(index).unwrap() * coarse.step_us;
        let inside: Vec<_> = samples
            .iter()
            .filter(|s| (begin..begin + coarse.step_us).contains(&s.at.micros()))
            .collect();
        let Some(bucket) = bucket else {
            assert!(inside.is_empty());
            continue;
        };
        counted += bucket.count;
        assert_eq!(usize::try_from(bucket.count).unwrap(), inside.len());
        // Simulated is a remark, not a flaw.
        let good = inside
            .iter()
            .filter(|s| s.value.is_some() && s.quality.is_good());
        assert_eq!(usize::try_from(bucket.good).unwrap(), good.count());
        let flags = inside.iter().map(|s| s.quality);
        assert_eq!(
            bucket.quality,
            flags.reduce(|all, flags| all | flags).unwrap()
        );
        let inside: Vec<_> = inside.iter().filter_map(|s| s.value).collect();
        assert!(
            (bucket.mean.unwrap() - inside.iter().sum::<f64>() / inside.len() as f64).abs() < 1e-9
        );
        assert_eq!(bucket.min, inside.iter().copied().reduce(f64::min));
        assert_eq!(bucket.max, inside.iter().copied().reduce(f64::max));
    }
    assert_eq!(counted, 3000);
}

#[tokio::test]
async fn rollups_go_on_after_a_restart_within_a_bucket() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), &["a"], 0, 305).await;
    record(dir.path(), &["a"], 305, 1300).await;
    let read = Readable::open(dir.path()).await.unwrap();
    let a = read.channels().await.unwrap()[0].id;
    let grid = Grid {
        from: Stamp::from_micros(second(0).micros() / 600_000_000 * 600_000_000),
        step_us: 600_000_000,
        count: 4,
    };
    let history = read.history(&[a], grid).await.unwrap();
    assert_eq!(
        history.channels[0]
            .iter()
            .flatten()
            .map(|bucket| bucket.count)
            .sum::<i64>(),
        1300
    );
}

#[tokio::test]
async fn a_second_daemon_is_refused_with_the_process_of_the_first() {
    let dir = tempfile::tempdir().unwrap();
    let _first = Store::open(dir.path()).await.unwrap();
    let refused = Store::open(dir.path()).await.unwrap_err();
    assert!(
        matches!(&refused, OpenError::Taken { holder, .. } if *holder == std::process::id().to_string()),
        "{refused}"
    );
}

/// Opens a database that somebody else made in the place of a record, and expects to be refused.
async fn expect_untouched(dir: &Path, said: &str) {
    let files = || {
        let name = |suffix: &str| std::fs::read(dir.join(format!("record.sqlite{suffix}"))).ok();
        (name(""), name("-wal").filter(|log| !log.is_empty()))
    };
    let before = files();
    let refused = Store::open(dir).await.unwrap_err().to_string();
    assert!(refused.contains(said), "{refused}");
    let refused = Readable::open(dir).await.unwrap_err().to_string();
    assert!(refused.contains(said), "{refused}");
    assert!(files() == before, "{said}: the file was touched");
}

async fn execute(dir: &Path, sql: &'static str) {
    let options = SqliteConnectOptions::new()
        .filename(dir.join("record.sqlite"))
        .create_if_missing(true);
    let mut connection = options.connect().await.unwrap();
    sqlx::raw_sql(sql).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

#[tokio::test]
async fn a_file_that_must_not_be_touched_is_refused_and_stays_as_it_is() {
    let notes = tempfile::tempdir().unwrap();
    let text = "Somebody's notes, in a file that happens to have our name. ".repeat(9);
    std::fs::write(notes.path().join("record.sqlite"), text).unwrap();
    expect_untouched(notes.path(), "not a record").await;

    let foreign = tempfile::tempdir().unwrap();
    execute(
        foreign.path(),
        "PRAGMA journal_mode = DELETE; CREATE TABLE contact (name TEXT)",
    )
    .await;
    expect_untouched(foreign.path(), "not a record").await;

    let newer = tempfile::tempdir().unwrap();
    record(newer.path(), &["a"], 0, 10).await;
    execute(
        newer.path(),
        "PRAGMA user_version = 99; CREATE TABLE of_tomorrow (x)",
    )
    .await;
    expect_untouched(newer.path(), "layout 99").await;
}

#[tokio::test]
async fn a_damaged_file_is_refused_and_stays_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), &["a", "b"], 0, 2000).await;
    let path = dir.path().join("record.sqlite");
    let mut bytes = std::fs::read(&path).unwrap();
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 4096].fill(0xAA);
    std::fs::write(&path, &bytes).unwrap();
    let refused = Store::open(dir.path()).await.unwrap_err();
    assert!(matches!(refused, OpenError::Damaged { .. }), "{refused}");
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
}

#[tokio::test]
async fn an_outside_reader_that_stays_open_does_not_stop_recording() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    recorder
        .samples(vec![sample(a, second(0), 1.0)])
        .await
        .unwrap();
    recorder.flush().await.unwrap();
    let reader = store.read().clone();
    for s in 1..200 {
        recorder
            .samples(vec![sample(a, second(s), 1.0)])
            .await
            .unwrap();
        // Reads that are dropped half-way, as a web client's are when it goes away.
        let read = reader.clone();
        let reading = tokio::spawn(async move {
            read.samples((second(0), second(500)), None, None, 10_000)
                .await
        });
        if s % 3 == 0 {
            reading.abort();
        }
    }
    recorder.flush().await.unwrap();
    assert_eq!(all(&reader).await.len(), 200);
    recorder.end(second(200)).await.unwrap();
    task.await.unwrap();
    assert_eq!(
        reader.size().log,
        0,
        "an orderly end folds the log into the file"
    );
}

#[tokio::test]
async fn events_are_paged_newest_first() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let (recorder, _task) = Recorder::start(&store, session, OPTIONS);
    for s in 0..5 {
        recorder
            .event(Event {
                at: second(s),
                severity: Severity::Info,
                kind: "note".into(),
                subject: "bench".into(),
                text: format!("number {s}"),
            })
            .await
            .unwrap();
    }
    recorder.flush().await.unwrap();
    let first = store.read().events(None, 3).await.unwrap();
    let rest = store.read().events(Some(first[2].id), 3).await.unwrap();
    let texts: Vec<_> = first
        .iter()
        .chain(&rest)
        .map(|event| event.text.as_str())
        .collect();
    assert_eq!(
        texts,
        ["number 4", "number 3", "number 2", "number 1", "number 0"]
    );
}

#[tokio::test]
async fn views_say_true_utc_names_units_and_words() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    recorder.clock(second(0), 0, "start").await.unwrap();
    recorder
        .samples(vec![sample(a, second(1), 1.5)])
        .await
        .unwrap();
    // The board learns that it began an hour and 1 µs behind, and that the axis is 2 s ahead from then on.
    recorder
        .clock(second(0), -3_600_000_001, "learned")
        .await
        .unwrap();
    recorder.clock(second(10), 2_000_000, "step").await.unwrap();
    let doubtful = Sample {
        quality: Quality::LATE | Quality::SIMULATED,
        ..sample(a, second(11), -0.0)
    };
    recorder.samples(vec![doubtful]).await.unwrap();
    let miss = Miss {
        ticks: 1,
        cause: Cause::Timeout,
        detail: "no answer within 300 ms".into(),
    };
    recorder.missed(vec![a], second(12), miss).await.unwrap();
    recorder.end(second(13)).await.unwrap();
    task.await.unwrap();
    assert_eq!(
        store.read().clock().await.unwrap(),
        [(second(0), -3_600_000_001), (second(10), 2_000_000)]
    );

    let options = SqliteConnectOptions::new().filename(dir.path().join("record.sqlite"));
    let mut connection = options.connect().await.unwrap();
    let said: Vec<String> = sqlx::query_scalar(
        "SELECT concat_ws('|', utc, channel, value, unit, quality, code) FROM reading
         UNION ALL SELECT concat_ws('|', utc_from, utc_to, channel, cause, missed, detail) FROM outage",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    connection.close().await.unwrap();
    // second(0) is 2023-11-14T22:13:20Z.
    assert_eq!(
        said,
        [
            "2023-11-14T23:13:21.000001Z|a|1.5|m/s|simulated|1234",
            "2023-11-14T22:13:29.000000Z|a|0.0|m/s|late simulated|1234",
            "2023-11-14T22:13:30.000000Z|a|timeout|1|no answer within 300 ms",
        ]
    );
}

#[tokio::test]
async fn a_name_keeps_its_quantity_and_a_new_mapping_is_a_new_version() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), &["a"], 0, 10).await;
    let store = Store::open(dir.path()).await.unwrap();
    let mut start = common::start(&["a"], second(20));
    start.config_hash = "def".into();
    start.channels[0].mapping = "4-20 mA to 0-20 m/s".into();
    store.begin(&start).await.unwrap();
    let mappings = store.read().mappings().await.unwrap();
    let told: Vec<_> = mappings
        .iter()
        .map(|row| (row.version, row.since, row.config.as_str()))
        .collect();
    assert_eq!(told, [(1, second(0), "abc"), (2, second(20), "def")]);
    assert_eq!(store.read().revisions().await.unwrap().len(), 2);

    start.channels[0].quantity = zonda_model::Quantity::Temperature;
    let refused = store.begin(&start).await.unwrap_err().to_string();
    assert!(
        refused.contains("recorded as velocity and cannot become temperature"),
        "{refused}"
    );
    start = common::start(&["a", "a"], second(20));
    let refused = store.begin(&start).await.unwrap_err().to_string();
    assert!(refused.contains("names the channel a twice"), "{refused}");
    start = common::start(&["a"], second(5));
    let refused = store.begin(&start).await.unwrap_err().to_string();
    assert!(
        refused.contains("the axis must go on after that"),
        "{refused}"
    );
}

#[tokio::test]
async fn nobody_else_writes_while_a_session_is_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let again = store
        .begin(&common::start(&["a"], second(1)))
        .await
        .unwrap_err();
    assert!(
        again.to_string().contains("end that session first"),
        "{again}"
    );
    // Dropping the store does not give the record away while its recorder works.
    drop(store);
    assert!(matches!(
        Store::open(dir.path()).await,
        Err(OpenError::Taken { .. })
    ));
    recorder.end(second(2)).await.unwrap();
    task.await.unwrap();
    assert!(
        recorder.flush().await.is_err(),
        "whoever comes late is told"
    );
    Store::open(dir.path()).await.unwrap();
}

#[tokio::test]
async fn every_code_comes_back_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let codes = [
        Code::Count(0),
        Code::Count(i64::MAX),
        Code::Count(i64::from(u32::MAX)),
        Code::Number(5.0), // a whole number of a text line is no count
        Code::Number(0.1),
        Code::Number(f64::MIN_POSITIVE),
        Code::Number(f64::MAX),
    ];
    let handed: Vec<_> = (0..)
        .zip(codes)
        .map(|(s, code)| Sample {
            code: Some(code),
            ..sample(a, second(s), 0.1 + 0.2)
        })
        .collect();
    recorder.samples(handed.clone()).await.unwrap();
    // One that comes late keeps its own time.
    let late = sample(a, second(-500), 7.0);
    recorder.samples(vec![late]).await.unwrap();
    recorder.end(second(10)).await.unwrap();
    task.await.unwrap();
    let stored = all(store.read()).await;
    assert_eq!((stored[0], &stored[1..]), (late, &handed[..]));
    assert_eq!(
        store.read().latest(&[a], second(0)).await.unwrap(),
        handed[6..]
    );
}
