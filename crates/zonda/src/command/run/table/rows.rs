//! Evaluations that say the same of several channels: a column a channel, or a line a channel.

use std::fmt::Write;

use comfy_table::CellAlignment;
use serde_json::Value;
use zonda_model::Unit;

use super::{plain, text, trimmed};
use crate::command::run::door::Door;

/// Windows that are shown; of more the newest.
const WINDOWS_MAX: usize = 24;
/// Channels that stand side by side; of more, only what the windows come to.
const COLUMNS_MAX: usize = 6;
/// What the windows come to, and the word for it under their column.
const SUMS: [(&str, &str); 4] = [
    ("mean of windows", "mean"),
    ("standard deviation of windows", "std. deviation"),
    ("lowest window", "lowest"),
    ("highest window", "highest"),
];

/// A window a line, a channel a column, and what they come to below.
pub(super) fn windows(out: &mut String, outcome: &Value, door: &Door) {
    let channels = list(&outcome["inputs"]);
    if channels.len() > COLUMNS_MAX {
        return sums(out, outcome, channels);
    }
    let columns: Vec<(&Value, &[Value])> = channels
        .iter()
        .map(|channel| (channel, rows_of(outcome, &channel["channel"])))
        .collect();
    let count = columns.iter().map(|(_, rows)| rows.len()).max();
    let skipped = count.unwrap_or(0).saturating_sub(WINDOWS_MAX);
    let mut table = plain();
    let head = |channel: &&Value| format!("{} {}", text(&channel["channel"]), unit_of(channel));
    let heads = channels.iter().map(|channel| head(&channel));
    table.set_header([String::from("    from")].into_iter().chain(heads));
    for index in skipped..count.unwrap_or(0) {
        let row = |rows: &&[Value]| rows.get(index).cloned().unwrap_or_default();
        let from = columns.iter().map(|(_, rows)| row(rows)).find_map(|row| {
            let from = row["from"].as_str()?;
            Some(door.shown(from))
        });
        let cells = columns
            .iter()
            .map(|(channel, rows)| mean(channel, &row(rows)));
        let from = format!("    {}", from.unwrap_or_default());
        table.add_row([from].into_iter().chain(cells));
    }
    for (name, word) in SUMS {
        let cells = channels
            .iter()
            .map(|channel| bare(&stated(outcome, name, &channel["channel"])));
        table.add_row([format!("    {word}")].into_iter().chain(cells));
    }
    align(&mut table, channels.len());
    let _ = writeln!(out, "{}", trimmed(&table));
    if skipped > 0 {
        let _ = writeln!(out, "     the newest {WINDOWS_MAX}; {skipped} before them");
    }
}

/// A channel a line: what its windows come to.
fn sums(out: &mut String, outcome: &Value, channels: &[Value]) {
    let mut table = plain();
    let heads = SUMS.iter().map(|(_, word)| (*word).to_owned());
    table.set_header([String::from("    channel")].into_iter().chain(heads));
    for channel in channels {
        let name = &channel["channel"];
        let cells = SUMS.iter().map(|(sum, _)| stated(outcome, sum, name));
        let name = format!("    {}", text(name));
        table.add_row([name].into_iter().chain(cells));
    }
    align(&mut table, SUMS.len());
    let _ = writeln!(out, "{}", trimmed(&table));
}

/// A channel a line: how long it was steady, since when first, and the longest at a stretch.
pub(super) fn steady(out: &mut String, outcome: &Value, door: &Door) {
    let mut table = plain();
    table.set_header(["    channel", "steady for", "first", "longest", "from"]);
    let every = list(&outcome["tables"]).iter().map(|table| &table["of"]);
    for of in every {
        let at = |name: &str| {
            let at = result(outcome, name, of)["at"].as_str();
            at.map(|at| door.shown(at)).unwrap_or_default()
        };
        let first = match at("first steady after") {
            never if never.is_empty() => "never in this stretch".to_owned(),
            first => first,
        };
        table.add_row([
            format!("    {}", text(of)),
            stated(outcome, "time steady", of),
            first,
            stated(outcome, "longest steady", of),
            at("longest steady"),
        ]);
    }
    for column in [1, 3] {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let _ = writeln!(out, "{}", trimmed(&table));
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn rows_of<'a>(outcome: &'a Value, channel: &Value) -> &'a [Value] {
    let mut tables = list(&outcome["tables"]).iter();
    let found = tables.find(|table| table["of"] == *channel);
    found.map_or(&[], |table| list(&table["rows"]))
}

fn result<'a>(outcome: &'a Value, name: &str, of: &Value) -> &'a Value {
    let mut results = list(&outcome["results"]).iter();
    let found = results.find(|result| result["name"] == name && result["of"] == *of);
    found.unwrap_or(&Value::Null)
}

fn stated(outcome: &Value, name: &str, of: &Value) -> String {
    text(&result(outcome, name, of)["stated"])
}

/// Without its unit, which the column names.
fn bare(stated: &str) -> String {
    stated.split(' ').next().unwrap_or_default().to_owned()
}

fn unit_of(channel: &Value) -> Unit {
    let unit = text(&channel["shown_in"]).parse();
    unit.unwrap_or(Unit::One)
}

/// The mean of a window with U, in the unit in which its channel is shown; why there is none.
fn mean(channel: &Value, row: &Value) -> String {
    let shown = unit_of(channel);
    let si = shown.quantity().si();
    let Some(value) = row["value"].as_f64() else {
        let coverage = row["coverage"].as_f64();
        return coverage.map_or_else(String::new, |share| {
            format!("none: {:.0} % covered", 100.0 * share)
        });
    };
    let value = shown.from_si(si.to_si(value));
    match row["expanded"].as_f64() {
        Some(u) => {
            let u = shown.difference_from_si(si.difference_to_si(u));
            let digits = digits(u);
            format!("{value:.digits$} ± {u:.digits$}")
        }
        None => format!("{value:.2}"),
    }
}

/// Decimals that show two significant digits of an uncertainty (JCGM 100:2008, 7.2.6).
fn digits(u: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "held between 0 and 6"
    )]
    let digits = (1.0 - u.max(1e-12).log10().floor()).clamp(0.0, 6.0) as usize;
    digits
}

fn align(table: &mut comfy_table::Table, columns: usize) {
    for index in 1..=columns {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
}
