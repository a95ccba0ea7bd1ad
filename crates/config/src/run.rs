//! Templates of runs: `[run.NAME]`. What is asked for again and again is written down once.

use zonda_model::run::{Begin, Finish};
use zonda_model::{ChannelName, Name, Quantity};

use crate::check::{NamedSection, read_name};
use crate::evaluation::{self, EvaluationPlan};
use crate::fault::Fault;
use crate::keys::{Key, Kind, may};
use crate::layout::{self, LayoutPlan};
use crate::section::Section;

/// `[run.NAME]`
pub const RUN: &[Key] = &[
    may(
        "channels",
        Kind::Texts,
        "[\"Z1-left.velocity\", \"Z1-left.temperature\"]",
        "its channels; default all",
    ),
    may(
        "start",
        Kind::Text,
        "\"when Z1-left.temperature rises above 180 °C for 5 min\"",
        "when it begins: `now`, `at` a time with its offset, or `when` a condition on live values: `CHANNEL above 180 °C for 5 min` (or `below`, `rises above`, `falls below`), or `CHANNEL, CHANNEL steady within 2 K over 10 min`; default `now`",
    ),
    may(
        "end",
        Kind::Text,
        "\"after 8 h\"",
        "when it ends: `by hand`, `after` a while, `at` a time with its offset, or `when` a condition; default `by hand`",
    ),
    may("operator", Kind::Text, "\"night shift\"", "who sees to it"),
    may(
        "purpose",
        Kind::Text,
        "\"uniformity, loaded\"",
        "what it is for",
    ),
    may(
        "object",
        Kind::Text,
        "\"curing oven 3, zone 1\"",
        "what is tested",
    ),
    may(
        "ambient",
        Kind::Text,
        "\"hall doors shut\"",
        "the conditions around",
    ),
    may(
        "layout",
        Kind::Text,
        "\"zone-1\"",
        "the layout of points that it refers to",
    ),
    may(
        "evaluations",
        Kind::Texts,
        "[\"mean\"]",
        "the evaluations asked of it: names of `[evaluation.NAME]`, or kinds that need nothing more: `mean`, `steadiness`, `uniformity`, `traverse`; default none",
    ),
];

/// A template of runs. What it does not say is `None`.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPlan {
    /// Its name.
    pub name: Name,
    /// The channels; empty: all.
    pub channels: Vec<ChannelName>,
    /// When a run begins.
    pub begin: Begin,
    /// When it ends.
    pub finish: Finish,
    /// Who sees to it.
    pub operator: Option<String>,
    /// What it is for.
    pub purpose: Option<String>,
    /// What is tested.
    pub object: Option<String>,
    /// The conditions around.
    pub ambient: Option<String>,
    /// The layout of points that it refers to.
    pub layout: Option<String>,
    /// The evaluations asked of it: of each its kind, and the text of a JSON object with its parameters.
    pub evaluations: Vec<(String, String)>,
}

/// What the channels measure; `None` where other mistakes keep that from being known.
pub(crate) type Known<'a> = Option<&'a dyn Fn(&ChannelName) -> Option<Quantity>>;

/// Reads a template.
pub(crate) fn read(
    table: &NamedSection<'_, '_>,
    known: Known<'_>,
    (layouts, asked): (&[LayoutPlan], &[EvaluationPlan]),
    faults: &mut Vec<Fault>,
) -> Option<RunPlan> {
    let section = &table.section;
    let name = read_name(&table.name, faults);
    let begin = section.read(
        "start",
        |text| {
            let begin: Begin = text.parse().map_err(|error| format!("{error}"))?;
            check(begin.condition(), known).map(|()| begin)
        },
        faults,
    );
    let finish = section.read(
        "end",
        |text| {
            let finish: Finish = text.parse().map_err(|error| format!("{error}"))?;
            check(finish.condition(), known).map(|()| finish)
        },
        faults,
    );
    if let Some(wanted) = section.text("layout") {
        layout::check_name(&wanted, layouts, known.is_some(), faults);
    }
    let said = |key| section.text(key).map(|at| at.value.to_owned());
    let wanted = section.texts("evaluations").unwrap_or_default();
    let evaluations = wanted
        .iter()
        .filter_map(|wanted| evaluation::find(wanted, asked, known.is_some(), faults))
        .collect();
    Some(RunPlan {
        name: name?,
        channels: channels(section, known, faults),
        begin: begin.map_or(Begin::Now, |at| at.value),
        finish: finish.map_or(Finish::ByHand, |at| at.value),
        operator: said("operator"),
        purpose: said("purpose"),
        object: said("object"),
        ambient: said("ambient"),
        layout: said("layout"),
        evaluations,
    })
}

fn check(condition: Option<&zonda_model::run::Condition>, known: Known<'_>) -> Result<(), String> {
    match condition.zip(known) {
        Some((condition, known)) => condition.check(known).map_err(|error| error.to_string()),
        None => Ok(()),
    }
}

fn channels(
    section: &Section<'_, '_>,
    known: Known<'_>,
    faults: &mut Vec<Fault>,
) -> Vec<ChannelName> {
    let mut channels = Vec::new();
    for text in section.texts("channels").unwrap_or_default() {
        match text.value.parse::<ChannelName>() {
            Ok(name) if known.is_none_or(|known| known(&name).is_some()) => channels.push(name),
            Ok(name) => faults.push(
                Fault::new(text.span, format!("there is no channel `{name}`")).help(
                    "a meter's channels are called `METER.output`, such as `Z1-left.velocity`",
                ),
            ),
            Err(error) => faults.push(Fault::new(text.span, format!("`{}`: {error}", text.value))),
        }
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check;

    const OVEN: &str = "[line.oven]\nevery = \"1 s\"\nmodbus-tcp = { address = \"127.0.0.1:1502\" }\n\
        [module.A]\nline = \"oven\"\nunit = 1\nregisters = \"input 0-1\"\ncode = \"int16\"\ncount = \"1 mV\"\n\
        [meter.Z1]\ntemperature = { input = \"A.1\", signal = \"0-10 V\", range = \"0-500 °C\" }\n";

    fn read(run: &str) -> Result<RunPlan, String> {
        let text = format!("{OVEN}[run.soak]\n{run}");
        match check("test", &text) {
            Ok(checked) => Ok(checked.config.runs[0].clone()),
            Err(faults) => Err(faults.report(false, 200)),
        }
    }

    #[test]
    fn a_template_says_what_it_says_and_leaves_the_rest_to_others() {
        let plan = read("start = \"when Z1.temperature rises above 180 °C for 5 min\"\nend = \"after 4 h\"\nchannels = [\"Z1.temperature\"]\npurpose = \"soak\"\nevaluations = [\"mean\"]").unwrap();
        assert_eq!(plan.name.as_str(), "soak");
        assert_eq!(plan.finish.to_string(), "after 4 h");
        assert!(plan.begin.condition().is_some());
        assert_eq!(
            (plan.purpose.as_deref(), plan.operator),
            (Some("soak"), None)
        );
        let bare = read("").unwrap();
        assert_eq!((bare.begin, bare.finish), (Begin::Now, Finish::ByHand));
        assert!(bare.channels.is_empty());
    }

    #[test]
    fn mistakes_are_said_where_they_are() {
        let said = |run: &str| read(run).unwrap_err();
        assert!(said("start = \"soon\"").contains("does not say when to begin"));
        assert!(said("end = \"after lunch\"").contains("not how long a run can last"));
        assert!(said("start = \"when Z1.temperature above 3 m/s\"").contains("none of its units"));
        assert!(
            said("channels = [\"Z9.temperature\"]")
                .contains("there is no channel `Z9.temperature`")
        );
        assert!(said("ends = \"after 4 h\"").contains("did you mean `end`?"));
    }
}
