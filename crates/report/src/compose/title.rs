//! The title page: what was tested, for whom, by whom, when, and what came of it.

use zonda_model::run::State;
use zonda_store::Field;

use super::{Parts, words};
use crate::document::{Block, Said};

pub(super) fn page(parts: &Parts) -> Vec<Block> {
    let mut blocks = Vec::new();
    if let Some(logo) = &parts.logo {
        let shows = parts.laboratory_name().unwrap_or("logo");
        blocks.push(Block::Picture(logo.clone(), shows.to_owned()));
    }
    let run = parts.dossier.run.name();
    blocks.push(Block::Title(format!("Test report: {run}")));
    blocks.push(Block::Facts(facts(parts)));
    if let Some(text) = &parts.laboratory.introduction {
        blocks.push(Block::Text(text.clone()));
    }
    blocks.push(Block::Heading("What came of it".to_owned()));
    blocks.extend(verdicts(parts));
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
            "link {}, {}; the record goes up to {} there. `zonda verify` proves the record against it",
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

/// A verdict for each criterion that was asked.
fn verdicts(parts: &Parts) -> Vec<Block> {
    let mut blocks = Vec::new();
    for outcome in parts.outcomes() {
        for judged in &outcome.verdicts {
            let limits = match (judged.low, judged.high) {
                (Some(low), Some(high)) => {
                    format!("{} to {}", words::number(low), words::number(high))
                }
                (Some(low), None) => format!("at least {}", words::number(low)),
                (None, Some(high)) => format!("at most {}", words::number(high)),
                (None, None) => "no limit".to_owned(),
            };
            blocks.push(Block::Verdict {
                what: format!("{}: {}", outcome.title, judged.what),
                words: judged.verdict.words().to_owned(),
                by: format!(
                    "{} {unit}; asked: {limits} {unit}. Rule `{}`: {}",
                    words::number(judged.value),
                    judged.rule,
                    judged.meaning,
                    unit = judged.unit
                ),
            });
        }
    }
    if blocks.is_empty() {
        let why = if parts.evaluated.is_empty() {
            "No evaluation was asked of this run; the report shows what was recorded."
        } else {
            "No criterion was asked of this run; the results stand below without a verdict."
        };
        blocks.push(Block::Text(why.to_owned()));
    }
    blocks
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
