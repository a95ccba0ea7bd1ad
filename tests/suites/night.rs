//! The night that a demo's record begins with: whole, slot by slot, and with what went wrong at the
//! time at which it did.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::{daemon, night};

/// Ticks of a second in twelve hours.
const TICKS: i64 = 43_200;
const HOUR_S: i64 = 3_600;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test(
        "night::a_new_demo_begins_with_a_whole_night",
        &[Need::Python],
        whole,
    )]
}

fn number(data: &Path, sql: &str) -> Result<i64> {
    let rows = Record::query(data, sql)?;
    rows.first()
        .and_then(|row| row.first()?.as_i64())
        .with_context(|| format!("no number from {sql}"))
}

fn whole(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    let begin = number(&data, "SELECT min(started_at) FROM session")?;
    let end = begin + TICKS * 1_000_000;
    let channels = number(&data, "SELECT count(*) FROM channel")?;

    // Every slot is a sample or a missed tick, and no cause but the silent text line's.
    let samples = number(
        &data,
        &format!("SELECT count(*) FROM sample WHERE at <= {end} + 999999"),
    )?;
    let missed = number(
        &data,
        &format!("SELECT sum(missed) FROM gap WHERE from_at < {end}"),
    )?;
    ensure!(
        samples + missed == channels * TICKS,
        "{samples} samples and {missed} missed ticks are not {channels} x {TICKS}"
    );
    let silent = 12 * 60;
    ensure!(
        missed == 2 * silent,
        "two channels miss twelve minutes, not {missed} ticks"
    );

    // At 02:10 the cable falls off, and stays off.
    let open = number(
        &data,
        &format!(
            "SELECT count(*) FROM reading WHERE channel = 'Z2-left.velocity' AND quality LIKE '%open_loop%' AND at <= {end} + 999999"
        ),
    )?;
    let first = number(
        &data,
        "SELECT min(at) FROM reading WHERE channel = 'Z2-left.velocity' AND quality LIKE '%open_loop%'",
    )?;
    let fell_off = begin + (8 * HOUR_S + 600) * 1_000_000;
    ensure!(
        (0..=2_000_000).contains(&(first - fell_off)),
        "the loop is open from {first} on, not from {fell_off}"
    );
    ensure!(
        (open - (TICKS - 8 * HOUR_S - 600)).abs() <= 2,
        "open for {open} s"
    );
    let marked = number(
        &data,
        "SELECT count(*) FROM reading WHERE quality NOT LIKE '%simulated%'",
    )?;
    ensure!(
        marked == 0,
        "{marked} readings do not say that they are simulated"
    );
    let said = number(&data, "SELECT count(*) FROM event WHERE kind = 'rehearsed'")?;
    ensure!(
        said == 1,
        "the journal does not say that the night was played"
    );

    // A second start goes on with the record and plays no second night.
    daemon::on(&data, &night::DEMO)?.done()?;
    let again = number(&data, "SELECT count(*) FROM event WHERE kind = 'rehearsed'")?;
    ensure!(again == 1, "{again} nights were played");
    Ok(())
}
