//! `windows`: the means of windows of one length at even steps.

use std::ops::ControlFlow;
use std::time::Duration;

use zonda_evaluate::mean::TooLittle;
use zonda_evaluate::windows::{Start, WindowPlan, Windowing};
use zonda_evaluate::{Mean, Moments};

use crate::ask::WindowsAsk;
use crate::error::AssessError;
use crate::figure::{of_differences, shown_difference};
use crate::intake::{self, Feed};
use crate::known::{self, Known, Means};
use crate::outcome::{Figure, Table, TableRow};
use crate::work::{Parts, Scene};

/// More windows of all channels together are no table but data: an export has them.
const WINDOWS_MAX: usize = 20_000;

pub(crate) async fn evaluate(scene: &Scene<'_>, ask: &WindowsAsk) -> Result<Parts, AssessError> {
    let feeds = scene.feeds(&ask.channels)?;
    let length = ask.length.0;
    let plan = planned(scene, ask, length)?;
    let count = plan.windows().take(WINDOWS_MAX + 1).count();
    if count * feeds.len() > WINDOWS_MAX {
        return Err(AssessError::Ask(format!(
            "{count} windows of {} channels are more than {WINDOWS_MAX} results; ask for longer windows, fewer channels, or a shorter stretch",
            feeds.len()
        )));
    }
    if count == 0 {
        return Err(AssessError::Ask(format!(
            "a window of {} does not fit into the stretch, which is {} long",
            ask.length,
            zonda_model::run::spelled(scene.stretch.length())
        )));
    }
    let mut windowing: Vec<Windowing> = feeds
        .iter()
        .map(|feed| Windowing::new(plan, scene.using.rule(feed.period)))
        .collect();
    let mut closed: Vec<Vec<Result<Mean, TooLittle>>> = vec![Vec::new(); feeds.len()];
    let counted = intake::read(
        scene.record,
        &feeds,
        scene.stretch,
        scene.using,
        scene.watch,
        |feed, reading, _| {
            closed[feed].extend(windowing[feed].push(reading)?);
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    scene.refuse_nothing(&feeds, &counted, scene.stretch)?;
    let mut parts = Parts::default();
    for ((feed, windowing), mut windows) in feeds.iter().zip(windowing).zip(closed) {
        windows.extend(windowing.finish());
        of_channel(scene, feed, &windows, &mut parts);
    }
    parts.inputs = feeds.into_iter().zip(counted).collect();
    Ok(parts)
}

fn planned(
    scene: &Scene<'_>,
    ask: &WindowsAsk,
    length: Duration,
) -> Result<WindowPlan, AssessError> {
    let every = ask.every.map_or(length, |every| every.0);
    let plan =
        WindowPlan::new(scene.stretch, length, every).map_err(|why| AssessError::ask(&why))?;
    let plan = if ask.on_the_clock {
        plan.starting(Start::OnTheClock)
    } else {
        plan
    };
    Ok(ask.count.map_or(plan, |count| plan.at_most(count)))
}

fn of_channel(
    scene: &Scene<'_>,
    feed: &Feed,
    windows: &[Result<Mean, TooLittle>],
    parts: &mut Parts,
) {
    let nothing = Means::new();
    let mut rows = Vec::new();
    let mut means = Moments::default();
    let (mut lowest, mut highest): (Option<&Mean>, Option<&Mean>) = (None, None);
    for window in windows {
        if let Ok(mean) = window {
            means.push(mean.mean);
            lowest = Some(lowest.filter(|low| low.mean <= mean.mean).unwrap_or(mean));
            highest = Some(
                highest
                    .filter(|high| high.mean >= mean.mean)
                    .unwrap_or(mean),
            );
        }
        rows.push(row(scene, feed, window, &nothing));
    }
    let (unit, shown, name) = (feed.quantity.si(), feed.shown, feed.name.as_str());
    let basis = feed.basis.as_deref();
    let end = |word: &str, mean: Option<&Mean>, definition: &str| {
        let figure = Figure::bare(word, mean.map(|mean| mean.mean), unit, shown, definition);
        let figure = figure.of(name).on(basis);
        match mean {
            Some(mean) => figure.at(scene.time(mean.stretch.from())),
            None => figure,
        }
    };
    let refused = windows.iter().filter(|window| window.is_err()).count();
    parts.results.extend([
        Figure::bare(
            "mean of windows",
            means.mean(),
            unit,
            shown,
            "plain mean of the means of all windows that have one",
        )
        .of(name)
        .on(basis),
        Figure::bare(
            "standard deviation of windows",
            means.sd(),
            of_differences(feed.quantity),
            shown_difference(shown),
            "sample standard deviation of the means of the windows",
        )
        .of(name),
        end(
            "lowest window",
            lowest,
            "the smallest mean of a window, and when it began",
        ),
        end(
            "highest window",
            highest,
            "the largest mean of a window, and when it began",
        ),
        Figure::count("windows", means.count(), "windows that have a mean").of(name),
    ]);
    if refused > 0 {
        parts.warnings.push(format!(
            "{refused} of {} windows of {name} have no mean: too little of them is covered",
            windows.len()
        ));
    }
    parts.tables.push(Table {
        name: "windows".to_owned(),
        of: Some(name.to_owned()),
        unit: unit.symbol().to_owned(),
        rows,
    });
}

fn row(
    scene: &Scene<'_>,
    feed: &Feed,
    window: &Result<Mean, TooLittle>,
    means: &Means<'_>,
) -> TableRow {
    match window {
        Ok(mean) => {
            let (u, expanded, note) = match known::of_mean(scene, feed, mean, means) {
                Known::Well(budget) => {
                    let expanded = known::expanded(&budget);
                    (Some(budget.u()), expanded, None)
                }
                Known::Barely(why) => (None, None, Some(why)),
            };
            TableRow {
                from: scene.time(mean.stretch.from()),
                to: scene.time(mean.stretch.to()),
                word: None,
                value: Some(mean.mean),
                sd: mean.sd,
                u,
                expanded,
                coverage: Some(mean.coverage),
                used: Some(mean.tally.used()),
                note,
            }
        }
        Err(lack) => TableRow {
            from: scene.time(lack.stretch.from()),
            to: scene.time(lack.stretch.to()),
            word: None,
            value: None,
            sd: None,
            u: None,
            expanded: None,
            coverage: Some(lack.coverage),
            used: Some(lack.tally.used()),
            note: Some(format!("too little: {}", lack.tally)),
        },
    }
}
