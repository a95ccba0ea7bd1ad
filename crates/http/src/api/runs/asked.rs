//! What comes in: bodies as people and programs write them, and what they stand for.

use std::collections::BTreeMap;

use axum::http::StatusCode;
use serde::Deserialize;
use utoipa::ToSchema;
use zonda_config::RunPlan;
use zonda_model::run::{Begin, Finish};
use zonda_model::{ChannelName, Name, Stamp};
use zonda_station::runs::{Ask, Cut, Note, Runs};
use zonda_store::Field;

use crate::api::when::When;
use crate::problem::Problem;

/// A run that is asked for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewRun {
    /// Its name: letters, digits, `-` and `_`; unique among the runs that are not discarded. With a
    /// template the template's name and the time by default.
    name: Option<String>,
    /// A template of the configuration: what is not said here comes from there.
    template: Option<String>,
    /// Its channels; all that are configured by default.
    channels: Option<Vec<String>>,
    /// When it begins: `now` (default), `at TIME` or `when CONDITION`.
    start: Option<String>,
    /// When it ends: `by hand` (default), `after 8 h`, `at TIME` or `when CONDITION`.
    end: Option<String>,
    /// Cuts the run out of what is recorded: from this time on.
    #[schema(value_type = Option<String>)]
    from: Option<When>,
    /// Up to, not including, this time.
    #[schema(value_type = Option<String>)]
    to: Option<When>,
    /// The layout of points that it refers to.
    layout: Option<String>,
    /// Who sees to it.
    operator: Option<String>,
    /// What it is for.
    purpose: Option<String>,
    /// What is tested.
    object: Option<String>,
    /// The conditions around: air pressure, temperature of the hall.
    ambient: Option<String>,
    /// The evaluations asked of it.
    #[serde(default)]
    evaluations: Vec<NewEvaluation>,
    /// Who asks.
    by: Option<String>,
}

/// An evaluation that is asked of a run.
#[derive(Clone, Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewEvaluation {
    /// Which kind.
    kind: String,
    /// Its parameters.
    #[serde(default)]
    #[schema(value_type = Object)]
    parameters: serde_json::Map<String, serde_json::Value>,
    /// Who asks.
    pub(super) by: Option<String>,
}

impl NewEvaluation {
    /// Its kind and parameters, as the record keeps them.
    ///
    /// # Errors
    /// It asks nothing that could be answered.
    pub(super) fn pair(self) -> Result<(String, String), Problem> {
        let parameters = serde_json::Value::Object(self.parameters).to_string();
        zonda_assess::Ask::from_parts(&self.kind, &parameters)
            .map_err(|why| unfit(why.to_string()))?;
        Ok((self.kind, parameters))
    }
}

/// What is said anew of a run.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewWords {
    /// Who says so.
    by: String,
    /// Who sees to it.
    operator: Option<String>,
    /// What it is for.
    purpose: Option<String>,
    /// What is tested.
    object: Option<String>,
    /// The conditions around.
    ambient: Option<String>,
}

/// How a run is stopped.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewStop {
    /// When it ended, where that was before now.
    #[schema(value_type = Option<String>)]
    pub(super) at: Option<When>,
    /// Who stops it.
    pub(super) by: Option<String>,
    /// Why.
    #[serde(default)]
    pub(super) why: String,
}

/// A note.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewNote {
    /// Who writes it.
    by: String,
    /// The note.
    text: String,
    /// The moment that it is about, where that is another than now.
    #[schema(value_type = Option<String>)]
    about: Option<When>,
}

impl From<NewNote> for Note {
    fn from(note: NewNote) -> Self {
        Self {
            by: note.by,
            text: note.text,
            about: note.about.map(|at| at.0),
        }
    }
}

/// What a [`NewRun`] stands for.
pub(super) enum Wanted {
    Ask(Ask),
    Cut(Cut),
}

impl NewRun {
    /// # Errors
    /// What is asked makes no sense as it stands.
    pub(super) fn read(self, runs: &Runs) -> Result<Wanted, Problem> {
        match (self.from, self.to, &self.start, &self.end) {
            (Some(from), Some(to), None, None) => self.cut(from.0, to.0).map(Wanted::Cut),
            (None, None, ..) => self.ask(runs).map(Wanted::Ask),
            _ => Err(unfit(
                "a run that is cut out of the record has `from` and `to`; one that is yet to come has `start` and `end`; not both",
            )),
        }
    }

    fn cut(self, from: Stamp, to: Stamp) -> Result<Cut, Problem> {
        if self.template.is_some() {
            return Err(unfit(
                "a template is for a run that is yet to come; say everything of one that is cut out",
            ));
        }
        Ok(Cut {
            name: name(self.name.as_deref().ok_or_else(nameless)?)?,
            channels: channels(&self.channels.unwrap_or_default())?,
            from,
            to,
            layout: self.layout,
            words: fields(self.operator, self.purpose, self.object, self.ambient),
            evaluations: self
                .evaluations
                .into_iter()
                .map(NewEvaluation::pair)
                .collect::<Result<_, _>>()?,
            by: self.by,
        })
    }

    /// What is said goes before what the template says.
    fn ask(self, runs: &Runs) -> Result<Ask, Problem> {
        let plan = match &self.template {
            Some(name) => Some(runs.template(name).ok_or_else(|| {
                unfit(format!("the configuration has no template `[run.{name}]`"))
            })?),
            None => None,
        };
        let name = match (&self.name, plan) {
            (Some(text), _) => name(text)?,
            (None, Some(plan)) => runs
                .name_by(&plan.name)
                .map_err(|error| unfit(format!("the template's name: {error}")))?,
            (None, None) => return Err(nameless()),
        };
        let plan = plan.cloned();
        let of_plan = |word: fn(RunPlan) -> Option<String>| plan.clone().and_then(word);
        let planned = |plan: &RunPlan| plan.evaluations.clone();
        let evaluations = if self.evaluations.is_empty() {
            plan.as_ref().map(planned).unwrap_or_default()
        } else {
            self.evaluations
                .into_iter()
                .map(NewEvaluation::pair)
                .collect::<Result<_, _>>()?
        };
        Ok(Ask {
            name,
            template: plan.as_ref().map(|plan| plan.name.clone()),
            channels: match (&self.channels, &plan) {
                (Some(list), _) => channels(list)?,
                (None, Some(plan)) => plan.channels.clone(),
                (None, None) => Vec::new(),
            },
            begin: limit(
                self.start.as_deref(),
                plan.as_ref().map_or(Begin::Now, |plan| plan.begin.clone()),
            )?,
            finish: limit(
                self.end.as_deref(),
                plan.as_ref()
                    .map_or(Finish::ByHand, |plan| plan.finish.clone()),
            )?,
            layout: self.layout.or_else(|| of_plan(|plan| plan.layout)),
            words: fields(
                self.operator.or_else(|| of_plan(|plan| plan.operator)),
                self.purpose.or_else(|| of_plan(|plan| plan.purpose)),
                self.object.or_else(|| of_plan(|plan| plan.object)),
                self.ambient.or_else(|| of_plan(|plan| plan.ambient)),
            ),
            evaluations,
            by: self.by,
        })
    }
}

fn nameless() -> Problem {
    unfit("a run needs a `name`, such as `night-1`")
}

fn channels(list: &[String]) -> Result<Vec<ChannelName>, Problem> {
    let read = |text: &String| {
        let name = text.parse();
        name.map_err(|error| unfit(format!("`{text}`: {error}")))
    };
    list.iter().map(read).collect()
}

impl NewWords {
    pub(super) fn read(self) -> (String, BTreeMap<Field, String>) {
        let words = fields(self.operator, self.purpose, self.object, self.ambient);
        (self.by, words)
    }
}

fn name(text: &str) -> Result<Name, Problem> {
    text.parse()
        .map_err(|error| unfit(format!("the name `{text}`: {error}")))
}

fn limit<T: std::str::FromStr<Err: std::fmt::Display>>(
    text: Option<&str>,
    default: T,
) -> Result<T, Problem> {
    text.map_or(Ok(default), |text| {
        text.parse().map_err(|error| unfit(format!("{error}")))
    })
}

fn fields(
    operator: Option<String>,
    purpose: Option<String>,
    object: Option<String>,
    ambient: Option<String>,
) -> BTreeMap<Field, String> {
    let said = [
        (Field::Operator, operator),
        (Field::Purpose, purpose),
        (Field::Object, object),
        (Field::Ambient, ambient),
    ];
    said.into_iter()
        .filter_map(|(field, text)| Some((field, text?)))
        .collect()
}

fn unfit(detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
}
