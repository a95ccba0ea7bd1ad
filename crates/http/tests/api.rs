//! The API: what it says, what it refuses, and that its description is true.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

mod bench;

use std::collections::BTreeSet;

use axum::http::{Method, Request, StatusCode, header};
use bench::{Bench, ask, body, until};
use serde_json::{Value, json};
use zonda_lines::{LineHealth, LineState};
use zonda_model::{Cause, Miss};
use zonda_store::{Event, Severity};

#[tokio::test]
async fn the_station_and_its_channels_say_what_they_are() {
    let bench = Bench::new().await;
    bench.record(10).await;
    let station = bench.json("/api/v1/station").await;
    assert_eq!(
        (&station["name"], &station["simulated"]),
        (&"Curing oven 3".into(), &true.into())
    );
    assert_eq!(
        (&station["channels"], &station["recording"]["samples"]),
        (&4.into(), &40.into())
    );
    assert!(station["size"]["record"].as_u64().unwrap() > 0);
    let channels = bench.json("/api/v1/channels").await;
    let expected = json!({
        "name": "Z1.velocity", "quantity": "velocity", "unit": "ft/min", "si_unit": "m/s", "period_ms": 100.0,
        "line": "oven", "source": "A", "simulated": true, "resolution": channels["channels"][0]["resolution"],
        "basis": "basis not stated", "law": null,
    });
    assert_eq!(channels["channels"][0], expected);
}

#[tokio::test]
async fn the_instruments_say_what_stands_in_the_configuration() {
    let more = r#"
[envelope.hot-probe]
velocity = ["0-100 °C: 0.2-50 m/s", "100-200 °C: 0.4-50 m/s"]
temperature = "0-500 °C"

[certificate.K-1]
number = "K-1/26"
laboratory = "accredited laboratory 12"
date = "2020-03-02"
due = "2021-03-02"
quantity = "velocity"
range = "0-4000 ft/min"
points = ["100: 98 ± 4", "2000: 1975 ± 36"]

[meter.Z3]
serial = "M-1"
probe_number = "23"
probe = { number = "24", envelope = "hot-probe", cable_limit = "392 °F" }
certificates = ["K-1"]
velocity = { input = "A.1", signal = "0-10 V", range = "0-4000 ft/min", margin = "10 mV" }
temperature = { input = "A.2", signal = "0-10 V", range = "0-500 °C", margin = "10 mV" }
"#;
    let (head, _) = bench::CONFIG.split_once("[meter.Z1]").unwrap();
    let bench = Bench::of(bench::checked(&format!("{head}{more}"))).await;
    let told = bench.json("/api/v1/meters").await;
    let meter = &told["meters"][0];
    assert_eq!(
        (&meter["name"], &meter["serial"]),
        (&"Z3".into(), &"M-1".into())
    );
    assert_eq!(meter["wrong_probe"], true, "23 is not 24");
    // 392 °F are 200 °C by the definition of the scales.
    let limit = meter["probe"]["cable_limit"].as_f64().unwrap();
    assert!((limit - 200.0).abs() < 1e-9, "{limit}");
    assert_eq!(meter["probe"]["envelope"], "hot-probe");
    let output = json!({"channel": "Z3.velocity", "quantity": "velocity", "way": "analog", "certificate": "K-1", "can_be_loop_checked": true});
    assert_eq!(meter["outputs"][0], output);
    assert_eq!(meter["outputs"][1]["certificate"], Value::Null);
    let band = json!({"from": 100.0, "to": 200.0, "velocity_min": 0.4, "velocity_max": 50.0});
    assert_eq!(told["envelopes"][0]["bands"][1], band);
    assert_eq!(
        told["envelopes"][0]["temperature"],
        json!({"from": 0.0, "to": 500.0})
    );
    let paper = &told["certificates"][0];
    assert_eq!(
        (&paper["number"], &paper["standing"]),
        (&"K-1/26".into(), &"overdue".into())
    );
    assert_eq!(
        (&paper["unit"], &paper["range"]["to"]),
        (&"ft/min".into(), &4000.0.into())
    );
    assert_eq!(
        paper["points"][1],
        json!({"reference": 2000.0, "reading": 1975.0, "uncertainty": 36.0, "k": 2.0})
    );
}

#[tokio::test]
async fn a_live_number_comes_with_unit_quality_and_time() {
    let bench = Bench::new().await;
    bench.show(vec![bench.sample(0, 20.32)]);
    let si = bench.json("/api/v1/live").await["channels"][0].clone();
    assert_eq!(
        (&si["value"], &si["unit"], &si["quality"]),
        (&20.32.into(), &"m/s".into(), &"simulated".into())
    );
    let at: jiff::Timestamp = si["at"].as_str().unwrap().parse().unwrap();
    assert!(jiff::Timestamp::now().duration_since(at).as_secs() < 60);
    assert_eq!(
        (&si["means"][0]["over_s"], &si["means"][0]["count"]),
        (&1.0.into(), &1.into())
    );
    let configured = bench.json("/api/v1/live?units=configured").await["channels"][0].clone();
    assert_eq!(configured["unit"], "ft/min");
    assert!((configured["value"].as_f64().unwrap() - 4000.0).abs() < 1e-9);
    let detail = bench.json("/api/v1/channels/Z1.velocity").await;
    assert_eq!(
        (&detail["channel"]["name"], &detail["live"]["value"]),
        (&"Z1.velocity".into(), &20.32.into())
    );
}

#[tokio::test]
async fn events_are_paged_from_the_newest() {
    let bench = Bench::new().await;
    for number in 0..5 {
        let event = Event {
            at: bench.view.axis.now(),
            severity: Severity::Warning,
            kind: "door_open".to_owned(),
            subject: "oven".to_owned(),
            text: format!("number {number}"),
        };
        bench.recorder.event(event).await.unwrap();
    }
    bench.recorder.flush().await.unwrap();
    let mut texts = Vec::new();
    let mut path = "/api/v1/events?limit=2".to_owned();
    loop {
        let page = bench.json(&path).await;
        texts.extend(
            page["events"]
                .as_array()
                .unwrap()
                .iter()
                .map(|event| event["text"].clone()),
        );
        match page["next"].as_i64() {
            Some(next) => path = format!("/api/v1/events?limit=2&before={next}"),
            None => break,
        }
    }
    assert_eq!(
        texts,
        ["number 4", "number 3", "number 2", "number 1", "number 0"]
    );
}

#[tokio::test]
async fn gaps_tell_cause_and_count_and_are_paged() {
    let bench = Bench::new().await;
    bench.record(3).await;
    for _ in 0..2 {
        for id in &bench.ids {
            let miss = Miss {
                cause: Cause::BadFrame,
                ticks: 2,
                detail: "checksum".to_owned(),
            };
            bench
                .recorder
                .missed(vec![*id], bench.view.axis.now(), miss)
                .await
                .unwrap();
        }
    }
    bench.recorder.flush().await.unwrap();
    let all = bench.json("/api/v1/gaps").await;
    let gaps = all["gaps"].as_array().unwrap();
    assert_eq!((gaps.len(), &all["next"]), (4, &Value::Null));
    assert_eq!(
        (&gaps[0]["cause"], &gaps[0]["missed"], &gaps[0]["to"]),
        (&"bad_frame".into(), &4.into(), &Value::Null)
    );
    let first = bench.json("/api/v1/gaps?limit=3").await;
    let rest = bench
        .json(&format!(
            "/api/v1/gaps?limit=3&after={}",
            first["next"].as_str().unwrap()
        ))
        .await;
    assert_eq!(
        (
            first["gaps"].as_array().unwrap().len(),
            rest["gaps"].as_array().unwrap().len()
        ),
        (3, 1)
    );
    let one = bench.json("/api/v1/gaps?ch=Z2.velocity").await;
    assert_eq!(one["gaps"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn lines_say_how_they_do() {
    let bench = Bench::new().await;
    let health = LineHealth {
        state: LineState::Partly,
        ticks: 7,
        retries: 2,
        ..LineHealth::default()
    };
    bench.line.send_replace(health);
    let line = bench.json("/api/v1/lines").await["lines"][0].clone();
    assert_eq!(
        (&line["name"], &line["state"]),
        (&"oven".into(), &"partly".into())
    );
    assert_eq!(
        (&line["ticks"], &line["retries"], &line["missed"]),
        (&7.into(), &2.into(), &json!({}))
    );
}

#[tokio::test]
async fn history_is_what_was_recorded_in_both_forms() {
    let bench = Bench::new().await;
    bench.record(600).await;
    let query = "/api/v1/history?max=1000&ch=Z2.velocity,Z1.temperature";
    let to = bench.view.now().millis() + 1000;
    let query = format!("{query}&from={}&to={to}", to - 700_000);
    let table = bench.json(&format!("{query}&fmt=json")).await;
    assert_eq!((&table["v"], &table["dt"]), (&1.into(), &1000.into()));
    let column = &table["cols"]["Z2.velocity"];
    let means = column["mean"].as_array().unwrap();
    assert_eq!(means.len() as u64, table["n"].as_u64().unwrap());
    let values: Vec<f64> = means.iter().filter_map(Value::as_f64).collect();
    assert_eq!(values.len(), 600);
    for (second, value) in values.iter().enumerate() {
        #[allow(clippy::cast_precision_loss, reason = "small numbers")]
        let recorded = second as f64 / 8.0;
        assert!((value - recorded).abs() < 1e-3, "{value} is not {recorded}");
    }
    let marks = column["q"].as_str().unwrap();
    assert_eq!(
        (marks.matches('0').count(), marks.matches('7').count()),
        (600, means.len() - 600)
    );

    let bytes = body(bench.get(&query).await).await;
    let length = u32::from_le_bytes(bytes[..4].try_into().unwrap()) as usize;
    let head: Value = serde_json::from_slice(&bytes[4..4 + length]).unwrap();
    assert_eq!(head["ch"], json!(["Z2.velocity", "Z1.temperature"]));
    assert_eq!((&head["t0"], &head["n"]), (&table["t0"], &table["n"]));
    let floats: Vec<f32> = bytes[4 + length..]
        .chunks_exact(4)
        .map(|it| f32::from_le_bytes(it.try_into().unwrap()))
        .collect();
    for (cell, float) in means.iter().zip(&floats) {
        assert_eq!(cell.as_f64().is_none(), float.is_nan());
        assert!(
            cell.as_f64()
                .is_none_or(|cell| (cell - f64::from(*float)).abs() < 1e-6)
        );
    }
}

#[tokio::test]
async fn history_gives_at_most_the_buckets_asked_for() {
    let bench = Bench::new().await;
    bench.record(3600).await;
    for max in [2, 10, 100, 720] {
        let table = bench
            .json(&format!("/api/v1/history?fmt=json&max={max}"))
            .await;
        let n = table["n"].as_u64().unwrap();
        assert!(n <= max, "{n} buckets of {max}");
        let hi = table["cols"]["Z1.velocity"]["hi"].as_array().unwrap();
        let highest = hi.iter().filter_map(Value::as_f64).fold(f64::MIN, f64::max);
        assert!(
            (highest - 3599.0 / 8.0).abs() < 1e-2,
            "the peak is in it at any grid: {highest}"
        );
    }
}

#[tokio::test]
async fn an_export_has_as_many_rows_as_the_record_has_samples() {
    let bench = Bench::new().await;
    bench.record(5000).await;
    let response = bench.get("/api/v1/export").await;
    let disposition = response.headers()[header::CONTENT_DISPOSITION]
        .to_str()
        .unwrap();
    assert!(
        disposition.starts_with("attachment; filename=\"zonda_simulated_long_"),
        "{disposition}"
    );
    assert!(disposition.ends_with("_comma.csv\""), "{disposition}");
    assert_eq!(
        response.headers()[header::CONTENT_TYPE],
        "text/csv; charset=utf-8; header=present"
    );
    let text = body(response).await;
    let text = std::str::from_utf8(&text).unwrap();
    let range = (zonda_model::Stamp::default(), bench.view.axis.now());
    let held = bench.store.read().count_samples(range).await.unwrap();
    assert_eq!(
        (i64::try_from(text.lines().count()).unwrap() - 1, held),
        (20_000, 20_000)
    );
    assert!(
        text.lines()
            .skip(1)
            .all(|line| line.contains(",simulated,"))
    );
}

#[tokio::test]
async fn an_export_takes_its_options() {
    let bench = Bench::new().await;
    bench.record(5).await;
    let path = "/api/v1/export?layout=wide&dialect=semicolon&bom=true&units=configured&tz=local&ch=Z1.velocity&step_ms=1000";
    let text = body(bench.get(path).await).await;
    let text = std::str::from_utf8(&text).unwrap();
    let head = "\u{feff}time;time_local;time_offset;elapsed [s];\"Z1.velocity [ft/min, basis not stated]\";Z1.velocity quality\r\n";
    assert!(text.starts_with(head), "{text}");
    for (seconds, rows) in [(u64::MAX, 5), (60, 5), (1, 1)] {
        let path = format!("/api/v1/export?ch=Z1.velocity&last_s={seconds}");
        let text = body(bench.get(&path).await).await;
        let found = text.split(|byte| *byte == b'\n').count() - 2;
        assert!(
            found <= rows && (rows == 1 || found == rows),
            "{found} rows of {seconds} s"
        );
    }
    let gaps = body(bench.get("/api/v1/export?layout=gaps").await).await;
    assert!(gaps.starts_with(b"channel,from,to,cause,missed,detail\r\n"));
}

#[tokio::test]
async fn a_third_export_is_told_to_come_again() {
    let bench = Bench::new().await;
    bench.record(10).await;
    let held = (
        bench.get("/api/v1/export").await,
        bench.get("/api/v1/export").await,
    );
    let (status, detail) = bench.problem("/api/v1/export").await;
    assert_eq!(
        (status, detail.as_str()),
        (503, "2 exports are under way; come again in a moment.")
    );
    drop(held);
    assert_eq!(bench.get("/api/v1/export").await.status(), StatusCode::OK);
}

#[tokio::test]
async fn what_is_wrong_is_said_as_a_problem() {
    let bench = Bench::new().await;
    for (path, status, part) in [
        (
            "/api/v1/history?from=yesterday",
            400,
            "a time such as 2026-11-25T02:10:00Z",
        ),
        (
            "/api/v1/history?from=2000&to=1000",
            400,
            "exchange `from` and `to`",
        ),
        (
            "/api/v1/history?ch=Z9.velocity",
            404,
            "no channel `Z9.velocity`",
        ),
        ("/api/v1/history?fmt=xml", 400, "xml"),
        ("/api/v1/history?points=7", 400, "unknown field `points`"),
        ("/api/v1/channels/Z9", 404, "/api/v1/channels lists them"),
        ("/api/v1/events?limit=0", 400, "between 1 and 1000"),
        ("/api/v1/gaps?after=x", 400, "`next` of the page before"),
        ("/api/v1/export?ch=%3D1", 400, "may not stand in a name"),
        ("/api/v1/export?ch=Z9", 404, "no channel `Z9`"),
        ("/api/v1/export?tz=Mars", 400, "no IANA time zone"),
        ("/api/v1/export?from=0&last_s=60", 400, "leave one out"),
        ("/api/v1/export?last_s=0", 400, "exchange `from` and `to`"),
        (
            "/api/v1/export?step_ms=5",
            400,
            "`step_ms` means nothing to the long layout",
        ),
        (
            "/api/v1/export?layout=gaps&units=us",
            400,
            "there are no values in it",
        ),
        (
            "/api/v1/export?format=parquet&bom=true",
            400,
            "`bom` means nothing to Parquet: it is not text; leave it out.",
        ),
        ("/api/v1/export?format=sqlite", 400, "made of a run"),
        ("/api/v1/export?unit=Z1.velocity", 400, "write the channel"),
        (
            "/api/v1/export?unit=Z1.velocity=Pa",
            400,
            "cannot be written in Pa",
        ),
        (
            "/api/v1/export?layout=wide&step_ms=0",
            400,
            "between 1 ms and 1 day",
        ),
        ("/api/v1/nothing", 404, "/openapi.json lists what there is"),
        ("/../Cargo.toml", 404, "nothing at"),
    ] {
        let (found, detail) = bench.problem(path).await;
        assert_eq!(found, status, "{path}: {detail}");
        assert!(detail.contains(part), "{path}: {detail}");
    }
    let post = Request::post("/api/v1/live").header(header::CONTENT_TYPE, "application/json");
    let response = ask(bench.app.router(), post).await;
    assert_eq!(response.status(), StatusCode::METHOD_NOT_ALLOWED);
    assert_eq!(
        response.headers()[header::CONTENT_TYPE],
        "application/problem+json"
    );
}

#[tokio::test]
async fn nobody_changes_anything_from_another_sites_page() {
    let bench = Bench::new().await;
    let post = || Request::post("/api/v1/live").header(header::CONTENT_TYPE, "application/json");
    let text = Request::post("/api/v1/live").header(header::CONTENT_TYPE, "text/plain");
    for (request, status) in [
        (
            post().header(header::ORIGIN, "http://evil.example"),
            StatusCode::FORBIDDEN,
        ),
        (
            post().header("sec-fetch-site", "cross-site"),
            StatusCode::FORBIDDEN,
        ),
        (text, StatusCode::UNSUPPORTED_MEDIA_TYPE),
        // Through to where there is nothing to be changed.
        (
            post().header(header::ORIGIN, "http://localhost"),
            StatusCode::METHOD_NOT_ALLOWED,
        ),
    ] {
        let said = format!("{request:?}");
        assert_eq!(
            ask(bench.app.router(), request).await.status(),
            status,
            "{said}"
        );
    }
}

#[tokio::test]
async fn only_those_who_call_us_by_our_name_are_answered() {
    let bench = Bench::new().await;
    let status = async |host: &str| {
        let request = Request::get("/api/v1/live").header(header::HOST, host);
        ask(bench.app.router(), request).await.status()
    };
    for ours in [
        "127.0.0.1:7360",
        "localhost",
        "[::1]:7360",
        "oven3.lab.example",
    ] {
        assert_eq!(status(ours).await, StatusCode::OK, "{ours}");
    }
    for other in ["rebound.example", "127.0.0.1.rebound.example", "[::2]", ""] {
        assert_eq!(
            status(other).await,
            StatusCode::MISDIRECTED_REQUEST,
            "{other}"
        );
    }
    let absolute =
        Request::get("http://rebound.example/api/v1/live").header(header::HOST, "localhost");
    assert_eq!(
        ask(bench.app.router(), absolute).await.status(),
        StatusCode::MISDIRECTED_REQUEST
    );
}

#[tokio::test]
async fn every_answer_has_its_headers() {
    let bench = Bench::new().await;
    for path in [
        "/",
        "/api/v1/live",
        "/api/v1/nothing",
        "/api/v1/live/stream",
        "/metrics",
    ] {
        let response = bench.get(path).await;
        let headers = response.headers();
        assert!(
            headers[header::CONTENT_SECURITY_POLICY]
                .to_str()
                .unwrap()
                .starts_with("default-src 'self';"),
            "{path}"
        );
        assert_eq!(headers[header::X_CONTENT_TYPE_OPTIONS], "nosniff", "{path}");
        assert!(headers.contains_key(header::CACHE_CONTROL), "{path}");
    }
    let stranger = Request::get("/").header(header::HOST, "rebound.example");
    let response = ask(bench.app.router(), stranger).await;
    assert!(
        response
            .headers()
            .contains_key(header::CONTENT_SECURITY_POLICY)
    );
}

#[tokio::test]
async fn long_answers_are_compressed_and_the_stream_is_not() {
    let bench = Bench::new().await;
    bench.record(600).await;
    for (path, coding) in [
        ("/api/v1/history", Some("gzip")),
        ("/api/v1/live", Some("gzip")),
        ("/api/v1/live/stream", None),
    ] {
        let request = Request::get(path).header(header::ACCEPT_ENCODING, "gzip");
        let response = ask(bench.app.router(), request).await;
        let found = response
            .headers()
            .get(header::CONTENT_ENCODING)
            .map(|coding| coding.to_str().unwrap());
        assert_eq!(found, coding, "{path}");
    }
}

#[tokio::test]
async fn readiness_turns_when_recording_or_a_line_ends() {
    let bench = Bench::new().await;
    assert_eq!(
        bench.json("/readyz").await,
        json!({ "ready": true, "reasons": [] })
    );
    assert_eq!(bench.get("/healthz").await.status(), StatusCode::OK);
    bench.line.send_replace(LineHealth {
        state: LineState::Stopped,
        ..LineHealth::default()
    });
    let reasons = not_ready(&bench).await;
    assert_eq!(reasons, json!(["the task of line oven has ended"]));
    bench.line.send_replace(LineHealth {
        state: LineState::Silent,
        ..LineHealth::default()
    });
    assert_eq!(
        bench.json("/readyz").await["ready"],
        true,
        "a silent device is recorded as gaps"
    );
    bench.recorder.end(bench.view.axis.now()).await.unwrap();
    until("the end of the recorder shows", async || {
        bench.get("/readyz").await.status() != StatusCode::OK
    })
    .await;
    assert_eq!(not_ready(&bench).await, json!(["the recorder has ended"]));
    assert_eq!(bench.get("/healthz").await.status(), StatusCode::OK);
}

#[tokio::test]
async fn readiness_turns_when_a_lines_task_dies() {
    let mut bench = Bench::new().await;
    bench.line = tokio::sync::watch::channel(LineHealth::default()).0;
    assert_eq!(
        not_ready(&bench).await,
        json!(["the task of line oven has ended"])
    );
}

async fn not_ready(bench: &Bench) -> Value {
    let response = bench.get("/readyz").await;
    assert_eq!(response.status(), StatusCode::SERVICE_UNAVAILABLE);
    serde_json::from_slice::<Value>(&body(response).await).unwrap()["reasons"].clone()
}

/// OpenMetrics 1.0: counters end in `_total`, units in names, `# EOF` ends the exposition.
#[tokio::test]
async fn metrics_are_open_metrics() {
    let bench = Bench::new().await;
    bench.record(10).await;
    let response = bench.get("/metrics").await;
    let kind = response.headers()[header::CONTENT_TYPE]
        .to_str()
        .unwrap()
        .to_owned();
    assert!(
        kind.starts_with("application/openmetrics-text; version=1.0.0"),
        "{kind}"
    );
    let text = String::from_utf8(body(response).await.to_vec()).unwrap();
    assert!(text.ends_with("# EOF\n"));
    for line in [
        "zonda_samples_total 40",
        "zonda_recording_ok 1",
        "zonda_line_state{line=\"oven\",state=\"waiting\"} 1",
        "zonda_line_missed_ticks_total{line=\"oven\",cause=\"timeout\"} 0",
    ] {
        assert!(
            text.lines().any(|found| found == line),
            "{line} is not in\n{text}"
        );
    }
    assert!(text.contains("zonda_disk_free_bytes "), "{text}");
}

#[tokio::test]
async fn every_route_is_described_and_every_described_route_exists() {
    let bench = Bench::new().await;
    let description = bench.json("/openapi.json").await;
    assert!(description["openapi"].as_str().unwrap().starts_with("3.1"));
    let paths = description["paths"].as_object().unwrap();
    let described: BTreeSet<_> = paths.keys().map(String::as_str).collect();
    let routes = BTreeSet::from([
        "/api/v1/station",
        "/api/v1/session",
        "/api/v1/configuration",
        "/api/v1/templates",
        "/api/v1/channels",
        "/api/v1/channels/{name}",
        "/api/v1/live",
        "/api/v1/live/stream",
        "/api/v1/history",
        "/api/v1/export",
        "/api/v1/events",
        "/api/v1/gaps",
        "/api/v1/lines",
        "/api/v1/meters",
        "/api/v1/layouts",
        "/api/v1/prestart",
        "/api/v1/agreement",
        "/api/v1/loopchecks",
        "/api/v1/loopchecks/{channel}",
        "/api/v1/loopchecks/{channel}/points",
        "/api/v1/loopchecks/{channel}/end",
        "/api/v1/corrections",
        "/api/v1/corrections/{id}/undo",
        "/api/v1/runs",
        "/api/v1/runs/{id}",
        "/api/v1/runs/{id}/stop",
        "/api/v1/runs/{id}/traverse",
        "/api/v1/runs/{id}/traverse/confirm",
        "/api/v1/runs/{id}/traverse/end",
        "/api/v1/runs/{id}/export",
        "/api/v1/runs/{id}/report",
        "/api/v1/runs/{id}/notes",
        "/api/v1/runs/{id}/evaluations",
        "/api/v1/runs/{id}/evaluations/{evaluation}/cancel",
        "/healthz",
        "/readyz",
        "/metrics",
    ]);
    assert_eq!(
        described, routes,
        "a route that the API promises is not described, or the other way round"
    );
    for (path, methods) in paths {
        let address = path
            .replace("{name}", "Z1.velocity")
            .replace("{channel}", "Z1.velocity")
            .replace("{id}", "1")
            .replace("{evaluation}", "1");
        for (method, operation) in methods.as_object().unwrap() {
            let method: Method = method.to_uppercase().parse().unwrap();
            let response = ask(
                bench.app.router(),
                Request::builder()
                    .method(method)
                    .uri(&address)
                    .header("content-type", "application/json"),
            )
            .await;
            let status = response.status().as_u16().to_string();
            assert!(
                operation["responses"].get(&status).is_some(),
                "{path} answers {status}, which is not described"
            );
            assert!(
                operation["summary"]
                    .as_str()
                    .is_some_and(|it| !it.is_empty()),
                "{path} has no summary"
            );
        }
    }
    for reference in references(&description) {
        let name = reference.strip_prefix("#/components/schemas/").unwrap();
        assert!(
            description["components"]["schemas"].get(name).is_some(),
            "{name} is not described"
        );
    }
}

fn references(value: &Value) -> Vec<String> {
    match value {
        Value::Object(map) => {
            let own = map.get("$ref").and_then(Value::as_str).map(str::to_owned);
            own.into_iter()
                .chain(map.values().flat_map(references))
                .collect()
        }
        Value::Array(list) => list.iter().flat_map(references).collect(),
        _ => Vec::new(),
    }
}

#[tokio::test]
async fn the_file_on_the_disk_is_compared_with_what_is_in_force() {
    let mut bench = Bench::new().await;
    let file = bench.view.config.station.data.join("oven.toml");
    std::fs::write(&file, bench::CONFIG).unwrap();
    bench.look_at(file.clone());
    let told = bench.json("/api/v1/configuration").await;
    assert_eq!(told["standing"], "same", "{told}");
    assert_eq!(told["in_force"], bench.view.config.revision.hash);

    std::fs::write(&file, bench::CONFIG.replace("oven 3", "oven 4")).unwrap();
    assert_eq!(
        bench.json("/api/v1/configuration").await["standing"],
        "changed"
    );
    std::fs::write(&file, bench::CONFIG.replace("A.1", "A.9")).unwrap();
    let told = bench.json("/api/v1/configuration").await;
    assert_eq!(told["standing"], "wrong");
    let mistake = &told["mistakes"][0];
    assert!(mistake["what"].as_str().unwrap().contains('A'), "{told}");
    assert!(mistake["line"].as_u64().unwrap() > 1);
    std::fs::remove_file(&file).unwrap();
    assert_eq!(
        bench.json("/api/v1/configuration").await["standing"],
        "gone"
    );
}
