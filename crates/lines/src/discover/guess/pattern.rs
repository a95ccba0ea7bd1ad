//! Lines that no delimiter takes apart: a regular expression is made of one of them. Pure.

use std::collections::BTreeSet;

use regex::Regex;

use super::names::name_all;
use super::number::{Kind, kind, unit_of};
use super::{ALIKE_PERCENT, COLUMNS_MAX, Form, Guessed};

/// A regular expression made of the last line: its numbers are fields, the rest stands as it is.
pub(super) fn pattern(lines: &[String]) -> Option<Guessed> {
    let model = lines.last()?;
    ["\\.", ","]
        .into_iter()
        .filter_map(|mark| Some((pattern_of(model, lines, mark)?, mark == ",")))
        .map(|((score, form), decimal_comma)| (score, (form, decimal_comma, BTreeSet::new())))
        .max_by_key(|(score, _)| *score)
        .map(|(_, guessed)| guessed)
}

fn pattern_of(model: &str, lines: &[String], mark: &str) -> Option<(usize, Form)> {
    let number = Regex::new(&format!(r"[+-]?[0-9]{{1,9}}(?:{mark}[0-9]{{1,9}})?")).ok()?;
    let places: Vec<_> = number.find_iter(model).collect();
    if places.is_empty() || places.len() > COLUMNS_MAX {
        return None;
    }
    let mut capturing = String::from("^");
    let mut at = 0;
    for place in &places {
        capturing += &fixed(&model[at..place.start()]);
        capturing.extend(["(", number.as_str(), ")"]);
        at = place.end();
    }
    capturing += &fixed(&model[at..]);
    capturing.push('$');
    let matcher = Regex::new(&capturing).ok()?;
    let rows: Vec<_> = lines
        .iter()
        .filter_map(|line| matcher.captures(line))
        .collect();
    if rows.len() * 100 < lines.len() * ALIKE_PERCENT {
        return None;
    }
    let is_comma = mark == ",";
    let mut numbers = Vec::new();
    for (index, place) in places.iter().enumerate() {
        let cells: Vec<&str> = rows
            .iter()
            .map(|row| row.get(index + 1).map_or("", |cell| cell.as_str()))
            .collect();
        let Kind::Number(mut number) = kind(&cells, is_comma, &mut BTreeSet::new()) else {
            return None;
        };
        let behind = model[place.end()..].trim_start();
        let word = behind
            .split(|c: char| c.is_whitespace() || ";,|".contains(c))
            .next();
        number.unit = word.and_then(unit_of);
        numbers.push(number);
    }
    let fields = name_all(numbers.iter());
    let mut written = String::new();
    let mut at = 0;
    for (place, field) in places.iter().zip(&fields) {
        written += &fixed(&model[at..place.start()]);
        written.extend(["(?<", field.name.as_str(), r">\S+?)"]);
        at = place.end();
    }
    written += &fixed(&model[at..]);
    // The file has it between single quotation marks, which nothing can escape.
    if written.contains('\'') || written.chars().any(char::is_control) {
        return None;
    }
    let longest = places.iter().map(regex::Match::len).sum();
    Some((longest, Form::Pattern(written, fields)))
}

/// Text that stands between the numbers; how many blanks does not matter.
fn fixed(text: &str) -> String {
    let mut out = String::new();
    let mut is_blank = false;
    for c in text.chars() {
        if c.is_whitespace() {
            if !is_blank {
                out.push_str(r"\s+");
            }
        } else {
            out.push_str(&regex::escape(c.encode_utf8(&mut [0; 4])));
        }
        is_blank = c.is_whitespace();
    }
    out
}
