//! Corrections and the proof of values: what follows from a stored code by the mapping in force then.
//!
//! A correction changes a value and the flags that its channel's mapping sets. Everything else on a
//! sample comes from the acquisition (`late`, `simulated`, `stuck`, what a device said of its own
//! number) and stays: of the old flags those go which the old mapping explains. A sample without a
//! code has nothing that could follow, and stays as it is.
//!
//! What is derived from a corrected channel follows it, by the law in force then (`derived`).
//!
//! A velocity that is judged by its probe's temperature is judged anew where the temperature is
//! corrected, and a thermocouple compensated anew, as long as both lie at one time in the record, as
//! they do where one module reads them. Where they came from two sources their ticks paired them, and
//! the record does not keep ticks: there the flags of the judgement stay as they were.

mod hands;
mod refused;
mod ways;

use std::sync::Arc;

use zonda_model::written::Span;
use zonda_model::{Stamp, TrueUtc};
use zonda_signal::{Description, Line, Mapping, Step};
use zonda_store::{BadCorrection, ChannelId, ChannelRow, CorrectionEntry, Readable};

pub use hands::Hands;
pub(crate) use hands::finish;
pub use refused::Refused;
pub use ways::Ways;

/// What a person asks for.
#[derive(Clone, Debug)]
pub struct Request {
    /// The channel's name.
    pub channel: String,
    /// From when on, true UTC.
    pub from: Stamp,
    /// Up to when (not included), true UTC.
    pub to: Stamp,
    /// What changes.
    pub change: Change,
    /// Why.
    pub reason: String,
    /// Who says so.
    pub by: String,
}

/// What changes about the mapping.
#[derive(Clone, Debug)]
pub enum Change {
    /// The range that the signal's span stands for; everything else stays.
    Range(String),
    /// All of it, as the record describes mappings.
    Mapping(String),
}

/// Makes a request ready: the mapping, the stretch on the record's axis, and what changes with it.
///
/// # Errors
/// [`Refused`], in a sentence for the person who asked.
pub async fn prepare(
    record: &Readable,
    request: &Request,
    now: Stamp,
) -> Result<CorrectionEntry, Refused> {
    let ways = Ways::of(record).await?;
    let channel = ways
        .find(&request.channel)
        .ok_or_else(|| Refused::Unknown(request.channel.clone()))?
        .clone();
    let name = || request.channel.clone();
    let stretch = stretch(record, &ways.utc, channel.id, (request.from, request.to))
        .await?
        .ok_or_else(|| Refused::Nothing(name(), request.from, request.to))?;
    for row in record.corrections().await? {
        let meets = row.stretch.0 < stretch.1 && stretch.0 < row.stretch.1;
        if row.channel == channel.id && row.is_in_force() && meets {
            // Before anything is said of the mapping, which is that correction's there.
            return Err(BadCorrection::Overlaps {
                id: row.id,
                channel: name(),
                from: ways.utc.of(row.stretch.0),
                to: ways.utc.of(row.stretch.1),
            }
            .into());
        }
    }
    if let Some((law, inputs)) = ways.laws.law(channel.id) {
        return Err(Refused::Derived {
            channel: name(),
            law: law.to_string(),
            inputs: ways.names(inputs),
        });
    }
    let old = match ways.in_stretch(channel.id, stretch)[..] {
        [] => return Err(Refused::NoMapping(name())),
        [way] => way.clone(),
        [_, next, ..] => return Err(Refused::Several(name(), ways.utc.of(next.from))),
    };
    let mapping = match &request.change {
        Change::Range(range) => with_range(&old.mapping, range, &request.channel)?,
        Change::Mapping(text) => text.parse::<Description>()?.rebuild()?,
    };
    if mapping.quantity() != channel.quantity {
        return Err(Refused::Quantity {
            channel: name(),
            was: channel.quantity,
            now: mapping.quantity(),
        });
    }
    if mapping == *old.mapping {
        return Err(Refused::Same(name()));
    }
    Ok(entry(ways, &channel, stretch, mapping, request, now))
}

fn entry(
    ways: Ways,
    channel: &ChannelRow,
    stretch: (Stamp, Stamp),
    mapping: Mapping,
    request: &Request,
    now: Stamp,
) -> CorrectionEntry {
    let text = mapping.describe().to_string();
    let mut new = ways.clone();
    new.put(channel.id, stretch, Some(mapping));
    let mut measured = vec![channel.id];
    measured.extend(ways.judged_by(channel.id, stretch));
    let companions = measured.iter().flat_map(|id| {
        let both = [&ways, &new].map(|ways| ways.of.get(id));
        let ways = both.into_iter().flatten().flatten();
        ways.filter_map(|way| way.companion).collect::<Vec<_>>()
    });
    let laws = ways.laws.fed_by(&measured, stretch);
    let beside = companions.chain(laws.inputs()).collect();
    let written = measured.iter().copied().chain(laws.channels()).collect();
    let cells = laws.cells(stretch.0);
    CorrectionEntry {
        channel: channel.id,
        stretch,
        mapping: text,
        reason: request.reason.trim().to_owned(),
        by: request.by.trim().to_owned(),
        at: now,
        beside,
        rule: Ways::change(Arc::new(ways), Arc::new(new), measured, laws),
        cells,
        written,
    }
}

/// The stretch on the record's axis: the one in which the channel has samples, since where it has none no clock that was set
/// matters, nor that the record begins later. `None` where it has none at all.
async fn stretch(
    record: &Readable,
    utc: &TrueUtc,
    channel: ChannelId,
    (from, to): (Stamp, Stamp),
) -> Result<Option<(Stamp, Stamp)>, Refused> {
    if from >= to {
        return Err(Refused::Reversed(from, to));
    }
    let mut found = None;
    for stretch in utc.stretches(from, to) {
        let first = record.samples(stretch, Some(&[channel]), None, 1).await?;
        if first.is_empty() {
            continue;
        }
        if found.replace(stretch).is_some() {
            return Err(Refused::ClockStepped(from, to));
        }
    }
    Ok(found)
}

/// The same mapping with another range.
fn with_range(old: &Mapping, range: &str, channel: &str) -> Result<Mapping, Refused> {
    let range: Span = range
        .parse()
        .map_err(|error| Refused::Range(range.to_owned(), error))?;
    let (Some(Step::Line(line)), rest) = (old.steps().first(), old.steps().get(1..)) else {
        return Err(Refused::NoRange(channel.to_owned()));
    };
    let mut builder = Mapping::builder(old.quantity(), old.format(), old.scale())
        .step(Step::Line(Line::new(line.from(), range)?));
    if let Some(signal) = old.signal() {
        builder = builder.signal(signal);
    }
    for step in rest.unwrap_or_default() {
        builder = builder.step(step.clone());
    }
    if let Some(envelope) = old.envelope() {
        builder = builder.envelope(envelope.clone());
    }
    if let Some(companion) = old.companion() {
        builder = builder.companion(companion.clone());
    }
    if old.lacks_certificate() {
        builder = builder.lacking_certificate();
    }
    Ok(builder.build()?)
}
