//! What holds for every stream: no bytes panic, no split matters, no damaged byte makes a number.
#![allow(clippy::unwrap_used, reason = "tests")]

use proptest::collection::vec;
use proptest::prelude::*;
use zonda_model::{Code, Coded, Quality, Stamp};
use zonda_protocol::text::{
    Checksum, Column, Covers, Delimiter, Encoding, Field, Layout, Line, LineReader, Sum,
    Terminator, TextFormat, TextSpec,
};

/// The formats that properties are tried with: every kind of layout, terminator, sum and encoding.
fn formats() -> Vec<TextFormat> {
    let velocity = || Field::new("velocity".parse().unwrap());
    let temperature = Field {
        suffix: Some("°C".into()),
        decimals: Some(1),
        ..Field::new("temperature".parse().unwrap())
    };
    let columns = vec![
        Column::Literal("AIR".into()),
        Column::Field(velocity()),
        Column::Skip,
        Column::Field(temperature.clone()),
    ];
    let delimited = |delimiter, columns| TextSpec::new(Layout::Delimited { delimiter, columns });
    let checksum = |sum, separator: &str, prefix| {
        Some(Checksum {
            sum,
            separator: separator.into(),
            covers: Covers {
                prefix,
                separator: !prefix,
            },
        })
    };
    let specs = [
        TextSpec {
            words: vec![("----".into(), Quality::NO_NUMBER)],
            ..delimited(Delimiter::Character(';'), vec![Column::Field(velocity())])
        },
        TextSpec {
            terminator: Terminator::CrLf,
            decimal_comma: true,
            exponent: true,
            ..delimited(Delimiter::Character('\t'), columns.clone())
        },
        TextSpec {
            terminator: Terminator::Cr,
            encoding: Encoding::Latin1,
            prefix: "\u{2}".into(),
            ..delimited(Delimiter::Blanks, columns.clone())
        },
        TextSpec {
            terminator: Terminator::Own(b"\x03\x03\r".to_vec()),
            ..TextSpec::new(Layout::Pattern {
                regex: r".*V=(?<velocity>\S+) T=(?<temperature>.+)".into(),
                fields: vec![temperature],
            })
        },
        TextSpec {
            terminator: Terminator::Lf,
            prefix: "$".into(),
            checksum: checksum(Sum::Xor, "*", true),
            ..delimited(Delimiter::Character(','), columns.clone())
        },
        TextSpec {
            checksum: checksum(Sum::Xor, "*", false),
            ..delimited(Delimiter::Character(';'), vec![Column::Field(velocity())])
        },
        TextSpec {
            checksum: checksum(Sum::NegatedSum, " CS=", false),
            ..delimited(Delimiter::Blanks, columns)
        },
        TextSpec {
            terminator: Terminator::CrLf,
            length: 12..=12,
            checksum: checksum(Sum::Sum, "", true),
            ..delimited(Delimiter::Character(';'), vec![Column::Field(velocity())])
        },
    ];
    specs
        .into_iter()
        .map(|spec| TextFormat::new(spec).unwrap())
        .collect()
}

fn checked_formats() -> Vec<TextFormat> {
    formats()
        .into_iter()
        .filter(|format| format.spec().checksum.is_some())
        .collect()
}

fn terminator(format: &TextFormat) -> Vec<u8> {
    match &format.spec().terminator {
        Terminator::Cr => b"\r".to_vec(),
        Terminator::Lf => b"\n".to_vec(),
        Terminator::CrLf | Terminator::Any => b"\r\n".to_vec(),
        Terminator::Own(own) => own.clone(),
    }
}

/// One line as a meter of this format would write it, with its terminator.
fn write_line(format: &TextFormat, velocity: f64, temperature: f64) -> Vec<u8> {
    let spec = format.spec();
    let mut body = match &spec.layout {
        Layout::Pattern { .. } => format!("V={velocity:.3} T={temperature:.1} °C"),
        Layout::Delimited { columns, .. } if columns.len() == 1 => match spec.length.end() {
            12 => format!("{velocity:010.3}"),
            _ => format!("{velocity:.3}"),
        },
        Layout::Delimited { delimiter, .. } => {
            let (delimiter, degree) = match delimiter {
                Delimiter::Character(one) => (*one, " °C"),
                Delimiter::Blanks => (' ', "°C"),
            };
            format!("AIR{delimiter}{velocity:.3}{delimiter}x1y{delimiter}{temperature:.1}{degree}")
        }
    };
    if spec.decimal_comma {
        body = body.replace('.', ",");
    }
    let body = match spec.encoding {
        Encoding::Utf8 => body.into_bytes(),
        Encoding::Latin1 => body.chars().map(|c| u8::try_from(c).unwrap()).collect(),
    };
    let mut line = spec.prefix.clone().into_bytes();
    line.extend(&body);
    if let Some(checksum) = &spec.checksum {
        let before = if checksum.covers.prefix {
            spec.prefix.as_str()
        } else {
            ""
        };
        let after = if checksum.covers.separator {
            checksum.separator.as_str()
        } else {
            ""
        };
        let sum = checksum.sum.over(
            before
                .as_bytes()
                .iter()
                .chain(&body)
                .chain(after.as_bytes()),
        );
        line.extend(format!("{}{sum:02X}", checksum.separator).into_bytes());
    }
    line.extend(terminator(format));
    line
}

fn read_split(format: &TextFormat, stream: &[u8], cuts: &[usize]) -> Vec<Line> {
    let mut reader = LineReader::listening(format.clone(), Stamp::default());
    let mut cuts: Vec<_> = cuts.iter().map(|cut| cut % (stream.len() + 1)).collect();
    cuts.sort_unstable();
    cuts.push(stream.len());
    let mut from = 0;
    let mut lines = Vec::new();
    for (index, cut) in cuts.into_iter().enumerate() {
        let now = Stamp::from_millis(i64::try_from(index).unwrap() * 100);
        lines.extend(reader.handle_bytes(now, &stream[from..cut]));
        from = cut;
    }
    lines
}

/// What was read, without the times and the flag that depend on the reads.
fn values(lines: &[Line]) -> Vec<Result<Vec<Coded>, String>> {
    let without_backlog = |codes: &Vec<Coded>| {
        let plain = |coded: &Coded| Coded {
            quality: coded.quality - Quality::BACKLOG,
            ..*coded
        };
        codes.iter().map(plain).collect()
    };
    lines
        .iter()
        .map(|line| match &line.outcome {
            Ok(codes) => Ok(without_backlog(codes)),
            Err(reject) => Err(reject.to_string()),
        })
        .collect()
}

fn believed(lines: &[Line]) -> Vec<Vec<f64>> {
    let number = |coded: &Coded| match coded.code {
        Some(Code::Number(number)) => number,
        other => panic!("{other:?}"),
    };
    lines
        .iter()
        .filter_map(|line| line.outcome.as_ref().ok())
        .map(|codes| codes.iter().map(number).collect())
        .collect()
}

/// Numbers as meters show them.
fn shown() -> impl Strategy<Value = (f64, f64)> {
    ((0i32..60_000), (-400i32..5000)).prop_map(|(velocity, temperature)| {
        (f64::from(velocity) / 1000.0, f64::from(temperature) / 10.0)
    })
}

fn expected(format: &TextFormat, (velocity, temperature): (f64, f64)) -> Vec<f64> {
    if format.fields().len() == 1 {
        vec![velocity]
    } else {
        vec![velocity, temperature]
    }
}

/// Bytes that are mostly near-lines of a meter, with noise between.
fn near_stream() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        4 => "[0-9]{1,3}[.,][0-9]{1,3}".prop_map(String::into_bytes),
        2 => "[;,\t *$=]|AIR|V=| T=| CS=|°C|----|1A".prop_map(String::into_bytes),
        3 => prop::sample::select(vec!["\r\n", "\n", "\r", "\x03\x03\r"]).prop_map(|end| end.as_bytes().to_vec()),
        1 => vec(any::<u8>(), 0..6),
        1 => Just(vec![b'8'; 300]),
    ];
    vec(piece, 0..40).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn what_a_meter_writes_is_read_back(readings in vec(shown(), 2..20), cuts in vec(any::<usize>(), 0..8)) {
        for format in formats() {
            let mut stream = b"half a line".to_vec();
            stream.extend(terminator(&format));
            for (velocity, temperature) in &readings {
                stream.extend(write_line(&format, *velocity, *temperature));
            }
            let lines = read_split(&format, &stream, &cuts);
            let wanted: Vec<_> = readings[1..].iter().map(|pair| expected(&format, *pair)).collect();
            prop_assert_eq!(believed(&lines), wanted, "{:?}", format);
            prop_assert_eq!(lines.len(), readings.len());
        }
    }

    #[test]
    fn no_split_of_a_stream_changes_what_is_read(stream in near_stream(), cuts in vec(any::<usize>(), 0..30)) {
        for format in formats() {
            let whole = read_split(&format, &stream, &[]);
            let split = read_split(&format, &stream, &cuts);
            prop_assert_eq!(values(&whole), values(&split));
            let bytewise: Vec<_> = (0..stream.len()).collect();
            prop_assert_eq!(values(&whole), values(&read_split(&format, &stream, &bytewise)));
        }
    }

    #[test]
    fn stamps_increase_and_lie_inside_their_reads(stream in near_stream(), cuts in vec(any::<usize>(), 0..30)) {
        for format in formats() {
            let lines = read_split(&format, &stream, &cuts);
            prop_assert!(lines.is_sorted_by(|a, b| a.at < b.at));
            let last_read = Stamp::from_millis(i64::try_from(cuts.len()).unwrap() * 100 + 1);
            prop_assert!(lines.iter().all(|line| line.at <= last_read));
        }
    }

    #[test]
    fn every_code_is_finite(stream in near_stream()) {
        for format in formats() {
            for codes in read_split(&format, &stream, &[]).iter().filter_map(|line| line.outcome.as_ref().ok()) {
                prop_assert_eq!(codes.len(), format.fields().len());
                for coded in codes {
                    match coded.code {
                        Some(Code::Number(number)) => prop_assert!(number.is_finite()),
                        other => prop_assert!(other.is_none() && !coded.quality.is_empty()),
                    }
                }
            }
        }
    }

    /// The heart of the matter: with a checksum, one damaged byte loses lines and never makes one.
    #[test]
    fn with_a_checksum_one_damaged_byte_makes_no_other_number(
        readings in vec(shown(), 3..6),
        place in any::<prop::sample::Index>(),
        damage in damage(),
    ) {
        for format in checked_formats() {
            let mut stream = terminator(&format);
            for (velocity, temperature) in &readings {
                stream.extend(write_line(&format, *velocity, *temperature));
            }
            let at = place.index(stream.len());
            damage.apply(&mut stream, at);
            let sent: Vec<_> = readings.iter().map(|pair| expected(&format, *pair)).collect();
            let read = believed(&read_split(&format, &stream, &[]));
            prop_assert!(is_subsequence(&read, &sent), "{} of {}", stream.escape_ascii(), format!("{read:?} {sent:?}"));
        }
    }
}

/// Every damage of every byte of a line whose parts cancel out under `xor`, which chance rarely draws.
#[test]
fn with_a_checksum_no_damage_of_any_byte_makes_another_number() {
    for format in checked_formats() {
        let sent: Vec<_> = [(1123.0, 22.2), (12.212, 33.0), (11.5, 22.2)]
            .map(|pair| (pair, expected(&format, pair)))
            .into();
        let mut clean = terminator(&format);
        for ((velocity, temperature), _) in &sent {
            clean.extend(write_line(&format, *velocity, *temperature));
        }
        let sent: Vec<_> = sent.into_iter().map(|(_, values)| values).collect();
        for at in 0..clean.len() {
            for damage in (0..=255)
                .flat_map(|byte| [Damage::Replace(byte), Damage::Insert(byte), Damage::Delete])
            {
                let mut stream = clean.clone();
                damage.apply(&mut stream, at);
                let read = believed(&read_split(&format, &stream, &[]));
                assert!(
                    is_subsequence(&read, &sent),
                    "{}: {read:?}",
                    stream.escape_ascii()
                );
            }
        }
    }
}

#[derive(Clone, Copy, Debug)]
enum Damage {
    Replace(u8),
    Insert(u8),
    Delete,
}

impl Damage {
    fn apply(self, stream: &mut Vec<u8>, at: usize) {
        match self {
            Self::Replace(byte) => stream[at] = byte,
            Self::Insert(byte) => stream.insert(at, byte),
            Self::Delete => {
                stream.remove(at);
            }
        }
    }
}

fn damage() -> impl Strategy<Value = Damage> {
    prop_oneof![
        any::<u8>().prop_map(Damage::Replace),
        any::<u8>().prop_map(Damage::Insert),
        Just(Damage::Delete),
    ]
}

/// True where `part` is `whole` with some items left out.
fn is_subsequence(part: &[Vec<f64>], whole: &[Vec<f64>]) -> bool {
    let mut rest = whole.iter();
    part.iter().all(|item| rest.any(|other| other == item))
}

#[test]
fn no_bytes_upset_the_reader() {
    let formats = formats();
    bolero::check!().for_each(|input: &[u8]| {
        let Some((cut, stream)) = input.split_first() else {
            return;
        };
        for format in &formats {
            let whole = read_split(format, stream, &[]);
            assert_eq!(
                values(&whole),
                values(&read_split(format, stream, &[usize::from(*cut)]))
            );
        }
    });
}

#[test]
fn no_bytes_upset_a_delimited_format() {
    fuzz_lines(&formats()[0]);
    fuzz_lines(&formats()[1]);
    fuzz_lines(&formats()[2]);
}

#[test]
fn no_bytes_upset_a_pattern() {
    fuzz_lines(&formats()[3]);
}

#[test]
fn no_bytes_upset_a_checksum() {
    checked_formats().iter().for_each(fuzz_lines);
}

fn fuzz_lines(format: &TextFormat) {
    bolero::check!().for_each(|line: &[u8]| {
        if let Ok(codes) = format.decode_line(line) {
            assert_eq!(codes.len(), format.fields().len());
            assert!(format.spec().length.contains(&line.len()));
            assert!(!line.contains(&0));
        }
    });
}

#[test]
fn no_text_upsets_the_check_of_a_format() {
    bolero::check!()
        .with_type()
        .for_each(|(text, other, length): &(String, String, u8)| {
            let _ = text.parse::<Terminator>();
            let _ = text.parse::<Delimiter>();
            let spec = TextSpec {
                prefix: other.clone(),
                length: usize::from(*length)..=64,
                ..TextSpec::new(Layout::Pattern {
                    regex: text.clone(),
                    fields: Vec::new(),
                })
            };
            if let Ok(format) = TextFormat::new(spec) {
                let _ = format.decode_line(other.as_bytes());
            }
        });
}
