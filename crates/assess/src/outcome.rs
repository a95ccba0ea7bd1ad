//! What came of an evaluation: pure data, with everything that a reader needs to believe it.
//!
//! Numbers are in SI (°C for temperatures as shown, K for their differences), each with its unit; `stated` is the same for people, rounded,
//! in the unit in which the channel is shown. Times are true UTC, RFC 3339. Maps are sorted, so that the same outcome is the same bytes.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::ask::Ask;

/// What came of an [`Ask`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Outcome {
    /// What was asked.
    pub ask: Ask,
    /// What it is called in tables and reports.
    pub title: String,
    /// The run's name.
    pub run: String,
    /// True while the run goes on: there is more to come.
    pub is_preliminary: bool,
    /// True where a rig played any of it.
    pub is_simulated: bool,
    /// What it speaks for.
    pub stretch: Stretch,
    /// What was asked for, where it speaks for less: a zone that was surveyed from when it was steady.
    pub within: Option<Stretch>,
    /// What went in, channel by channel.
    pub inputs: Vec<Input>,
    /// Which readings were used.
    pub policy: Policy,
    /// The results.
    pub results: Vec<Figure>,
    /// Whether results are within the limits that were asked.
    pub verdicts: Vec<Judged>,
    /// Whether the asked coverage and uncertainty are reached.
    pub reached: Vec<Reached>,
    /// What a reader must not overlook, in sentences.
    pub warnings: Vec<String>,
    /// Rows of results of one kind, such as one a window or one a steady stretch.
    pub tables: Vec<Table>,
    /// For plots: evenly spaced, thinned out.
    pub series: Vec<Series>,
    /// Where the points are.
    pub layout: Option<Layout>,
    /// Corrections in force that touched the samples it rests on: values are as corrected.
    pub corrections: Vec<Correction>,
    /// The first correction that was made after this was worked out and touches what it rests on; then it no longer holds.
    pub outdated: Option<Correction>,
    /// What it was worked out from, and by what.
    pub basis: Footing,
}

impl Outcome {
    /// Whether the coverage and the uncertainty that were asked for are reached by now; `None` where nobody asked for any.
    pub fn is_reached(&self) -> Option<bool> {
        let basics = &self.ask.basics;
        let is_asked = basics.coverage_min.is_some() || basics.uncertainty_max.is_some();
        is_asked.then(|| self.reached.iter().all(|of| of.is_reached))
    }
}

/// A piece of time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Stretch {
    /// Its first moment.
    pub from: String,
    /// The moment after its last.
    pub to: String,
    /// How long it is on the record's axis, s.
    pub length_s: f64,
}

/// A channel that went in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Input {
    /// The channel.
    pub channel: String,
    /// What it measures.
    pub quantity: String,
    /// The unit of its numbers here.
    pub unit: String,
    /// The unit in which it is shown to people.
    pub shown_in: String,
    /// What a velocity or volume flow is one of, such as `actual`; `basis not stated` where nobody said; none of other quantities.
    pub basis: Option<String>,
    /// Where it stands: the name or number of its point in the layout.
    pub point: Option<String>,
    /// How often it is sampled, s.
    pub period_s: f64,
    /// The versions of its mapping in force over the stretch.
    pub mappings: Vec<i64>,
    /// Its certificates over the stretch, by their numbers.
    pub certificate: Option<String>,
    /// What it was made of.
    pub tally: Tally,
}

/// An account of a channel's samples over the stretch.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Tally {
    /// Samples in the record.
    pub samples: u64,
    /// Of them, used.
    pub used: u64,
    /// Of them, left out.
    pub left_out: u64,
    /// How many carry each flag, used or not; several may stand on one.
    pub flagged: BTreeMap<String, u64>,
    /// For which flags samples were left out; several may speak against one.
    pub left_out_for: BTreeMap<String, u64>,
    /// Ticks without a sample, by cause.
    pub missing: BTreeMap<String, u64>,
    /// The share of the stretch that used samples speak for, 0 to 1.
    pub coverage: f64,
    /// The longest time without a used sample, s; none where too few were used.
    pub longest_gap_s: Option<f64>,
}

/// Which readings were used.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Policy {
    /// Flags that did not keep a reading out, by their words.
    pub allow: Vec<String>,
    /// Flags that only say where a reading comes from, and never do.
    pub remarks: Vec<String>,
    /// The share of the stretch that used readings must speak for.
    pub coverage_min: f64,
}

/// A result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Figure {
    /// What it is, such as `mean`, `gradient`, `volume flow`.
    pub name: String,
    /// Of what: a channel, or the name of a point.
    pub of: Option<String>,
    /// The value in `unit`; none where it was refused or there is none.
    pub value: Option<f64>,
    /// Its unit: SI.
    pub unit: String,
    /// What a velocity or flow is one of.
    pub basis: Option<String>,
    /// Standard uncertainty, k = 1, in the unit of differences of `unit`; none where nothing can be said of it.
    pub u: Option<f64>,
    /// Expanded uncertainty U at 95.45 % (k = 2 with many degrees of freedom), in the same unit.
    pub expanded: Option<f64>,
    /// The coverage factor of U.
    pub k: Option<f64>,
    /// Effective degrees of freedom; none where they are infinite or there is no u.
    pub dof: Option<f64>,
    /// Value, U and k for people, in the unit in which it is shown.
    pub stated: String,
    /// The unit of `stated`.
    pub shown_in: String,
    /// When, of an extreme.
    pub at: Option<String>,
    /// Where, of an extreme: the name of the point.
    pub place: Option<String>,
    /// What is meant by it.
    pub definition: String,
    /// Why there is no value, or what speaks against it.
    pub note: Option<String>,
    /// What makes up its uncertainty.
    pub budget: Option<Budget>,
}

/// What makes up an uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Budget {
    /// Its lines.
    pub rows: Vec<Row>,
    /// Causes of doubt that are there, but of which nobody has said how large they are: u is too small by that.
    pub omitted: Vec<Cause>,
}

/// One line of a budget.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Row {
    /// Whose: a channel, an instrument.
    pub of: String,
    /// What it comes from.
    pub what: String,
    /// By statistics (`A`) or by other knowledge (`B`).
    pub evaluation: String,
    /// Its distribution.
    pub distribution: String,
    /// Its standard uncertainty, in `unit`.
    pub u: f64,
    /// The unit of `u`.
    pub unit: String,
    /// Its degrees of freedom; none where they are infinite.
    pub dof: Option<f64>,
    /// By how much the result moves with it.
    pub sensitivity: f64,
    /// The unit of the sensitivity.
    pub sensitivity_unit: String,
    /// |sensitivity|·u, in the unit of the result.
    pub contribution: f64,
    /// Its share of the variance, with its part in what it shares; all sum to 1.
    pub share: f64,
    /// The cause that it shares with others, such as a converter.
    pub shared: Option<String>,
}

/// A cause of doubt.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Cause {
    /// Whose.
    pub of: String,
    /// What it comes from.
    pub what: String,
}

/// What the rule says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ruling {
    /// Within, by the rule.
    Conforms,
    /// Outside, by the rule.
    DoesNot,
    /// So near a limit that the uncertainty does not allow the rule to decide.
    Undecided,
}

impl Ruling {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Conforms => "conforms",
            Self::DoesNot => "does not conform",
            Self::Undecided => "undecided",
        }
    }
}

/// Whether a result is within its limits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Judged {
    /// Which result.
    pub what: String,
    /// Its value, in `unit`.
    pub value: f64,
    /// The unit of value and limits.
    pub unit: String,
    /// The lower limit.
    pub low: Option<f64>,
    /// The upper limit.
    pub high: Option<f64>,
    /// The rule: `simple`, `guarded`, `probable 95 %`.
    pub rule: String,
    /// What the rule says.
    pub meaning: String,
    /// What came of it.
    pub verdict: Ruling,
}

/// Whether something that was asked for is reached.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Reached {
    /// `coverage` of an input, `uncertainty` of a result.
    pub what: String,
    /// Of which channel or result.
    pub of: String,
    /// What it is; none where nothing can be said of it yet.
    pub found: Option<f64>,
    /// What was asked for: at least of coverage, at most of uncertainty.
    pub wanted: f64,
    /// The unit of both.
    pub unit: String,
    /// Whether it is reached.
    pub is_reached: bool,
}

/// An evaluation that was answered, or refused.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Answer {
    /// What it is called.
    pub title: String,
    /// What came of it.
    pub outcome: Option<Outcome>,
    /// Why nothing came of it.
    pub refused: Option<String>,
}

impl Answer {
    /// Of one evaluation.
    pub fn of(ask: &Ask, result: Result<Outcome, crate::AssessError>) -> Self {
        let (outcome, refused) = match result {
            Ok(outcome) => (Some(outcome), None),
            Err(why) => (None, Some(why.to_string())),
        };
        Self {
            title: ask.title().to_owned(),
            outcome,
            refused,
        }
    }
}

/// Rows of results of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Table {
    /// What it is.
    pub name: String,
    /// Of what: a channel.
    pub of: Option<String>,
    /// The unit of the rows' values; of differences for their uncertainties.
    pub unit: String,
    /// In order.
    pub rows: Vec<TableRow>,
}

/// One row: what holds for a stretch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct TableRow {
    /// From when on.
    pub from: String,
    /// Until when.
    pub to: String,
    /// What it says in a word, such as `steady`; none where the value is all.
    pub word: Option<String>,
    /// The value; none where it was refused.
    pub value: Option<f64>,
    /// Standard deviation of the readings.
    pub sd: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Expanded uncertainty.
    pub expanded: Option<f64>,
    /// The share of the row's stretch that used readings speak for.
    pub coverage: Option<f64>,
    /// Readings used.
    pub used: Option<u64>,
    /// Why there is no value.
    pub note: Option<String>,
}

/// A course over time, for a plot.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Series {
    /// What it is: `mean`, `spread`.
    pub name: String,
    /// Of what: a channel, or the name of a point.
    pub of: Option<String>,
    /// The unit of its values.
    pub unit: String,
    /// Where the first bucket begins, true UTC.
    pub from: String,
    /// How long a bucket is, s.
    pub step_s: f64,
    /// One value a bucket; none where nothing was used.
    pub values: Vec<Option<f64>>,
}

/// Where the points of a layout are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Layout {
    /// Its name.
    pub name: String,
    /// `duct` or `zone`.
    pub kind: String,
    /// Its shape in words, with its sizes.
    pub shape: String,
    /// The rule that placed a duct's points.
    pub rule: Option<String>,
    /// Its points, in order.
    pub points: Vec<Point>,
}

/// A point of a layout.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Point {
    /// Its name, or its number.
    pub name: String,
    /// Its coordinates from the middle, m: x and y of a duct; x, y and z of a zone.
    pub at: Vec<f64>,
    /// The share of the duct's area that it stands for.
    pub weight: Option<f64>,
    /// How far in from the wall the probe stands, m.
    pub insertion: Option<f64>,
    /// The channel that was read there.
    pub channel: String,
    /// Its mean, in the unit of that channel.
    pub mean: Option<f64>,
}

/// A correction of the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Correction {
    /// Its number.
    pub id: i64,
    /// When it was made.
    pub at: String,
    /// Of which channel.
    pub channel: String,
    /// Why.
    pub reason: String,
    /// By whom.
    pub by: String,
}

/// What an outcome was worked out from, and by what.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Footing {
    /// The program's version.
    pub program: String,
    /// Hashes of the configurations in force over the stretch, in order; the last one's uncertainties were used.
    pub configs: Vec<String>,
    /// The newest link of the record's seal then; none in a record without one.
    pub seal: Option<Seal>,
    /// The number of the newest correction then.
    pub correction: Option<i64>,
}

/// A link of the record's seal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Seal {
    /// Its number.
    pub link: i64,
    /// Up to when the record went then.
    pub at: String,
    /// Its hash, in hexadecimal.
    pub hash: String,
}

impl Outcome {
    /// The result of this name, of this channel or point.
    pub fn result(&self, name: &str, of: Option<&str>) -> Option<&Figure> {
        let mut results = self.results.iter();
        results.find(|result| result.name == name && result.of.as_deref() == of)
    }
}
