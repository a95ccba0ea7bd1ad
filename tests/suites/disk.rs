//! A full disk: the station lives, bridges what memory can, says what is missing, and goes on.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use nix::mount::{MntFlags, MsFlags, mount, umount2};
use zonda_tests::bench::Bench;
use zonda_tests::config::{self, Module, Wire};
use zonda_tests::daemon::Station;
use zonda_tests::ledger;
use zonda_tests::modbus::TcpDevice;
use zonda_tests::record::Record;
use zonda_tests::suite::{Need, test};
use zonda_tests::wait::{PATIENCE, until};

const MODULE: Module = Module { name: "A", unit: 1 };
const ANSWERS: usize = 12;

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Root, Need::Python];
    vec![test("disk::full_and_free_again", &needs, full)]
}

/// A small file system in memory; unmounted when dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    fn mount(folder: &Path) -> Result<Self> {
        fs::create_dir_all(folder)?;
        mount(
            Some("tmpfs"),
            folder,
            Some("tmpfs"),
            MsFlags::empty(),
            Some("size=4m"),
        )
        .context("could not mount a small disk")?;
        Ok(Self(folder.to_owned()))
    }

    /// Takes every free byte.
    fn fill(&self) -> Result<()> {
        let mut ballast = fs::File::create(self.0.join("ballast"))?;
        let block = [0xA5; 4096];
        while ballast.write_all(&block).is_ok() {}
        Ok(())
    }

    fn free(&self) -> Result<()> {
        Ok(fs::remove_file(self.0.join("ballast"))?)
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = umount2(&self.0, MntFlags::MNT_DETACH);
    }
}

fn full(bench: &Bench) -> Result<()> {
    let disk = SmallDisk::mount(&bench.data())?;
    let device = TcpDevice::start()?;
    let config = config::write(bench, &Wire::Tcp(&device.address.to_string()), &[MODULE])?;
    let station = Station::start(bench, &config)?;
    device.device.await_answers(ANSWERS)?;

    disk.fill()?;
    until(PATIENCE, "the station to say that it is not well", || {
        Ok((station.get("/readyz")?.0 == 503).then_some(()))
    })?;
    device.device.await_answers(ANSWERS)?;

    disk.free()?;
    until(PATIENCE, "the station to be well again", || {
        Ok((station.get("/readyz")?.0 == 200).then_some(()))
    })?;
    device.device.await_answers(ANSWERS)?;
    station.stop()?;

    let record = Record::read(&bench.data())?;
    let counts = ledger::compare(&device.device.ledger(), &record, &MODULE)?;
    println!(
        "disk, full and free again: {counts}; {} gaps",
        record.gaps.len()
    );
    ensure!(counts.cut <= 1, "{counts}");
    ensure!(
        counts.explained == 0,
        "memory had room for all of it: {counts}"
    );
    Ok(())
}
