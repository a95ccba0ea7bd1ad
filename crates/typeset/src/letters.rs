//! Letters that no font here can show. They are named instead, so that nothing vanishes from a report.

use std::collections::HashSet;
use std::fmt::Write as _;

use serde_json::Value;
use typst::text::FontInfo;
use typst_kit::fonts::{FontStore, embedded, system};

/// The fonts that this program carries, so that a report looks the same everywhere; with those of the machine
/// behind them where the document has letters that none of ours can show.
pub(crate) fn fonts_for(document: &Value) -> (FontStore, Missing) {
    let mut wanted = HashSet::new();
    visit(document, &mut |text| {
        wanted.extend(text.chars().filter(|letter| is_shown(*letter)));
    });
    let mut fonts = FontStore::new();
    let (own, infos): (Vec<_>, Vec<_>) = embedded()
        .map(|(font, info)| ((font, info.clone()), info))
        .unzip();
    fonts.extend(own);
    strike(&mut wanted, &infos);
    if !wanted.is_empty() {
        let (more, infos): (Vec<_>, Vec<_>) = system()
            .map(|(path, info)| ((path, info.clone()), info))
            .unzip();
        fonts.extend(more);
        strike(&mut wanted, &infos);
    }
    (fonts, Missing(wanted))
}

fn strike(wanted: &mut HashSet<char>, infos: &[FontInfo]) {
    wanted.retain(|letter| {
        !infos
            .iter()
            .any(|info| info.coverage.contains(u32::from(*letter)))
    });
}

/// Letters without a shape.
#[derive(Debug)]
pub(crate) struct Missing(HashSet<char>);

impl Missing {
    /// The document with each of them named by its code point, and without controls, which no PDF may hold.
    pub(crate) fn name_in(&self, document: &mut Value) {
        change(document, &|text| {
            let mut out = String::with_capacity(text.len());
            for letter in text.chars() {
                if self.0.contains(&letter) {
                    // Writing into a string cannot fail.
                    let _ = write!(out, "[U+{:04X}]", u32::from(letter));
                } else if !is_barred(letter) {
                    out.push(letter);
                }
            }
            out
        });
    }
}

/// Whether a letter needs a shape. Joiners and marks of direction have none.
fn is_shown(letter: char) -> bool {
    let is_mark = matches!(letter, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{fe00}'..='\u{fe0f}');
    !is_mark && !letter.is_whitespace() && !is_barred(letter)
}

/// Controls, noncharacters and the byte order mark.
fn is_barred(letter: char) -> bool {
    let code = u32::from(letter);
    let is_control = letter.is_control() && letter != '\n' && letter != '\t';
    is_control
        || letter == '\u{feff}'
        || (0xfdd0..=0xfdef).contains(&code)
        || code & 0xfffe == 0xfffe
}

fn visit(value: &Value, seen: &mut impl FnMut(&str)) {
    match value {
        Value::String(text) => seen(text),
        Value::Array(items) => items.iter().for_each(|item| visit(item, seen)),
        Value::Object(items) => items.values().for_each(|item| visit(item, seen)),
        _ => {}
    }
}

fn change(value: &mut Value, to: &impl Fn(&str) -> String) {
    match value {
        Value::String(text)
            if text.contains(|letter: char| !letter.is_ascii() || letter.is_ascii_control()) =>
        {
            *text = to(text);
        }
        Value::Array(items) => items.iter_mut().for_each(|item| change(item, to)),
        Value::Object(items) => items.values_mut().for_each(|item| change(item, to)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_has_no_shape_is_named_and_controls_are_left_out() {
        let mut document = json!({ "a": ["fan\u{7} \u{10ffff} \u{378}", { "b": "° µ ≤ é я א" }] });
        let (_, missing) = fonts_for(&document);
        missing.name_in(&mut document);
        assert_eq!(
            document,
            json!({ "a": ["fan  [U+0378]", { "b": "° µ ≤ é я א" }] })
        );
    }
}
