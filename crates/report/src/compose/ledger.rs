//! What is missing, flagged, corrected; what happened and what was noted: in full.

use zonda_model::quality::Worth;

use super::{Parts, words};
use crate::document::{Block, Table};

pub(super) fn sections(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::section("Gaps, flags, corrections and events")];
    let tables = [
        (gaps(parts), "No samples are missing."),
        (flags(parts), "No samples are flagged."),
        (corrections(parts), "Nothing was corrected."),
        (notes(parts), "Nothing was noted."),
        (events(parts), "The journal has no events within the run."),
    ];
    for (table, none) in tables {
        if table.rows.is_empty() {
            blocks.push(Block::Text(none.to_owned()));
        } else {
            blocks.push(Block::Table(table));
        }
    }
    blocks
}

fn gaps(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Gaps: where a channel has no samples, and why",
        &["channel", "from", "up to", "cause", "#missed", "detail"],
    );
    let dossier = &parts.dossier;
    for gap in &dossier.gaps {
        let to = gap.to.map(|to| words::time(dossier.utc.of(to)));
        table.row([
            dossier.name_of(gap.channel).to_owned(),
            words::time(dossier.utc.of(gap.from)),
            to.unwrap_or_else(|| "it goes on".to_owned()),
            gap.cause.word().to_owned(),
            gap.missed.to_string(),
            gap.detail.clone(),
        ]);
    }
    table
}

fn flags(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Flagged samples: the same flags, counted, with the first and the last of them",
        &["channel", "flags", "#samples", "first", "last", "in means"],
    );
    let dossier = &parts.dossier;
    for (row, account) in dossier.run.channels.iter().zip(&dossier.accounts) {
        for flagged in &account.flagged {
            let said: Vec<_> = flagged.quality.words().collect();
            let is_used = flagged.quality.worth() != Worth::Fault;
            table.row([
                row.name.to_string(),
                said.join(", "),
                flagged.count.to_string(),
                words::time(dossier.utc.of(flagged.first)),
                words::time(dossier.utc.of(flagged.last)),
                if is_used { "yes" } else { "no" }.to_owned(),
            ]);
        }
    }
    table
}

fn corrections(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Corrections: values worked out anew from the codes, beside the recording",
        &[
            "#no.", "made", "channel", "from", "up to", "why", "by", "standing",
        ],
    );
    let dossier = &parts.dossier;
    for row in &dossier.corrections {
        let time = |at| words::time(dossier.utc.of(at));
        let standing = match (row.undoes, row.undone_by) {
            (Some(other), _) => format!("takes back no. {other}"),
            (None, Some(other)) => format!("taken back by no. {other}"),
            (None, None) => "in force".to_owned(),
        };
        table.row([
            row.id.to_string(),
            time(row.at),
            dossier.name_of(row.channel).to_owned(),
            time(row.stretch.0),
            time(row.stretch.1),
            row.reason.clone(),
            row.by.clone(),
            standing,
        ]);
    }
    table
}

fn notes(parts: &Parts) -> Table {
    let mut table = Table::new("Notes to the run", &["about", "written", "by", "note"]);
    let dossier = &parts.dossier;
    for note in &dossier.run.notes {
        let time = |at| words::time(dossier.utc.of(at));
        table.row([
            time(note.about.unwrap_or(note.said)),
            time(note.said),
            note.by.clone(),
            note.text.clone(),
        ]);
    }
    table
}

fn events(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Events within the run",
        &["when", "severity", "kind", "about", "what"],
    );
    for event in &parts.dossier.events {
        table.row([
            words::time(parts.dossier.utc.of(event.at)),
            event.severity.clone(),
            event.kind.clone(),
            event.subject.clone(),
            event.text.clone(),
        ]);
    }
    table
}

pub(super) fn cautions(parts: &Parts) -> Vec<String> {
    let dossier = &parts.dossier;
    let mut cautions = Vec::new();
    let with_gaps = dossier.accounts.iter().filter(|account| account.missed > 0);
    let (count, missed) = with_gaps.fold((0, 0), |(count, missed), account| {
        (count + 1, missed + account.missed)
    });
    if missed > 0 {
        cautions.push(format!(
            "{missed} samples are missing on {}.",
            words::counted(count, "channel")
        ));
    }
    for (row, account) in dossier.run.channels.iter().zip(&dossier.accounts) {
        let faults: i64 = account
            .flagged
            .iter()
            .filter(|flagged| flagged.quality.worth() == Worth::Fault)
            .map(|flagged| flagged.count)
            .sum();
        if account.samples == 0 {
            cautions.push(format!("{} has no samples in this run.", row.name));
        } else if faults > 0 {
            cautions.push(format!(
                "{faults} of {} samples of {} are faults and no measurements.",
                account.samples, row.name
            ));
        }
    }
    let in_force = dossier.corrections.iter();
    let in_force = in_force.filter(|row| row.undoes.is_none() && row.undone_by.is_none());
    let in_force = in_force.count();
    if in_force > 0 {
        cautions.push(format!(
            "{} of the recording in force; values are as corrected.",
            words::counted(in_force, "correction")
        ));
    }
    cautions
}
