//! What the journal says of runs. The seal covers these sentences, so they say all that matters.

use std::fmt::Write;

use zonda_model::Stamp;
use zonda_model::run::{Reason, Step, spelled};
use zonda_store::{Event, Field, NoteEntry, Severity};

use super::{Ask, Cut};

/// An event about a run.
pub(crate) fn event(at: Stamp, severity: Severity, kind: &str, run: &str, text: String) -> Event {
    Event {
        at,
        severity,
        kind: format!("run_{kind}"),
        subject: run.to_owned(),
        text,
    }
}

pub(crate) fn asked(ask: &Ask, channels: &[String]) -> String {
    let mut text = format!(
        "run {} was asked for{}: begins {}, ends {}; {}",
        ask.name,
        by(ask.by.as_deref()),
        ask.begin,
        ask.finish,
        listed(channels)
    );
    said(&mut text, &ask.words);
    text
}

pub(crate) fn cut(cut: &Cut, channels: &[String]) -> String {
    let mut text = format!(
        "run {} was cut out of the record{}: from {} to {}; {}",
        cut.name,
        by(cut.by.as_deref()),
        cut.from,
        cut.to,
        listed(channels)
    );
    said(&mut text, &cut.words);
    text
}

fn said(text: &mut String, words: &std::collections::BTreeMap<Field, String>) {
    for (field, words) in words {
        // Writing into a text does not fail.
        let _ = write!(text, "; {}: {words}", field.word());
    }
}

fn listed(channels: &[String]) -> String {
    format!("{} channels: {}", channels.len(), channels.join(", "))
}

fn by(who: Option<&str>) -> String {
    who.map_or_else(String::new, |who| format!(" by {who}"))
}

/// How grave a step is, and the sentence. `utc` tells true UTC of a stamp of this moment.
pub(crate) fn step(
    name: &str,
    step: Step,
    who: Option<&str>,
    why: &str,
    utc: impl Fn(Stamp) -> Stamp,
) -> (Severity, String) {
    let because = if why.is_empty() {
        String::new()
    } else {
        format!(" ({why})")
    };
    let who = by(who);
    match step {
        Step::Began(at) => (
            Severity::Info,
            format!("run {name} began at {}{because}", utc(at)),
        ),
        Step::Interrupted(gap) => (
            Severity::Warning,
            format!(
                "run {name} was interrupted from {} to {}, for {}{because}",
                utc(gap.from),
                utc(gap.to),
                spelled(gap.to.since(gap.from))
            ),
        ),
        Step::Ended(at, reason) => (
            Severity::Info,
            format!(
                "run {name} ended at {}: {}{who}{because}",
                utc(at),
                ended(reason)
            ),
        ),
        Step::Withdrawn => (
            Severity::Info,
            format!("run {name} was called off{who} before it began{because}"),
        ),
        Step::Missed => (Severity::Warning, format!("run {name} was missed{because}")),
        Step::Discarded => (
            Severity::Warning,
            format!("run {name} was discarded{who}{because}; its samples stay"),
        ),
    }
}

const fn ended(reason: Reason) -> &'static str {
    match reason {
        Reason::Stopped => "stopped",
        Reason::TimeOver => "its time was over",
        Reason::ConditionMet => "its condition was met",
        Reason::Cut => "cut there",
    }
}

pub(crate) fn note(name: &str, note: &NoteEntry, utc: impl Fn(Stamp) -> Stamp) -> String {
    let about = note
        .about
        .map_or_else(String::new, |at| format!(" about {}", utc(at)));
    format!("note to run {name} by {}{about}: {}", note.by, note.text)
}

pub(crate) fn changed(name: &str, field: Field, text: &str, was: &str, who: &str) -> String {
    format!(
        "the {} of run {name} is now \"{text}\", said {who}; it was \"{was}\"",
        field.word()
    )
}
