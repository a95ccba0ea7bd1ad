//! The reference pages in `docs/` are made from the code, so that they cannot rot: each in the tree is what the
//! code says now. `cargo xtask docs` makes them anew (it sets `WRITE_DOCS`).
//!
//! They stand here because the evaluations are the highest thing that a page tells of.

#![allow(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use zonda_model::{Cause, Quality, Quantity, Unit};

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

#[test]
fn pages_say_what_the_code_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let stale: Vec<&str> = PAGES
        .into_iter()
        .filter(|(path, text)| fs::read_to_string(root.join(path)).ok() != Some(text()))
        .map(|(path, _)| path)
        .collect();
    if std::env::var_os("WRITE_DOCS").is_none() {
        assert!(
            stale.is_empty(),
            "out of date: {}; run `cargo xtask docs`",
            stale.join(", ")
        );
        return;
    }
    for (path, text) in PAGES.iter().filter(|(path, _)| stale.contains(path)) {
        fs::write(root.join(path), text()).unwrap();
        println!("wrote {path}");
    }
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
