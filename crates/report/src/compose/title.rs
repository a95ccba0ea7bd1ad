//! The title page: what was tested, for whom, by whom, when, and what came of it.

use zonda_assess::{Judged, Outcome};
use zonda_model::run::State;
use zonda_store::Field;

use super::{Parts, results, words};
use crate::document::{Block, Said, Table};

pub(super) fn page(parts: &Parts) -> Vec<Block> {
    let mut blocks = Vec::new();
    if let Some(logo) = &parts.logo {
        let shows = parts.laboratory_name().unwrap_or("logo");
        blocks.push(Block::Picture {
            address: logo.clone(),
            shows: shows.to_owned(),
        });
    }
    let run = parts.dossier.run.name();
    blocks.push(Block::Title(format!("Test report: {run}")));
    blocks.push(Block::Facts(facts(parts)));
    if let Some(text) = &parts.laboratory.introduction {
        blocks.push(Block::Text(text.clone()));
    }
    blocks.push(super::flowing("What came of it"));
    blocks.extend(verdicts(parts));
    blocks.push(Block::Contents);
    blocks
}

fn facts(parts: &Parts) -> Vec<(String, Said)> {
    let dossier = &parts.dossier;
    let run = &dossier.run;
    let word = |field| Said::or_open(run.word(field));
    let text = |text: String| Said::Text(text);
    let (from, to) = run.range;
    let length = words::span(run.stretch.to.since(run.stretch.from).as_secs_f64());
    let mut facts = vec![
        ("Report", text(parts.number())),
        ("Laboratory", Said::or_open(parts.laboratory_name())),
        (
            "Address",
            Said::or_open(parts.laboratory.address.as_deref()),
        ),
        (
            "Customer",
            Said::or_open(parts.laboratory.customer.as_deref()),
        ),
        ("Object", word(Field::Object)),
        ("Purpose", word(Field::Purpose)),
        ("Operator", word(Field::Operator)),
        ("Ambient conditions", word(Field::Ambient)),
        (
            "Measured",
            text(format!(
                "{} to {} ({length})",
                words::time(from),
                words::time(to)
            )),
        ),
        ("Report made", text(words::time(parts.made))),
        (
            "Recorded by",
            text(format!(
                "{}, {} channels",
                dossier.recorded_by(),
                run.channels.len()
            )),
        ),
    ];
    if let Some(config) = run.config() {
        facts.push(("Configuration", text(config.to_owned())));
    }
    let seal = dossier.seal.as_ref().map(|seal| {
        format!(
            "link {}, {}; the record goes up to {} there. “zonda verify” proves the record against it",
            seal.link,
            seal.hex(),
            words::time(dossier.utc.of(seal.at))
        )
    });
    let seal = seal.unwrap_or_else(|| "none: the record is not sealed".to_owned());
    facts.push(("Seal", text(seal)));
    if let Some(said) = &parts.laboratory.accreditation {
        facts.push(("Accreditation", text(said.clone())));
    }
    let facts = facts.into_iter();
    facts.map(|(what, said)| (what.to_owned(), said)).collect()
}

/// Verdicts that stand on the title page as boxes; more stand in a table.
const BOXES_MAX: usize = 4;

/// A verdict for each criterion that was asked.
fn verdicts(parts: &Parts) -> Vec<Block> {
    let judged = parts.outcomes().flat_map(|outcome| {
        let verdicts = outcome.verdicts.iter();
        verdicts.map(move |judged| (outcome, judged))
    });
    let judged: Vec<_> = judged.collect();
    if judged.is_empty() {
        let why = if parts.evaluated.is_empty() {
            "No evaluation was asked of this run; the report shows what was recorded."
        } else {
            "No criterion was asked of this run; the results stand below without a verdict."
        };
        return vec![Block::Text(why.to_owned())];
    }
    let mut blocks = if judged.len() > BOXES_MAX {
        vec![Block::Table(verdict_table(&judged))]
    } else {
        judged.iter().copied().map(verdict).collect()
    };
    let mut rules: Vec<String> = Vec::new();
    for (_, judged) in &judged {
        let rule = format!("Rule “{}”: {}.", judged.rule, judged.meaning);
        if !rules.contains(&rule) {
            rules.push(rule);
        }
    }
    blocks.push(Block::Text(rules.join(" ")));
    blocks
}

fn verdict((outcome, judged): (&Outcome, &Judged)) -> Block {
    Block::Verdict {
        what: format!("{}: {}", outcome.title, judged.what),
        words: judged.verdict.words().to_owned(),
        by: format!(
            "Found: {}. Asked: {}. Rule: {}.",
            results::judged(outcome, judged),
            results::limits(judged),
            judged.rule
        ),
    }
}

fn verdict_table(judged: &[(&Outcome, &Judged)]) -> Table {
    let mut table = Table::new(
        "Verdicts",
        &["criterion", "found", "asked", "rule", "verdict"],
    );
    for (outcome, judged) in judged {
        table.row([
            format!("{}: {}", outcome.title, judged.what),
            results::judged(outcome, judged),
            results::limits(judged),
            judged.rule.clone(),
            judged.verdict.words().to_owned(),
        ]);
    }
    table
}

pub(super) fn cautions(parts: &Parts) -> Vec<String> {
    let run = &parts.dossier.run;
    let mut said = Vec::new();
    if matches!(run.row.state, State::Running(_)) {
        said.push("The run goes on: this report is preliminary.".to_owned());
    }
    for gap in run.row.state.interruptions() {
        said.push(format!(
            "Nobody recorded from {} to {}: the run was interrupted.",
            words::time(parts.dossier.utc.of(gap.from)),
            words::time(parts.dossier.utc.of(gap.to))
        ));
    }
    if parts.config.is_none() {
        said.push(
            "The configuration of the run cannot be read by this program: meters, certificates and layouts are not shown."
                .to_owned(),
        );
    }
    said
}
