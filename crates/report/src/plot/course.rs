//! A channel over the run.

use jiff::Timestamp;
use zonda_model::Stamp;

use super::paper::{Axis, Paper};

/// A course over time. Times are true UTC; values in the unit named.
#[derive(Clone, Debug)]
pub struct Course {
    /// What it shows.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// From when to when.
    pub range: (Stamp, Stamp),
    /// Means by time: (time, low, mean, high); a break is where none is.
    pub points: Vec<Option<(Stamp, f64, f64, f64)>>,
    /// Where samples are missing.
    pub gaps: Vec<(Stamp, Stamp)>,
    /// Where there are samples, and all of them are faults.
    pub faults: Vec<(Stamp, Stamp)>,
    /// Stretches to mark.
    pub marks: Vec<Mark>,
    /// Courses of others beside it, as thin lines: (time, value); a break is where none is.
    pub beside: Vec<Vec<Option<(Stamp, f64)>>>,
}

/// A stretch that is marked on a plot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// From when to when.
    pub range: (Stamp, Stamp),
    /// What it is.
    pub name: String,
}

const WIDTH: f64 = 720.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 12.0;
/// Room for the title; below it each mark has a row of its own.
const TITLE: f64 = 24.0;
const ROW: f64 = 14.0;
const BOTTOM: f64 = 20.0;

impl Course {
    /// The drawing as wide as a page, so many units high.
    pub fn svg(&self, height: f64) -> String {
        self.drawn((WIDTH, height))
    }

    /// The drawing for half the width, at the same size of type. Neighbours are told as one point, where
    /// both are there: nothing narrower than that can be seen, and extremes stay.
    pub fn small_svg(&self) -> String {
        let halved = Self {
            points: halved(&self.points),
            ..self.clone()
        };
        halved.drawn((WIDTH / 2.0, 120.0))
    }

    fn drawn(&self, size: (f64, f64)) -> String {
        let title = format!("{} [{}]", self.name, self.unit);
        let mut paper = Paper::new(size, &title);
        paper.raw("<defs><pattern id=\"hatch\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\" stroke=\"#777\" stroke-width=\"1.6\"/></pattern><pattern id=\"dots\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\"><circle cx=\"3.5\" cy=\"3.5\" r=\"1.2\" fill=\"#777\"/></pattern></defs>");
        paper.text((LEFT, 14.0), "start", 13.0, &title);
        let axis = self.axis();
        let frame = Frame {
            range: self.range,
            axis,
            size,
            top: self.top(),
        };
        hatch(&mut paper, &frame, &self.gaps, "hatch");
        hatch(&mut paper, &frame, &self.faults, "dots");
        scale(&mut paper, &frame);
        clock(&mut paper, &frame);
        self.others(&mut paper, &frame);
        self.lines(&mut paper, &frame);
        self.marks(&mut paper, &frame);
        paper.finish()
    }

    /// Where the field of the plot begins.
    fn top(&self) -> f64 {
        let rows = u16::try_from(self.marks.len()).unwrap_or(u16::MAX);
        TITLE + f64::from(rows) * ROW
    }

    fn axis(&self) -> Axis {
        let points = || self.points.iter().flatten();
        let beside = || self.beside.iter().flatten().flatten().map(|point| point.1);
        let low = points().map(|point| point.1).chain(beside());
        let low = low.reduce(f64::min);
        let high = points().map(|point| point.3).chain(beside());
        let high = high.reduce(f64::max);
        Axis::over(low.unwrap_or(0.0), high.unwrap_or(1.0), 3.0)
    }

    fn others(&self, paper: &mut Paper, frame: &Frame) {
        for other in &self.beside {
            for piece in other.split(Option::is_none) {
                let points = piece.iter().flatten();
                let points: Vec<_> = points.map(|point| frame.at(point.0, point.1)).collect();
                if points.len() > 1 {
                    paper.raw(&format!(
                        "<polyline points=\"{}\" fill=\"none\" stroke=\"#555\" stroke-width=\"0.6\"/>",
                        spelled(&points)
                    ));
                }
            }
        }
    }

    fn lines(&self, paper: &mut Paper, frame: &Frame) {
        for piece in self.points.split(Option::is_none) {
            let piece: Vec<_> = piece.iter().flatten().collect();
            let Some(first) = piece.first() else { continue };
            let upper = piece.iter().map(|point| frame.at(point.0, point.3));
            let lower = piece.iter().rev().map(|point| frame.at(point.0, point.1));
            let band: Vec<_> = upper.chain(lower).collect();
            if band.iter().any(|(_, y)| (y - band[0].1).abs() > 0.05) {
                paper.raw(&format!(
                    "<polygon points=\"{}\" fill=\"#c4c4c4\"/>",
                    spelled(&band)
                ));
            }
            let mean: Vec<_> = piece
                .iter()
                .map(|point| frame.at(point.0, point.2))
                .collect();
            if mean.len() == 1 {
                let (x, y) = frame.at(first.0, first.2);
                paper.raw(&format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.5\"/>"));
            }
            paper.raw(&format!(
                "<polyline points=\"{}\" fill=\"none\" stroke=\"#111\" stroke-width=\"1.1\"/>",
                spelled(&mean)
            ));
        }
    }

    fn marks(&self, paper: &mut Paper, frame: &Frame) {
        let mut y = TITLE + 2.0;
        for mark in &self.marks {
            let (left, right) = (frame.x(mark.range.0), frame.x(mark.range.1));
            for x in [left, right] {
                let style = "stroke=\"#111\" stroke-width=\"0.8\" stroke-dasharray=\"5 3\"";
                paper.line((x, y), (x, frame.size.1 - BOTTOM), style);
            }
            let bar = "stroke=\"#111\" stroke-width=\"2.4\"";
            paper.line((left, y), (right, y), bar);
            // Beside the bar, where there is more room.
            if frame.size.0 - right > left {
                paper.text((right + 4.0, y + 4.0), "start", 11.0, &mark.name);
            } else {
                paper.text((left - 4.0, y + 4.0), "end", 11.0, &mark.name);
            }
            y += ROW;
        }
    }
}

/// Fills stretches of time with a pattern.
fn hatch(paper: &mut Paper, frame: &Frame, stretches: &[(Stamp, Stamp)], pattern: &str) {
    for (from, to) in stretches {
        let (left, right) = (frame.x(*from), frame.x(*to));
        paper.raw(&format!(
            "<rect x=\"{left:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"url(#{pattern})\"/>",
            frame.top,
            (right - left).max(1.0),
            frame.size.1 - frame.top - BOTTOM
        ));
    }
}

/// Where times and values lie.
struct Frame {
    range: (Stamp, Stamp),
    axis: Axis,
    /// Width and height of the drawing.
    size: (f64, f64),
    /// Where the field begins.
    top: f64,
}

impl Frame {
    fn x(&self, at: Stamp) -> f64 {
        let whole = (self.range.1.seconds() - self.range.0.seconds()).max(1e-9);
        let share = (at.seconds() - self.range.0.seconds()) / whole;
        LEFT + share.clamp(0.0, 1.0) * (self.size.0 - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        let room = self.size.1 - self.top - BOTTOM;
        self.size.1 - BOTTOM - self.axis.share(value).clamp(0.0, 1.0) * room
    }

    fn at(&self, time: Stamp, value: f64) -> (f64, f64) {
        (self.x(time), self.y(value))
    }
}

fn scale(paper: &mut Paper, frame: &Frame) {
    for (value, words) in frame.axis.marks() {
        let y = frame.y(value);
        let style = "stroke=\"#bbb\" stroke-width=\"0.6\"";
        paper.line((LEFT, y), (frame.size.0 - RIGHT, y), style);
        paper.text((LEFT - 5.0, y + 4.0), "end", 11.0, &words);
    }
}

/// Marks on round times of day.
fn clock(paper: &mut Paper, frame: &Frame) {
    /// From a second to a day.
    const STEPS: [i64; 14] = [
        1, 5, 10, 30, 60, 300, 600, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200, 86_400,
    ];
    let (from, to) = (frame.range.0.micros(), frame.range.1.micros());
    let span = (to - from) / 1_000_000;
    // One more mark than these is one too many.
    let most = if frame.size.0 < WIDTH { 5 } else { 9 };
    let step = STEPS.into_iter().find(|step| span / step <= most);
    let step = step.unwrap_or_else(|| (span / most / 86_400 + 1) * 86_400) * 1_000_000;
    let mut at = from.div_euclid(step) * step;
    while at <= to {
        if at >= from {
            let x = frame.x(Stamp::from_micros(at));
            let style = "stroke=\"#bbb\" stroke-width=\"0.6\"";
            paper.line((x, frame.top), (x, frame.size.1 - BOTTOM), style);
            let words = words(at, step);
            paper.text((x, frame.size.1 - 6.0), "middle", 11.0, &words);
        }
        at += step;
    }
}

fn words(at: i64, step: i64) -> String {
    let pattern = match step / 1_000_000 {
        ..60 => "%H:%M:%S",
        60..43_200 => "%H:%M",
        _ => "%m-%d %H:%M",
    };
    Timestamp::from_microsecond(at)
        .map_or_else(|_| String::new(), |at| at.strftime(pattern).to_string())
}

/// Neighbours as one, but where one of them is missing.
fn halved(points: &[Option<(Stamp, f64, f64, f64)>]) -> Vec<Option<(Stamp, f64, f64, f64)>> {
    let pairs = points.chunks(2);
    pairs
        .flat_map(|pair| match pair {
            [Some(one), Some(two)] => vec![Some((
                Stamp::from_micros(i64::midpoint(one.0.micros(), two.0.micros())),
                one.1.min(two.1),
                f64::midpoint(one.2, two.2),
                one.3.max(two.3),
            ))],
            others => others.to_vec(),
        })
        .collect()
}

fn spelled(points: &[(f64, f64)]) -> String {
    let spelled = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}"));
    spelled.collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn second(s: i64) -> Stamp {
        Stamp::from_millis(s * 1000)
    }

    fn course() -> Course {
        let point = |s: i64| Some((second(s), 1.0, 2.0, 3.0));
        Course {
            name: "a <b> & c".to_owned(),
            unit: "m/s".to_owned(),
            range: (second(0), second(100)),
            points: vec![point(10), point(20), None, point(60), point(70)],
            gaps: vec![(second(30), second(50))],
            faults: vec![(second(80), second(100))],
            marks: vec![Mark {
                range: (second(10), second(70)),
                name: "soak".to_owned(),
            }],
            beside: Vec::new(),
        }
    }

    #[test]
    fn a_gap_is_a_break_and_hatched() {
        let svg = course().svg(130.0);
        assert_eq!(
            svg.matches("<polyline").count(),
            2,
            "no line runs over a gap"
        );
        assert_eq!(svg.matches("url(#hatch)").count(), 1);
        assert_eq!(svg.matches("url(#dots)").count(), 1);
        assert!(svg.contains(">soak</text>") && svg.contains("a &lt;b> &amp; c"));
    }

    #[test]
    fn half_the_width_keeps_breaks_and_extremes() {
        let svg = course().small_svg();
        assert_eq!(svg.matches("<polygon").count(), 2);
        let mut points = course().points;
        points.splice(
            0..2,
            [
                Some((second(10), -9.0, 2.0, 3.0)),
                Some((second(20), 1.0, 2.0, 9.0)),
            ],
        );
        let pair = halved(&points)[0];
        assert_eq!(pair.map(|point| (point.1, point.3)), Some((-9.0, 9.0)));
        assert_eq!(
            halved(&points)
                .iter()
                .filter(|point| point.is_none())
                .count(),
            1
        );
    }

    #[test]
    fn a_course_without_numbers_is_drawn_empty() {
        let empty = Course {
            points: vec![None, None],
            ..course()
        };
        let svg = empty.svg(130.0);
        assert!(!svg.contains("<polyline") && !svg.contains("NaN"));
    }
}
