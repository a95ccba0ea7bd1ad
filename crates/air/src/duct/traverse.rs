//! A traverse: the points of one measuring plane, with the insertion at which the probe stands for each.
//!
//! Coordinates have their origin in the middle of the duct: x to the right, y up. A *line* is one way of the
//! probe through the duct: a diameter, a column of a rectangle, a ray of an annulus. Points are numbered
//! line by line, from the port inwards.

use std::f64::consts::PI;
use std::fmt;

use super::rule::{Rule, RuleError, as_f64};
use super::shape::{Annulus, Rectangle, Shape};
use crate::quantity::Length;

/// How many lines, and how many points on each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Diameters of a round duct, columns across the width of a rectangle, rays of an annulus. At least 1.
    pub lines: usize,
    /// Points on each line; even on a diameter or ray.
    pub per_line: usize,
}

/// One point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// From 1, in the order of measuring.
    pub number: usize,
    /// Its line, from 1.
    pub line: usize,
    /// To the right of the middle, m.
    pub x: f64,
    /// Above the middle, m.
    pub y: f64,
    /// From the inner wall at the port to the point, along the line, m: the mark on the probe.
    pub insertion: f64,
    /// To the nearest wall, m.
    pub clearance: f64,
    /// Share of the area that it stands for; all shares sum to 1.
    pub weight: f64,
    /// True where the rule wanted it nearer to the wall.
    pub moved: bool,
}

/// The points of one plane.
#[derive(Clone, Debug, PartialEq)]
pub struct Traverse {
    shape: Shape,
    rule: Rule,
    grid: Grid,
    points: Vec<Point>,
}

/// Why a traverse cannot be laid out.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum TraverseError {
    /// The rule refuses.
    #[error(transparent)]
    Rule(#[from] RuleError),
    /// No line or too many.
    #[error("a traverse has 1 to 50 lines, not {0}")]
    Lines(usize),
    /// The probe cannot keep so far from the walls.
    #[error(
        "points cannot keep {clearance} m from every wall of a duct that is {width} m wide; use a thinner probe"
    )]
    NoRoom {
        /// The clearance asked for, m.
        clearance: f64,
        /// The narrowest width, m.
        width: f64,
    },
}

/// What the reader of a result from this layout should know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Caution {
    /// One diameter or ray: right only if the profile is symmetric.
    OneLine,
    /// More or fewer points than the printed tables of the rule have.
    BeyondPrinted,
    /// Points were moved away from the wall.
    Moved,
    /// Equal areas read high on a turbulent profile, by 0.3 to 6.5 %.
    ReadsHigh,
}

impl Traverse {
    /// Lays `grid` out in `shape` by `rule`.
    ///
    /// # Errors
    /// [`TraverseError`] where the rule does not place so many points in such a duct.
    pub fn plan(shape: Shape, rule: Rule, grid: Grid) -> Result<Self, TraverseError> {
        if !(1..=50).contains(&grid.lines) {
            return Err(TraverseError::Lines(grid.lines));
        }
        let places = match shape {
            Shape::Circular(circle) => on_diameters(circle.diameter().si(), rule, grid)?,
            Shape::Rectangular(rectangle) => in_columns(rectangle, rule, grid)?,
            Shape::Annular(annulus) => on_rays(annulus, rule, grid)?,
        };
        let weight = 1.0 / as_f64(places.len());
        let points = places
            .into_iter()
            .enumerate()
            .map(|(index, (x, y, insertion))| Point {
                number: index + 1,
                line: index / grid.per_line + 1,
                x,
                y,
                insertion,
                clearance: clearance(shape, x, y),
                weight,
                moved: false,
            })
            .collect();
        Ok(Self {
            shape,
            rule,
            grid,
            points,
        })
    }

    /// The same traverse with every point that lies nearer to a wall than `min` (m) moved to that distance and
    /// marked. Points that fall together are each measured (US EPA Method 1, 11.3; [`super::site::wall_distance`]).
    ///
    /// # Errors
    /// [`TraverseError::NoRoom`] where the duct is too narrow.
    pub fn clear_of_walls(mut self, min: Length) -> Result<Self, TraverseError> {
        let width = narrowest(self.shape);
        if 2.0 * min.si() >= width {
            return Err(TraverseError::NoRoom {
                clearance: min.si(),
                width,
            });
        }
        let shape = self.shape;
        for point in self
            .points
            .iter_mut()
            .filter(|point| point.clearance < min.si())
        {
            move_inwards(shape, point, min.si());
        }
        Ok(self)
    }

    /// The duct's cross-section.
    pub const fn shape(&self) -> Shape {
        self.shape
    }

    /// The rule that placed the points.
    pub const fn rule(&self) -> Rule {
        self.rule
    }

    /// Lines and points on each.
    pub const fn grid(&self) -> Grid {
        self.grid
    }

    /// The points in the order of measuring. Never empty.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Weighted mean of one value a point, in the order of the points; `None` where the numbers of values and
    /// points differ.
    pub fn mean(&self, values: &[f64]) -> Option<f64> {
        (values.len() == self.points.len()).then(|| {
            self.points
                .iter()
                .zip(values)
                .map(|(point, value)| point.weight * value)
                .sum()
        })
    }

    /// What to say beside a result from this layout.
    pub fn cautions(&self) -> Vec<Caution> {
        let one_line = self.grid.lines == 1;
        let moved = self.points.iter().any(|point| point.moved);
        [
            (one_line, Caution::OneLine),
            (!self.is_printed(), Caution::BeyondPrinted),
            (moved, Caution::Moved),
            (self.rule == Rule::EqualArea, Caution::ReadsHigh),
        ]
        .into_iter()
        .filter_map(|(holds, caution)| holds.then_some(caution))
        .collect()
    }

    fn is_printed(&self) -> bool {
        let Grid { lines, per_line } = self.grid;
        match (self.shape, self.rule) {
            (Shape::Annular(_), Rule::LogTchebycheff | Rule::LogLinear) => false,
            (Shape::Rectangular(_), Rule::LogTchebycheff) => {
                (5..=7).contains(&lines) && (5..=7).contains(&per_line)
            }
            (_, Rule::EqualArea) => true,
            (_, Rule::LogTchebycheff) => matches!(per_line, 6 | 8 | 10),
            (_, Rule::LogLinear) => matches!(per_line, 4 | 6 | 8 | 10),
        }
    }

    /// By how much this layout's mean differs, relatively, from the true mean of a turbulent profile
    /// y^(1/`n`) (n = 7 in a long smooth duct; product of both sides in a rectangle, each half of an annulus
    /// scaled to its own wall). For the *integration* share of a flow's uncertainty in a settled flow; a disturbed
    /// flow has no such bound.
    ///
    /// Exact means: 2n²/((n+1)(2n+1)) in a circle, (n/(n+1))² in a rectangle, in closed form too in an annulus.
    pub fn power_law_error(&self, n: f64) -> f64 {
        let values: Vec<f64> = self
            .points
            .iter()
            .map(|point| power_law(self.shape, n, point.x, point.y))
            .collect();
        let mean = self.mean(&values).unwrap_or(f64::NAN);
        mean / power_law_mean(self.shape, n) - 1.0
    }
}

/// (x, y, insertion), m.
type Place = (f64, f64, f64);

fn on_diameters(diameter: f64, rule: Rule, grid: Grid) -> Result<Vec<Place>, RuleError> {
    let positions = rule.along_diameter(grid.per_line)?;
    let lines = (0..grid.lines).map(|line| PI * as_f64(line) / as_f64(grid.lines));
    Ok(lines
        .flat_map(|angle| {
            positions.iter().map(move |position| {
                // The port lies at the negative end, so that the first line enters from the left.
                let along = (position - 0.5) * diameter;
                (
                    along * angle.cos(),
                    along * angle.sin(),
                    position * diameter,
                )
            })
        })
        .collect())
}

fn in_columns(rectangle: Rectangle, rule: Rule, grid: Grid) -> Result<Vec<Place>, RuleError> {
    let (width, height) = (rectangle.width().si(), rectangle.height().si());
    let across = rule.along_side(grid.lines)?;
    let up = rule.along_side(grid.per_line)?;
    Ok(across
        .iter()
        .flat_map(|x| {
            up.iter()
                .map(move |y| ((x - 0.5) * width, (y - 0.5) * height, y * height))
        })
        .collect())
}

fn on_rays(annulus: Annulus, rule: Rule, grid: Grid) -> Result<Vec<Place>, RuleError> {
    let (outer, inner) = (annulus.outer().si() / 2.0, annulus.inner().si() / 2.0);
    let positions = rule.across_gap(grid.per_line, inner / outer)?;
    let rays = (0..grid.lines).map(|ray| 2.0 * PI * as_f64(ray) / as_f64(grid.lines));
    Ok(rays
        .flat_map(|angle| {
            positions.iter().map(move |position| {
                let insertion = position * (outer - inner);
                let radius = outer - insertion;
                (radius * angle.cos(), radius * angle.sin(), insertion)
            })
        })
        .collect())
}

fn clearance(shape: Shape, x: f64, y: f64) -> f64 {
    let radius = x.hypot(y);
    match shape {
        Shape::Circular(circle) => circle.diameter().si() / 2.0 - radius,
        Shape::Rectangular(rectangle) => {
            (rectangle.width().si() / 2.0 - x.abs()).min(rectangle.height().si() / 2.0 - y.abs())
        }
        Shape::Annular(annulus) => {
            (annulus.outer().si() / 2.0 - radius).min(radius - annulus.inner().si() / 2.0)
        }
    }
}

/// The narrowest way between two walls.
pub(super) fn narrowest(shape: Shape) -> f64 {
    match shape {
        Shape::Rectangular(rectangle) => rectangle.width().si().min(rectangle.height().si()),
        _ => shape.depth().si(),
    }
}

fn move_inwards(shape: Shape, point: &mut Point, min: f64) {
    let (x, y) = match shape {
        Shape::Circular(circle) => to_radius(point, circle.diameter().si() / 2.0 - min),
        Shape::Annular(annulus) => {
            let (outer, inner) = (annulus.outer().si() / 2.0, annulus.inner().si() / 2.0);
            let radius = point.x.hypot(point.y).clamp(inner + min, outer - min);
            to_radius(point, radius)
        }
        Shape::Rectangular(rectangle) => {
            let (right, top) = (
                rectangle.width().si() / 2.0 - min,
                rectangle.height().si() / 2.0 - min,
            );
            (point.x.clamp(-right, right), point.y.clamp(-top, top))
        }
    };
    let along = match shape {
        Shape::Circular(circle) => {
            let radius = x.hypot(y);
            let half = circle.diameter().si() / 2.0;
            if point.insertion < half {
                half - radius
            } else {
                half + radius
            }
        }
        Shape::Annular(annulus) => annulus.outer().si() / 2.0 - x.hypot(y),
        Shape::Rectangular(rectangle) => y + rectangle.height().si() / 2.0,
    };
    *point = Point {
        x,
        y,
        insertion: along,
        clearance: clearance(shape, x, y),
        moved: true,
        ..*point
    };
}

fn to_radius(point: &Point, radius: f64) -> (f64, f64) {
    let scale = radius / point.x.hypot(point.y);
    (point.x * scale, point.y * scale)
}

/// Velocity over its maximum at (x, y).
fn power_law(shape: Shape, n: f64, x: f64, y: f64) -> f64 {
    let law = |share: f64| share.max(0.0).powf(1.0 / n);
    match shape {
        Shape::Circular(circle) => law(1.0 - 2.0 * x.hypot(y) / circle.diameter().si()),
        Shape::Rectangular(rectangle) => {
            law(1.0 - 2.0 * x.abs() / rectangle.width().si())
                * law(1.0 - 2.0 * y.abs() / rectangle.height().si())
        }
        Shape::Annular(annulus) => law(share_of_half(annulus, x.hypot(y))),
    }
}

/// Distance from the nearer half's wall over that half's width; the halves have equal areas.
fn share_of_half(annulus: Annulus, radius: f64) -> f64 {
    let (outer, inner) = (annulus.outer().si() / 2.0, annulus.inner().si() / 2.0);
    let middle = f64::midpoint(outer * outer, inner * inner).sqrt();
    if radius > middle {
        (outer - radius) / (outer - middle)
    } else {
        (radius - inner) / (middle - inner)
    }
}

fn power_law_mean(shape: Shape, n: f64) -> f64 {
    match shape {
        Shape::Circular(_) => 2.0 * n * n / ((n + 1.0) * (2.0 * n + 1.0)),
        Shape::Rectangular(_) => (n / (n + 1.0)).powi(2),
        Shape::Annular(annulus) => {
            // ∫ u 2r dr over each half, with u = t^(1/n) and r = r_wall ∓ δ t.
            let (outer, inner) = (annulus.outer().si() / 2.0, annulus.inner().si() / 2.0);
            let middle = f64::midpoint(outer * outer, inner * inner).sqrt();
            let half = |wall: f64, width: f64, sign: f64| {
                2.0 * width * (wall * n / (n + 1.0) + sign * width * n / (2.0 * n + 1.0))
            };
            (half(outer, outer - middle, -1.0) + half(inner, middle - inner, 1.0))
                / (outer * outer - inner * inner)
        }
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::OneLine => {
                "measured on one line only: right only if the flow is symmetric; on a skewed profile a second line is needed to see it"
            }
            Self::BeyondPrinted => {
                "the number of points lies beyond the printed tables of the rule; positions follow our own derivation"
            }
            Self::Moved => "points were moved away from the wall, where the rule wanted them nearer",
            Self::ReadsHigh => {
                "equal areas read high on a turbulent profile, by 0.3 % (20 points on a diameter) to 6.5 % (3 x 3 in a rectangle)"
            }
        })
    }
}
