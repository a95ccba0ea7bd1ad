//! What is asked of a run.
//!
//! An ask is flat: its kind, what that kind needs, and what all have in common stand side by side, as in
//! `{ "kind": "mean", "channels": ["Z1-left.temperature"], "from": "1 h" }`. In the record its kind stands apart from the
//! rest, its parameters ([`Ask::from_parts`]).

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::{Map, Value};
use utoipa::ToSchema;

use crate::criterion::Rule;
use crate::error::AssessError;
use crate::written::{Edge, Flags, Length, Quantified, Reach};

/// An evaluation that is asked for.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Ask {
    /// What it is asked of each kind.
    #[serde(flatten)]
    pub question: Question,
    /// What all kinds have in common.
    #[serde(flatten)]
    pub basics: Basics,
}

/// What every ask may say.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Basics {
    /// What it is called in tables and reports; its kind where it has no name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// From when on: `30 min` after the run began, `-30 min` before it ended, or a time with its offset; the
    /// run's beginning by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "30 min")]
    pub from: Option<Edge>,
    /// Up to, not including, when; the run's end by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "2026-11-25T22:00:00Z")]
    pub to: Option<Edge>,
    /// Flags that do not keep a reading out; by default only readings against which nothing speaks are used.
    #[serde(default)]
    #[schema(value_type = Vec<String>, example = json!(["calibration_overdue"]))]
    pub allow: Flags,
    /// The share of the stretch that used readings must speak for, above 0, at most 1; 0.9 by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coverage_min: Option<f64>,
    /// How small U should be, such as `0.5 K`: said of every result in that unit, so that a run can end when it is enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "0.5 K")]
    pub uncertainty_max: Option<Quantified>,
    /// The rule by which a result is within its limits: `simple`, `guarded` (default) or `probable 95 %`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "guarded")]
    pub rule: Option<Rule>,
}

/// What is asked, by kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Question {
    /// The mean of channels.
    Mean(MeanAsk),
    /// The means of repeated windows.
    Windows(WindowsAsk),
    /// What flows through a duct.
    Traverse(TraverseAsk),
    /// How even a zone is.
    Uniformity(UniformityAsk),
    /// How fast something rises, overshoots, settles and recovers.
    Transient(TransientAsk),
    /// Since when, and until when, channels are steady.
    Steadiness(SteadinessAsk),
    /// Whether two channels say the same.
    Agreement(AgreementAsk),
    /// What heat exhaust air carries away.
    Heat(HeatAsk),
}

/// `mean`: the mean of each channel over the stretch.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeanAsk {
    /// The channels; those of the run by default.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<String>,
    /// Between which limits each mean should be, such as `195-205 °C`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub within: Option<Reach>,
}

/// `windows`: the means of windows of one length at even steps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WindowsAsk {
    /// The channels; those of the run by default.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<String>,
    /// How long each window is.
    #[schema(value_type = String, example = "5 min")]
    pub length: Length,
    /// How often one begins; one after the other by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "1 h")]
    pub every: Option<Length>,
    /// Whether windows begin at multiples of their step by the clock (UTC) and not with the stretch.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub on_the_clock: bool,
    /// At most so many.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u64>,
}

/// `traverse`: the flow through a duct by the points of a layout.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TraverseAsk {
    /// The layout of the duct; that of the run by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// The absolute pressure in the duct: a channel of a barometer, or an amount such as `98.2 kPa`. Needed for
    /// mass and standard flow, or for the actual one of standard velocities.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pressure: Option<String>,
    /// The temperature in the duct, where the layout's points read none: a channel, or an amount.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<String>,
    /// The humidity: `dry` (default), `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub humidity: Option<String>,
    /// The reference of the standard flow, such as `20 °C`; none is stated by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Between which limits the actual volume flow should be, such as `1100-1300 m³/h`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub within: Option<Reach>,
    /// Where one probe was moved from point to point: when it was read at which. By default each point has a channel of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moved: Option<MovedProbe>,
}

/// A probe that was moved from point to point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MovedProbe {
    /// The channel of its velocity.
    pub channel: String,
    /// Of each point, by number, when it was read there.
    pub visits: Vec<PointVisit>,
    /// When it was read at the first point again, after all others: how far the flow drifted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub again: Option<PointVisit>,
}

/// When a probe was read at a point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PointVisit {
    /// The number of the point in the layout.
    pub point: usize,
    /// From when on, true UTC or from the beginning of the run.
    #[schema(value_type = String, example = "2026-11-25T22:00:00Z")]
    pub from: Edge,
    /// Up to, not including, when.
    #[schema(value_type = String, example = "2026-11-25T22:00:30Z")]
    pub to: Edge,
}

/// From which moment on a zone is surveyed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Since {
    /// The beginning of the stretch.
    #[default]
    Begin,
    /// When every place is steady.
    Steady,
    /// When every place has come into tolerance to stay there for the `dwell`.
    Soaked,
}

/// `uniformity`: how even a zone is in space and time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UniformityAsk {
    /// The layout of the zone; that of the run by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// What is surveyed: `temperature` (default) or `velocity`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quantity: Option<String>,
    /// The setpoint, such as `200 °C`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub setpoint: Option<Quantified>,
    /// How far from the setpoint every reading may be, such as `5 K`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub tolerance: Option<Quantified>,
    /// From which moment on.
    #[serde(default)]
    pub since: Since,
    /// Over how long a place must be steady, or stay in tolerance; 10 min by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub dwell: Option<Length>,
}

/// `transient`: ramp, time to setpoint, overshoot, settling, recovery.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TransientAsk {
    /// The channel.
    pub channel: String,
    /// Where it is to go.
    #[schema(value_type = String, example = "200 °C")]
    pub setpoint: Quantified,
    /// How near is near enough.
    #[schema(value_type = String, example = "5 K")]
    pub tolerance: Quantified,
    /// The level before: the mean of the first so long of the stretch; 1 min by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub before: Option<Length>,
    /// The span over which levels and peaks are smoothed; the samples themselves by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub smoothing: Option<Length>,
    /// How long it must stay within tolerance to have settled; 10 min by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub dwell: Option<Length>,
    /// The length of the window of the steepest slope; 1 min by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub window: Option<Length>,
    /// A disturbance, such as the door's opening, the recovery from which is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub event: Option<Edge>,
}

/// `steadiness`: since when, and until when, channels are steady.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SteadinessAsk {
    /// The channels; those of the run by default.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<String>,
    /// How long nothing may move; 10 min by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub window: Option<Length>,
    /// A movement within the window that does not matter, such as `0.5 K`; each one does by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub negligible: Option<Quantified>,
}

/// `agreement`: whether two channels say the same of the same thing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AgreementAsk {
    /// One channel, such as a meter's analog output.
    pub channel: String,
    /// The other, such as the same meter's text line.
    pub against: String,
    /// How far apart their means may be, such as `0.1 m/s`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub within: Option<Quantified>,
}

/// `heat`: what heat exhaust air carries away.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HeatAsk {
    /// The layout of the duct; that of the run by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layout: Option<String>,
    /// The absolute pressure in the duct: a channel of a barometer, or an amount such as `98.2 kPa`.
    pub pressure: String,
    /// The temperature at which the air came in: a channel, or an amount.
    pub inlet: String,
    /// The temperature in the duct, where the layout's points read none: a channel, or an amount.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<String>,
    /// The humidity of the air that came in: `dry` (default), `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub humidity: Option<String>,
    /// The humidity of the exhaust air; that of the air that came in by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exhaust_humidity: Option<String>,
    /// Between which limits the heat should be, such as `30-40 kW`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub within: Option<Reach>,
}

/// The keys of [`Basics`].
const BASICS: [&str; 7] = [
    "name",
    "from",
    "to",
    "allow",
    "coverage_min",
    "uncertainty_max",
    "rule",
];

impl Question {
    /// The words of all kinds.
    pub const KINDS: [&'static str; 8] = [
        "mean",
        "windows",
        "traverse",
        "uniformity",
        "transient",
        "steadiness",
        "agreement",
        "heat",
    ];

    /// The word of its kind.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Mean(_) => "mean",
            Self::Windows(_) => "windows",
            Self::Traverse(_) => "traverse",
            Self::Uniformity(_) => "uniformity",
            Self::Transient(_) => "transient",
            Self::Steadiness(_) => "steadiness",
            Self::Agreement(_) => "agreement",
            Self::Heat(_) => "heat",
        }
    }
}

impl Ask {
    /// What it is called: its name, or the word of its kind.
    pub fn title(&self) -> &str {
        self.basics
            .name
            .as_deref()
            .unwrap_or_else(|| self.question.word())
    }

    /// From its kind and the text of a JSON object with the rest, as the record keeps them.
    ///
    /// # Errors
    /// [`AssessError::Ask`] says which key, and what would be right.
    pub fn from_parts(kind: &str, parameters: &str) -> Result<Self, AssessError> {
        let bad = |error: &serde_json::Error| AssessError::Ask(plain(error));
        let mut parameters: Map<String, Value> =
            serde_json::from_str(parameters).map_err(|error| bad(&error))?;
        parameters.insert("kind".to_owned(), kind.into());
        serde_json::from_value(Value::Object(parameters)).map_err(|error| bad(&error))
    }

    /// From the text of a JSON object, `kind` included.
    ///
    /// # Errors
    /// As [`Ask::from_parts`].
    pub fn from_json(text: &str) -> Result<Self, AssessError> {
        serde_json::from_str(text).map_err(|error| AssessError::Ask(plain(&error)))
    }

    /// Its kind, and the text of a JSON object with the rest, as the record keeps them.
    pub fn parts(&self) -> (String, String) {
        let mut all = serde_json::to_value(self).unwrap_or_default();
        if let Some(all) = all.as_object_mut() {
            all.remove("kind");
        }
        (self.question.word().to_owned(), all.to_string())
    }
}

/// Without the line and column of a text that nobody sees.
fn plain(error: &serde_json::Error) -> String {
    let text = error.to_string();
    match text.split_once(" at line ") {
        Some((what, _)) => what.to_owned(),
        None => text,
    }
}

impl<'de> Deserialize<'de> for Ask {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mut own = Map::<String, Value>::deserialize(deserializer)?;
        let known = Question::KINDS.join("`, `");
        match own.get("kind").and_then(Value::as_str) {
            None => {
                let what = format!("an evaluation needs its `kind`: `{known}`");
                return Err(D::Error::custom(what));
            }
            Some(kind) if !Question::KINDS.contains(&kind) => {
                let what = format!("`{kind}` is no kind of evaluation; there are `{known}`");
                return Err(D::Error::custom(what));
            }
            Some(_) => {}
        }
        let basics: Map<String, Value> = BASICS
            .iter()
            .filter_map(|key| own.remove_entry(*key))
            .collect();
        let basics = serde_json::from_value(Value::Object(basics)).map_err(D::Error::custom)?;
        let question = serde_json::from_value(Value::Object(own)).map_err(|error| {
            let also = BASICS.join("`, `");
            let text = plain(&error);
            D::Error::custom(if text.contains("unknown field") {
                format!("{text}, and of every kind `{also}`")
            } else {
                text
            })
        })?;
        Ok(Self { question, basics })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(text: &str) -> String {
        Ask::from_json(text).unwrap_err().to_string()
    }

    #[test]
    fn an_ask_is_read_as_it_is_written() {
        let text = r#"{"kind":"uniformity","setpoint":"200 °C","tolerance":"5 K","since":"soaked","name":"soak","from":"1 h","allow":["late"],"rule":"simple"}"#;
        let ask = Ask::from_json(text).unwrap();
        assert_eq!(serde_json::to_string(&ask).unwrap(), text);
        let (kind, parameters) = ask.parts();
        assert_eq!(Ask::from_parts(&kind, &parameters).unwrap(), ask);
        assert_eq!(ask.title(), "soak");
        assert_eq!(Ask::from_parts("mean", "{}").unwrap().title(), "mean");
    }

    #[test]
    fn what_cannot_be_asked_is_said() {
        assert!(
            said(r#"{"kind":"meen"}"#)
                .contains("`meen` is no kind of evaluation; there are `mean`")
        );
        assert!(said("{}").contains("needs its `kind`"));
        assert!(said(r#"{"kind":"mean","chanels":[]}"#).contains("chanels"));
        assert!(said(r#"{"kind":"mean","from":"noon"}"#).contains("`noon` says no moment"));
        assert!(said(r#"{"kind":"windows"}"#).contains("missing field `length`"));
        assert!(said(r#"{"kind":"mean","allow":["lateish"]}"#).contains("docs/flags.md"));
    }
}
