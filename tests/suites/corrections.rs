//! Corrections with the real program: beside a running station and without one, refused with a clear
//! sentence, cut short by a kill, undone to the last bit, and sealed throughout.

use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_model::Stamp;
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::{self, Ended, Station, on};
use zonda_tests::modbus::TcpDevice;
use zonda_tests::record::{Record, Row};
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};
use zonda_tests::{night, peer};

use crate::seal::verify;

const ANSWERS: usize = 20;
const CHANNEL: &str = "A1.velocity";

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "corrections::beside_a_running_station",
            &[Need::Peers],
            beside_a_station,
        ),
        test(
            "corrections::of_a_record_into_which_nobody_records",
            &[Need::Peers],
            of_a_record,
        ),
        test(
            "corrections::a_killed_one_is_gone_on_with",
            &[Need::Python],
            killed,
        ),
    ]
}

/// The stretch of the samples so far, as `--from` and `--to` take it.
fn stretch(samples: &[Row]) -> Result<(String, String)> {
    let (first, last) = samples.first().zip(samples.last()).context("samples")?;
    let text = |at: i64| Stamp::from_micros(at).to_string();
    Ok((text(first.at), text(last.at)))
}

const SIGNED: [&str; 4] = [
    "--reason",
    "the meter was set to 0-40 m/s",
    "--by",
    "night shift",
];

fn start(bench: &Bench, device: &TcpDevice) -> Result<Station> {
    let modules = [Module { name: "A", unit: 1 }];
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &modules)?;
    let station = Station::start(bench, &config)?;
    device.device.await_answers(ANSWERS)?;
    Record::await_in(&bench.data(), "some samples to be stored", |record| {
        (record.samples.len() > ANSWERS).then_some(())
    })?;
    Ok(station)
}

/// An hour that began before the record did is as good as one that did not; one that ended before it is refused.
fn preview_from_before(data: &Path, samples: &[Row], to: &str) -> Result<Ended> {
    let first = samples.first().context("samples")?.at;
    let ago = |minutes: i64| Stamp::from_micros(first - minutes * 60_000_000).to_string();
    let (hour_ago, half_ago) = (ago(60), ago(30));
    let preview = |to: &str| {
        let asked = ["correct", CHANNEL, "--range", "0-40 m/s", "--preview"];
        let stretch = ["--json", "--from", &hour_ago, "--to", to];
        on(data, &[&asked[..], &stretch].concat())
    };
    let refused = preview(&half_ago)?;
    ensure!(
        refused.code == Some(3) && refused.said.contains("othing of A1.velocity was recorded"),
        "{}",
        refused.said
    );
    preview(to)
}

/// Corrects to twice the range, checks every row, takes it back, and checks every row again.
fn correct_and_undo(bench: &Bench) -> Result<()> {
    let data = bench.data();
    let before = Record::read(&data)?.samples;
    let (from, to) = stretch(&before)?;
    let asked = [
        "correct", CHANNEL, "--from", &from, "--to", &to, "--range", "0-40 m/s",
    ];

    let preview = preview_from_before(&data, &before, &to)?;
    let preview: Value =
        serde_json::from_str(&preview.out).with_context(|| preview.said.clone())?;
    let (low, high) = (&preview[0]["before"], &preview[0]["after"]);
    for key in ["first", "last", "min", "max", "mean"] {
        let (low, high) = (low[key].as_f64(), high[key].as_f64());
        ensure!(
            low.zip(high)
                .is_some_and(|(low, high)| (high - 2.0 * low).abs() < 1e-9),
            "{preview:#}"
        );
    }
    let unasked = on(&data, &[&asked[..], &SIGNED].concat())?;
    ensure!(
        unasked.code == Some(3) && unasked.said.contains("--yes"),
        "{}",
        unasked.said
    );
    ensure!(
        Record::read(&data)?.samples[..before.len()] == before,
        "nothing was asked for yet"
    );

    let done = on(&data, &[&asked[..], &SIGNED, &["--yes"]].concat())?;
    ensure!(done.code == Some(0), "{}", done.said);
    ensure!(
        done.out.contains("Correction 1 of A1.velocity is done"),
        "{}",
        done.out
    );
    let end = before.last().map_or(0, |row| row.at);
    let after = Record::read(&data)?.samples;
    for (was, now) in before.iter().zip(&after) {
        let is_corrected = was.channel == CHANNEL && was.at < end;
        let value = was
            .value
            .map(|value| if is_corrected { 2.0 * value } else { value });
        let is_value = match (value, now.value) {
            (Some(value), Some(now)) => (value - now).abs() < 1e-9,
            (value, now) => value == now,
        };
        ensure!(
            is_value && was.code == now.code && was.flags == now.flags,
            "{was:?}\n{now:?}"
        );
    }
    expect_well(&data)?;
    let again = on(&data, &[&asked[..], &SIGNED, &["--yes"]].concat())?;
    ensure!(
        again.code == Some(3) && again.said.contains("orrection 1 of A1.velocity covers"),
        "{}",
        again.said
    );

    let undo = [
        "correct",
        "undo",
        "1",
        "--reason",
        "it was the other meter",
        "--by",
        "day shift",
        "--yes",
    ];
    let done = on(&data, &undo)?;
    ensure!(done.code == Some(0), "{}", done.said);
    ensure!(
        Record::read(&data)?.samples[..before.len()] == before,
        "every bit is as it was"
    );
    let again = on(&data, &undo)?;
    ensure!(
        again.code == Some(3) && again.said.contains("undone already"),
        "{}",
        again.said
    );
    expect_well(&data)?;
    let list = on(&data, &["correct", "list"])?.out;
    ensure!(
        list.contains("undone by 2") && list.contains("undoes 1, done"),
        "{list}"
    );
    let events = Record::query(
        &data,
        "SELECT count(*) FROM event WHERE kind = 'correction'",
    )?;
    ensure!(events[0][0] == 4, "{events:?}");
    Ok(())
}

/// The chain holds for both programs, and every value follows from its code.
pub(crate) fn expect_well(data: &Path) -> Result<()> {
    let (is_well, verdict) = verify(data, &[])?;
    ensure!(is_well, "{verdict:#}");
    let theirs: Value = serde_json::from_str(&peer::run("verify_seal.py", &[data.as_os_str()])?)?;
    ensure!(theirs["fault"].is_null(), "{theirs:#}");
    Ok(())
}

/// What is wrong with a correction is said in a sentence, and nothing is changed.
fn refuse(bench: &Bench) -> Result<()> {
    let data = bench.data();
    let record = Record::read(&data)?.samples;
    let (from, to) = stretch(&record)?;
    let (from, to) = (from.as_str(), to.as_str());
    let range = ["--range", "0-40 m/s"];
    let over = |channel, from, to, how: &[&'static str]| {
        let mut arguments = vec!["correct", channel, "--from", from, "--to", to];
        arguments.extend(how);
        arguments
    };
    let ranged = |how| over(CHANNEL, from, to, &["--range", how]);
    let undo = [
        "correct", "undo", "99", "--reason", "r", "--by", "b", "--yes",
    ];
    let silent = ["--range", "0-40 m/s", "--reason", " ", "--by", "b"];
    let (soon, later) = ("2100-01-01T00:00:00Z", "2100-01-02T00:00:00Z");
    let (once, then) = ("2001-01-01T00:00:00Z", "2001-01-02T00:00:00Z");
    let cases = [
        (
            over("Z9.velocity", from, to, &range),
            3,
            "no channel `Z9.velocity`",
        ),
        (ranged("0-400 °C"), 3, "temperature"),
        (ranged("0-40"), 3, "the range"),
        (ranged("0-20 m/s"), 3, "has this mapping already"),
        (
            over(CHANNEL, to, from, &range),
            3,
            "not after its beginning",
        ),
        (
            over(CHANNEL, soon, later, &range),
            3,
            "nothing of A1.velocity was recorded",
        ),
        (
            over(CHANNEL, once, then, &range),
            3,
            "nothing of A1.velocity was recorded",
        ),
        (over(CHANNEL, from, to, &[]), 2, "--range"),
        (undo.to_vec(), 3, "no correction 99"),
        (over(CHANNEL, from, to, &silent), 3, "say why"),
    ];
    for (arguments, code, part) in cases {
        let is_whole = arguments[1] == CHANNEL || arguments[1] == "Z9.velocity";
        let signed: &[&str] = if is_whole && !arguments.contains(&"--by") {
            &["--reason", "r", "--by", "b", "--yes"]
        } else if is_whole {
            &["--yes"]
        } else {
            &[]
        };
        let said = on(&data, &[&arguments[..], signed].concat())?;
        let words = said.said.to_lowercase();
        ensure!(
            said.code == Some(code),
            "{arguments:?}: {:?} {}",
            said.code,
            said.said
        );
        ensure!(
            words.contains(&part.to_lowercase()),
            "{arguments:?}: {}",
            said.said
        );
    }
    let unsigned = on(
        &data,
        &[
            "correct", CHANNEL, "--from", from, "--to", to, range[0], range[1],
        ],
    )?;
    ensure!(
        unsigned.code == Some(2) && unsigned.said.contains("--reason"),
        "{}",
        unsigned.said
    );
    ensure!(
        Record::read(&data)?.samples[..record.len()] == record,
        "nothing was changed"
    );
    Ok(())
}

fn beside_a_station(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    let station = start(bench, &device)?;
    correct_and_undo(bench)?;
    refuse(bench)?;
    // A page of another site cannot correct anything.
    let url = format!("http://{}/api/v1/corrections/1/undo", station.address());
    let answer = ureq::post(url)
        .config()
        .http_status_as_error(false)
        .build()
        .header("origin", "http://evil.example")
        .content_type("application/json")
        .send("{}")?;
    ensure!(answer.status() == 403, "{answer:?}");
    // Recording went on all the while.
    device.device.await_answers(ANSWERS)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    ensure!(
        record.gaps.iter().all(|gap| gap.missed == 0),
        "{:?}",
        record.gaps
    );
    Ok(())
}

fn of_a_record(bench: &Bench) -> Result<()> {
    let device = TcpDevice::start()?;
    start(bench, &device)?.stop()?;
    correct_and_undo(bench)?;
    refuse(bench)
}

/// Everything that a correction may change, in one number each.
const SUMS: &str =
    "SELECT total(value * (at % 1000003)), sum(flags * (at % 1000003)), count(value) FROM sample";

fn killed(bench: &Bench) -> Result<()> {
    let data = bench.data();
    night::copy(bench)?;
    let before = Record::query(&data, SUMS)?;
    // Ten hours of the night that the demo's record begins with.
    let ends = Record::query(&data, "SELECT min(at), min(at) + 36000000000 FROM sample")?;
    let text = |index: usize| {
        let at = ends[0][index].as_i64().context("a time")?;
        anyhow::Ok(Stamp::from_micros(at).to_string())
    };
    let (from, to) = (text(0)?, text(1)?);
    let channel = "Z1-left.temperature";
    let mut correcting = Command::new(daemon::binary())
        .args([
            "correct",
            channel,
            "--from",
            &from,
            "--to",
            &to,
            "--range",
            "0-700 °C",
            "--yes",
        ])
        .args(SIGNED)
        .arg("--data")
        .arg(&data)
        .stdout(Stdio::null())
        .stderr(bench.log("correct")?)
        .spawn()?;
    let under_way = "SELECT count(*) FROM correction WHERE done_to > from_at AND done_to < to_at";
    until(PATIENCE, "the correction to be under way", || {
        ensure!(correcting.try_wait()?.is_none(), "it ended too early");
        Ok((Record::query(&data, under_way)?[0][0] == 1).then_some(()))
    })?;
    correcting.kill()?;
    correcting.wait()?;
    let list: Value = serde_json::from_str(&on(&data, &["correct", "list", "--json"])?.out)?;
    ensure!(list["corrections"][0]["state"] == "under_way", "{list:#}");
    let (is_well, verdict) = verify(&data, &[])?;
    ensure!(is_well, "cut short it holds as well: {verdict:#}");

    // Whoever writes next goes on with it first; here it is taken back at once.
    let undo = [
        "correct", "undo", "1", "--reason", "a test", "--by", "a test", "--yes",
    ];
    let done = on(&data, &undo)?;
    ensure!(done.code == Some(0), "{}", done.said);
    let list: Value = serde_json::from_str(&on(&data, &["correct", "list", "--json"])?.out)?;
    ensure!(
        list["corrections"][0]["done_to"] == list["corrections"][0]["to"],
        "{list:#}"
    );
    ensure!(
        Record::query(&data, SUMS)? == before,
        "every bit is as it was"
    );
    let (is_well, verdict) = verify(&data, &[])?;
    ensure!(is_well, "{verdict:#}");
    Ok(())
}
