//! The test report: from a run's dossier and the outcomes of its evaluations to a document.
//!
//! Everything stands in it that a reader needs to believe the numbers, and what only the laboratory can
//! say stays visibly open. The order is that of a reader: what was found, on what, with what, how sure,
//! what speaks against it; what is long stands in full in the appendices. Times are true UTC.

mod budgets;
mod clause;
mod courses;
mod flags;
mod hazards;
mod instruments;
mod ledger;
mod method;
mod numbered;
mod results;
mod setup;
mod title;
mod words;

use zonda_assess::{Outcome, Ruling};
use zonda_config::{Config, Paper, ReportPlan};
use zonda_model::Stamp;

use crate::document::{Block, Document, FORM};
use crate::dossier::Dossier;

/// What a report is made of.
#[derive(Debug)]
pub struct Parts {
    /// The run and all that the record knows of it.
    pub dossier: Dossier,
    /// The evaluations asked of it.
    pub evaluated: Vec<Evaluated>,
    /// The configuration in force when it began, where this program can read it.
    pub config: Option<Config>,
    /// What the laboratory says of itself.
    pub laboratory: ReportPlan,
    /// A picture for the title page, as a `data:` address.
    pub logo: Option<String>,
    /// When the report is made, true UTC.
    pub made: Stamp,
}

/// An evaluation that was asked, and what came of it.
#[derive(Debug)]
pub struct Evaluated {
    /// What it is called.
    pub title: String,
    /// The outcome, or why there is none.
    pub outcome: Result<Outcome, String>,
}

impl Parts {
    fn outcomes(&self) -> impl Iterator<Item = &Outcome> {
        let evaluated = self.evaluated.iter();
        evaluated.filter_map(|evaluated| evaluated.outcome.as_ref().ok())
    }

    fn is_simulated(&self) -> bool {
        self.dossier.is_simulated || self.outcomes().any(|outcome| outcome.is_simulated)
    }

    fn laboratory_name(&self) -> Option<&str> {
        let station = || Some(self.config.as_ref()?.station.name.as_str());
        self.laboratory.laboratory.as_deref().or_else(station)
    }

    /// What tells this report from every other: the run, the seal and the time at which it was made.
    fn number(&self) -> String {
        let seal = self.dossier.seal.as_ref();
        let seal = seal.map_or_else(|| "unsealed".to_owned(), |seal| seal.hex()[..8].to_owned());
        let made = words::compact(self.made);
        format!("{}-{made}-{seal}", self.dossier.run.name())
    }
}

/// The report.
pub fn compose(parts: &Parts) -> Document {
    let mut blocks = title::page(parts);
    blocks.extend(cautions(parts));
    blocks.extend(results::section(parts));
    blocks.extend(setup::section(parts));
    blocks.extend(instruments::section(parts));
    blocks.extend(courses::section(parts));
    blocks.extend(ledger::section(parts));
    blocks.extend(method::section(parts));
    blocks.extend(hazards::section());
    blocks.extend(clause::section(parts));
    blocks.extend(results::appendix(parts));
    blocks.extend(budgets::appendix(parts));
    blocks.extend(courses::appendix(parts));
    blocks.extend(ledger::appendix(parts));
    blocks.extend(method::appendix(parts));
    blocks.push(Block::Text(format!(
        "— End of the report {} —",
        parts.number()
    )));
    numbered::number(&mut blocks);
    let run = parts.dossier.run.name();
    let laboratory = parts.laboratory_name();
    Document {
        form: FORM,
        title: format!("Test report: {run}"),
        lang: "en",
        by: laboratory.map(str::to_owned),
        made: words::rfc3339(parts.made),
        paper: match parts.laboratory.paper {
            Paper::A4 => "A4",
            Paper::Letter => "Letter",
        },
        head: [laboratory, Some(&format!("Test report {}", parts.number()))]
            .into_iter()
            .flatten()
            .chain(parts.is_simulated().then_some("SIMULATED"))
            .collect::<Vec<_>>()
            .join(" · "),
        foot: foot(parts),
        across: parts.is_simulated().then(|| "SIMULATED".to_owned()),
        blocks,
    }
}

/// Program, configuration and seal, below every page.
fn foot(parts: &Parts) -> String {
    let dossier = &parts.dossier;
    let program = format!("zonda {}", env!("CARGO_PKG_VERSION"));
    let config = dossier
        .run
        .config()
        .map(|hash| format!("configuration {}", words::short(hash)));
    let seal = dossier
        .seal
        .as_ref()
        .map(|seal| format!("seal {} {}", seal.link, words::short(&seal.hex())));
    let seal = seal.unwrap_or_else(|| "not sealed".to_owned());
    let parts = [Some(program), config, Some(seal)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

/// What a reader must not overlook.
fn cautions(parts: &Parts) -> Vec<Block> {
    let mut said = Vec::new();
    if parts.is_simulated() {
        said.push(
            "A rig played the devices. Nothing in this report is a measurement of anything real."
                .to_owned(),
        );
    }
    said.extend(title::cautions(parts));
    said.extend(instruments::cautions(parts));
    said.extend(ledger::cautions(parts));
    said.extend(results::cautions(parts));
    said.extend(parts.dossier.left_out.iter().cloned());
    let mut blocks = vec![flowing("Cautions")];
    if said.is_empty() {
        blocks.push(Block::Text("None that the program knows of.".to_owned()));
    }
    blocks.extend(said.iter().map(|said| Block::Caution(words::told(said))));
    blocks
}

/// A section that goes on where the one before ended.
fn flowing(heading: &str) -> Block {
    Block::Section {
        heading: heading.to_owned(),
        is_new_page: false,
        is_appendix: false,
    }
}

/// A section that begins a page.
fn section(heading: &str) -> Block {
    Block::Section {
        heading: heading.to_owned(),
        is_new_page: true,
        is_appendix: false,
    }
}

/// A section behind all others, for what is long.
fn annex(heading: &str) -> Block {
    Block::Section {
        heading: heading.to_owned(),
        is_new_page: true,
        is_appendix: true,
    }
}

fn is_within(ruling: Ruling) -> bool {
    ruling == Ruling::Conforms
}
