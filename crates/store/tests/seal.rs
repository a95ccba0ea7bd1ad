//! The seal: an untouched record holds; whatever is changed afterwards is found where it is.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops where it finds something wrong"
)]

mod common;

use std::path::Path;
use std::sync::Arc;

use common::{OPTIONS, open, sample, second};
use proptest::prelude::*;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use zonda_model::{Cause, Code, Miss, Quality, Sample, Stamp};
use zonda_store::{
    Ask, Covers, Event, Fault, Flaw, Readable, Recorder, Severity, Store, Verdict, Watch,
};

fn silent() -> Watch {
    Arc::new(|_| {})
}

async fn verify(dir: &Path) -> Verdict {
    ask(dir, &Ask::default()).await
}

async fn ask(dir: &Path, ask: &Ask) -> Verdict {
    let read = Readable::open(dir).await.unwrap();
    read.verify(ask, silent()).await.unwrap()
}

/// Changes the file behind the program's back.
async fn tamper(dir: &Path, sql: &str) {
    let mut connection = SqliteConnectOptions::new()
        .filename(dir.join("record.sqlite"))
        .connect()
        .await
        .unwrap();
    sqlx::raw_sql(AssertSqlSafe(sql))
        .execute(&mut connection)
        .await
        .unwrap();
    connection.close().await.unwrap();
}

fn event(s: i64, text: &str) -> Event {
    Event {
        at: second(s),
        severity: Severity::Warning,
        kind: "source_down".into(),
        subject: "A".into(),
        text: text.into(),
    }
}

/// Two channels, a sample of each a second, twenty commits: link 1 begins the chain, 2 the session,
/// link 3 + s holds second s. Second 5 has an event, second 8 a gap that ends in second 9, second 12 a
/// sample that came late, of second 2.5.
async fn record(dir: &Path) {
    let (store, session) = open(dir, &["a", "b"], second(0)).await;
    let [a, b] = session.channels[..] else {
        panic!()
    };
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    for s in 0..20 {
        let mut samples = vec![sample(a, second(s), 1.0)];
        if s == 8 {
            let miss = Miss {
                ticks: 1,
                cause: Cause::Timeout,
                detail: "no answer".into(),
            };
            recorder.missed(vec![b], second(8), miss).await.unwrap();
        } else {
            samples.push(Sample {
                code: Some(Code::Number(-0.0)),
                ..sample(b, second(s), 2.0)
            });
        }
        if s == 5 {
            recorder.event(event(5, "gives no data")).await.unwrap();
        }
        if s == 12 {
            samples.push(sample(
                a,
                Stamp::from_micros(second(2).micros() + 500_000),
                3.0,
            ));
        }
        recorder.samples(samples).await.unwrap();
        recorder.flush().await.unwrap();
    }
    recorder.end(second(20)).await.unwrap();
    task.await.unwrap();
}

async fn recorded() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    record(dir.path()).await;
    dir
}

/// What is found after a change.
async fn after(sql: &str) -> Verdict {
    let dir = recorded().await;
    tamper(dir.path(), sql).await;
    verify(dir.path()).await
}

/// The one fault that a change leads to.
async fn only(sql: &str) -> Fault {
    let verdict = after(sql).await;
    assert_eq!(verdict.fault_count, 1, "{sql}: {:#?}", verdict.faults);
    verdict.faults[0].clone()
}

#[tokio::test]
async fn an_untouched_record_holds_whole_and_in_parts() {
    let dir = recorded().await;
    let verdict = verify(dir.path()).await;
    assert!(verdict.is_well(), "{:#?}", verdict.faults);
    assert_eq!((verdict.covered.links, verdict.covered.samples), (23, 40));
    assert_eq!(
        (
            verdict.covered.events,
            verdict.covered.gaps,
            verdict.covered.sessions
        ),
        (1, 1, 1)
    );
    let head = verdict.head.unwrap();
    assert_eq!((head.link, head.at), (23, second(20)));
    // The second that link 15 gave a late sample to, and one whose end the next commit tells.
    for (from, to, links) in [(2, 3, (5, 15)), (6, 7, (9, 10))] {
        let stretch = Ask {
            stretch: Some((second(from), second(to))),
            ..Ask::default()
        };
        let verdict = ask(dir.path(), &stretch).await;
        assert!(verdict.is_well(), "{:#?}", verdict.faults);
        assert_eq!(verdict.head.unwrap().link, links.1);
        assert_eq!(verdict.covered.links.cast_signed(), links.1 - links.0 + 1);
    }
}

#[tokio::test]
async fn a_record_without_anything_holds() {
    let dir = tempfile::tempdir().unwrap();
    drop(Store::open(dir.path()).await.unwrap());
    assert!(verify(dir.path()).await.is_well());
}

#[tokio::test]
async fn one_bit_of_one_code_is_found() {
    let fault =
        only("UPDATE sample SET code = code + 4 WHERE channel = 1 AND at = 1700000007000000").await;
    assert_eq!(fault.flaw, Flaw::SampleChanged);
    assert_eq!((fault.link, fault.at), (Some(10), Some(second(7))));
    assert_eq!(fault.channel.map(|channel| channel.0), Some(1));
}

#[tokio::test]
async fn a_code_of_another_kind_and_a_flag_of_the_acquisition_are_found() {
    for set in [
        "code = 1234.0",
        "code = 'x'",
        "code = NULL",
        "flags = flags | 2048",
    ] {
        let sql = format!("UPDATE sample SET {set} WHERE channel = 1 AND at = 1700000007000000");
        assert_eq!(only(&sql).await.flaw, Flaw::SampleChanged, "{set}");
    }
    // SQLite keeps the sign of a number that is zero, and so does the seal.
    let sql = "UPDATE sample SET code = 0.0 WHERE channel = 2 AND at = 1700000007000000";
    assert_eq!(only(sql).await.flaw, Flaw::SampleChanged);
}

#[tokio::test]
async fn a_sample_that_is_taken_out_put_in_or_moved_is_found() {
    let fault = only("DELETE FROM sample WHERE channel = 2 AND at = 1700000007000000").await;
    assert_eq!(
        fault.flaw,
        Flaw::SamplesMissing {
            found: 1,
            sealed: 2
        }
    );
    assert_eq!((fault.link, fault.at), (Some(10), Some(second(7))));

    let fault = only("INSERT INTO sample VALUES (1700000006500000, 2, 1, 1.0, 0)").await;
    assert_eq!(
        fault.flaw,
        Flaw::SamplesAdded {
            found: 3,
            sealed: 2
        }
    );
    assert_eq!(
        (fault.link, fault.at),
        (Some(10), Some(Stamp::from_micros(1_700_000_006_500_000)))
    );

    let fault = only("DELETE FROM sample WHERE at = 1700000002500000").await;
    assert_eq!(
        (fault.flaw, fault.link),
        (
            Flaw::SamplesMissing {
                found: 2,
                sealed: 3
            },
            Some(15)
        )
    );

    let fault = only("INSERT INTO sample VALUES (1700000030000000, 2, 1, 1.0, 0)").await;
    assert_eq!(
        (fault.flaw, fault.link),
        (Flaw::NoLink(Covers::Sample), None)
    );
    assert_eq!(fault.at, Some(second(30)));
}

#[tokio::test]
async fn a_commit_that_is_taken_out_is_found() {
    let fault =
        only("DELETE FROM seal WHERE id = 10; DELETE FROM sample WHERE at = 1700000007000000")
            .await;
    assert_eq!(
        fault.flaw,
        Flaw::LinksMissing {
            first: 10,
            last: 10
        }
    );
    assert_eq!(fault.at, Some(second(6)));
    // Its samples alone:
    let fault = only("DELETE FROM sample WHERE at = 1700000007000000").await;
    assert_eq!(
        fault.flaw,
        Flaw::SamplesMissing {
            found: 0,
            sealed: 2
        }
    );
    assert_eq!((fault.link, fault.at), (Some(10), Some(second(7))));
}

#[tokio::test]
async fn commits_that_changed_places_are_found() {
    let verdict = after(
        "UPDATE seal SET id = -1 WHERE id = 10; UPDATE seal SET id = 10 WHERE id = 11;
         UPDATE seal SET id = 11 WHERE id = -1;",
    )
    .await;
    let first = &verdict.faults[0];
    assert_eq!((&first.flaw, first.link), (&Flaw::OutOfOrder, Some(10)));
}

#[tokio::test]
async fn a_tail_that_is_cut_off_is_found_where_anything_tells() {
    let cut = "DELETE FROM seal WHERE id > 15; DELETE FROM sample WHERE at > 1700000012000000;";
    let fault = only(cut).await;
    assert!(
        matches!(fault.flaw, Flaw::SessionChanged { session: 1, .. }),
        "{fault:?}"
    );
    assert_eq!((fault.link, fault.at), (Some(15), Some(second(12))));
    // Whoever cuts the session's row to fit as well leaves a record that holds by itself: only a copy
    // of the head elsewhere shows it.
    let dir = recorded().await;
    let head = verify(dir.path()).await.head.unwrap();
    let fit = "UPDATE session SET batch = 13, alive_at = 1700000012000000, ended_at = NULL, ended = NULL;";
    tamper(dir.path(), &format!("{cut}{fit}")).await;
    assert!(verify(dir.path()).await.is_well());
    let expect = Ask {
        expect: Some(head.hash),
        ..Ask::default()
    };
    let verdict = ask(dir.path(), &expect).await;
    assert_eq!(verdict.faults[0].flaw, Flaw::HeadNotFound);
}

#[tokio::test]
async fn a_noted_hash_in_the_middle_is_found_in_the_chain() {
    let dir = recorded().await;
    let mut noted = Vec::new();
    for s in [4, 20] {
        let stretch = Ask {
            stretch: Some((second(0), second(s))),
            ..Ask::default()
        };
        noted.push(ask(dir.path(), &stretch).await.head.unwrap());
    }
    let expect = Ask {
        stretch: Some((second(0), second(1))),
        expect: Some(noted[0].hash),
        rule: None,
    };
    let verdict = ask(dir.path(), &expect).await;
    assert_eq!(verdict.noted, Some(noted[0].link));
    assert_eq!(
        verdict.head,
        Some(noted[0]),
        "the chain is followed up to it"
    );
}

#[tokio::test]
async fn changed_rows_beside_samples_are_found() {
    let cases = [
        (
            "UPDATE event SET text = 'all was well'",
            Some(8),
            Flaw::RowChanged(vec![Covers::Event(1)]),
        ),
        (
            "DELETE FROM event",
            Some(8),
            Flaw::RowMissing(Covers::Event(1)),
        ),
        (
            "UPDATE gap SET cause = 'unplugged'",
            Some(11),
            Flaw::RowChanged(vec![Covers::Gap(1)]),
        ),
        (
            "UPDATE gap SET to_at = to_at + 1",
            Some(12),
            Flaw::RowChanged(vec![Covers::GapEnd(1)]),
        ),
        (
            "UPDATE gap SET missed = 0",
            Some(12),
            Flaw::RowChanged(vec![Covers::GapEnd(1)]),
        ),
        (
            "UPDATE seal SET at = at + 1 WHERE id = 9",
            Some(9),
            Flaw::RowChanged(vec![]),
        ),
        (
            "UPDATE mapping SET text = '0-10 V to 0-40 m/s' WHERE channel = 1",
            Some(2),
            Flaw::RowChanged(vec![Covers::Session(1)]),
        ),
        (
            "UPDATE config_revision SET text = 'other'",
            Some(2),
            Flaw::RowChanged(vec![Covers::Session(1)]),
        ),
        (
            "UPDATE channel SET name = 'c' WHERE name = 'b'",
            Some(2),
            Flaw::RowChanged(vec![Covers::Session(1)]),
        ),
        (
            "INSERT INTO event VALUES (2, 1700000030000000, 'info', 'k', 's', 't')",
            None,
            Flaw::NoLink(Covers::Event(2)),
        ),
        (
            "INSERT INTO gap VALUES (2, 1, 1700000030000000, NULL, 'timeout', 1, '')",
            None,
            Flaw::NoLink(Covers::Gap(2)),
        ),
        (
            "INSERT INTO clock VALUES (2, 1700000030000000, 3600000000, 'stepped')",
            None,
            Flaw::NoLink(Covers::Clock(2)),
        ),
        (
            "INSERT INTO mapping VALUES (1, 2, 1700000000000000, 'abc', 'x')",
            None,
            Flaw::NoLink(Covers::Mapping(2)),
        ),
        (
            "INSERT INTO session VALUES (2, '', '', 'abc', 1700000030000000, 1700000030000000, 0, NULL, NULL)",
            None,
            Flaw::NoLink(Covers::Session(2)),
        ),
    ];
    for (sql, link, flaw) in cases {
        let fault = only(sql).await;
        assert_eq!((fault.flaw, fault.link), (flaw, link), "{sql}");
    }
}

#[tokio::test]
async fn a_hash_that_was_changed_is_told_from_what_it_covers() {
    let fault = only("UPDATE seal SET hash = zeroblob(32) WHERE id = 10").await;
    assert_eq!((fault.flaw, fault.link), (Flaw::HashChanged, Some(10)));
    // Of the newest link nothing follows that could tell.
    let fault = only("UPDATE seal SET hash = zeroblob(32) WHERE id = 23").await;
    assert_eq!(
        (fault.flaw, fault.link),
        (Flaw::RowChanged(vec![]), Some(23))
    );
}

#[tokio::test]
async fn a_chain_that_is_gone_is_missed() {
    let fault = only("DELETE FROM seal").await;
    assert_eq!(fault.flaw, Flaw::Unsealed);
    let fault = only("DELETE FROM seal WHERE id = 1").await;
    assert_eq!(fault.flaw, Flaw::LinksMissing { first: 1, last: 1 });
}

#[tokio::test]
async fn a_link_numbered_beyond_counting_ends_no_walk() {
    let verdict = after("UPDATE seal SET id = 9223372036854775807 WHERE id = 23").await;
    assert!(matches!(
        verdict.faults[0].flaw,
        Flaw::LinksMissing { first: 23, .. }
    ));
}

#[tokio::test]
async fn values_that_do_not_follow_are_told_apart_from_the_chain() {
    let dir = recorded().await;
    tamper(
        dir.path(),
        "UPDATE sample SET value = 9.0 WHERE channel = 1 AND at = 1700000007000000",
    )
    .await;
    assert!(
        verify(dir.path()).await.is_well(),
        "values are not sealed: they follow from codes"
    );
    let rule = Ask {
        rule: Some(Arc::new(|together| {
            for row in together.iter_mut().filter(|row| row.value != Some(3.0)) {
                row.value = Some(if row.channel.0 == 1 { 1.0 } else { 2.0 });
                row.quality = Quality::SIMULATED;
            }
        })),
        ..Ask::default()
    };
    let verdict = ask(dir.path(), &rule).await;
    assert_eq!(
        (verdict.fault_count, verdict.value_count, verdict.worked_out),
        (0, 1, 40)
    );
    assert_eq!(verdict.values[0].at, Some(second(7)));
    assert_eq!(
        verdict.values[0].flaw.to_string(),
        "the record says 9 (simulated), from the code follows 1 (simulated)"
    );
}

#[tokio::test]
async fn the_record_is_proved_while_it_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let (store, session) = open(dir.path(), &["a"], second(0)).await;
    let a = session.channels[0];
    let (recorder, task) = Recorder::start(&store, session, OPTIONS);
    let writing = tokio::spawn(async move {
        for s in 0..300 {
            // Every third one comes a second late, behind what is committed already.
            let late = if s % 3 == 0 { 1_000_001 } else { 0 };
            let at = Stamp::from_micros(second(s).micros() - late);
            recorder.samples(vec![sample(a, at, 1.0)]).await.unwrap();
            recorder.flush().await.unwrap();
        }
        recorder.end(second(300)).await.unwrap();
        task.await.unwrap();
    });
    while !writing.is_finished() {
        let verdict = verify(dir.path()).await;
        assert!(verdict.is_well(), "{:#?}", verdict.faults);
    }
    writing.await.unwrap();
    let verdict = verify(dir.path()).await;
    assert!(verdict.is_well(), "{:#?}", verdict.faults);
    assert_eq!(verdict.covered.samples, 300);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever the commits and however many samples come late, what was recorded holds; and any one
    /// code that is changed is found in exactly one place.
    #[test]
    fn any_one_code_that_is_changed_is_found(
        batches in prop::collection::vec(prop::collection::vec((0i64..40, 0usize..3), 1..8), 1..12),
        victim in any::<prop::sample::Index>(),
    ) {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(async {
            let dir = tempfile::tempdir().unwrap();
            let (store, session) = open(dir.path(), &["a", "b", "c"], second(0)).await;
            let channels = session.channels.clone();
            let (recorder, task) = Recorder::start(&store, session, OPTIONS);
            for batch in &batches {
                let samples = batch.iter().map(|(s, channel)| sample(channels[*channel], second(*s), 1.0));
                recorder.samples(samples.collect()).await.unwrap();
                recorder.flush().await.unwrap();
            }
            recorder.end(second(100)).await.unwrap();
            task.await.unwrap();
            let verdict = verify(dir.path()).await;
            prop_assert!(verdict.is_well(), "{:#?}", verdict.faults);
            let rows = common::all(store.read()).await;
            let row = victim.get(&rows);
            let (at, channel) = (row.at.micros(), row.channel.0);
            tamper(dir.path(), &format!("UPDATE sample SET code = code + 1 WHERE at = {at} AND channel = {channel}")).await;
            let verdict = verify(dir.path()).await;
            prop_assert_eq!(verdict.fault_count, 1);
            let fault = &verdict.faults[0];
            // One change in 256 leaves the mark as it was; the link shows it all the same.
            if fault.flaw == Flaw::SampleChanged {
                prop_assert_eq!((fault.at, fault.channel), (Some(row.at), Some(row.channel)));
            } else {
                prop_assert_eq!(&fault.flaw, &Flaw::RowChanged(vec![]));
            }
            Ok(())
        })?;
    }
}
