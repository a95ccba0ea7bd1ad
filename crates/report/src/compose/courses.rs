//! What was recorded: each channel's account and its course over time, with stretches and gaps marked;
//! and how far the channels of a quantity lay apart.

use zonda_assess::Outcome;
use zonda_model::{Quantity, Stamp};
use zonda_store::Bucket;

use super::{Parts, words};
use crate::document::{Block, Table};
use crate::plot::{Course, Mark};

/// How high a course is drawn: eight of them fit on a page.
const HEIGHT: f64 = 150.0;

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::section("What was recorded")];
    blocks.push(Block::Text(
        "Mean, standard deviation and extremes are of the samples that have a value and no fault; nothing was interpolated."
            .to_owned(),
    ));
    blocks.push(Block::Table(accounts(parts)));
    let spreads = spreads(parts);
    if !spreads.is_empty() {
        blocks.push(Block::Heading("Spread over time".to_owned()));
        blocks.extend(spreads);
    }
    blocks.push(Block::Heading("Courses".to_owned()));
    blocks.push(Block::Text(
        "Line: mean; grey: from the lowest to the highest value of each bucket; hatched: no samples; dotted: samples that are faults; bars above: evaluated stretches. Times of day are UTC."
            .to_owned(),
    ));
    for place in 0..parts.dossier.run.channels.len() {
        blocks.extend(course(parts, place));
    }
    blocks
}

fn accounts(parts: &Parts) -> Table {
    let mut table = Table::new(
        "The channels",
        &[
            "channel",
            "unit",
            "#samples",
            "#used",
            "#missed",
            "#mean",
            "#std. dev.",
            "#min",
            "#max",
        ],
    );
    let dossier = &parts.dossier;
    for (row, account) in dossier.run.channels.iter().zip(&dossier.accounts) {
        let shown = |value: Option<f64>| words::or_dash(value.map(|value| row.unit.from_si(value)));
        let sd = account.sd.map(|sd| row.unit.difference_from_si(sd));
        table.row([
            row.name.to_string(),
            row.unit.symbol().to_owned(),
            account.samples.to_string(),
            account.used.to_string(),
            account.missed.to_string(),
            shown(account.mean),
            words::or_dash(sd),
            shown(account.min),
            shown(account.max),
        ]);
    }
    table
}

/// The stretches that outcomes speak for, each once.
fn marks(parts: &Parts) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for outcome in parts.outcomes() {
        let Some(range) = stretch(outcome) else {
            continue;
        };
        if range == parts.dossier.run.range {
            continue;
        }
        match marks.iter_mut().find(|mark| mark.range == range) {
            Some(mark) => mark.name = format!("{}, {}", mark.name, outcome.title),
            None => marks.push(Mark {
                range,
                name: outcome.title.clone(),
            }),
        }
    }
    marks
}

fn stretch(outcome: &Outcome) -> Option<(Stamp, Stamp)> {
    let from = words::stamp(&outcome.stretch.from)?;
    Some((from, words::stamp(&outcome.stretch.to)?))
}

fn course(parts: &Parts, place: usize) -> Option<Block> {
    let dossier = &parts.dossier;
    let row = dossier.run.channels.get(place)?;
    let buckets = dossier.history.channels.get(place)?;
    let point = |(index, bucket): (usize, &Option<Bucket>)| {
        let bucket = bucket.as_ref()?;
        let unit = |value: f64| row.unit.from_si(value);
        Some((
            middle(parts, index),
            unit(bucket.min?),
            unit(bucket.mean?),
            unit(bucket.max?),
        ))
    };
    let gaps = dossier.gaps.iter().filter(|gap| gap.channel == row.id);
    let utc = |at| dossier.utc.of(at);
    let end = dossier.run.stretch.to;
    let course = Course {
        name: row.name.to_string(),
        unit: row.unit.symbol().to_owned(),
        range: dossier.run.range,
        points: buckets.iter().enumerate().map(point).collect(),
        gaps: gaps
            .map(|gap| (utc(gap.from), utc(gap.to.unwrap_or(end).min(end))))
            .collect(),
        faults: faults(parts, buckets),
        marks: marks(parts),
    };
    Some(Block::Figure(course.svg(HEIGHT), String::new()))
}

/// Buckets that hold samples and no number that could be used, those that touch as one.
fn faults(parts: &Parts, buckets: &[Option<Bucket>]) -> Vec<(Stamp, Stamp)> {
    let grid = parts.dossier.history.grid;
    let begin = |index: usize| {
        let offset = grid.step_us * i64::try_from(index).unwrap_or(0);
        parts
            .dossier
            .utc
            .of(Stamp::from_micros(grid.from.micros() + offset))
    };
    let is_fault = |bucket: &Option<Bucket>| {
        bucket
            .as_ref()
            .is_some_and(|bucket| bucket.count > 0 && bucket.mean.is_none())
    };
    let mut stretches: Vec<(Stamp, Stamp)> = Vec::new();
    for (index, _) in buckets
        .iter()
        .enumerate()
        .filter(|(_, bucket)| is_fault(bucket))
    {
        let (from, to) = (begin(index), begin(index + 1));
        match stretches.last_mut() {
            Some(last) if last.1 == from => last.1 = to,
            _ => stretches.push((from, to)),
        }
    }
    stretches
}

/// The middle of a bucket, true UTC.
fn middle(parts: &Parts, index: usize) -> Stamp {
    let grid = parts.dossier.history.grid;
    let offset = grid.step_us * i64::try_from(index).unwrap_or(0) + grid.step_us / 2;
    parts
        .dossier
        .utc
        .of(Stamp::from_micros(grid.from.micros() + offset))
}

/// Highest less lowest mean of a quantity's channels, bucket by bucket.
fn spreads(parts: &Parts) -> Vec<Block> {
    let quantities = [Quantity::Temperature, Quantity::Velocity];
    quantities
        .into_iter()
        .filter_map(|quantity| spread(parts, quantity))
        .collect()
}

fn spread(parts: &Parts, quantity: Quantity) -> Option<Block> {
    let dossier = &parts.dossier;
    let rows = || dossier.run.channels.iter().zip(&dossier.history.channels);
    let own: Vec<_> = rows().filter(|(row, _)| row.quantity == quantity).collect();
    let unit = own.first()?.0.unit;
    if own.len() < 2 {
        return None;
    }
    let at = |index: usize| {
        let means = own
            .iter()
            .filter_map(|(_, buckets)| buckets.get(index)?.as_ref()?.mean);
        let means: Vec<_> = means.collect();
        // A channel that is missing would make the spread look smaller than it was.
        (means.len() == own.len()).then(|| {
            let high = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let low = means.iter().copied().fold(f64::INFINITY, f64::min);
            let apart = unit.difference_from_si(high - low);
            (middle(parts, index), apart, apart, apart)
        })
    };
    let points: Vec<_> = (0..dossier.history.grid.count).map(at).collect();
    points.iter().flatten().next()?;
    let course = Course {
        name: format!("spread of {} channels: {}", own.len(), quantity.word()),
        unit: difference(unit.symbol()),
        range: dossier.run.range,
        points,
        gaps: Vec::new(),
        faults: Vec::new(),
        marks: marks(parts),
    };
    Some(Block::Figure(
        course.svg(HEIGHT),
        format!(
            "Highest less lowest mean of all channels of {} in each bucket; a break is where one of them has no sample.",
            quantity.word()
        ),
    ))
}

/// The unit of a difference, from the unit of what differs.
fn difference(unit: &str) -> String {
    match unit {
        "°C" => "K".to_owned(),
        other => other.to_owned(),
    }
}
