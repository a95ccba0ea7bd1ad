//! A profile: what each point of a line measured, against how far in it stands.

use super::paper::{Axis, Paper};

const SIZE: (f64, f64) = (720.0, 260.0);
const LEFT: f64 = 56.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 50.0;

/// Points (insertion in mm, value) of one line with their names, from the wall inwards.
pub fn profile(title: &str, unit: &str, points: &[(f64, f64, String)]) -> String {
    let mut paper = Paper::new(SIZE, title);
    paper.text((20.0, 22.0), "start", 14.0, &format!("{title} [{unit}]"));
    let ends = |pick: fn(&(f64, f64, String)) -> f64| {
        let low = points.iter().map(pick).reduce(f64::min).unwrap_or(0.0);
        let high = points.iter().map(pick).reduce(f64::max).unwrap_or(1.0);
        (low, high)
    };
    let (_, far) = ends(|point| point.0);
    let (low, high) = ends(|point| point.1);
    let (across, up) = (
        Axis::over(0.0, far, 8.0),
        Axis::over(low.min(0.0), high, 5.0),
    );
    let x = |value| LEFT + across.share(value) * (SIZE.0 - LEFT - RIGHT);
    let y = |value| SIZE.1 - BOTTOM - up.share(value) * (SIZE.1 - TOP - BOTTOM);
    let thin = "stroke=\"#bbb\" stroke-width=\"0.6\"";
    for (value, words) in up.marks() {
        paper.line((LEFT, y(value)), (SIZE.0 - RIGHT, y(value)), thin);
        paper.text((LEFT - 6.0, y(value) + 4.0), "end", 11.0, &words);
    }
    for (value, words) in across.marks() {
        paper.line((x(value), TOP), (x(value), SIZE.1 - BOTTOM), thin);
        paper.text((x(value), SIZE.1 - BOTTOM + 16.0), "middle", 11.0, &words);
    }
    let words = "distance from the inner wall at the port, mm";
    paper.text(
        (f64::midpoint(SIZE.0, LEFT), SIZE.1 - 8.0),
        "middle",
        11.0,
        words,
    );
    let mut sorted: Vec<_> = points.iter().collect();
    sorted.sort_by(|one, two| one.0.total_cmp(&two.0));
    let spelled: Vec<_> = sorted
        .iter()
        .map(|point| format!("{:.1},{:.1}", x(point.0), y(point.1)))
        .collect();
    paper.raw(&format!(
        "<polyline points=\"{}\" fill=\"none\" stroke=\"#111\" stroke-width=\"1.2\"/>",
        spelled.join(" ")
    ));
    for point in sorted {
        paper.raw(&format!(
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\"/>",
            x(point.0),
            y(point.1)
        ));
        paper.text((x(point.0), y(point.1) - 9.0), "middle", 11.0, &point.2);
    }
    paper.finish()
}
