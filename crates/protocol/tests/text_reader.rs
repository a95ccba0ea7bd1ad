//! Lines out of a stream: where they end, when they began, which are believed.
#![allow(clippy::unwrap_used, reason = "tests")]

use zonda_model::{Code, Stamp};
use zonda_protocol::text::{
    Checksum, Column, Covers, Delimiter, Field, Layout, Line, LineReader, Sum, Terminator,
    TextFormat, TextSpec, Why,
};

fn spec() -> TextSpec {
    TextSpec::new(Layout::Delimited {
        delimiter: Delimiter::Character(';'),
        columns: vec![Column::Field(Field::new("velocity".parse().unwrap()))],
    })
}

fn at(millis: i64) -> Stamp {
    Stamp::from_millis(millis)
}

fn listening(spec: TextSpec) -> LineReader {
    LineReader::listening(TextFormat::new(spec).unwrap(), at(0))
}

/// A reader that already believes its stream.
fn believing(spec: TextSpec) -> LineReader {
    let mut reader = listening(spec);
    let terminator = match reader.format().spec().terminator {
        Terminator::Cr => "\r",
        Terminator::CrLf => "\r\n",
        _ => "\n",
    };
    reader.handle_bytes(at(0), format!("{terminator}0{terminator}").as_bytes());
    reader
}

/// Each line as a person would note it down: its number, `!` and flags, or why it is not believed.
fn noted(lines: &[Line]) -> Vec<String> {
    let note = |line: &Line| match &line.outcome {
        Ok(codes) => match (codes[0].code, codes[0].quality) {
            (Some(Code::Number(number)), flags) if flags.is_empty() => format!("{number}"),
            (Some(Code::Number(number)), flags) => format!("{number} {flags}"),
            (_, flags) => format!("{flags}"),
        },
        Err(reject) => match &reject.why {
            Why::First => "first".to_owned(),
            Why::AfterReject => "after reject".to_owned(),
            Why::Endless(_) => "endless".to_owned(),
            _ => "rejected".to_owned(),
        },
    };
    lines.iter().map(note).collect()
}

#[test]
fn the_half_line_before_the_first_terminator_is_no_line() {
    let mut reader = listening(spec());
    let lines = reader.handle_bytes(at(1), b"2.34\n12.35\n");
    assert_eq!(noted(&lines), ["first"]);
    assert_eq!(noted(&reader.handle_bytes(at(2), b"12.36\n")), ["12.36"]);
    assert_eq!(reader.counts().bytes_before_first, 4);
    assert_eq!(reader.counts().unproven, 1);
    assert_eq!(reader.counts().believed, 1);
}

#[test]
fn a_stream_is_believed_after_two_well_formed_lines_in_a_row() {
    let mut reader = listening(spec());
    let mut noted_of = |text: &str| noted(&reader.handle_bytes(at(1), text.as_bytes()));
    assert_eq!(noted_of("\n"), [""; 0]);
    assert_eq!(noted_of("x\n"), ["rejected"]);
    assert_eq!(noted_of("1.0\n"), ["after reject"]);
    assert_eq!(noted_of("y\n"), ["rejected"]);
    assert_eq!(noted_of("1.1\n"), ["after reject"]);
    assert_eq!(noted_of("1.2\n"), ["1.2 resynced"]);
    assert_eq!(noted_of("1.3\n"), ["1.3"]);
}

#[test]
fn a_nul_rejects_its_line_and_is_counted() {
    let mut reader = believing(spec());
    let lines = reader.handle_bytes(at(1), b"12\0.4\n12.5\n12.6\n");
    assert_eq!(noted(&lines), ["rejected", "after reject", "12.6 resynced"]);
    assert_eq!(reader.counts().rejected, 1);
}

#[test]
fn a_terminator_out_of_place_makes_no_number() {
    let checked = TextSpec {
        checksum: Some(Checksum {
            sum: Sum::Xor,
            separator: "*".into(),
            covers: Covers::default(),
        }),
        ..spec()
    };
    // `1` ^ `1` is nothing, so the tail `23.0*1F` of `1123.0*1F` has the same checksum.
    let mut reader = listening(checked);
    reader.handle_bytes(at(0), b"\n1123.0*1F\n");
    assert_eq!(noted(&reader.handle_bytes(at(1), b"1123.0*1F\n")), ["1123"]);
    let lines = reader.handle_bytes(at(2), b"1\n23.0*1F\n");
    assert_eq!(noted(&lines), ["rejected", "after reject"]);
}

#[test]
fn mixes_of_cr_and_lf_end_lines_where_any_does() {
    let mut reader = believing(spec());
    let mut all = Vec::new();
    for (second, part) in (1..).zip(["1\r", "\n2\n\r", "3\r\r\n", "4\n", "\n\n5\r"]) {
        all.extend(reader.handle_bytes(at(second * 1000), part.as_bytes()));
    }
    assert_eq!(noted(&all), ["1", "2", "3", "4", "5"]);
}

#[test]
fn a_lone_cr_or_lf_does_not_end_a_line_of_crlf() {
    let mut reader = believing(TextSpec {
        terminator: Terminator::CrLf,
        ..spec()
    });
    assert_eq!(noted(&reader.handle_bytes(at(1), b"1\r")), [""; 0]);
    assert_eq!(
        noted(&reader.handle_bytes(at(2), b"\n2\n3\r\n")),
        ["1", "rejected"]
    );
    assert_eq!(
        noted(&reader.handle_bytes(at(3), b"4\r\r\n5\r\n")),
        ["rejected", "after reject"]
    );
}

#[test]
fn an_own_terminator_of_several_bytes_ends_lines() {
    let mut reader = listening(TextSpec {
        terminator: Terminator::Own(b"\x03\x03\r".to_vec()),
        ..spec()
    });
    let lines = reader.handle_bytes(at(1), b"junk\x03\x03\x03\r1\x03\x03\r2\x03\x03\r3\x03\r");
    assert_eq!(noted(&lines), ["first", "2 backlog"]);
}

#[test]
fn a_line_of_a_megabyte_is_dropped_in_bounded_memory_and_counted_once() {
    let mut reader = believing(spec());
    let mut noted_all = Vec::new();
    for _ in 0..256 {
        noted_all.extend(noted(&reader.handle_bytes(at(1), &[b'7'; 4096])));
    }
    assert_eq!(noted_all, ["endless"]);
    let lines = reader.handle_bytes(at(2), b"7\n1\n2\n");
    assert_eq!(noted(&lines), ["after reject", "2 resynced"]);
    assert_eq!(reader.counts().rejected, 1);
    assert_eq!(reader.counts().bytes, 1 + 2 + (1 << 20) + 6);
}

#[test]
fn a_stream_without_the_terminator_is_noticed_while_it_opens() {
    let mut reader = listening(TextSpec {
        terminator: Terminator::Cr,
        ..spec()
    });
    let lines = reader.handle_bytes(at(1), "1.23\n".repeat(100).as_bytes());
    assert_eq!(noted(&lines), ["endless"]);
    assert_eq!(
        lines[0].outcome.clone().unwrap_err().why.to_string(),
        "a line may have 256 bytes, and this one goes on; check length, terminator, speed and parity"
    );
}

#[test]
fn the_longest_line_passes_and_one_byte_more_does_not() {
    let short = TextSpec {
        length: 1..=4,
        terminator: Terminator::CrLf,
        ..spec()
    };
    let mut reader = believing(short.clone());
    assert_eq!(noted(&reader.handle_bytes(at(1), b"1234\r\n")), ["1234"]);
    assert_eq!(
        noted(&reader.handle_bytes(at(2), b"12345\r\n")),
        ["endless"]
    );
    let mut reader = believing(short);
    assert_eq!(
        noted(&reader.handle_bytes(at(3), b"123456\r\n1\r\n2\r\n"))
            .last()
            .unwrap(),
        "2 resynced"
    );
}

#[test]
fn a_line_has_the_time_of_the_read_it_began_in() {
    let mut reader = believing(spec());
    assert!(reader.handle_bytes(at(1000), b"1.").is_empty());
    assert!(reader.handle_bytes(at(1500), b"2").is_empty());
    let lines = reader.handle_bytes(at(2000), b"5\n");
    assert_eq!(lines[0].at, at(1000));
    assert_eq!(noted(&lines), ["1.25"]);
}

#[test]
fn lines_that_waited_together_are_spread_over_the_stall() {
    let mut reader = believing(spec());
    reader.handle_bytes(at(1000), b"1\n");
    let lines = reader.handle_bytes(at(3000), b"2\n3\n4\n5\n");
    let times: Vec<_> = lines.iter().map(|line| line.at.millis()).collect();
    assert_eq!(times, [1500, 2000, 2500, 3000]);
    assert_eq!(noted(&lines), ["2 backlog", "3 backlog", "4 backlog", "5"]);
    assert_eq!(reader.counts().backlog, 3);
}

#[test]
fn a_line_left_unfinished_by_a_read_is_the_last_that_began_in_it() {
    let mut reader = believing(spec());
    reader.handle_bytes(at(1000), b"1");
    let lines = reader.handle_bytes(at(2000), b"1\n2\n3");
    assert_eq!(noted(&lines), ["11", "2 backlog"]);
    assert_eq!(lines[0].at, at(1000));
    assert_eq!(lines[1].at, at(1500));
    let lines = reader.handle_bytes(at(3000), b"3\n");
    assert_eq!(noted(&lines), ["33"]);
    assert_eq!(lines[0].at, at(2000));
}

#[test]
fn no_two_lines_share_a_stamp_even_where_the_clock_stands() {
    let mut reader = believing(spec());
    let mut lines = reader.handle_bytes(at(5), b"1\n2\n3\n");
    lines.extend(reader.handle_bytes(at(5), b"4\n5\n"));
    lines.extend(reader.handle_bytes(at(4), b"6\n"));
    assert!(lines.is_sorted_by(|a, b| a.at < b.at), "{lines:?}");
}

#[test]
fn after_a_restart_a_half_line_is_forgotten() {
    let mut reader = believing(spec());
    reader.handle_bytes(at(1), b"12.");
    reader.restart(at(2));
    let lines = reader.handle_bytes(at(3), b"34\n1\n2\n");
    assert_eq!(noted(&lines), ["first", "2"]);
}

#[test]
fn an_answer_is_believed_alone_and_its_tail_is_not() {
    let mut reader = LineReader::answering(TextFormat::new(spec()).unwrap(), at(0));
    assert_eq!(noted(&reader.handle_bytes(at(1), b"12.5\r\n")), ["12.5"]);
    reader.restart(at(2));
    assert_eq!(
        noted(&reader.handle_bytes(at(3), b"x12\n.5\n23\n")),
        ["rejected", "rejected", "after reject"]
    );
    reader.restart(at(4));
    assert_eq!(noted(&reader.handle_bytes(at(5), b"12.6\r\n")), ["12.6"]);
}
