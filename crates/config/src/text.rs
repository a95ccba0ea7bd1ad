//! The `text` driver of a line: wire, manners, and how its lines are written.

use std::ops::{Range, RangeInclusive};

use zonda_model::{Name, Period, Quality, SourceId};
use zonda_protocol::text::{
    BadFormat, Checksum, Column, Covers, Delimiter, Encoding, Field, Layout, Part, Sum, Terminator,
    TextFormat, TextSpec,
};

use crate::fault::Fault;
use crate::identity;
use crate::line::{read_address, read_port, read_timeout};
use crate::plan::{Talk, TextPlan, TextWire};
use crate::section::{At, Section};

pub(crate) fn read(
    section: &Section<'_, '_>,
    source: SourceId,
    every: Option<&At<Period>>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<TextPlan> {
    let wire = read_wire(section, faults, warnings);
    let talk = read_talk(section, every, faults);
    let identity = identity::read_text(section, talk.as_ref(), faults);
    let format = read_format(section, faults);
    Some(TextPlan {
        source,
        wire: wire?,
        talk: talk?,
        identity,
        format: format?,
    })
}

fn read_wire(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<TextWire> {
    match (section.text("port"), section.text("address")) {
        (Some(_), None) if section.text("serial").is_none() => {
            faults.push(
                Fault::new(
                    section.place("port"),
                    "`serial` is missing: speed and framing of the port",
                )
                .help("such as `serial = \"9600 8N1\"`"),
            );
            None
        }
        (Some(_), None) => read_port(section, faults, warnings).map(TextWire::Serial),
        (None, Some(_)) => {
            let why = "says nothing here: the text comes from an address";
            section.refuse(&["serial"], why, "leave it out", faults);
            section
                .read("address", |text| read_address(text, None), faults)
                .map(|at| TextWire::Tcp(at.value.0, at.value.1))
        }
        (None, None) => {
            faults.push(
                Fault::new(section.span.clone(), "the text comes from nowhere")
                    .help("add `port` and `serial`, or `address`"),
            );
            None
        }
        (Some(_), Some(address)) => {
            faults.push(
                Fault::new(address.span, "a line is either on a port or at an address")
                    .help("leave one of `port` and `address` out"),
            );
            None
        }
    }
}

fn read_talk(
    section: &Section<'_, '_>,
    every: Option<&At<Period>>,
    faults: &mut Vec<Fault>,
) -> Option<Talk> {
    if !section.has("ask") {
        let why = "says nothing here: nothing is asked, so no answer is waited for";
        let help = "leave it out, or add `ask`";
        section.refuse(&["timeout"], why, help, faults);
        return Some(Talk::Listen);
    }
    let timeout = read_timeout(section, every, faults);
    let ask = section.text("ask")?;
    if ask.value.is_empty() {
        faults.push(Fault::new(ask.span, "`ask` is empty").help("leave it out to listen"));
        return None;
    }
    Some(Talk::Ask(ask.value.as_bytes().to_vec(), timeout))
}

fn read_format(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<TextFormat> {
    let before = faults.len();
    let layout = read_layout(section, faults)?;
    let mut spec = TextSpec::new(layout);
    if let Some(terminator) = section.parsed::<Terminator>("terminator", faults) {
        spec.terminator = terminator.value;
    }
    if let Some(encoding) = section.read("encoding", encoding, faults) {
        spec.encoding = encoding.value;
    }
    if let Some(prefix) = section.text("prefix") {
        prefix.value.clone_into(&mut spec.prefix);
    }
    spec.decimal_comma = section.flag("decimal_comma");
    spec.exponent = section.flag("exponent");
    spec.words = read_status(section, faults);
    spec.checksum = section
        .inner("checksum", faults)
        .and_then(|inner| read_checksum(&inner, faults));
    if let Some(length) = read_length(section, faults) {
        spec.length = length;
    }
    if faults.len() > before || section.is_misspelt() {
        return None;
    }
    let refuse = |errors: Vec<BadFormat>| {
        faults.extend(errors.iter().map(|error| fault_of(section, error)));
    };
    TextFormat::new(spec).map_err(refuse).ok()
}

fn read_length(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
) -> Option<RangeInclusive<usize>> {
    let mut bytes = |key| {
        let bytes: i64 = section.whole(key, 1, 4096, faults)?;
        usize::try_from(bytes).ok()
    };
    match (bytes("line_length"), bytes("line_max")) {
        (Some(_), Some(_)) => {
            let why = "says nothing here: `line_length` says it already";
            section.refuse(&["line_max"], why, "leave one of them out", faults);
            None
        }
        (Some(length), None) => Some(length..=length),
        (None, Some(most)) => Some(1..=most),
        (None, None) => None,
    }
}

fn encoding(text: &str) -> Result<Encoding, String> {
    match text {
        "utf-8" => Ok(Encoding::Utf8),
        "latin-1" => Ok(Encoding::Latin1),
        other => Err(format!(
            "`{other}` is not an encoding known here; `utf-8` and `latin-1` are"
        )),
    }
}

fn read_layout(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Layout> {
    match (section.texts("fields"), section.text("pattern")) {
        (Some(fields), None) => Some(read_delimited(section, &fields, faults)),
        (None, Some(pattern)) => Some(read_pattern(section, &pattern, faults)),
        (None, None) => {
            faults.push(
                Fault::new(
                    section.span.clone(),
                    "it is not said how a line is taken apart",
                )
                .help("add `fields`, or a `pattern`"),
            );
            None
        }
        (Some(_), Some(pattern)) => {
            let what = "`fields` and `pattern` both say how a line is taken apart";
            faults.push(Fault::new(pattern.span, what).help("leave one of them out"));
            None
        }
    }
}

fn read_delimited(
    section: &Section<'_, '_>,
    fields: &[At<&str>],
    faults: &mut Vec<Fault>,
) -> Layout {
    let delimiter = section.parsed::<Delimiter>("delimiter", faults);
    let columns: Vec<_> = fields
        .iter()
        .filter_map(|field| read_column(section, field, faults))
        .collect();
    let is_field = |name: &str| fields.iter().any(|field| field.value == name);
    for key in ["units", "decimals"] {
        for (name, _) in section.pairs(key) {
            if !is_field(name.value) {
                let what = format!("there is no field `{}`", name.value);
                faults.push(Fault::new(name.span, what).help("write it as `fields` has it"));
            }
        }
    }
    Layout::Delimited {
        delimiter: delimiter.map_or(Delimiter::Blanks, |at| at.value),
        columns,
    }
}

fn read_pattern(section: &Section<'_, '_>, pattern: &At<&str>, faults: &mut Vec<Fault>) -> Layout {
    let why = "says nothing here: the pattern says how a line is taken apart";
    section.refuse(&["delimiter"], why, "leave it out", faults);
    let mut names: Vec<At<&str>> = Vec::new();
    for (name, _) in ["units", "decimals"]
        .iter()
        .flat_map(|key| section.pairs(key))
    {
        if !names.iter().any(|known| known.value == name.value) {
            names.push(name);
        }
    }
    let fields = names
        .iter()
        .filter_map(|name| read_field(section, name, faults));
    Layout::Pattern {
        regex: pattern.value.to_owned(),
        fields: fields.collect(),
    }
}

fn read_column(
    section: &Section<'_, '_>,
    text: &At<&str>,
    faults: &mut Vec<Fault>,
) -> Option<Column> {
    match (text.value, literal(text.value)) {
        ("-", _) => Some(Column::Skip),
        (_, Some(literal)) => Some(Column::Literal(literal.to_owned())),
        _ => read_field(section, text, faults).map(Column::Field),
    }
}

/// What stands between single quotation marks.
fn literal(text: &str) -> Option<&str> {
    text.strip_prefix('\'')?.strip_suffix('\'')
}

fn read_field(
    section: &Section<'_, '_>,
    name: &At<&str>,
    faults: &mut Vec<Fault>,
) -> Option<Field> {
    let mut field = Field::new(crate::check::read_name::<Name>(name, faults)?);
    let find = |key: &str| {
        let mut pairs = section.pairs(key).into_iter();
        let (_, text) = pairs.find(|(of, _)| of.value == name.value)?;
        Some(text)
    };
    field.suffix = find("units").map(|text| text.value.to_owned());
    if let Some(decimals) = find("decimals") {
        match decimals.value.parse() {
            Ok(digits) if digits <= 9 => field.decimals = Some(digits),
            _ => faults.push(Fault::new(
                decimals.span,
                "expected a number of digits from 0 to 9",
            )),
        }
    }
    Some(field)
}

fn read_status(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Vec<(String, Quality)> {
    let mut words = Vec::new();
    for (word, flags) in section.pairs("status") {
        let quality = flags
            .value
            .split_whitespace()
            .map(Quality::from_word)
            .try_fold(Quality::empty(), |all, flag| flag.map(|flag| all | flag));
        match quality {
            Some(quality) if !quality.is_empty() => words.push((word.value.to_owned(), quality)),
            _ => {
                let known: Vec<_> = Quality::all().words().collect();
                faults.push(
                    Fault::new(
                        flags.span,
                        format!("`{}` is not a quality flag", flags.value),
                    )
                    .help(format!("flags: {}", known.join(", "))),
                );
            }
        }
    }
    words
}

fn read_checksum(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Checksum> {
    let sum = section.parsed::<Sum>("computes", faults);
    let mut covers = Covers::default();
    for part in section.texts("covers").unwrap_or_default() {
        match part.value {
            "prefix" => covers.prefix = true,
            "separator" => covers.separator = true,
            _ => faults.push(
                Fault::new(
                    part.span,
                    format!(
                        "`{}` is not a part of the line that could count",
                        part.value
                    ),
                )
                .help("`prefix` and `separator` are"),
            ),
        }
    }
    Some(Checksum {
        sum: sum?.value,
        separator: section.text("separator")?.value.to_owned(),
        covers,
    })
}

/// A mistake in the format as a whole, in the words and at the place of the file.
fn fault_of(section: &Section<'_, '_>, error: &BadFormat) -> Fault {
    let place = place_of(section, error);
    match error {
        // The library draws the expression and a mark over several lines; the last one says what is wrong.
        BadFormat::Pattern(drawn) => {
            let last = drawn.lines().last().unwrap_or_default();
            let why = last.trim().trim_start_matches("error: ");
            Fault::new(
                place,
                format!("the regular expression cannot be used: {why}"),
            )
        }
        BadFormat::ChecksumSeparator => Fault::new(
            place,
            "a checksum without a separator needs lines of one fixed length",
        )
        .help("add `line_length`, or say what stands before the digits"),
        other => Fault::new(place, other.to_string()),
    }
}

/// The very text that a mistake is about, or else the key that it is under.
fn place_of(section: &Section<'_, '_>, error: &BadFormat) -> Range<usize> {
    let text = match error {
        BadFormat::HoldsTerminator(text)
        | BadFormat::HoldsDelimiter(text)
        | BadFormat::NeverFound(text)
        | BadFormat::FieldTwice(text)
        | BadFormat::NoSuchGroup(text)
        | BadFormat::Suffix(text)
        | BadFormat::WordFlag { word: text, .. } => written(section, text),
        _ => None,
    };
    let keys: &[&str] = match error.part() {
        Part::Terminator => &["terminator"],
        Part::Prefix => &["prefix"],
        Part::Delimiter => &["delimiter"],
        Part::Columns => &["fields", "pattern"],
        Part::Pattern => &["pattern"],
        Part::Field => &["units", "decimals"],
        Part::Words => &["status"],
        Part::Checksum => &["checksum"],
        Part::Length => &["line_length", "line_max"],
    };
    let under = || keys.iter().find(|key| section.has(key));
    text.or_else(|| under().map(|key| section.place(key)))
        .unwrap_or_else(|| section.span.clone())
}

/// Where a text is written: the last place, because a twin is at fault and not the first.
fn written(section: &Section<'_, '_>, text: &str) -> Option<Range<usize>> {
    let keys = ["status", "decimals", "units"].into_iter();
    let names = keys
        .flat_map(|key| section.pairs(key))
        .map(|(name, _)| name);
    let units = section.pairs("units").into_iter().map(|(_, unit)| unit);
    let single = ["prefix", "delimiter"]
        .into_iter()
        .filter_map(|key| section.text(key));
    let fields = section.texts("fields").unwrap_or_default();
    let mut all: Vec<_> = names.chain(units).chain(single).chain(fields).collect();
    all.reverse();
    all.into_iter()
        .find(|at| {
            let escaped = at.value.as_bytes().escape_ascii();
            at.value == text || literal(at.value) == Some(text) || escaped.to_string() == text
        })
        .map(|at| at.span)
}
