//! What speaks against the numbers: what is missing, flagged, corrected; what happened and what was noted. An
//! account of it where a reader meets it, and all of it in full in an appendix.

use std::collections::{BTreeMap, BTreeSet};

use zonda_model::Stamp;
use zonda_model::quality::Worth;
use zonda_store::EventRow;

use super::{Parts, words};
use crate::document::{Block, Table};
use crate::fold::{Fold, Piece};

/// Rows of a list in the appendix; more are folded together.
const LISTED_MAX: usize = 400;
/// What is told of events of a kind that stand in one row; the record has every one of them.
const TEXTS_MAX: usize = 3;

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::flowing("Gaps, flags, corrections and notes")];
    blocks.push(Block::Text(
        "An account; each gap, each flagged stretch and every event stands in full in an appendix. All times are UTC."
            .to_owned(),
    ));
    let tables = [
        (gaps(parts), "No samples are missing."),
        (flags(parts), "No samples are flagged."),
        (corrections(parts), "Nothing was corrected."),
        (notes(parts), "Nothing was noted."),
    ];
    blocks.extend(tables.into_iter().map(|(table, none)| or_none(table, none)));
    blocks
}

pub(super) fn appendix(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::annex("Gaps, flags and events in full")];
    blocks.extend(all_gaps(parts));
    blocks.extend(all_flags(parts));
    let meanings = super::flags::meanings(parts);
    blocks.extend((!meanings.rows.is_empty()).then_some(Block::Table(meanings)));
    blocks.extend(events(parts));
    blocks
}

fn or_none(table: Table, none: &str) -> Block {
    if table.rows.is_empty() {
        Block::Text(none.to_owned())
    } else {
        Block::Table(table)
    }
}

/// How long a gap of the run lasts within it: from when, until when.
fn within(parts: &Parts, gap: &zonda_store::GapRow) -> (Stamp, Stamp) {
    let stretch = parts.dossier.run.stretch;
    let to = gap.to.unwrap_or(stretch.to).min(stretch.to);
    (gap.from.max(stretch.from), to)
}

fn gaps(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Gaps by their causes: where channels have no samples",
        &[
            "cause",
            "#gaps",
            "#missed",
            "channels",
            "first",
            "last until",
        ],
    );
    let mut causes: BTreeMap<&str, (i64, i64, BTreeSet<&str>, Stamp, Stamp)> = BTreeMap::new();
    let dossier = &parts.dossier;
    for gap in &dossier.gaps {
        let (from, to) = within(parts, gap);
        let entry = causes.entry(gap.cause.word());
        let told = entry.or_insert((0, 0, BTreeSet::new(), from, to));
        told.0 += 1;
        told.1 += gap.missed;
        told.2.insert(dossier.name_of(gap.channel));
        told.3 = told.3.min(from);
        told.4 = told.4.max(to);
    }
    for (cause, (count, missed, channels, first, last)) in causes {
        table.row([
            cause.to_owned(),
            count.to_string(),
            missed.to_string(),
            few(&channels.into_iter().collect::<Vec<_>>()),
            words::bare_time(dossier.utc.of(first)),
            words::bare_time(dossier.utc.of(last)),
        ]);
    }
    table
}

/// Every gap; those of several channels that began, ended and came about alike in one row.
fn all_gaps(parts: &Parts) -> Vec<Block> {
    let dossier = &parts.dossier;
    let mut fold = Fold::new(LISTED_MAX);
    let mut alike: BTreeMap<_, (Vec<&str>, i64)> = BTreeMap::new();
    for gap in &dossier.gaps {
        let (from, to) = within(parts, gap);
        let second = |at: Stamp| at.micros().div_euclid(1_000_000);
        let key = (
            second(from),
            second(to),
            gap.cause.word(),
            gap.detail.as_str(),
        );
        let told = alike.entry(key).or_default();
        told.0.push(dossier.name_of(gap.channel));
        told.1 += gap.missed;
    }
    for ((from, to, cause, detail), (channels, missed)) in alike {
        let at = |second: i64| Stamp::from_micros(second * 1_000_000);
        fold.take(
            (channels.join(", "), cause, detail),
            (at(from), at(to)),
            missed,
            -1,
        );
    }
    let mut table = Table::new(
        "Gaps, by their beginning",
        &[
            "channels", "from", "up to", "cause", "#gaps", "#missed", "detail",
        ],
    )
    .small();
    let mut rows: Vec<_> = fold.pieces().collect();
    rows.sort_by_key(|(_, piece)| piece.from);
    for ((channels, cause, detail), piece) in rows {
        table.row([
            channels.clone(),
            words::bare_time(dossier.utc.of(piece.from)),
            words::bare_time(dossier.utc.of(piece.to)),
            (*cause).to_owned(),
            piece.stretches.to_string(),
            piece.count.to_string(),
            words::told(detail),
        ]);
    }
    let told = folded(fold.near_s(), "Gaps");
    told.into_iter()
        .chain([or_none(table, "No samples are missing.")])
        .collect()
}

/// What is told where a list was too long to stand line by line.
fn folded(near_s: Option<f64>, what: &str) -> Option<Block> {
    near_s.map(|near| {
        Block::Text(format!(
            "{what} of a kind that are less than {} apart are told in one row, with how many they are.",
            words::span(near)
        ))
    })
}

fn flags(parts: &Parts) -> Table {
    let mut table = Table::new(
        "Flagged samples: the same flags of a channel, counted",
        &[
            "channel", "flags", "#samples", "#of all", "first", "last", "in means",
        ],
    );
    let dossier = &parts.dossier;
    for (row, account) in dossier.run.channels.iter().zip(&dossier.accounts) {
        for flagged in &account.flagged {
            let said: Vec<_> = flagged.quality.words().collect();
            let is_used = flagged.quality.worth() != Worth::Fault;
            #[expect(clippy::cast_precision_loss, reason = "a count of samples")]
            let share = flagged.count as f64 / account.samples.max(1) as f64;
            table.row([
                row.name.to_string(),
                said.join(", "),
                flagged.count.to_string(),
                format!("{} %", words::digits(share * 100.0, 3)),
                words::bare_time(dossier.utc.of(flagged.first)),
                words::bare_time(dossier.utc.of(flagged.last)),
                if is_used { "yes" } else { "no" }.to_owned(),
            ]);
        }
    }
    table
}

/// Every flagged stretch, by channel.
fn all_flags(parts: &Parts) -> Vec<Block> {
    let dossier = &parts.dossier;
    let mut table = Table::new(
        "Flagged samples, stretch by stretch",
        &["channel", "flags", "from", "to", "#stretches", "#samples"],
    )
    .small();
    for ((channel, flags), piece) in dossier.flagged.pieces() {
        table.row([
            dossier.name_of(*channel).to_owned(),
            zonda_model::Quality::from_bits_retain(*flags)
                .words()
                .collect::<Vec<_>>()
                .join(", "),
            words::bare_time(dossier.utc.of(piece.from)),
            words::bare_time(dossier.utc.of(piece.to)),
            piece.stretches.to_string(),
            piece.count.to_string(),
        ]);
    }
    let told = folded(dossier.flagged.near_s(), "Flagged stretches");
    told.into_iter()
        .chain([or_none(table, "No samples are flagged.")])
        .collect()
}

/// A few names, or how many there are.
fn few(names: &[&str]) -> String {
    match names {
        [first, .., last] if names.len() > 4 => {
            format!("{} channels, {first} to {last}", names.len())
        }
        few => few.join(", "),
    }
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
        let time = |at| words::bare_time(dossier.utc.of(at));
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
        let time = |at| words::bare_time(dossier.utc.of(at));
        table.row([
            time(note.about.unwrap_or(note.said)),
            time(note.said),
            note.by.clone(),
            note.text.clone(),
        ]);
    }
    table
}

/// Every event; those of a kind about the same thing together, where they are many.
fn events<'a>(parts: &'a Parts) -> Vec<Block> {
    let dossier = &parts.dossier;
    let mut fold = Fold::new(LISTED_MAX);
    // As long as the list is short, each stands by itself.
    let is_short = dossier.events.len() <= LISTED_MAX;
    let kind = |(place, event): (usize, &'a EventRow)| {
        let alone = is_short.then_some(place);
        (alone, &event.severity, &event.kind, &event.subject)
    };
    let all = || dossier.events.iter().enumerate();
    for (place, event) in all() {
        fold.take(kind((place, event)), (event.at, event.at), 1, -1);
    }
    // What the events in a row say, the first few of it.
    let said = |of, piece: &Piece| {
        let mut texts: Vec<String> = Vec::new();
        let own = all().filter(|event| kind(*event) == of);
        for (_, event) in own.filter(|(_, event)| (piece.from..=piece.to).contains(&event.at)) {
            let text = words::told(&event.text);
            if !texts.contains(&text) {
                texts.push(text);
            }
        }
        if texts.len() > TEXTS_MAX {
            let more = texts.len() - TEXTS_MAX;
            texts.truncate(TEXTS_MAX);
            format!("{}; and {more} more that the record has", texts.join("; "))
        } else {
            texts.join("; ")
        }
    };
    let mut table = Table::new(
        "Events within the run",
        &[
            "when", "last", "#times", "severity", "kind", "about", "what",
        ],
    )
    .small();
    let mut rows: Vec<_> = fold.pieces().collect();
    rows.sort_by_key(|(_, piece)| piece.from);
    for (kind, piece) in rows {
        let (_, severity, word, subject) = kind;
        let time = |at| words::bare_time(dossier.utc.of(at));
        let is_one = piece.count == 1;
        table.row([
            time(piece.from),
            if is_one {
                "–".to_owned()
            } else {
                time(piece.to)
            },
            piece.count.to_string(),
            (*severity).clone(),
            words::plain(word),
            (*subject).clone(),
            said(*kind, piece),
        ]);
    }
    let told = folded(fold.near_s(), "Events");
    let none = "The journal has no events within the run.";
    told.into_iter().chain([or_none(table, none)]).collect()
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
