//! Evaluations: `[evaluation.NAME]`, what is asked of a run again and again, written down once.
//!
//! What is read here is checked as far as the file can: words, amounts, channels, layouts. It becomes the parameters of an
//! evaluation as the record keeps them; what is made of them is not this crate's.

use serde_json::{Map, Value, json};
use zonda_air::Reference;
use zonda_air::written::StatedHumidity;
use zonda_model::run::duration;
use zonda_model::written::{Amount, Span};
use zonda_model::{ChannelName, Name, Quality};

use crate::check::{NamedSection, read_name};
use crate::fault::Fault;
use crate::keys::{Key, Kind, may, must};
use crate::layout::{self, LayoutPlan};
use crate::section::{At, Section};

/// `[evaluation.NAME]`
pub const EVALUATION: &[Key] = &[
    must(
        "kind",
        Kind::Text,
        "\"uniformity\"",
        "`mean`, `windows`, `traverse`, `uniformity`, `transient`, `steadiness`, `agreement` or `heat`",
    ),
    may(
        "from",
        Kind::Text,
        "\"30 min\"",
        "from when on: so long after the run began, with `-` before it ended, or a time with its offset; default its beginning",
    ),
    may(
        "to",
        Kind::Text,
        "\"-30 min\"",
        "up to when, in the same way; default its end",
    ),
    may(
        "allow",
        Kind::Texts,
        "[\"calibration_overdue\"]",
        "flags that do not keep a reading out; default only readings against which nothing speaks are used",
    ),
    may(
        "coverage_min",
        Kind::Number,
        "0.9",
        "the share of the stretch that used readings must speak for; default 0.9",
    ),
    may(
        "uncertainty_max",
        Kind::Amount,
        "\"0.5 K\"",
        "how small the expanded uncertainty of results should be: it is said when it is; default not asked",
    ),
    may(
        "rule",
        Kind::Text,
        "\"guarded\"",
        "the rule by which a result is within its limits: `simple`, `guarded` (with its uncertainty; default) or `probable 95 %`",
    ),
    may(
        "channels",
        Kind::Texts,
        "[\"Z1-left.temperature\"]",
        "of `mean`, `windows` and `steadiness`: the channels; default those of the run",
    ),
    may(
        "channel",
        Kind::Text,
        "\"Z1-left.temperature\"",
        "of `transient` and `agreement`: the channel",
    ),
    may(
        "against",
        Kind::Text,
        "\"Z1-left.temperature-text\"",
        "of `agreement`: the channel that should say the same",
    ),
    may(
        "layout",
        Kind::Text,
        "\"zone-1\"",
        "of `uniformity`, `traverse` and `heat`: the layout; default that of the run",
    ),
    may(
        "within",
        Kind::Text,
        "\"195-205 °C\"",
        "the limits of the result: of each `mean`, of the volume flow of a `traverse`, of the `heat`; of `agreement` the greatest difference, such as `0.1 m/s`",
    ),
    may(
        "quantity",
        Kind::Text,
        "\"velocity\"",
        "of `uniformity`: `temperature` (default) or `velocity`",
    ),
    may(
        "setpoint",
        Kind::Amount,
        "\"200 °C\"",
        "of `uniformity` and `transient`: the setpoint",
    ),
    may(
        "tolerance",
        Kind::Amount,
        "\"5 K\"",
        "of `uniformity` and `transient`: how far from it is still good",
    ),
    may(
        "since",
        Kind::Text,
        "\"soaked\"",
        "of `uniformity`: from when on: `begin` (default), `steady`, or `soaked` (all places within tolerance, to stay there for the dwell)",
    ),
    may(
        "dwell",
        Kind::Amount,
        "\"10 min\"",
        "of `uniformity`: over how long a zone must be steady or soaked; of `transient`: how long it must stay in tolerance to have settled; default 10 min",
    ),
    may(
        "length",
        Kind::Amount,
        "\"5 min\"",
        "of `windows`: how long each is",
    ),
    may(
        "every",
        Kind::Amount,
        "\"1 h\"",
        "of `windows`: how often one begins; default one after the other",
    ),
    may(
        "on_the_clock",
        Kind::Flag,
        "true",
        "of `windows`: they begin at multiples of their step by the clock (UTC); default with the stretch",
    ),
    may("count", Kind::Whole, "12", "of `windows`: at most so many"),
    may(
        "window",
        Kind::Amount,
        "\"10 min\"",
        "of `steadiness`: how long nothing may move, default 10 min; of `transient`: over how long the steepest slope is taken, default 1 min",
    ),
    may(
        "negligible",
        Kind::Amount,
        "\"0.5 K\"",
        "of `steadiness`: a movement that does not matter; default each one does",
    ),
    may(
        "before",
        Kind::Amount,
        "\"1 min\"",
        "of `transient`: the level before is the mean of the first so long; default 1 min",
    ),
    may(
        "smoothing",
        Kind::Amount,
        "\"20 s\"",
        "of `transient`: the span over which levels and peaks are smoothed; default the samples themselves",
    ),
    may(
        "event",
        Kind::Text,
        "\"3 h 40 min\"",
        "of `transient`: a disturbance, such as the door's opening, the recovery from which is told",
    ),
    may(
        "pressure",
        Kind::Text,
        "\"barometer\"",
        "of `traverse` and `heat`: the absolute pressure in the duct: a channel, or an amount such as `98.2 kPa`",
    ),
    may(
        "temperature",
        Kind::Text,
        "\"180 °C\"",
        "of `traverse` and `heat`: the temperature in the duct, where its points read none: a channel, or an amount",
    ),
    may(
        "humidity",
        Kind::Text,
        "\"50 % at 23 °C\"",
        "of `traverse`: that in the duct; of `heat`: that of the air that came in: `dry` (default), `8 g/kg`, `50 % at 23 °C`, `dew point 12 °C`",
    ),
    may(
        "exhaust_humidity",
        Kind::Text,
        "\"20 g/kg\"",
        "of `heat`: that of the exhaust air; default that of the air that came in",
    ),
    may(
        "reference",
        Kind::Text,
        "\"20 °C\"",
        "of `traverse`: the reference of the standard flow; default none is stated",
    ),
    may(
        "inlet",
        Kind::Text,
        "\"room-temperature\"",
        "of `heat`: the temperature at which the air came in: a channel, or an amount",
    ),
];

/// The keys of each kind beside those of every kind; those before the bar must be there.
pub const KINDS: [(&str, &[&str], &[&str]); 8] = [
    ("mean", &[], &["channels", "within"]),
    (
        "windows",
        &["length"],
        &["channels", "every", "on_the_clock", "count"],
    ),
    (
        "traverse",
        &[],
        &[
            "layout",
            "pressure",
            "temperature",
            "humidity",
            "reference",
            "within",
        ],
    ),
    (
        "uniformity",
        &[],
        &[
            "layout",
            "quantity",
            "setpoint",
            "tolerance",
            "since",
            "dwell",
        ],
    ),
    (
        "transient",
        &["channel", "setpoint", "tolerance"],
        &["before", "smoothing", "dwell", "window", "event"],
    ),
    ("steadiness", &[], &["channels", "window", "negligible"]),
    ("agreement", &["channel", "against"], &["within"]),
    (
        "heat",
        &["pressure", "inlet"],
        &[
            "layout",
            "temperature",
            "humidity",
            "exhaust_humidity",
            "within",
        ],
    ),
];

/// The keys of every kind.
const OF_ALL: [&str; 7] = [
    "kind",
    "from",
    "to",
    "allow",
    "coverage_min",
    "uncertainty_max",
    "rule",
];

/// An evaluation as the record keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EvaluationPlan {
    /// Its name.
    pub name: Name,
    /// Which kind.
    pub kind: String,
    /// The text of a JSON object with the rest, its name included.
    pub parameters: String,
}

/// What evaluations may refer to.
pub(crate) struct Referable<'a> {
    pub(crate) channels: &'a dyn Fn(&str) -> bool,
    pub(crate) layouts: &'a [LayoutPlan],
    /// False where other mistakes keep them from being known.
    pub(crate) is_whole: bool,
}

/// Reads an evaluation.
pub(crate) fn read(
    table: &NamedSection<'_, '_>,
    known: &Referable<'_>,
    faults: &mut Vec<Fault>,
) -> Option<EvaluationPlan> {
    let before = faults.len();
    let name: Option<Name> = read_name(&table.name, faults);
    let section = &table.section;
    let kind = section.text("kind")?;
    let words = KINDS.map(|(word, ..)| word);
    let Some((word, must, may)) = KINDS.into_iter().find(|(word, ..)| *word == kind.value) else {
        let what = format!("`{}` is no kind of evaluation", kind.value);
        faults.push(Fault::new(kind.span, what).help(format!("there are {}", words.join(", "))));
        return None;
    };
    for key in must.iter().filter(|key| !section.has(key)) {
        let what = format!("`{key}` is missing: `{word}` needs it");
        faults.push(Fault::new(section.span.clone(), what).help(section.example(key)));
    }
    let others: Vec<&str> = EVALUATION
        .iter()
        .map(|key| key.name)
        .filter(|key| !OF_ALL.contains(key) && !must.contains(key) && !may.contains(key))
        .collect();
    let why = format!("says nothing of `{word}`");
    section.refuse(&others, &why, "leave it out here", faults);
    let mut parameters = Map::new();
    for key in EVALUATION.iter().filter(|key| key.name != "kind") {
        if let Some(value) = value(section, key, known, faults) {
            parameters.insert(key.name.to_owned(), value);
        }
    }
    let name = name.filter(|_| faults.len() == before)?;
    parameters.insert("name".to_owned(), name.as_str().into());
    Some(EvaluationPlan {
        name,
        kind: word.to_owned(),
        parameters: Value::Object(parameters).to_string(),
    })
}

/// The evaluation that a template asks for by a name or a kind.
pub(crate) fn find(
    wanted: &At<&str>,
    plans: &[EvaluationPlan],
    is_whole: bool,
    faults: &mut Vec<Fault>,
) -> Option<(String, String)> {
    if let Some(plan) = plans.iter().find(|plan| plan.name.as_str() == wanted.value) {
        return Some((plan.kind.clone(), plan.parameters.clone()));
    }
    let (what, help) = match KINDS.iter().find(|(word, ..)| *word == wanted.value) {
        Some((word, [], _)) => return Some(((*word).to_owned(), "{}".to_owned())),
        Some((word, must, _)) => (
            format!(
                "`{word}` cannot be asked by its kind alone: it needs `{}`",
                must.join("`, `")
            ),
            format!("write an `[evaluation.NAME]` with `kind = \"{word}\"`, and its name here"),
        ),
        None => (
            format!("there is no evaluation `{}`", wanted.value),
            format!(
                "write `[evaluation.{}]`, or name a kind such as `mean`",
                wanted.value
            ),
        ),
    };
    if is_whole {
        faults.push(Fault::new(wanted.span.clone(), what).help(help));
    }
    None
}

fn value(
    section: &Section<'_, '_>,
    key: &Key,
    known: &Referable<'_>,
    faults: &mut Vec<Fault>,
) -> Option<Value> {
    let name = key.name;
    match name {
        "channels" => {
            let list = section.texts(name)?;
            let read: Vec<Option<String>> = list
                .into_iter()
                .map(|text| channel(&text, known, faults))
                .collect();
            read.into_iter().collect::<Option<Vec<_>>>().map(Into::into)
        }
        "allow" => {
            let list = section.texts(name)?;
            for text in &list {
                if Quality::from_word(text.value).is_none() {
                    let what = format!("`{}` is not the word of a flag", text.value);
                    faults
                        .push(Fault::new(text.span.clone(), what).help("docs/flags.md lists them"));
                }
            }
            Some(list.iter().map(|text| text.value).collect())
        }
        "coverage_min" => section
            .number(name, (0.01, 1.0), faults)
            .map(|share| json!(share)),
        "count" => section
            .whole(name, 1_i64, 10_000, faults)
            .map(|count| json!(count)),
        "on_the_clock" => section.has(name).then(|| json!(section.flag(name))),
        "channel" | "against" => channel(&section.text(name)?, known, faults).map(Into::into),
        "pressure" | "temperature" | "inlet" => {
            let text = section.text(name)?;
            if text.value.parse::<Amount>().is_ok() {
                return Some(text.value.into());
            }
            channel(&text, known, faults).map(Into::into)
        }
        "layout" => {
            let text = section.text(name)?;
            layout::check_name(&text, known.layouts, known.is_whole, faults);
            Some(text.value.into())
        }
        _ => {
            let read = |text: &str| check(name, text).map(|()| text.to_owned());
            section.read(name, read, faults).map(|at| at.value.into())
        }
    }
}

fn channel(text: &At<&str>, known: &Referable<'_>, faults: &mut Vec<Fault>) -> Option<String> {
    let is_name = text.value.parse::<ChannelName>().is_ok();
    if is_name && ((known.channels)(text.value) || !known.is_whole) {
        return Some(text.value.to_owned());
    }
    let what = format!("there is no channel `{}`", text.value);
    faults.push(Fault::new(text.span.clone(), what).help("name a channel of this file"));
    None
}

/// Whether a text is what its key wants.
fn check(key: &str, text: &str) -> Result<(), String> {
    let said = |error: &dyn std::fmt::Display| format!("`{text}`: {error}");
    match key {
        "dwell" | "length" | "every" | "window" | "before" | "smoothing" => duration(text)
            .filter(|span| !span.is_zero())
            .map(drop)
            .ok_or_else(|| format!("`{text}` is not a length of time")),
        "from" | "to" | "event" => {
            let is_time = text.parse::<jiff::Timestamp>().is_ok();
            let length = text.trim().trim_start_matches(['-', '−', '+']);
            (is_time || duration(length).is_some())
                .then_some(())
                .ok_or_else(|| format!("`{text}` says no moment of a run"))
        }
        "setpoint" | "tolerance" | "negligible" => text
            .parse::<Amount>()
            .map(drop)
            .map_err(|error| said(&error)),
        "within" => {
            let is_amount = text.parse::<Amount>().is_ok();
            (is_amount || text.parse::<Span>().is_ok())
                .then_some(())
                .ok_or_else(|| format!("`{text}` does not say from where to where"))
        }
        "humidity" | "exhaust_humidity" => text
            .parse::<StatedHumidity>()
            .map(drop)
            .map_err(|error| said(&error)),
        "reference" => text
            .parse::<Reference>()
            .map(drop)
            .map_err(|error| said(&error)),
        "quantity" => one_of(text, &["temperature", "velocity"]),
        "since" => one_of(text, &["begin", "steady", "soaked"]),
        "rule" if text.starts_with("probable ") => Ok(()),
        "rule" => one_of(text, &["simple", "guarded"]),
        _ => Ok(()),
    }
}

fn one_of(text: &str, words: &[&str]) -> Result<(), String> {
    if words.contains(&text) {
        return Ok(());
    }
    Err(format!("`{text}` is none of `{}`", words.join("`, `")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check;

    const OVEN: &str = "[line.oven]\nevery = \"1 s\"\nmodbus-tcp = { address = \"127.0.0.1:1502\" }\n\
        [module.A]\nline = \"oven\"\nunit = 1\nregisters = \"input 0-1\"\ncode = \"int16\"\ncount = \"1 mV\"\n\
        [meter.Z1]\ntemperature = { input = \"A.1\", signal = \"0-10 V\", range = \"0-500 °C\" }\n";

    fn read(text: &str) -> Result<Vec<(String, String)>, String> {
        let text = format!("{OVEN}{text}");
        match check("test", &text) {
            Ok(checked) => Ok(checked.config.runs[0].evaluations.clone()),
            Err(faults) => Err(faults.report(false, 200)),
        }
    }

    #[test]
    fn a_template_asks_by_name_or_by_kind() {
        let asked = read(
            "[evaluation.hot]\nkind = \"mean\"\nchannels = [\"Z1.temperature\"]\nwithin = \"195-205 °C\"\nfrom = \"1 h\"\ncoverage_min = 0.8\n[run.night]\nevaluations = [\"hot\", \"steadiness\"]\n",
        )
        .unwrap();
        let (kind, parameters) = &asked[0];
        assert_eq!(kind, "mean");
        let parameters: Value = serde_json::from_str(parameters).unwrap();
        assert_eq!(
            parameters,
            json!({ "name": "hot", "channels": ["Z1.temperature"], "within": "195-205 °C", "from": "1 h", "coverage_min": 0.8 })
        );
        assert_eq!(asked[1], ("steadiness".to_owned(), "{}".to_owned()));
    }

    #[test]
    fn mistakes_are_said_where_they_are() {
        let said = |text: &str| read(&format!("{text}[run.night]\n")).unwrap_err();
        let of = |keys: &str| said(&format!("[evaluation.a]\nkind = \"mean\"\n{keys}\n"));
        assert!(said("[evaluation.a]\nkind = \"meen\"\n").contains("no kind of evaluation"));
        assert!(said("[evaluation.a]\nkind = \"windows\"\n").contains("`length` is missing"));
        assert!(of("length = \"5 min\"").contains("`length` says nothing of `mean`"));
        assert!(of("channels = [\"Z9\"]").contains("there is no channel `Z9`"));
        assert!(of("from = \"noon\"").contains("says no moment of a run"));
        assert!(of("allow = [\"lateish\"]").contains("not the word of a flag"));
        assert!(of("rule = \"kind\"").contains("none of `simple`, `guarded`"));
        assert!(of("within = \"hot\"").contains("from where to where"));
        let run =
            |name: &str| read(&format!("[run.night]\nevaluations = [\"{name}\"]\n")).unwrap_err();
        assert!(run("hot").contains("there is no evaluation `hot`"));
        assert!(run("windows").contains("cannot be asked by its kind alone: it needs `length`"));
        let layout = "[evaluation.a]\nkind = \"traverse\"\nlayout = \"duct\"\n";
        assert!(said(layout).contains("there is no layout `duct`"));
    }
}
