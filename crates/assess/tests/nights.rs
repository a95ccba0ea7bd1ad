//! 200 seeded nights of a rig that knows the truth: how often the stated uncertainty covers it.
//!
//! Each night is six minutes of the soak, with other turbulence and other errors of the instruments, through the same codes,
//! mappings, record and evaluation as any other. U at 95.45 % must cover the truth in so many of 200 that fewer would come
//! by chance once in a hundred times: 183 (binomial).

#![allow(clippy::unwrap_used, reason = "tests")]

use std::time::Duration;

use zonda_assess::{Ask, Outcome, Subject, Watch, assess};
use zonda_config::{Config, DriverPlan, ModulePlan};
use zonda_model::{Period, RunId, Sample, Stamp};
use zonda_rig::toml::Station;
use zonda_rig::{Night, RigOptions, Script};
use zonda_store::{ChannelEntry, ChannelId, Readable, Recorder, RecorderOptions, Start, Store};

const NIGHTS: u64 = 200;
const SECONDS: u64 = 360;
/// The least number of successes that a binomial of 200 and 0.9545 has in 99 of 100 cases.
const COVERED_MIN: usize = 183;
/// What is recorded: the points of the duct and of zone 1.
const CHANNELS: [&str; 5] = [
    "exhaust-left.velocity",
    "exhaust-right.velocity",
    "Z1-left.temperature",
    "Z1-middle.temperature",
    "Z1-right.temperature",
];
const AREA: f64 = std::f64::consts::FRAC_PI_4 * 0.25 * 0.25;

/// The means over a night of what is true.
#[derive(Clone, Copy, Default)]
struct Truth {
    flow: f64,
    zone: [f64; 3],
}

fn begin(night: u64) -> Stamp {
    Stamp::from_millis(1_700_000_000_000).plus(Duration::from_secs(night * 2 * SECONDS))
}

fn options(seed: u64) -> RigOptions {
    RigOptions {
        seed,
        ..RigOptions::new(".")
    }
}

fn config() -> Config {
    let wiring = zonda_rig::layout::wiring(&options(1), ([127, 0, 0, 1], 1502).into());
    let station = Station {
        name: "oven",
        time_zone: "UTC",
        data: std::path::Path::new("data"),
    };
    let text = zonda_rig::wiring_toml(station, &wiring);
    // Readings are judged by their companions in the station, which is not here.
    let lines = text.lines().filter(|line| !line.starts_with("probe"));
    let text = lines.collect::<Vec<_>>().join("\n");
    zonda_config::check("oven.toml", &text).unwrap().config
}

fn modules(config: &Config) -> Vec<&ModulePlan> {
    let drivers = config.lines.iter().map(|line| &line.driver);
    drivers
        .flat_map(|driver| match driver {
            DriverPlan::ModbusRtu(plan) => plan.modules.iter().collect::<Vec<_>>(),
            DriverPlan::ModbusTcp(plan) => plan.modules.iter().collect(),
            _ => Vec::new(),
        })
        .collect()
}

/// What the record gets of a channel at a moment.
fn sample(
    config: &Config,
    night: &Night,
    (name, key): (&str, ChannelId),
    at: Stamp,
) -> Sample<ChannelId> {
    let mut plans = config.channels.iter();
    let plan = plans.find(|plan| plan.name.as_str() == name).unwrap();
    let modules = modules(config);
    let module = modules.iter().find(|module| module.source == plan.source);
    let module = module.unwrap();
    let held = night.registers(module.name.as_str()).unwrap();
    let registers = module.registers();
    let spans = registers.spans().iter().map(|span| {
        let first = usize::from(span.first());
        held[first..first + usize::from(span.count())].to_vec()
    });
    let code = registers.codes(&spans.collect::<Vec<_>>()).unwrap()[plan.input];
    let (value, quality) = plan.mapping.map(Some(code));
    Sample {
        channel: key,
        at,
        code: Some(code),
        value,
        quality,
    }
}

/// Plays a night into the record; gives what was true.
async fn play(seed: u64, config: &Config, keys: &[ChannelId], recorder: &Recorder) -> Truth {
    let wiring = zonda_rig::layout::wiring(&options(1), ([127, 0, 0, 1], 1502).into());
    let mut night = Night::new(&options(seed + 1), wiring, Script::default()).unwrap();
    let mut truth = Truth::default();
    let mut samples = Vec::new();
    for second in 1..=SECONDS {
        night.advance_to(Duration::from_secs(second));
        let at = begin(seed).plus(Duration::from_secs(second));
        let here = CHANNELS.into_iter().zip(keys.iter().copied());
        samples.extend(here.map(|channel| sample(config, &night, channel, at)));
        let now = night.truth();
        truth.flow += now.oven.exhaust_velocity * AREA;
        let meters = ["Z1-left", "Z1-middle", "Z1-right"];
        for (sum, meter) in truth.zone.iter_mut().zip(meters) {
            *sum += now.point(meter).unwrap().temperature;
        }
    }
    recorder.samples(samples).await.unwrap();
    recorder.flush().await.unwrap();
    let mean = |sum: f64| sum / f64::from(u32::try_from(SECONDS).unwrap());
    Truth {
        flow: mean(truth.flow),
        zone: truth.zone.map(mean),
    }
}

async fn evaluated(record: &Readable, night: u64, channels: &[ChannelId], ask: &str) -> Outcome {
    let from = begin(night).plus(Duration::from_secs(1));
    let subject = Subject {
        id: RunId(1),
        name: format!("night-{night}"),
        from,
        to: from.plus(Duration::from_secs(SECONDS)),
        is_open: false,
        channels: channels.to_vec(),
        layout: None,
        interruptions: Vec::new(),
    };
    let ask = Ask::from_json(ask).unwrap();
    assess(record, &subject, &ask, &Watch::none())
        .await
        .unwrap()
}

fn covers(outcome: &Outcome, name: &str, of: Option<&str>, truth: f64) -> bool {
    let figure = outcome.result(name, of).unwrap();
    (figure.value.unwrap() - truth).abs() <= figure.expanded.unwrap()
}

fn start(config: &Config) -> Start {
    let entry = |name: &&str| {
        let mut plans = config.channels.iter();
        let plan = plans.find(|plan| plan.name.as_str() == *name).unwrap();
        ChannelEntry {
            name: plan.name.clone(),
            quantity: plan.quantity,
            unit: plan.unit,
            period: Period::SECOND,
            mapping: plan.mapping.describe().to_string(),
        }
    };
    Start {
        boot: "boot-1".into(),
        version: "test".into(),
        config_hash: config.revision.hash.clone(),
        config_text: config.revision.text.clone(),
        channels: CHANNELS.iter().map(entry).collect(),
        at: begin(0),
    }
}

#[tokio::test]
async fn the_stated_uncertainty_covers_the_truth() {
    let dir = tempfile::tempdir().unwrap();
    let config = config();
    let store = Store::open(dir.path()).await.unwrap();
    let session = store.begin(&start(&config)).await.unwrap();
    let keys = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_millis(250),
        memory_samples: 100_000,
    };
    let (recorder, writing) = Recorder::start(&store, session, options);
    let mut covered = [0_usize; 4];
    for night in 0..NIGHTS {
        let truth = play(night, &config, &keys, &recorder).await;
        recorder.alive(begin(night + 1)).await.unwrap();
        recorder.flush().await.unwrap();
        let record = store.read();
        let flow = r#"{"kind":"traverse","layout":"exhaust"}"#;
        let flow = evaluated(record, night, &keys, flow).await;
        let zone = r#"{"kind":"uniformity","layout":"zone-1"}"#;
        let zone = evaluated(record, night, &keys, zone).await;
        let [left, middle, right] = truth.zone;
        let gradient = left.max(middle).max(right) - left.min(middle).min(right);
        let mean = (left + middle + right) / 3.0;
        let found = [
            covers(&flow, "volume flow", None, truth.flow),
            covers(&zone, "gradient", None, gradient),
            covers(&zone, "mean of the zone", None, mean),
            covers(&zone, "mean", Some("left"), left),
        ];
        for (count, is_covered) in covered.iter_mut().zip(found) {
            *count += usize::from(is_covered);
        }
    }
    recorder.end(begin(NIGHTS)).await.unwrap();
    drop(recorder);
    writing.await.unwrap();
    println!("of {NIGHTS} nights, flow, gradient, mean of the zone, mean at a place: {covered:?}");
    assert!(
        covered.iter().all(|count| *count >= COVERED_MIN),
        "{covered:?}"
    );
}
