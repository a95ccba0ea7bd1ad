//! A work zone: the places of its probes from above and from the front, and their names.

use zonda_evaluate::zone::{Layout, WorkZone};

use crate::duct::as_f64;
use crate::ruler::Ruler;
use crate::sheet::{Align, At, Pen, Sheet};

const WIDTH: f64 = 1000.0;
/// Each view is drawn into this much.
const VIEW: At = (300.0, 300.0);
const TOP: f64 = 130.0;
const ROW: f64 = 18.0;
const TABLE_X: f64 = 40.0;
/// Columns of the table of places.
const COLUMNS: usize = 2;

/// Draws a zone's layout to scale.
pub fn zone(layout: &Layout, ruler: Ruler, notes: &[String]) -> String {
    let title = format!("Places in a work zone, {}", named(layout.zone(), ruler));
    let rows = layout.places().len().div_ceil(COLUMNS);
    let table = TOP + VIEW.1 + 110.0;
    let lines: usize = notes
        .iter()
        .map(|note| note.chars().count() / 130 + 1)
        .sum();
    let height = table + ROW * as_f64(rows + 2) + as_f64(lines) * 22.0 + 16.0;
    let mut sheet = Sheet::new((WIDTH, height), &title);
    sheet.bold((40.0, 46.0), 20.0, Align::Left, &title);
    let words = format!(
        "{} places. Coordinates run from the middle of the zone.",
        layout.places().len()
    );
    sheet.text((40.0, 72.0), 14.0, Align::Left, &words);
    let [width, depth, tall] = layout.zone().sizes();
    let scale = (VIEW.0 / width.max(depth)).min(VIEW.1 / depth.max(tall));
    let is_round = matches!(layout.zone(), WorkZone::Drum(_));
    let above = Face {
        name: "from above; the door is below",
        axes: (0, 1),
        size: (width, depth),
        is_round,
        middle: (260.0, TOP + VIEW.1 / 2.0),
        scale,
    };
    let front = Face {
        name: "from the front",
        axes: (0, 2),
        size: (width, tall),
        is_round: false,
        middle: (740.0, TOP + VIEW.1 / 2.0),
        scale,
    };
    for face in [above, front] {
        draw_face(&mut sheet, layout, &face, ruler);
    }
    table_of_places(&mut sheet, layout, ruler, table);
    let mut y = table + ROW * as_f64(rows + 2);
    for note in notes {
        y += sheet.paragraph((40.0, y), 13.0, WIDTH - 80.0, note) + 4.0;
    }
    sheet.finish()
}

fn named(zone: WorkZone, ruler: Ruler) -> String {
    let [width, depth, tall] = zone.sizes();
    match zone {
        WorkZone::Block(_) => format!(
            "{} wide, {} deep, {} high",
            ruler.say(width),
            ruler.say(depth),
            ruler.say(tall)
        ),
        WorkZone::Drum(_) => format!("{} across, {} high", ruler.say(width), ruler.say(tall)),
    }
}

/// One view.
#[derive(Clone, Copy, Debug)]
struct Face {
    name: &'static str,
    /// Which coordinates run to the right and up.
    axes: (usize, usize),
    size: At,
    is_round: bool,
    middle: At,
    scale: f64,
}

impl Face {
    fn at(&self, place: [f64; 3]) -> At {
        (
            self.middle.0 + place[self.axes.0] * self.scale,
            self.middle.1 - place[self.axes.1] * self.scale,
        )
    }
}

fn draw_face(sheet: &mut Sheet, layout: &Layout, face: &Face, ruler: Ruler) {
    let half = (
        face.size.0 / 2.0 * face.scale,
        face.size.1 / 2.0 * face.scale,
    );
    let (left, top) = (face.middle.0 - half.0, face.middle.1 - half.1);
    sheet.text((face.middle.0, TOP - 22.0), 13.0, Align::Middle, face.name);
    if face.is_round {
        sheet.circle(face.middle, half.0 + 1.5, Pen::Wall);
    } else {
        sheet.block(
            (left - 1.5, top - 1.5),
            (2.0 * half.0 + 3.0, 2.0 * half.1 + 3.0),
            Pen::Wall,
        );
    }
    let bottom = face.middle.1 + half.1 + 34.0;
    sheet.dimension(
        (left, bottom),
        (left + 2.0 * half.0, bottom),
        &ruler.say(face.size.0),
    );
    let side = left - 26.0;
    sheet.dimension(
        (side, top + 2.0 * half.1),
        (side, top),
        &ruler.say(face.size.1),
    );
    for (at, numbers) in together(layout, face) {
        sheet.dot(at, 4.5);
        sheet.label((at.0, at.1 - 9.0), 12.0, Align::Middle, &numbers);
    }
}

/// Places that a view shows at one spot share their numbers there.
fn together(layout: &Layout, face: &Face) -> Vec<(At, String)> {
    let mut spots: Vec<(At, Vec<usize>)> = Vec::new();
    for (index, place) in layout.places().iter().enumerate() {
        let at = face.at(place.at);
        let near = |spot: &&mut (At, Vec<usize>)| (spot.0.0 - at.0).hypot(spot.0.1 - at.1) < 6.0;
        match spots.iter_mut().find(near) {
            Some(spot) => spot.1.push(index + 1),
            None => spots.push((at, vec![index + 1])),
        }
    }
    spots
        .into_iter()
        .map(|(at, numbers)| (at, listed(&numbers)))
        .collect()
}

/// `1, 5` or, of many, `1, 5 … 21`.
fn listed(numbers: &[usize]) -> String {
    match numbers {
        [first, second, _, .., last] => format!("{first}, {second} … {last}"),
        few => few
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(", "),
    }
}

fn table_of_places(sheet: &mut Sheet, layout: &Layout, ruler: Ruler, y: f64) {
    let rows = layout.places().len().div_ceil(COLUMNS);
    let unit = ruler.unit();
    for (column, chunk) in layout.places().chunks(rows.max(1)).enumerate() {
        let x = TABLE_X + 480.0 * as_f64(column);
        for (words, dx) in [("right", 270.0), ("back", 340.0), ("up", 410.0)] {
            sheet.text((x + dx, y), 12.5, Align::Right, &format!("{words}, {unit}"));
        }
        for (row, place) in chunk.iter().enumerate() {
            let y = y + ROW * as_f64(row + 1);
            let number = column * rows + row + 1;
            sheet.bold((x + 20.0, y), 13.0, Align::Right, &number.to_string());
            sheet.text((x + 32.0, y), 13.0, Align::Left, &place.name);
            for (value, dx) in place.at.iter().zip([270.0, 340.0, 410.0]) {
                sheet.text((x + dx, y), 13.0, Align::Right, &signed(ruler, *value));
            }
        }
    }
}

/// With a true minus, and no sign at zero.
fn signed(ruler: Ruler, metres: f64) -> String {
    let number = ruler.number(metres.abs());
    let is_zero = number.chars().all(|c| c == '0' || c == '.');
    if metres < 0.0 && !is_zero {
        format!("−{number}")
    } else {
        number
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_evaluate::zone::Clearance;

    #[test]
    fn both_views_show_every_place_and_the_table_names_it() {
        let zone_of = WorkZone::block(1.2, 0.9, 1.0).unwrap();
        let layout = Layout::corners_and_centre(zone_of, Clearance::Tenth).unwrap();
        let text = zone(&layout, Ruler::Millimetre, &[]);
        // Nine places: four corners and the centre in either view.
        assert_eq!(text.matches("<circle cx=").count(), 10);
        assert!(text.contains(">1, 5</text>") && text.contains(">left front bottom</text>"));
        assert!(text.contains(">−480</text>") && text.contains(">1200 mm</text>"));
    }

    #[test]
    fn a_drum_is_round_from_above() {
        let layout = Layout::rings(WorkZone::drum(1.0, 2.0).unwrap(), 4, Clearance::Tenth).unwrap();
        let text = zone(&layout, Ruler::Inch, &["Mind the hot walls.".to_owned()]);
        assert!(text.contains("r=\"76.5\"") && text.contains("Mind the hot walls."));
    }
}
