//! `mean`: of each channel over the stretch, with its scatter and extremes.

use std::ops::ControlFlow;

use zonda_evaluate::Mean;
use zonda_model::Unit;

use crate::ask::{Basics, MeanAsk};
use crate::error::AssessError;
use crate::figure::{Course, of_differences, shown_difference};
use crate::intake::{self, Counted, Feed};
use crate::known::{self, Known, Means};
use crate::outcome::Figure;
use crate::work::{Parts, Scene};
use crate::written::Reach;

/// How a mean is defined.
pub(crate) const DEFINITION: &str = "sum of the readings used over their number; its scatter is s/√n_eff, the memory of the readings counted";

pub(crate) async fn evaluate(
    scene: &Scene<'_>,
    ask: &MeanAsk,
    basics: &Basics,
) -> Result<Parts, AssessError> {
    let feeds = scene.feeds(&ask.channels)?;
    if let Some(within) = ask.within {
        for feed in &feeds {
            limits(within, feed)?;
        }
    }
    let all = with_sources(scene, &feeds)?;
    let mut courses = vec![Course::over(scene.stretch); all.len()];
    let counted = intake::read(
        scene.record,
        &all,
        scene.stretch,
        scene.using,
        scene.watch,
        |feed, reading, value| {
            courses[feed].push_used(reading, value);
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    let asked = &counted[..feeds.len()];
    scene.refuse_nothing(&feeds, asked, scene.stretch)?;
    let means = means_of(&all, &counted);
    let mut parts = Parts::default();
    for (place, (feed, counted)) in feeds.iter().zip(asked).enumerate() {
        of_channel(scene, (feed, counted), &means, (ask, basics), &mut parts);
        let (name, from) = (feed.name.as_str(), scene.time(scene.stretch.from()));
        let series = courses[place].series("mean", Some(name), feed.quantity.si(), from);
        parts.series.push(series);
    }
    parts.inputs = all.into_iter().zip(counted).collect();
    Ok(parts)
}

/// The channels, and behind them those that derived ones are worked out from.
pub(crate) fn with_sources(scene: &Scene<'_>, feeds: &[Feed]) -> Result<Vec<Feed>, AssessError> {
    let mut all = feeds.to_vec();
    for feed in feeds {
        for source in known::sources(scene, feed) {
            if !all.iter().any(|known| known.name.as_str() == source) {
                all.push(scene.feed(&source)?);
            }
        }
    }
    Ok(all)
}

/// The means of all channels that have one.
pub(crate) fn means_of<'a>(feeds: &'a [Feed], counted: &[Counted]) -> Means<'a> {
    let pairs = feeds.iter().zip(counted);
    pairs
        .filter_map(|(feed, counted)| Some((feed.name.as_str(), counted.mean().ok()?.mean)))
        .collect()
}

/// Limits in the SI unit of what a channel measures.
pub(crate) fn limits(
    within: Reach,
    feed: &Feed,
) -> Result<(Option<f64>, Option<f64>), AssessError> {
    let (low, high) = within
        .0
        .si(feed.quantity)
        .map_err(|why| AssessError::Ask(format!("`within` of {}: {why}", feed.name)))?;
    Ok((Some(low), Some(high)))
}

fn of_channel(
    scene: &Scene<'_>,
    (feed, counted): (&Feed, &Counted),
    means: &Means<'_>,
    (ask, basics): (&MeanAsk, &Basics),
    parts: &mut Parts,
) {
    let unit = feed.quantity.si();
    let mean = match counted.mean() {
        Ok(mean) => mean,
        Err(lack) => {
            let refused = Figure::bare("mean", None, unit, feed.shown, DEFINITION);
            let refused = refused.of(feed.name.to_string()).on(feed.basis.as_deref());
            parts.results.push(refused.noting(lack.to_string()));
            return;
        }
    };
    parts.results.push(figure(
        scene,
        feed,
        &mean,
        means,
        parts_of(ask, basics),
        &mut parts.verdicts,
    ));
    parts.results.extend(beside(scene, feed, &mean));
}

/// Limits and rule.
type Wanted = (Option<Reach>, crate::criterion::Rule);

fn parts_of(ask: &MeanAsk, basics: &Basics) -> Wanted {
    (ask.within, basics.rule.unwrap_or_default())
}

fn figure(
    scene: &Scene<'_>,
    feed: &Feed,
    mean: &Mean,
    means: &Means<'_>,
    (within, rule): Wanted,
    verdicts: &mut Vec<crate::outcome::Judged>,
) -> Figure {
    let figure = match known::of_mean(scene, feed, mean, means) {
        Known::Well(budget) => {
            let limits = within.and_then(|within| limits(within, feed).ok());
            let what = format!("mean of {}", feed.name);
            verdicts.extend(limits.and_then(|limits| rule.judge(&what, &budget, limits)));
            Figure::known("mean", &budget, feed.shown, DEFINITION)
        }
        Known::Barely(why) => {
            let unit = feed.quantity.si();
            Figure::bare("mean", Some(mean.mean), unit, feed.shown, DEFINITION).noting(why)
        }
    };
    figure.of(feed.name.to_string()).on(feed.basis.as_deref())
}

/// Scatter and extremes.
pub(crate) fn beside(scene: &Scene<'_>, feed: &Feed, mean: &Mean) -> Vec<Figure> {
    let (unit, shown) = (feed.quantity.si(), feed.shown);
    let name = feed.name.as_str();
    let extreme = |word: &str, extreme: zonda_evaluate::mean::Extreme, definition: &str| {
        Figure::bare(word, Some(extreme.value), unit, shown, definition)
            .of(name)
            .on(feed.basis.as_deref())
            .at(scene.time(extreme.at))
    };
    let effective = mean.standard_error.map(|error| error.n_eff);
    let sd = Figure::bare(
        "standard deviation",
        mean.sd,
        of_differences(feed.quantity),
        shown_difference(shown),
        "of the readings used, √(Σ(x − x̄)²/(n − 1))",
    );
    vec![
        sd.of(name),
        extreme("smallest", mean.min, "the smallest reading used"),
        extreme("largest", mean.max, "the largest reading used"),
        Figure::bare(
            "independent readings",
            effective,
            Unit::One,
            Unit::One,
            "so many independent readings would tell the mean as well: n_eff",
        )
        .of(name),
    ]
}
