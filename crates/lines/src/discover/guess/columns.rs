//! Lines whose pieces stand between a delimiter. Pure.

use std::collections::BTreeSet;

use super::names::name_all;
use super::number::{Kind, Number, kind, unit_of};
use super::{ALIKE_PERCENT, COLUMNS_MAX, Column, Form, Guessed};

/// Delimiters as the configuration writes them, the safest first.
const DELIMITERS: [(&str, Option<char>); 5] = [
    (";", Some(';')),
    ("tab", Some('\t')),
    ("|", Some('|')),
    (",", Some(',')),
    ("blanks", None),
];

fn split(line: &str, delimiter: Option<char>) -> Vec<&str> {
    match delimiter {
        Some(one) => line.split(one).map(str::trim).collect(),
        None => line.split_whitespace().collect(),
    }
}

/// The way of taking the lines apart that yields the most numbers, and the fewest odd pieces.
pub(super) fn delimited(lines: &[String]) -> Option<Guessed> {
    let mut best: Option<(usize, Guessed)> = None;
    for (word, delimiter) in DELIMITERS {
        for decimal_comma in [false, true] {
            if decimal_comma && delimiter == Some(',') {
                continue;
            }
            let Some((score, guessed)) = columns(lines, word, delimiter, decimal_comma) else {
                continue;
            };
            if best.as_ref().is_none_or(|(most, _)| score > *most) {
                best = Some((score, guessed));
            }
        }
    }
    best.map(|(_, guessed)| guessed)
}

fn columns(
    lines: &[String],
    word: &'static str,
    delimiter: Option<char>,
    decimal_comma: bool,
) -> Option<(usize, Guessed)> {
    let table: Vec<Vec<&str>> = lines.iter().map(|line| split(line, delimiter)).collect();
    let widths: Vec<_> = table.iter().map(Vec::len).collect();
    let width = usual(&widths)?;
    let table: Vec<_> = table.into_iter().filter(|row| row.len() == width).collect();
    if width > COLUMNS_MAX || table.len() * 100 < lines.len() * ALIKE_PERCENT {
        return None;
    }
    let mut status = BTreeSet::new();
    let mut kinds: Vec<Kind> = (0..width)
        .map(|at| {
            let cells: Vec<&str> = table.iter().map(|row| row[at]).collect();
            kind(&cells, decimal_comma, &mut status)
        })
        .collect();
    let numbers = kinds
        .iter()
        .filter(|kind| matches!(kind, Kind::Number(_)))
        .count();
    if numbers == 0 {
        return None;
    }
    let odd = kinds
        .iter()
        .filter(|kind| matches!(kind, Kind::Other))
        .count();
    let alone = usize::from(width > 1);
    // A unit that stands in a column of its own belongs to the number before it.
    for at in 1..kinds.len() {
        if let (Kind::Same(text), Some((Kind::Number(number), _))) =
            (kinds[at].clone(), kinds[..at].split_last_mut())
            && number.suffix.is_none()
        {
            number.unit = unit_of(&text);
        }
    }
    let numbers_found: Vec<&mut Number> = kinds
        .iter_mut()
        .filter_map(|kind| match kind {
            Kind::Number(number) => Some(number),
            Kind::Same(_) | Kind::Other => None,
        })
        .collect();
    let mut fields = name_all(numbers_found.iter().map(|number| &**number)).into_iter();
    let columns = kinds
        .into_iter()
        .map(|kind| match kind {
            Kind::Number(_) => fields.next().map_or(Column::Skip, Column::Field),
            Kind::Same(text) if may_stand_alone(&text) => Column::Literal(text),
            Kind::Same(_) | Kind::Other => Column::Skip,
        })
        .collect();
    let exact = table.len() * 4 / lines.len().max(1);
    let score = (numbers * 8 + alone + exact + 64).saturating_sub(odd * 6);
    Some((
        score,
        (Form::Delimited(word, columns), decimal_comma, status),
    ))
}

/// A literal is written between single quotation marks.
fn may_stand_alone(text: &str) -> bool {
    let is_odd = |c: char| c.is_control() || "'\"\\".contains(c);
    !text.is_empty() && !text.contains(is_odd)
}

/// The value that occurs most often.
fn usual(values: &[usize]) -> Option<usize> {
    let count = |wanted: usize| values.iter().filter(|value| **value == wanted).count();
    values.iter().copied().max_by_key(|value| count(*value))
}
