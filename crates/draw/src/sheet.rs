//! Paper to draw on: shapes become SVG elements.

use std::fmt::Write as _;

/// A point on the sheet: to the right and down.
pub(crate) type At = (f64, f64);

/// What lines look like.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Pen {
    /// Walls.
    Wall,
    /// Ways of a probe.
    Way,
    /// Dimensions and scales.
    Thin,
}

/// How text stands at its point.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Align {
    Left,
    Middle,
    Right,
}

#[derive(Debug)]
pub(crate) struct Sheet {
    size: At,
    title: String,
    body: String,
}

impl Sheet {
    pub(crate) fn new(size: At, title: &str) -> Self {
        Self {
            size,
            title: title.to_owned(),
            body: String::new(),
        }
    }

    pub(crate) fn line(&mut self, from: At, to: At, pen: Pen) {
        self.element(&format!(
            r#"<line x1="{}" y1="{}" x2="{}" y2="{}" {}/>"#,
            n(from.0),
            n(from.1),
            n(to.0),
            n(to.1),
            pen.style()
        ));
    }

    pub(crate) fn circle(&mut self, middle: At, radius: f64, pen: Pen) {
        self.element(&format!(
            r#"<circle cx="{}" cy="{}" r="{}" fill="none" {}/>"#,
            n(middle.0),
            n(middle.1),
            n(radius),
            pen.style()
        ));
    }

    pub(crate) fn block(&mut self, corner: At, size: At, pen: Pen) {
        self.element(&format!(
            r#"<rect x="{}" y="{}" width="{}" height="{}" fill="none" {}/>"#,
            n(corner.0),
            n(corner.1),
            n(size.0),
            n(size.1),
            pen.style()
        ));
    }

    /// A filled dot: a place of measurement.
    pub(crate) fn dot(&mut self, middle: At, radius: f64) {
        self.element(&format!(
            r#"<circle cx="{}" cy="{}" r="{}"/>"#,
            n(middle.0),
            n(middle.1),
            n(radius)
        ));
    }

    /// A filled triangle with its tip at `tip`, coming from `from`: the port where a probe enters.
    pub(crate) fn port(&mut self, tip: At, from: At) {
        let (dx, dy) = (tip.0 - from.0, tip.1 - from.1);
        let length = dx.hypot(dy).max(1e-9);
        let (ux, uy) = (dx / length, dy / length);
        let back = (tip.0 - 12.0 * ux, tip.1 - 12.0 * uy);
        self.element(&format!(
            r#"<path d="M{} {}L{} {}L{} {}Z"/>"#,
            n(tip.0),
            n(tip.1),
            n(back.0 - 6.0 * uy),
            n(back.1 + 6.0 * ux),
            n(back.0 + 6.0 * uy),
            n(back.1 - 6.0 * ux)
        ));
    }

    pub(crate) fn text(&mut self, at: At, size: f64, align: Align, text: &str) {
        self.write(at, size, align, "", text);
    }

    pub(crate) fn bold(&mut self, at: At, size: f64, align: Align, text: &str) {
        self.write(at, size, align, r#" font-weight="600""#, text);
    }

    /// Text on a patch of paper, so that no line runs through it.
    pub(crate) fn label(&mut self, at: At, size: f64, align: Align, text: &str) {
        let halo = r##" stroke="#fff" stroke-width="3" paint-order="stroke""##;
        self.write(at, size, align, halo, text);
    }

    /// Text that runs upwards.
    pub(crate) fn upwards(&mut self, at: At, size: f64, text: &str) {
        let turned = format!(r#" transform="rotate(-90 {} {})""#, n(at.0), n(at.1));
        self.write(at, size, Align::Middle, &turned, text);
    }

    /// Sentences below each other, broken at about `width`; gives the height that they took.
    pub(crate) fn paragraph(&mut self, at: At, size: f64, width: f64, text: &str) -> f64 {
        // Half an em is the mean width of a letter.
        let mut y = at.1;
        let mut line = String::new();
        let room = width / (size * 0.5);
        for word in text.split_whitespace() {
            let longer = count(&line) + 1.0 + count(word);
            if !line.is_empty() && longer > room {
                self.text((at.0, y), size, Align::Left, &line);
                y += size * 1.35;
                line.clear();
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        self.text((at.0, y), size, Align::Left, &line);
        y + size * 1.35 - at.1
    }

    /// A dimension between two points with its words in the middle.
    pub(crate) fn dimension(&mut self, from: At, to: At, words: &str) {
        self.line(from, to, Pen::Thin);
        let is_upright = (from.0 - to.0).abs() < 1e-6;
        let (dx, dy) = if is_upright { (5.0, 0.0) } else { (0.0, 5.0) };
        for end in [from, to] {
            self.line(
                (end.0 - dx, end.1 - dy),
                (end.0 + dx, end.1 + dy),
                Pen::Thin,
            );
        }
        let middle = (f64::midpoint(from.0, to.0), f64::midpoint(from.1, to.1));
        if is_upright {
            self.upwards((middle.0 - 6.0, middle.1), 13.0, words);
        } else {
            self.text((middle.0, middle.1 - 6.0), 13.0, Align::Middle, words);
        }
    }

    /// The finished drawing.
    pub(crate) fn finish(self) -> String {
        let (width, height) = (n(self.size.0), n(self.size.1));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" role=\"img\" font-family=\"system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif\" fill=\"#111\">\n<title>{}</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n{}</svg>\n",
            escaped(&self.title),
            self.body
        )
    }

    fn write(&mut self, at: At, size: f64, align: Align, more: &str, text: &str) {
        let anchor = match align {
            Align::Left => "start",
            Align::Middle => "middle",
            Align::Right => "end",
        };
        self.element(&format!(
            r#"<text x="{}" y="{}" font-size="{}" text-anchor="{anchor}"{more}>{}</text>"#,
            n(at.0),
            n(at.1),
            n(size),
            escaped(text)
        ));
    }

    fn element(&mut self, element: &str) {
        // Writing into a string cannot fail.
        let _ = writeln!(self.body, "{element}");
    }
}

impl Pen {
    const fn style(self) -> &'static str {
        match self {
            Self::Wall => r##"stroke="#111" stroke-width="3""##,
            Self::Way => r##"stroke="#666" stroke-width="1" stroke-dasharray="6 4""##,
            Self::Thin => r##"stroke="#666" stroke-width="1""##,
        }
    }
}

/// A coordinate with two decimals at most.
fn n(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[expect(clippy::cast_precision_loss, reason = "letters of a line")]
fn count(text: &str) -> f64 {
    text.chars().count() as f64
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_cannot_become_markup() {
        let mut sheet = Sheet::new((10.0, 10.0), "a <b> & c");
        sheet.text((0.0, 0.0), 10.0, Align::Left, "</svg><script>");
        let drawn = sheet.finish();
        assert!(!drawn.contains("<script>") && drawn.contains("a &lt;b&gt; &amp; c"));
    }

    #[test]
    fn coordinates_are_short() {
        assert_eq!(
            (n(1.0), n(-0.001), n(2.345_6)),
            ("1".to_owned(), "0".to_owned(), "2.35".to_owned())
        );
    }
}
