//! The results of each evaluation, with uncertainties, what went in, and the budgets behind them.

mod places;

use zonda_assess::{Figure, Outcome, Ruling, Series, TableRow};
use zonda_model::Stamp;

use super::{Parts, is_within, words};
use crate::document::{Block, Said, Table};
use crate::plot::Course;

/// Budgets that are printed of one evaluation; the command line has the others.
const BUDGETS_MAX: usize = 40;

pub(super) fn sections(parts: &Parts) -> Vec<Block> {
    let mut blocks = Vec::new();
    for evaluated in &parts.evaluated {
        blocks.push(super::section(&format!("Result: {}", evaluated.title)));
        match &evaluated.outcome {
            Ok(outcome) => blocks.extend(section(outcome)),
            Err(why) => blocks.push(Block::Caution(format!("There is no result: {why}."))),
        }
    }
    blocks
}

fn section(outcome: &Outcome) -> Vec<Block> {
    let mut blocks = vec![Block::Facts(facts(outcome))];
    blocks.extend(outcome.warnings.iter().cloned().map(Block::Caution));
    if !outcome.verdicts.is_empty() {
        blocks.push(Block::Table(verdicts(outcome)));
    }
    blocks.push(Block::Table(figures(outcome)));
    blocks.extend(places::blocks(outcome));
    for table in &outcome.tables {
        blocks.push(Block::Table(rows(table)));
    }
    for series in &outcome.series {
        blocks.extend(course(series));
    }
    blocks.push(Block::Table(inputs(outcome)));
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
    let allowed = if outcome.policy.allow.is_empty() {
        "none beside those that only say where a reading comes from".to_owned()
    } else {
        outcome.policy.allow.join(", ")
    };
    facts.push((
        "Readings used".to_owned(),
        text(format!(
            "good ones; flags allowed: {allowed}; they must speak for {} of the stretch",
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
        words::read_time(&stretch.from),
        words::read_time(&stretch.to),
        words::span(stretch.length_s)
    )
}

fn verdicts(outcome: &Outcome) -> Table {
    let mut table = Table::new(
        "Criteria",
        &[
            "criterion",
            "#value",
            "#at least",
            "#at most",
            "unit",
            "rule",
            "verdict",
        ],
    );
    for judged in &outcome.verdicts {
        table.row([
            judged.what.clone(),
            words::number(judged.value),
            words::or_dash(judged.low),
            words::or_dash(judged.high),
            judged.unit.clone(),
            judged.rule.clone(),
            judged.verdict.words().to_owned(),
        ]);
    }
    table
}

fn figures(outcome: &Outcome) -> Table {
    let mut table = Table::new(
        "Results; U is the expanded uncertainty, k its coverage factor",
        &[
            "result",
            "of",
            "value and uncertainty",
            "where and when",
            "note",
        ],
    );
    for figure in &outcome.results {
        let at = figure.at.as_deref().map(words::read_time);
        let place = [figure.place.clone(), at];
        let basis = figure.basis.as_ref();
        let stated = match (figure.value, basis) {
            (None, _) => "none".to_owned(),
            (Some(_), Some(basis)) => format!("{}, {basis}", figure.stated),
            (Some(_), None) => figure.stated.clone(),
        };
        table.row([
            figure.name.clone(),
            figure.of.clone().unwrap_or_default(),
            stated,
            place.into_iter().flatten().collect::<Vec<_>>().join(", "),
            figure.note.clone().unwrap_or_default(),
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
    );
    for row in &table.rows {
        rows.row([
            words::read_time(&row.from),
            words::read_time(&row.to),
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
        "What went in",
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
    );
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
fn course(series: &Series) -> Option<Block> {
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
    let course = Course {
        name: format!("{}{of}", series.name),
        unit: series.unit.clone(),
        range: (from, end(series, from)),
        points: series.values.iter().enumerate().map(point).collect(),
        gaps: Vec::new(),
        faults: Vec::new(),
        marks: Vec::new(),
    };
    Some(Block::Figure(course.svg(170.0), String::new()))
}

fn end(series: &Series, from: Stamp) -> Stamp {
    let count = u32::try_from(series.values.len()).unwrap_or(u32::MAX);
    let span = f64::from(count.max(1)) * series.step_s;
    from.plus(std::time::Duration::from_secs_f64(span))
}

/// What makes up the uncertainty of each result.
pub(super) fn budgets(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::flowing("Uncertainty budgets")];
    blocks.push(Block::Text(
        "By JCGM 100:2008 (GUM): u is a standard uncertainty, the sensitivity says by how much the result moves with it, the share is that of the variance. A is by statistics, B by other knowledge."
            .to_owned(),
    ));
    for outcome in parts.outcomes() {
        let with = outcome
            .results
            .iter()
            .filter(|figure| figure.budget.is_some());
        let with: Vec<_> = with.collect();
        for figure in with.iter().take(BUDGETS_MAX) {
            blocks.extend(budget(outcome, figure));
        }
        if with.len() > BUDGETS_MAX {
            blocks.push(Block::Text(format!(
                "{} more budgets of {} are shown by `zonda evaluate {} --budgets`.",
                with.len() - BUDGETS_MAX,
                outcome.title,
                outcome.run
            )));
        }
    }
    if blocks.len() == 2 {
        blocks.push(Block::Text("No result carries a budget.".to_owned()));
    }
    blocks
}

fn budget(outcome: &Outcome, figure: &Figure) -> Option<Block> {
    let budget = figure.budget.as_ref()?;
    let of = figure.of.as_ref();
    let of = of.map_or_else(String::new, |of| format!(" of {of}"));
    let mut table = Table::new(
        format!("{}: {}{of} = {}", outcome.title, figure.name, figure.stated),
        &[
            "whose",
            "what",
            "type",
            "distribution",
            "#u",
            "unit",
            "#sensitivity",
            "#contribution",
            "#share",
        ],
    );
    for row in &budget.rows {
        table.row([
            row.of.clone(),
            row.what.clone(),
            row.evaluation.clone(),
            row.distribution.clone(),
            words::number(row.u),
            row.unit.clone(),
            words::number(row.sensitivity),
            words::number(row.contribution),
            words::percent(row.share),
        ]);
    }
    for cause in &budget.omitted {
        let dash = || "–".to_owned();
        table.row([
            cause.of.clone(),
            format!("{}: there, but nobody said how large it is", cause.what),
            dash(),
            dash(),
            dash(),
            dash(),
            dash(),
            dash(),
            dash(),
        ]);
    }
    Some(Block::Table(table))
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
