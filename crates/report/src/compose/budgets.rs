//! The budget behind each number that has an uncertainty. Lines that do not matter are told together.

use zonda_assess::{Figure, Outcome};

use super::results::of_figure;
use super::{Parts, words};
use crate::document::{Block, Table};

/// Lines with a smaller share of the variance are told as one: together they move U by less than half a percent
/// where there are ten of them.
const SHARE_MIN: f64 = 0.001;

/// Budgets that are printed of one evaluation; the command line has the others.
const BUDGETS_MAX: usize = 40;

pub(super) fn appendix(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::annex("Uncertainty budgets")];
    blocks.push(Block::Text(format!(
        "By JCGM 100:2008 (GUM): u is a standard uncertainty, the sensitivity says by how much the result moves with it, the share is that of the variance. A is by statistics, B by other knowledge. Lines with less than {} of the variance are told together; “zonda evaluate {} --budgets” shows each.",
        words::percent(SHARE_MIN),
        parts.dossier.run.name()
    )));
    let mut count = 0;
    for outcome in parts.outcomes() {
        let with: Vec<_> = outcome
            .results
            .iter()
            .filter(|figure| figure.budget.is_some())
            .collect();
        for figure in with.iter().take(BUDGETS_MAX) {
            blocks.extend(budget(outcome, figure).into_iter().flatten());
            count += 1;
        }
        if with.len() > BUDGETS_MAX {
            blocks.push(Block::Text(format!(
                "{} more budgets of {} are shown by “zonda evaluate {} --budgets”.",
                with.len() - BUDGETS_MAX,
                outcome.title,
                outcome.run
            )));
        }
    }
    if count == 0 {
        blocks.push(Block::Text("No result carries a budget.".to_owned()));
    }
    blocks
}

fn budget(outcome: &Outcome, figure: &Figure) -> Option<Vec<Block>> {
    let budget = figure.budget.as_ref()?;
    let of = figure.of.as_ref();
    let of = of.map_or_else(String::new, |of| format!(" of {of}"));
    let mut table = Table::new(
        format!(
            "{}: {}{of} = {}",
            outcome.title,
            figure.name,
            of_figure(figure)
        ),
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
    )
    .small();
    let matters = |share: f64| share.abs() >= SHARE_MIN;
    let (mut large, small): (Vec<_>, Vec<_>) =
        budget.rows.iter().partition(|row| matters(row.share));
    large.sort_by(|one, two| two.share.total_cmp(&one.share));
    for row in &large {
        table.row([
            row.of.clone(),
            words::told(&row.what),
            row.evaluation.clone(),
            row.distribution.clone(),
            words::digits(row.u, 3),
            row.unit.clone(),
            words::digits(row.sensitivity, 3),
            words::digits(row.contribution, 3),
            share(row.share),
        ]);
    }
    if !small.is_empty() {
        let together = small.iter().map(|row| row.share).sum();
        let told = ["all others".to_owned(), words::counted(small.len(), "line")];
        let dashes = std::iter::repeat_n("–".to_owned(), 6);
        table.row(told.into_iter().chain(dashes).chain([share(together)]));
    }
    let mut blocks = vec![Block::Table(table)];
    if !budget.omitted.is_empty() {
        let mut causes: Vec<(&str, Vec<&str>)> = Vec::new();
        for cause in &budget.omitted {
            match causes.iter_mut().find(|(what, _)| *what == cause.what) {
                Some((_, whose)) => whose.push(&cause.of),
                None => causes.push((&cause.what, vec![&cause.of])),
            }
        }
        let causes = causes.into_iter();
        let causes: Vec<_> = causes
            .map(|(what, whose)| format!("{what} of {}", whose.join(", ")))
            .collect();
        blocks.push(Block::Text(format!(
            "Not in it, since nobody said how large it is: {}.",
            causes.join("; ")
        )));
    }
    Some(blocks)
}

/// A share of the variance, to a tenth of a percent.
fn share(share: f64) -> String {
    format!("{:.1} %", share * 100.0).replace('-', "−")
}
