//! The set-up: layouts drawn to scale with their points, and which channel stands where.

use zonda_config::{LayoutForm, LayoutPlan};
use zonda_draw::{DuctDrawing, Ruler};

use super::Parts;
use crate::document::{Block, Figure, Table};

/// The layouts that the run or its results refer to.
pub(super) fn layouts(parts: &Parts) -> Vec<&LayoutPlan> {
    let Some(config) = &parts.config else {
        return Vec::new();
    };
    let of_run = parts.dossier.run.row.entry.layout.as_deref();
    let of_outcomes = parts
        .outcomes()
        .filter_map(|outcome| Some(outcome.layout.as_ref()?.name.as_str()));
    let wanted: Vec<&str> = of_run.into_iter().chain(of_outcomes).collect();
    let layouts = config.layouts.iter();
    layouts
        .filter(|layout| wanted.contains(&layout.name.as_str()))
        .collect()
}

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let layouts = layouts(parts);
    let mut blocks = vec![if layouts.is_empty() {
        super::flowing("Set-up")
    } else {
        super::section("Set-up")
    }];
    if layouts.is_empty() {
        blocks.push(Block::Text(
            "The run refers to no layout of points; where each channel measured is what its name says."
                .to_owned(),
        ));
    }
    for layout in layouts {
        blocks.push(Block::Heading(format!("Layout {}", layout.name)));
        let svg = match &layout.form {
            LayoutForm::Duct { traverse, .. } => {
                zonda_draw::duct(traverse, &DuctDrawing::default())
            }
            LayoutForm::Zone(zone) => zonda_draw::zone(zone, Ruler::default(), &[]),
        };
        blocks.push(Block::Figure(Figure {
            svg,
            caption: format!("Layout {} to scale, with its points.", layout.name),
            alt: format!(
                "Drawing of the layout {} with {} points; the table below says what measures at each.",
                layout.name,
                layout.points().len()
            ),
        }));
        blocks.push(Block::Table(bound(layout)));
    }
    blocks
}

/// Which channels stand at which point.
fn bound(layout: &LayoutPlan) -> Table {
    let caption = format!("What measures where in {}", layout.name);
    let mut table = Table::new(caption, &["point", "channels"]);
    for (point, channels) in layout.points().into_iter().zip(&layout.channels) {
        let names: Vec<_> = channels.iter().map(ToString::to_string).collect();
        let names = if names.is_empty() {
            "a probe that is moved".to_owned()
        } else {
            names.join(", ")
        };
        table.row([point, names]);
    }
    table
}
