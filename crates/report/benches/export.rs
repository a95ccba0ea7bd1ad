//! How long a CSV of a million samples takes, reading included: 64 channels at 1 Hz for some four
//! hours, from a record on the disk of the temporary directory, in chunks that go nowhere.
#![expect(clippy::unwrap_used, reason = "a bench stops where something is wrong")]

use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use jiff::tz::TimeZone;
use tokio::runtime::Runtime;
use zonda_model::{Code, Period, Quality, Quantity, Sample, Stamp, Unit};
use zonda_report::csv::{Form, Zone};
use zonda_report::{Export, Format, Layout, Request, Steps, Units};
use zonda_store::{ChannelEntry, Recorder, RecorderOptions, Start, Store};

const CHANNELS: u16 = 64;
const SECONDS: i64 = 15_625;
const SAMPLES: u64 = 1_000_000;

fn second(s: i64) -> Stamp {
    Stamp::from_millis(1_792_800_000_000 + s * 1000)
}

fn start() -> Start {
    let entry = |number| ChannelEntry {
        name: format!("P{number}.temperature").parse().unwrap(),
        quantity: Quantity::Temperature,
        unit: Unit::DegreeFahrenheit,
        period: Period::SECOND,
        mapping: String::new(),
    };
    Start {
        boot: String::new(),
        version: String::new(),
        config_hash: String::new(),
        config_text: String::new(),
        channels: (0..CHANNELS).map(entry).collect(),
        at: second(0),
    }
}

/// A record of [`SAMPLES`] samples, closed.
async fn record(store: &Store) {
    let session = store.begin(&start()).await.unwrap();
    let channels = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_secs(1),
        memory_samples: 10_000_000,
    };
    let (recorder, task) = Recorder::start(store, session, options);
    for s in 0..SECONDS {
        let sample = |(number, channel): (i64, _)| Sample {
            channel,
            at: second(s).plus(Duration::from_micros(number.unsigned_abs() * 100)),
            code: Some(Code::Count((s + number) % 4096)),
            value: Some(f64::from(i32::try_from((s + number) % 4096).unwrap()) * 0.0731),
            quality: Quality::empty(),
        };
        let scan = (0..).zip(channels.iter().copied()).map(sample);
        recorder.samples(scan.collect()).await.unwrap();
    }
    recorder.end(second(SECONDS)).await.unwrap();
    task.await.unwrap();
}

fn request(layout: Layout, units: Units, zone: Zone) -> Request {
    let form = Form {
        zone,
        ..Form::default()
    };
    Request {
        range: (second(0), second(SECONDS)),
        run: None,
        channels: None,
        layout,
        units,
        own_units: Vec::new(),
        format: Format::Csv {
            form,
            mark: false,
            preamble: false,
        },
    }
}

/// Bytes of an export, all of them made and let go.
async fn bytes(store: &Store, request: &Request) -> usize {
    let mut export = Export::begin(store.read(), request).await.unwrap();
    let mut bytes = 0;
    while let Some(chunk) = export.next().await.unwrap() {
        bytes += chunk.len();
    }
    assert_eq!(export.count().samples, SAMPLES);
    bytes
}

fn exports(criterion: &mut Criterion) {
    let runtime = Runtime::new().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let store = runtime.block_on(async {
        let store = Store::open(dir.path()).await.unwrap();
        record(&store).await;
        store
    });
    let mut group = criterion.benchmark_group("csv of a million samples");
    group
        .sample_size(10)
        .throughput(Throughput::Elements(SAMPLES));
    let berlin = || Zone::Local(TimeZone::get("Europe/Berlin").unwrap());
    for (name, request) in [
        ("long", request(Layout::Long, Units::Si, Zone::Utc)),
        (
            "long, local time, own units",
            request(Layout::Long, Units::Configured, berlin()),
        ),
        (
            "wide",
            request(Layout::Wide(Steps::default()), Units::Si, Zone::Utc),
        ),
    ] {
        let size = runtime.block_on(bytes(&store, &request));
        println!("{name}: {size} bytes");
        group.bench_function(name, |bencher| {
            bencher.iter(|| runtime.block_on(bytes(&store, &request)));
        });
    }
    group.finish();
}

criterion_group!(benches, exports);
criterion_main!(benches);
