//! Whatever the text, the check never panics, and every fault lies inside the text.
//!
//! Plain tests here; with `cargo bolero test` the same targets run under a fuzzer.

use std::ops::Range;

use zonda_config::{Faults, check_with};

const GOOD: &str = include_str!("../../../config/curing-oven.toml");
/// What the good file's certificate holds; damaged along with it.
const TABLE: &str = include_str!("../../../config/certificates/K-2041.csv");

/// What people paste, and what breaks readers of text.
const PIECES: &[&str] = &[
    "",
    "\"",
    "'",
    "\"\"\"",
    "[",
    "]",
    "[[",
    "{",
    "}",
    "=",
    ".",
    "-",
    ",",
    "#",
    "\n",
    "\r\n",
    "\r",
    "\t",
    " ",
    "\0",
    "\u{feff}",
    "°C",
    "µA",
    "Ω",
    "🌡",
    "e\u{301}",
    "\\u{0}",
    "\\x",
    "0",
    "-1",
    "65535",
    "65536",
    "1e999",
    "nan",
    "99999999999999999999",
    "0x1F",
    "1979-05-27",
    "true",
    "[line.bench]",
    "[module.A]\n",
    "[meter]",
    "channel = 3\n",
    "every = \"0 s\"\n",
    "modbus-tcp = {}\n",
    "text = { fields = [1, \"a\"] }\n",
    "pattern = '('",
    "decimals",
    "units",
    "thermocouple = { type = \"K\", cold_junction = \"terminals\" }\n",
    "polynomial = { coefficients = [1e308, -1e308, nan] }\n",
    "probe = {}\n",
    "0-100 °C: 0-1 m/s",
    "0.5: 0.4 ± 0.1",
];

fn expect_sound(text: &str) {
    // A damaged path finds half a table.
    let read_table =
        |path: &str| Ok(TABLE[..TABLE.floor_char_boundary(path.len() * 12)].to_owned());
    match check_with("any.toml", text, &read_table) {
        Ok(checked) => {
            assert!(checked.config.revision.text.starts_with(text));
            assert!(!checked.config.channels.is_empty());
            expect_inside(text, &checked.warnings);
        }
        Err(faults) => {
            assert!(!faults.list().is_empty(), "refused without a reason");
            expect_inside(text, &faults);
        }
    }
}

fn expect_inside(text: &str, faults: &Faults) {
    let is_inside = |span: &Range<usize>| text.get(span.clone()).is_some();
    for fault in faults.list() {
        assert!(is_inside(&fault.span), "{fault:?}");
        assert!(
            fault.also.iter().all(|(span, _)| is_inside(span)),
            "{fault:?}"
        );
        assert!(!fault.what.is_empty());
        let (line, column) = faults.place(fault);
        assert!(
            (1..=text.matches('\n').count() + 1).contains(&line),
            "{fault:?}"
        );
        assert!(column >= 1);
    }
    assert_eq!(
        faults.to_string().lines().count(),
        faults.list().len(),
        "{faults}"
    );
    let report = faults.report(false, 80);
    assert_eq!(report.is_empty(), faults.list().is_empty());
}

#[test]
fn any_text_is_read_or_refused_with_reasons_inside_it() {
    bolero::check!()
        .with_type()
        .for_each(|text: &String| expect_sound(text));
}

#[test]
fn any_damage_to_a_good_file_is_refused_with_reasons_inside_it() {
    bolero::check!()
        .with_type()
        .for_each(|edits: &Vec<(u16, u8, u8)>| {
            let mut text = GOOD.to_owned();
            for &(at, cut, piece) in edits.iter().take(8) {
                let start = text.floor_char_boundary(usize::from(at) % (text.len() + 1));
                let end = text.floor_char_boundary((start + usize::from(cut % 32)).min(text.len()));
                let piece = PIECES[usize::from(piece) % PIECES.len()];
                text.replace_range(start..end.max(start), piece);
            }
            expect_sound(&text);
        });
}
