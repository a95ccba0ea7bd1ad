//! Runs by a clock that stands where it was put: conditions, interruptions, cuts, discards, refusals.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use tokio::sync::broadcast;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use zonda_config::Config;
use zonda_lines::{Axis, Clocks};
use zonda_model::run::{Reason, State, Stretch};
use zonda_model::{Code, Period, Quality, RunId, Sample, Stamp};
use zonda_station::Samples;
use zonda_station::runs::{Ask, Cut, Discard, Note, RunError, RunErrorKind, Runs, Stop, remarks};
use zonda_store::{
    ChannelEntry, ChannelId, Field, Recorder, RecorderOptions, RunRow, Start, Store,
};

/// A day in November; every time here is in seconds after it.
const DAY_US: i64 = 1_700_000_000_000_000;
const DEADLINE: Duration = Duration::from_secs(20);

const CONFIG: &str = r#"
    [http]
    listen = "127.0.0.1:0"
    [line.oven]
    every = "1 s"
    modbus-tcp = { address = "127.0.0.1:1502" }
    [module.A]
    line = "oven"
    unit = 1
    registers = "input 0-1"
    code = "int16"
    count = "1 mV"
    [meter.Z1]
    temperature = { input = "A.1", signal = "0-10 V", range = "0-500 °C" }
    [meter.Z2]
    temperature = { input = "A.2", signal = "0-10 V", range = "0-500 °C" }
"#;

fn second(s: i64) -> Stamp {
    Stamp::from_micros(DAY_US + s * 1_000_000)
}

#[derive(Clone, Debug, Default)]
struct Clock(Arc<AtomicI64>, Arc<AtomicI64>);

impl Clocks for Clock {
    fn wall(&self) -> i64 {
        DAY_US + self.boot() + self.1.load(Ordering::Relaxed)
    }

    fn boot(&self) -> i64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// A station's runs without the rest of it.
struct Bench {
    clock: Clock,
    axis: Axis,
    store: Store,
    channels: Vec<ChannelId>,
    recorder: Recorder,
    writing: JoinHandle<()>,
    runs: Runs,
    live: broadcast::Sender<Samples>,
    stop: CancellationToken,
    watching: JoinHandle<()>,
}

impl Bench {
    /// Starts at this second, with the channels that are left of `Z1.temperature`, `Z2.temperature`.
    async fn start(dir: &Path, s: i64, config: &Config) -> Self {
        let clock = Clock::default();
        clock.0.store(s * 1_000_000, Ordering::Relaxed);
        let store = Store::open(dir).await.unwrap();
        let axis = Axis::new(clock.clone(), store.newest().await.unwrap());
        let session = store.begin(&start_of(config, axis.now())).await.unwrap();
        let channels = session.channels.clone();
        let options = RecorderOptions {
            commit_every: Duration::from_millis(20),
            memory_samples: 10_000,
        };
        let (recorder, writing) = Recorder::start(&store, session, options);
        let record = store.read().clone();
        let runs = Runs::of(config, axis.clone(), record, recorder.clone())
            .await
            .unwrap();
        let (live, listener) = broadcast::channel(1024);
        let stop = CancellationToken::new();
        let watching = tokio::spawn(runs.clone().watch(listener, stop.clone()));
        Self {
            clock,
            axis,
            store,
            channels,
            recorder,
            writing,
            runs,
            live,
            stop,
            watching,
        }
    }

    /// A second passes, and both channels have this value.
    async fn pass(&self, s: i64, value: f64) {
        self.clock.0.store(s * 1_000_000, Ordering::Relaxed);
        let sample = |channel| Sample {
            channel,
            at: second(s),
            code: Some(Code::Number(value)),
            value: Some(value),
            quality: Quality::SIMULATED,
        };
        let live: Vec<_> = (0..self.channels.len()).map(sample).collect();
        let keyed = live.iter().map(|it| Sample {
            channel: self.channels[it.channel],
            at: it.at,
            code: it.code,
            value: it.value,
            quality: it.quality,
        });
        self.recorder.samples(keyed.collect()).await.unwrap();
        self.live.send(live.into()).unwrap();
    }

    /// Somebody sets the wall clock, and the station notices.
    async fn step_clock(&self, by_s: i64) {
        self.clock.1.fetch_add(by_s * 1_000_000, Ordering::Relaxed);
        let step = self.axis.look().unwrap();
        let told = self.recorder.clock(step.at, step.axis_minus_utc_us, "step");
        told.await.unwrap();
    }

    async fn ask(&self, name: &str, begin: &str, finish: &str) -> RunId {
        self.runs.ask(ask(name, begin, finish)).await.unwrap()
    }

    async fn row(&self, id: RunId) -> RunRow {
        self.recorder.flush().await.unwrap();
        self.runs.row(id).await.unwrap()
    }

    /// Waits until the run is in this state.
    async fn until(&self, id: RunId, state: &str) -> RunRow {
        let begun = std::time::Instant::now();
        loop {
            let row = self.row(id).await;
            if row.state.word() == state {
                return row;
            }
            assert!(begun.elapsed() < DEADLINE, "{:?} is not {state}", row.state);
            tokio::task::yield_now().await;
        }
    }

    async fn remarks(&self, id: RunId) -> String {
        let row = self.row(id).await;
        let now = self.runs.now().axis;
        let remarks = remarks(self.runs.record(), &row, now).await.unwrap();
        remarks.join("\n")
    }

    async fn end(self) {
        self.stop.cancel();
        self.watching.await.unwrap();
        let now = self.runs.now().axis;
        self.recorder.end(now).await.unwrap();
        drop((self.runs, self.recorder));
        self.writing.await.unwrap();
        self.store.read().close().await;
    }
}

fn config() -> Config {
    zonda_config::check("test", CONFIG).unwrap().config
}

/// The configuration after somebody took the second zone out.
fn config_without_z2() -> Config {
    let text = CONFIG.split("[meter.Z2]").next().unwrap();
    zonda_config::check("test", text).unwrap().config
}

fn start_of(config: &Config, at: Stamp) -> Start {
    let entry = |channel: &zonda_config::ChannelPlan| ChannelEntry {
        name: channel.name.clone(),
        quantity: channel.quantity,
        unit: channel.unit,
        period: Period::SECOND,
        mapping: "none".to_owned(),
    };
    Start {
        boot: "b".to_owned(),
        version: "test".to_owned(),
        config_hash: config.revision.hash.clone(),
        config_text: config.revision.text.clone(),
        channels: config.channels.iter().map(entry).collect(),
        at,
    }
}

fn ask(name: &str, begin: &str, finish: &str) -> Ask {
    Ask {
        name: name.parse().unwrap(),
        template: None,
        channels: Vec::new(),
        begin: begin.parse().unwrap(),
        finish: finish.parse().unwrap(),
        layout: None,
        words: BTreeMap::from([(Field::Operator, "night shift".to_owned())]),
        evaluations: Vec::new(),
        by: Some("night shift".to_owned()),
    }
}

fn cut(name: &str, (from, to): (i64, i64)) -> Cut {
    Cut {
        name: name.parse().unwrap(),
        channels: Vec::new(),
        from: second(from),
        to: second(to),
        layout: None,
        words: BTreeMap::new(),
        evaluations: Vec::new(),
        by: None,
    }
}

fn discard(first: (RunId, &str), last: Option<(RunId, &str)>) -> Discard {
    Discard {
        first: (first.0, first.1.to_owned()),
        last: last.map(|(id, name)| (id, name.to_owned())),
        by: "night shift".to_owned(),
        why: "a trial".to_owned(),
    }
}

fn stretch(from: i64, to: i64) -> Stretch {
    Stretch {
        from: second(from),
        to: second(to),
    }
}

#[tokio::test]
async fn runs_begin_and_end_on_conditions_side_by_side() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let hot = bench
        .ask(
            "hot",
            "when Z1.temperature above 180 °C for 3 s",
            "after 4 s",
        )
        .await;
    let cold = bench
        .ask("cold", "now", "when Z2.temperature falls below 150 °C")
        .await;
    assert_eq!(bench.row(hot).await.state.word(), "waiting");
    for s in 1..=4 {
        bench.pass(s, 170.0).await;
    }
    for s in 5..=12 {
        bench.pass(s, 190.0).await;
    }
    bench.pass(13, 140.0).await;
    let hot = bench.until(hot, "ended").await;
    assert_eq!(
        hot.state.since(),
        Some(second(8)),
        "three seconds after 5 s"
    );
    assert_eq!(hot.state.until(), Some(second(12)));
    assert_eq!(hot.state.reason(), Some(Reason::TimeOver));
    let cold = bench.until(cold, "ended").await;
    assert_eq!(cold.state.since(), Some(second(0)));
    assert_eq!(cold.state.until(), Some(second(13)));
    assert_eq!(cold.state.reason(), Some(Reason::ConditionMet));
    assert!(
        bench
            .remarks(cold.entry.id)
            .await
            .contains("shares channels and time with hot")
    );
    bench.end().await;
}

#[tokio::test]
async fn a_restart_interrupts_what_goes_on_and_sees_to_what_was_planned() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let on = bench.ask("on", "now", "by hand").await;
    let short = bench.ask("short", "now", "after 100 s").await;
    let waits = bench
        .ask("waits", "when Z1.temperature above 180 °C", "by hand")
        .await;
    let late = bench
        .ask("late", &format!("at {}", second(600)), "by hand")
        .await;
    let missed = bench
        .ask(
            "missed",
            &format!("at {}", second(700)),
            &format!("at {}", second(900)),
        )
        .await;
    bench.pass(50, 170.0).await;
    bench.end().await;

    let bench = Bench::start(dir.path(), 1000, &config()).await;
    let on = bench.row(on).await;
    assert_eq!(on.state.word(), "running");
    assert_eq!(on.state.interruptions(), [stretch(50, 1000)]);
    let short = bench.row(short).await;
    assert_eq!(short.state.until(), Some(second(100)));
    assert_eq!(short.state.interruptions(), [stretch(50, 100)]);
    assert_eq!(bench.row(waits).await.state.word(), "waiting");
    let late = bench.row(late).await;
    assert_eq!(late.state.since(), Some(second(1000)));
    assert!(
        late.steps[0].text.contains("6 min 40 s late"),
        "{:?}",
        late.steps
    );
    assert_eq!(bench.row(missed).await.state, State::Missed);
    assert!(
        bench
            .remarks(on.entry.id)
            .await
            .contains("interrupted from")
    );
    // What waited goes on waiting.
    bench.pass(1001, 190.0).await;
    bench.until(waits, "running").await;
    let told = bench.store.read().events(None, 100).await.unwrap();
    let kinds: Vec<_> = told.iter().map(|event| event.kind.as_str()).collect();
    for kind in [
        "run_asked",
        "run_began",
        "run_interrupted",
        "run_ended",
        "run_missed",
    ] {
        assert!(kinds.contains(&kind), "{kind} is not among {kinds:?}");
    }
    bench.end().await;
}

#[tokio::test]
async fn a_channel_that_is_taken_out_of_the_configuration_stays_part_of_its_run() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let on = bench
        .ask("on", "now", "when Z2.temperature above 400 °C")
        .await;
    bench.pass(1, 170.0).await;
    bench.end().await;

    let bench = Bench::start(dir.path(), 10, &config_without_z2()).await;
    bench.pass(11, 500.0).await;
    let row = bench.row(on).await;
    assert_eq!(
        row.state.word(),
        "running",
        "no one else's value is taken for it"
    );
    assert_eq!(row.entry.channels.len(), 2);
    let remarks = bench.remarks(on).await;
    assert!(
        remarks.contains("Z2.temperature is no longer configured"),
        "{remarks}"
    );
    assert!(
        remarks.contains("its condition looks at Z2.temperature"),
        "{remarks}"
    );
    let refused = bench
        .runs
        .ask(ask("next", "when Z2.temperature above 1 °C", "by hand"))
        .await;
    assert!(
        refused
            .unwrap_err()
            .to_string()
            .contains("no channel `Z2.temperature`")
    );
    bench.runs.stop(on, Stop::default()).await.unwrap();
    bench.end().await;

    let bench = Bench::start(dir.path(), 20, &config()).await;
    // Its samples of then are there to be cut out.
    bench
        .runs
        .cut(Cut {
            channels: vec!["Z2.temperature".parse().unwrap()],
            ..cut("then", (0, 5))
        })
        .await
        .unwrap();
    bench.end().await;
}

#[tokio::test]
async fn a_step_of_the_clock_is_said_and_counts_as_it_does_on_the_axis() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let by_axis = bench.ask("by-axis", "now", "after 4000 s").await;
    let by_utc = bench
        .ask("by-utc", "now", &format!("at {}", second(5000)))
        .await;
    let on = bench.ask("on", "now", "by hand").await;
    bench.pass(100, 170.0).await;
    // Back by half an hour: the axis runs on, and UTC is earlier than it.
    bench.step_clock(-1800).await;
    bench.pass(3999, 170.0).await;
    assert_eq!(bench.row(by_axis).await.state.word(), "running");
    bench.pass(4001, 170.0).await;
    let ended = bench.until(by_axis, "ended").await;
    assert_eq!(ended.state.until(), Some(second(4000)));
    bench.pass(6799, 170.0).await;
    assert_eq!(bench.row(by_utc).await.state.word(), "running");
    bench.pass(6801, 170.0).await;
    let ended = bench.until(by_utc, "ended").await;
    assert_eq!(
        ended.state.until(),
        Some(second(6800)),
        "5000 s of true UTC"
    );
    // Forward again: the axis is moved on where UTC is ahead of it.
    bench.step_clock(3600).await;
    bench.clock.0.store(6900 * 1_000_000, Ordering::Relaxed);
    let remarks = bench.remarks(on).await;
    assert!(remarks.contains("was stepped several times"), "{remarks}");
    bench.end().await;
}

#[tokio::test]
async fn a_run_is_cut_out_of_what_is_there() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    for s in 1..=10 {
        bench.pass(s, 170.0).await;
    }
    bench.end().await;
    let bench = Bench::start(dir.path(), 100, &config()).await;
    bench.pass(101, 170.0).await;
    bench.pass(200, 170.0).await;
    let whole = bench.runs.cut(cut("whole", (0, 150))).await.unwrap();
    let whole = bench.row(whole).await;
    let nested = bench.runs.cut(cut("nested", (2, 5))).await.unwrap();
    assert_eq!(
        whole.state.since().zip(whole.state.until()),
        Some((second(0), second(150)))
    );
    assert_eq!(whole.state.interruptions(), [stretch(10, 100)]);
    assert_eq!(whole.state.reason(), Some(Reason::Cut));
    assert!(
        bench
            .remarks(nested)
            .await
            .contains("shares channels and time with whole")
    );

    let refused = |cut: Cut| async { bench.runs.cut(cut).await.unwrap_err() };
    assert!(matches!(
        refused(cut("x", (20, 30))).await,
        RunError::NoSamples { .. }
    ));
    assert!(matches!(
        refused(cut("x", (5, 5))).await,
        RunError::Backwards { .. }
    ));
    assert!(matches!(
        refused(cut("x", (5, 300))).await,
        RunError::Future(_)
    ));
    assert!(matches!(
        refused(cut("whole", (0, 5))).await,
        RunError::Taken(_)
    ));
    let slip = Cut {
        channels: vec!["Z1.temprature".parse().unwrap()],
        ..cut("x", (0, 5))
    };
    assert!(
        refused(slip)
            .await
            .to_string()
            .contains("did you mean `Z1.temperature`?")
    );
    bench.end().await;
}

#[tokio::test]
async fn what_contradicts_itself_is_refused_and_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 100, &config()).await;
    let on = bench.ask("on", "now", "by hand").await;
    let planned = bench
        .ask("planned", &format!("at {}", second(500)), "by hand")
        .await;
    let refused = |ask: Ask| async { bench.runs.ask(ask).await.unwrap_err() };
    assert!(matches!(
        refused(ask("on", "now", "by hand")).await,
        RunError::Taken(_)
    ));
    let past = format!("at {}", second(99));
    assert!(matches!(
        refused(ask("x", "now", &past)).await,
        RunError::Limits(_)
    ));
    assert!(matches!(
        refused(ask("x", "when Z1.temperature above 3 m/s", "by hand")).await,
        RunError::Limits(_)
    ));
    assert!(matches!(
        refused(ask(
            "x",
            "when Z1.temperature steady within 2 K over 5 s",
            "by hand"
        ))
        .await,
        RunError::Steady(_)
    ));
    bench.pass(120, 170.0).await;
    let early = Stop {
        at: Some(second(99)),
        ..Stop::default()
    };
    let early = bench.runs.stop(on, early).await.unwrap_err();
    assert_eq!(early.kind(), RunErrorKind::Conflict, "{early}");
    let ahead = Stop {
        at: Some(second(130)),
        ..Stop::default()
    };
    assert!(matches!(
        bench.runs.stop(on, ahead).await,
        Err(RunError::Future(_))
    ));
    assert!(matches!(
        bench.runs.discard(discard((on, "on"), None)).await,
        Err(RunError::Open(..))
    ));
    assert!(matches!(
        bench.runs.stop(RunId(99), Stop::default()).await,
        Err(RunError::Unknown(_))
    ));
    assert_eq!(bench.row(on).await.state.word(), "running");

    bench.runs.stop(planned, Stop::default()).await.unwrap();
    assert_eq!(bench.row(planned).await.state, State::Withdrawn);
    let told = Stop {
        at: Some(second(110)),
        by: Some("night shift".to_owned()),
        why: "lid open".to_owned(),
    };
    bench.runs.stop(on, told).await.unwrap();
    let row = bench.row(on).await;
    assert_eq!(row.state.until(), Some(second(110)), "told afterwards");
    assert_eq!(row.steps.last().unwrap().text, "lid open");
    assert!(bench.remarks(on).await.contains("not a single sample"));
    assert!(
        bench.runs.stop(on, Stop::default()).await.is_err(),
        "it has ended"
    );
    bench.end().await;
}

#[tokio::test]
async fn notes_are_added_and_words_said_anew() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let on = bench.ask("on", "now", "by hand").await;
    bench.pass(20, 170.0).await;
    let note = |text: &str, about| Note {
        by: "night shift".to_owned(),
        text: text.to_owned(),
        about,
    };
    bench
        .runs
        .note(on, note("door opened", Some(second(10))))
        .await
        .unwrap();
    bench.runs.stop(on, Stop::default()).await.unwrap();
    bench
        .runs
        .note(on, note("seen in the morning", None))
        .await
        .unwrap();
    assert!(matches!(
        bench.runs.note(on, note("  ", None)).await,
        Err(RunError::Text { .. })
    ));
    assert!(matches!(
        bench.runs.note(on, note("a\u{1b}[2J", None)).await,
        Err(RunError::Text { .. })
    ));
    let notes = bench.store.read().run_notes(on, 0, 10).await.unwrap();
    let said: Vec<_> = notes
        .iter()
        .map(|(_, note)| (note.about, note.said))
        .collect();
    assert_eq!(said, [(Some(second(10)), second(20)), (None, second(20))]);

    let purpose = BTreeMap::from([(Field::Purpose, "acceptance".to_owned())]);
    bench.runs.say(on, "morning shift", purpose).await.unwrap();
    assert_eq!(bench.row(on).await.words[&Field::Purpose], "acceptance");
    let events = bench.store.read().events(None, 1).await.unwrap();
    assert!(events[0].text.contains("it was \"\""), "{}", events[0].text);
    bench.end().await;
}

#[tokio::test]
async fn discarding_needs_the_names_and_leaves_a_tombstone() {
    let dir = tempfile::tempdir().unwrap();
    let bench = Bench::start(dir.path(), 0, &config()).await;
    for s in 1..=10 {
        bench.pass(s, 170.0).await;
    }
    let mut ids = Vec::new();
    for name in ["a", "b", "c", "d"] {
        ids.push(bench.runs.cut(cut(name, (0, 5))).await.unwrap());
    }
    let wrong = bench.runs.discard(discard((ids[0], "b"), None)).await;
    assert!(
        wrong
            .unwrap_err()
            .to_string()
            .contains("is called `a`, not `b`")
    );
    let wrong = bench
        .runs
        .discard(discard((ids[0], "a"), Some((ids[2], "d"))))
        .await;
    assert!(matches!(wrong, Err(RunError::Name { .. })));
    let gone = bench
        .runs
        .discard(discard((ids[1], "b"), None))
        .await
        .unwrap();
    assert_eq!(gone, ["b"]);
    let gone = bench
        .runs
        .discard(discard((ids[0], "a"), Some((ids[2], "c"))))
        .await
        .unwrap();
    assert_eq!(gone, ["a", "c"], "only what was left of the range");
    assert_eq!(bench.row(ids[3]).await.state.word(), "ended");
    let tomb = bench.row(ids[1]).await;
    let last = tomb.steps.last().unwrap();
    assert_eq!(
        (last.by.as_deref(), last.text.as_str()),
        (Some("night shift"), "a trial")
    );
    assert_eq!(tomb.state, State::Discarded(Some(stretch(0, 5))));
    assert_eq!(
        bench
            .store
            .read()
            .count_samples((second(0), second(11)))
            .await
            .unwrap(),
        20
    );
    bench
        .runs
        .cut(cut("b", (0, 5)))
        .await
        .expect("the name is free again");
    bench.end().await;
}

#[tokio::test]
async fn without_a_daemon_a_record_is_opened_for_an_order() {
    let dir = tempfile::tempdir().unwrap();
    assert!(
        Runs::alone(dir.path(), "test").await.is_err(),
        "there is no record"
    );
    assert_eq!(
        std::fs::read_dir(dir.path()).unwrap().count(),
        0,
        "and none is made"
    );
    let bench = Bench::start(dir.path(), 0, &config()).await;
    let on = bench.ask("on", "now", "by hand").await;
    bench.pass(10, 170.0).await;
    assert!(
        Runs::alone(dir.path(), "test").await.is_err(),
        "a daemon has it"
    );
    bench.end().await;

    let alone = Runs::alone(dir.path(), "test").await.unwrap();
    let refused = alone.runs.ask(ask("x", "now", "by hand")).await;
    assert!(matches!(refused, Err(RunError::Alone)));
    let id = alone.runs.cut(cut("afterwards", (0, 20))).await.unwrap();
    let row = alone.runs.row(id).await.unwrap();
    assert_eq!(row.state.interruptions().len(), 1);
    alone.close().await.unwrap();

    // Opening it for orders is no recording: the run was interrupted once, from the daemon's stop on.
    let alone = Runs::alone(dir.path(), "test").await.unwrap();
    alone.runs.stop(on, Stop::default()).await.unwrap();
    let row = alone.runs.row(on).await.unwrap();
    assert_eq!(row.state.interruptions().len(), 1);
    assert_eq!(row.state.interruptions()[0].from, second(10));
    alone.close().await.unwrap();

    let record = zonda_store::Readable::open(dir.path()).await.unwrap();
    let gaps = record
        .gaps((second(0), Stamp::from_micros(i64::MAX)), None, 10)
        .await
        .unwrap();
    assert_eq!(
        gaps.len(),
        2,
        "the daemon's absence is one gap a channel: {gaps:?}"
    );
}
