//! Every tick is a sample or is counted in a gap, whatever happened in between.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::collections::BTreeMap;
use std::path::Path;

use common::{OPTIONS, all, check_gaps, gaps, open, sample, second};
use proptest::prelude::*;
use zonda_model::{Cause, Miss};
use zonda_store::{ChannelId, Recorder, RecorderOptions, Store};

const NAMES: [&str; 3] = ["a", "b", "c"];

/// What a tick of the bench brings.
#[derive(Clone, Debug)]
enum Tick {
    /// Of each channel a sample, or why not.
    Measured([Option<Cause>; 3]),
    /// So many ticks went by at once.
    Standstill(u32),
    /// The daemon is stopped for so many ticks: in order, or by a kill after a commit.
    Stop { ticks: i64, in_order: bool },
}

fn ticks() -> impl Strategy<Value = Vec<Tick>> {
    let causes = [
        Cause::Timeout,
        Cause::NoAnswer,
        Cause::BadFrame,
        Cause::Unplugged,
    ];
    let brought = proptest::option::weighted(0.3, proptest::sample::select(causes.to_vec()));
    let tick = prop_oneof![
        30 => proptest::array::uniform3(brought).prop_map(Tick::Measured),
        2 => (1u32..50).prop_map(Tick::Standstill),
        2 => (1i64..1000, any::<bool>()).prop_map(|(ticks, in_order)| Tick::Stop { ticks, in_order }),
    ];
    proptest::collection::vec(tick, 1..120)
}

fn miss(cause: Cause, ticks: u32) -> Miss {
    let detail = "no answer within 300 ms".to_owned();
    Miss {
        ticks,
        cause,
        detail,
    }
}

struct Bench {
    store: Store,
    channels: Vec<ChannelId>,
    recorder: Recorder,
    task: tokio::task::JoinHandle<()>,
}

async fn begin(dir: &Path, tick: i64) -> Bench {
    let (store, session) = open(dir, &NAMES, second(tick)).await;
    let channels = session.channels.clone();
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    Bench {
        store,
        channels,
        recorder,
        task,
    }
}

/// Plays the ticks; how many there were.
async fn play(dir: &Path, ticks: &[Tick]) -> i64 {
    let mut bench = begin(dir, -1).await;
    let mut now = 0;
    for tick in ticks {
        match tick {
            Tick::Measured(brought) => {
                for (channel, cause) in bench.channels.iter().zip(brought) {
                    match cause {
                        None => {
                            bench
                                .recorder
                                .samples(vec![sample(*channel, second(now), 1.0)])
                                .await
                        }
                        Some(cause) => {
                            bench
                                .recorder
                                .missed(vec![*channel], second(now), miss(*cause, 1))
                                .await
                        }
                    }
                    .unwrap();
                }
                now += 1;
            }
            Tick::Standstill(count) => {
                let miss = miss(Cause::Overrun, *count);
                bench
                    .recorder
                    .missed(bench.channels.clone(), second(now), miss)
                    .await
                    .unwrap();
                now += i64::from(*count);
            }
            Tick::Stop { ticks, in_order } => {
                // What it says last: every tick before `now` is accounted for.
                let last = second(now - 1);
                if *in_order {
                    bench.recorder.end(last).await.unwrap();
                    bench.task.await.unwrap();
                } else {
                    bench.recorder.alive(last).await.unwrap();
                    bench.recorder.flush().await.unwrap();
                    bench.task.abort();
                    assert!(bench.task.await.unwrap_err().is_cancelled());
                }
                drop(bench.store);
                now += ticks;
                // It starts within the tick before its first one.
                bench = begin(dir, now - 1).await;
            }
        }
    }
    bench.recorder.end(second(now - 1)).await.unwrap();
    bench.task.await.unwrap();
    now
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn slots_are_rows_and_missed_ticks(ticks in ticks()) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let dir = tempfile::tempdir().unwrap();
            let slots = play(dir.path(), &ticks).await;
            let store = Store::open(dir.path()).await.unwrap();
            let (samples, gaps) = (all(store.read()).await, gaps(store.read()).await);
            check_gaps(&samples, &gaps);
            let mut told: BTreeMap<ChannelId, i64> = BTreeMap::new();
            for sample in &samples {
                *told.entry(sample.channel).or_default() += 1;
            }
            for gap in &gaps {
                *told.entry(gap.channel).or_default() += gap.missed;
            }
            prop_assert!(told.values().all(|count| *count == slots), "{told:?} of {slots}");
            Ok(())
        })?;
    }
}

/// Another disk is mounted in its place, or none. Memory is bounded also where a line fails in ever new ways while the disk takes nothing.
#[tokio::test]
async fn a_directory_that_vanishes_is_a_stall_and_no_new_record() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("data");
    let bench = begin(&dir, 0).await;
    bench
        .recorder
        .samples(vec![sample(bench.channels[0], second(0), 1.0)])
        .await
        .unwrap();
    bench.recorder.flush().await.unwrap();
    bench.recorder.end(second(0)).await.unwrap();
    bench.task.await.unwrap();

    let session = bench
        .store
        .begin(&common::start(&NAMES, second(1)))
        .await
        .unwrap();
    std::fs::rename(&dir, home.path().join("elsewhere")).unwrap();
    std::fs::create_dir(&dir).unwrap(); // as a place is left where a disk was mounted
    let options = RecorderOptions {
        memory_samples: 10,
        ..OPTIONS
    };
    let (recorder, task) = Recorder::start(&bench.store, session, options);
    let mut recording = recorder.recording();
    recorder.alive(second(2)).await.unwrap();
    recording
        .wait_for(|now| now.stalled.is_some())
        .await
        .unwrap();
    // A channel that fails at each tick, and comes back before the next one.
    let half = |s| second(s).plus(std::time::Duration::from_millis(500));
    for s in 2..500 {
        let cause = if s % 2 == 0 {
            Cause::Timeout
        } else {
            Cause::BadFrame
        };
        recorder
            .missed(bench.channels.clone(), second(s), miss(cause, 1))
            .await
            .unwrap();
        recorder
            .samples(vec![sample(bench.channels[0], half(s), 1.0)])
            .await
            .unwrap();
    }
    recording.wait_for(|now| now.lost > 400).await.unwrap();
    assert!(recording.borrow().held < 30, "{:?}", recording.borrow());
    std::fs::remove_dir(&dir)
        .expect("no record was begun anew in a place that is not ours any more");

    // It comes back, and what was held is stored.
    std::fs::rename(home.path().join("elsewhere"), &dir).unwrap();
    recorder.end(second(500)).await.unwrap();
    task.await.unwrap();
    let (samples, gaps) = (
        all(bench.store.read()).await,
        gaps(bench.store.read()).await,
    );
    check_gaps(&samples, &gaps);
    assert!(gaps.len() < 60, "memory held {} gaps", gaps.len());
    // Of the first channel: 1 tick and 1 sample a second; of the others a tick each.
    let count = |channel: ChannelId| {
        let missed: i64 = gaps
            .iter()
            .filter(|gap| gap.channel == channel)
            .map(|gap| gap.missed)
            .sum();
        missed
            + i64::try_from(
                samples
                    .iter()
                    .filter(|s| s.channel == channel && s.at > second(1))
                    .count(),
            )
            .unwrap()
    };
    let stopped = 1; // the tick between the sessions
    assert_eq!(count(bench.channels[0]), 2 * 498 + stopped);
    assert_eq!(count(bench.channels[1]), 498 + stopped);
}
