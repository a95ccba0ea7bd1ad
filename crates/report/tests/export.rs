//! Exports from a record on disk: nothing lost, nothing invented, every gap visible.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

use std::time::Duration;

use zonda_model::run::{Reason, Step};
use zonda_model::{Cause, Code, Miss, Period, Quality, Quantity, RunId, Sample, Stamp, Unit};
use zonda_report::{
    Count, Export, ExportError, Format, Layout, NoRun, Request, RunFacts, Steps, Units,
};
use zonda_store::{
    ChannelEntry, ChannelId, Event, Field, Recorder, RecorderOptions, RunChange, RunEntry, Start,
    StepEntry, Store, WordEntry,
};

const HOUR: i64 = 3600;

fn at(seconds: i64) -> Stamp {
    Stamp::from_millis(1_792_800_000_000 + seconds * 1000)
}

fn start(names: &[&str], at: Stamp) -> Start {
    let entry = |name: &&str| ChannelEntry {
        name: name.parse().unwrap(),
        quantity: Quantity::Temperature,
        unit: Unit::DegreeFahrenheit,
        period: Period::SECOND,
        mapping: "0-10 V to 0-300 °C".to_owned(),
    };
    Start {
        boot: "boot".to_owned(),
        version: "test".to_owned(),
        config_hash: if names.len() == 2 {
            "c".to_owned()
        } else {
            format!("{names:?}")
        },
        config_text: String::new(),
        channels: names.iter().map(entry).collect(),
        at,
    }
}

fn sample(channel: ChannelId, at: Stamp, value: f64) -> Sample<ChannelId> {
    Sample {
        channel,
        at,
        code: Some(Code::Count(7)),
        value: Some(value),
        quality: Quality::SIMULATED,
    }
}

/// A record under way, in a directory of its own.
struct Bench {
    _dir: tempfile::TempDir,
    store: Store,
    recorder: Recorder,
    channels: Vec<ChannelId>,
}

impl Bench {
    async fn new(names: &[&str]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(dir.path()).await.unwrap();
        let session = store.begin(&start(names, at(0))).await.unwrap();
        let channels = session.channels.clone();
        let options = RecorderOptions {
            commit_every: Duration::from_millis(20),
            memory_samples: 1_000_000,
        };
        let (recorder, _) = Recorder::start(&store, session, options);
        Self {
            _dir: dir,
            store,
            recorder,
            channels,
        }
    }

    async fn record(&self, channel: usize, seconds: std::ops::Range<i64>) {
        let channel = self.channels[channel];
        #[allow(clippy::cast_precision_loss, reason = "small numbers")]
        let samples = seconds.map(|s| sample(channel, at(s), s as f64)).collect();
        self.recorder.samples(samples).await.unwrap();
    }

    async fn miss(&self, channel: usize, second: i64) {
        let miss = Miss {
            cause: Cause::Timeout,
            ticks: 1,
            detail: "no answer".to_owned(),
        };
        let channels = vec![self.channels[channel]];
        self.recorder
            .missed(channels, at(second), miss)
            .await
            .unwrap();
    }

    async fn export(&self, request: &Request) -> (Vec<Vec<String>>, Count, usize) {
        self.recorder.flush().await.unwrap();
        let mut export = Export::begin(self.store.read(), request).await.unwrap();
        let (mut text, mut longest) = (Vec::new(), 0);
        while let Some(chunk) = export.next().await.unwrap() {
            longest = longest.max(chunk.len());
            text.extend(chunk);
        }
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .from_reader(&text[..]);
        let rows = reader
            .records()
            .map(|row| row.unwrap().iter().map(str::to_owned).collect());
        (rows.collect(), export.count(), longest)
    }
}

fn request(layout: Layout, from: i64, to: i64) -> Request {
    Request {
        range: (at(from), at(to)),
        run: None,
        channels: None,
        layout,
        units: Units::Si,
        own_units: Vec::new(),
        format: Format::csv(),
    }
}

#[tokio::test]
async fn a_long_export_has_as_many_rows_as_the_record_has_samples() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..9 * HOUR).await;
    bench.record(1, 0..9 * HOUR).await;
    let request = request(Layout::Long, 100, 8 * HOUR);
    let (rows, count, longest) = bench.export(&request).await;
    let held = bench
        .store
        .read()
        .count_samples(request.range)
        .await
        .unwrap();
    assert_eq!(i64::try_from(count.samples).unwrap(), held);
    assert_eq!(
        (count.rows, rows.len()),
        (count.samples, 1 + usize::try_from(held).unwrap())
    );
    assert!(
        longest < 4 << 20,
        "a chunk of {longest} bytes is not a chunk"
    );
    assert_eq!(
        rows[1],
        [
            "2026-10-24T00:01:40.000000Z",
            "a",
            "100.0",
            "°C",
            "simulated",
            "7",
            ""
        ]
    );
    assert_eq!(
        rows[rows.len() - 1][..3],
        ["2026-10-24T07:59:59.000000Z", "b", "28799.0"]
    );
}

#[tokio::test]
async fn a_wide_export_has_a_row_per_step_and_says_why_cells_are_empty() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..10).await;
    bench.record(1, 0..3).await;
    for second in 3..6 {
        bench.miss(1, second).await;
    }
    bench.record(1, 6..10).await;
    let (rows, count, _) = bench
        .export(&request(Layout::Wide(Steps::default()), -100, 100))
        .await;
    assert_eq!(
        count,
        Count {
            rows: 10,
            samples: 17
        }
    );
    assert_eq!(
        rows[0],
        [
            "time",
            "elapsed [s]",
            "a [°C]",
            "b [°C]",
            "a quality",
            "b quality"
        ]
    );
    assert_eq!(
        rows[3][1..],
        ["2.0", "2.0", "2.0", "simulated", "simulated"]
    );
    for (second, row) in (3..6).zip(&rows[4..7]) {
        let number = format!("{second}.0");
        assert_eq!(row[1..], [&number, &number, "", "simulated", "timeout"]);
    }
    assert_eq!(
        rows[7][1..],
        ["6.0", "6.0", "6.0", "simulated", "simulated"]
    );
    let (gaps, count, _) = bench.export(&request(Layout::Gaps, -100, 100)).await;
    assert_eq!(count.rows, 1);
    let times = ["2026-10-24T00:00:03.000000Z", "2026-10-24T00:00:06.000000Z"];
    assert_eq!(
        gaps[1],
        ["b", times[0], times[1], "timeout", "3", "no answer"]
    );
}

#[tokio::test]
async fn a_gap_longer_than_a_chunk_is_written_step_by_step() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..2).await;
    bench.miss(0, 2).await;
    bench.record(0, 5 * HOUR..5 * HOUR + 1).await;
    let (rows, count, longest) = bench
        .export(&request(Layout::Wide(Steps::default()), 0, 6 * HOUR))
        .await;
    assert_eq!(i64::try_from(count.rows).unwrap(), 5 * HOUR + 1);
    assert!(longest < 128 << 10, "a chunk of {longest} bytes");
    assert!(
        rows[3..18_000]
            .iter()
            .all(|row| row[2].is_empty() && row[4] == "timeout")
    );
}

/// The samples end long before the stretch does: what comes then is steps, and no sample for a second time.
#[tokio::test]
async fn a_silence_at_the_end_longer_than_a_chunk_repeats_nothing() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..10).await;
    bench.record(1, 0..10).await;
    bench.miss(1, 4 * HOUR).await;
    let wide = Layout::Wide(Steps::default());
    let (rows, count, _) = bench.export(&request(wide, 0, 5 * HOUR)).await;
    assert!(count.rows > 10_000, "{count:?}");
    assert_eq!(count.samples, 20);
    let filled = rows.iter().filter(|row| !row[2].is_empty()).count();
    assert_eq!(filled, 10 + 1, "the heading, and a row for each second");
}

#[tokio::test]
async fn times_are_true_utc_also_where_the_axis_was_not() {
    let bench = Bench::new(&["a"]).await;
    bench.record(0, 0..20).await;
    // The axis was an hour ahead until its tenth second.
    let ahead = HOUR * 1_000_000;
    bench
        .recorder
        .clock(at(0), ahead, "learned later")
        .await
        .unwrap();
    bench.recorder.clock(at(10), 0, "set right").await.unwrap();
    let (rows, ..) = bench.export(&request(Layout::Long, 0, 15)).await;
    let times: Vec<_> = rows[1..]
        .iter()
        .map(|row| (row[0].as_str(), row[2].as_str()))
        .collect();
    assert_eq!(times.len(), 5, "{times:?}");
    assert_eq!(times[0], ("2026-10-24T00:00:10.000000Z", "10.0"));
    let (rows, ..) = bench
        .export(&request(Layout::Wide(Steps::default()), -HOUR, -HOUR + 3))
        .await;
    let times: Vec<_> = rows[1..]
        .iter()
        .map(|row| (row[0].as_str(), row[2].as_str()))
        .collect();
    let expected = [
        ("2026-10-23T23:00:00.000000Z", "0.0"),
        ("2026-10-23T23:00:01.000000Z", "1.0"),
        ("2026-10-23T23:00:02.000000Z", "2.0"),
    ];
    assert_eq!(times, expected);
}

#[tokio::test]
async fn chosen_channels_come_in_the_order_and_units_asked_for() {
    let bench = Bench::new(&["a", "b", "c"]).await;
    for channel in 0..3 {
        bench.record(channel, 0..3).await;
    }
    let request = Request {
        channels: Some(vec!["c".parse().unwrap(), "a".parse().unwrap()]),
        units: Units::Configured,
        ..request(Layout::Wide(Steps::default()), 0, 1)
    };
    let (rows, ..) = bench.export(&request).await;
    assert_eq!(rows[0][2..4], ["c [°F]", "a [°F]"]);
    assert_eq!(rows[1][2..4], ["32.0", "32.0"]);
}

#[tokio::test]
async fn what_cannot_be_exported_is_said() {
    let bench = Bench::new(&["a"]).await;
    let unknown = Request {
        channels: Some(vec!["z".parse().unwrap()]),
        ..request(Layout::Long, 0, 1)
    };
    let error = Export::begin(bench.store.read(), &unknown)
        .await
        .unwrap_err();
    assert!(matches!(error, ExportError::UnknownChannel(name) if name.as_str() == "z"));
    let backwards = request(Layout::Long, 1, 1);
    let error = Export::begin(bench.store.read(), &backwards)
        .await
        .unwrap_err();
    assert!(matches!(error, ExportError::EmptyRange { .. }));
}

#[tokio::test]
async fn a_channel_that_is_no_longer_configured_is_exported_where_it_has_samples() {
    let bench = Bench::new(&["a", "old", "never"]).await;
    bench.record(1, 0..10).await;
    bench.recorder.end(at(10)).await.unwrap();
    bench
        .recorder
        .recording()
        .wait_for(|_| false)
        .await
        .unwrap_err();
    bench.store.begin(&start(&["a"], at(20))).await.unwrap();
    let export = Export::begin(
        bench.store.read(),
        &request(Layout::Wide(Steps::default()), 0, 5),
    )
    .await;
    let head = export.unwrap().next().await.unwrap().unwrap();
    let head = String::from_utf8(head).unwrap();
    assert!(
        head.starts_with("time,elapsed [s],a [°C],old [°C],a quality,old quality\r\n"),
        "{head}"
    );
}

#[test]
fn a_file_name_says_what_is_in_the_file() {
    let name = request(Layout::Wide(Steps::default()), 0, 60).file_name();
    assert_eq!(
        name,
        "zonda_wide_20261024T000000Z_20261024T000100Z_comma.csv"
    );
}

#[tokio::test]
async fn units_are_chosen_for_all_or_for_one() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..1).await;
    bench.record(1, 0..1).await;
    let us = Request {
        units: Units::Us,
        own_units: vec![("b".parse().unwrap(), Unit::DegreeCelsius)],
        ..request(Layout::Long, 0, 10)
    };
    let (rows, ..) = bench.export(&us).await;
    assert_eq!(&rows[1][2..4], ["32.0", "°F"]);
    assert_eq!(&rows[2][2..4], ["0.0", "°C"]);

    let begin = async |own_units| {
        let request = Request {
            own_units,
            ..request(Layout::Long, 0, 10)
        };
        let export = Export::begin(bench.store.read(), &request).await;
        export.unwrap_err().to_string()
    };
    assert_eq!(
        begin(vec![("a".parse().unwrap(), Unit::FootPerMinute)]).await,
        "`a` is a temperature and cannot be written in ft/min; it can in °C, °F"
    );
    let unknown = begin(vec![("c".parse().unwrap(), Unit::DegreeCelsius)]).await;
    assert!(unknown.contains("no channel `c`"), "{unknown}");
}

/// A run from second 100 up to 200 over channel `b` alone.
fn run_of_b(bench: &Bench) -> Vec<RunChange> {
    let id = RunId(1);
    let step = |step| {
        RunChange::Step(StepEntry {
            run: id,
            step,
            said: at(0),
            by: None,
            text: String::new(),
            config: "c".to_owned(),
        })
    };
    vec![
        RunChange::Asked(RunEntry {
            id,
            name: "night-1".parse().unwrap(),
            template: None,
            begin: "now".parse().unwrap(),
            finish: "by hand".parse().unwrap(),
            layout: None,
            channels: vec![bench.channels[1]],
            asked: at(0),
        }),
        RunChange::Word(WordEntry {
            run: id,
            said: at(0),
            by: None,
            field: Field::Object,
            text: "oven 3, \"old\"\r\n=cmd 🔥 תנור".to_owned(),
        }),
        step(Step::Began(at(100))),
        step(Step::Ended(at(200), Reason::Stopped)),
    ]
}

#[tokio::test]
async fn a_run_is_exported_with_its_stretch_its_channels_and_what_was_said() {
    let bench = Bench::new(&["a", "b"]).await;
    bench.record(0, 0..300).await;
    bench.record(1, 0..300).await;
    let steps = vec![Event {
        at: at(0),
        severity: zonda_store::Severity::Info,
        kind: "run_began".to_owned(),
        subject: "night-1".to_owned(),
        text: "it began".to_owned(),
    }];
    bench.recorder.runs(run_of_b(&bench), steps).await.unwrap();
    bench.recorder.flush().await.unwrap();
    let read = bench.store.read();
    let run = RunFacts::named(read, "night-1").await.unwrap();
    let request = Request::of_run(run, Layout::Long, Format::csv());
    let (rows, count, _) = bench.export(&request).await;
    assert_eq!(count.samples, 100);
    assert!(rows[1..].iter().all(|row| row[1] == "b"));
    assert_eq!(rows[1][2], "100.0");
    assert_eq!(request.file_name(), "zonda_night-1_long_comma.csv");

    // Above the heading, if asked for: a line each, whatever was said.
    let Format::Csv { form, mark, .. } = Format::csv() else {
        panic!("CSV is CSV")
    };
    let preamble = Request {
        format: Format::Csv {
            form,
            mark,
            preamble: true,
        },
        ..request
    };
    let (rows, _, _) = bench.export(&preamble).await;
    let remarks = rows.iter().take_while(|row| row[0].starts_with("# "));
    assert_eq!(rows.len() - remarks.count(), 101);

    let unknown = RunFacts::named(read, "night-2").await;
    assert!(matches!(unknown, Err(NoRun::Unknown(_))));
}
