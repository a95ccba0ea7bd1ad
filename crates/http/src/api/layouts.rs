//! `GET /api/v1/layouts`: where the probes stand, as a flat picture of each duct or work zone.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;
use zonda_config::LayoutPlan;

use super::Shared;

/// The layouts, in the order of the configuration.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Layouts {
    layouts: Vec<ShownLayout>,
}

/// A duct or a work zone, seen from one side. Lengths are m.
#[derive(Debug, Serialize, ToSchema)]
struct ShownLayout {
    /// Its name.
    name: String,
    /// `duct` or `zone`.
    kind: &'static str,
    /// Seen from `above`, or from the `front`; a duct along the flow.
    side: &'static str,
    /// Across.
    width: f64,
    /// From top to bottom.
    height: f64,
    /// True where the outline is round.
    round: bool,
    /// Diameter of the core of an annular duct.
    core: Option<f64>,
    /// Its points.
    points: Vec<LayoutPoint>,
}

/// A point of a layout.
#[derive(Debug, Serialize, ToSchema)]
struct LayoutPoint {
    /// Its name; of a duct its number.
    name: String,
    /// Right of the left edge, m.
    x: f64,
    /// Below the upper edge, m.
    y: f64,
    /// What reads there; nothing where a probe is moved.
    channels: Vec<String>,
}

/// Where the probes stand in ducts and work zones.
#[utoipa::path(get, path = "/api/v1/layouts", tag = "instruments", responses((status = 200, body = Layouts)))]
pub(crate) async fn layouts(State(shared): State<Shared>) -> Json<Layouts> {
    let plans = shared.view.config.layouts.iter();
    Json(Layouts {
        layouts: plans.map(ShownLayout::from).collect(),
    })
}

impl From<&LayoutPlan> for ShownLayout {
    fn from(plan: &LayoutPlan) -> Self {
        let plane = plan.plane();
        let points = plan.points().into_iter().zip(plane.places);
        let points = points.zip(&plan.channels);
        Self {
            name: plan.name.to_string(),
            kind: plan.form.word(),
            side: plane.side,
            width: plane.width,
            height: plane.height,
            round: plane.is_round,
            core: plane.core,
            points: points
                .map(|((name, (x, y)), channels)| LayoutPoint {
                    name,
                    x,
                    y,
                    channels: channels.iter().map(ToString::to_string).collect(),
                })
                .collect(),
        }
    }
}
