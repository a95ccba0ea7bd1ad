//! How fast samples go into the record and come out of it: 64 channels at 1 Hz, on the disk of the
//! temporary directory.
#![expect(clippy::unwrap_used, reason = "a bench stops where something is wrong")]

use std::hint::black_box;
use std::sync::Arc;
use std::time::Duration;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use tokio::runtime::Runtime;
use tokio::task::JoinHandle;
use zonda_model::{Code, Period, Quality, Quantity, Sample, Stamp, Unit};
use zonda_store::{
    Ask, ChannelEntry, ChannelId, Grid, Key, Readable, Recorder, RecorderOptions, Rule, Start,
    Store,
};

const CHANNELS: i64 = 64;
/// Four hours.
const SECONDS: i64 = 14_400;

fn second(s: i64) -> Stamp {
    Stamp::from_millis(1_700_000_000_000 + s * 1000)
}

struct Bench {
    store: Store,
    channels: Vec<ChannelId>,
    recorder: Recorder,
    task: JoinHandle<()>,
    _dir: tempfile::TempDir,
}

async fn bench() -> Bench {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path()).await.unwrap();
    let entry = |number| ChannelEntry {
        name: format!("P{number}.velocity").parse().unwrap(),
        quantity: Quantity::Velocity,
        unit: Unit::MetrePerSecond,
        period: Period::SECOND,
        mapping: String::new(),
    };
    let start = Start {
        boot: String::new(),
        version: String::new(),
        config_hash: String::new(),
        config_text: String::new(),
        channels: (0..CHANNELS).map(entry).collect(),
        at: second(0),
    };
    let session = store.begin(&start).await.unwrap();
    let channels = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_secs(1),
        memory_samples: 10_000_000,
    };
    let (recorder, task) = Recorder::start(&store, session, options);
    Bench {
        store,
        channels,
        recorder,
        task,
        _dir: dir,
    }
}

impl Bench {
    /// One scan: a sample of each channel, each with its own time within the second.
    fn scan(&self, s: i64) -> Vec<Sample<ChannelId>> {
        let sample = |(index, channel): (u64, &ChannelId)| Sample {
            channel: *channel,
            at: second(s).plus(Duration::from_micros(index * 100)),
            code: Some(Code::Count(s % 4096)),
            value: Some(f64::from(i32::try_from(s % 4096).unwrap()) * 0.0123),
            quality: Quality::empty(),
        };
        (0..).zip(&self.channels).map(sample).collect()
    }

    async fn pour(&self, from: i64, to: i64) {
        for s in from..to {
            self.recorder.samples(self.scan(s)).await.unwrap();
        }
        self.recorder.flush().await.unwrap();
    }

    async fn end(self) {
        self.recorder.end(second(1_000_000)).await.unwrap();
        self.task.await.unwrap();
    }
}

fn rows(seconds: i64) -> Throughput {
    Throughput::Elements((seconds * CHANNELS).unsigned_abs())
}

fn writing(criterion: &mut Criterion) {
    let runtime = Runtime::new().unwrap();
    let mut group = criterion.benchmark_group("write");
    group.sample_size(10);
    for seconds in [1, 100, 10_000] {
        group.throughput(rows(seconds));
        group.bench_function(BenchmarkId::new("rows", seconds * CHANNELS), |bencher| {
            let bench = runtime.block_on(bench());
            let mut now = 0;
            bencher.iter(|| {
                runtime.block_on(bench.pour(now, now + seconds));
                now += seconds;
            });
            runtime.block_on(bench.end());
        });
    }
    group.finish();
}

async fn page_through(read: &Readable, to: Stamp, page: i64) -> usize {
    let (mut after, mut count) = (None, 0);
    loop {
        let rows = read
            .samples((second(0), to), None, after, page)
            .await
            .unwrap();
        let Some(last) = rows.last() else {
            return count;
        };
        after = Some(Key {
            at: last.at,
            channel: last.channel,
        });
        count += black_box(&rows).len();
    }
}

fn reading(criterion: &mut Criterion) {
    let runtime = Runtime::new().unwrap();
    let bench = runtime.block_on(bench());
    runtime.block_on(bench.pour(0, SECONDS));
    let read = bench.store.read();
    let mut group = criterion.benchmark_group("read");
    group.sample_size(10);
    group.throughput(rows(SECONDS));
    for page in [1000, 10_000, 100_000] {
        group.bench_function(BenchmarkId::new("pages of", page), |bencher| {
            bencher.iter(|| {
                let count = runtime.block_on(page_through(read, second(SECONDS), page));
                assert_eq!(count, usize::try_from(SECONDS * CHANNELS).unwrap());
            });
        });
    }
    group.finish();

    let mut group = criterion.benchmark_group("history of 4 h");
    group.sample_size(10);
    for (channels, buckets) in [(3, 2000), (64, 2000), (3, 15_000), (64, 300)] {
        let grid = Grid::over((second(0), second(SECONDS)), buckets);
        let name = format!("{channels} channels, {} s", grid.step_us / 1_000_000);
        group.bench_function(name, |bencher| {
            let channels = &bench.channels[..channels];
            bencher.iter(|| runtime.block_on(read.history(channels, grid)).unwrap());
        });
    }
    group.finish();

    criterion.bench_function("latest of 64 channels", |bencher| {
        bencher.iter(|| {
            let latest = runtime.block_on(read.latest(&bench.channels, second(0)));
            assert_eq!(latest.unwrap().len(), bench.channels.len());
        });
    });
    runtime.block_on(bench.end());
}

/// A night of 64 channels at 4 Hz: 11 million samples in commits of ten seconds.
fn proving(criterion: &mut Criterion) {
    const SECONDS: i64 = 43_200;
    const PER_SECOND: i64 = 4;
    let runtime = Runtime::new().unwrap();
    let bench = runtime.block_on(bench());
    runtime.block_on(async {
        for s in 0..SECONDS {
            let quarter = |q: i64| {
                let late = Duration::from_millis(250 * q.unsigned_abs());
                bench.scan(s).into_iter().map(move |sample| Sample {
                    at: sample.at.plus(late),
                    ..sample
                })
            };
            let samples = (0..PER_SECOND).flat_map(quarter).collect();
            bench.recorder.samples(samples).await.unwrap();
            if s % 10 == 9 {
                bench.recorder.flush().await.unwrap();
            }
        }
    });
    let read = bench.store.read();
    let rule: Rule = Arc::new(|together: &mut [Sample<ChannelId>]| {
        for sample in together {
            let Some(Code::Count(count)) = sample.code else {
                continue;
            };
            sample.value = Some(f64::from(i32::try_from(count).unwrap()) * 0.0123);
        }
    });
    let mut group = criterion.benchmark_group("prove a night");
    group.sample_size(10);
    group.throughput(rows(SECONDS * PER_SECOND));
    for (name, rule) in [("chain", None), ("chain and values", Some(rule))] {
        let ask = Ask {
            rule,
            ..Ask::default()
        };
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let verdict = runtime
                    .block_on(read.verify(&ask, Arc::new(|_| {})))
                    .unwrap();
                assert!(verdict.is_well());
                assert_eq!(
                    verdict.covered.samples.cast_signed(),
                    SECONDS * PER_SECOND * CHANNELS
                );
            });
        });
    }
    group.finish();
    runtime.block_on(bench.end());
}

criterion_group!(benches, writing, reading, proving);
criterion_main!(benches);
