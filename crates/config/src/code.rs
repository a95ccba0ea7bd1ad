//! A module's codes: how the bits of its registers form a number, and what one count stands for.

use zonda_model::written::Amount;
use zonda_protocol::modbus::Width;
use zonda_signal::code::EndCodes;
use zonda_signal::{CodeFormat, Coding, Integer, Scale, WordOrder};

use crate::fault::{Fault, note};
use crate::section::Section;

/// How a module's registers are read.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CodeOf {
    pub(crate) format: CodeFormat,
    pub(crate) width: Width,
}

pub(crate) fn read_code(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<CodeOf> {
    let order = section.read("word_order", read_order, faults);
    let order = order.map_or(WordOrder::HighFirst, |at| at.value);
    let bits = section.whole(
        "bits",
        i64::from(Integer::BITS_MIN),
        i64::from(Integer::BITS_MAX),
        faults,
    );
    let code = section.read("code", read_word, faults)?;
    let (coding, width) = match code.value {
        Word::Float => {
            let help = "leave it out, or choose the code of an integer";
            let keys = ["bits", "left_justified"];
            section.refuse(
                &keys,
                "says nothing here: the code is a float",
                help,
                faults,
            );
            return Some(CodeOf {
                format: CodeFormat::Float32(order),
                width: Width::Two,
            });
        }
        Word::Integer(coding, width) => (coding, width),
    };
    let whole = match width {
        Width::One => Integer::register(coding),
        Width::Two => Integer::two_registers(coding, order),
    };
    if width == Width::One {
        let why = "says nothing here: the code has one register only";
        let help = "leave it out, or choose a 32-bit code";
        section.refuse(&["word_order"], why, help, faults);
    }
    let mut integer = match bits.and_then(|bits: i64| u8::try_from(bits).ok()) {
        None => whole,
        Some(bits) if bits > whole.bits() => {
            let what = format!(
                "{bits} bits do not fit into the {} of this code",
                whole.bits()
            );
            faults.push(Fault::new(section.place("bits"), what));
            return None;
        }
        Some(bits) => {
            let converter = note(Integer::converter(coding, bits), &code.span, faults)?
                .with_end_codes(end_codes(coding));
            match width {
                Width::One => converter,
                Width::Two => converter.in_two_registers(order),
            }
        }
    };
    if section.flag("left_justified") {
        integer = integer.left_justified();
    }
    Some(CodeOf {
        format: CodeFormat::Integer(integer),
        width,
    })
}

/// The codes at which a converter is at the end of its span. An unsigned one rests at 0.
fn end_codes(coding: Coding) -> EndCodes {
    if coding == Coding::Unsigned {
        EndCodes::Highest
    } else {
        EndCodes::Both
    }
}

enum Word {
    Integer(Coding, Width),
    Float,
}

fn read_word(text: &str) -> Result<Word, String> {
    Ok(match text {
        "uint16" => Word::Integer(Coding::Unsigned, Width::One),
        "int16" => Word::Integer(Coding::Signed, Width::One),
        "offset16" => Word::Integer(Coding::OffsetBinary, Width::One),
        "uint32" => Word::Integer(Coding::Unsigned, Width::Two),
        "int32" => Word::Integer(Coding::Signed, Width::Two),
        "float32" => Word::Float,
        other => {
            return Err(format!(
                "`{other}` is none of uint16, int16, offset16, uint32, int32, float32"
            ));
        }
    })
}

fn read_order(text: &str) -> Result<WordOrder, String> {
    Ok(match text {
        "high first" => WordOrder::HighFirst,
        "low first" => WordOrder::LowFirst,
        "high first, bytes swapped" => WordOrder::HighFirstBytesSwapped,
        "low first, bytes swapped" => WordOrder::LowFirstBytesSwapped,
        other => {
            return Err(format!(
                "`{other}` is neither `high first` nor `low first` (each may add `, bytes swapped`)"
            ));
        }
    })
}

/// What one count of a module stands for.
pub(crate) fn read_count(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<Scale> {
    let zero = section.whole("zero", i64::from(i32::MIN), i64::from(u32::MAX), faults);
    if !section.has("count") {
        let why = "belongs to a `count`, and there is none here";
        section.refuse(&["zero"], why, "add `count`, or leave it out", faults);
    }
    let count = section.read("count", read_scale, faults)?;
    match zero {
        #[expect(clippy::cast_precision_loss, reason = "bounded to 32 bits above")]
        Some(zero) => note(
            count.value.with_zero(zero as f64),
            &section.place("zero"),
            faults,
        ),
        None => Some(count.value),
    }
}

/// `1 mV`, `10.24 V / 32768`, `20.48 V / 2^16`.
pub(crate) fn read_scale(text: &str) -> Result<Scale, String> {
    let (amount, divisor) = match text.split_once('/') {
        // The unit itself may hold a slash, as in `0.1 m/s`.
        Some((amount, divisor))
            if amount.trim().parse::<Amount>().is_ok() && read_divisor(divisor).is_some() =>
        {
            (amount, read_divisor(divisor))
        }
        _ => (text, None),
    };
    let amount: Amount = amount
        .trim()
        .parse()
        .map_err(|error: zonda_model::written::BadWriting| error.to_string())?;
    let per_count = Amount {
        value: amount.value / divisor.unwrap_or(1.0),
        unit: amount.unit,
    };
    Scale::per_count(per_count).map_err(|error| error.to_string())
}

fn read_divisor(text: &str) -> Option<f64> {
    let divisor = match text.trim().split_once('^') {
        Some(("2", power)) => 2_f64.powi(
            power
                .parse::<u8>()
                .ok()
                .filter(|power| *power <= 32)?
                .into(),
        ),
        Some(_) => return None,
        None => text.trim().parse().ok()?,
    };
    (divisor > 0.0).then_some(divisor)
}

#[cfg(test)]
mod tests {
    use zonda_model::Unit;

    use super::*;

    #[test]
    fn a_count_reads_as_people_write_it() {
        let step = |text: &str| read_scale(text).map(|scale| (scale.step(), scale.unit()));
        assert_eq!(step("1 mV"), Ok((1.0, Unit::Millivolt)));
        assert_eq!(step("10.24 V / 32768"), Ok((0.000_312_5, Unit::Volt)));
        assert_eq!(step("20.48 V / 2^16"), Ok((0.000_312_5, Unit::Volt)));
        assert_eq!(step("0.1 m/s"), Ok((0.1, Unit::MetrePerSecond)));
        assert!(step("0 mV").is_err());
        assert!(step("mV").is_err());
        assert!(step("10 V / 0").is_err());
    }
}
