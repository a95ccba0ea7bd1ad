//! The sheet of results: what came of each evaluation that the run was asked, a row for each result and for
//! each limit, and why there is none.

use rust_xlsxwriter::{Worksheet, XlsxError};
use zonda_assess::{Figure, Judged, Outcome};
use zonda_model::Stamp;

use super::serial;
use super::sheets::Sheets;
use crate::compose::Evaluated;

const TITLES: [&str; 17] = [
    "evaluation",
    "result",
    "of",
    "value",
    "unit",
    "basis",
    "U (95.45 %)",
    "k",
    "at least",
    "at most",
    "rule",
    "verdict",
    "coverage",
    "for people",
    "when [UTC]",
    "where",
    "note",
];

/// The sheet. Numbers are in SI; `for people` has them in the channel's own unit.
pub(super) fn sheet(sheets: &Sheets<'_>, evaluated: &[Evaluated]) -> Result<Worksheet, XlsxError> {
    let mut sheet = sheets.table("results", &TITLES)?;
    let mut row = 1;
    for one in evaluated {
        match &one.outcome {
            Ok(outcome) => {
                for figure in &outcome.results {
                    write_figure(sheets, &mut sheet, row, (&one.title, outcome, figure))?;
                    row += 1;
                }
                for judged in &outcome.verdicts {
                    write_judged(sheets, &mut sheet, row, (&one.title, judged))?;
                    row += 1;
                }
            }
            Err(why) => {
                let mut line = sheets.line(&mut sheet, row);
                line.text(&one.title)?;
                line.text("none")?;
                line.skip_to(column("note"));
                line.text(why)?;
                row += 1;
            }
        }
    }
    Ok(sheet)
}

fn write_figure(
    sheets: &Sheets<'_>,
    sheet: &mut Worksheet,
    row: u32,
    (title, outcome, figure): (&str, &Outcome, &Figure),
) -> Result<(), XlsxError> {
    let mut line = sheets.line(sheet, row);
    line.text(title)?;
    line.text(&figure.name)?;
    line.text(figure.of.as_deref().unwrap_or_default())?;
    line.number(figure.value)?;
    line.text(&figure.unit)?;
    line.text(figure.basis.as_deref().unwrap_or_default())?;
    line.number(figure.expanded)?;
    line.number(figure.k)?;
    line.skip_to(column("coverage"));
    line.number(coverage(outcome, figure))?;
    line.text(if figure.value.is_some() {
        &figure.stated
    } else {
        "none"
    })?;
    line.stamp(figure.at.as_deref().and_then(moment).map(serial))?;
    line.text(figure.place.as_deref().unwrap_or_default())?;
    line.text(figure.note.as_deref().unwrap_or_default())
}

fn write_judged(
    sheets: &Sheets<'_>,
    sheet: &mut Worksheet,
    row: u32,
    (title, judged): (&str, &Judged),
) -> Result<(), XlsxError> {
    let mut line = sheets.line(sheet, row);
    line.text(title)?;
    line.text(&judged.what)?;
    line.skip_to(column("value"));
    line.number(Some(judged.value))?;
    line.text(&judged.unit)?;
    line.skip_to(column("at least"));
    line.number(judged.low)?;
    line.number(judged.high)?;
    line.text(&judged.rule)?;
    line.text(judged.verdict.words())?;
    line.skip_to(column("note"));
    line.text(&judged.meaning)
}

/// The share of the stretch that the readings behind a result speak for: of its channel, or the least of all that went in.
fn coverage(outcome: &Outcome, figure: &Figure) -> Option<f64> {
    let of = figure.of.as_deref();
    let own = outcome
        .inputs
        .iter()
        .find(|input| Some(input.channel.as_str()) == of);
    let all = || {
        outcome
            .inputs
            .iter()
            .map(|input| input.tally.coverage)
            .reduce(f64::min)
    };
    own.map(|input| input.tally.coverage).or_else(all)
}

fn moment(text: &str) -> Option<Stamp> {
    let at: jiff::Timestamp = text.parse().ok()?;
    Some(Stamp::from_micros(at.as_microsecond()))
}

/// Where a column stands.
fn column(title: &str) -> u16 {
    (0..)
        .zip(TITLES)
        .find(|(_, own)| *own == title)
        .map_or(0, |(column, _)| column)
}
