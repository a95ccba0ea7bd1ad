//! The checks that turn what somebody wrote into a format that cannot contradict itself.

use std::collections::HashSet;

use regex::RegexBuilder;
use zonda_model::Quality;

use super::bad::BadFormat;
use super::checksum::Checksum;
use super::format::{Column, Delimiter, Field, Layout, Pattern, Terminator, TextFormat, TextSpec};

/// The most decimals of a number: a 64-bit float holds some 15 to 17 digits in all.
pub(super) const DECIMALS_MAX: u8 = 15;

/// The largest compiled expression, in bytes; one for a meter's line needs a few thousand.
const PATTERN_SIZE_MAX: usize = 1 << 20;

/// What a meter can say about a number of its own. The rest is found by the daemon.
const METER_FLAGS: Quality = Quality::OPEN_LOOP
    .union(Quality::SHORT)
    .union(Quality::UNDER_RANGE)
    .union(Quality::OVER_RANGE)
    .union(Quality::OUTSIDE_ENVELOPE)
    .union(Quality::BELOW_THRESHOLD)
    .union(Quality::ABOVE_ENVELOPE)
    .union(Quality::NOISY)
    .union(Quality::HELD)
    .union(Quality::SATURATED)
    .union(Quality::NO_NUMBER)
    .union(Quality::UNCERTAIN);

/// Every fault of `spec` but those of its fields.
pub(super) fn check(spec: &TextSpec) -> Result<(), Vec<BadFormat>> {
    let mut faults = Vec::new();
    faults.extend(check_terminator(&spec.terminator).err());
    if !spec.prefix.is_ascii() {
        faults.push(BadFormat::Prefix(spec.prefix.clone()));
    }
    check_layout(spec, &mut faults);
    check_words(spec, &mut faults);
    check_length(spec, &mut faults);
    if let Some(checksum) = &spec.checksum {
        check_checksum(checksum, spec, &mut faults);
    }
    check_against_terminator(spec, &mut faults);
    match fields_of(&spec.layout) {
        Ok((_, fields)) => check_fields(&fields, spec, &mut faults),
        Err(more) => faults.extend(more),
    }
    if faults.is_empty() {
        Ok(())
    } else {
        Err(faults)
    }
}

pub(super) fn check_terminator(terminator: &Terminator) -> Result<(), BadFormat> {
    let Terminator::Own(own) = terminator else {
        return Ok(());
    };
    let stands_in_numbers = |byte: &u8| byte.is_ascii_alphanumeric() || b"+-.,".contains(byte);
    if own.is_empty()
        || !own.is_ascii()
        || own.len() > Terminator::OWN_LENGTH_MAX
        || own.iter().any(stands_in_numbers)
    {
        return Err(BadFormat::Terminator(escaped(own)));
    }
    Ok(())
}

pub(super) fn check_delimiter(delimiter: Delimiter) -> Result<(), BadFormat> {
    match delimiter {
        Delimiter::Character(one)
            if one.is_alphanumeric()
                || matches!(one, '+' | '-' | '.' | ' ')
                || (one.is_control() && one != '\t') =>
        {
            Err(BadFormat::Delimiter(one))
        }
        Delimiter::Character(_) | Delimiter::Blanks => Ok(()),
    }
}

fn check_layout(spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    let Layout::Delimited { delimiter, columns } = &spec.layout else {
        return;
    };
    faults.extend(check_delimiter(*delimiter).err());
    if let Delimiter::Character(one) = delimiter
        && spec.terminator.occurs_in(one.to_string().as_bytes())
    {
        faults.push(BadFormat::HoldsTerminator(one.to_string()));
    }
    if spec.decimal_comma && *delimiter == Delimiter::Character(',') {
        faults.push(BadFormat::CommaTwice);
    }
    for column in columns {
        if let Column::Literal(text) = column {
            check_text(text, spec, faults);
        }
    }
}

/// A text that a column must be, or end in.
fn check_text(text: &str, spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    if text.is_empty() || text.trim() != text || text.contains(char::is_control) {
        faults.push(BadFormat::NeverFound(text.to_owned()));
    }
    if spec.terminator.occurs_in(text.as_bytes()) {
        faults.push(BadFormat::HoldsTerminator(text.to_owned()));
    }
    let Layout::Delimited { delimiter, .. } = &spec.layout else {
        return;
    };
    let holds_delimiter = match delimiter {
        Delimiter::Character(one) => text.contains(*one),
        Delimiter::Blanks => text.contains([' ', '\t']),
    };
    if holds_delimiter {
        faults.push(BadFormat::HoldsDelimiter(text.to_owned()));
    }
}

fn check_words(spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    let mut seen = HashSet::new();
    for (word, flags) in &spec.words {
        check_text(word, spec, faults);
        if !seen.insert(word) {
            faults.push(BadFormat::WordTwice(word.clone()));
        }
        if flags.is_empty() {
            faults.push(BadFormat::WordWithoutFlag(word.clone()));
        }
        if !METER_FLAGS.contains(*flags) {
            faults.push(BadFormat::WordFlag {
                word: word.clone(),
                flags: flags.difference(METER_FLAGS).to_string(),
            });
        }
    }
}

fn check_length(spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    let (from, to) = (*spec.length.start(), *spec.length.end());
    if from == 0 || from > to || to > TextFormat::LENGTH_MAX {
        faults.push(BadFormat::Length { from, to });
        return;
    }
    let checksum = spec.checksum.as_ref();
    let taken = spec.prefix.len() + checksum.map_or(0, Checksum::length);
    if to <= taken {
        faults.push(BadFormat::NoRoom { to });
    }
}

/// Without these a byte inserted or lost could turn a digit of the checksum into one of the number.
fn check_checksum(checksum: &Checksum, spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    let separator = &checksum.separator;
    match separator.chars().last() {
        None if spec.length.start() != spec.length.end() => {
            faults.push(BadFormat::ChecksumSeparator);
        }
        Some(last) if last.is_ascii_hexdigit() || !is_printable_ascii(separator) => {
            faults.push(BadFormat::Separator(separator.clone()));
        }
        None | Some(_) => {}
    }
}

fn is_printable_ascii(text: &str) -> bool {
    text.chars().all(|c| c == ' ' || c.is_ascii_graphic())
}

/// What every line must hold may not hold what ends it.
fn check_against_terminator(spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    let separator = spec.checksum.iter().map(|checksum| &checksum.separator);
    for text in separator.chain([&spec.prefix]) {
        if spec.terminator.occurs_in(text.as_bytes()) {
            faults.push(BadFormat::HoldsTerminator(escaped(text.as_bytes())));
        }
    }
}

fn check_fields(fields: &[Field], spec: &TextSpec, faults: &mut Vec<BadFormat>) {
    if fields.is_empty() {
        faults.push(BadFormat::NoFields);
    }
    let mut seen = HashSet::new();
    for field in fields {
        if !seen.insert(&field.name) {
            faults.push(BadFormat::FieldTwice(field.name.to_string()));
        }
        if let Some(decimals) = field.decimals.filter(|decimals| *decimals > DECIMALS_MAX) {
            let field = field.name.to_string();
            faults.push(BadFormat::Decimals { field, decimals });
        }
        if let Some(suffix) = &field.suffix {
            check_text(suffix, spec, faults);
            if suffix.starts_with(|c| goes_on_a_number(c, spec.exponent)) {
                faults.push(BadFormat::Suffix(suffix.clone()));
            }
        }
    }
}

fn goes_on_a_number(c: char, exponent: bool) -> bool {
    c.is_ascii_digit() || matches!(c, '+' | '-' | '.' | ',') || (exponent && matches!(c, 'e' | 'E'))
}

/// The fields of a layout in their order, and its expression if it has one.
pub(super) fn fields_of(layout: &Layout) -> Result<(Option<Pattern>, Vec<Field>), Vec<BadFormat>> {
    match layout {
        Layout::Delimited { columns, .. } => {
            let fields = columns.iter().filter_map(|column| match column {
                Column::Field(field) => Some(field.clone()),
                Column::Literal(_) | Column::Skip => None,
            });
            Ok((None, fields.collect()))
        }
        Layout::Pattern { regex, fields } => {
            let pattern = compile(regex).map_err(|fault| vec![fault])?;
            let fields = groups(&pattern, fields)?;
            Ok((Some(pattern), fields))
        }
    }
}

fn compile(text: &str) -> Result<Pattern, BadFormat> {
    let bad = |error: regex::Error| BadFormat::Pattern(error.to_string());
    // Compiled alone first, so that `)|(` cannot escape from the anchors.
    RegexBuilder::new(text)
        .size_limit(PATTERN_SIZE_MAX)
        .build()
        .map_err(bad)?;
    RegexBuilder::new(&format!(r"\A(?:{text})\z"))
        .size_limit(PATTERN_SIZE_MAX)
        .build()
        .map(Pattern)
        .map_err(bad)
}

/// One field for each named group, with what is known of it.
fn groups(pattern: &Pattern, known: &[Field]) -> Result<Vec<Field>, Vec<BadFormat>> {
    let mut fields = Vec::new();
    let mut faults = Vec::new();
    for group in pattern.0.capture_names().flatten() {
        match group.parse() {
            Ok(name) => fields.push(
                known
                    .iter()
                    .find(|field| field.name == name)
                    .cloned()
                    .unwrap_or(Field::new(name)),
            ),
            Err(why) => faults.push(BadFormat::GroupName {
                group: group.to_owned(),
                why,
            }),
        }
    }
    let is_group = |field: &&Field| fields.iter().any(|group| group.name == field.name);
    faults.extend(
        known
            .iter()
            .filter(|field| !is_group(field))
            .map(|field| BadFormat::NoSuchGroup(field.name.to_string())),
    );
    if faults.is_empty() {
        Ok(fields)
    } else {
        Err(faults)
    }
}

/// Bytes as a person can read them: printable ASCII as it is, the rest as escapes.
pub(super) fn escaped(bytes: &[u8]) -> String {
    bytes.escape_ascii().to_string()
}
