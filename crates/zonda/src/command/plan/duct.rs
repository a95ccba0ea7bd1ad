//! `zonda plan duct`

use anyhow::{bail, ensure};
use clap::{Args, ValueEnum};
use comfy_table::{Cell, CellAlignment, Table};
use serde_json::json;
use zonda_air::Length;
use zonda_air::duct::site::{grid_for, usual_grid, wall_distance};
use zonda_air::duct::{Blockage, Grid, Rule, Shape, Site, SiteError, Traverse};
use zonda_draw::{DuctDrawing, Ruler};

use super::fit::{self, Expected, Fit};
use super::{Out, Planned, csv_of, sentences, wrong_use};
use crate::amount;
use crate::command::air::section::SectionArgs;
use crate::exit::Exit;
use crate::sheet::trimmed;

/// Plan a traverse: how many points, where, and what to mark on the probe.
///
/// Round, rectangular or annular. State the straight duct before and after the plane, and the number of points follows
/// US EPA Method 1; without it the rule's usual number is taken. Distances run from the inner wall at the port.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda plan duct --diameter \"400 mm\" --upstream \"3.5 m\" --downstream \"1 m\" --port \"60 mm\" --svg duct.svg\n  \
    zonda plan duct --width \"1.2 m\" --height \"0.8 m\" --rule equal-area --points 20\n  \
    zonda plan duct --outer \"600 mm\" --inner \"300 mm\" --lines 4 --per-line 6\n  \
    zonda plan duct --diameter \"16 in\" --upstream \"8 D\" --downstream \"2 D\" --probe \"0.25 in\" --units us")]
pub(crate) struct Duct {
    #[command(flatten)]
    section: SectionArgs,
    /// The rule that places the points.
    #[arg(long, value_enum, default_value_t = By::LogTchebycheff)]
    rule: By,
    /// Straight duct from the last disturbance to the plane: a length, or diameters as "8 D".
    #[arg(long, value_parser = straight, requires = "downstream")]
    upstream: Option<Straight>,
    /// Straight duct from the plane to the next disturbance or the end.
    #[arg(long, value_parser = straight, requires = "upstream")]
    downstream: Option<Straight>,
    /// How many points in all; the rule may need a few more to fill its lines.
    #[arg(long, conflicts_with_all = ["lines", "per_line"])]
    points: Option<usize>,
    /// Diameters of a round duct, columns of a rectangular one, rays of an annular one.
    #[arg(long, requires = "per_line")]
    lines: Option<usize>,
    /// Points on each line.
    #[arg(long, requires = "lines")]
    per_line: Option<usize>,
    /// Diameter of the probe's stem: how much of the duct it blocks is noted.
    #[arg(long, value_parser = amount::length)]
    probe: Option<Length>,
    /// How far the probe reaches into the duct.
    #[arg(long, value_parser = amount::length)]
    reach: Option<Length>,
    /// From the inner wall to the outer end of the port: added to each mark on the probe.
    #[arg(long, value_parser = amount::length)]
    port: Option<Length>,
    /// Keep the points this far from walls. By default the equal-area rule keeps the distance of US EPA Method 1.
    #[arg(long, value_parser = amount::length)]
    clearance: Option<Length>,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    out: Out,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum By {
    /// ISO 3966, EN 12599, ASHRAE 111.
    LogTchebycheff,
    /// ISO 3966; round and annular ducts.
    LogLinear,
    /// US EPA Method 1.
    EqualArea,
}

/// Straight duct as stated.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Straight {
    Of(Length),
    Diameters(f64),
}

fn straight(text: &str) -> Result<Straight, String> {
    if let Some(number) = text.trim().strip_suffix('D') {
        let number = number
            .trim()
            .parse()
            .map_err(|_| format!("`{text}` is no number of diameters; write `8 D`"))?;
        return Ok(Straight::Diameters(number));
    }
    amount::length(text).map(Straight::Of)
}

impl Straight {
    fn diameters(self, shape: Shape) -> f64 {
        match self {
            Self::Of(length) => length.si() / shape.hydraulic_diameter().si(),
            Self::Diameters(diameters) => diameters,
        }
    }
}

/// What to mind where the work is done.
const CAUTIONS: [&str; 5] = [
    "The duct and what comes out of an open port are hot. Gloves, eyes, and never a face before a port under pressure.",
    "Exhaust may carry solvent vapour. No drilling, no sparks and no probe that is not made for it where it can; ask whoever is responsible for the permit.",
    "A port at height needs a platform or scaffold with rails, not a ladder, and somebody below.",
    "Fans start by themselves. Lock them out while you drill and while hands are at the port.",
    "Seal the gap around the probe: a leaking port under suction draws room air onto the first points.",
];

impl Duct {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let fit = self.expected.find()?;
        match self.plan(fit.as_ref()) {
            Ok(planned) => {
                self.out.hand_over(&planned)?;
                Ok(Exit::Done)
            }
            Err(error) => Ok(wrong_use(&error)),
        }
    }

    fn plan(&self, fit: Option<&Fit>) -> anyhow::Result<Planned> {
        let shape = self.section.must()?;
        let site = self.site(shape)?;
        let (points_min, mut notes) = points_min(shape, site)?;
        let traverse = self.traverse(shape, points_min)?;
        self.must_reach(&traverse)?;
        notes.extend(self.notes(&traverse)?);
        if traverse.points().len() < points_min {
            notes.push(format!("That is fewer than the {points_min} points that US EPA Method 1 asks for at this plane."));
        }
        let drawing = DuctDrawing {
            ruler: self.out.ruler(),
            port: self.port,
            // A drawing goes to the port; it does not speak of the command line.
            notes: notes
                .iter()
                .filter(|note| !note.contains("--"))
                .cloned()
                .chain([CAUTIONS.join(" ")])
                .collect(),
        };
        let mut text = self.text(&traverse, site, &notes);
        if let Some(fit) = fit {
            text.push_str("\n\n");
            text.push_str(&fit.text());
        }
        Ok(Planned {
            text,
            json: self.json(&traverse, site, points_min, &notes, fit),
            csv: self.csv(&traverse),
            svg: zonda_draw::duct(&traverse, &drawing),
        })
    }

    fn site(&self, shape: Shape) -> anyhow::Result<Option<Site>> {
        let (Some(upstream), Some(downstream)) = (self.upstream, self.downstream) else {
            return Ok(None);
        };
        Ok(Some(Site::new(
            upstream.diameters(shape),
            downstream.diameters(shape),
        )?))
    }

    fn rule(&self) -> Rule {
        match self.rule {
            By::LogTchebycheff => Rule::LogTchebycheff,
            By::LogLinear => Rule::LogLinear,
            By::EqualArea => Rule::EqualArea,
        }
    }

    fn grid(&self, shape: Shape, points_min: usize) -> Grid {
        if let (Some(lines), Some(per_line)) = (self.lines, self.per_line) {
            return Grid { lines, per_line };
        }
        if let Some(points) = self.points {
            return grid_for(shape, points);
        }
        let usual = usual_grid(shape, self.rule());
        let is_enough = usual.lines * usual.per_line >= points_min;
        // Equal areas take exactly what the site asks for; the others have grids of their own.
        if self.rule() == Rule::EqualArea && points_min > 1 || !is_enough {
            grid_for(shape, points_min)
        } else {
            usual
        }
    }

    fn traverse(&self, shape: Shape, points_min: usize) -> anyhow::Result<Traverse> {
        ensure!(
            self.points != Some(0),
            "a traverse without points measures nothing"
        );
        let traverse = Traverse::plan(shape, self.rule(), self.grid(shape, points_min))?;
        let clearance = match (self.clearance, self.rule) {
            (Some(clearance), _) => Some(clearance),
            (None, By::EqualArea) => Some(wall_distance(shape)),
            (None, _) => None,
        };
        Ok(match clearance {
            Some(clearance) => traverse.clear_of_walls(clearance)?,
            None => traverse,
        })
    }

    fn must_reach(&self, traverse: &Traverse) -> anyhow::Result<()> {
        let depth = traverse.shape().depth();
        if let (Some(reach), None) = (self.reach, self.probe) {
            let deepest = traverse
                .points()
                .iter()
                .map(|point| point.insertion)
                .fold(0.0, f64::max);
            if deepest > reach.si() {
                let ruler = self.out.ruler();
                bail!(
                    "the probe reaches {} and the deepest point lies at {}, of a duct {} deep; use a longer probe, or measure from both sides",
                    ruler.say(reach.si()),
                    ruler.say(deepest),
                    ruler.say(depth.si())
                );
            }
        }
        Ok(())
    }

    /// What to know beside the table.
    fn notes(&self, traverse: &Traverse) -> anyhow::Result<Vec<String>> {
        let mut notes: Vec<String> = traverse
            .cautions()
            .iter()
            .map(|caution| sentence(&caution.to_string()))
            .collect();
        let error = traverse.power_law_error(7.0) * 100.0;
        notes.push(format!("On a settled turbulent profile (1/7 power) the mean of these points is off by {error:+.2} %; a disturbed flow has no such bound."));
        if let Some(stem) = self.probe {
            let reach = self.reach.unwrap_or(traverse.shape().depth());
            let most = Blockage::along(traverse, stem, reach)?
                .into_iter()
                .map(Blockage::ratio)
                .fold(0.0, f64::max);
            let verdict = if most > Blockage::NOTICEABLE {
                "correct the velocities for it, and say so in the report"
            } else {
                "small enough to leave uncorrected"
            };
            notes.push(format!(
                "At the deepest point the stem blocks {:.1} % of the duct: {verdict}.",
                most * 100.0
            ));
        }
        Ok(notes)
    }

    fn text(&self, traverse: &Traverse, site: Option<Site>, notes: &[String]) -> String {
        let ruler = self.out.ruler();
        let Grid { lines, per_line } = traverse.grid();
        let mut heading = format!(
            "{} points in a duct ({}) by the {} rule: {lines} × {per_line}",
            traverse.points().len(),
            shape_words(traverse.shape(), ruler),
            traverse.rule().word()
        );
        if let Some(site) = site {
            heading = format!("{heading}, {site}");
        }
        let table = trimmed(&self.table(traverse).to_string());
        format!("{heading}\n\n{table}\n{}", sentences(notes, &CAUTIONS))
    }

    fn table(&self, traverse: &Traverse) -> Table {
        let ruler = self.out.ruler();
        let unit = ruler.unit();
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        let mut header = vec![
            "point".to_owned(),
            "line".to_owned(),
            format!("inside, {unit}"),
        ];
        if self.port.is_some() {
            header.push(format!("mark, {unit}"));
        }
        header.extend([
            format!("x, {unit}"),
            format!("y, {unit}"),
            "weight".to_owned(),
            String::new(),
        ]);
        table.set_header(header);
        for point in traverse.points() {
            let mut cells = vec![
                point.number.to_string(),
                point.line.to_string(),
                ruler.number(point.insertion),
            ];
            if let Some(port) = self.port {
                cells.push(ruler.number(point.insertion + port.si()));
            }
            cells.extend([
                ruler.number(point.x),
                ruler.number(point.y),
                format!("{:.4}", point.weight),
                if point.moved {
                    "moved".to_owned()
                } else {
                    String::new()
                },
            ]);
            table.add_row(
                cells
                    .into_iter()
                    .map(|cell| Cell::new(cell).set_alignment(CellAlignment::Right)),
            );
        }
        table
    }

    fn json(
        &self,
        traverse: &Traverse,
        site: Option<Site>,
        points_min: usize,
        notes: &[String],
        fit: Option<&Fit>,
    ) -> serde_json::Value {
        let unit = self.out.ruler().unit();
        let length = |metres: f64| unit.from_si(metres);
        let points: Vec<_> = traverse
            .points()
            .iter()
            .map(|point| {
                json!({
                    "point": point.number, "line": point.line,
                    "x": length(point.x), "y": length(point.y),
                    "inside": length(point.insertion),
                    "mark": self.port.map(|port| length(point.insertion + port.si())),
                    "weight": point.weight, "moved": point.moved,
                })
            })
            .collect();
        json!({
            "shape": traverse.shape().word(),
            "area_m2": traverse.shape().area().si(),
            "hydraulic_diameter_m": traverse.shape().hydraulic_diameter().si(),
            "rule": traverse.rule().word(),
            "lines": traverse.grid().lines, "per_line": traverse.grid().per_line,
            "upstream_diameters": site.map(Site::upstream), "downstream_diameters": site.map(Site::downstream),
            "points_min": site.map(|_| points_min),
            "unit": unit.symbol(), "points": points,
            "power_law_error": traverse.power_law_error(7.0),
            "notes": notes, "cautions": CAUTIONS,
            "meters": fit.map(fit::Fit::json),
        })
    }

    fn csv(&self, traverse: &Traverse) -> String {
        let unit = self.out.ruler().unit();
        let length = |metres: f64| format!("{:.4}", unit.from_si(metres));
        let header = format!("point,line,x_{unit},y_{unit},inside_{unit},mark_{unit},weight,moved");
        csv_of(
            &header,
            traverse.points().iter().map(|point| {
                let mark = self
                    .port
                    .map(|port| length(point.insertion + port.si()))
                    .unwrap_or_default();
                format!(
                    "{},{},{},{},{},{mark},{:.6},{}",
                    point.number,
                    point.line,
                    length(point.x),
                    length(point.y),
                    length(point.insertion),
                    point.weight,
                    point.moved
                )
            }),
        )
    }
}

fn shape_words(shape: Shape, ruler: Ruler) -> String {
    match shape {
        Shape::Circular(circle) => format!("round, {}", ruler.say(circle.diameter().si())),
        Shape::Rectangular(rectangle) => format!(
            "rectangular, {} × {}",
            ruler.say(rectangle.width().si()),
            ruler.say(rectangle.height().si())
        ),
        Shape::Annular(annulus) => format!(
            "annular, {} outside {}",
            ruler.say(annulus.outer().si()),
            ruler.say(annulus.inner().si())
        ),
    }
}

/// The fewest points by the site, or 1; a small duct is measured all the same, and told.
fn points_min(shape: Shape, site: Option<Site>) -> anyhow::Result<(usize, Vec<String>)> {
    let Some(site) = site else {
        let note = "No straight lengths were stated: the rule's usual number of points is taken. State --upstream and --downstream, and US EPA Method 1 says how many the plane needs.";
        return Ok((1, vec![note.to_owned()]));
    };
    match site.points_min(shape) {
        Ok(count) => Ok((
            count,
            vec![format!(
                "With {site} US EPA Method 1 asks for at least {count} points."
            )],
        )),
        Err(small @ SiteError::TooSmall(_)) => Ok((1, vec![format!("Note: {small}.")])),
        Err(error) => Err(error.into()),
    }
}

/// With a capital and a full stop.
fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first: String = chars
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .collect();
    format!("{first}{}.", chars.as_str().trim_end_matches('.'))
}
