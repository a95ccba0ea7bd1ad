//! How long the report on a night takes: 64 channels at 1 Hz for 12 hours, with evaluations of all of them, a flicker of flags
//! and a silent line, from a record on the disk of the temporary directory. The PDF is timed, too, where `ZONDA_TYPESETTER`
//! names a typesetter.
#![expect(clippy::unwrap_used, reason = "a bench stops where something is wrong")]

use std::fmt::Write;
use std::time::{Duration, Instant};

use tokio::runtime::Runtime;
use zonda_config::Config;
use zonda_model::run::{Reason, Step};
use zonda_model::{Cause, Code, Miss, Period, Quality, RunId, Sample, Stamp};
use zonda_report::{RunFacts, Typesetter, Wanted, Watch, html, report};
use zonda_store::{
    ChannelEntry, EvaluationEntry, Recorder, RecorderOptions, RunChange, RunEntry, Start,
    StepEntry, Store,
};

const METERS: u16 = 32;
const SECONDS: i64 = 12 * 3600;

fn second(s: i64) -> Stamp {
    Stamp::from_millis(1_792_800_000_000 + s * 1000)
}

/// Four modules of sixteen inputs, a velocity and a temperature for each meter.
fn config() -> Config {
    let mut text = String::from("[station]\nname = \"bench\"\ntime_zone = \"UTC\"\n\n");
    for module in 0..4 {
        writeln!(
            text,
            "[line.l{module}]\nevery = \"1 s\"\nmodbus-tcp = {{ address = \"127.0.0.1:{}\" }}\n",
            1502 + module
        )
        .unwrap();
        writeln!(text, "[module.M{module}]\nline = \"l{module}\"\nunit = 1\nregisters = \"input 0-15\"\ncode = \"int16\"\ncount = \"1 mV\"\n").unwrap();
    }
    for meter in 0..METERS {
        let (module, input) = (meter / 8, meter % 8 * 2 + 1);
        writeln!(text, "[meter.P{meter}]\nvelocity = {{ input = \"M{module}.{input}\", signal = \"0-10 V\", range = \"0-20 m/s\" }}").unwrap();
        writeln!(text, "temperature = {{ input = \"M{module}.{}\", signal = \"0-10 V\", range = \"0-300 °C\" }}\n", input + 1).unwrap();
    }
    let checked = zonda_config::check("bench.toml", &text);
    checked
        .unwrap_or_else(|faults| panic!("{}", faults.report(false, 120)))
        .config
}

fn start(config: &Config) -> Start {
    let entry = |plan: &zonda_config::ChannelPlan| ChannelEntry {
        name: plan.name.clone(),
        quantity: plan.quantity,
        unit: plan.unit,
        period: Period::SECOND,
        mapping: plan.mapping.describe().to_string(),
    };
    Start {
        boot: "boot-1".to_owned(),
        version: "bench".to_owned(),
        config_hash: config.revision.hash.clone(),
        config_text: config.revision.text.clone(),
        channels: config.channels.iter().map(entry).collect(),
        at: second(0),
    }
}

/// The night, with a run that asks for means, windows and steadiness of all channels.
async fn record(store: &Store, config: &Config) {
    let session = store.begin(&start(config)).await.unwrap();
    let channels = session.channels.clone();
    let options = RecorderOptions {
        commit_every: Duration::from_secs(1),
        memory_samples: 10_000_000,
    };
    let (recorder, task) = Recorder::start(store, session, options);
    let plans: Vec<_> = config
        .channels
        .iter()
        .zip(channels.iter().copied())
        .collect();
    for s in 0..SECONDS {
        let sample = |(number, (plan, channel)): (i64, &(&zonda_config::ChannelPlan, _))| {
            let code = Code::Count((s * 7 + number * 131) % 97 + 5000);
            let (value, quality) = plan.mapping.map(Some(code));
            // Now and then a flag stands for some seconds.
            let is_flagged = (s + number * 61) % 1800 < 7;
            let flags = if is_flagged {
                Quality::BELOW_THRESHOLD
            } else {
                Quality::empty()
            };
            Sample {
                channel: *channel,
                at: second(s),
                code: Some(code),
                value,
                quality: quality | flags,
            }
        };
        let is_silent = (20_000..20_600).contains(&s);
        let heard = if is_silent { 48 } else { 64 };
        let scan = (0..).zip(&plans).take(heard).map(sample);
        recorder.samples(scan.collect()).await.unwrap();
        if is_silent {
            let miss = Miss {
                cause: Cause::Timeout,
                ticks: 1,
                detail: "no answer".to_owned(),
            };
            recorder
                .missed(channels[48..].to_vec(), second(s), miss)
                .await
                .unwrap();
        }
    }
    recorder.runs(run(&channels), Vec::new()).await.unwrap();
    recorder.end(second(SECONDS)).await.unwrap();
    task.await.unwrap();
}

fn run(channels: &[zonda_store::ChannelId]) -> Vec<RunChange> {
    let run = RunId(1);
    let step = |step| {
        RunChange::Step(StepEntry {
            run,
            step,
            said: second(0),
            by: None,
            text: String::new(),
            config: config().revision.hash,
        })
    };
    let ask = |kind: &str, parameters: &str| {
        RunChange::Evaluation(EvaluationEntry {
            run,
            said: second(0),
            by: None,
            kind: kind.to_owned(),
            parameters: parameters.to_owned(),
        })
    };
    vec![
        RunChange::Asked(RunEntry {
            id: run,
            name: "night".parse().unwrap(),
            template: None,
            begin: "now".parse().unwrap(),
            finish: "by hand".parse().unwrap(),
            layout: None,
            channels: channels.to_vec(),
            asked: second(0),
        }),
        ask("mean", "{}"),
        ask("windows", r#"{"window":"1 h"}"#),
        step(Step::Began(second(0))),
        step(Step::Ended(second(SECONDS), Reason::Stopped)),
    ]
}

async fn made(store: &Store) {
    let begun = Instant::now();
    let run = RunFacts::named(store.read(), "night").await.unwrap();
    let wanted = Wanted {
        now: second(SECONDS),
        ..Wanted::default()
    };
    let document = report(store.read(), run, wanted, &Watch::none())
        .await
        .unwrap();
    let composed = begun.elapsed();
    let page = html(&document);
    println!(
        "report: {:.2} s, as HTML {:.2} s, {} kB",
        composed.as_secs_f64(),
        begun.elapsed().as_secs_f64(),
        page.len() / 1024
    );
    let begun = Instant::now();
    match Typesetter::find() {
        Ok(typesetter) => {
            let pdf = typesetter.set(&document).await.unwrap();
            println!(
                "as PDF {:.2} s more, {} kB",
                begun.elapsed().as_secs_f64(),
                pdf.len() / 1024
            );
        }
        Err(why) => println!("no PDF: {why}"),
    }
}

fn main() {
    let runtime = Runtime::new().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let config = config();
    runtime.block_on(async {
        let store = Store::open(dir.path()).await.unwrap();
        record(&store, &config).await;
        for _ in 0..3 {
            made(&store).await;
        }
    });
}
