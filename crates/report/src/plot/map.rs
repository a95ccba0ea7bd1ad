//! Places with their values: by number, and by a grey that grows darker with the value.

use super::paper::{Axis, Paper, escaped};

/// A place with its value.
#[derive(Clone, Debug, PartialEq)]
pub struct Dot {
    /// What it is called.
    pub name: String,
    /// To the right and up, m.
    pub at: (f64, f64),
    /// Its value, where it has one.
    pub value: Option<f64>,
}

const WIDTH: f64 = 720.0;
const MARGIN: f64 = 70.0;
/// The most room for the places themselves.
const ROOM: (f64, f64) = (WIDTH - 2.0 * MARGIN, 300.0);

/// The places to scale. Numbers carry `decimals`; from the lowest (light) to the highest (dark).
pub fn map(title: &str, unit: &str, dots: &[Dot], decimals: usize) -> String {
    let values = || dots.iter().filter_map(|dot| dot.value);
    let low = values().reduce(f64::min).unwrap_or(0.0);
    let high = values().reduce(f64::max).unwrap_or(low);
    let spot = Spot::of(dots);
    let height = spot.height + 2.0 * MARGIN;
    let mut paper = Paper::new((WIDTH, height), title);
    paper.text((20.0, 24.0), "start", 14.0, &format!("{title} [{unit}]"));
    for dot in dots {
        let (x, y) = spot.at(dot.at);
        let share = dot.value.map(|value| share(value, low, high));
        let (fill, ink) = shade(share);
        paper.raw(&format!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"27\" fill=\"{fill}\" stroke=\"#111\" stroke-width=\"1\"/>"
        ));
        let words = dot
            .value
            .map_or_else(|| "none".to_owned(), |value| format!("{value:.decimals$}"));
        paper.raw(&format!(
            "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"14\" font-weight=\"600\" fill=\"{ink}\">{}</text>",
            y + 5.0,
            escaped(&words)
        ));
        paper.text((x, y + 42.0), "middle", 11.0, &dot.name);
    }
    paper.text(
        (20.0, height - 14.0),
        "start",
        11.0,
        &format!("The darker, the higher: from {low:.decimals$} to {high:.decimals$} {unit}."),
    );
    paper.finish()
}

fn share(value: f64, low: f64, high: f64) -> f64 {
    if high > low {
        Axis {
            low,
            high,
            step: 1.0,
        }
        .share(value)
    } else {
        0.0
    }
}

/// Fill and ink, with enough contrast at every shade; a blue that prints as a grey of the same depth.
fn shade(share: Option<f64>) -> (String, &'static str) {
    let Some(share) = share else {
        return ("#fff".to_owned(), "#111");
    };
    let lightness = 94.0 - 58.0 * share;
    let ink = if lightness < 60.0 { "#fff" } else { "#111" };
    (format!("hsl(215 45% {lightness:.0}%)"), ink)
}

/// Where places lie on the paper.
struct Spot {
    middle: (f64, f64),
    scale: f64,
    height: f64,
}

impl Spot {
    fn of(dots: &[Dot]) -> Self {
        let ends = |pick: fn(&Dot) -> f64| {
            let low = dots.iter().map(pick).reduce(f64::min).unwrap_or(0.0);
            let high = dots.iter().map(pick).reduce(f64::max).unwrap_or(0.0);
            (low, high)
        };
        let (x, y) = (ends(|dot| dot.at.0), ends(|dot| dot.at.1));
        let size = ((x.1 - x.0).max(1e-6), (y.1 - y.0).max(1e-6));
        let scale = (ROOM.0 / size.0).min(ROOM.1 / size.1);
        Self {
            middle: (f64::midpoint(x.0, x.1), f64::midpoint(y.0, y.1)),
            scale,
            height: size.1 * scale,
        }
    }

    fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (
            WIDTH / 2.0 + (x - self.middle.0) * self.scale,
            MARGIN + self.height / 2.0 - (y - self.middle.1) * self.scale,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_place_shows_its_number_and_stands_to_scale() {
        let dot = |name: &str, x, value| Dot {
            name: name.to_owned(),
            at: (x, 0.0),
            value,
        };
        let dots = [
            dot("left", -0.5, Some(190.0)),
            dot("middle", 0.0, None),
            dot("right", 0.5, Some(200.0)),
        ];
        let svg = map("zone 1", "°C", &dots, 1);
        assert!(svg.contains(">190.0</text>") && svg.contains(">none</text>"));
        assert!(
            svg.contains("cx=\"70.0\"")
                && svg.contains("cx=\"360.0\"")
                && svg.contains("cx=\"650.0\"")
        );
        assert!(
            svg.contains("hsl(215 45% 36%)"),
            "the highest is the darkest"
        );
    }
}
