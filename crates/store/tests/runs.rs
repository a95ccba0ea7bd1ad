//! Runs in the record: they are added, never edited, and found as they were after a restart.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod common;

use common::{OPTIONS, open, sample, second};
use zonda_model::RunId;
use zonda_model::run::{Reason, State, Step, Stretch};
use zonda_store::{
    ChannelId, EvaluationEntry, Event, Field, NoteEntry, Readable, Recorder, RunChange, RunEntry,
    RunPage, Severity, StepEntry, Store, WordEntry,
};

fn asked(id: i64, name: &str, finish: &str, channels: &[ChannelId]) -> RunChange {
    RunChange::Asked(RunEntry {
        id: RunId(id),
        name: name.parse().unwrap(),
        template: None,
        begin: "when bench.velocity above 2 m/s for 5 s".parse().unwrap(),
        finish: finish.parse().unwrap(),
        layout: Some("oven".to_owned()),
        channels: channels.to_vec(),
        asked: second(0),
    })
}

fn step(id: i64, step: Step) -> RunChange {
    RunChange::Step(StepEntry {
        run: RunId(id),
        step,
        said: second(9),
        by: Some("night shift".to_owned()),
        text: "said so".to_owned(),
        config: "abc".to_owned(),
    })
}

fn word(id: i64, field: Field, text: &str) -> RunChange {
    RunChange::Word(WordEntry {
        run: RunId(id),
        said: second(1),
        by: None,
        field,
        text: text.to_owned(),
    })
}

fn event(text: &str) -> Event {
    Event {
        at: second(9),
        severity: Severity::Info,
        kind: "run_began".to_owned(),
        subject: "night-1".to_owned(),
        text: text.to_owned(),
    }
}

async fn recorded(dir: &std::path::Path, changes: Vec<RunChange>) -> (Store, ChannelId) {
    let (store, session) = open(dir, &["bench.velocity", "bench.other"], second(0)).await;
    let channels = session.channels.clone();
    let (recorder, writing) = Recorder::start(&store, session, OPTIONS);
    let samples = (0..10).map(|s| sample(channels[0], second(s), 3.0));
    recorder.samples(samples.collect()).await.unwrap();
    recorder
        .runs(changes, vec![event("it began")])
        .await
        .unwrap();
    recorder.end(second(10)).await.unwrap();
    drop(recorder);
    writing.await.unwrap();
    (store, channels[0])
}

#[tokio::test]
async fn a_run_is_found_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let channels = [ChannelId(2), ChannelId(1)];
    let gap = Stretch {
        from: second(4),
        to: second(6),
    };
    let changes = vec![
        asked(1, "night-1", "after 8 h", &channels),
        word(1, Field::Purpose, "first try"),
        word(1, Field::Operator, "night shift"),
        step(1, Step::Began(second(2))),
        step(1, Step::Interrupted(gap)),
        word(1, Field::Purpose, "acceptance"),
    ];
    let (store, _) = recorded(dir.path(), changes).await;
    drop(store);
    let read = Readable::open(dir.path()).await.unwrap();
    let run = read.run_named("night-1").await.unwrap().unwrap();
    assert_eq!(run.entry.channels, channels, "in the order asked for");
    assert_eq!(
        run.entry.begin.to_string(),
        "when bench.velocity above 2 m/s for 5 s"
    );
    assert_eq!(run.words[&Field::Purpose], "acceptance", "the newest holds");
    assert_eq!(run.words[&Field::Operator], "night shift");
    assert_eq!(run.state.since(), Some(second(2)));
    assert_eq!(run.state.interruptions(), [gap]);
    assert_eq!(read.open_runs().await.unwrap(), [run]);
    assert_eq!(read.next_run().await.unwrap(), RunId(2));
    // The event that the seal covers stands beside it.
    assert_eq!(read.events(None, 10).await.unwrap()[0].text, "it began");
}

#[tokio::test]
async fn a_discarded_run_leaves_its_name_its_samples_and_its_tombstone() {
    let dir = tempfile::tempdir().unwrap();
    let end = Step::Ended(second(8), Reason::Stopped);
    let mut changes = Vec::new();
    for id in 1..=3 {
        let name = format!("night-{}", id.min(2)); // the third has the second's name anew
        changes.push(asked(id, &name, "by hand", &[ChannelId(1)]));
        changes.push(step(id, Step::Began(second(2))));
        changes.push(step(id, end));
        if id == 2 {
            changes.push(step(id, Step::Discarded));
        }
    }
    let (store, channel) = recorded(dir.path(), changes).await;
    let read = store.read();
    let page = |with_discarded| RunPage {
        before: None,
        limit: 10,
        with_discarded,
    };
    let keys =
        |rows: Vec<zonda_store::RunRow>| rows.iter().map(|row| row.entry.id.0).collect::<Vec<_>>();
    assert_eq!(keys(read.runs(page(false)).await.unwrap()), [3, 1]);
    assert_eq!(keys(read.runs(page(true)).await.unwrap()), [3, 2, 1]);
    let next = RunPage {
        before: Some(RunId(3)),
        limit: 1,
        with_discarded: false,
    };
    assert_eq!(keys(read.runs(next).await.unwrap()), [1]);
    assert_eq!(
        read.run_named("night-2").await.unwrap().unwrap().entry.id,
        RunId(3)
    );
    let gone = read.run(RunId(2)).await.unwrap().unwrap();
    let stretch = Stretch {
        from: second(2),
        to: second(8),
    };
    assert_eq!(gone.state, State::Discarded(Some(stretch)));
    assert_eq!(
        gone.steps.last().unwrap().by.as_deref(),
        Some("night shift")
    );
    assert_eq!(read.count_samples_of(&[channel], stretch).await.unwrap(), 6);
    assert_eq!(read.open_runs().await.unwrap(), []);
}

#[tokio::test]
async fn notes_and_evaluations_come_in_the_order_of_their_writing() {
    let dir = tempfile::tempdir().unwrap();
    let note = |text: &str, about| {
        RunChange::Note(NoteEntry {
            run: RunId(1),
            said: second(5),
            about,
            by: "night shift".to_owned(),
            text: text.to_owned(),
        })
    };
    let evaluation = EvaluationEntry {
        run: RunId(1),
        said: second(1),
        by: None,
        kind: "mean".to_owned(),
        parameters: r#"{"of":"whole"}"#.to_owned(),
    };
    let changes = vec![
        asked(1, "night-1", "by hand", &[ChannelId(1)]),
        RunChange::Evaluation(evaluation.clone()),
        note("door opened", Some(second(3))),
        note("door shut", None),
    ];
    let (store, _) = recorded(dir.path(), changes).await;
    let read = store.read();
    let notes = read.run_notes(RunId(1), 0, 10).await.unwrap();
    let said: Vec<_> = notes
        .iter()
        .map(|(_, note)| (note.text.as_str(), note.about))
        .collect();
    assert_eq!(
        said,
        [("door opened", Some(second(3))), ("door shut", None)]
    );
    let rest = read.run_notes(RunId(1), notes[0].0, 10).await.unwrap();
    assert_eq!(rest, notes[1..]);
    assert_eq!(read.run(RunId(1)).await.unwrap().unwrap().notes, 2);
    let asked: Vec<_> = read
        .run_evaluations(RunId(1))
        .await
        .unwrap()
        .into_iter()
        .map(|(_, it)| it)
        .collect();
    assert_eq!(asked, [evaluation]);
}
