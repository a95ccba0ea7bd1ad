//! Whether what people ask of runs is fit to be written down.

use std::collections::BTreeMap;

use zonda_model::ChannelName;
use zonda_store::{ChannelRow, Field};

use super::book::Book;
use super::error::RunError;
use super::watch::Watch;

/// The longest word about a run, and the longest note, in characters.
pub(super) const WORD_MAX: usize = 500;
pub(super) const NOTE_MAX: usize = 4000;
/// The longest name of a person.
pub(super) const BY_MAX: usize = 100;
/// The parameters of an evaluation; more is no question but data.
const PARAMETERS_MAX: usize = 16_000;
pub(super) fn check_condition(
    book: &Book,
    condition: Option<&zonda_model::run::Condition>,
) -> Result<(), RunError> {
    let Some(condition) = condition else {
        return Ok(());
    };
    let quantity = |name: &ChannelName| {
        let place = book.scene.place(name)?;
        Some(book.scene.channels()[place].quantity)
    };
    condition
        .check(quantity)
        .map_err(zonda_model::run::BadLimits::from)?;
    Watch::new(condition, &book.scene).map(drop)
}

/// The channels with these names, each once, in their order; all without names.
pub(super) fn pick(
    known: Vec<ChannelRow>,
    wanted: &[ChannelName],
) -> Result<Vec<ChannelRow>, RunError> {
    if known.is_empty() {
        return Err(RunError::NoChannels);
    }
    if wanted.is_empty() {
        let mut known = known;
        known.sort_by_key(|row| row.position);
        return Ok(known);
    }
    let mut picked: Vec<ChannelRow> = Vec::with_capacity(wanted.len());
    for name in wanted {
        let found = known.iter().find(|row| row.name == *name);
        let row = found.ok_or_else(|| unknown(&known, name.as_str()))?;
        if !picked.iter().any(|other| other.id == row.id) {
            picked.push(row.clone());
        }
    }
    Ok(picked)
}

/// Above it, a name is taken for a slip of the pen (tried on slips of our own, no source).
const LIKENESS_MIN: f64 = 0.75;

fn unknown(known: &[ChannelRow], name: &str) -> RunError {
    let likeness = |row: &&ChannelRow| strsim::jaro_winkler(row.name.as_str(), name);
    let near = known
        .iter()
        .max_by(|a, b| likeness(a).total_cmp(&likeness(b)));
    let near = near.filter(|row| likeness(row) > LIKENESS_MIN);
    RunError::Channel {
        name: name.to_owned(),
        near: near.map(|row| row.name.to_string()),
    }
}

pub(super) fn names(channels: &[ChannelRow]) -> Vec<String> {
    channels.iter().map(|row| row.name.to_string()).collect()
}

pub(super) fn check_words(
    fields: &BTreeMap<Field, String>,
    by: Option<&str>,
    evaluations: &[(String, String)],
) -> Result<(), RunError> {
    for (field, text) in fields {
        check_text(field.word(), text, WORD_MAX)?;
    }
    for (kind, parameters) in evaluations {
        check_text("the kind of an evaluation", kind, BY_MAX)?;
        let is_object = parameters.trim_start().starts_with('{');
        if !is_object || parameters.len() > PARAMETERS_MAX {
            return Err(RunError::Parameters);
        }
    }
    check_by(by)
}

pub(super) fn check_by(by: Option<&str>) -> Result<(), RunError> {
    by.map_or(Ok(()), |by| check_text("who asks", by, BY_MAX))
}

/// Text that a log, a table and a report can show.
pub(super) fn check_text(what: &'static str, text: &str, most: usize) -> Result<(), RunError> {
    let is_fit = !text.trim().is_empty()
        && text.chars().count() <= most
        && !text.chars().any(|c| c.is_control() && c != '\n');
    if is_fit {
        Ok(())
    } else {
        Err(RunError::Text { what, most })
    }
}
