//! A converter laid out in files as the kernel lays it out (Documentation/ABI/testing/sysfs-bus-iio),
//! recorded by the real program: its values arrive, it is known whatever number it has, and what is
//! not as the configuration says is a gap and an event.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon::Station;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};

const CHANNEL: &str = "Inlet.velocity";
/// The chip that the configuration means.
const CHIP: &str = "1-0048";

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Python];
    vec![
        test("iio::its_number_moves", &needs, number_moves),
        test("iio::its_scale_changes", &needs, scale_changes),
    ]
}

fn folder(bench: &Bench, number: u32, chip: &str) -> PathBuf {
    bench.path(&format!("sys/devices/{chip}/iio:device{number}"))
}

fn link(bench: &Bench, number: u32) -> PathBuf {
    bench.path(&format!("sys/bus/iio/devices/iio:device{number}"))
}

/// A chip with one voltage of 2 mV a count.
fn plug(bench: &Bench, number: u32, chip: &str, name: &str, count: i64) -> Result<()> {
    let folder = folder(bench, number, chip);
    fs::create_dir_all(&folder)?;
    fs::create_dir_all(bench.path("sys/bus/iio/devices"))?;
    write(&folder, "name", name)?;
    write(&folder, "in_voltage_scale", "2.000000000")?;
    write(&folder, "in_voltage0_raw", &count.to_string())?;
    symlink(&folder, link(bench, number))?;
    Ok(())
}

fn pull(bench: &Bench, number: u32, chip: &str) -> Result<()> {
    fs::remove_file(link(bench, number))?;
    fs::remove_dir_all(folder(bench, number, chip))?;
    Ok(())
}

/// Writes an attribute as the kernel shows it: whole, or not at all.
fn write(folder: &Path, attribute: &str, text: &str) -> Result<()> {
    let partial = folder.join("partial");
    fs::write(&partial, format!("{text}\n"))?;
    fs::rename(partial, folder.join(attribute))?;
    Ok(())
}

fn start(bench: &Bench) -> Result<Station> {
    let text = format!(
        r#"[station]
data = "{data}"
[http]
listen = "127.0.0.1:0"
[line.board]
every = "100 ms"
iio = {{ name = "adc12-4", root = "{root}", channels = {{ voltage0 = "2 mV" }} }}
[meter.Inlet]
velocity = {{ input = "board.voltage0", signal = "0-1 V", range = "0-20 m/s" }}
"#,
        data = bench.data().display(),
        root = bench.path("sys/bus/iio/devices").display()
    );
    Station::start(bench, &bench.write("station.toml", &text)?)
}

/// Waits for a sample with this code and expects the value that the kernel's rule gives:
/// (count + 0) · 2 mV, of 1000 mV for 20 m/s.
fn expect(bench: &Bench, count: i32) -> Result<()> {
    let code = f64::from(count);
    let value = Record::await_in(&bench.data(), &format!("the code {count}"), |record| {
        let mut rows = record.samples.iter().filter(|row| row.channel == CHANNEL);
        rows.find(|row| row.code == Some(code)).map(|row| row.value)
    })?;
    let expected = code * 2.0 / 1000.0 * 20.0;
    let found = value.context("a value")?;
    ensure!((found - expected).abs() < 1e-9, "{found} is not {expected}");
    Ok(())
}

fn gap(bench: &Bench, cause: &str) -> Result<()> {
    Record::await_in(&bench.data(), &format!("a gap by {cause}"), |record| {
        (!record.gaps_by(cause).is_empty()).then_some(())
    })
}

fn number_moves(bench: &Bench) -> Result<()> {
    plug(bench, 0, CHIP, "adc12-4", 100)?;
    let station = start(bench)?;
    expect(bench, 100)?;
    // Another chip takes the number, as after an update of the kernel.
    pull(bench, 0, CHIP)?;
    plug(bench, 0, "spi0.0", "adc12-8", 400)?;
    gap(bench, "unplugged")?;
    plug(bench, 1, CHIP, "adc12-4", 101)?;
    expect(bench, 101)?;
    station.stop()?;
    let record = Record::read(&bench.data())?;
    let strange = record.samples.iter().find(|row| row.code == Some(400.0));
    ensure!(
        strange.is_none(),
        "the other chip was recorded: {strange:?}"
    );
    let open: Vec<_> = record
        .gaps_by("unplugged")
        .into_iter()
        .filter(|gap| gap.to.is_none())
        .collect();
    ensure!(open.is_empty(), "gaps left open: {open:?}");
    Ok(())
}

fn scale_changes(bench: &Bench) -> Result<()> {
    plug(bench, 3, CHIP, "adc12-4", 100)?;
    let station = start(bench)?;
    expect(bench, 100)?;
    let folder = folder(bench, 3, CHIP);
    write(&folder, "in_voltage_scale", "0.500000000")?;
    gap(bench, "mismatch")?;
    write(&folder, "in_voltage0_raw", "102")?;
    write(&folder, "in_voltage_scale", "2.000000000")?;
    expect(bench, 102)?;
    station.stop()?;
    let events = Record::query(
        &bench.data(),
        "SELECT text FROM event WHERE kind = 'mismatch'",
    )?;
    let said = format!("{events:?}");
    println!("iio, scale: {said}");
    ensure!(
        said.contains("one count of voltage0 is 0.5 mV by the kernel, 2 mV by the configuration"),
        "{said}"
    );
    Ok(())
}
