//! Where a mistake is pointed at: whatever stands before it, the mark is under the very text.
#![allow(clippy::unwrap_used, reason = "tests")]

use zonda_config::{Fault, Faults, check};

fn faults(text: &str) -> Faults {
    check("oven.toml", text).map(|_| ()).unwrap_err()
}

fn only(faults: &Faults) -> &Fault {
    match faults.list() {
        [one] => one,
        _ => panic!("expected one fault:\n{faults}"),
    }
}

/// What stands above the mark in the report. Every character here is one column wide, but for the
/// byte order mark, which has no width; a tab is drawn as the blanks up to its next stop.
fn marked(report: &str) -> String {
    let report = report.replace('\u{feff}', "");
    let rows: Vec<&str> = report.lines().collect();
    let is_mark = |row: &&str| row.trim_start().starts_with('·');
    let at = rows
        .iter()
        .position(is_mark)
        .expect("the report marks something");
    let start = rows[at]
        .chars()
        .position(|c| c == '─')
        .expect("the mark is a line");
    let length = rows[at].chars().filter(|c| *c == '─').count();
    rows[at - 1].chars().skip(start).take(length).collect()
}

fn expect_mark(text: &str, place: (usize, usize), mark: &str) {
    let faults = faults(text);
    let fault = only(&faults);
    assert_eq!(&text[fault.span.clone()], mark, "{faults}");
    assert_eq!(faults.place(fault), place, "{faults}");
    assert_eq!(marked(&faults.report(false, 200)), mark);
}

/// A line with what is said of its text, and a meter that uses it.
fn text_line(more: &str) -> String {
    format!(
        "[line.p7]\nevery = \"1 s\"\ntext = {{ address = \"192.0.2.11:4001\", fields = [\"t\"]{more} }}\n\
         [meter.Z1]\ntemperature = {{ input = \"p7.t\", unit = \"°C\" }}\n"
    )
}

#[test]
fn behind_characters_of_several_bytes() {
    let text = text_line(", units = { t = \"°C\" }, status = { \"Ω°µ\" = \"too_hot\" }");
    expect_mark(&text, (3, 96), "\"too_hot\"");
}

#[test]
fn at_characters_of_several_bytes() {
    expect_mark(&text_line(", encoding = \"äöü\""), (3, 66), "\"äöü\"");
}

#[test]
fn where_lines_end_in_carriage_return_and_line_feed() {
    let text = format!("# °C\n{}", text_line(", encoding = \"ascii\""));
    expect_mark(&text.replace('\n', "\r\n"), (4, 66), "\"ascii\"");
}

#[test]
fn behind_tabs() {
    expect_mark(&text_line(",\tencoding\t= \"ascii\""), (3, 66), "\"ascii\"");
}

#[test]
fn behind_a_byte_order_mark() {
    let text = format!("\u{feff}statoin = 1\n{}", text_line(""));
    expect_mark(&text, (1, 1), "statoin");
    let text = format!("\u{feff}{}", text_line(", encoding = \"ascii\""));
    expect_mark(&text, (3, 66), "\"ascii\"");
}

#[test]
fn a_byte_order_mark_and_foreign_line_ends_do_no_harm() {
    let text = text_line("");
    for text in [format!("\u{feff}{text}"), text.replace('\n', "\r\n")] {
        let checked = check("oven.toml", &text).unwrap_or_else(|faults| panic!("{faults}"));
        assert_eq!(checked.warnings.list(), []);
    }
}

#[test]
fn what_cannot_be_seen_is_shown() {
    let faults = faults(&text_line(", encoding = \"utf-8\u{200b}\""));
    assert!(
        only(&faults).what.starts_with(r"`utf-8\u{200b}` is not"),
        "{faults}"
    );
}

#[test]
fn a_text_without_end_does_not_fill_the_screen() {
    let endless = "°C\n".repeat(5000);
    let faults = faults(&text_line(&format!(", encoding = \"\"\"{endless}\"\"\"")));
    let what = &only(&faults).what;
    assert!(what.len() < 1000 && what.contains(" … "), "{what}");
    assert!(!what.contains('\n'), "{what}");
}
