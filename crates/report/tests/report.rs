//! The report on a run whose words are as bad as words get: it says everything, and runs nothing.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

use std::time::Duration;

use zonda_model::run::{Reason, Step};
use zonda_model::{Cause, Code, Miss, Period, Quality, Quantity, RunId, Sample, Stamp, Unit};
use zonda_report::document::{Block, Document, Said};
use zonda_report::{RunFacts, Wanted, Watch, html, report};
use zonda_store::{
    ChannelEntry, EvaluationEntry, Event, Field, NoteEntry, Recorder, RecorderOptions, RunChange,
    RunEntry, Severity, Start, StepEntry, Store, WordEntry,
};

const BAD_WORDS: &str = "oven \"3\", <script>alert(1)</script>\r\n=cmd 🔥 תנור 'x' & \u{7}";

/// Events of a line that comes and goes.
const BLIPS: u64 = 500;

fn at(seconds: i64) -> Stamp {
    Stamp::from_millis(1_792_800_000_000 + seconds * 1000)
}

fn start() -> Start {
    Start {
        boot: "boot".to_owned(),
        version: "test".to_owned(),
        config_hash: "abc".to_owned(),
        config_text: "this is no configuration".to_owned(),
        channels: vec![ChannelEntry {
            name: "a".parse().unwrap(),
            quantity: Quantity::Temperature,
            unit: Unit::DegreeCelsius,
            period: Period::SECOND,
            mapping: "{}".to_owned(),
        }],
        at: at(0),
    }
}

fn changes(channel: zonda_store::ChannelId) -> Vec<RunChange> {
    let run = RunId(1);
    let step = |step| {
        RunChange::Step(StepEntry {
            run,
            step,
            said: at(0),
            by: None,
            text: String::new(),
            config: "abc".to_owned(),
        })
    };
    vec![
        RunChange::Asked(RunEntry {
            id: run,
            name: "night-1".parse().unwrap(),
            template: None,
            begin: "now".parse().unwrap(),
            finish: "by hand".parse().unwrap(),
            layout: None,
            channels: vec![channel],
            asked: at(0),
        }),
        RunChange::Word(WordEntry {
            run,
            said: at(0),
            by: None,
            field: Field::Object,
            text: BAD_WORDS.to_owned(),
        }),
        RunChange::Note(NoteEntry {
            run,
            said: at(50),
            about: None,
            by: BAD_WORDS.to_owned(),
            text: BAD_WORDS.to_owned(),
        }),
        RunChange::Evaluation(EvaluationEntry {
            run,
            said: at(0),
            by: None,
            kind: "nonsense".to_owned(),
            parameters: "{}".to_owned(),
        }),
        step(Step::Began(at(10))),
        step(Step::Ended(at(200), Reason::Stopped)),
    ]
}

/// A record with a flagged stretch, a gap and a run; and the report on it.
async fn reported() -> Document {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open(dir.path()).await.unwrap();
    let session = store.begin(&start()).await.unwrap();
    let channel = session.channels[0];
    let options = RecorderOptions {
        commit_every: Duration::from_millis(20),
        memory_samples: 100_000,
    };
    let (recorder, _writing) = Recorder::start(&store, session, options);
    #[allow(clippy::cast_precision_loss, reason = "small numbers")]
    let sample = |s: i64| Sample {
        channel,
        at: at(s),
        code: Some(Code::Count(7)),
        value: Some(s as f64),
        quality: if s < 20 {
            Quality::SIMULATED | Quality::OPEN_LOOP
        } else {
            Quality::SIMULATED
        },
    };
    recorder
        .samples((0..100).map(sample).collect())
        .await
        .unwrap();
    for s in 100..110 {
        let miss = Miss {
            cause: Cause::Timeout,
            ticks: 1,
            detail: BAD_WORDS.to_owned(),
        };
        recorder.missed(vec![channel], at(s), miss).await.unwrap();
    }
    recorder
        .samples((110..300).map(sample).collect())
        .await
        .unwrap();
    let event = Event {
        at: at(60),
        severity: Severity::Warning,
        kind: "door".to_owned(),
        subject: "oven".to_owned(),
        text: BAD_WORDS.to_owned(),
    };
    // A line that comes and goes, five times a second.
    let flicker = (0..BLIPS).map(|blip| Event {
        at: at(80).plus(Duration::from_millis(200 * blip)),
        severity: Severity::Warning,
        kind: "source_down".to_owned(),
        subject: "display".to_owned(),
        text: format!("no. {blip}"),
    });
    let events = std::iter::once(event).chain(flicker).collect();
    recorder.runs(changes(channel), events).await.unwrap();
    recorder.flush().await.unwrap();
    let run = RunFacts::named(store.read(), "night-1").await.unwrap();
    let wanted = Wanted {
        now: at(1000),
        ..Wanted::default()
    };
    report(store.read(), run, wanted, &Watch::none())
        .await
        .unwrap()
}

fn table<'a>(document: &'a Document, caption: &str) -> &'a zonda_report::document::Table {
    let found = document.blocks.iter().find_map(|block| match block {
        // The number stands before it.
        Block::Table(table) if table.caption.contains(&format!(". {caption}")) => Some(table),
        _ => None,
    });
    found.unwrap_or_else(|| panic!("no table `{caption}`"))
}

fn cell(text: &str) -> Said {
    Said::Text(text.to_owned())
}

#[tokio::test]
async fn the_report_says_everything_and_runs_nothing() {
    let document = reported().await;

    // Samples 10 to 199 but for ten; of them those from 20 on are used: their mean is Python's
    // statistics.mean([s for s in range(20, 200) if not 100 <= s < 110]), their standard deviation its stdev.
    let account = &table(&document, "The channels").rows[0];
    let wanted = [
        "a", "°C", "180", "170", "10", "109.79", "53.606", "20", "199",
    ];
    assert_eq!(account[..], wanted.map(cell));
    let gap = &table(&document, "Gaps by their causes").rows[0];
    assert_eq!(gap[..4], ["timeout", "1", "10", "a"].map(cell));
    let gap = &table(&document, "Gaps, by their beginning").rows[0];
    assert_eq!((&gap[0], &gap[3]), (&cell("a"), &cell("timeout")));
    assert_eq!((&gap[4], &gap[5]), (&cell("1"), &cell("10")));
    let flags = &table(&document, "Flagged samples: the same flags").rows;
    assert_eq!(flags.len(), 1);
    assert_eq!(
        (&flags[0][1], &flags[0][2], &flags[0][3], &flags[0][6]),
        (
            &cell("open_loop"),
            &cell("10"),
            &cell("5.56 %"),
            &cell("no")
        )
    );
    // Seconds 10 to 19 follow each other: one stretch of ten.
    let stretches = &table(&document, "Flagged samples, stretch by stretch").rows;
    assert_eq!(stretches.len(), 1);
    assert_eq!(stretches[0][4..], ["1", "10"].map(cell));

    // Too many to stand by themselves; none is lost.
    let events = &table(&document, "Events within the run").rows;
    assert!(events.len() < 401, "{} rows", events.len());
    let times = events.iter().map(|row| match &row[2] {
        Said::Text(times) => times.parse::<u64>().unwrap(),
        Said::Open => 0,
    });
    assert_eq!(times.sum::<u64>(), BLIPS + 1);
    assert!(events.iter().any(|row| row[5] == cell("oven")));

    // What nobody said stands open, and what does not hold is told.
    let clause = table(&document, "ISO/IEC 17025:2017");
    let customer = clause.rows.iter().find(|row| row[0] == cell("7.8.2.1 e"));
    assert_eq!(customer.unwrap()[2], Said::Open);
    let cautions: Vec<_> = document
        .blocks
        .iter()
        .filter_map(|block| match block {
            Block::Caution(text) => Some(text.as_str()),
            _ => None,
        })
        .collect();
    for wanted in [
        "A rig played",
        "cannot be read by this program",
        "10 samples are missing",
        "10 of 180 samples of a are faults",
        "nonsense",
    ] {
        assert!(
            cautions.iter().any(|said| said.contains(wanted)),
            "{wanted}: {cautions:?}"
        );
    }
    assert_eq!(document.across.as_deref(), Some("SIMULATED"));
    assert!(document.foot.contains("configuration abc") && document.foot.contains("seal "));

    let page = html(&document);
    assert!(!page.contains("<script") && !page.contains('\u{7}') && page.contains("🔥 תנור"));
    assert!(page.matches("SIMULATED").count() >= 2);
    // It asks nobody for anything: no address but that of the SVG name space.
    assert_eq!(
        page.matches("http").count(),
        page.matches("http://www.w3.org/2000/svg").count() + 1
    );
}
