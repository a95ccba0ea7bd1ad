//! Rollups as they are kept are those that the samples give, whatever happened in between.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::path::Path;

use common::{EVER, OPTIONS, open, sample, second};
use proptest::prelude::*;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, Row};
use zonda_model::{Quality, Sample};
use zonda_store::{ChannelId, Recorder, Store};

/// What a bench does next.
#[derive(Clone, Debug)]
enum Step {
    /// A sample so many milliseconds later, of a channel, with this value and these flags.
    Sample(i64, usize, Option<f64>, u32),
    /// One that comes late: so many milliseconds earlier than the newest.
    Late(i64, usize, f64),
    /// Everything handed in is made durable.
    Flush,
    /// The daemon ends and starts again.
    Restart,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let value = proptest::option::weighted(0.9, -50.0..500.0);
    let step = prop_oneof![
        40 => (1i64..20_000, 0usize..3, value, 0u32..1 << 20).prop_map(|(ms, channel, value, flags)| Step::Sample(ms, channel, value, flags)),
        4 => (1i64..900_000, 0usize..3, -50.0..500.0).prop_map(|(ms, channel, value)| Step::Late(ms, channel, value)),
        4 => Just(Step::Flush),
        1 => Just(Step::Restart),
    ];
    proptest::collection::vec(step, 50..400)
}

async fn play(dir: &Path, steps: &[Step]) {
    let names = ["a", "b", "c"];
    let (mut store, session) = open(dir, &names, second(0)).await;
    let channels = session.channels.clone();
    let (mut recorder, mut task) = Recorder::start(&store, session, OPTIONS);
    let mut now = 0;
    let at = |ms: i64| second(0).plus(std::time::Duration::from_millis(ms.unsigned_abs()));
    for step in steps {
        match *step {
            Step::Sample(ms, channel, value, flags) => {
                now += ms;
                let sample = Sample {
                    value,
                    quality: Quality::from_bits_truncate(flags),
                    ..sample(channels[channel], at(now), 0.0)
                };
                recorder.samples(vec![sample]).await.unwrap();
            }
            Step::Late(ms, channel, value) => {
                let late = at((now - ms).max(0));
                recorder
                    .samples(vec![sample(channels[channel], late, value)])
                    .await
                    .unwrap();
            }
            Step::Flush => recorder.flush().await.unwrap(),
            Step::Restart => {
                recorder.end(at(now)).await.unwrap();
                task.await.unwrap();
                drop(store);
                let (again, session) = open(dir, &names, at(now)).await;
                store = again;
                (recorder, task) = Recorder::start(&store, session, OPTIONS);
            }
        }
    }
    recorder.end(at(now)).await.unwrap();
    task.await.unwrap();
}

/// Every row, as any tool would read it.
async fn rows(dir: &Path) -> Vec<String> {
    let options = SqliteConnectOptions::new().filename(dir.join("record.sqlite"));
    let mut connection = options.connect().await.unwrap();
    let rows = sqlx::query(
        "SELECT concat_ws(' ', channel, step_us, at, count, used, good, mean, min, max, flags) FROM rollup ORDER BY channel, step_us, at",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    connection.close().await.unwrap();
    rows.iter().map(|row| row.get(0)).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn kept_rollups_are_rebuilt_ones(steps in steps()) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let dir = tempfile::tempdir().unwrap();
            play(dir.path(), &steps).await;
            let kept = rows(dir.path()).await;
            let store = Store::open(dir.path()).await.unwrap();
            store.rebuild_rollups(EVER).await.unwrap();
            prop_assert_eq!(&kept, &rows(dir.path()).await);
            // And each agrees with what SQLite's own sums make of the samples.
            agree(dir.path()).await?;
            Ok(())
        })?;
    }
}

/// Compares the 10 s rollups of counts, lows and highs with plain SQL over the samples.
async fn agree(dir: &Path) -> Result<(), TestCaseError> {
    let options = SqliteConnectOptions::new().filename(dir.join("record.sqlite"));
    let mut connection = options.connect().await.unwrap();
    let faults = i64::from((Quality::OPEN_LOOP | Quality::SHORT | Quality::NO_NUMBER).bits());
    let differing: i64 = sqlx::query_scalar(
        "WITH used AS (SELECT *, iif(flags & ?1, NULL, value) AS number FROM sample),
              made AS (SELECT channel, at - at % 10000000 AS bucket, count(*) AS count, count(number) AS used,
                              avg(number) AS mean, min(number) AS min, max(number) AS max FROM used GROUP BY 1, 2)
         SELECT count(*) FROM made LEFT JOIN rollup ON rollup.channel = made.channel AND step_us = 10000000 AND rollup.at = bucket
         WHERE bucket < (SELECT at FROM rollup_front WHERE step_us = 10000000)
           AND (rollup.count IS NOT made.count OR rollup.used IS NOT made.used OR rollup.min IS NOT made.min
                OR rollup.max IS NOT made.max OR abs(rollup.mean - made.mean) > 1e-9)",
    )
    .bind(faults)
    .fetch_one(&mut connection)
    .await
    .unwrap();
    connection.close().await.unwrap();
    prop_assert_eq!(differing, 0, "buckets that differ");
    Ok(())
}

/// A day of one channel at once: the front is far behind, and jumps.
#[tokio::test]
async fn a_jump_of_the_axis_leaves_no_bucket_behind() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a: ChannelId = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for s in [0, 1, 59, 60, 700, 90_000, 90_001, 400_000_000] {
        recorder
            .samples(vec![sample(a, second(s), 1.0)])
            .await
            .unwrap();
        recorder.flush().await.unwrap();
    }
    recorder.end(second(400_000_000)).await.unwrap();
    task.await.unwrap();
    let kept = rows(dir.path()).await;
    assert_eq!(kept.len(), 5 + 3, "{kept:#?}");
    store.rebuild_rollups(EVER).await.unwrap();
    assert_eq!(kept, rows(dir.path()).await);
}
