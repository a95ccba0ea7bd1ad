//! The moved-probe traverse of a run: laid out, confirmed point by point, ended.
//!
//! In the record stands what the operator said, and nothing else; where a visit stands and what was read follow from that and from
//! the samples ([`zonda_evaluate::moved`]), so that a restart of the daemon loses nothing. Points are shown with the numbers of their
//! layout, from 1.

use std::time::Duration;

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use zonda_config::{LayoutForm, LayoutPlan};
use zonda_evaluate::moved::{DwellRule, Next, PointRead, Tour, Visit, Watch};
use zonda_evaluate::{Reading, Sieve, SteadyRule};
use zonda_model::written::Amount;
use zonda_model::{Period, Quality, Quantity, RunId, Stamp};
use zonda_store::{ChannelId, Key, RunChange, Severity, TraverseEntry, TraverseStep};

use super::check::{BY_MAX, check_text};
use super::error::RunError;
use super::{Runs, words};

/// Samples of one page.
const PAGE: i64 = 20_000;
/// Flags that do not keep a reading out of the question whether it moves.
const NO_MATTER: Quality = Quality::UNCALIBRATED
    .union(Quality::CALIBRATION_OVERDUE)
    .union(Quality::LATE)
    .union(Quality::UNCERTAIN);

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Lay {
    /// The layout of the duct.
    pub layout: String,
    /// The channel of the probe's velocity, or its meter.
    pub probe: String,
    /// For how long each point is read.
    pub dwell: Duration,
    /// A movement that does not matter, such as `0.2 m/s`.
    pub within: Amount,
    /// Over which the channel has to be steady.
    pub over: Duration,
    /// For how long steadiness is waited for.
    pub patience: Duration,
    /// What the evaluation at the end takes beside: `pressure`, `temperature`, `humidity`, `reference`.
    pub evaluation: Map<String, Value>,
    /// Who asks.
    pub by: String,
}

/// A traverse as it was laid out, as the record keeps it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Laid {
    /// The layout of the duct.
    pub layout: String,
    /// The channel that the probe's velocity comes by.
    pub channel: String,
    /// Its tick, µs.
    pub every_us: i64,
    /// For how long each point is read, s.
    pub dwell_s: f64,
    /// A movement that does not matter, SI.
    pub within: f64,
    /// Over which it has to be steady, s.
    pub over_s: f64,
    /// For how long that is waited for, s.
    pub patience_s: f64,
    /// Cross-section, m².
    pub area_m2: f64,
    /// The points, in the order of measuring.
    pub points: Vec<LaidPoint>,
    /// What the evaluation at the end takes beside.
    pub evaluation: Map<String, Value>,
}

/// A point of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LaidPoint {
    /// Its number in the layout, from 1.
    pub number: usize,
    /// Its line, from 1.
    pub line: usize,
    /// From the inner wall at the port to the point, along the line, mm: the mark on the probe.
    pub insertion_mm: f64,
    /// To the nearest wall, mm.
    pub wall_mm: f64,
    /// To the right of the middle and above it, mm.
    pub x_mm: f64,
    /// Above the middle, mm.
    pub y_mm: f64,
    /// Share of the area that it stands for.
    pub weight: f64,
}

/// One visit to a point.
#[derive(Clone, Debug, PartialEq)]
pub struct Visited {
    /// The point: its place among [`Laid::points`].
    pub point: usize,
    /// When the probe was put there, on the record's axis.
    pub at: Stamp,
    /// Who said so.
    pub by: String,
    /// Where it stands; of one that was left before it was read, where it stood then.
    pub visit: Visit,
}

/// A traverse, as far as it has come.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    /// As laid out.
    pub laid: Laid,
    /// When, and by whom.
    pub since: (Stamp, String),
    /// Every visit.
    pub visits: Vec<Visited>,
    /// The readings that hold.
    pub tour: Tour,
    /// When it ended.
    pub ended: Option<Stamp>,
}

impl Progress {
    /// Whether the probe stands at a point that is not read yet.
    pub fn is_reading(&self) -> bool {
        let last = self.visits.last();
        self.ended.is_none() && last.is_some_and(|last| !matches!(last.visit, Visit::Read(_)))
    }

    /// Mean velocity by the shares of the area, SI; `None` before every point is read.
    pub fn mean(&self) -> Option<f64> {
        let pairs = self.laid.points.iter().zip(&self.tour.points);
        let all: Option<Vec<f64>> = pairs
            .map(|(point, read)| Some(point.weight * read.as_ref()?.mean))
            .collect();
        Some(all?.into_iter().sum())
    }
}

impl Runs {
    /// Lays a traverse out. An older one of the same run is over with it.
    ///
    /// # Errors
    /// [`RunError`]: a run that does not go on, no such layout or channel, a rule that cannot be followed.
    pub async fn lay(&self, run: RunId, lay: Lay) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_text("who asks", &lay.by, BY_MAX)?;
        let row = self.row(run).await?;
        if row.state.since().is_none() || !row.state.is_open() {
            return Err(RunError::NotYet(format!(
                "run {} is {}: a traverse is made while its run goes on",
                row.entry.name,
                row.state.word()
            )));
        }
        let laid = self.laid(&lay).await?;
        Watch::new(rule(&laid), Stamp::default()).map_err(RunError::Steady)?;
        let text = format!(
            "a traverse of run {} with {} over the {} points of {} was laid out by {}",
            row.entry.name,
            laid.channel,
            laid.points.len(),
            laid.layout,
            lay.by
        );
        let plan =
            serde_json::to_string(&laid).map_err(|error| RunError::Traverse(error.to_string()))?;
        self.say_of_traverse(
            run,
            row.entry.name.as_str(),
            lay.by,
            TraverseStep::Laid(plan),
            text,
        )
        .await
    }

    /// The probe is at the next point, or at the one with this number; a point may be visited again.
    ///
    /// # Errors
    /// [`RunError::NotYet`] while a point is being read and no number is given; [`RunError::Traverse`] for no such point.
    pub async fn confirm(
        &self,
        run: RunId,
        point: Option<usize>,
        by: String,
    ) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_text("who confirms", &by, BY_MAX)?;
        let name = self.row(run).await?.entry.name.to_string();
        let progress = self.under_way(run).await?;
        let points = &progress.laid.points;
        let index = match point {
            Some(number) => points.iter().position(|point| point.number == number),
            None => Some(next_point(&progress)?),
        };
        let Some(point) = index.and_then(|index| points.get(index)) else {
            return Err(RunError::Traverse(format!(
                "there is no point {}: {} has the points 1 to {}",
                point.unwrap_or_default(),
                progress.laid.layout,
                points.len()
            )));
        };
        let text = format!(
            "traverse of run {name}: the probe is at point {}, {:.1} mm from the wall at the port, says {by}",
            point.number, point.insertion_mm
        );
        let number = u32::try_from(point.number).unwrap_or(u32::MAX);
        self.say_of_traverse(run, &name, by, TraverseStep::Confirmed(number), text)
            .await
    }

    /// Ends the traverse. Where every point is read, its evaluation is asked of the run.
    ///
    /// # Errors
    /// [`RunError`]: no traverse is under way.
    pub async fn end_traverse(&self, run: RunId, by: String) -> Result<(), RunError> {
        self.refuse_stalled()?;
        check_text("who ends it", &by, BY_MAX)?;
        let name = self.row(run).await?.entry.name.to_string();
        let progress = self.under_way(run).await?;
        let text = said_at_the_end(&name, &by, &progress);
        if progress.tour.is_whole() {
            let parameters = self.evaluation_of(&progress).await?;
            let asked = ("traverse".to_owned(), parameters.to_string());
            self.evaluate(run, Some(&by), asked).await?;
        }
        self.say_of_traverse(run, &name, by, TraverseStep::Ended, text)
            .await
    }

    /// How far the newest traverse of a run has come; `None` where there is none.
    ///
    /// # Errors
    /// The record cannot be read.
    pub async fn traverse(&self, run: RunId) -> Result<Option<Progress>, RunError> {
        let said = self.record().run_traverse(run).await?;
        let Some((first, rest)) = said.split_first() else {
            return Ok(None);
        };
        let TraverseStep::Laid(plan) = &first.step else {
            return Ok(None);
        };
        let laid: Laid =
            serde_json::from_str(plan).map_err(|error| RunError::Traverse(error.to_string()))?;
        let ended = rest.iter().find(|entry| entry.step == TraverseStep::Ended);
        let until = ended.map_or(self.now().axis, |entry| entry.said);
        let visits = self.visits(&laid, rest, until).await?;
        let reads: Vec<_> = visits
            .iter()
            .map(|visited| (visited.point, read_of(visited.visit)))
            .collect();
        Ok(Some(Progress {
            tour: Tour::of(laid.points.len(), &reads),
            since: (first.said, first.by.clone()),
            ended: ended.map(|entry| entry.said),
            visits,
            laid,
        }))
    }

    async fn under_way(&self, run: RunId) -> Result<Progress, RunError> {
        let progress = self.traverse(run).await?;
        progress
            .filter(|progress| progress.ended.is_none())
            .ok_or_else(|| {
                RunError::NotYet(
                    "no traverse of this run is under way; lay one out first".to_owned(),
                )
            })
    }

    async fn visits(
        &self,
        laid: &Laid,
        said: &[TraverseEntry],
        until: Stamp,
    ) -> Result<Vec<Visited>, RunError> {
        let confirmed: Vec<(usize, &TraverseEntry)> = said
            .iter()
            .filter_map(|entry| match entry.step {
                TraverseStep::Confirmed(number) => {
                    Some((usize::try_from(number).ok()?.checked_sub(1)?, entry))
                }
                _ => None,
            })
            .collect();
        let rule = rule(laid);
        let channels = self.record().channels().await?;
        let channel = channels
            .iter()
            .find(|row| row.name.as_str() == laid.channel)
            .map(|row| row.id);
        let mut visits = Vec::with_capacity(confirmed.len());
        for (place, (point, entry)) in confirmed.iter().enumerate() {
            let end = confirmed
                .get(place + 1)
                .map_or(until, |(_, next)| next.said);
            let mut watch = Watch::new(rule, entry.said).map_err(RunError::Steady)?;
            if let Some(channel) = channel {
                self.show(&mut watch, channel, (entry.said, end)).await?;
            }
            visits.push(Visited {
                point: *point,
                at: entry.said,
                by: entry.by.clone(),
                visit: watch.visit(),
            });
        }
        Ok(visits)
    }

    /// Shows a visit its samples, until it has read.
    async fn show(
        &self,
        watch: &mut Watch,
        channel: ChannelId,
        stretch: (Stamp, Stamp),
    ) -> Result<(), RunError> {
        let mut after = None;
        loop {
            let page = self
                .record()
                .samples(stretch, Some(&[channel]), after, PAGE)
                .await?;
            let Some(last) = page.last() else {
                return Ok(());
            };
            after = Some(Key {
                at: last.at,
                channel: last.channel,
            });
            for row in &page {
                watch.take(&Reading {
                    at: row.at,
                    value: row.value,
                    quality: row.quality,
                });
            }
            if matches!(watch.visit(), Visit::Read(_)) {
                return Ok(());
            }
        }
    }

    async fn laid(&self, lay: &Lay) -> Result<Laid, RunError> {
        let layouts = &self.shared.layouts;
        let layout = layouts.iter().find(|plan| plan.name.as_str() == lay.layout);
        let layout = layout.ok_or_else(|| RunError::Traverse(no_layout(&lay.layout, layouts)))?;
        let LayoutForm::Duct { traverse, .. } = &layout.form else {
            return Err(RunError::Traverse(format!(
                "`{}` is a layout of a zone; a traverse needs one of a duct",
                lay.layout
            )));
        };
        let book = self.shared.book.lock().await;
        let wanted = [lay.probe.clone(), format!("{}.velocity", lay.probe)];
        let mut channels = book.scene.channels().iter();
        let channel = channels.find(|channel| {
            channel.quantity == Quantity::Velocity && wanted.contains(&channel.name.to_string())
        });
        let channel = channel.ok_or_else(|| {
            RunError::Traverse(format!(
                "`{}` is no channel of a velocity, and no meter that reads one",
                lay.probe
            ))
        })?;
        let within = lay.within.unit;
        if within.quantity() != Quantity::Velocity {
            return Err(RunError::Traverse(format!(
                "`within` is a velocity such as `0.2 m/s`, and {within} is a unit of {}",
                within.quantity()
            )));
        }
        let mm = |metres: f64| 1000.0 * metres;
        let points = traverse.points().iter().map(|point| LaidPoint {
            number: point.number,
            line: point.line,
            insertion_mm: mm(point.insertion),
            wall_mm: mm(point.clearance),
            x_mm: mm(point.x),
            y_mm: mm(point.y),
            weight: point.weight,
        });
        Ok(Laid {
            layout: lay.layout.clone(),
            channel: channel.name.to_string(),
            every_us: channel.period.micros(),
            dwell_s: lay.dwell.as_secs_f64(),
            within: within.difference_to_si(lay.within.value),
            over_s: lay.over.as_secs_f64(),
            patience_s: lay.patience.as_secs_f64(),
            area_m2: traverse.shape().area().si(),
            points: points.collect(),
            evaluation: lay.evaluation.clone(),
        })
    }

    /// What is asked of the run: the usual evaluation, told when the probe was where.
    async fn evaluation_of(&self, progress: &Progress) -> Result<Value, RunError> {
        let utc = self.true_utc().await?;
        let visit = |point: &LaidPoint, read: &PointRead| {
            json!({
                "point": point.number,
                "from": utc.of(read.from).to_string(),
                "to": utc.of(read.to).to_string(),
            })
        };
        let points = &progress.laid.points;
        let pairs = points.iter().zip(&progress.tour.points);
        let visits = pairs.filter_map(|(point, read)| Some(visit(point, read.as_ref()?)));
        let mut moved = Map::new();
        moved.insert("channel".to_owned(), progress.laid.channel.clone().into());
        moved.insert("visits".to_owned(), visits.collect());
        if let (Some(point), Some(read)) = (points.first(), &progress.tour.again) {
            moved.insert("again".to_owned(), visit(point, read));
        }
        let mut asked = progress.laid.evaluation.clone();
        asked.insert("layout".to_owned(), progress.laid.layout.clone().into());
        asked.insert("moved".to_owned(), moved.into());
        Ok(Value::Object(asked))
    }

    async fn say_of_traverse(
        &self,
        run: RunId,
        name: &str,
        by: String,
        step: TraverseStep,
        text: String,
    ) -> Result<(), RunError> {
        let said = self.now().axis;
        let event = words::event(said, Severity::Info, "traverse", name, text);
        let entry = TraverseEntry {
            run,
            said,
            by,
            step,
        };
        self.hand_over(vec![RunChange::Traverse(entry)], vec![event])
            .await?;
        Ok(self.recorder()?.flush().await?)
    }
}

fn rule(laid: &Laid) -> DwellRule {
    let every = Duration::from_micros(u64::try_from(laid.every_us).unwrap_or(0));
    let period = Period::new(every).unwrap_or(Period::SECOND);
    let seconds = |s: f64| Duration::try_from_secs_f64(s).unwrap_or_default();
    let steady = SteadyRule {
        sieve: Sieve::allowing(NO_MATTER),
        negligible: laid.within,
        ..SteadyRule::over(seconds(laid.over_s), period)
    };
    DwellRule {
        steady,
        dwell: seconds(laid.dwell_s),
        patience: seconds(laid.patience_s),
    }
}

fn read_of(visit: Visit) -> Option<PointRead> {
    match visit {
        Visit::Read(read) => Some(read),
        _ => None,
    }
}

fn next_point(progress: &Progress) -> Result<usize, RunError> {
    if let Some(last) = progress.visits.last().filter(|_| progress.is_reading()) {
        let number = progress
            .laid
            .points
            .get(last.point)
            .map_or(0, |point| point.number);
        return Err(RunError::NotYet(format!(
            "point {number} is not read yet; wait until it is, or say at which point the probe is now"
        )));
    }
    match progress.tour.next() {
        Next::Point(index) => Ok(index),
        Next::Again => Ok(0),
        Next::Done => Err(RunError::NotYet(
            "every point is read, and the first twice; end the traverse, or say which point is to be read again".to_owned(),
        )),
    }
}

fn no_layout(wanted: &str, layouts: &[LayoutPlan]) -> String {
    let known: Vec<&str> = layouts.iter().map(|plan| plan.name.as_str()).collect();
    if known.is_empty() {
        format!("there is no layout `{wanted}`; write `[layout.{wanted}]` into the configuration")
    } else {
        format!(
            "there is no layout `{wanted}`; the configuration has {}",
            known.join(", ")
        )
    }
}

fn said_at_the_end(name: &str, by: &str, progress: &Progress) -> String {
    let read = progress.tour.points.iter().flatten().count();
    let of = progress.laid.points.len();
    let drift = progress.tour.drift().map_or_else(
        || "the first was not read again".to_owned(),
        |drift| {
            format!(
                "the first read {:+.1} % when it was read again",
                100.0 * drift
            )
        },
    );
    format!("traverse of run {name}: ended by {by} with {read} of {of} points read; {drift}")
}
