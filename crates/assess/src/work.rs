//! One evaluation, from the ask to the outcome: which stretch, which channels, under which configuration; then the kind's own
//! work; then what all outcomes say.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio_util::sync::CancellationToken;
use zonda_evaluate::coverage::CoverageMin;
use zonda_evaluate::{Sieve, Stretch};
use zonda_model::{Quality, Stamp, TrueUtc, Unit};
use zonda_store::{ChannelId, ChannelRow, CorrectionRow, MappingRow, Readable};

use crate::ask::{Ask, Question};
use crate::error::AssessError;
use crate::figure;
use crate::intake::{Counted, Feed, Use};
use crate::kinds;
use crate::outcome::{
    Correction, Figure, Footing, Input, Judged, Layout, Outcome, Policy, Reached, Seal, Series,
    Table,
};
use crate::past::{self, Past};
use crate::subject::Subject;
use crate::written::Edge;

/// How far an evaluation is, and whether to go on.
#[derive(Clone)]
pub struct Watch {
    tell: Arc<dyn Fn(Duration, Duration) + Send + Sync>,
    cancel: CancellationToken,
}

impl std::fmt::Debug for Watch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Watch").finish_non_exhaustive()
    }
}

impl Watch {
    /// Nobody looks, nobody cancels.
    pub fn none() -> Self {
        Self::new(CancellationToken::new(), |_, _| {})
    }

    /// `tell` is called page by page: how much of the stretch is read, and how long it is; an evaluation that reads twice begins
    /// again. `cancel` ends it at the next page.
    pub fn new(
        cancel: CancellationToken,
        tell: impl Fn(Duration, Duration) + Send + Sync + 'static,
    ) -> Self {
        Self {
            tell: Arc::new(tell),
            cancel,
        }
    }

    /// For so many evaluations that are worked out as one: together they tell how far all of them are, never going back.
    pub fn split(&self, count: usize) -> Vec<Self> {
        let shares = Arc::new(Mutex::new(vec![0.0_f64; count]));
        let part = |place: usize| {
            let (shares, tell) = (Arc::clone(&shares), Arc::clone(&self.tell));
            Self::new(self.cancel.clone(), move |done, whole| {
                let mut shares = shares.lock().unwrap_or_else(PoisonError::into_inner);
                let share = done.as_secs_f64() / whole.as_secs_f64();
                shares[place] = shares[place].max(share);
                let mean = shares.iter().sum::<f64>() / whole_number(shares.len());
                tell(whole.mul_f64(mean.clamp(0.0, 1.0)), whole);
            })
        };
        (0..count).map(part).collect()
    }

    pub(crate) fn check(&self) -> Result<(), AssessError> {
        if self.cancel.is_cancelled() {
            return Err(AssessError::Cancelled);
        }
        Ok(())
    }

    pub(crate) fn tell(&self, done: Duration, whole: Duration) {
        (self.tell)(done, whole);
    }
}

#[expect(clippy::cast_precision_loss, reason = "a count of evaluations")]
fn whole_number(count: usize) -> f64 {
    count as f64
}

/// What the record and the configurations say about a stretch.
pub(crate) struct Scene<'a> {
    pub(crate) record: &'a Readable,
    pub(crate) subject: &'a Subject,
    /// What was asked for.
    pub(crate) stretch: Stretch,
    pub(crate) past: Past,
    pub(crate) utc: TrueUtc,
    pub(crate) using: Use,
    pub(crate) watch: &'a Watch,
    channels: Vec<ChannelRow>,
    mappings: Vec<MappingRow>,
}

/// What a kind's own work comes to.
#[derive(Default)]
pub(crate) struct Parts {
    /// What it speaks for, where that is less than what was asked for.
    pub(crate) stretch: Option<Stretch>,
    pub(crate) inputs: Vec<(Feed, Counted)>,
    pub(crate) results: Vec<Figure>,
    pub(crate) verdicts: Vec<Judged>,
    pub(crate) warnings: Vec<String>,
    pub(crate) tables: Vec<Table>,
    pub(crate) series: Vec<Series>,
    pub(crate) layout: Option<Layout>,
}

/// Evaluates a run as it was asked.
///
/// # Errors
/// [`AssessError`]: what was asked makes no sense, the record does not allow it, it was cancelled, or the file cannot be read.
pub async fn assess(
    record: &Readable,
    subject: &Subject,
    ask: &Ask,
    watch: &Watch,
) -> Result<Outcome, AssessError> {
    let scene = Scene::load(record, subject, ask, watch).await?;
    let basics = &ask.basics;
    let parts = match &ask.question {
        Question::Mean(ask) => kinds::mean::evaluate(&scene, ask, basics).await?,
        Question::Windows(ask) => kinds::windows::evaluate(&scene, ask).await?,
        Question::Traverse(ask) => kinds::traverse::evaluate(&scene, ask, basics).await?,
        Question::Uniformity(ask) => kinds::uniformity::evaluate(&scene, ask, basics).await?,
        Question::Transient(ask) => kinds::transient::evaluate(&scene, ask).await?,
        Question::Steadiness(ask) => kinds::steadiness::evaluate(&scene, ask).await?,
        Question::Agreement(ask) => kinds::agreement::evaluate(&scene, ask, basics).await?,
        Question::Heat(ask) => kinds::heat::evaluate(&scene, ask, basics).await?,
    };
    scene.outcome(ask, parts).await
}

impl<'a> Scene<'a> {
    async fn load(
        record: &'a Readable,
        subject: &'a Subject,
        ask: &Ask,
        watch: &'a Watch,
    ) -> Result<Self, AssessError> {
        let utc = TrueUtc::new(record.clock().await?);
        let whole = (subject.from, subject.to);
        let basics = &ask.basics;
        let stretch = stretch(subject, &utc, (basics.from, basics.to))?;
        let coverage_min = match basics.coverage_min {
            Some(share) => CoverageMin::new(share).map_err(|why| AssessError::ask(&why))?,
            None => CoverageMin::DEFAULT,
        };
        Ok(Self {
            record,
            subject,
            stretch,
            past: Past::load(record, whole).await?,
            utc,
            using: Use {
                sieve: Sieve::allowing(basics.allow.0),
                coverage_min,
            },
            watch,
            channels: record.channels().await?,
            mappings: record.mappings().await?,
        })
    }

    /// True UTC, as outcomes write it.
    pub(crate) fn time(&self, at: Stamp) -> String {
        self.utc.of(at).to_string()
    }

    pub(crate) fn written(&self, stretch: Stretch) -> crate::outcome::Stretch {
        crate::outcome::Stretch {
            from: self.time(stretch.from()),
            to: self.time(stretch.to()),
            length_s: stretch.length().as_secs_f64(),
        }
    }

    /// A part of the run, said as an ask says it.
    pub(crate) fn part(&self, from: Edge, to: Edge) -> Result<Stretch, AssessError> {
        stretch(self.subject, &self.utc, (Some(from), Some(to)))
    }

    /// The day on which the stretch begins.
    pub(crate) fn day(&self) -> jiff::civil::Date {
        let at = jiff::Timestamp::from_microsecond(self.utc.of(self.stretch.from()).micros());
        at.unwrap_or_default()
            .to_zoned_datetime(jiff::tz::TimeZone::UTC)
            .date()
    }

    /// The channels of these names; those of the run without any.
    pub(crate) fn feeds(&self, names: &[String]) -> Result<Vec<Feed>, AssessError> {
        if names.is_empty() {
            let of_run = self.subject.channels.iter();
            return Ok(of_run.filter_map(|id| self.feed_of(*id)).collect());
        }
        names.iter().map(|name| self.feed(name)).collect()
    }

    /// The channel of this name.
    pub(crate) fn feed(&self, name: &str) -> Result<Feed, AssessError> {
        let mut rows = self.channels.iter();
        match rows.find(|row| row.name.as_str() == name) {
            Some(row) => Ok(self.fed(row)),
            None => Err(AssessError::Channel {
                name: name.to_owned(),
                near: self.near(name),
            }),
        }
    }

    fn feed_of(&self, id: ChannelId) -> Option<Feed> {
        let row = self.channels.iter().find(|row| row.id == id)?;
        Some(self.fed(row))
    }

    fn fed(&self, row: &ChannelRow) -> Feed {
        let found = self.past.channel(row.name.as_str());
        let plan = found.map(|(config, index)| (config, &config.channels[index]));
        let period = plan.and_then(|(config, plan)| past::period(config, plan));
        let recorded = Duration::from_micros(row.period_us.unsigned_abs());
        let stated = plan.and_then(|(_, plan)| plan.basis);
        let basis = row
            .quantity
            .basis_words(stated.map(|basis| basis.to_string()));
        Feed {
            id: row.id,
            name: row.name.clone(),
            quantity: row.quantity,
            shown: row.unit,
            period: period
                .or_else(|| zonda_model::Period::new(recorded).ok())
                .unwrap_or(zonda_model::Period::SECOND),
            basis,
            point: None,
        }
    }

    fn near(&self, name: &str) -> Option<String> {
        let wanted = name.to_lowercase();
        let names = self.channels.iter().map(|row| row.name.as_str());
        names
            .map(|name| (common(&name.to_lowercase(), &wanted), name))
            .max_by_key(|(common, _)| *common)
            .filter(|(common, _)| *common >= 3)
            .map(|(_, name)| name.to_owned())
    }

    /// A moment of the run on the record's axis.
    pub(crate) fn moment(&self, edge: Edge) -> Result<Stamp, AssessError> {
        let (begin, end) = (self.subject.from, self.subject.to);
        let at = match edge {
            Edge::AfterBegin(span) => begin.plus(span),
            Edge::BeforeEnd(span) => end.minus(span),
            Edge::At(at) => axis_of(&self.utc, at, false),
        };
        if self.stretch.contains(at) {
            return Ok(at);
        }
        Err(AssessError::Stretch(format!(
            "{} is not within the stretch from {} to {}",
            self.time(at),
            self.time(self.stretch.from()),
            self.time(self.stretch.to())
        )))
    }

    /// Refuses where nothing at all is recorded.
    pub(crate) fn refuse_nothing(
        &self,
        feeds: &[Feed],
        counted: &[Counted],
        stretch: Stretch,
    ) -> Result<(), AssessError> {
        if counted.iter().any(|counted| counted.samples() > 0) {
            return Ok(());
        }
        let names: Vec<_> = feeds.iter().map(|feed| feed.name.as_str()).collect();
        let mut causes: Vec<&str> = Vec::new();
        for cause in counted.iter().flat_map(|counted| counted.missing().keys()) {
            if !causes.contains(&cause.as_str()) {
                causes.push(cause);
            }
        }
        Err(AssessError::NoSamples {
            channels: match names.len() {
                0 => "no channel".to_owned(),
                1..=3 => names.join(", "),
                count => format!("any of {count} channels"),
            },
            from: self.time(stretch.from()),
            to: self.time(stretch.to()),
            missing: if causes.is_empty() {
                String::new()
            } else {
                format!(" ({})", causes.join(", "))
            },
        })
    }

    async fn outcome(&self, ask: &Ask, parts: Parts) -> Result<Outcome, AssessError> {
        let stretch = parts.stretch.unwrap_or(self.stretch);
        let narrowed = parts.stretch.is_some_and(|of| of != self.stretch);
        let corrections = self.corrections(&parts.inputs, stretch).await?;
        let mut warnings = self.warnings(&parts.inputs, stretch).await?;
        warnings.extend(unfinished(&corrections));
        warnings.extend(parts.warnings);
        let inputs = parts.inputs.iter();
        Ok(Outcome {
            ask: ask.clone(),
            title: ask.title().to_owned(),
            run: self.subject.name.clone(),
            is_preliminary: self.subject.is_open,
            is_simulated: inputs
                .clone()
                .any(|(_, counted)| counted.has(Quality::SIMULATED)),
            stretch: self.written(stretch),
            within: narrowed.then(|| self.written(self.stretch)),
            inputs: inputs
                .map(|(feed, counted)| self.input(feed, counted, stretch))
                .collect(),
            policy: self.policy(),
            reached: reached(ask, &parts.inputs, &parts.results)?,
            results: parts.results,
            verdicts: parts.verdicts,
            warnings,
            tables: parts.tables,
            series: parts.series,
            layout: parts.layout,
            corrections: corrections.iter().map(|row| self.corrected(row)).collect(),
            outdated: None,
            basis: self.footing().await?,
        })
    }

    fn policy(&self) -> Policy {
        let every = Quality::all().iter();
        Policy {
            allow: self.using.sieve.allowed().words().collect(),
            remarks: every
                .filter(|flag| flag.is_good())
                .map(|flag| flag.to_string())
                .collect(),
            coverage_min: self.using.coverage_min.share(),
        }
    }

    fn input(&self, feed: &Feed, counted: &Counted, stretch: Stretch) -> Input {
        let mut versions: Vec<&MappingRow> = self
            .mappings
            .iter()
            .filter(|row| row.channel == feed.id && row.since < stretch.to())
            .collect();
        let before = |row: &&&MappingRow| row.since <= stretch.from();
        let first = versions.iter().filter(before).count().saturating_sub(1);
        versions.drain(..first);
        let found = self.past.channel(feed.name.as_str());
        let certificate = found.and_then(|(config, index)| {
            let certificate = config.channels.get(index)?.certificate?;
            let certificate = &config.certificates.get(certificate)?.certificate;
            Some(certificate.heading().number.clone())
        });
        Input {
            channel: feed.name.to_string(),
            quantity: feed.quantity.to_string(),
            unit: feed.quantity.si().symbol().to_owned(),
            shown_in: feed.shown.symbol().to_owned(),
            basis: feed.basis.clone(),
            point: feed.point.clone(),
            period_s: feed.period.duration().as_secs_f64(),
            mappings: versions.iter().map(|row| row.version).collect(),
            certificate,
            tally: counted.tally(),
        }
    }

    /// Corrections in force that touched what went in, each once.
    async fn corrections(
        &self,
        inputs: &[(Feed, Counted)],
        stretch: Stretch,
    ) -> Result<Vec<CorrectionRow>, AssessError> {
        let mut found: Vec<CorrectionRow> = Vec::new();
        for (feed, _) in inputs {
            let range = (stretch.from(), stretch.to());
            for row in self.record.corrections_touching(feed.id, range).await? {
                if row.is_in_force() && !found.iter().any(|known| known.id == row.id) {
                    found.push(row);
                }
            }
        }
        found.sort_by_key(|row| row.id);
        Ok(found)
    }

    fn corrected(&self, row: &CorrectionRow) -> Correction {
        let channel = self.feed_of(row.channel);
        Correction {
            id: row.id,
            at: self.time(row.at),
            channel: channel.map_or_else(String::new, |feed| feed.name.to_string()),
            reason: row.reason.clone(),
            by: row.by.clone(),
        }
    }

    async fn footing(&self) -> Result<Footing, AssessError> {
        let seal = self.record.seal().await?;
        let corrections = self.record.corrections().await?;
        Ok(Footing {
            program: env!("CARGO_PKG_VERSION").to_owned(),
            configs: self.past.hashes(),
            seal: seal.map(|head| Seal {
                link: head.link,
                at: self.time(head.at),
                hash: head.hex(),
            }),
            correction: corrections.last().map(|row| row.id),
        })
    }

    /// What a reader must not overlook, whatever was asked.
    async fn warnings(
        &self,
        inputs: &[(Feed, Counted)],
        stretch: Stretch,
    ) -> Result<Vec<String>, AssessError> {
        let mut said = Vec::new();
        if self.subject.is_open {
            said.push("the run goes on: this is what it comes to so far".to_owned());
        }
        if self.past.hashes().len() > 1 {
            said.push(format!(
                "the configuration was changed {} in the run; uncertainties are those of the last one that names the channel",
                times(self.past.hashes().len() - 1)
            ));
        }
        if self.past.hashes().is_empty() {
            said.push("no session of the daemon covers the run, so that nothing is known of its instruments; uncertainties are those of the scatter alone".to_owned());
        }
        for hash in self.past.unread() {
            let short = hash.get(..12).unwrap_or(hash);
            said.push(format!(
                "the configuration {short} of the run cannot be read by this version of the program; what it says of uncertainties is not in the results"
            ));
        }
        let steps = self
            .record
            .clock_steps(zonda_model::run::Stretch {
                from: stretch.from(),
                to: stretch.to(),
            })
            .await?;
        if steps > 0 {
            said.push(format!(
                "the clock was stepped {} in the stretch; lengths of time are those of the record's axis, times are true UTC",
                times(usize::try_from(steps).unwrap_or(usize::MAX))
            ));
        }
        said.extend(never_was(inputs));
        for (from, to) in &self.subject.interruptions {
            if *from < stretch.to() && *to > stretch.from() {
                said.push(format!(
                    "nobody recorded from {} to {}",
                    self.time(*from),
                    self.time(*to)
                ));
            }
        }
        let simulated = inputs
            .iter()
            .any(|(_, counted)| counted.has(Quality::SIMULATED));
        if simulated {
            said.push(
                "samples carry the mark `simulated`: a rig played them, nothing here was measured"
                    .to_owned(),
            );
        }
        for (feed, _) in inputs {
            if self.past.channel(feed.name.as_str()).is_none() && !self.past.hashes().is_empty() {
                said.push(format!(
                    "no configuration of the run that can be read names `{}`; its uncertainty is that of the scatter alone",
                    feed.name
                ));
            }
        }
        Ok(said)
    }
}

/// Time over which the clock was set forward: it counts in lengths and against coverage, and nobody could have recorded in it.
fn never_was(inputs: &[(Feed, Counted)]) -> Option<String> {
    let cause = zonda_model::Cause::ClockStepped.to_string();
    let spans = inputs.iter().filter_map(|(feed, counted)| {
        let ticks = u32::try_from(*counted.missing().get(&cause)?).unwrap_or(u32::MAX);
        Some(feed.period.duration().saturating_mul(ticks))
    });
    let longest = spans.max().filter(|span| !span.is_zero())?;
    let rounded = Duration::from_secs((longest + Duration::from_millis(500)).as_secs());
    Some(format!(
        "{} of the stretch never were: the clock was set forward over them; choose `from` and `to` on one side of that",
        zonda_model::run::spelled(rounded)
    ))
}

/// Whether coverage and uncertainty are what was asked for.
fn reached(
    ask: &Ask,
    inputs: &[(Feed, Counted)],
    results: &[Figure],
) -> Result<Vec<Reached>, AssessError> {
    let least = ask
        .basics
        .coverage_min
        .unwrap_or(CoverageMin::DEFAULT.share());
    let covered = inputs.iter().map(|(feed, counted)| {
        let found = counted.tally().coverage;
        Reached {
            what: "coverage".to_owned(),
            of: feed.name.to_string(),
            found: Some(found),
            wanted: least,
            unit: "1".to_owned(),
            is_reached: found >= least,
        }
    });
    let mut all: Vec<Reached> = covered.collect();
    let Some(most) = ask.basics.uncertainty_max else {
        return Ok(all);
    };
    let unit = figure::shown_difference(most.0.unit.quantity().si());
    let wanted = most.0.unit.difference_to_si(most.0.value);
    let of_unit = |figure: &&Figure| {
        let own = figure.unit.parse::<Unit>().map(figure::shown_difference);
        figure.budget.is_some() && own == Ok(unit)
    };
    let known = results.iter().filter(of_unit).map(|figure| Reached {
        what: "uncertainty".to_owned(),
        of: match &figure.of {
            Some(of) => format!("{} of {of}", figure.name),
            None => figure.name.clone(),
        },
        found: figure.expanded,
        wanted,
        unit: unit.symbol().to_owned(),
        is_reached: figure.expanded.is_some_and(|found| found <= wanted),
    });
    let before = all.len();
    all.extend(known);
    if all.len() == before {
        return Err(AssessError::Ask(format!(
            "`uncertainty_max`: no result of this evaluation is in {}",
            most.0.unit
        )));
    }
    Ok(all)
}

fn unfinished(corrections: &[CorrectionRow]) -> Vec<String> {
    let open = corrections.iter().filter(|row| !row.is_done());
    open.map(|row| {
        format!(
            "correction {} is still at work: some samples are corrected and others not yet; evaluate again when it is done",
            row.id
        )
    })
    .collect()
}

fn times(count: usize) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        count => format!("{count} times"),
    }
}

/// How many letters two words begin with in common.
fn common(one: &str, other: &str) -> usize {
    let pairs = one.chars().zip(other.chars());
    pairs.take_while(|(a, b)| a == b).count()
}

/// The stretch that is asked for, on the record's axis.
fn stretch(
    subject: &Subject,
    utc: &TrueUtc,
    (from, to): (Option<Edge>, Option<Edge>),
) -> Result<Stretch, AssessError> {
    let (begin, end) = (subject.from, subject.to);
    let on_axis = |edge: Edge, is_end: bool| match edge {
        Edge::AfterBegin(span) => begin.plus(span),
        Edge::BeforeEnd(span) => end.minus(span),
        Edge::At(at) => axis_of(utc, at, is_end),
    };
    let lasts = || {
        format!(
            "the run `{}` lasts from {} to {}",
            subject.name,
            utc.of(begin),
            utc.of(end)
        )
    };
    let first = from.map_or(begin, |edge| on_axis(edge, false));
    let last = to.map_or(end, |edge| on_axis(edge, true));
    // Of a run that goes on the end is not known yet.
    let last = if subject.is_open { last.min(end) } else { last };
    if subject.is_open && first >= end {
        return Err(AssessError::NotYet {
            run: subject.name.clone(),
            from: utc.of(first).to_string(),
            come_to: utc.of(end).to_string(),
        });
    }
    if begin >= end {
        return Err(AssessError::Stretch(format!(
            "{}: that is no time at all, and nothing can be evaluated of it",
            lasts()
        )));
    }
    if first < begin || last > end {
        return Err(AssessError::Stretch(format!(
            "the stretch from {} to {} is not within the run: {}; choose `from` and `to` within it",
            utc.of(first),
            utc.of(last),
            lasts()
        )));
    }
    Stretch::new(first, last).map_err(|_| {
        AssessError::Stretch(format!(
            "the stretch ends at {}, which is not after its beginning at {}; {}",
            utc.of(last),
            utc.of(first),
            lasts()
        ))
    })
}

/// The place on the axis of a time in true UTC; where the clock was stepped over it, the first for a beginning and the last for an end.
fn axis_of(utc: &TrueUtc, at: Stamp, is_end: bool) -> Stamp {
    let moment = utc.stretches(at, Stamp::from_micros(at.micros() + 1));
    let found = if is_end {
        moment.last()
    } else {
        moment.first()
    };
    found.map_or(at, |(from, _)| *from)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn subject(from: i64, to: i64) -> Subject {
        Subject {
            id: zonda_model::RunId(1),
            name: "night-1".to_owned(),
            from: Stamp::from_millis(from * 1000),
            to: Stamp::from_millis(to * 1000),
            is_open: false,
            channels: Vec::new(),
            layout: None,
            interruptions: Vec::new(),
        }
    }

    fn read(from: &str, to: &str) -> Result<(i64, i64), String> {
        let edges = [from, to].map(|text| text.parse::<Edge>().ok());
        let found = stretch(
            &subject(1000, 2000),
            &TrueUtc::default(),
            (edges[0], edges[1]),
        );
        found
            .map(|of| (of.from().millis() / 1000, of.to().millis() / 1000))
            .map_err(|error| error.to_string())
    }

    #[test]
    fn a_stretch_is_said_from_either_end_or_by_the_clock() {
        assert_eq!(read("", ""), Ok((1000, 2000)));
        assert_eq!(read("5 min", "-1 min"), Ok((1300, 1940)));
        assert_eq!(
            read("1970-01-01T00:20:00Z", "1970-01-01T00:30:00Z"),
            Ok((1200, 1800))
        );
    }

    #[test]
    fn a_stretch_that_cannot_be_is_said_with_what_there_is() {
        let said = |from, to| read(from, to).unwrap_err();
        assert!(said("10 min", "5 min").contains("not after its beginning"));
        assert!(said("-1 h", "").contains("not within the run"));
        assert!(said("", "1970-01-02T00:00:00Z").contains("lasts from 1970-01-01T00:16:40"));
        let nothing = stretch(&subject(5, 5), &TrueUtc::default(), (None, None));
        assert!(nothing.unwrap_err().to_string().contains("no time at all"));
    }

    #[test]
    fn by_the_clock_across_a_step_takes_all_that_was_then() {
        // From 1500 s on, the axis is 100 s ahead of UTC: 1400 to 1500 s came twice.
        let utc = TrueUtc::new(vec![(Stamp::from_millis(1_500_000), 100_000_000)]);
        let edge = |text: &str| Some(text.parse::<Edge>().unwrap());
        let of = stretch(
            &subject(1000, 2000),
            &utc,
            (edge("1970-01-01T00:24:00Z"), edge("1970-01-01T00:24:30Z")),
        );
        let of = of.unwrap();
        assert_eq!(
            (of.from().millis(), of.to().millis()),
            (1_440_000, 1_570_000)
        );
    }

    #[test]
    fn evaluations_at_once_tell_how_far_all_of_them_are() {
        let told = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&told);
        let watch = Watch::new(CancellationToken::new(), move |done, whole| {
            heard
                .lock()
                .unwrap()
                .push((done.as_secs(), whole.as_secs()));
        });
        let parts = watch.split(2);
        let tell = |part: usize, done, whole| {
            let second = Duration::from_secs;
            parts[part].tell(second(done), second(whole));
        };
        tell(0, 50, 100);
        tell(1, 10, 10);
        // It reads a second time: what all of them are through does not go back.
        tell(0, 20, 100);
        tell(0, 100, 100);
        assert_eq!(
            *told.lock().unwrap(),
            [(25, 100), (7, 10), (75, 100), (100, 100)]
        );
    }
}
