//! The kinds of evaluations, one file each: from the samples of a scene to the parts of an outcome.

pub(crate) mod agreement;
mod duct;
mod evenness;
pub(crate) mod heat;
pub(crate) mod mean;
pub(crate) mod steadiness;
pub(crate) mod transient;
pub(crate) mod traverse;
pub(crate) mod uniformity;
pub(crate) mod windows;

use zonda_config::LayoutPlan;
use zonda_model::Quantity;

use crate::error::AssessError;
use crate::intake::Feed;
use crate::work::Scene;

/// The layout that is named, or that of the run.
pub(crate) fn layout<'s>(
    scene: &'s Scene<'_>,
    name: Option<&str>,
) -> Result<&'s LayoutPlan, AssessError> {
    let name = name
        .or(scene.subject.layout.as_deref())
        .ok_or(AssessError::NoLayout)?;
    scene.past.layout(name).ok_or_else(|| AssessError::Layout {
        name: name.to_owned(),
        known: scene.past.layouts(),
    })
}

/// Says that a layout is of the other kind.
pub(crate) fn other_layout(plan: &LayoutPlan, needed: &'static str) -> AssessError {
    AssessError::OtherLayout {
        name: plan.name.to_string(),
        is: plan.form.word(),
        needed,
    }
}

/// At each point of a layout the first channel that reads a quantity, in the order of the points.
pub(crate) fn feeds_at(
    scene: &Scene<'_>,
    plan: &LayoutPlan,
    quantity: Quantity,
) -> Result<Vec<Feed>, AssessError> {
    let mut feeds = Vec::new();
    let mut lacking = Vec::new();
    for (point, channels) in plan.points().into_iter().zip(&plan.channels) {
        // One that was never recorded reads nothing there.
        let mut here = channels
            .iter()
            .filter_map(|channel| scene.feed(channel.as_str()).ok());
        match here.find(|feed| feed.quantity == quantity) {
            Some(feed) => feeds.push(Feed {
                point: Some(point),
                ..feed
            }),
            None => lacking.push(point),
        }
    }
    if lacking.is_empty() {
        return Ok(feeds);
    }
    Err(AssessError::Unbound {
        layout: plan.name.to_string(),
        quantity: quantity.to_string(),
        points: lacking,
    })
}
