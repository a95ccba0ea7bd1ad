//! Results by place: a zone as a map by number and shade, a duct as a map and a profile.

use zonda_assess::{Outcome, Point};

use crate::document::{Block, Figure};
use crate::plot::{Dot, map, profile};

pub(super) fn blocks(outcome: &Outcome) -> Vec<Block> {
    let Some(layout) = &outcome.layout else {
        return Vec::new();
    };
    let unit = outcome
        .inputs
        .first()
        .map_or("", |input| input.unit.as_str());
    let is_duct = layout.kind == "duct";
    let mut blocks = Vec::new();
    if is_duct {
        let title = format!("{}, seen with the flow", layout.name);
        blocks.extend(drawn(&title, unit, &layout.points, (0, 1)));
        blocks.extend(profiles(&layout.name, unit, &layout.points));
    } else {
        for (view, axes) in [
            ("from above, the door below", (0, 1)),
            ("from the front", (0, 2)),
        ] {
            let title = format!("{}, {view}", layout.name);
            blocks.extend(drawn(&title, unit, &layout.points, axes));
        }
    }
    blocks
}

/// A view, where no two places fall together in it.
fn drawn(title: &str, unit: &str, points: &[Point], axes: (usize, usize)) -> Option<Block> {
    let dot = |point: &Point| {
        let along = |axis: usize| point.at.get(axis).copied().unwrap_or(0.0);
        Dot {
            name: point.name.clone(),
            at: (along(axes.0), along(axes.1)),
            value: point.mean,
        }
    };
    let dots: Vec<_> = points.iter().map(dot).collect();
    let near = |one: &Dot, two: &Dot| (one.at.0 - two.at.0).hypot(one.at.1 - two.at.1) < 1e-6;
    let is_clear = dots
        .iter()
        .enumerate()
        .all(|(index, one)| !dots[..index].iter().any(|two| near(one, two)));
    let is_there = dots.iter().any(|dot| dot.value.is_some());
    (is_clear && is_there).then(|| {
        let told = dots.iter().map(|dot| match dot.value {
            Some(value) => format!("{} {value:.2} {unit}", dot.name),
            None => format!("{} none", dot.name),
        });
        Block::Figure(Figure {
            svg: map(title, unit, &dots, 2),
            caption: format!("{title}: the mean at each place, by number and by shade."),
            alt: format!("Map of {title}: {}.", told.collect::<Vec<_>>().join(", ")),
        })
    })
}

/// A profile along each line of a duct's traverse: points that the probe reaches one after the other.
fn profiles(name: &str, unit: &str, points: &[Point]) -> Vec<Block> {
    let mut lines: Vec<Vec<(f64, f64, String)>> = Vec::new();
    let mut last = f64::INFINITY;
    for point in points {
        let Some(insertion) = point.insertion else {
            continue;
        };
        // Insertion begins anew with each line.
        if insertion <= last {
            lines.push(Vec::new());
        }
        last = insertion;
        if let (Some(line), Some(mean)) = (lines.last_mut(), point.mean) {
            line.push((insertion * 1000.0, mean, point.name.clone()));
        }
    }
    let drawn = (1..).zip(lines).filter(|(_, line)| line.len() > 1);
    drawn
        .map(|(number, line)| {
            let title = format!("{name}: profile along line {number}");
            let told = line.iter().map(|(insertion, mean, point)| {
                format!("point {point} at {insertion:.0} mm {mean:.2} {unit}")
            });
            Block::Figure(Figure {
                alt: format!("Plot of {title}: {}.", told.collect::<Vec<_>>().join(", ")),
                caption: format!(
                    "{title}: the mean at each point against its distance from the wall."
                ),
                svg: profile(&title, unit, &line),
            })
        })
        .collect()
}
