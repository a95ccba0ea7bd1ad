//! `steadiness`: since when, and until when, channels are steady, one by one and all at once.

use std::ops::ControlFlow;
use std::time::Duration;

use zonda_evaluate::steadiness::State;
use zonda_evaluate::{Reading, Steadiness, SteadyRule};
use zonda_model::Stamp;

use crate::ask::SteadinessAsk;
use crate::error::AssessError;
use crate::intake::{self, Feed};
use crate::kinds::uniformity::difference;
use crate::outcome::{Figure, Table, TableRow};
use crate::work::{Parts, Scene};

/// How long nothing may move; common practice, no source.
const WINDOW: Duration = Duration::from_mins(10);

type Stretches = Vec<(Stamp, Stamp)>;

pub(crate) async fn evaluate(scene: &Scene<'_>, ask: &SteadinessAsk) -> Result<Parts, AssessError> {
    let feeds = scene.feeds(&ask.channels)?;
    let mut watches: Vec<Steady> = feeds
        .iter()
        .map(|feed| Steady::new(scene, feed, ask))
        .collect::<Result<_, _>>()?;
    let counted = intake::read(
        scene.record,
        &feeds,
        scene.stretch,
        scene.using,
        scene.watch,
        |feed, reading, _| {
            watches[feed].push(reading)?;
            Ok(ControlFlow::Continue(()))
        },
    )
    .await?;
    scene.refuse_nothing(&feeds, &counted, scene.stretch)?;
    let mut parts = Parts::default();
    for (feed, watch) in feeds.iter().zip(&watches) {
        of_channel(
            scene,
            feed.name.as_str(),
            &watch.rule.to_string(),
            &watch.found,
            &mut parts,
        );
        if matches!(watch.steadiness.state(), State::Frozen { .. }) {
            parts.warnings.push(format!(
                "{} does not change at all at the end: whether its device hangs or its resolution is coarser than its noise cannot be told",
                feed.name
            ));
        }
    }
    if feeds.len() > 1 {
        let all = watches
            .iter()
            .map(|watch| watch.found.clone())
            .reduce(|one, other| overlaps(&one, &other));
        let definition = "every one of the channels is steady at once";
        of_channel(
            scene,
            "all channels",
            definition,
            &all.unwrap_or_default(),
            &mut parts,
        );
    }
    parts.inputs = feeds.into_iter().zip(counted).collect();
    Ok(parts)
}

/// A channel, watched.
struct Steady {
    rule: SteadyRule,
    steadiness: Steadiness,
    found: Stretches,
}

impl Steady {
    fn new(scene: &Scene<'_>, feed: &Feed, ask: &SteadinessAsk) -> Result<Self, AssessError> {
        let negligible = match ask.negligible {
            Some(amount) => difference(amount.0, feed.quantity)?,
            None => 0.0,
        };
        let rule = SteadyRule {
            sieve: scene.using.sieve,
            negligible,
            ..SteadyRule::over(ask.window.map_or(WINDOW, |window| window.0), feed.period)
        };
        Ok(Self {
            rule,
            steadiness: Steadiness::new(rule).map_err(|why| AssessError::ask(&why))?,
            found: Vec::new(),
        })
    }

    fn push(&mut self, reading: &Reading) -> Result<(), AssessError> {
        let before = self.steadiness.state();
        match self.steadiness.push(reading)? {
            State::Steady { since, until } => match self.found.last_mut() {
                Some((first, last)) if *first == since => *last = until,
                _ => self.found.push((since, until)),
            },
            // It moved before anybody could tell.
            State::Moving { since } | State::Frozen { since } if before.is_steady() => {
                self.end(since);
            }
            _ => {}
        }
        Ok(())
    }

    fn end(&mut self, moves: Stamp) {
        if let Some((_, last)) = self.found.last_mut() {
            *last = moves.min(*last);
        }
        self.found.pop_if(|(from, to)| from >= to);
    }
}

/// What two lists of stretches, each in order and apart, have in common.
fn overlaps(one: &[(Stamp, Stamp)], other: &[(Stamp, Stamp)]) -> Stretches {
    let (mut i, mut j) = (0, 0);
    let mut common = Vec::new();
    while let (Some((a, b)), Some((c, d))) = (one.get(i), other.get(j)) {
        let (from, to) = (*a.max(c), *b.min(d));
        if from < to {
            common.push((from, to));
        }
        if b < d {
            i += 1;
        } else {
            j += 1;
        }
    }
    common
}

fn of_channel(
    scene: &Scene<'_>,
    name: &str,
    definition: &str,
    found: &[(Stamp, Stamp)],
    parts: &mut Parts,
) {
    let total: Duration = found.iter().map(|(from, to)| to.since(*from)).sum();
    let longest = found.iter().max_by_key(|(from, to)| to.since(*from));
    parts
        .results
        .push(Figure::time("time steady", Some(total), definition).of(name));
    let first = found.first().map(|(from, _)| *from);
    let until = first.map(|first| first.since(scene.stretch.from()));
    let figure = Figure::time(
        "first steady after",
        until,
        "from the beginning of the stretch to that of the first window in which nothing moved",
    );
    let figure = figure.of(name);
    parts.results.push(match first {
        Some(first) => figure.at(scene.time(first)),
        None => figure.noting("never steady in this stretch"),
    });
    if let Some((from, to)) = longest {
        let definition = "the longest stretch without a movement";
        let figure = Figure::time("longest steady", Some(to.since(*from)), definition);
        parts.results.push(figure.of(name).at(scene.time(*from)));
    }
    parts.tables.push(Table {
        name: "steady".to_owned(),
        of: Some(name.to_owned()),
        unit: "s".to_owned(),
        rows: found
            .iter()
            .map(|(from, to)| TableRow {
                from: scene.time(*from),
                to: scene.time(*to),
                word: Some("steady".to_owned()),
                value: Some(to.since(*from).as_secs_f64()),
                sd: None,
                u: None,
                expanded: None,
                coverage: None,
                used: None,
                note: None,
            })
            .collect(),
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_all_have_in_common_is_found() {
        let list = |pairs: &[(i64, i64)]| -> Stretches {
            let at = Stamp::from_millis;
            pairs.iter().map(|(a, b)| (at(*a), at(*b))).collect()
        };
        let one = list(&[(0, 10), (20, 30), (40, 50)]);
        let other = list(&[(5, 25), (28, 45)]);
        assert_eq!(
            overlaps(&one, &other),
            list(&[(5, 10), (20, 25), (28, 30), (40, 45)])
        );
        assert!(overlaps(&one, &[]).is_empty());
    }
}
