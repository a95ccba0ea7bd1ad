//! A suite's tests, and what each needs from the machine.
//!
//! A test whose needs are not met is not run and not counted as passed: it stands in the list as
//! `ignored`, with what is missing.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};

use anyhow::Result;
use libtest_mimic::{Failed, Trial};

use crate::bench::Bench;
use crate::peer;

/// What a test needs beside the program itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// A Python whose own SQLite reads the record.
    Python,
    /// The outside peers that `cargo xtask test` installs.
    Peers,
    /// The right to mount a file system.
    Root,
    /// Node and Chromium, to look at the page as people do.
    Browser,
    /// The typesetter beside the program, and Debian's package poppler-utils to read what it sets.
    Paper,
    /// A library that shows a program another clock (Debian's package `faketime`).
    Faketime,
}

impl Need {
    /// What to say where it is missing; `None` where it is there.
    fn missing(self) -> Option<&'static str> {
        let (is_there, words) = match self {
            Self::Python => (
                peer::python().is_some(),
                "needs python3 with SQLite 3.37 or newer",
            ),
            Self::Peers => (
                peer::peers_python().is_some(),
                "needs the outside peers; run `cargo xtask test`",
            ),
            Self::Root => (nix::unistd::geteuid().is_root(), "needs root"),
            Self::Browser => (
                peer::has("node") && peer::has("chromium") && peer::has_page_packages(),
                "needs Node 20 or newer, Debian's package chromium, and what `cargo xtask peers` installs",
            ),
            Self::Paper => (
                peer::has_typesetter() && peer::has("pdftotext"),
                "needs `zonda-typeset` beside the program (`cargo xtask test` builds it) and Debian's package poppler-utils",
            ),
            Self::Faketime => (
                peer::faketime().is_some(),
                "needs Debian's package faketime",
            ),
        };
        (!is_there).then_some(words)
    }
}

/// A test of the real program on a bench of its own. Its log files are shown where it fails.
pub fn test(name: &str, needs: &[Need], body: fn(&Bench) -> Result<()>) -> Trial {
    let missing: Vec<_> = needs.iter().filter_map(|need| need.missing()).collect();
    let trial = Trial::test(name, move || run(body));
    if missing.is_empty() {
        return trial;
    }
    trial.with_kind(missing.join(", ")).with_ignored_flag(true)
}

fn run(body: fn(&Bench) -> Result<()>) -> Result<(), Failed> {
    let bench = Bench::new().map_err(failed)?;
    match catch_unwind(AssertUnwindSafe(|| body(&bench))) {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(format!("{error:#}\n{}", bench.logs()).into()),
        Err(panic) => {
            eprintln!("{}", bench.logs());
            resume_unwind(panic)
        }
    }
}

#[expect(
    clippy::needless_pass_by_value,
    reason = "the shape that `map_err` asks for"
)]
fn failed(error: anyhow::Error) -> Failed {
    format!("{error:#}").into()
}
