//! Who a device must be: what it is asked, and what must stand in its answer.
//!
//! A name such as a port's path or a unit's number says where a device is, not which it is: two
//! swapped meters give numbers that look right. Asking is left to `zonda-lines`.

use std::fmt;

use toml::de::DeTable;
use zonda_protocol::modbus::identification::ObjectId;
use zonda_protocol::modbus::{RegisterSpan, Table};

use crate::fault::Fault;
use crate::instrument::MeterPlan;
use crate::module::read_registers;
use crate::plan::{ChannelPlan, DriverPlan, LinePlan, SourcePlan, Talk};
use crate::section::Section;

/// What must stand in a device's answer, such as its serial number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected(String);

/// Who a Modbus unit must be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IdentityPlan {
    /// What it is asked.
    pub question: IdentityQuestion,
    /// What must stand in its answer.
    pub expected: Expected,
}

/// What a Modbus unit is asked in order to know it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum IdentityQuestion {
    /// An object of its device identification (function 43/14).
    Object(ObjectId),
    /// Registers that hold its number, or characters.
    Registers(Table, RegisterSpan),
}

/// Who a meter that is asked by text must be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextIdentityPlan {
    /// The question.
    pub ask: Vec<u8>,
    /// What must stand in its answer.
    pub expected: Expected,
}

impl Expected {
    /// What must stand there; `None` where it is empty, because that stands everywhere.
    pub fn new(text: &str) -> Option<Self> {
        let text = text.trim();
        (!text.is_empty()).then(|| Self(text.to_owned()))
    }

    /// Whether it stands in what a device said, by itself: `471` does not stand in `4711`.
    pub fn fits(&self, said: &str) -> bool {
        said.match_indices(&self.0).any(|(at, found)| {
            let before = said[..at].chars().next_back();
            let after = said[at + found.len()..].chars().next();
            let is_part = |beside: Option<char>| beside.is_some_and(char::is_alphanumeric);
            !is_part(before) && !is_part(after)
        })
    }

    /// Whether it is what registers hold, read in any of the ways in which devices write numbers.
    pub fn fits_registers(&self, registers: &[u16]) -> bool {
        readings(registers).contains(&self.0)
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What registers say as a number, high and low word first, and as characters, two in each.
pub fn readings(registers: &[u16]) -> Vec<String> {
    let number = |words: &mut dyn Iterator<Item = &u16>| {
        let number = words.fold(0_u64, |number, word| number << 16 | u64::from(*word));
        number.to_string()
    };
    let mut readings = Vec::new();
    if registers.len() <= 4 {
        readings.push(number(&mut registers.iter()));
        readings.push(number(&mut registers.iter().rev()));
    }
    let bytes: Vec<u8> = registers
        .iter()
        .flat_map(|word| word.to_be_bytes())
        .collect();
    let text = String::from_utf8_lossy(&bytes);
    let text = text.trim_matches(|c: char| c == '\0' || c.is_whitespace());
    if !text.is_empty() && text.chars().all(|c| c.is_ascii_graphic() || c == ' ') {
        readings.push(text.to_owned());
    }
    readings.dedup();
    readings
}

/// `identity` of a module.
pub(crate) fn read(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<IdentityPlan> {
    let section = section.inner("identity", faults)?;
    let expected = read_expected(&section, faults);
    let object = section.parsed::<ObjectId>("object", faults);
    let registers = section.read("registers", read_registers, faults);
    let question = match (object, registers) {
        (Some(object), None) => IdentityQuestion::Object(object.value),
        (None, Some(at)) => {
            let span = RegisterSpan::new(at.value.first, at.value.count);
            let span = span
                .map_err(|error| faults.push(Fault::new(at.span, error.to_string())))
                .ok()?;
            IdentityQuestion::Registers(at.value.table, span)
        }
        (Some(_), Some(registers)) => {
            let what = "a unit is known by an object or by registers, not by both";
            faults.push(Fault::new(registers.span, what).help("leave one of them out"));
            return None;
        }
        (None, None) => {
            if !section.has("object") && !section.has("registers") {
                let what = "it is not said what the unit is asked";
                let help = "add `registers = \"holding 200-201\"`, or `object = \"product\"` where it has a device identification";
                faults.push(Fault::new(section.span.clone(), what).help(help));
            }
            return None;
        }
    };
    Some(IdentityPlan {
        question,
        expected: expected?,
    })
}

/// `identity` of a text line.
pub(crate) fn read_text(
    section: &Section<'_, '_>,
    talk: Option<&Talk>,
    faults: &mut Vec<Fault>,
) -> Option<TextIdentityPlan> {
    let inner = section.inner("identity", faults)?;
    if matches!(talk, Some(Talk::Listen)) {
        let what = "a meter that is only listened to cannot be asked who it is";
        faults.push(Fault::new(inner.span.clone(), what).help(
            "add `ask`; or, where every line carries its number, write that into `prefix` or as a `'text'` among `fields`",
        ));
        return None;
    }
    let expected = read_expected(&inner, faults);
    let ask = inner.text("ask")?;
    if ask.value.is_empty() {
        faults.push(Fault::new(ask.span, "`ask` is empty").help("such as `ask = \"I\\r\"`"));
        return None;
    }
    Some(TextIdentityPlan {
        ask: ask.value.as_bytes().to_vec(),
        expected: expected?,
    })
}

fn read_expected(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Expected> {
    let is = section.text("is")?;
    let expected = Expected::new(is.value);
    if expected.is_none() {
        let help = "write what only this device says, such as its serial number";
        faults.push(Fault::new(is.span, "`is` is empty: every device would fit").help(help));
    }
    expected
}

/// A meter's own number that is not the one its text line is known by: one of the two is old.
pub(crate) fn warn_other_number(
    file: &DeTable<'_>,
    (meters, channels): (&[MeterPlan], &[ChannelPlan]),
    (lines, sources): (&[LinePlan], &[SourcePlan]),
    warnings: &mut Vec<Fault>,
) {
    for meter in meters {
        let Some(number) = &meter.serial else {
            continue;
        };
        let text_lines = meter.outputs.iter().filter_map(|output| {
            let source = sources.get(channels.get(output.channel)?.source.0)?;
            let line = lines.get(source.line)?;
            let DriverPlan::Text(text) = &line.driver else {
                return None;
            };
            Some((line, text.identity.as_ref()?))
        });
        let other = text_lines
            .filter(|(_, identity)| {
                !identity.expected.fits(number) && identity.expected.0 != *number
            })
            .find(|(_, identity)| {
                Expected::new(number).is_some_and(|number| !number.fits(&identity.expected.0))
            });
        if let Some((line, identity)) = other {
            let what = format!(
                "the meter `{}` has the number {number}, and its line `{}` expects {}",
                meter.name, line.name, identity.expected
            );
            let place = place_of_serial(file, meter.name.as_str()).unwrap_or(0..0);
            warnings.push(Fault::new(place, what).help("which of the two is on the bench?"));
        }
    }
}

fn place_of_serial(file: &DeTable<'_>, meter: &str) -> Option<std::ops::Range<usize>> {
    let meters = file.get("meter")?.get_ref().as_table()?;
    let one = meters.get(meter)?.get_ref().as_table()?;
    Some(one.get("serial")?.span())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_stands_by_itself_or_not_at_all() {
        let expected = Expected::new("P-471").unwrap();
        assert!(
            expected.fits("SN P-471") && expected.fits("P-471;1.2") && expected.fits("(P-471)")
        );
        assert!(!expected.fits("P-4711") && !expected.fits("XP-471") && !expected.fits(""));
        assert_eq!(Expected::new("  "), None);
    }

    #[test]
    fn registers_hold_numbers_or_characters() {
        let fits = |text, registers: &[u16]| Expected::new(text).unwrap().fits_registers(registers);
        assert!(fits("4711", &[4711]));
        // 123 456 is 1·65 536 + 57 920.
        assert!(fits("123456", &[1, 57_920]) && fits("123456", &[57_920, 1]));
        assert!(fits("A-17", &[0x412D, 0x3137]));
        assert!(fits("A-1", &[0x412D, 0x3100]));
        assert!(!fits("4711", &[4712]) && !fits("0", &[1]));
        assert_eq!(readings(&[4711]), ["4711"]);
    }
}
