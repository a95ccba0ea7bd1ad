//! What all plots share: elements, escaping, axes with round numbers.

use std::fmt::Write as _;

/// A drawing under way.
pub(super) struct Paper {
    size: (f64, f64),
    title: String,
    body: String,
}

impl Paper {
    pub(super) fn new(size: (f64, f64), title: &str) -> Self {
        Self {
            size,
            title: title.to_owned(),
            body: String::new(),
        }
    }

    pub(super) fn raw(&mut self, element: &str) {
        self.body.push_str(element);
        self.body.push('\n');
    }

    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), style: &str) {
        let _ = writeln!(
            self.body,
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" {style}/>",
            from.0, from.1, to.0, to.1
        );
    }

    pub(super) fn text(&mut self, at: (f64, f64), anchor: &str, size: f64, text: &str) {
        let _ = writeln!(
            self.body,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" font-size=\"{size}\">{}</text>",
            at.0,
            at.1,
            escaped(text)
        );
    }

    pub(super) fn finish(self) -> String {
        let (width, height) = self.size;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" font-family=\"'Noto Sans', 'DejaVu Sans', sans-serif\" fill=\"#111\">\n<title>{}</title>\n{}</svg>\n",
            escaped(&self.title),
            self.body
        )
    }
}

pub(super) fn escaped(text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    text.chars().filter(|letter| !letter.is_control()).collect()
}

/// A stretch of a scale that ends on round numbers, and the step between its marks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Axis {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) step: f64,
}

impl Axis {
    /// Over these values with about `marks` marks.
    pub(super) fn over(low: f64, high: f64, marks: f64) -> Self {
        let span = (high - low).max(low.abs().max(high.abs()) * 1e-6).max(1e-9);
        let step = round_step(span / marks);
        let begin = (low / step).floor() * step;
        let end = (high / step).ceil() * step;
        Self {
            low: begin,
            high: if end > begin { end } else { begin + step },
            step,
        }
    }

    /// The share of the way from its low to its high end.
    pub(super) fn share(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }

    /// Its marks with their words.
    pub(super) fn marks(&self) -> Vec<(f64, String)> {
        let decimals = if self.step >= 1.0 {
            0
        } else {
            // 0.2 has one decimal, 0.05 two.
            (1..9)
                .find(|decimals| {
                    let scaled = self.step * 10_f64.powi(*decimals);
                    (scaled - scaled.round()).abs() < 1e-6
                })
                .unwrap_or(9)
        };
        let decimals = usize::try_from(decimals).unwrap_or(0);
        let mut marks = Vec::new();
        let mut index = 0.0;
        while self.low + index * self.step <= self.high + self.step * 1e-6 && index < 100.0 {
            let value = self.low + index * self.step;
            let value = if value.abs() < self.step * 1e-6 {
                0.0
            } else {
                value
            };
            marks.push((value, format!("{value:.decimals$}").replace('-', "−")));
            index += 1.0;
        }
        marks
    }
}

/// 1, 2 or 5 times a power of ten, not below.
fn round_step(least: f64) -> f64 {
    let power = 10_f64.powf(least.log10().floor());
    let lead = least / power;
    let round = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|round| lead <= round * 1.000_001);
    round.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_end_on_round_numbers() {
        let words = |low, high| -> Vec<String> {
            let marks = Axis::over(low, high, 4.0).marks();
            marks.into_iter().map(|(_, words)| words).collect()
        };
        assert_eq!(words(181.3, 212.0), ["180", "190", "200", "210", "220"]);
        assert_eq!(
            words(-0.13, 0.22),
            ["−0.2", "−0.1", "0.0", "0.1", "0.2", "0.3"]
        );
        assert_eq!(
            words(5.0, 5.0).len(),
            2,
            "a value that never moves has an axis, too"
        );
    }
}
