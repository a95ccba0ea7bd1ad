//! What was recorded: each channel's account and its course over time, with stretches and gaps marked;
//! and how far the channels of a quantity lay apart.

use zonda_assess::Outcome;
use zonda_model::{Quantity, Stamp};
use zonda_store::Bucket;

use super::{Parts, setup, words};
use crate::document::{Block, Figure, Table};
use crate::plot::{Course, Mark};

/// How high a plot across the page is drawn.
const HEIGHT: f64 = 160.0;
/// Points of each line where the channels of a quantity are drawn together.
const TOGETHER: usize = 240;

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::flowing("What was recorded")];
    blocks.push(Block::Text(
        "Mean, standard deviation and extremes are of the samples that have a value and no fault; nothing was interpolated."
            .to_owned(),
    ));
    blocks.push(Block::Table(accounts(parts)));
    blocks.push(Block::Heading("Over time".to_owned()));
    blocks.push(Block::Text(
        "Bars above a plot are the stretches that results speak for. Each channel by itself is drawn in an appendix."
            .to_owned(),
    ));
    // Of these there are many, and alike; pressures and currents have nothing in common but the unit.
    for quantity in [Quantity::Temperature, Quantity::Velocity] {
        blocks.extend(together(parts, quantity));
    }
    blocks.extend(spreads(parts));
    blocks
}

/// Each channel over time.
pub(super) fn appendix(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::annex("Each channel over time")];
    blocks.push(Block::Text(
        "Line: mean; grey: from the lowest to the highest value of each bucket; hatched: no samples; dotted: samples that are faults. Times of day are UTC."
            .to_owned(),
    ));
    let places = 0..parts.dossier.run.channels.len();
    blocks.push(Block::Figures(
        places.filter_map(|place| course(parts, place)).collect(),
    ));
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
    )
    .small();
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

/// The channels of a quantity in one plot, each as a thin line.
fn together(parts: &Parts, quantity: Quantity) -> Option<Block> {
    let dossier = &parts.dossier;
    let rows = dossier.run.channels.iter().zip(&dossier.history.channels);
    let own: Vec<_> = rows.filter(|(row, _)| row.quantity == quantity).collect();
    let unit = own.first()?.0.unit;
    if own.len() < 2 {
        return None;
    }
    let width = dossier.history.grid.count.div_ceil(TOGETHER).max(1);
    let thinned = |buckets: &[Option<Bucket>]| -> Vec<Option<(Stamp, f64)>> {
        let pieces = buckets.chunks(width).enumerate();
        let point = |(index, piece): (usize, &[Option<Bucket>])| {
            // A break within a piece stays one.
            let means: Option<Vec<f64>> =
                piece.iter().map(|bucket| bucket.as_ref()?.mean).collect();
            let means = means?;
            let count = u32::try_from(means.len()).unwrap_or(1).max(1);
            let mean = means.iter().sum::<f64>() / f64::from(count);
            let at = middle(parts, index * width + piece.len() / 2);
            Some((at, unit.from_si(mean)))
        };
        pieces.map(point).collect()
    };
    let course = Course {
        name: format!(
            "{}, {}",
            quantity.word(),
            words::counted(own.len(), "channel")
        ),
        unit: unit.symbol().to_owned(),
        range: dossier.run.range,
        points: Vec::new(),
        gaps: Vec::new(),
        faults: Vec::new(),
        marks: marks(parts),
        beside: own.iter().map(|(_, buckets)| thinned(buckets)).collect(),
    };
    let names: Vec<_> = own.iter().map(|(row, _)| row.name.as_str()).collect();
    Some(Block::Figure(Figure {
        svg: course.svg(HEIGHT),
        caption: format!("All channels of {} together.", quantity.word()),
        alt: format!(
            "Plot over time of {} in {}: {}.",
            quantity.word(),
            unit.symbol(),
            names.join(", ")
        ),
    }))
}

fn course(parts: &Parts, place: usize) -> Option<Figure> {
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
    let account = dossier.accounts.get(place);
    let course = Course {
        name: row.name.to_string(),
        unit: row.unit.symbol().to_owned(),
        range: dossier.run.range,
        points: buckets.iter().enumerate().map(point).collect(),
        gaps: gaps
            .map(|gap| (utc(gap.from), utc(gap.to.unwrap_or(end).min(end))))
            .collect(),
        faults: faults(parts, buckets),
        marks: Vec::new(),
        beside: Vec::new(),
    };
    let shown = |value: Option<f64>| words::or_dash(value.map(|value| row.unit.from_si(value)));
    let extremes = account.map(|account| {
        let (low, high) = (shown(account.min), shown(account.max));
        format!(" from {low} to {high} {}", row.unit.symbol())
    });
    Some(Figure {
        svg: course.small_svg(),
        caption: String::new(),
        alt: format!(
            "Plot over time of {}{}.",
            row.name,
            extremes.unwrap_or_default()
        ),
    })
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

/// How far apart the places of each layout were; without one, all channels of a quantity.
fn spreads(parts: &Parts) -> Vec<Block> {
    let quantities = [Quantity::Temperature, Quantity::Velocity];
    let layouts = setup::layouts(parts);
    if layouts.is_empty() {
        let spreads = quantities.into_iter();
        return spreads
            .filter_map(|quantity| spread(parts, quantity, "all channels", |_| true))
            .collect();
    }
    let mut blocks = Vec::new();
    for layout in layouts {
        let stands = |name: &str| {
            let mut bound = layout.channels.iter().flatten();
            bound.any(|own| own.as_str() == name)
        };
        let spreads = quantities.into_iter();
        let place = format!("the places of {}", layout.name);
        blocks.extend(spreads.filter_map(|quantity| spread(parts, quantity, &place, stands)));
    }
    blocks
}

/// Highest less lowest mean of these channels, bucket by bucket.
fn spread(
    parts: &Parts,
    quantity: Quantity,
    whose: &str,
    is_own: impl Fn(&str) -> bool,
) -> Option<Block> {
    let dossier = &parts.dossier;
    let rows = || dossier.run.channels.iter().zip(&dossier.history.channels);
    let own = rows().filter(|(row, _)| row.quantity == quantity && is_own(row.name.as_str()));
    let own: Vec<_> = own.collect();
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
        name: format!("spread of {}: {whose}", quantity.word()),
        unit: difference(unit.symbol()),
        range: dossier.run.range,
        points,
        gaps: Vec::new(),
        faults: Vec::new(),
        marks: marks(parts),
        beside: Vec::new(),
    };
    let caption = format!(
        "Spread over time of {}: highest less lowest mean of {whose} in each bucket; a break is where one of its {} has no sample.",
        quantity.word(),
        words::counted(own.len(), "channel")
    );
    Some(Block::Figure(Figure {
        svg: course.svg(HEIGHT),
        alt: caption.clone(),
        caption,
    }))
}

/// The unit of a difference, from the unit of what differs.
fn difference(unit: &str) -> String {
    match unit {
        "°C" => "K".to_owned(),
        other => other.to_owned(),
    }
}
