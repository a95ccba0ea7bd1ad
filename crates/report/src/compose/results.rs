//! The results of each evaluation with their uncertainties; what went in and long tables stand in an appendix.

mod figures;
mod places;
mod stated;

use zonda_assess::{Outcome, Ruling, Series, TableRow};
use zonda_model::Stamp;

use super::{Parts, is_within, words};
use crate::document::{Block, Figure, Said, Table};
use crate::plot::Course;

pub(super) use stated::{judged, limits, of_figure};

/// The confidence of every U here: that of k = 2 with many degrees of freedom.
const CONVENTION: &str = "A number after ± is the expanded uncertainty U with a level of confidence of 95.45 %; its coverage factor is k = 2.00 where no other one is stated (JCGM 100:2008, clause 6). A result without ± has none that could be worked out.";

/// Rows of an evaluation's tables that are printed: some twenty pages.
const ROWS_MAX: usize = 1_500;

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::flowing("Results")];
    if parts.evaluated.is_empty() {
        blocks.push(Block::Text(
            "No evaluation was asked of this run.".to_owned(),
        ));
        return blocks;
    }
    blocks.push(Block::Text(format!("{CONVENTION} All times are UTC.")));
    let mut drawn = Vec::new();
    for evaluated in &parts.evaluated {
        blocks.push(Block::Heading(evaluated.title.clone()));
        match &evaluated.outcome {
            Ok(outcome) => {
                blocks.extend(result(outcome));
                blocks.extend(places(outcome, &mut drawn));
            }
            Err(why) => blocks.push(Block::Caution(format!("There is no result: {why}."))),
        }
    }
    blocks
}

fn result(outcome: &Outcome) -> Vec<Block> {
    let mut blocks = vec![Block::Facts(facts(outcome))];
    let said = outcome.warnings.iter().filter(|said| {
        // The title page and every page say so.
        !said.contains("`simulated`")
    });
    blocks.extend(said.map(|said| Block::Caution(words::sentence(&words::told(said)))));
    if !outcome.verdicts.is_empty() {
        blocks.push(Block::Table(verdicts(outcome)));
    }
    blocks.extend(figures::tables(outcome).into_iter().map(Block::Table));
    blocks
}

/// The results at their places; where an evaluation before had the same ones, only whose they are.
fn places<'a>(outcome: &'a Outcome, drawn: &mut Vec<&'a Outcome>) -> Vec<Block> {
    let mut before = drawn.iter();
    let alike = before.find(|other| other.layout.is_some() && other.layout == outcome.layout);
    if let Some(other) = alike {
        return vec![Block::Text(format!(
            "The means at the places are those drawn with {}.",
            other.title
        ))];
    }
    drawn.push(outcome);
    places::blocks(outcome)
}

/// What each evaluation rests on, row by row.
pub(super) fn appendix(parts: &Parts) -> Vec<Block> {
    if parts.outcomes().next().is_none() {
        return Vec::new();
    }
    let mut blocks = vec![super::annex("What the results rest on")];
    for outcome in parts.outcomes() {
        blocks.push(Block::Heading(outcome.title.clone()));
        blocks.push(Block::Table(inputs(outcome)));
        let count: usize = outcome.tables.iter().map(|table| table.rows.len()).sum();
        if count > ROWS_MAX {
            blocks.push(Block::Text(format!(
                "Its {count} rows are too many to print; “zonda evaluate {} --json” gives each of them.",
                outcome.run
            )));
        } else {
            blocks.extend(outcome.tables.iter().map(|table| Block::Table(rows(table))));
        }
        let drawn: Vec<_> = outcome.series.iter().filter_map(course).collect();
        if !drawn.is_empty() {
            blocks.push(Block::Figures(drawn));
        }
    }
    blocks
}

fn facts(outcome: &Outcome) -> Vec<(String, Said)> {
    let text = |text: String| Said::Text(text);
    let mut facts = vec![
        (
            "Evaluation".to_owned(),
            text(outcome.ask.question.word().to_owned()),
        ),
        ("Speaks for".to_owned(), text(spoken(&outcome.stretch))),
    ];
    if let Some(within) = &outcome.within {
        facts.push(("Asked for".to_owned(), text(spoken(within))));
    }
    let channels: Vec<_> = outcome
        .inputs
        .iter()
        .map(|input| input.channel.as_str())
        .collect();
    facts.push(("Channels".to_owned(), text(channels.join(", "))));
    let allowed = if outcome.policy.allow.is_empty() {
        String::new()
    } else {
        format!("; flags allowed: {}", outcome.policy.allow.join(", "))
    };
    facts.push((
        "Readings used".to_owned(),
        text(format!(
            "good ones{allowed}; they must speak for {} of the stretch",
            words::percent(outcome.policy.coverage_min)
        )),
    ));
    if let Some(layout) = &outcome.layout {
        let rule = layout.rule.as_ref();
        let rule = rule.map_or_else(String::new, |rule| format!(", points by the {rule} rule"));
        facts.push((
            "Layout".to_owned(),
            text(format!("{}: {}{rule}", layout.name, layout.shape)),
        ));
    }
    facts
}

fn spoken(stretch: &zonda_assess::Stretch) -> String {
    format!(
        "{} to {} ({})",
        words::bare_read_time(&stretch.from),
        words::bare_read_time(&stretch.to),
        words::span(stretch.length_s)
    )
}

fn verdicts(outcome: &Outcome) -> Table {
    let mut table = Table::new(
        format!("Criteria of {}", outcome.title),
        &["criterion", "result", "asked", "rule", "verdict"],
    );
    for verdict in &outcome.verdicts {
        table.row([
            verdict.what.clone(),
            judged(outcome, verdict),
            limits(verdict),
            verdict.rule.clone(),
            verdict.verdict.words().to_owned(),
        ]);
    }
    table
}

fn rows(table: &zonda_assess::Table) -> Table {
    let of = table.of.as_ref();
    let of = of.map_or_else(String::new, |of| format!(" of {of}"));
    let mut rows = Table::new(
        format!("{}{of} [{}]", table.name, table.unit),
        &[
            "from",
            "to",
            "#value",
            "#U",
            "#std. dev.",
            "#coverage",
            "note",
        ],
    )
    .small();
    for row in &table.rows {
        rows.row([
            words::bare_read_time(&row.from),
            words::bare_read_time(&row.to),
            words::or_dash(row.value),
            words::or_dash(row.expanded),
            words::or_dash(row.sd),
            row.coverage.map_or_else(|| "–".to_owned(), words::percent),
            remark(row),
        ]);
    }
    rows
}

fn remark(row: &TableRow) -> String {
    let said = [row.word.clone(), row.note.clone()];
    said.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

fn inputs(outcome: &Outcome) -> Table {
    let mut table = Table::new(
        format!("What went into {}", outcome.title),
        &[
            "channel",
            "point",
            "certificate",
            "#samples",
            "#used",
            "left out for",
            "missing",
            "#coverage",
        ],
    )
    .small();
    for input in &outcome.inputs {
        let tally = &input.tally;
        let counted = |counts: &std::collections::BTreeMap<String, u64>| {
            let said = counts.iter().map(|(word, count)| format!("{count} {word}"));
            said.collect::<Vec<_>>().join(", ")
        };
        table.row([
            input.channel.clone(),
            input.point.clone().unwrap_or_default(),
            input
                .certificate
                .clone()
                .unwrap_or_else(|| "not stated".to_owned()),
            tally.samples.to_string(),
            tally.used.to_string(),
            counted(&tally.left_out_for),
            counted(&tally.missing),
            words::percent(tally.coverage),
        ]);
    }
    table
}

/// A course that an evaluation worked out.
fn course(series: &Series) -> Option<Figure> {
    let from = words::stamp(&series.from)?;
    let at = |index: usize| {
        let index = u32::try_from(index).unwrap_or(u32::MAX);
        from.plus(std::time::Duration::from_secs_f64(
            (f64::from(index) + 0.5) * series.step_s,
        ))
    };
    let point = |(index, value): (usize, &Option<f64>)| {
        let value = (*value)?;
        Some((at(index), value, value, value))
    };
    let of = series.of.as_ref();
    let of = of.map_or_else(String::new, |of| format!(" of {of}"));
    let name = format!("{}{of}", series.name);
    let course = Course {
        name: name.clone(),
        unit: series.unit.clone(),
        range: (from, end(series, from)),
        points: series.values.iter().enumerate().map(point).collect(),
        gaps: Vec::new(),
        faults: Vec::new(),
        marks: Vec::new(),
        beside: Vec::new(),
    };
    Some(Figure {
        svg: course.small_svg(),
        caption: String::new(),
        alt: format!("Plot over time: {name}, in {}.", series.unit),
    })
}

fn end(series: &Series, from: Stamp) -> Stamp {
    let count = u32::try_from(series.values.len()).unwrap_or(u32::MAX);
    let span = f64::from(count.max(1)) * series.step_s;
    from.plus(std::time::Duration::from_secs_f64(span))
}

pub(super) fn cautions(parts: &Parts) -> Vec<String> {
    let mut cautions = Vec::new();
    for evaluated in &parts.evaluated {
        match &evaluated.outcome {
            Err(why) => cautions.push(format!("{} has no result: {why}.", evaluated.title)),
            Ok(outcome) => {
                let open = outcome
                    .verdicts
                    .iter()
                    .filter(|judged| !is_within(judged.verdict));
                cautions.extend(open.map(|judged| {
                    let words = match judged.verdict {
                        Ruling::Undecided => "is too near its limit to be decided",
                        _ => "does not conform",
                    };
                    format!("{}: {} {words}.", outcome.title, judged.what)
                }));
                if let Some(correction) = &outcome.outdated {
                    cautions.push(format!(
                        "{} no longer holds: correction no. {} was made since.",
                        outcome.title, correction.id
                    ));
                }
            }
        }
    }
    cautions
}
