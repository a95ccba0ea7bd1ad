//! A traverse: the section seen with the flow, and the marks on the probe.

use zonda_air::Length;
use zonda_air::duct::traverse::Point;
use zonda_air::duct::{Shape, Traverse};

use crate::ruler::Ruler;
use crate::sheet::{Align, At, Pen, Sheet};

/// What stands on a drawing of a duct beside the traverse.
#[derive(Clone, Debug, Default)]
pub struct DuctDrawing {
    /// Lengths in millimetres or inches.
    pub ruler: Ruler,
    /// From the inner wall to the outer end of the port: it is added to every mark on the probe.
    pub port: Option<Length>,
    /// Sentences below the drawing.
    pub notes: Vec<String>,
}

const WIDTH: f64 = 1000.0;
/// The section is drawn into this block.
const VIEW: (At, f64) = ((110.0, 120.0), 400.0);
const TABLE_X: f64 = 600.0;
const TABLE_Y: f64 = 135.0;
const ROW: f64 = 19.0;
/// Rows of one column of the table of marks.
const ROWS: usize = 22;

/// Draws a traverse to scale.
pub fn duct(traverse: &Traverse, drawing: &DuctDrawing) -> String {
    let ruler = drawing.ruler;
    let title = format!("Traverse of {}", named(traverse.shape(), ruler));
    let mut sheet = Sheet::new((WIDTH, height(traverse, drawing)), &title);
    sheet.bold((40.0, 46.0), 20.0, Align::Left, &title);
    sheet.text((40.0, 72.0), 14.0, Align::Left, &sub_title(traverse));
    let view = View::of(traverse.shape());
    walls(&mut sheet, traverse.shape(), &view, ruler);
    ways(&mut sheet, traverse, &view);
    points(&mut sheet, traverse, &view);
    scale(&mut sheet, &view, ruler);
    marks(&mut sheet, traverse, drawing);
    let mut y = VIEW.0.1 + VIEW.1 + 150.0;
    y = y.max(TABLE_Y + 80.0 + ROW * rows(traverse));
    for note in &drawing.notes {
        y += sheet.paragraph((40.0, y), 13.0, WIDTH - 80.0, note) + 4.0;
    }
    sheet.finish()
}

fn rows(traverse: &Traverse) -> f64 {
    as_f64(traverse.grid().per_line.min(ROWS))
}

fn height(traverse: &Traverse, drawing: &DuctDrawing) -> f64 {
    let body = (VIEW.0.1 + VIEW.1 + 150.0).max(TABLE_Y + 80.0 + ROW * rows(traverse));
    // Room for sentences of up to 142 letters a line.
    let lines: usize = drawing
        .notes
        .iter()
        .map(|note| note.chars().count() / 130 + 1)
        .sum();
    body + as_f64(lines) * 18.0 + as_f64(drawing.notes.len()) * 4.0 + 16.0
}

fn named(shape: Shape, ruler: Ruler) -> String {
    match shape {
        Shape::Circular(circle) => {
            format!("a round duct, {} inside", ruler.say(circle.diameter().si()))
        }
        Shape::Rectangular(rectangle) => format!(
            "a rectangular duct, {} × {} inside",
            ruler.say(rectangle.width().si()),
            ruler.say(rectangle.height().si())
        ),
        Shape::Annular(annulus) => format!(
            "an annular duct, {} outside {}",
            ruler.say(annulus.outer().si()),
            ruler.say(annulus.inner().si())
        ),
    }
}

fn sub_title(traverse: &Traverse) -> String {
    let grid = traverse.grid();
    let lines = match (traverse.shape(), grid.lines) {
        (Shape::Circular(_), 1) => "diameter",
        (Shape::Circular(_), _) => "diameters",
        (Shape::Rectangular(_), 1) => "column",
        (Shape::Rectangular(_), _) => "columns",
        (Shape::Annular(_), 1) => "ray",
        (Shape::Annular(_), _) => "rays",
    };
    format!(
        "{} points of equal weight by the {} rule: {} {lines} of {}. Seen with the flow.",
        traverse.points().len(),
        traverse.rule().word(),
        grid.lines,
        grid.per_line
    )
}

/// From the duct's middle, in m, to the sheet.
#[derive(Clone, Copy, Debug)]
struct View {
    middle: At,
    /// Units of the sheet per m.
    scale: f64,
    /// Half the width and height, m.
    half: (f64, f64),
}

impl View {
    fn of(shape: Shape) -> Self {
        let half = match shape {
            Shape::Circular(circle) => (circle.diameter().si() / 2.0, circle.diameter().si() / 2.0),
            Shape::Annular(annulus) => (annulus.outer().si() / 2.0, annulus.outer().si() / 2.0),
            Shape::Rectangular(rectangle) => {
                (rectangle.width().si() / 2.0, rectangle.height().si() / 2.0)
            }
        };
        let ((x, y), size) = VIEW;
        Self {
            middle: (x + size / 2.0, y + size / 2.0),
            scale: size / (2.0 * half.0.max(half.1)),
            half,
        }
    }

    fn at(&self, x: f64, y: f64) -> At {
        (
            self.middle.0 + x * self.scale,
            self.middle.1 - y * self.scale,
        )
    }
}

fn walls(sheet: &mut Sheet, shape: Shape, view: &View, ruler: Ruler) {
    // A wall's line lies outside the inner face, where the distances begin.
    let line = 1.5;
    match shape {
        Shape::Circular(circle) => sheet.circle(
            view.middle,
            circle.diameter().si() / 2.0 * view.scale + line,
            Pen::Wall,
        ),
        Shape::Annular(annulus) => {
            sheet.circle(
                view.middle,
                annulus.outer().si() / 2.0 * view.scale + line,
                Pen::Wall,
            );
            sheet.circle(
                view.middle,
                annulus.inner().si() / 2.0 * view.scale - line,
                Pen::Wall,
            );
        }
        Shape::Rectangular(_) => {
            let (x, y) = view.at(-view.half.0, view.half.1);
            let size = (
                2.0 * view.half.0 * view.scale,
                2.0 * view.half.1 * view.scale,
            );
            sheet.block(
                (x - line, y - line),
                (size.0 + 2.0 * line, size.1 + 2.0 * line),
                Pen::Wall,
            );
        }
    }
    let bottom = view.at(0.0, -view.half.1).1 + 66.0;
    let (left, right) = (view.at(-view.half.0, 0.0).0, view.at(view.half.0, 0.0).0);
    sheet.dimension(
        (left, bottom),
        (right, bottom),
        &ruler.say(2.0 * view.half.0),
    );
    if let Shape::Rectangular(_) = shape {
        let x = left - 44.0;
        sheet.dimension(
            (x, view.at(0.0, -view.half.1).1),
            (x, view.at(0.0, view.half.1).1),
            &ruler.say(2.0 * view.half.1),
        );
    }
}

/// The ways of the probe, each with its port and number.
fn ways(sheet: &mut Sheet, traverse: &Traverse, view: &View) {
    let per_line = traverse.grid().per_line;
    for line in traverse.points().chunks(per_line) {
        let (Some(first), Some(last)) = (line.first(), line.last()) else {
            continue;
        };
        let (from, to) = way(traverse.shape(), first, last);
        let (start, end) = (view.at(from.0, from.1), view.at(to.0, to.1));
        sheet.line(start, end, Pen::Way);
        let (dx, dy) = outwards(start, end);
        let tip = (start.0 + 3.0 * dx, start.1 + 3.0 * dy);
        sheet.port(tip, (tip.0 + dx, tip.1 + dy));
        if traverse.grid().lines > 1 {
            let at = (start.0 + 26.0 * dx, start.1 + 26.0 * dy + 5.0);
            sheet.bold(at, 14.0, Align::Middle, &letter(first.line));
        }
    }
}

/// The unit vector from `end` to `start`.
fn outwards(start: At, end: At) -> At {
    let (dx, dy) = (start.0 - end.0, start.1 - end.1);
    let length = dx.hypot(dy).max(1e-9);
    (dx / length, dy / length)
}

/// From the wall at the port to the wall on the other side, m.
fn way(shape: Shape, first: &Point, last: &Point) -> (At, At) {
    match shape {
        Shape::Circular(circle) => {
            let radius = circle.diameter().si() / 2.0;
            let scale = radius / last.x.hypot(last.y);
            let end = (last.x * scale, last.y * scale);
            ((-end.0, -end.1), end)
        }
        Shape::Rectangular(rectangle) => {
            let half = rectangle.height().si() / 2.0;
            ((first.x, -half), (first.x, half))
        }
        Shape::Annular(annulus) => {
            let radius = first.x.hypot(first.y);
            let to = |wall: f64| (first.x * wall / radius, first.y * wall / radius);
            (
                to(annulus.outer().si() / 2.0),
                to(annulus.inner().si() / 2.0),
            )
        }
    }
}

fn points(sheet: &mut Sheet, traverse: &Traverse, view: &View) {
    let is_tight = traverse.points().len() > 30;
    let (dot, letters) = if is_tight { (3.5, 11.0) } else { (4.5, 12.5) };
    for point in traverse.points() {
        let at = view.at(point.x, point.y);
        sheet.dot(at, dot);
        sheet.label(
            beside(traverse, point, at),
            letters,
            Align::Middle,
            &point.number.to_string(),
        );
    }
}

/// Where a point's number stands: beside its line, in turn on either side, so that neighbours stay apart.
fn beside(traverse: &Traverse, point: &Point, at: At) -> At {
    let side = if point.number.is_multiple_of(2) {
        1.0
    } else {
        -1.0
    };
    let (x, y) = match traverse.shape() {
        // The last column has a wall on its right.
        Shape::Rectangular(_) if point.line == traverse.grid().lines => (-13.0, 0.0),
        Shape::Rectangular(_) => (13.0, 0.0),
        Shape::Circular(_) | Shape::Annular(_) => {
            let radius = point.x.hypot(point.y).max(1e-12);
            (
                side * 13.0 * point.y / radius,
                side * 13.0 * point.x / radius,
            )
        }
    };
    (at.0 + x, at.1 + y + 4.0)
}

fn scale(sheet: &mut Sheet, view: &View, ruler: Ruler) {
    let length = ruler.round_part(2.0 * view.half.0.max(view.half.1));
    let y = view.at(0.0, -view.half.1).1 + 112.0;
    let x = view.middle.0 - length * view.scale / 2.0;
    sheet.dimension((x, y), (x + length * view.scale, y), &ruler.say(length));
}

/// The marks on the probe: point by point, how far it goes in.
fn marks(sheet: &mut Sheet, traverse: &Traverse, drawing: &DuctDrawing) {
    let per_line = traverse.grid().per_line;
    let first: Vec<&Point> = traverse.points().iter().take(per_line).collect();
    sheet.bold(
        (TABLE_X, TABLE_Y - 34.0),
        15.0,
        Align::Left,
        "Marks on the probe, from its tip",
    );
    for (column, chunk) in first.chunks(ROWS).enumerate() {
        let x = TABLE_X + 190.0 * as_f64(column);
        heading(sheet, x, drawing);
        for (row, point) in chunk.iter().enumerate() {
            mark(
                sheet,
                (x, TABLE_Y + ROW * as_f64(row + 1)),
                traverse,
                point,
                drawing,
            );
        }
    }
    let y = TABLE_Y + ROW * (rows(traverse) + 2.0);
    let words = match drawing.port {
        Some(port) => format!(
            "The port counts {} from the inner wall to its outer end.",
            drawing.ruler.say(port.si())
        ),
        None => "From the inner wall at the port ▲; add the wall and the port's length.".to_owned(),
    };
    sheet.paragraph((TABLE_X, y), 12.5, 340.0, &words);
}

fn heading(sheet: &mut Sheet, x: f64, drawing: &DuctDrawing) {
    let unit = drawing.ruler.unit();
    sheet.text((x, TABLE_Y - 4.0), 12.5, Align::Left, "points");
    sheet.text(
        (x + 160.0, TABLE_Y - 4.0),
        12.5,
        Align::Right,
        &format!("inside, {unit}"),
    );
    if drawing.port.is_some() {
        sheet.text(
            (x + 250.0, TABLE_Y - 4.0),
            12.5,
            Align::Right,
            &format!("mark, {unit}"),
        );
    }
}

fn mark(sheet: &mut Sheet, at: At, traverse: &Traverse, point: &Point, drawing: &DuctDrawing) {
    let (x, y) = at;
    let per_line = traverse.grid().per_line;
    let same: Vec<String> = (0..traverse.grid().lines.min(4))
        .map(|line| (point.number + line * per_line).to_string())
        .collect();
    let more = if traverse.grid().lines > 4 {
        ", …"
    } else {
        ""
    };
    let moved = if point.moved { " *" } else { "" };
    sheet.text(
        (x, y),
        13.0,
        Align::Left,
        &format!("{}{more}", same.join(", ")),
    );
    let inside = format!("{}{moved}", drawing.ruler.number(point.insertion));
    sheet.bold((x + 160.0, y), 13.0, Align::Right, &inside);
    if let Some(port) = drawing.port {
        let outside = drawing.ruler.number(point.insertion + port.si());
        sheet.bold((x + 250.0, y), 13.0, Align::Right, &outside);
    }
}

/// A, B, C … for lines.
fn letter(line: usize) -> String {
    let letters = ('A'..='Z').nth(line.saturating_sub(1));
    letters.map_or_else(|| line.to_string(), |letter| letter.to_string())
}

#[expect(clippy::cast_precision_loss, reason = "counts of rows and points")]
pub(crate) fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_air::duct::{Grid, Rule};
    use zonda_model::Unit;

    fn mm(value: f64) -> Length {
        Length::new(value, Unit::Millimetre).unwrap()
    }

    fn drawn(shape: Shape, grid: Grid) -> (Traverse, String) {
        let traverse = Traverse::plan(shape, Rule::EqualArea, grid).unwrap();
        let drawing = DuctDrawing {
            port: Some(mm(60.0)),
            ..DuctDrawing::default()
        };
        let text = duct(&traverse, &drawing);
        (traverse, text)
    }

    #[test]
    fn every_point_is_drawn_to_scale() {
        let (traverse, text) = drawn(
            Shape::circular(mm(400.0)),
            Grid {
                lines: 2,
                per_line: 6,
            },
        );
        // 400 mm are 400 units of the sheet: a point 59.2 mm inside lies so far from the wall at x = 110.
        let first = traverse.points()[0];
        assert_eq!(text.matches("<circle cx=").count(), 1 + 12);
        let x = 110.0 + first.insertion * 1000.0;
        assert!(
            text.contains(&format!("<circle cx=\"{x:.2}\" cy=\"320\"")),
            "{x}"
        );
    }

    /// US EPA Method 1, table 1-2: 4.4 % of the diameter for the first of six points; and 60 mm of port.
    #[test]
    fn marks_are_those_of_the_table_and_the_port() {
        let (_, text) = drawn(
            Shape::circular(mm(1000.0)),
            Grid {
                lines: 2,
                per_line: 6,
            },
        );
        assert!(text.contains(">44</text>") && text.contains(">104</text>"));
    }

    #[test]
    fn every_shape_has_its_lines_and_ports() {
        let annulus = Shape::annular(mm(600.0), mm(300.0)).unwrap();
        let (_, text) = drawn(
            annulus,
            Grid {
                lines: 4,
                per_line: 4,
            },
        );
        assert_eq!(text.matches("<path d=").count(), 4);
        let (_, text) = drawn(
            Shape::rectangular(mm(1200.0), mm(800.0)),
            Grid {
                lines: 4,
                per_line: 3,
            },
        );
        assert_eq!(text.matches("<path d=").count(), 4);
        assert!(text.contains(">1200 mm</text>") && text.contains(">800 mm</text>"));
    }
}
