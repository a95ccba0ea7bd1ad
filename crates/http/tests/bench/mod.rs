//! A station without devices: a real record, board and feed, and a hand that plays the desk.

#![allow(
    unreachable_pub,
    dead_code,
    clippy::unwrap_used,
    reason = "each test uses its part, and says by panicking"
)]

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::http::{Request, StatusCode, header};
use axum::response::Response;
use futures::StreamExt;
use serde_json::Value;
use tokio::sync::{broadcast, watch};
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;
use zonda_config::Config;
use zonda_http::{App, LineView, View};
use zonda_lines::{Axis, LineHealth, SystemClocks};
use zonda_model::{Code, Period, Quality, Sample, Stamp};
use zonda_station::board::Board;
use zonda_station::loopcheck::LoopChecks;
use zonda_station::runs::Runs;
use zonda_store::{ChannelEntry, ChannelId, Recorder, RecorderOptions, Start, Store};

/// Two meters of a curing oven on one simulated line.
pub const CONFIG: &str = r#"
[station]
name = "Curing oven 3"
time_zone = "Europe/Berlin"
data = "data"

[line.oven]
every = "100 ms"
simulated = true
modbus-rtu = { port = "/dev/serial/by-id/usb-rs485-A1", serial = "19200 8E1" }

[module.A]
line = "oven"
unit = 1
registers = "input 0-3"
code = "int16"
count = "1 mV"
timeout = "50 ms"

[meter.Z1]
velocity = { input = "A.1", signal = "0-10 V", range = "0-4000 ft/min", margin = "10 mV" }
temperature = { input = "A.2", signal = "0-10 V", range = "0-500 °C", margin = "10 mV" }

[meter.Z2]
velocity = { input = "A.3", signal = "0-10 V", range = "0-20 m/s", margin = "10 mV" }
temperature = { input = "A.4", signal = "0-10 V", range = "0-500 °C", margin = "10 mV" }
"#;

pub struct Bench {
    _dir: tempfile::TempDir,
    pub store: Store,
    pub recorder: Recorder,
    pub ids: Vec<ChannelId>,
    pub view: View,
    pub line: watch::Sender<LineHealth>,
    pub stop: CancellationToken,
    pub app: App,
}

impl Bench {
    pub async fn new() -> Self {
        Self::of(config()).await
    }

    /// Of a configuration with one line.
    pub async fn of(mut config: Config) -> Self {
        let dir = tempfile::tempdir().unwrap();
        config.station.data = dir.path().to_owned();
        let store = Store::open(dir.path()).await.unwrap();
        let axis = Axis::new(SystemClocks, None);
        let session = store
            .begin(&start(&config, axis.now().minus(Duration::from_hours(24))))
            .await
            .unwrap();
        let (ids, boot) = (session.channels.clone(), format!("s{}", session.id));
        let options = RecorderOptions {
            commit_every: Duration::from_millis(20),
            memory_samples: 1_000_000,
        };
        let (recorder, _) = Recorder::start(&store, session, options);
        let (line, health) = watch::channel(LineHealth::default());
        let period = Period::new(Duration::from_millis(100)).unwrap();
        let config = Arc::new(config);
        let checks = LoopChecks::new(Arc::clone(&config), axis.clone(), ids.clone());
        let runs = Runs::of(
            &config,
            axis.clone(),
            store.read().clone(),
            recorder.clone(),
        )
        .await
        .unwrap();
        let view = View {
            file: None,
            runs,
            agreements: Arc::default(),
            loop_checks: Arc::new(checks),
            board: Arc::new(Board::new(vec![period; config.channels.len()])),
            lines: vec![LineView {
                name: config.lines[0].name.clone(),
                health,
            }],
            config,
            axis,
            record: store.read().clone(),
            recorder: recorder.clone(),
            recording: recorder.recording(),
            samples: broadcast::channel(1024).0,
            boot,
            version: "0.0-test".to_owned(),
        };
        let stop = CancellationToken::new();
        let app = App::new(view.clone(), ["oven3.lab.example".to_owned()], stop.clone());
        tokio::spawn(app.feed());
        Self {
            _dir: dir,
            store,
            recorder,
            ids,
            view,
            line,
            stop,
            app,
        }
    }

    /// From now on the configuration is said to come from this file.
    pub fn look_at(&mut self, file: std::path::PathBuf) {
        self.view.file = Some(file);
        let hosts = ["oven3.lab.example".to_owned()];
        self.app = App::new(self.view.clone(), hosts, self.stop.clone());
    }

    /// A sample of now.
    pub fn sample(&self, channel: usize, value: f64) -> Sample<usize> {
        sample(channel, self.view.axis.now(), value)
    }

    /// As the station's desk does it: board and listeners.
    pub fn show(&self, samples: Vec<Sample<usize>>) {
        show(&self.view, samples);
    }

    /// Records a sample every ten seconds of every channel, the last `hours` hours up to now.
    pub async fn record_hours(&self, hours: i64) {
        let now = self.view.axis.now().floor(Period::SECOND);
        let steps = hours * 360;
        for part in 0..hours {
            let steps_of_part = part * 360..(part + 1) * 360;
            #[allow(clippy::cast_precision_loss, reason = "small numbers")]
            let sample = |(step, (index, channel)): (i64, (usize, &ChannelId))| Sample {
                channel: *channel,
                at: Stamp::from_micros(now.micros() - (steps - step) * 10_000_000),
                code: Some(Code::Count(step)),
                value: Some(5.0 + (step as f64 / 300.0 + index as f64).sin()),
                quality: Quality::SIMULATED,
            };
            let all = steps_of_part.flat_map(|step| {
                let channels = self.ids.iter().enumerate();
                channels.map(move |channel| (step, channel))
            });
            let samples = all.map(sample).collect();
            self.recorder.samples(samples).await.unwrap();
        }
        self.recorder.flush().await.unwrap();
    }

    /// Records a sample a second of every channel, the last `seconds` seconds up to now.
    pub async fn record(&self, seconds: i64) {
        let now = self.view.axis.now().floor(Period::SECOND);
        let at = |second: i64| Stamp::from_micros(now.micros() - (seconds - second) * 1_000_000);
        #[allow(clippy::cast_precision_loss, reason = "small numbers")]
        let sample = |(second, channel): (i64, ChannelId)| Sample {
            channel,
            at: at(second),
            code: Some(Code::Count(second)),
            value: Some(second as f64 / 8.0),
            quality: Quality::SIMULATED,
        };
        let all = (0..seconds).flat_map(|second| self.ids.iter().map(move |id| (second, *id)));
        self.recorder
            .samples(all.map(sample).collect())
            .await
            .unwrap();
        self.recorder.flush().await.unwrap();
    }

    pub async fn get(&self, path: &str) -> Response {
        ask(self.app.router(), Request::get(path)).await
    }

    pub async fn json(&self, path: &str) -> Value {
        let response = self.get(path).await;
        assert_eq!(response.status(), StatusCode::OK, "{path}");
        serde_json::from_slice(&body(response).await).unwrap()
    }

    /// Asks for something that is wrong; gives status and sentence.
    pub async fn problem(&self, path: &str) -> (u16, String) {
        let response = self.get(path).await;
        assert_eq!(
            response.headers()[header::CONTENT_TYPE],
            "application/problem+json",
            "{path}"
        );
        let status = response.status().as_u16();
        let problem: Value = serde_json::from_slice(&body(response).await).unwrap();
        assert_eq!(problem["status"], status);
        (status, problem["detail"].as_str().unwrap().to_owned())
    }

    pub async fn events(&self, query: &str) -> Events {
        let response = self.get(&format!("/api/v1/live/stream{query}")).await;
        assert_eq!(response.status(), StatusCode::OK);
        assert_eq!(
            response.headers()[header::CONTENT_TYPE],
            "text/event-stream; charset=utf-8"
        );
        Events {
            body: response.into_body().into_data_stream(),
            text: String::new(),
        }
    }
}

pub fn sample(channel: usize, at: Stamp, value: f64) -> Sample<usize> {
    Sample {
        channel,
        at,
        code: Some(Code::Count(42)),
        value: Some(value),
        quality: Quality::SIMULATED,
    }
}

pub fn show(view: &View, samples: Vec<Sample<usize>>) {
    view.board.note(&samples);
    // Nobody has to listen.
    let _ = view.samples.send(samples.into());
}

pub fn config() -> Config {
    checked(CONFIG)
}

pub fn checked(text: &str) -> Config {
    zonda_config::check("test.toml", text)
        .map_err(|faults| faults.report(false, 100))
        .unwrap()
        .config
}

fn start(config: &Config, at: Stamp) -> Start {
    let entries = config.channels.iter().map(|plan| ChannelEntry {
        name: plan.name.clone(),
        quantity: plan.quantity,
        unit: plan.unit,
        period: Period::SECOND,
        mapping: String::new(),
    });
    Start {
        boot: "boot".to_owned(),
        version: "0.0-test".to_owned(),
        config_hash: config.revision.hash.clone(),
        config_text: config.revision.text.clone(),
        channels: entries.collect(),
        at,
    }
}

pub async fn ask(router: Router, request: axum::http::request::Builder) -> Response {
    let has_host = request
        .headers_ref()
        .is_some_and(|headers| headers.contains_key(header::HOST));
    let request = if has_host {
        request
    } else {
        request.header(header::HOST, "localhost")
    };
    router
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap()
}

pub async fn body(response: Response) -> Bytes {
    to_bytes(response.into_body(), 64 << 20).await.unwrap()
}

/// One event of the stream.
#[derive(Clone, Debug)]
pub struct Event {
    pub id: Option<String>,
    pub name: String,
    pub data: Value,
}

/// Reads events as the HTML standard describes the format.
pub struct Events {
    body: axum::body::BodyDataStream,
    text: String,
}

impl Events {
    /// The next event; `None` at the end of the stream.
    pub async fn next(&mut self) -> Option<Event> {
        loop {
            if let Some(end) = self.text.find("\n\n") {
                let event = parse(&self.text[..end]);
                self.text.drain(..end + 2);
                return Some(event);
            }
            let bytes = tokio::time::timeout(Duration::from_secs(5), self.body.next()).await;
            let bytes = bytes.expect("the stream is silent").transpose().unwrap()?;
            self.text.push_str(std::str::from_utf8(&bytes).unwrap());
        }
    }

    /// The next event of this name.
    pub async fn next_named(&mut self, name: &str) -> Event {
        loop {
            let event = self.next().await.expect("the stream ended");
            if event.name == name {
                return event;
            }
        }
    }
}

fn parse(block: &str) -> Event {
    let field = |name: &str| {
        block
            .lines()
            .find_map(|line| line.strip_prefix(name))
            .map(str::to_owned)
    };
    Event {
        id: field("id: "),
        name: field("event: ").unwrap(),
        data: serde_json::from_str(&field("data: ").unwrap()).unwrap(),
    }
}

/// Waits until something is so, for a while.
pub async fn until(what: &str, mut is_so: impl AsyncFnMut() -> bool) {
    let deadline = tokio::time::Instant::now() + Duration::from_secs(5);
    while !is_so().await {
        assert!(
            tokio::time::Instant::now() < deadline,
            "waited in vain: {what}"
        );
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}
