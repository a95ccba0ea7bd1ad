//! Cells: which are numbers, and what the cells of one column have in common. Pure.

use std::collections::BTreeSet;

use zonda_model::Unit;

/// What the cells of a column have in common.
#[derive(Clone, Debug)]
pub(super) enum Kind {
    Number(Number),
    Same(String),
    Other,
}

/// A column of numbers.
#[derive(Clone, Debug)]
pub(super) struct Number {
    pub(super) least: f64,
    pub(super) most: f64,
    pub(super) decimals: Option<usize>,
    pub(super) suffix: Option<String>,
    pub(super) unit: Option<Unit>,
}

pub(super) fn kind(cells: &[&str], decimal_comma: bool, status: &mut BTreeSet<String>) -> Kind {
    let read: Vec<_> = cells
        .iter()
        .map(|cell| (*cell, number(cell, decimal_comma)))
        .collect();
    let numbers: Vec<&(f64, usize, &str)> =
        read.iter().filter_map(|(_, read)| read.as_ref()).collect();
    let words: BTreeSet<&str> = read
        .iter()
        .filter(|(_, read)| read.is_none())
        .map(|(cell, _)| *cell)
        .collect();
    let Some((first, _, suffix)) = numbers.first() else {
        return match words.first() {
            Some(one) if words.len() == 1 => Kind::Same((*one).to_owned()),
            _ => Kind::Other,
        };
    };
    let is_alike = numbers.iter().all(|(_, _, other)| other == suffix);
    let may_be_words = words.len() <= 4 && words.iter().all(|word| is_status(word));
    if !is_alike || !may_be_words || numbers.len() * 2 < cells.len() {
        return Kind::Other;
    }
    status.extend(words.into_iter().map(str::to_owned));
    let digits = numbers[0].1;
    let decimals = numbers.iter().all(|(_, other, _)| *other == digits);
    Kind::Number(Number {
        least: numbers
            .iter()
            .fold(*first, |least, (number, ..)| least.min(*number)),
        most: numbers
            .iter()
            .fold(*first, |most, (number, ..)| most.max(*number)),
        decimals: decimals.then_some(digits),
        suffix: (!suffix.is_empty()).then(|| (*suffix).to_owned()),
        unit: unit_of(suffix),
    })
}

/// A short word that may stand in place of a number, such as `----` or `OVER`.
fn is_status(word: &str) -> bool {
    let fits = |c: char| c.is_ascii_alphabetic() || "-*#?<>_".contains(c);
    (1..=12).contains(&word.len()) && word.chars().all(fits)
}

/// A plain number with what follows it: its value, its decimals, and the text behind it.
fn number(cell: &str, decimal_comma: bool) -> Option<(f64, usize, &str)> {
    let mark = if decimal_comma { ',' } else { '.' };
    let body = cell.strip_prefix(['+', '-']).unwrap_or(cell);
    let whole = body
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(body.len());
    if whole == 0 || whole > 9 {
        return None;
    }
    let after = body[whole..].strip_prefix(mark);
    let digits = after.map_or(0, |after| {
        after
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(after.len())
    });
    if digits > 9 || (after.is_some() && digits == 0) {
        return None;
    }
    let end = cell.len() - body.len() + whole + usize::from(after.is_some()) + digits;
    let (digits_only, rest) = cell.split_at(end);
    let suffix = rest.trim();
    let fits = |c: char| c.is_alphabetic() || "°%/²³·⁻¹℃℉".contains(c);
    if !suffix.chars().all(fits) || suffix.chars().count() > 8 || may_be_exponent(suffix) {
        return None;
    }
    let value = digits_only.replace(mark, ".").parse().ok()?;
    Some((value, digits, suffix))
}

fn may_be_exponent(suffix: &str) -> bool {
    matches!(suffix, "e" | "E")
}

pub(super) fn unit_of(text: &str) -> Option<Unit> {
    text.parse().ok()
}
