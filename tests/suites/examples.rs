//! The examples in `config/` are accepted by the check that they tell people to run.

use std::fs;
use std::path::Path;

use anyhow::{Result, ensure};
use libtest_mimic::Trial;
use zonda_tests::bench::Bench;
use zonda_tests::daemon;
use zonda_tests::suite::test;

pub(crate) fn tests() -> Vec<Trial> {
    vec![test("examples::the_check_accepts_each", &[], accepted)]
}

fn accepted(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for entry in fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../config"))? {
        let path = entry?.path();
        if path.extension().is_none_or(|end| end != "toml") {
            continue;
        }
        let output = daemon::run(&["check".as_ref(), path.as_os_str()])?;
        let said = String::from_utf8_lossy(&output.stderr);
        ensure!(output.status.success(), "{}:\n{said}", path.display());
        count += 1;
    }
    ensure!(count > 0, "there are no examples");
    println!("examples: {count} accepted");
    Ok(())
}
