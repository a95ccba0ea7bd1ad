//! The `text` driver of a line: wire, manners, and how its lines are written.

use std::time::Duration;

use zonda_model::{Name, Quality, SourceId};
use zonda_protocol::text::{
    Checksum, Column, Covers, Delimiter, Encoding, Field, Layout, Sum, Terminator, TextFormat,
    TextSpec,
};

use crate::fault::Fault;
use crate::plan::{Talk, TextPlan, TextWire};
use crate::section::{At, Section};
use crate::source::{read_address, read_port};

pub(crate) fn read(
    section: &Section<'_, '_>,
    source: SourceId,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<TextPlan> {
    let wire = read_wire(section, faults, warnings);
    let talk = read_talk(section, faults);
    let format = read_format(section, faults);
    Some(TextPlan {
        source,
        wire: wire?,
        talk: talk?,
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
        (None, Some(_)) => section
            .read("address", |text| read_address(text, None), faults)
            .map(|at| TextWire::Tcp(at.value.0, at.value.1)),
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

fn read_talk(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Talk> {
    let timeout = section.duration(
        "timeout",
        (Duration::from_millis(5), Duration::from_secs(30)),
        faults,
    );
    match section.text("ask") {
        None => Some(Talk::Listen),
        Some(ask) if ask.value.is_empty() => {
            faults.push(Fault::new(ask.span, "`ask` is empty").help("leave it out to listen"));
            None
        }
        Some(ask) => Some(Talk::Ask(
            ask.value.as_bytes().to_vec(),
            timeout.unwrap_or(Duration::from_millis(300)),
        )),
    }
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
    section
        .text("prefix")
        .map_or("", |at| at.value)
        .clone_into(&mut spec.prefix);
    spec.decimal_comma = section.flag("decimal_comma");
    spec.exponent = section.flag("exponent");
    spec.words = read_status(section, faults);
    spec.checksum = section
        .inner("checksum", faults)
        .and_then(|inner| read_checksum(&inner, faults));
    if let Some(most) = section.whole("line_max", 1_i64, 4096, faults) {
        spec.length = 1..=usize::try_from(most).unwrap_or(256);
    }
    if faults.len() > before {
        return None;
    }
    let refuse = |errors: Vec<zonda_protocol::text::BadFormat>| {
        faults.extend(
            errors
                .into_iter()
                .map(|error| Fault::new(section.span.clone(), error.to_string())),
        );
    };
    TextFormat::new(spec).map_err(refuse).ok()
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
    let fields = section.texts("fields", faults);
    match (fields, section.text("pattern")) {
        (Some(fields), None) => {
            let delimiter = section
                .parsed::<Delimiter>("delimiter", faults)
                .map_or(Delimiter::Blanks, |at| at.value);
            let columns = fields
                .iter()
                .filter_map(|field| read_column(section, field, faults))
                .collect();
            Some(Layout::Delimited { delimiter, columns })
        }
        (None, Some(pattern)) => {
            let mut names: Vec<At<&str>> = section
                .pairs("units", faults)
                .into_iter()
                .map(|(name, _)| name)
                .collect();
            for (name, _) in section.pairs("decimals", faults) {
                if !names.iter().any(|known| known.value == name.value) {
                    names.push(name);
                }
            }
            let fields = names
                .iter()
                .filter_map(|name| read_field(section, name, faults))
                .collect();
            Some(Layout::Pattern {
                regex: pattern.value.to_owned(),
                fields,
            })
        }
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
            faults.push(
                Fault::new(
                    pattern.span,
                    "`fields` and `pattern` both say how a line is taken apart",
                )
                .help("leave one of them out"),
            );
            None
        }
    }
}

fn read_column(
    section: &Section<'_, '_>,
    text: &At<&str>,
    faults: &mut Vec<Fault>,
) -> Option<Column> {
    let literal = text
        .value
        .strip_prefix('\'')
        .and_then(|rest| rest.strip_suffix('\''));
    match (text.value, literal) {
        ("-", _) => Some(Column::Skip),
        (_, Some(literal)) => Some(Column::Literal(literal.to_owned())),
        _ => read_field(section, text, faults).map(Column::Field),
    }
}

fn read_field(
    section: &Section<'_, '_>,
    name: &At<&str>,
    faults: &mut Vec<Fault>,
) -> Option<Field> {
    let mut field = Field::new(crate::check::read_name::<Name>(name, faults)?);
    let find = |key: &str, faults: &mut Vec<Fault>| {
        section
            .pairs(key, faults)
            .into_iter()
            .find(|(of, _)| of.value == name.value)
            .map(|(_, text)| text)
    };
    field.suffix = find("units", faults).map(|text| text.value.to_owned());
    if let Some(decimals) = find("decimals", faults) {
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
    for (word, flags) in section.pairs("status", faults) {
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
    for part in section.texts("covers", faults).unwrap_or_default() {
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
