//! `zonda plan zone`

use anyhow::bail;
use clap::{Args, ValueEnum};
use comfy_table::{Cell, CellAlignment, Table};
use serde_json::json;
use zonda_air::Length;
use zonda_evaluate::zone::{Clearance, Layout, WorkZone, suggestions};

use super::fit::{self, Expected, Fit};
use super::{Out, Planned, csv_of, sentences, wrong_use};
use crate::amount;
use crate::exit::Exit;
use crate::sheet::trimmed;

/// Plan the places of probes in an oven's work zone.
///
/// The number follows the zone's volume as standards suggest (figures from memory: hold them against your edition).
/// Places keep a tenth of each size from the zone's boundary, 50 mm at least, unless --clearance says otherwise.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda plan zone --width \"1.2 m\" --depth \"0.9 m\" --height \"1 m\" --svg zone.svg\n  \
    zonda plan zone --diameter \"1 m\" --height \"2 m\" --layout rings --ring 4\n  \
    zonda plan zone --width \"4 ft\" --depth \"3 ft\" --height \"3 ft\" --layout grid --counts 3x2x2 --units us")]
pub(crate) struct Zone {
    /// Width of a block-shaped work zone.
    #[arg(long, value_parser = amount::length, requires = "depth", conflicts_with = "diameter")]
    width: Option<Length>,
    /// Its depth, from the door.
    #[arg(long, value_parser = amount::length, requires = "width")]
    depth: Option<Length>,
    /// Diameter of an upright round work zone, in place of width and depth.
    #[arg(long, value_parser = amount::length)]
    diameter: Option<Length>,
    /// Height.
    #[arg(long, value_parser = amount::length)]
    height: Length,
    /// How the places are laid out; by the zone's volume without it.
    #[arg(long, value_enum)]
    layout: Option<Laid>,
    /// Places along width, depth and height of a grid.
    #[arg(long, value_parser = counts, default_value = "3x3x3")]
    counts: [usize; 3],
    /// Places on each of three rings.
    #[arg(long, default_value_t = 4)]
    ring: usize,
    /// How far the outer places keep from the zone's boundary.
    #[arg(long, value_parser = amount::length)]
    clearance: Option<Length>,
    #[command(flatten)]
    expected: Expected,
    #[command(flatten)]
    out: Out,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Laid {
    /// Eight corners and the centre: 9.
    Corners,
    /// And the middles of the walls: 15.
    Walls,
    /// The middles of equal parts.
    Grid,
    /// Rings at bottom, middle and top, and the centre.
    Rings,
}

const CAUTIONS: [&str; 4] = [
    "Lay probes and cables in the cold oven, with the burner and the fans locked out. Nobody goes in alone.",
    "Surfaces stay hot for hours after the burner is off. Know the cable's limit as well as the probe's.",
    "Solvent vapour may stand in the work zone. Purge as the oven's papers say before you open or enter it.",
    "Keep probes out of the radiation of burners and heaters, or shield them: it is read as air temperature.",
];

fn counts(text: &str) -> Result<[usize; 3], String> {
    let numbers: Vec<usize> = text
        .split(['x', '×'])
        .filter_map(|part| part.trim().parse().ok())
        .collect();
    numbers
        .try_into()
        .map_err(|_| format!("`{text}` is no grid; write three numbers such as `3x2x2`"))
}

impl Zone {
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

    fn zone(&self) -> anyhow::Result<WorkZone> {
        Ok(match (self.width, self.depth, self.diameter) {
            (Some(width), Some(depth), None) => {
                WorkZone::block(width.si(), depth.si(), self.height.si())?
            }
            (None, None, Some(diameter)) => WorkZone::drum(diameter.si(), self.height.si())?,
            _ => bail!(
                "say how large the work zone is: --width, --depth and --height, or --diameter and --height"
            ),
        })
    }

    fn places(&self, zone: WorkZone) -> anyhow::Result<Layout> {
        let clearance = self
            .clearance
            .map_or(Clearance::Tenth, |clearance| Clearance::Of(clearance.si()));
        let by_volume = match suggestions(zone.volume()).first() {
            Some(suggestion) if suggestion.count > 9 => Laid::Walls,
            _ => Laid::Corners,
        };
        Ok(match self.layout.unwrap_or(by_volume) {
            Laid::Corners => Layout::corners_and_centre(zone, clearance)?,
            Laid::Walls => Layout::corners_walls_and_centre(zone, clearance)?,
            Laid::Grid => Layout::grid(zone, self.counts)?,
            Laid::Rings => Layout::rings(zone, self.ring, clearance)?,
        })
    }

    fn plan(&self, fit: Option<&Fit>) -> anyhow::Result<Planned> {
        let zone = self.zone()?;
        let layout = self.places(zone)?;
        let notes = notes(zone, &layout);
        let mut text = self.text(&layout, &notes);
        if let Some(fit) = fit {
            text.push_str("\n\n");
            text.push_str(&fit.text());
        }
        let drawn: Vec<String> = notes.iter().cloned().chain([CAUTIONS.join(" ")]).collect();
        Ok(Planned {
            text,
            json: self.json(&layout, &notes, fit),
            csv: self.csv(&layout),
            svg: zonda_draw::zone(&layout, self.out.ruler(), &drawn),
        })
    }

    fn text(&self, layout: &Layout, notes: &[String]) -> String {
        let ruler = self.out.ruler();
        let unit = ruler.unit();
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        table.set_header([
            "place",
            "name",
            &format!("right, {unit}"),
            &format!("back, {unit}"),
            &format!("up, {unit}"),
        ]);
        for (index, place) in layout.places().iter().enumerate() {
            let right = |text: String| Cell::new(text).set_alignment(CellAlignment::Right);
            let [x, y, z] = place.at.map(|metres| right(ruler.number(metres)));
            table.add_row([
                right((index + 1).to_string()),
                Cell::new(&place.name),
                x,
                y,
                z,
            ]);
        }
        let [width, depth, height] = layout.zone().sizes().map(|metres| ruler.say(metres));
        let size = match layout.zone() {
            WorkZone::Block(_) => format!("{width} wide, {depth} deep, {height} high"),
            WorkZone::Drum(_) => format!("{width} across, {height} high"),
        };
        format!(
            "{} places in a work zone ({size}), from its middle\n\n{}\n{}",
            layout.places().len(),
            trimmed(&table.to_string()),
            sentences(notes, &CAUTIONS)
        )
    }

    fn json(&self, layout: &Layout, notes: &[String], fit: Option<&Fit>) -> serde_json::Value {
        let unit = self.out.ruler().unit();
        let places: Vec<_> = layout
            .places()
            .iter()
            .enumerate()
            .map(|(index, place)| {
                let [right, back, up] = place.at.map(|metres| unit.from_si(metres));
                json!({ "place": index + 1, "name": place.name, "right": right, "back": back, "up": up })
            })
            .collect();
        let suggested: Vec<_> = suggestions(layout.zone().volume())
            .into_iter()
            .map(|suggestion| json!({ "count": suggestion.count, "source": suggestion.source }))
            .collect();
        json!({
            "volume_m3": layout.zone().volume(), "sizes_m": layout.zone().sizes(),
            "unit": unit.symbol(), "places": places, "suggestions": suggested,
            "notes": notes, "cautions": CAUTIONS,
            "meters": fit.map(fit::Fit::json),
        })
    }

    fn csv(&self, layout: &Layout) -> String {
        let unit = self.out.ruler().unit();
        let header = format!("place,name,right_{unit},back_{unit},up_{unit}");
        csv_of(
            &header,
            layout.places().iter().enumerate().map(|(index, place)| {
                let [right, back, up] = place
                    .at
                    .map(|metres| format!("{:.4}", unit.from_si(metres)));
                format!("{},{},{right},{back},{up}", index + 1, place.name)
            }),
        )
    }
}

fn notes(zone: WorkZone, layout: &Layout) -> Vec<String> {
    let suggested: Vec<String> = suggestions(zone.volume())
        .into_iter()
        .map(|suggestion| format!("{} by {}", suggestion.count, suggestion.source))
        .collect();
    let mut notes = vec![format!(
        "{:.3} m³: {}.",
        zone.volume(),
        suggested.join(", ")
    )];
    if layout.centre().is_some() {
        notes.push("Put one more probe beside the sensor that controls the oven: the difference between the two is the first question of every report.".to_owned());
    }
    notes
}
