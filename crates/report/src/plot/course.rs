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
}

/// A stretch that is marked on a plot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// From when to when.
    pub range: (Stamp, Stamp),
    /// What it is.
    pub name: String,
}

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 20.0;

impl Course {
    /// The drawing, so many units high.
    pub fn svg(&self, height: f64) -> String {
        let title = format!("{} [{}]", self.name, self.unit);
        let mut paper = Paper::new((WIDTH, height), &title);
        paper.raw("<defs><pattern id=\"hatch\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\" stroke=\"#777\" stroke-width=\"1.6\"/></pattern><pattern id=\"dots\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\"><circle cx=\"3.5\" cy=\"3.5\" r=\"1.2\" fill=\"#777\"/></pattern></defs>");
        paper.text((LEFT, 14.0), "start", 13.0, &title);
        let axis = self.axis();
        let frame = Frame {
            range: self.range,
            axis,
            height,
        };
        hatch(&mut paper, &frame, &self.gaps, "hatch");
        hatch(&mut paper, &frame, &self.faults, "dots");
        scale(&mut paper, &frame);
        clock(&mut paper, &frame);
        self.lines(&mut paper, &frame);
        self.marks(&mut paper, &frame);
        paper.finish()
    }

    fn axis(&self) -> Axis {
        let points = || self.points.iter().flatten();
        let low = points().map(|point| point.1).reduce(f64::min);
        let high = points().map(|point| point.3).reduce(f64::max);
        Axis::over(low.unwrap_or(0.0), high.unwrap_or(1.0), 3.0)
    }

    fn lines(&self, paper: &mut Paper, frame: &Frame) {
        for piece in self.points.split(Option::is_none) {
            let piece: Vec<_> = piece.iter().flatten().collect();
            let Some(first) = piece.first() else { continue };
            let upper = piece.iter().map(|point| frame.at(point.0, point.3));
            let lower = piece.iter().rev().map(|point| frame.at(point.0, point.1));
            let band: Vec<_> = upper.chain(lower).collect();
            paper.raw(&format!(
                "<polygon points=\"{}\" fill=\"#c4c4c4\"/>",
                spelled(&band)
            ));
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
        for mark in &self.marks {
            let (left, right) = (frame.x(mark.range.0), frame.x(mark.range.1));
            for x in [left, right] {
                let style = "stroke=\"#111\" stroke-width=\"0.8\" stroke-dasharray=\"5 3\"";
                paper.line((x, TOP - 6.0), (x, frame.height - BOTTOM), style);
            }
            let bar = "stroke=\"#111\" stroke-width=\"2.4\"";
            paper.line((left, TOP - 4.0), (right, TOP - 4.0), bar);
            let middle = f64::midpoint(left, right);
            paper.text((middle, TOP - 9.0), "middle", 11.0, &mark.name);
        }
    }
}

/// Fills stretches of time with a pattern.
fn hatch(paper: &mut Paper, frame: &Frame, stretches: &[(Stamp, Stamp)], pattern: &str) {
    for (from, to) in stretches {
        let (left, right) = (frame.x(*from), frame.x(*to));
        paper.raw(&format!(
            "<rect x=\"{left:.1}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"url(#{pattern})\"/>",
            (right - left).max(1.0),
            frame.height - TOP - BOTTOM
        ));
    }
}

/// Where times and values lie.
struct Frame {
    range: (Stamp, Stamp),
    axis: Axis,
    height: f64,
}

impl Frame {
    fn x(&self, at: Stamp) -> f64 {
        let whole = (self.range.1.seconds() - self.range.0.seconds()).max(1e-9);
        let share = (at.seconds() - self.range.0.seconds()) / whole;
        LEFT + share.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        let room = self.height - TOP - BOTTOM;
        self.height - BOTTOM - self.axis.share(value).clamp(0.0, 1.0) * room
    }

    fn at(&self, time: Stamp, value: f64) -> (f64, f64) {
        (self.x(time), self.y(value))
    }
}

fn scale(paper: &mut Paper, frame: &Frame) {
    for (value, words) in frame.axis.marks() {
        let y = frame.y(value);
        let style = "stroke=\"#bbb\" stroke-width=\"0.6\"";
        paper.line((LEFT, y), (WIDTH - RIGHT, y), style);
        paper.text((LEFT - 5.0, y + 4.0), "end", 11.0, &words);
    }
}

/// Marks on round times of day.
fn clock(paper: &mut Paper, frame: &Frame) {
    /// From a second to a day; the ninth mark is one too many.
    const STEPS: [i64; 14] = [
        1, 5, 10, 30, 60, 300, 600, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200, 86_400,
    ];
    let (from, to) = (frame.range.0.micros(), frame.range.1.micros());
    let span = (to - from) / 1_000_000;
    let step = STEPS.into_iter().find(|step| span / step <= 9);
    let step = step.unwrap_or_else(|| (span / 9 / 86_400 + 1) * 86_400) * 1_000_000;
    let mut at = from.div_euclid(step) * step;
    while at <= to {
        if at >= from {
            let x = frame.x(Stamp::from_micros(at));
            let style = "stroke=\"#bbb\" stroke-width=\"0.6\"";
            paper.line((x, TOP), (x, frame.height - BOTTOM), style);
            let words = words(at, step);
            paper.text((x, frame.height - 6.0), "middle", 11.0, &words);
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
    fn a_course_without_numbers_is_drawn_empty() {
        let empty = Course {
            points: vec![None, None],
            ..course()
        };
        let svg = empty.svg(130.0);
        assert!(!svg.contains("<polyline") && !svg.contains("NaN"));
    }
}
