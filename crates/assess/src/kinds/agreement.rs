//! `agreement`: whether two channels say the same of the same thing, such as a meter's analog output and its text line.

use std::ops::ControlFlow;

use zonda_evaluate::doubt;
use zonda_evaluate::uncertainty::{Budget, law};
use zonda_evaluate::{Averaging, Mean, Reading};
use zonda_model::{Quality, Unit};
use zonda_proof::agreement::{Relation, is_fit, relation};

use crate::ask::{AgreementAsk, Basics};
use crate::error::AssessError;
use crate::figure::{Course, of_differences, shown_difference};
use crate::intake::{self, Feed};
use crate::kinds::uniformity::difference;
use crate::known::doubts_of;
use crate::outcome::Figure;
use crate::scans::Scans;
use crate::work::{Parts, Scene};

/// A line through more pairs says no more; they are thinned out evenly.
const PAIRS_MAX: u128 = 20_000;

pub(crate) async fn evaluate(
    scene: &Scene<'_>,
    ask: &AgreementAsk,
    basics: &Basics,
) -> Result<Parts, AssessError> {
    let feeds = [scene.feed(&ask.channel)?, scene.feed(&ask.against)?];
    check(&feeds)?;
    let within = ask
        .within
        .map(|amount| difference(amount.0, feeds[0].quantity));
    let within = within.transpose()?;
    let period = feeds[0].period.max(feeds[1].period);
    let ticks = scene.stretch.length().as_micros() / period.duration().as_micros();
    let mut both = Both {
        differences: Averaging::new(scene.stretch, scene.using.rule(period)),
        every: ticks / PAIRS_MAX + 1,
        seen: 0,
        pairs: Vec::new(),
        course: Course::over(scene.stretch),
    };
    let mut scans = Scans::new(2, period);
    let counted = intake::read(
        scene.record,
        &feeds,
        scene.stretch,
        scene.using,
        scene.watch,
        |feed, reading, _| {
            if let Some(scan) = scans.push(feed, reading) {
                both.note(scan)?;
            }
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    if let Some(scan) = scans.finish() {
        both.note(scan)?;
    }
    scene.refuse_nothing(&feeds, &counted, scene.stretch)?;
    let mean = both
        .differences
        .finish()
        .map_err(|why| AssessError::refused(&why))?;
    let means: Vec<Option<Mean>> = counted.iter().map(|counted| counted.mean().ok()).collect();
    let mut parts = Parts::default();
    let budget = known(scene, &feeds, &mean, &means);
    parts.results.push(apart(&feeds, &mean, budget.as_ref()));
    parts.results.extend(related(&feeds, &both.pairs));
    if let Some((within, budget)) = within.zip(budget) {
        let rule = basics.rule.unwrap_or_default();
        let limits = (Some(-within), Some(within));
        parts
            .verdicts
            .extend(rule.judge("difference", &budget, limits));
    }
    let from = scene.time(scene.stretch.from());
    let unit = of_differences(feeds[0].quantity);
    let name = feeds[0].name.to_string();
    parts
        .series
        .push(both.course.series("difference", Some(&name), unit, from));
    parts.inputs = feeds.into_iter().zip(counted).collect();
    Ok(parts)
}

fn check(feeds: &[Feed; 2]) -> Result<(), AssessError> {
    let [one, other] = feeds;
    if one.id == other.id {
        return Err(AssessError::Ask(format!(
            "`{}` agrees with itself; name two channels",
            one.name
        )));
    }
    if one.quantity != other.quantity {
        return Err(AssessError::Ask(format!(
            "`{}` measures {} and `{}` {}: they cannot agree",
            one.name, one.quantity, other.name, other.quantity
        )));
    }
    Ok(())
}

/// Readings of both in one tick.
struct Both {
    differences: Averaging,
    every: u128,
    seen: u128,
    /// (the other, the one), as relations take them.
    pairs: Vec<(f64, f64)>,
    course: Course,
}

impl Both {
    fn note(&mut self, scan: &[Reading]) -> Result<(), AssessError> {
        let [one, other] = scan else { return Ok(()) };
        let (Some(a), Some(b)) = (one.value, other.value) else {
            return Ok(());
        };
        let at = one.at.max(other.at);
        let quality: Quality = one.quality | other.quality;
        let reading = Reading {
            at,
            value: Some(a - b),
            quality,
        };
        if at < self.differences.stretch().to() {
            self.differences.push(&reading)?;
        }
        if is_fit(quality) && quality.is_good() {
            self.course.push(at, a - b);
            if self.seen.is_multiple_of(self.every) {
                self.pairs.push((b, a));
            }
            self.seen += 1;
        }
        Ok(())
    }
}

/// The difference with what each may be off at its mean, and the scatter of the differences.
fn known(
    scene: &Scene<'_>,
    feeds: &[Feed; 2],
    mean: &Mean,
    means: &[Option<Mean>],
) -> Option<Budget> {
    let at = |index: usize| {
        let mean = means[index].as_ref()?.mean;
        doubts_of(scene, &feeds[index], mean).at(mean).ok()
    };
    let (one, other) = (at(0)?, at(1)?);
    let instruments = law::difference("difference", &one, &other).ok()?;
    let scatter = doubt::scatter("difference", feeds[0].quantity, mean).ok()?;
    Budget::draft("difference", mean.mean, instruments.unit())
        .through(&instruments, 1.0)
        .row(scatter, 1.0)
        .finish()
        .ok()
}

fn apart(feeds: &[Feed; 2], mean: &Mean, budget: Option<&Budget>) -> Figure {
    let definition =
        "mean over the ticks in which both have a used reading of the one less the other";
    let unit = of_differences(feeds[0].quantity);
    let shown = shown_difference(feeds[0].shown);
    let figure = match budget {
        Some(budget) => Figure::known("difference", budget, shown, definition),
        None => Figure::bare("difference", Some(mean.mean), unit, shown, definition)
            .noting("too few readings to say how far it may be off"),
    };
    figure.of(format!("{} less {}", feeds[0].name, feeds[1].name))
}

fn related(feeds: &[Feed; 2], pairs: &[(f64, f64)]) -> Vec<Figure> {
    let unit = of_differences(feeds[0].quantity);
    let shown = shown_difference(feeds[0].shown);
    let plain = |name: &str, value: f64, definition: &str| {
        Figure::bare(name, Some(value), Unit::One, Unit::One, definition)
    };
    let count = u64::try_from(pairs.len()).unwrap_or(u64::MAX);
    let mut all = vec![Figure::count(
        "pairs",
        count,
        "ticks with a good reading of both, thinned out evenly to 20 000 at most",
    )];
    if let Relation::Line {
        slope,
        offset,
        scatter,
        correlation,
        ..
    } = relation::of(pairs)
    {
        let line = "of the line through the pairs that treats both alike in terms of their spread (reduced major axis)";
        let with_u = |figure: Figure, u: f64| Figure {
            note: Some(format!(
                "U = {} by the scatter of the pairs",
                crate::figure::number(2.0 * u)
            )),
            u: Some(u),
            expanded: Some(2.0 * u),
            k: Some(2.0),
            ..figure
        };
        all.push(with_u(
            plain("slope", slope.value, &format!("slope {line}")),
            slope.u,
        ));
        let definition = format!("where the other reads nought, {line}");
        let offset_figure = Figure::bare(
            "offset",
            Some(offset.value),
            feeds[0].quantity.si(),
            feeds[0].shown,
            definition,
        );
        all.push(with_u(offset_figure, offset.u));
        all.push(Figure::bare(
            "scatter about the line",
            Some(scatter),
            unit,
            shown,
            "standard deviation of the one about the line",
        ));
        all.push(plain(
            "correlation",
            correlation,
            "Pearson's r of the pairs",
        ));
    } else {
        let none = Figure::bare(
            "slope",
            None,
            Unit::One,
            Unit::One,
            "slope of the line through the pairs",
        );
        all.push(none.noting(
            "the readings vary too little, or not together: a factor cannot be told from an offset",
        ));
    }
    all
}
