//! The live stream keeps its contract: `hello` first, frames that lose no peak, resume, farewell.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::time::Duration;

use axum::http::StatusCode;
use bench::{Bench, until};
use zonda_model::Cause;
use zonda_station::board::Missing;

#[tokio::test]
async fn hello_comes_first_and_says_what_a_page_needs() {
    let bench = Bench::new().await;
    bench.show(vec![bench.sample(1, 180.5)]);
    let hello = bench.events("").await.next().await.unwrap();
    assert_eq!((hello.name.as_str(), hello.id), ("hello", None));
    let data = hello.data;
    let fields = [
        "v", "boot", "build", "now", "tz", "site", "title", "cfg", "fps", "stale_ms", "quality",
        "channels", "last", "plan", "why", "alarms", "run", "runs", "health", "resumed",
    ];
    for field in fields {
        assert!(data.get(field).is_some(), "hello lacks {field}");
    }
    assert_eq!(
        (&data["v"], &data["site"], &data["tz"]),
        (&1.into(), &"Curing oven 3".into(), &"Europe/Berlin".into())
    );
    assert_eq!(
        data["quality"],
        serde_json::json!([
            "ok", "suspect", "under", "over", "fault", "stale", "off", "none"
        ])
    );
    assert_eq!(data["cfg"], bench.view.config.revision.hash);
    let channel = &data["channels"][0];
    assert_eq!(
        (&channel["id"], &channel["point"]),
        (&"Z1.velocity".into(), &"Z1".into())
    );
    assert_eq!(
        (&channel["kind"], &channel["simulated"]),
        (&"velocity".into(), &true.into())
    );
    assert_eq!(
        (&channel["unit"], &channel["si_unit"]),
        (&"ft/min".into(), &"m/s".into())
    );
    // 4000 ft/min are 20.32 m/s (a foot is 0.3048 m), so one is 196.85… of the other.
    let shown = channel["scale"].as_f64().unwrap() * 20.32 + channel["zero"].as_f64().unwrap();
    assert!((shown - 4000.0).abs() < 1e-9, "{shown}");
    assert_eq!(
        (&data["last"][0], &data["last"][1][1]),
        (&serde_json::Value::Null, &180.5.into())
    );
    assert_eq!(
        (&data["resumed"], &data["health"]["recording"]),
        (&false.into(), &true.into())
    );
}

#[tokio::test]
async fn frames_tell_every_sample_and_lose_no_peak() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    events.next_named("frame").await;
    let values: Vec<f64> = (0..500)
        .map(|k| if k == 123 { 99.0 } else { f64::from(k % 7) })
        .collect();
    for value in &values {
        bench.show(vec![bench.sample(0, *value), bench.sample(2, -*value)]);
        tokio::task::yield_now().await;
    }
    let (mut n, mut sum, mut hi, mut lo) = (0, 0.0, f64::MIN, f64::MAX);
    while n < values.len() as u64 {
        let frame = events.next_named("frame").await.data;
        let count = frame["n"][0].as_u64().unwrap();
        if count > 0 {
            n += count;
            #[allow(clippy::cast_precision_loss, reason = "a small count")]
            let weight = count as f64;
            sum += frame["mean"][0].as_f64().unwrap() * weight;
            hi = hi.max(frame["hi"][0].as_f64().unwrap());
            lo = lo.min(frame["lo"][2].as_f64().unwrap());
            assert_eq!(&frame["q"].as_str().unwrap()[..1], "0");
        }
        assert_eq!(frame["mean"][1], serde_json::Value::Null);
        assert_eq!(
            &frame["q"].as_str().unwrap()[1..2],
            "7",
            "nothing has come of this channel yet"
        );
    }
    assert_eq!((n, hi, lo), (500, 99.0, -99.0));
    assert!((sum - values.iter().sum::<f64>()).abs() < 1e-3);
}

#[tokio::test]
async fn frames_go_out_even_when_nothing_changes() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    let first = events.next_named("frame").await.data["t"].as_i64().unwrap();
    let mut last = first;
    for _ in 0..3 {
        let frame = events.next_named("frame").await.data;
        let t = frame["t"].as_i64().unwrap();
        assert_eq!(
            t - last,
            frame["dt"].as_i64().unwrap(),
            "a frame begins where the last ended"
        );
        last = t;
    }
    assert!(
        (400..3000).contains(&(last - first)),
        "three frames in {} ms",
        last - first
    );
}

#[tokio::test]
async fn a_reader_who_was_away_gets_every_event_it_missed() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    let seen = events.next_named("frame").await.id.unwrap();
    drop(events);
    let number = |id: &str| id.rsplit_once(':').unwrap().1.parse::<u64>().unwrap();
    let mut present = bench.events("").await;
    while number(&present.next_named("frame").await.id.unwrap()) < number(&seen) + 3 {}
    let mut back = bench
        .events(&format!("?after={}", seen.replace(':', "%3A")))
        .await;
    assert_eq!(back.next().await.unwrap().data["resumed"], true);
    for missed in 1..=4 {
        assert_eq!(
            number(&back.next().await.unwrap().id.unwrap()),
            number(&seen) + missed
        );
    }
}

#[tokio::test]
async fn a_reader_of_another_start_begins_anew() {
    let bench = Bench::new().await;
    for id in ["s0:1", "nonsense", "s1:999999"] {
        let mut events = bench.events(&format!("?after={id}")).await;
        assert_eq!(events.next().await.unwrap().data["resumed"], false, "{id}");
        events.next_named("frame").await;
    }
}

#[tokio::test]
async fn why_is_told_when_it_changes_and_in_hello() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    assert_eq!(
        events.next().await.unwrap().data["why"],
        serde_json::json!({})
    );
    let missing = Missing {
        since: bench.view.axis.now(),
        cause: Cause::Unplugged,
        detail: "the port is gone".to_owned(),
    };
    bench.view.board.note_missing(&[3], &missing);
    let expected = serde_json::json!({ "Z2.temperature": "unplugged: the port is gone" });
    assert_eq!(events.next_named("why").await.data, expected);
    assert_eq!(
        bench.events("").await.next().await.unwrap().data["why"],
        expected
    );
    bench.show(vec![bench.sample(3, 20.0)]);
    assert_eq!(events.next_named("why").await.data, serde_json::json!({}));
}

#[tokio::test]
async fn an_orderly_end_is_told() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    events.next_named("frame").await;
    bench.stop.cancel();
    events.next_named("bye").await;
    assert!(events.next().await.is_none(), "nothing after bye");
}

#[tokio::test]
async fn a_recorder_that_ends_is_told() {
    let bench = Bench::new().await;
    let mut events = bench.events("").await;
    assert_eq!(
        events.next().await.unwrap().data["health"]["recording"],
        true
    );
    bench.recorder.end(bench.view.axis.now()).await.unwrap();
    loop {
        let health = events.next_named("health").await.data;
        if health["recording"] == false {
            assert_eq!(health["trouble"], "the recorder has ended");
            return;
        }
    }
}

#[tokio::test]
async fn one_reader_too_many_is_refused_until_one_leaves() {
    let bench = Bench::new().await;
    let mut readers = Vec::new();
    for _ in 0..16 {
        readers.push(bench.events("").await);
    }
    let (status, detail) = bench.problem("/api/v1/live/stream").await;
    assert_eq!(status, 503);
    assert!(detail.contains("16 pages"), "{detail}");
    readers.pop();
    until("a reader that left makes room", async || {
        bench.get("/api/v1/live/stream").await.status() == StatusCode::OK
    })
    .await;
}

/// The ring's bound seen from outside: a reader that takes nothing costs the others nothing, and a
/// flood of samples is still five frames a second.
#[tokio::test]
async fn a_flood_of_samples_is_five_frames_a_second() {
    let bench = Bench::new().await;
    let idle = bench.events("").await;
    let mut events = bench.events("").await;
    events.next_named("frame").await;
    let begin = std::time::Instant::now();
    let mut frames = 0;
    while begin.elapsed() < Duration::from_secs(2) {
        for _ in 0..100 {
            bench.show(vec![bench.sample(0, 1.0); 10]);
        }
        events.next_named("frame").await;
        frames += 1;
    }
    assert!((5..=12).contains(&frames), "{frames} frames in two seconds");
    drop(idle);
}
