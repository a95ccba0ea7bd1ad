//! Corrections: exact, sealed, beside the recording, undone bit by bit, and never half forgotten.
#![expect(
    clippy::unwrap_used,
    clippy::cast_precision_loss,
    reason = "a test stops where it finds something wrong, and its numbers are small"
)]

mod common;

use std::path::Path;
use std::sync::Arc;

use common::{EVER, OPTIONS, all, open, sample, second};
use proptest::prelude::*;
use zonda_model::{Code, Quality, Sample, Stamp};
use zonda_store::{
    Ask, BadCorrection, Cells, ChannelId, CorrectionEntry, Grid, Readable, Recorder, Rule, Store,
    StoreError, UndoEntry,
};

const A: ChannelId = ChannelId(1);
const B: ChannelId = ChannelId(2);

/// As if the range were this much wider; and `b` is judged by `a`.
fn times(factor: f64) -> Rule {
    Arc::new(move |together| {
        let Some(a) = together.iter_mut().find(|row| row.channel == A) else {
            return;
        };
        a.value = a.value.map(|value| value * factor);
        let is_fast = a.value.is_some_and(|value| value > 50.0);
        a.quality.set(Quality::ABOVE_ENVELOPE, is_fast);
        if let Some(b) = together.iter_mut().find(|row| row.channel == B) {
            b.quality.set(Quality::OUTSIDE_ENVELOPE, is_fast);
        }
    })
}

fn entry(from: i64, to: i64, factor: f64) -> CorrectionEntry {
    CorrectionEntry {
        channel: A,
        stretch: (second(from), second(to)),
        mapping: format!("times {factor}"),
        reason: "the meter was set to 0-100 m/s".into(),
        by: "night shift".into(),
        at: second(100_000),
        written: vec![A, B],
        beside: vec![],
        rule: times(factor),
        cells: Cells::MOMENTS,
    }
}

fn undo(correction: i64) -> UndoEntry {
    UndoEntry {
        correction,
        reason: "it was right after all".into(),
        by: "day shift".into(),
        at: second(100_000),
    }
}

/// One sample a second of `a`, `b` and `c`.
async fn record(dir: &Path, seconds: i64) {
    let (store, session) = open(dir, &["a", "b", "c"], second(0)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for s in 0..seconds {
        let of = |channel: &ChannelId| Sample {
            code: Some(Code::Count(s)),
            ..sample(*channel, second(s), (s % 60) as f64 / 3.0)
        };
        recorder
            .samples(channels.iter().map(of).collect())
            .await
            .unwrap();
    }
    recorder.end(second(seconds)).await.unwrap();
    task.await.unwrap();
}

async fn assert_well(read: &Readable) {
    let verdict = read
        .verify(&Ask::default(), Arc::new(|_| {}))
        .await
        .unwrap();
    assert!(verdict.is_well(), "{:#?}", verdict.faults);
}

/// Charts show what the samples say, whatever the buckets are made of.
async fn assert_charts_follow(store: &Store) {
    let grid = Grid::over((second(0), second(7200)), 100);
    let history = async || {
        store
            .read()
            .history(&[A, B, ChannelId(3)], grid)
            .await
            .unwrap()
    };
    let kept = history().await;
    store.rebuild_rollups(EVER).await.unwrap();
    assert_eq!(kept, history().await);
}

#[tokio::test]
async fn a_correction_changes_its_stretch_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), 3000).await;
    let store = Store::open(dir.path()).await.unwrap();
    let before = all(store.read()).await;
    let preview = store.read().preview(&entry(600, 2400, 4.0)).await.unwrap();
    assert_eq!(all(store.read()).await, before, "a preview changes nothing");
    let own = &preview.channels[0];
    assert_eq!((own.channel, own.samples), (A, 1800));
    assert_eq!(
        (own.before.max, own.after.max),
        (Some(59.0 / 3.0), Some(59.0 / 3.0 * 4.0))
    );

    let id = store.correct(entry(600, 2400, 4.0)).await.unwrap();
    let after = all(store.read()).await;
    let mut expected = before.clone();
    for together in expected.chunk_by_mut(|one, other| one.at == other.at) {
        if (second(600)..second(2400)).contains(&together[0].at) {
            times(4.0)(together);
        }
    }
    assert_eq!(after, expected);
    assert_well(store.read()).await;
    assert_charts_follow(&store).await;
    let rows = store.read().corrections().await.unwrap();
    assert!(rows[0].id == id && rows[0].is_done() && rows[0].is_in_force());
    let touching = |channel, stretch| store.read().corrections_touching(channel, stretch);
    assert_eq!(
        touching(B, (second(0), second(601))).await.unwrap().len(),
        1
    );
    assert_eq!(touching(ChannelId(3), EVER).await.unwrap().len(), 0);
    assert_eq!(
        touching(A, (second(2400), second(2500)))
            .await
            .unwrap()
            .len(),
        0
    );

    store.undo(undo(id)).await.unwrap();
    assert_eq!(all(store.read()).await, before);
    assert_well(store.read()).await;
    assert_charts_follow(&store).await;
    // Four events, and a chain that covers both corrections.
    assert_eq!(store.read().events(None, 10).await.unwrap().len(), 4);
    let verdict = store
        .read()
        .verify(&Ask::default(), Arc::new(|_| {}))
        .await
        .unwrap();
    assert_eq!(verdict.covered.corrections, 2);
}

/// Ten seconds make a cell: `b` is what the first `a` of its cell is, and `a` changes within the stretch only.
fn tens(from: i64, to: i64) -> CorrectionEntry {
    let rule: Rule = Arc::new(move |together| {
        let inside = second(from)..second(to);
        for a in together.iter_mut().filter(|row| row.channel == A) {
            a.value = a.value.map(|value| {
                if inside.contains(&a.at) {
                    value + 1000.0
                } else {
                    value
                }
            });
        }
        let first = together
            .iter()
            .find(|row| row.channel == A)
            .and_then(|row| row.value);
        for b in together.iter_mut().filter(|row| row.channel == B) {
            b.value = first;
        }
    });
    let cells = Cells {
        width_us: 10_000_000,
        origin: second(7),
    };
    CorrectionEntry {
        rule,
        cells,
        ..entry(from, to, 1.0)
    }
}

/// What is worked out from a sample of the stretch may lie a little after it, and needs all of its cell: however the
/// work is cut into pieces, cells stay whole.
#[tokio::test]
async fn samples_of_one_cell_are_worked_out_together() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), 3000).await;
    let store = Store::open(dir.path()).await.unwrap();
    let before = all(store.read()).await;
    let entry = tens(605, 2397);
    let mut expected = before.clone();
    for cell in
        expected.chunk_by_mut(|one, other| entry.cells.begin(one.at) == entry.cells.begin(other.at))
    {
        let begin = entry.cells.begin(cell[0].at);
        // From the cell in which the stretch begins to that in which it ends.
        if (second(597)..second(2397)).contains(&begin) {
            (entry.rule)(cell);
        }
    }
    let id = store.correct(entry).await.unwrap();
    assert_eq!(all(store.read()).await, expected);
    assert_well(store.read()).await;
    assert_charts_follow(&store).await;
    store.undo(undo(id)).await.unwrap();
    assert_eq!(all(store.read()).await, before);
    assert_charts_follow(&store).await;
}

#[tokio::test]
async fn what_cannot_be_corrected_is_refused_with_the_reason() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), 100).await;
    let store = Store::open(dir.path()).await.unwrap();
    let before = all(store.read()).await;
    let refused = async |entry: CorrectionEntry| {
        let preview = store.read().preview(&entry).await.unwrap_err().to_string();
        let said = store.correct(entry).await.unwrap_err().to_string();
        assert_eq!(preview, said);
        said
    };
    assert!(
        refused(entry(50, 50, 2.0))
            .await
            .contains("not after its beginning")
    );
    assert!(
        refused(entry(200, 300, 2.0))
            .await
            .contains("after everything that is recorded")
    );
    let nothing = CorrectionEntry {
        stretch: (
            Stamp::from_micros(second(5).micros() + 1),
            Stamp::from_micros(second(6).micros() - 1),
        ),
        ..entry(0, 1, 2.0)
    };
    assert!(refused(nothing).await.contains("a has no samples"));
    let unsigned = async |entry| {
        assert!(
            store.read().preview(&entry).await.is_ok(),
            "a preview needs no name"
        );
        store.correct(entry).await.unwrap_err().to_string()
    };
    let no_reason = CorrectionEntry {
        reason: " ".into(),
        ..entry(0, 1, 2.0)
    };
    assert!(unsigned(no_reason).await.contains("say why"));
    let no_name = CorrectionEntry {
        by: String::new(),
        ..entry(0, 1, 2.0)
    };
    assert!(unsigned(no_name).await.contains("say who"));

    let first = store.correct(entry(10, 20, 2.0)).await.unwrap();
    assert!(refused(entry(19, 30, 2.0)).await.contains("covers"));
    let next = store.correct(entry(20, 30, 2.0)).await.unwrap();
    let undoing = async |id| store.undo(undo(id)).await.unwrap_err().to_string();
    assert!(undoing(99).await.contains("no correction 99"));
    let taken = store.undo(undo(next)).await.unwrap();
    assert!(undoing(next).await.contains("undone already"));
    assert!(undoing(taken).await.contains("cannot be undone itself"));
    // Another channel's correction that changed `b` as well has to go first.
    let other = CorrectionEntry {
        channel: B,
        ..entry(15, 16, 3.0)
    };
    let other = store.correct(other).await.unwrap();
    let error = store.undo(undo(first)).await.unwrap_err();
    assert!(
        matches!(error, StoreError::Correction(BadCorrection::Later { later, .. }) if later == other)
    );
    store.undo(undo(other)).await.unwrap();
    store.undo(undo(first)).await.unwrap();
    assert_eq!(all(store.read()).await, before);
    assert_well(store.read()).await;
}

#[tokio::test]
async fn recording_goes_on_beside_a_correction() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), 6000).await;
    let (store, session) = open(dir.path(), &["a", "b", "c"], second(6001)).await;
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let correcting = {
        let recorder = recorder.clone();
        tokio::spawn(async move { recorder.correct(entry(0, 6000, 4.0)).await })
    };
    let mut beside = 0;
    let mut s = 6001;
    while !correcting.is_finished() {
        recorder
            .samples(vec![sample(A, second(s), 1.0)])
            .await
            .unwrap();
        recorder.flush().await.unwrap();
        let now = store.read().unfinished().await.unwrap();
        beside += usize::from(!now.is_empty());
        s += 1;
    }
    correcting.await.unwrap().unwrap();
    assert!(beside > 1, "commits came between the pieces");
    recorder.end(second(s)).await.unwrap();
    task.await.unwrap();
    assert_well(store.read()).await;
    assert!(store.read().unfinished().await.unwrap().is_empty());
}

#[tokio::test]
async fn one_that_was_cut_short_is_gone_on_with() {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path(), 6000).await;
    let before = all(&Readable::open(dir.path()).await.unwrap()).await;
    let mut at = 6001;
    // Cut short again and again, it comes to its end all the same; then its undo does.
    let mut is_cut_short = 0;
    for undoing in [false, true] {
        loop {
            let (store, session) = open(dir.path(), &["a", "b", "c"], second(at)).await;
            let (recorder, task) = Recorder::start(&store, session, OPTIONS);
            let unfinished = store.read().unfinished().await.unwrap();
            let rows = store.read().corrections().await.unwrap();
            if unfinished.is_empty() && rows.len() > usize::from(undoing) {
                recorder.end(second(at)).await.unwrap();
                task.await.unwrap();
                break;
            }
            let (job, row) = (recorder.clone(), unfinished.first().cloned());
            let working = tokio::spawn(async move {
                match (row, undoing) {
                    (None, false) => job.correct(entry(0, 6000, 4.0)).await,
                    (Some(row), false) => job.go_on(&row, entry(0, 6000, 4.0)).await,
                    (None, true) => job.undo(undo(1)).await,
                    (Some(row), true) => job.go_on_undoing(&row).await,
                }
            });
            let done_to = unfinished.first().map(|row| row.done_to);
            while !working.is_finished() {
                let now = store.read().unfinished().await.unwrap();
                if now.first().is_some_and(|row| Some(row.done_to) > done_to) {
                    break;
                }
                tokio::task::yield_now().await;
            }
            at += 1;
            recorder.end(second(at)).await.unwrap();
            task.await.unwrap();
            is_cut_short += usize::from(working.await.unwrap().is_err());
        }
        let read = Readable::open(dir.path()).await.unwrap();
        assert_well(&read).await;
        let mut expected = before.clone();
        if !undoing {
            expected
                .chunk_by_mut(|one, other| one.at == other.at)
                .for_each(|together| times(4.0)(together));
        }
        assert_eq!(all(&read).await, expected);
    }
    assert!(is_cut_short > 2, "{is_cut_short}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// Whatever is corrected and in whatever order it is taken back again, the record is as it was.
    #[test]
    fn correcting_and_undoing_leaves_everything_as_it_was(
        corrections in prop::collection::vec((0i64..100, 1i64..60, 0.1f64..10.0), 1..5),
    ) {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(async {
            let dir = tempfile::tempdir().unwrap();
            record(dir.path(), 100).await;
            let store = Store::open(dir.path()).await.unwrap();
            let before = all(store.read()).await;
            let mut made = Vec::new();
            for (from, length, factor) in corrections {
                // One that overlaps is refused, and changes nothing.
                made.extend(store.correct(entry(from, from + length, factor)).await.ok());
            }
            for id in made.into_iter().rev() {
                store.undo(undo(id)).await.unwrap();
            }
            prop_assert_eq!(all(store.read()).await, before);
            Ok(())
        })?;
    }
}
