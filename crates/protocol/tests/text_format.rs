//! What may be written about a meter's lines, and what a line then yields.
#![allow(clippy::unwrap_used, reason = "tests")]

use zonda_model::{Code, Coded, Name, Quality};
use zonda_protocol::text::{
    BadFormat, Checksum, Column, Covers, Delimiter, Encoding, Field, Layout, Part, Sum, Terminator,
    TextFormat, TextSpec, Why,
};

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

fn field(text: &str) -> Field {
    Field::new(name(text))
}

fn delimited(delimiter: &str, columns: Vec<Column>) -> TextSpec {
    TextSpec::new(Layout::Delimited {
        delimiter: delimiter.parse().unwrap(),
        columns,
    })
}

fn one_field() -> TextSpec {
    delimited(";", vec![Column::Field(field("velocity"))])
}

fn pattern(regex: &str) -> TextSpec {
    TextSpec::new(Layout::Pattern {
        regex: regex.to_owned(),
        fields: Vec::new(),
    })
}

fn checksum(sum: Sum, separator: &str) -> Checksum {
    Checksum {
        sum,
        separator: separator.to_owned(),
        covers: Covers::default(),
    }
}

fn number(value: f64) -> Coded {
    Coded {
        code: Some(Code::Number(value)),
        quality: Quality::empty(),
    }
}

fn word(quality: Quality) -> Coded {
    Coded {
        code: None,
        quality,
    }
}

fn numbers(spec: TextSpec, line: &str) -> Result<Vec<Coded>, Why> {
    TextFormat::new(spec)
        .unwrap()
        .decode_line(line.as_bytes())
        .map_err(|reject| reject.why)
}

#[test]
fn columns_are_read_in_their_order() {
    let spec = delimited(
        ";",
        vec![
            Column::Literal("AIR".into()),
            Column::Field(Field {
                suffix: Some("m/s".into()),
                ..field("velocity")
            }),
            Column::Skip,
            Column::Field(field("temperature")),
        ],
    );
    let read = |line| numbers(spec.clone(), line);
    let expected = Ok(vec![number(12.34), number(-5.0)]);
    assert_eq!(read("AIR;12.34 m/s;whatever;-5"), expected);
    assert_eq!(read("AIR; 12.34m/s ;;  -5.0"), expected);
    assert_eq!(read("AIR;\t12.34;x;-5"), expected);
    assert!(matches!(
        read("AIR;12.34 km/h;x;-5"),
        Err(Why::Number { .. })
    ));
    assert!(matches!(read("WATER;12.34;x;-5"), Err(Why::Literal { .. })));
    assert_eq!(
        read("AIR;12.34;-5"),
        Err(Why::Columns {
            found: 3,
            expected: 4
        })
    );
    let format = TextFormat::new(spec).unwrap();
    assert_eq!(format.input("temperature"), Some(1));
    assert_eq!(format.input("humidity"), None);
}

#[test]
fn blanks_part_columns_whatever_their_number() {
    let columns = ["velocity", "temperature"].map(|text| Column::Field(field(text)));
    let read = |line| numbers(delimited("blanks", columns.to_vec()), line);
    assert_eq!(
        read("  1.5 \t  20.25 "),
        Ok(vec![number(1.5), number(20.25)])
    );
    assert!(matches!(read("1.5"), Err(Why::Columns { found: 1, .. })));
}

#[test]
fn a_decimal_comma_is_a_mark_and_a_point_is_not() {
    let spec = TextSpec {
        decimal_comma: true,
        ..one_field()
    };
    assert_eq!(numbers(spec.clone(), "12,5"), Ok(vec![number(12.5)]));
    assert!(numbers(spec, "12.5").is_err());
    assert!(numbers(one_field(), "12,5").is_err());
}

#[test]
fn named_groups_are_fields_in_their_order() {
    let spec = pattern(r"T=(?<temperature>\S+?)C? V=(?<velocity>[-+0-9.]+)( .*)?");
    let format = TextFormat::new(spec.clone()).unwrap();
    let names: Vec<_> = format
        .fields()
        .iter()
        .map(|field| field.name.as_str())
        .collect();
    assert_eq!(names, ["temperature", "velocity"]);
    let read = |line| numbers(spec.clone(), line);
    assert_eq!(read("T=20.5C V=3.1"), Ok(vec![number(20.5), number(3.1)]));
    assert_eq!(read("T=20.5 V=3.1 ok"), Ok(vec![number(20.5), number(3.1)]));
    assert_eq!(read("xT=20.5 V=3.1"), Err(Why::NoMatch));
    assert_eq!(read("T=20.5 V=3.1x"), Err(Why::NoMatch));
    assert!(matches!(read("T=1.2.3 V=3.1"), Err(Why::Number { .. })));
    let absent = numbers(pattern("(?<a>[0-9]+)|b(?<b>[0-9]+)"), "12");
    assert_eq!(absent, Err(Why::FieldAbsent("b".into())));
}

#[test]
fn a_group_may_have_a_suffix_and_decimals() {
    let spec = TextSpec::new(Layout::Pattern {
        regex: "V=(?<velocity>.+)".into(),
        fields: vec![Field {
            name: name("velocity"),
            suffix: Some("m/s".into()),
            decimals: Some(2),
        }],
    });
    assert_eq!(numbers(spec.clone(), "V= 1.50 m/s"), Ok(vec![number(1.5)]));
    assert!(matches!(
        numbers(spec, "V=1.5 m/s"),
        Err(Why::Number { .. })
    ));
}

#[test]
fn words_stand_in_place_of_numbers() {
    let spec = TextSpec {
        words: vec![
            ("----".into(), Quality::NO_NUMBER),
            ("OVER".into(), Quality::OVER_RANGE),
            ("9999".into(), Quality::OPEN_LOOP),
        ],
        ..one_field()
    };
    let read = |line| numbers(spec.clone(), line);
    assert_eq!(read(" ---- "), Ok(vec![word(Quality::NO_NUMBER)]));
    assert_eq!(read("OVER"), Ok(vec![word(Quality::OVER_RANGE)]));
    assert_eq!(read("9999"), Ok(vec![word(Quality::OPEN_LOOP)]));
    assert_eq!(read("9999.0"), Ok(vec![number(9999.0)]));
    for near in ["---", "-----", "over", "OVER!", "O VER", ""] {
        assert!(
            matches!(read(near), Err(Why::Number { .. } | Why::Length { .. })),
            "{near}"
        );
    }
}

#[test]
fn latin_1_reads_a_degree_sign_of_one_byte() {
    let mut spec = delimited(
        ";",
        vec![Column::Field(Field {
            suffix: Some("°C".into()),
            ..field("temperature")
        })],
    );
    let line = b"180.5 \xB0C";
    let utf8 = TextFormat::new(spec.clone()).unwrap();
    assert_eq!(
        utf8.decode_line(line).unwrap_err().why,
        Why::Byte {
            byte: 0xB0,
            position: 7
        }
    );
    assert_eq!(
        utf8.decode_line("180.5 °C".as_bytes()),
        Ok(vec![number(180.5)])
    );
    spec.encoding = Encoding::Latin1;
    let latin1 = TextFormat::new(spec).unwrap();
    assert_eq!(latin1.decode_line(line), Ok(vec![number(180.5)]));
    assert!(
        latin1.decode_line(b"180.5 \x85").is_err(),
        "a control character"
    );
}

#[test]
fn a_message_shows_a_line_as_the_meter_wrote_it() {
    let shown = |line: &[u8]| {
        let format = TextFormat::new(one_field()).unwrap();
        format.decode_line(line).unwrap_err().excerpt
    };
    assert_eq!(shown("180.5 °C".as_bytes()), "180.5 °C");
    assert_eq!(shown(b"180.5 \xB0C \"x\"\0"), r#"180.5 \xB0C "x"\x00"#);
    assert_eq!(shown(&[b'x'; 70]), "x".repeat(60) + "…");
}

#[test]
fn a_byte_outside_the_grammar_is_never_skipped() {
    for line in [
        "12\0.4",
        "\x0012.4",
        "12.4\0",
        "12\x7F.4",
        "12.\x1B4",
        "1\u{85}2",
        "12.4\u{FEFF}",
    ] {
        let why = numbers(one_field(), line).unwrap_err();
        assert!(
            matches!(why, Why::Byte { .. } | Why::Number { .. }),
            "{line:?}: {why}"
        );
    }
    assert_eq!(
        numbers(one_field(), "12\0.4").unwrap_err().to_string(),
        "byte 0x00 at position 3 may not stand in a line (a parity or framing error shows as 0x00)"
    );
}

#[test]
fn garbage_is_rejected_whole() {
    let garbage: [&[u8]; 16] = [
        b" ",
        b";",
        b"12.4;",
        b";12.4",
        b"12.4 13.5",
        b"12.4 m/s",
        b"=12.4",
        b"12.4e1",
        b"1 2.4",
        b"+ 12.4",
        b"(12.4)",
        b"\"12.4\"",
        b"\xFF\xFE1\x002\x00",
        b"\xC3",
        b"\xED\xA0\x80",
        &[b'9'; 257],
    ];
    let format = TextFormat::new(one_field()).unwrap();
    for line in garbage {
        assert!(format.decode_line(line).is_err(), "{}", line.escape_ascii());
    }
}

/// The example sentences are from published texts; prefix, separator and sum are as those define them.
#[test]
fn checksums_agree_with_published_examples() {
    // Exclusive or between `$` and `*`, as NMEA 0183 defines it. Example of a GGA sentence that is
    // reprinted in many receivers' manuals (from memory).
    assert_eq!(
        Sum::Xor.over(b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"),
        0x47
    );
    // The negated sum is the LRC of Modbus ASCII; the standard's own generation rule is add, then
    // negate (MODBUS over Serial Line V1.02, section 6.2.1): the bytes and the LRC add up to zero.
    let message = [0x11, 0x03, 0x00, 0x6B, 0x00, 0x03];
    assert_eq!(Sum::NegatedSum.over(&message), 0x7E);
    // The sum is the check of a record of the Intel HEX format before its negation
    // (Hexadecimal Object File Format Specification, revision A, 1988).
    assert_eq!(Sum::Sum.over(b"123456789"), 0xDD);
    for sum in Sum::ALL {
        assert_eq!(sum.word().parse(), Ok(sum));
    }
    assert_eq!(
        "crc".parse::<Sum>().unwrap_err().to_string(),
        "`crc` is not a checksum known here; `xor`, `sum` and `negated_sum` are"
    );
}

#[test]
fn a_checksum_must_be_right() {
    let spec = TextSpec {
        prefix: "$".into(),
        checksum: Some(checksum(Sum::Xor, "*")),
        ..one_field()
    };
    // '1' ^ '2' ^ '.' ^ '5' = 0x31 ^ 0x32 ^ 0x2E ^ 0x35 = 0x18
    let read = |line| numbers(spec.clone(), line);
    assert_eq!(read("$12.5*18"), Ok(vec![number(12.5)]));
    assert_eq!(
        read("$12.6*18"),
        Err(Why::Checksum {
            found: 0x18,
            computed: 0x1B
        })
    );
    assert!(matches!(read("$12.5"), Err(Why::ChecksumAbsent(_))));
    assert!(matches!(read("$12.5*1"), Err(Why::ChecksumAbsent(_))));
    assert!(matches!(read("$12.5*1g"), Err(Why::ChecksumAbsent(_))));
    assert!(matches!(read("$12.5 18"), Err(Why::ChecksumAbsent(_))));
    assert!(matches!(read("12.5*18"), Err(Why::Prefix(_))));
    assert!(matches!(
        read("$12.5*1812.5*18"),
        Err(Why::SeparatorTwice(_))
    ));
}

#[test]
fn prefix_and_separator_count_where_it_is_said() {
    for (covers, digits) in [
        (
            Covers {
                prefix: false,
                separator: false,
            },
            "C6",
        ),
        (
            Covers {
                prefix: true,
                separator: false,
            },
            "EA",
        ),
        (
            Covers {
                prefix: false,
                separator: true,
            },
            "F0",
        ),
        (
            Covers {
                prefix: true,
                separator: true,
            },
            "14",
        ),
    ] {
        // 0x31 + 0x32 + 0x2E + 0x35 = 0xC6; `$` is 0x24, `*` is 0x2A
        let spec = TextSpec {
            prefix: "$".into(),
            checksum: Some(Checksum {
                covers,
                ..checksum(Sum::Sum, "*")
            }),
            ..one_field()
        };
        let line = format!("$12.5*{digits}");
        assert_eq!(numbers(spec, &line), Ok(vec![number(12.5)]), "{line}");
    }
}

fn faults(spec: TextSpec) -> Vec<String> {
    match TextFormat::new(spec) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.iter().map(ToString::to_string).collect(),
    }
}

fn fault(spec: TextSpec) -> String {
    let faults = faults(spec);
    assert_eq!(faults.len(), 1, "{faults:?}");
    faults.into_iter().next().unwrap()
}

#[test]
fn every_mistake_is_said_at_once() {
    let spec = TextSpec {
        terminator: Terminator::Own(b"12".to_vec()),
        decimal_comma: true,
        words: vec![("----".into(), Quality::empty())],
        length: 0..=9,
        ..delimited(",", vec![Column::Skip])
    };
    let parts: Vec<_> = TextFormat::new(spec)
        .unwrap_err()
        .iter()
        .map(BadFormat::part)
        .collect();
    assert_eq!(
        parts,
        [
            Part::Terminator,
            Part::Delimiter,
            Part::Words,
            Part::Length,
            Part::Columns
        ]
    );
}

#[test]
fn a_mistake_names_itself() {
    let twice = delimited(
        ";",
        vec![Column::Field(field("a")), Column::Field(field("a"))],
    );
    assert_eq!(
        fault(twice),
        "the field `a` occurs twice; each needs a name of its own"
    );
    assert_eq!(
        fault(delimited(";", vec![Column::Skip])),
        "no field is named, so nothing would be recorded; name at least one column or group"
    );
    assert!(fault(pattern("(?<a>")).starts_with("the regular expression cannot be used"));
    assert!(
        fault(pattern("(?<a>1))|((?<b>2)")).starts_with("the regular expression cannot be used")
    );
    assert_eq!(
        fault(pattern("(?<_a>1)")),
        "the group `_a` cannot name a field: `_` may not stand in a name; letters, digits, `-` and `_` may, and the first must be a letter or digit"
    );
    let unknown = TextSpec::new(Layout::Pattern {
        regex: "(?<a>.*)".into(),
        fields: vec![field("b")],
    });
    assert_eq!(fault(unknown), "the regular expression has no group `b`");
}

#[test]
fn what_could_never_be_found_is_refused() {
    let with_words = |word: &str, quality| TextSpec {
        words: vec![(word.to_owned(), quality)],
        ..one_field()
    };
    for text in ["", " OVER", "OVER ", "O\0"] {
        let fault = fault(with_words(text, Quality::OVER_RANGE));
        assert!(fault.ends_with("and without control characters"), "{fault}");
    }
    assert_eq!(
        fault(with_words("a;b", Quality::OVER_RANGE)),
        "`a;b` holds the delimiter, so no column could ever be it"
    );
    assert_eq!(
        fault(with_words("sim", Quality::SIMULATED | Quality::NO_NUMBER)),
        "the word `sim` cannot set `simulated`: that is for the daemon to find, not for the meter to say"
    );
    let prefix = TextSpec {
        prefix: "a\nb".into(),
        ..one_field()
    };
    assert_eq!(
        fault(prefix),
        r"`a\nb` holds the line's terminator, so no line could ever hold it"
    );
}

#[test]
fn what_ends_a_line_cannot_stand_in_it() {
    let ended_by = |own: &str, delimiter| TextSpec {
        terminator: own.parse().unwrap(),
        ..delimited(
            delimiter,
            vec![
                Column::Literal("a#b".into()),
                Column::Field(field("velocity")),
            ],
        )
    };
    let holds = |text: &str| vec![BadFormat::HoldsTerminator(text.into())];
    assert_eq!(TextFormat::new(ended_by("#", ";")), Err(holds("a#b")));
    assert_eq!(TextFormat::new(ended_by("|", "|")), Err(holds("|")));
    assert!(TextFormat::new(ended_by("||", "|")).is_ok());
}

#[test]
fn a_message_holds_no_more_of_a_line_than_a_person_reads() {
    let line = "\u{202E}x".repeat(100);
    let spec = TextSpec {
        length: 1..=1000,
        ..one_field()
    };
    let reject = TextFormat::new(spec)
        .unwrap()
        .decode_line(line.as_bytes())
        .unwrap_err();
    let text = reject.to_string();
    assert!(text.len() < 800, "{text}");
    assert!(!text.contains('\u{202E}'), "{text}");
}

#[test]
fn a_suffix_may_not_go_on_a_number() {
    let with_suffix = |suffix: &str, exponent| TextSpec {
        exponent,
        ..delimited(
            ";",
            vec![Column::Field(Field {
                suffix: Some(suffix.to_owned()),
                ..field("a")
            })],
        )
    };
    for suffix in ["0C", "-C", ".C", ",C"] {
        assert!(fault(with_suffix(suffix, false)).contains("may belong to the number"));
    }
    assert!(fault(with_suffix("E", true)).contains("may belong to the number"));
    assert!(faults(with_suffix("m3/h", true)).is_empty());
}

/// Found by trying: with `xor` and nothing between body and digits, `0.512` + `3` reads as `0.51` with
/// the checksum `23` where `0.5` with `12` was sent.
#[test]
fn a_checksum_needs_a_separator_or_a_fixed_length() {
    let with = |separator: &str, length| TextSpec {
        checksum: Some(checksum(Sum::Xor, separator)),
        length,
        ..one_field()
    };
    assert!(fault(with("", 1..=20)).starts_with("a checksum without a separator"));
    assert!(faults(with("", 8..=8)).is_empty());
    for separator in ["A", "*f", "\u{3}", "°"] {
        assert!(fault(with(separator, 1..=20)).contains("cannot stand before a checksum"));
    }
    assert!(fault(with("*", 1..=3)).contains("has no room"));
}

#[test]
fn terminators_and_delimiters_are_read_as_people_write_them() {
    assert_eq!("CR".parse(), Ok(Terminator::Cr));
    assert_eq!("CRLF".parse(), Ok(Terminator::CrLf));
    assert_eq!("any".parse(), Ok(Terminator::Any));
    assert_eq!("\u{3}\r".parse(), Ok(Terminator::Own(b"\x03\r".to_vec())));
    for wrong in [
        "",
        "crlf",
        "LF ,",
        "0",
        "\u{3}\u{3}\u{3}\u{3}\u{3}\u{3}\u{3}\u{3}\u{3}",
    ] {
        assert!(wrong.parse::<Terminator>().is_err(), "{wrong:?}");
    }
    assert_eq!("tab".parse(), Ok(Delimiter::Character('\t')));
    assert_eq!("blanks".parse(), Ok(Delimiter::Blanks));
    assert_eq!(",".parse(), Ok(Delimiter::Character(',')));
    for wrong in ["", ";;", "a", "7", "-", ".", "\n"] {
        assert!(wrong.parse::<Delimiter>().is_err(), "{wrong:?}");
    }
}
