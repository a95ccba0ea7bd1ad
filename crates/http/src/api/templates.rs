//! `GET /api/v1/templates`: the runs that are asked for again and again, as the configuration describes them.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_config::RunPlan;

use super::Shared;

/// The templates of runs, in the order of the configuration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Templates {
    templates: Vec<Template>,
}

/// What a run of this kind is, unless whoever asks for one says otherwise.
#[derive(Debug, Serialize, ToSchema)]
struct Template {
    /// Its name.
    name: String,
    /// Its channels; none stands for all that are configured.
    channels: Vec<String>,
    /// When it begins.
    start: String,
    /// When it ends.
    end: String,
    /// The layout of points that it refers to.
    layout: Option<String>,
    /// Who sees to it.
    operator: Option<String>,
    /// What it is for.
    purpose: Option<String>,
    /// What is tested.
    object: Option<String>,
    /// The conditions around.
    ambient: Option<String>,
}

/// The templates of runs.
#[utoipa::path(get, path = "/api/v1/templates", tag = "runs", responses((status = 200, body = Templates)))]
pub(crate) async fn templates(State(shared): State<Shared>) -> Json<Templates> {
    let plans = shared.view.config.runs.iter();
    Json(Templates {
        templates: plans.map(Template::from).collect(),
    })
}

impl From<&RunPlan> for Template {
    fn from(plan: &RunPlan) -> Self {
        Self {
            name: plan.name.to_string(),
            channels: plan.channels.iter().map(ToString::to_string).collect(),
            start: plan.begin.to_string(),
            end: plan.finish.to_string(),
            layout: plan.layout.clone(),
            operator: plan.operator.clone(),
            purpose: plan.purpose.clone(),
            object: plan.object.clone(),
            ambient: plan.ambient.clone(),
        }
    }
}
