//! Outcomes as a person likes to read them.

use std::fmt::Write;
use std::time::Duration;

use comfy_table::{Cell, CellAlignment, ContentArrangement, Table};
use jiff::tz::TimeZone;
use zonda_assess::{Answer, Figure, Outcome};
use zonda_model::Unit;
use zonda_model::run::spelled;

use crate::sheet::trimmed;

/// One answer.
pub(super) fn answer(answer: &Answer, zone: &TimeZone, with_budgets: bool) -> String {
    match (&answer.outcome, &answer.refused) {
        (Some(outcome), _) => self::outcome(outcome, zone, with_budgets),
        (None, why) => format!(
            "{}: no result\n  {}\n\n",
            answer.title,
            why.as_deref().unwrap_or_default()
        ),
    }
}

/// One outcome.
fn outcome(outcome: &Outcome, zone: &TimeZone, with_budgets: bool) -> String {
    let mut out = heading(outcome, zone);
    let _ = writeln!(out, "{}\n", trimmed(&results(outcome, zone).to_string()));
    for judged in &outcome.verdicts {
        let _ = writeln!(
            out,
            "{}: {}, by the rule `{}`\n  ({}; limits {} to {} {})",
            judged.what,
            judged.verdict.words(),
            judged.rule,
            judged.meaning,
            end(judged.low),
            end(judged.high),
            judged.unit
        );
    }
    let wanting = outcome.reached.iter().map(|of| {
        let found = of
            .found
            .map_or_else(|| "not known".to_owned(), |found| format!("{found:.4}"));
        let is = if of.is_reached {
            "reached"
        } else {
            "not reached"
        };
        format!(
            "{} of {}: {found}, {is} ({} {})",
            of.what, of.of, of.wanted, of.unit
        )
    });
    let asked: Vec<String> = wanting
        .zip(&outcome.reached)
        .filter(|(_, of)| of.what == "uncertainty" || !of.is_reached)
        .map(|(line, _)| line)
        .collect();
    list(&mut out, "Asked for", &asked);
    for table in &outcome.tables {
        rows(&mut out, table, zone);
    }
    list(&mut out, "Do not overlook", &outcome.warnings);
    let corrected = outcome.corrections.iter().map(|of| {
        format!(
            "correction {} of {} ({}, {}) is in these values",
            of.id, of.channel, of.reason, of.by
        )
    });
    list(&mut out, "Corrections", &corrected.collect::<Vec<_>>());
    list(
        &mut out,
        "In doubt, but nobody said how much",
        &omitted(outcome),
    );
    if with_budgets {
        budgets(&mut out, outcome);
    }
    inputs(&mut out, outcome);
    out
}

fn heading(outcome: &Outcome, zone: &TimeZone) -> String {
    let mut out = format!(
        "{} of {}{}\n",
        outcome.title,
        outcome.run,
        if outcome.is_preliminary {
            ", so far"
        } else {
            ""
        }
    );
    let length = spelled(Duration::from_secs_f64(outcome.stretch.length_s.max(0.0)));
    let _ = writeln!(
        out,
        "{} to {} ({length})",
        time(&outcome.stretch.from, zone),
        time(&outcome.stretch.to, zone)
    );
    if let Some(within) = &outcome.within {
        let _ = writeln!(
            out,
            "of {} to {} that were asked for",
            time(&within.from, zone),
            time(&within.to, zone)
        );
    }
    out.push('\n');
    out
}

fn results(outcome: &Outcome, zone: &TimeZone) -> Table {
    let mut table = plain();
    table.set_header(["result", "of", "value", "U", "unit", "k", "where, when"]);
    for figure in &outcome.results {
        table.add_row(row(figure, zone));
    }
    for column in [2, 3, 5] {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
}

fn row(figure: &Figure, zone: &TimeZone) -> Vec<Cell> {
    let (value, expanded, unit) = shown(figure);
    let basis = figure.basis.as_deref().map(|basis| format!(" ({basis})"));
    let place = figure.place.clone().unwrap_or_default();
    let at = figure.at.as_deref().map(|at| time(at, zone));
    let mut beside = [place, at.unwrap_or_default()]
        .into_iter()
        .filter(|text| !text.is_empty())
        .collect::<Vec<_>>()
        .join(", ");
    if let Some(note) = &figure.note {
        if !beside.is_empty() {
            beside.push_str("; ");
        }
        beside.push_str(note);
    }
    [
        format!("{}{}", figure.name, basis.unwrap_or_default()),
        figure.of.clone().unwrap_or_default(),
        value,
        expanded,
        unit,
        figure.k.map_or_else(String::new, |k| format!("{k:.2}")),
        beside,
    ]
    .into_iter()
    .map(Cell::new)
    .collect()
}

/// Value and U as they are stated, `(8.57 ± 0.48) m/s (k = …)`, taken apart for columns.
fn shown(figure: &Figure) -> (String, String, String) {
    let inner = figure.stated.strip_prefix('(').and_then(|rest| {
        let (inner, _) = rest.split_once(") ")?;
        inner.split_once(" ± ")
    });
    if let Some((value, expanded)) = inner {
        return (
            value.to_owned(),
            expanded.to_owned(),
            figure.shown_in.clone(),
        );
    }
    let unit = &figure.shown_in;
    match figure.stated.strip_suffix(unit.as_str()) {
        Some(value) if !unit.is_empty() && unit != "1" => {
            (value.trim().to_owned(), String::new(), unit.clone())
        }
        _ => {
            let value = figure.stated.strip_suffix(" 1").unwrap_or(&figure.stated);
            (value.to_owned(), String::new(), String::new())
        }
    }
}

fn rows(out: &mut String, rows: &zonda_assess::Table, zone: &TimeZone) {
    let of = rows.of.as_deref().map(|of| format!(" of {of}"));
    let _ = writeln!(
        out,
        "\n{}{}, {}:",
        rows.name,
        of.unwrap_or_default(),
        rows.unit
    );
    let mut table = plain();
    table.set_header(["from", "to", "", "value", "U", "sd", "coverage", "used"]);
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.3}"));
    for row in &rows.rows {
        table.add_row([
            time(&row.from, zone),
            time(&row.to, zone),
            row.word
                .clone()
                .or_else(|| row.note.clone())
                .unwrap_or_default(),
            number(row.value),
            number(row.expanded),
            number(row.sd),
            row.coverage
                .map_or_else(String::new, |share| format!("{:.1} %", 100.0 * share)),
            row.used.map_or_else(String::new, |used| used.to_string()),
        ]);
    }
    let _ = writeln!(out, "{}", trimmed(&table.to_string()));
}

/// Causes of doubt without a size, gathered by what they come from.
fn omitted(outcome: &Outcome) -> Vec<String> {
    let mut found: Vec<(String, Vec<String>)> = Vec::new();
    let budgets = outcome
        .results
        .iter()
        .filter_map(|figure| figure.budget.as_ref());
    for cause in budgets.flat_map(|budget| &budget.omitted) {
        match found.iter_mut().find(|(what, _)| *what == cause.what) {
            Some((_, of)) if !of.contains(&cause.of) => of.push(cause.of.clone()),
            Some(_) => {}
            None => found.push((cause.what.clone(), vec![cause.of.clone()])),
        }
    }
    found
        .into_iter()
        .map(|(what, of)| match of.len() {
            1..=3 => format!("{what}: {}", of.join(", ")),
            count => format!("{what}: {} and {} more", of[..2].join(", "), count - 2),
        })
        .collect()
}

fn budgets(out: &mut String, outcome: &Outcome) {
    for figure in &outcome.results {
        let Some(budget) = figure
            .budget
            .as_ref()
            .filter(|budget| !budget.rows.is_empty())
        else {
            continue;
        };
        let of = figure.of.as_deref().map(|of| format!(" of {of}"));
        let _ = writeln!(
            out,
            "\nBudget of {}{}:",
            figure.name,
            of.unwrap_or_default()
        );
        let mut table = plain();
        table.set_header([
            "of",
            "what",
            "",
            "distribution",
            "u",
            "sensitivity",
            "contribution",
            "share",
        ]);
        for row in &budget.rows {
            let shared = row.shared.as_deref().map(|by| format!(" ({by})"));
            table.add_row([
                row.of.clone(),
                format!("{}{}", row.what, shared.unwrap_or_default()),
                row.evaluation.clone(),
                row.distribution.clone(),
                format!("{:.3e} {}", row.u, row.unit),
                format!("{:.4} {}", row.sensitivity, row.sensitivity_unit),
                format!("{:.3e} {}", row.contribution, figure.unit),
                format!("{:.1} %", 100.0 * row.share),
            ]);
        }
        let _ = writeln!(out, "{}", trimmed(&table.to_string()));
    }
}

fn inputs(out: &mut String, outcome: &Outcome) {
    let _ = writeln!(out, "\nWhat went in:");
    let mut table = plain();
    table.set_header([
        "channel",
        "point",
        "samples",
        "used",
        "coverage",
        "left out for",
        "missing",
    ]);
    for input in &outcome.inputs {
        let tally = &input.tally;
        let words = |map: &std::collections::BTreeMap<String, u64>| {
            let pairs = map.iter().map(|(word, count)| format!("{word} {count}"));
            pairs.collect::<Vec<_>>().join(", ")
        };
        table.add_row([
            input.channel.clone(),
            input.point.clone().unwrap_or_default(),
            tally.samples.to_string(),
            tally.used.to_string(),
            format!("{:.1} %", 100.0 * tally.coverage),
            words(&tally.left_out_for),
            words(&tally.missing),
        ]);
    }
    let footing = &outcome.basis;
    let sealed = footing.seal.as_ref().map_or_else(
        || "not sealed".to_owned(),
        |seal| format!("seal {} {}", seal.link, head(&seal.hash)),
    );
    let configs: Vec<&str> = footing.configs.iter().map(|hash| head(hash)).collect();
    let allowed = if outcome.policy.allow.is_empty() {
        "good readings only".to_owned()
    } else {
        format!("good readings, and {}", outcome.policy.allow.join(", "))
    };
    let _ = writeln!(
        out,
        "{}\n\n{allowed}; at least {:.0} % covered; program {}; configuration {}; {sealed}\n",
        trimmed(&table.to_string()),
        100.0 * outcome.policy.coverage_min,
        footing.program,
        configs.join(", ")
    );
}

/// Two runs side by side: what both have, and the difference.
pub(super) fn beside(one: &Answer, two: &Answer) -> String {
    if let (Some(one), Some(two)) = (&one.outcome, &two.outcome) {
        return of_both(one, two);
    }
    let mut out = format!("{}: cannot be compared\n", one.title);
    for why in [&one.refused, &two.refused].into_iter().flatten() {
        let _ = writeln!(out, "  {why}");
    }
    out.push('\n');
    out
}

fn of_both(one: &Outcome, two: &Outcome) -> String {
    let mut out = format!("{}: {} beside {}\n\n", one.title, one.run, two.run);
    let mut table = plain();
    table.set_header([
        "result",
        "of",
        one.run.as_str(),
        two.run.as_str(),
        "difference",
        "U of it",
        "unit",
    ]);
    for figure in &one.results {
        let Some(other) = two.result(&figure.name, figure.of.as_deref()) else {
            continue;
        };
        let (first, u, unit) = shown(figure);
        let (second, v, _) = shown(other);
        let (difference, expanded) = difference(figure, other);
        let with = |value: String, u: String| {
            if u.is_empty() {
                value
            } else {
                format!("{value} ± {u}")
            }
        };
        table.add_row([
            figure.name.clone(),
            figure.of.clone().unwrap_or_default(),
            with(first, u),
            with(second, v),
            difference,
            expanded,
            unit,
        ]);
    }
    let _ = writeln!(
        out,
        "{}\n\nU of a difference takes the two as independent, which is more than the truth where both share an instrument: what is common to both runs cancels.\n",
        trimmed(&table.to_string())
    );
    list(
        &mut out,
        &format!("Do not overlook in {}", one.run),
        &one.warnings,
    );
    list(
        &mut out,
        &format!("Do not overlook in {}", two.run),
        &two.warnings,
    );
    out
}

/// In the unit in which they are shown.
fn difference(one: &Figure, two: &Figure) -> (String, String) {
    let Some((a, b)) = one.value.zip(two.value) else {
        return (String::new(), String::new());
    };
    let unit = |symbol: &str| symbol.parse::<Unit>().ok();
    let scale = match unit(&one.unit).zip(unit(&one.shown_in)) {
        Some((si, shown)) => shown.difference_from_si(si.difference_to_si(1.0)),
        None => 1.0,
    };
    let expanded = one.expanded.zip(two.expanded);
    let expanded = expanded.map(|(u, v)| scale * u.hypot(v));
    (
        format!("{:+.4}", scale * (a - b)),
        expanded.map_or_else(String::new, |u| format!("{u:.4}")),
    )
}

fn list(out: &mut String, title: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{title}:");
    for line in lines {
        let _ = writeln!(out, "  {line}");
    }
}

fn plain() -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    table
}

fn time(text: &str, zone: &TimeZone) -> String {
    match text.parse::<jiff::Timestamp>() {
        Ok(at) => at
            .to_zoned_datetime(zone.clone())
            .strftime("%F %T %Z")
            .to_string(),
        Err(_) => text.to_owned(),
    }
}

fn head(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}

fn end(limit: Option<f64>) -> String {
    limit.map_or_else(|| "anything".to_owned(), |limit| limit.to_string())
}
