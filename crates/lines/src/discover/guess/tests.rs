//! A guess is worth what the configuration made of it reads: each is checked, and given the same
//! bytes as a line's task would get them.

use proptest::prelude::*;
use zonda_config::{DriverPlan, TextPlan};
use zonda_model::{Code, Stamp};
use zonda_protocol::text::LineReader;

use super::*;
use crate::discover::stanza::{self, Way};

/// The numbers of each line.
type Numbers = Vec<Vec<Option<f64>>>;

/// The stanza, its plan, and the codes of the lines that it believes.
fn read(bytes: &[u8]) -> Option<(TextGuess, String, Numbers)> {
    let guess = guess(bytes)?;
    let text = stanza::text("line1", Way::Tcp("192.0.2.11", 4001), &guess);
    let checked = zonda_config::check("found.toml", &text);
    let config = checked
        .unwrap_or_else(|faults| panic!("{faults}\n{text}"))
        .config;
    let DriverPlan::Text(TextPlan { format, .. }) = &config.lines[0].driver else {
        panic!("{text}")
    };
    let mut reader = LineReader::listening(format.clone(), Stamp::default());
    let lines = reader.handle_bytes(Stamp::from_millis(1), bytes);
    let codes = lines.into_iter().filter_map(|line| line.outcome.ok());
    let numbers = codes.map(|codes| {
        codes
            .into_iter()
            .map(|coded| match coded.code {
                Some(Code::Number(number)) => Some(number),
                _ => None,
            })
            .collect()
    });
    let numbers = numbers.collect();
    Some((guess, text, numbers))
}

/// What a configuration reads of a meter's lines; the first piece is half a line.
fn check(lines: &[&str], end: &str, names: &[&str], last: &[Option<f64>]) -> TextGuess {
    let bytes = format!("7.5{end}{}{end}", lines.join(end));
    let (guess, text, read) =
        read(bytes.as_bytes()).unwrap_or_else(|| panic!("no guess: {bytes:?}"));
    let fields: Vec<_> = guess
        .fields()
        .iter()
        .map(|field| field.name.clone())
        .collect();
    assert_eq!(fields, names, "{text}");
    assert_eq!(read.last().map(Vec::as_slice), Some(last), "{text}");
    // The reader's first whole line only proves the stream.
    assert!(
        read.len() + 2 >= lines.len(),
        "{} of {} lines: {text}",
        read.len(),
        lines.len()
    );
    guess
}

#[test]
fn columns_with_units_say_what_they_are() {
    let lines = ["1.25 m/s;23.5 °C", "1.31 m/s;23.6 °C", "12.04 m/s;123.6 °C"];
    let guess = check(
        &lines,
        "\r\n",
        &["velocity", "temperature"],
        &[Some(12.04), Some(123.6)],
    );
    assert_eq!(guess.terminator, "CRLF");
    assert!(
        guess
            .fields()
            .iter()
            .all(|field| field.basis == Basis::Unit)
    );
    assert_eq!(guess.fields()[0].decimals, Some(2));
}

#[test]
fn two_bare_numbers_are_told_by_their_size() {
    let guess = check(
        &["120.5\t0.31", "121.0\t0.33", "121.5\t1.30"],
        "\r",
        &["temperature", "velocity"],
        &[Some(121.5), Some(1.3)],
    );
    assert_eq!(guess.fields()[0].basis, Basis::Size);
    assert_eq!(guess.terminator, "CR");
    // Nothing is said of what no air does.
    check(
        &["5000;0.31", "5100;0.33", "5100;0.34"],
        "\n",
        &["value1", "value2"],
        &[Some(5100.0), Some(0.34)],
    );
}

#[test]
fn a_decimal_comma_is_told_from_a_delimiter() {
    let guess = check(
        &["1,25;23,5", "1,31;23,6", "2,04;23,7"],
        "\n",
        &["velocity", "temperature"],
        &[Some(2.04), Some(23.7)],
    );
    assert!(guess.decimal_comma);
    let guess = check(
        &["1.25,23.5", "1.31,23.6", "2.04,23.7"],
        "\n",
        &["velocity", "temperature"],
        &[Some(2.04), Some(23.7)],
    );
    assert!(!guess.decimal_comma);
}

#[test]
fn words_in_place_of_numbers_and_fixed_words_are_seen() {
    let lines = ["V 1.25 23.5", "V ---- 23.6", "V 1.31 23.7", "V 1.29 23.7"];
    let guess = check(
        &lines,
        "\r\n",
        &["velocity", "temperature"],
        &[Some(1.29), Some(23.7)],
    );
    assert_eq!(guess.status, BTreeSet::from(["----".to_owned()]));
    let Form::Delimited(delimiter, columns) = &guess.form else {
        panic!("{guess:?}")
    };
    assert_eq!(
        (*delimiter, &columns[0]),
        ("blanks", &Column::Literal("V".into()))
    );
}

#[test]
fn units_in_columns_of_their_own_belong_to_the_number_before() {
    let lines = [
        "250 ft/min 71.5 °F",
        "260 ft/min 71.6 °F",
        "255 ft/min 71.6 °F",
    ];
    let guess = check(
        &lines,
        "\r\n",
        &["velocity", "temperature"],
        &[Some(255.0), Some(71.6)],
    );
    assert_eq!(guess.fields()[0].unit, Some(Unit::FootPerMinute));
}

#[test]
fn names_before_numbers_make_a_pattern() {
    let lines = ["V=1.25 T=23.5", "V=11.30 T=123.5", "V=1.27 T=23.9"];
    let guess = check(
        &lines,
        "\r\n",
        &["velocity", "temperature"],
        &[Some(1.27), Some(23.9)],
    );
    assert!(matches!(guess.form, Form::Pattern(..)), "{guess:?}");
}

#[test]
fn a_degree_sign_of_one_byte_is_latin_1() {
    let bytes =
        b"3.5 \xB0C\r\n1.25 m/s 23.5 \xB0C\r\n1.26 m/s 23.6 \xB0C\r\n1.28 m/s 23.6 \xB0C\r\n";
    let (guess, _, read) = read(bytes).unwrap();
    assert!(guess.is_latin_1);
    assert_eq!(read.last().unwrap(), &[Some(1.28), Some(23.6)]);
}

#[test]
fn what_is_no_meter_is_none() {
    for bytes in [
        &b""[..],
        b"\r\n\r\n",
        b"hello\r\nworld\r\nagain\r\n",
        b"\x00\x80\xF0\x11\r\n\x99\n\x81",
        b"12.5",
        b"12.5\r\n",
    ] {
        assert_eq!(guess(bytes), None, "{:?}", String::from_utf8_lossy(bytes));
    }
}

/// Lines of any meter that writes numbers: what was generated is what is read.
#[derive(Clone, Debug)]
struct Meter {
    rows: Vec<(u32, u32)>,
    delimiter: &'static str,
    is_comma: bool,
    decimals: usize,
    end: &'static str,
    suffixes: bool,
}

fn meters() -> impl Strategy<Value = Meter> {
    let delimiter = prop_oneof![
        Just(";"),
        Just("\t"),
        Just(" "),
        Just("   "),
        Just("|"),
        Just(","),
        Just("; ")
    ];
    let end = prop_oneof![Just("\r\n"), Just("\r"), Just("\n")];
    let rows = proptest::collection::vec((100u32..4000, 5000u32..40_000), 3..20);
    (
        rows,
        delimiter,
        any::<bool>(),
        1usize..4,
        end,
        any::<bool>(),
    )
        .prop_map(
            |(rows, delimiter, is_comma, decimals, end, suffixes)| Meter {
                rows,
                delimiter,
                is_comma: is_comma && delimiter != ",",
                decimals,
                end,
                suffixes: suffixes && !delimiter.starts_with(' '),
            },
        )
}

impl Meter {
    fn number(&self, hundredths: u32) -> String {
        let text = format!("{:.*}", self.decimals, f64::from(hundredths) / 100.0);
        if self.is_comma {
            text.replace('.', ",")
        } else {
            text
        }
    }

    fn bytes(&self) -> Vec<u8> {
        let (of_velocity, of_temperature) = if self.suffixes {
            (" m/s", " °C")
        } else {
            ("", "")
        };
        let mut text = format!("1{}", self.end);
        for (velocity, temperature) in &self.rows {
            text.extend([
                &self.number(*velocity),
                of_velocity,
                self.delimiter,
                &self.number(*temperature),
                of_temperature,
                self.end,
            ]);
        }
        text.into_bytes()
    }
}

proptest! {
    #[test]
    fn numbers_of_any_meter_are_read_as_they_were_written(meter in meters()) {
        let (guess, text, read) = read(&meter.bytes()).unwrap();
        let names: Vec<_> = guess.fields().iter().map(|field| field.name.clone()).collect();
        prop_assert_eq!(names, ["velocity", "temperature"]);
        let (velocity, temperature) = *meter.rows.last().unwrap();
        let number = |hundredths: u32| meter.number(hundredths).replace(',', ".").parse::<f64>().ok();
        prop_assert_eq!(read.last().unwrap(), &[number(velocity), number(temperature)], "{}", text);
        prop_assert_eq!(guess.decimal_comma, meter.is_comma);
    }

    #[test]
    fn damage_makes_no_stanza_that_the_check_refuses(meter in meters(), at in any::<prop::sample::Index>(), by in any::<u8>(), cut in any::<prop::sample::Index>()) {
        let mut bytes = meter.bytes();
        let at = at.index(bytes.len());
        bytes[at] = by;
        bytes.drain(..cut.index(bytes.len()));
        let _ = read(&bytes);
    }

    #[test]
    fn no_text_makes_a_stanza_that_the_check_refuses(lines in proptest::collection::vec("[ -~]{0,12}[0-9]{1,3}[.,;]?[ -~]{0,6}", 1..6)) {
        let text = format!("\n{}\n{}\n", lines.join("\n"), lines[0]);
        let _ = read(text.as_bytes());
    }
}

#[test]
fn no_bytes_panic_or_make_a_stanza_that_the_check_refuses() {
    bolero::check!().for_each(|bytes: &[u8]| drop(read(bytes)));
}
