//! What was found, as the configuration would have it. Pure.
//!
//! Each stanza is whole: pasted into a file of its own it is accepted by the check, and records. What
//! only a person can know (what an input is wired to, its range) is left as it comes from the device
//! and said in a comment.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use zonda_config::IioPlan;
use zonda_config::iio::written_scale;
use zonda_model::{Quantity, Unit};
use zonda_protocol::serial::SerialSettings;

use super::guess::{Basis, Column, Field, Form, TextGuess};
use super::{IioFinding, UnitFound};

/// Inputs of a module that get a channel; a comment says how to go on.
const CHANNELS_MAX: u16 = 4;

/// How a line is reached.
#[derive(Clone, Copy, Debug)]
pub enum Way<'a> {
    /// A serial port at these settings.
    Serial(&'a str, SerialSettings),
    /// Host and port.
    Tcp(&'a str, u16),
}

impl Way<'_> {
    fn keys(self) -> String {
        match self {
            Self::Serial(path, settings) => {
                format!("port = {}, serial = \"{settings}\"", quoted(path))
            }
            Self::Tcp(host, port) => format!("address = {}", quoted(&format!("{host}:{port}"))),
        }
    }
}

/// A text as TOML has it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A key, in quotation marks only where it needs them.
fn key_of(text: &str) -> String {
    let is_bare = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if !text.is_empty() && text.chars().all(is_bare) {
        return text.to_owned();
    }
    quoted(text)
}

/// A comment never runs into the next line.
fn comment(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}

/// Registers that answered, as a Modbus line with a module for each unit.
pub fn modbus(name: &str, way: Way<'_>, units: &[UnitFound]) -> String {
    let driver = match way {
        Way::Serial(..) => "modbus-rtu",
        Way::Tcp(..) => "modbus-tcp",
    };
    let mut out = format!(
        "[line.{name}]\nevery = \"1 s\"\n{driver} = {{ {} }}\n",
        way.keys()
    );
    for unit in units {
        module(&mut out, name, unit);
    }
    out
}

// Writing into a String cannot fail, here and below.
fn module(out: &mut String, line: &str, unit: &UnitFound) {
    let name = format!("{line}-unit{}", unit.unit);
    let _ = writeln!(out);
    for (object, text) in &unit.says {
        let _ = writeln!(out, "# it says of itself: {object} = {}", comment(text));
    }
    let (table, found) = if unit.input.count >= unit.holding.count {
        ("input", &unit.input)
    } else {
        ("holding", &unit.holding)
    };
    let Some(last) = found.count.checked_sub(1) else {
        let _ = writeln!(
            out,
            "# unit {} answers, but register 0 of neither table can be read; its manual says which can",
            unit.unit
        );
        return;
    };
    let now: Vec<_> = found.values.iter().take(16).map(u16::to_string).collect();
    let _ = writeln!(
        out,
        "# {table} registers 0 to {last} can be read; the first hold {}",
        now.join(" ")
    );
    let _ = writeln!(
        out,
        "[module.{name}]\nline = \"{line}\"\nunit = {}\nregisters = \"{table} 0-{last}\"\ncode = \"{}\"   # or another: its manual says",
        unit.unit,
        code_of(&found.values)
    );
    let _ = writeln!(
        out,
        "\n# Bare counts, until you say what they stand for: give the module `count = \"1 mV\"`, and write\n# [meter.NAME] velocity = {{ input = \"{name}.1\", signal = \"0-10 V\", range = \"0-20 m/s\" }}"
    );
    for input in 1..=found.count.min(CHANNELS_MAX) {
        let _ = writeln!(
            out,
            "[channel.{name}-{input}]\nquantity = \"ratio\"\nunit = \"1\"\ninput = \"{name}.{input}\""
        );
    }
}

/// Counts just below 65 536 are small negative ones, most likely.
fn code_of(values: &[u16]) -> &'static str {
    const NEGATIVE: u16 = 0xFF00;
    if values.iter().any(|value| *value >= NEGATIVE) {
        "int16"
    } else {
        "uint16"
    }
}

/// A meter that was heard, as a text line with its channels.
pub fn text(name: &str, way: Way<'_>, guess: &TextGuess) -> String {
    let mut keys = vec![way.keys()];
    if guess.terminator != "any" {
        keys.push(format!("terminator = \"{}\"", guess.terminator));
    }
    match &guess.form {
        Form::Delimited(delimiter, columns) => {
            if *delimiter != "blanks" {
                keys.push(format!("delimiter = {}", quoted(delimiter)));
            }
            let columns: Vec<_> = columns.iter().map(column).collect();
            keys.push(format!("fields = [{}]", columns.join(", ")));
        }
        Form::Pattern(regex, _) => keys.push(format!("pattern = '{regex}'")),
    }
    let fields = guess.fields();
    keys.extend(pairs(
        "units",
        fields
            .iter()
            .filter_map(|field| Some((field.name.clone(), field.suffix.clone()?))),
    ));
    keys.extend(pairs(
        "decimals",
        fields
            .iter()
            .filter_map(|field| Some((field.name.clone(), field.decimals?.to_string()))),
    ));
    if guess.decimal_comma {
        keys.push("decimal_comma = true".to_owned());
    }
    if guess.is_latin_1 {
        keys.push("encoding = \"latin-1\"".to_owned());
    }
    keys.extend(pairs(
        "status",
        guess
            .status
            .iter()
            .map(|word| (word.clone(), "no_number".to_owned())),
    ));
    let mut out = format!(
        "# heard: {}\n[line.{name}]\nevery = \"1 s\"   # how often it speaks\ntext = {{ {} }}\n",
        comment(&guess.example),
        keys.join(", ")
    );
    channels(&mut out, name, &fields);
    out
}

fn column(column: &Column) -> String {
    match column {
        Column::Field(field) => quoted(&field.name),
        Column::Literal(text) => quoted(&format!("'{text}'")),
        Column::Skip => "\"-\"".to_owned(),
    }
}

/// `units = { velocity = "m/s" }`, where there are any.
fn pairs(key: &str, pairs: impl Iterator<Item = (String, String)>) -> Option<String> {
    let pairs: Vec<_> = pairs
        .map(|(name, value)| format!("{} = {}", key_of(&name), quoted(&value)))
        .collect();
    (!pairs.is_empty()).then(|| format!("{key} = {{ {} }}", pairs.join(", ")))
}

/// A meter's velocity and temperature, and a channel for every other field.
fn channels(out: &mut String, line: &str, fields: &[&Field]) {
    let is_meter = |field: &&&Field| matches!(field.name.as_str(), "velocity" | "temperature");
    if fields.iter().any(|field| is_meter(&field)) {
        let _ = writeln!(out, "\n[meter.{line}-meter]");
    }
    for field in fields.iter().filter(is_meter) {
        let (unit, remark) = unit(field);
        let _ = writeln!(
            out,
            "{} = {{ input = \"{line}.{}\", unit = \"{unit}\" }}{remark}",
            field.name, field.name
        );
    }
    for field in fields.iter().filter(|field| !is_meter(field)) {
        let (unit, remark) = unit(field);
        let quantity = field.quantity.unwrap_or(Quantity::Ratio);
        let _ = writeln!(
            out,
            "\n[channel.{line}-{}]\nquantity = \"{quantity}\"\nunit = \"{unit}\"{remark}\ninput = \"{line}.{}\"",
            field.name, field.name
        );
    }
}

fn unit(field: &Field) -> (Unit, &'static str) {
    let remark = match field.basis {
        Basis::Unit => "",
        Basis::Size => "   # guessed from the size of the numbers: look at the meter",
        Basis::None => "   # the line does not say what this is",
    };
    let quantity = field.quantity.unwrap_or(Quantity::Ratio);
    (field.unit.unwrap_or(quantity.si()), remark)
}

/// A converter that the kernel reads. `None` where nothing of it can be recorded yet.
pub fn iio(name: &str, found: &IioFinding, is_alone: bool) -> Option<String> {
    let mut device = Vec::new();
    let mut say = |key: &str, text: &Option<String>| {
        device.extend(
            text.as_ref()
                .map(|text| format!("{key} = {}", quoted(text))),
        );
    };
    say("name", &found.device.name);
    say("label", &found.device.label);
    if !is_alone {
        say("bus_address", &found.device.bus_address);
    }
    let root = found.device.folder.parent().and_then(Path::to_str);
    let root = root.filter(|root| *root != IioPlan::ROOT);
    device.extend(root.map(|root| format!("root = {}", quoted(root))));
    if found.device.name.is_none() && found.device.label.is_none() {
        return None;
    }
    let mut remarks = String::new();
    let mut scales = Vec::new();
    let mut offsets = Vec::new();
    for channel in &found.channels {
        let scale = channel
            .scale
            .and_then(|scale| written_scale(&channel.name, scale));
        match (channel.is_processed, scale) {
            (true, _) if written_scale(&channel.name, 1.0).is_some() => {
                scales.push((channel.name.clone(), "processed".to_owned()));
            }
            (false, Some(scale)) => {
                scales.push((channel.name.clone(), scale));
                let offset = channel.offset.filter(|offset| *offset != 0.0);
                offsets.extend(offset.map(|offset| (channel.name.clone(), offset.to_string())));
            }
            _ => {
                let _ = writeln!(
                    remarks,
                    "# {}: of a kind that is not recorded, or without a scale; its data sheet says what a count is",
                    comment(&channel.name)
                );
            }
        }
    }
    let names: BTreeSet<_> = scales.iter().map(|(channel, _)| channel.clone()).collect();
    device.push(pairs("channels", scales.into_iter())?);
    device.extend(pairs("offsets", offsets.into_iter()));
    let mut out = format!(
        "{remarks}[line.{name}]\nevery = \"1 s\"\niio = {{ {} }}\n",
        device.join(", ")
    );
    for channel in names {
        let quantity = quantity_of(&channel)?;
        let _ = writeln!(
            out,
            "\n[channel.{name}-{channel}]\nquantity = \"{quantity}\"\ninput = \"{name}.{channel}\""
        );
    }
    Some(out)
}

/// What a channel of this name measures.
fn quantity_of(channel: &str) -> Option<Quantity> {
    let written = written_scale(channel, 1.0)?;
    let (_, unit) = written.split_once(' ')?;
    let unit: Unit = unit.parse().ok()?;
    Some(match unit {
        Unit::Percent => Quantity::Humidity,
        other => other.quantity(),
    })
}
