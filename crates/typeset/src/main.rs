//! `zonda-typeset`: a document as JSON in, a PDF out.
//!
//! A program of its own, since a typesetter doubles what there is to build, and since neither its memory nor a
//! fault in it may reach a daemon that records. It knows nothing of measurements: what the document says is
//! composed elsewhere, how it looks is `report.typ`. Nothing is fetched, and no file is read but the document.

mod letters;
mod pdf;
mod world;

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};
use clap::Parser;
use serde_json::Value;

/// The form of documents that this program reads; another one would be set wrongly in silence.
const FORM: u64 = 1;

/// Set a document that `zonda report --json` wrote as a PDF: tagged for screen readers, on A4 or US Letter.
///
/// `zonda report RUN -o report.pdf` starts this program by itself, where it lies beside `zonda` or on the path.
/// Exit codes: 0 done; 2 wrong use; 3 could not.
#[derive(Debug, Parser)]
#[command(name = "zonda-typeset", version)]
struct Cli {
    /// The document; standard input without it.
    document: Option<PathBuf>,
    /// The file to write; standard output without it.
    #[arg(long, short)]
    output: Option<PathBuf>,
}

fn main() -> ExitCode {
    stand_back();
    match run(&Cli::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("zonda-typeset: {error:#}");
            ExitCode::from(3)
        }
    }
}

fn run(cli: &Cli) -> anyhow::Result<()> {
    let text = read(cli.document.as_deref())?;
    let document: Value = serde_json::from_str(&text).context("the document is no JSON")?;
    match document["form"].as_u64() {
        Some(FORM) => {}
        Some(other) => bail!(
            "the document has form {other}, this program reads form {FORM}: build `zonda` and `zonda-typeset` from the same source"
        ),
        None => bail!("this JSON is no document of `zonda report --json`"),
    }
    let pdf = pdf::set(&document)?;
    match &cli.output {
        Some(path) => {
            fs::write(path, pdf).with_context(|| format!("cannot write {}", path.display()))
        }
        None => std::io::stdout()
            .write_all(&pdf)
            .context("cannot write the PDF"),
    }
}

fn read(path: Option<&Path>) -> anyhow::Result<String> {
    let Some(path) = path else {
        let mut text = String::new();
        let read = std::io::stdin().read_to_string(&mut text);
        read.context("the document cannot be read from standard input")?;
        return Ok(text);
    };
    fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))
}

/// Where memory runs out, this program is to be ended and not a daemon beside it. Best effort: not every
/// system has this file.
fn stand_back() {
    let _ = fs::write("/proc/self/oom_score_adj", "1000");
}
