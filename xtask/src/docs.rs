//! `cargo xtask docs`: reference pages made from the code, so that they cannot rot.
//!
//! A page is one entry in [`PAGES`]. `tidy` fails where a page in the tree differs from what the
//! code says now.

use std::fmt::Write as _;
use std::fs;

use anyhow::Result;
use zonda_model::{Cause, Quality, Quantity, Unit};

use crate::shell;

/// Whether to write what is out of date or only to name it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    /// Write it.
    Write,
    /// Name it.
    Check,
}

/// A page: its path in the workspace, and what makes its text.
type Page = (&'static str, fn() -> String);

const PAGES: [Page; 7] = [
    ("docs/config.md", zonda_config::reference::markdown),
    ("docs/config.schema.json", config_schema),
    ("docs/evaluations.md", zonda_assess::schema::page),
    ("docs/evaluation.schema.json", ask_schema),
    ("docs/outcome.schema.json", outcome_schema),
    ("docs/units.md", units),
    ("docs/flags.md", flags),
];

/// Writes or checks every page; true where nothing was out of date.
///
/// # Errors
/// A page could not be written.
pub(crate) fn run(mode: Mode) -> Result<bool> {
    let mut is_current = true;
    for (path, text) in PAGES {
        let file = shell::root().join(path);
        let text = text();
        if fs::read_to_string(&file).is_ok_and(|found| found == text) {
            continue;
        }
        if mode == Mode::Check {
            println!("docs: {path} is out of date; run `cargo xtask docs`");
            is_current = false;
            continue;
        }
        if let Some(folder) = file.parent() {
            fs::create_dir_all(folder)?;
        }
        fs::write(&file, text)?;
        println!("docs: wrote {path}");
    }
    Ok(is_current)
}

const NOTE: &str =
    "<!-- Made from the code by `cargo xtask docs`. Change the code, not this page. -->\n";

fn config_schema() -> String {
    format!("{:#}\n", zonda_config::schema::schema())
}

fn ask_schema() -> String {
    format!("{:#}\n", zonda_assess::schema::asks())
}

fn outcome_schema() -> String {
    format!("{:#}\n", zonda_assess::schema::answers())
}

fn units() -> String {
    let mut page = format!(
        "# Units\n\n{NOTE}\n\
         A value in the configuration is a number and its unit, such as `0-50 m/s`. The record keeps\n\
         every value in the SI unit of its quantity (temperatures in °C); other units exist where\n\
         numbers come in or go out.\n"
    );
    for quantity in Quantity::ALL {
        let units: Vec<Unit> = Unit::ALL
            .iter()
            .copied()
            .filter(|unit| quantity.accepts(*unit))
            .collect();
        let title = quantity.to_string().replace('_', " ");
        let _ = write!(
            page,
            "\n## {title}\n\nRecorded in {}.\n\n\
             | unit | also written | 1 is, in {} | a difference of 1 is |\n| --- | --- | ---: | ---: |\n",
            quantity.si(),
            quantity.si()
        );
        for unit in units {
            let _ = writeln!(
                page,
                "| {unit} | {} | {} | {} |",
                spellings(unit),
                unit.to_si(1.0),
                unit.difference_to_si(1.0)
            );
        }
    }
    page
}

fn spellings(unit: Unit) -> String {
    let quoted: Vec<String> = unit
        .aliases()
        .iter()
        .map(|text| format!("`{text}`"))
        .collect();
    quoted.join(", ")
}

fn flags() -> String {
    let mut page = format!(
        "# Flags and causes\n\n{NOTE}\n\
         ## Quality of a sample\n\n\
         The column `flags` of the record is the sum of the numbers that stand; 0 is good.\n\n\
         | number | word | worth |\n| ---: | --- | --- |\n"
    );
    for flag in Quality::all().iter() {
        let worth = format!("{:?}", flag.worth()).to_lowercase();
        let _ = writeln!(page, "| {} | `{flag}` | {worth} |", flag.bits());
    }
    page.push_str("\n## Why there is no sample\n\n");
    for cause in Cause::ALL {
        let _ = writeln!(page, "- `{cause}`");
    }
    page
}
