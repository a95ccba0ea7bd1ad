//! Numbers and times as the report writes them.

use jiff::Timestamp;
use serde_json::Value;
use zonda_model::Stamp;

/// Five digits that count, with a true minus.
pub(super) fn number(value: f64) -> String {
    digits(value, 5)
}

/// So many digits that count, with a true minus; fewer where the last ones are zeros.
pub(super) fn digits(value: f64, count: u8) -> String {
    if !value.is_finite() {
        return "–".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let exponent = value.abs().log10().floor();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 9"
    )]
    let decimals = (f64::from(count) - 1.0 - exponent).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.')
    } else {
        &text
    };
    text.replace('-', "−")
}

/// A number, or a dash where there is none.
pub(super) fn or_dash(value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), number)
}

/// A share as a percentage.
pub(super) fn percent(share: f64) -> String {
    format!("{} %", number(share * 100.0))
}

/// `2026-11-25 02:10:00 UTC`.
pub(super) fn time(utc: Stamp) -> String {
    Timestamp::from_microsecond(utc.micros()).map_or_else(
        |_| utc.to_string(),
        |at| at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
    )
}

/// `2026-11-25 02:10:00`, where the heading says that it is UTC.
pub(super) fn bare_time(utc: Stamp) -> String {
    time(utc).trim_end_matches(" UTC").to_owned()
}

/// As RFC 3339 has it.
pub(super) fn rfc3339(utc: Stamp) -> String {
    Timestamp::from_microsecond(utc.micros()).map_or_else(
        |_| utc.to_string(),
        |at| at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    )
}

/// ISO 8601's basic format.
pub(super) fn compact(utc: Stamp) -> String {
    Timestamp::from_microsecond(utc.micros()).map_or_else(
        |_| utc.micros().to_string(),
        |at| at.strftime("%Y%m%dT%H%M%SZ").to_string(),
    )
}

/// A time in RFC 3339 as [`bare_time`] writes it; what is none stays as it is.
pub(super) fn bare_read_time(text: &str) -> String {
    stamp(text).map_or_else(|| text.to_owned(), bare_time)
}

/// A time in RFC 3339.
pub(super) fn stamp(text: &str) -> Option<Stamp> {
    let at: Timestamp = text.parse().ok()?;
    Some(Stamp::from_micros(at.as_microsecond()))
}

/// `12 h 5 min`, `40 s`.
pub(super) fn span(seconds: f64) -> String {
    #[expect(clippy::cast_possible_truncation, reason = "seconds of a run")]
    let whole = seconds.round() as i64;
    let pieces = [
        (whole / 3600, "h"),
        (whole % 3600 / 60, "min"),
        (whole % 60, "s"),
    ];
    let said: Vec<_> = pieces
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, unit)| format!("{count} {unit}"))
        .collect();
    if said.is_empty() {
        format!("{} s", number(seconds))
    } else {
        said.join(" ")
    }
}

/// A word for machines as people write it.
pub(super) fn plain(word: &str) -> String {
    word.replace('_', " ")
}

/// What the program wrote down, as a reader wants it: times without what nobody reads, a long list as its length, and what was
/// asked as words. The record keeps it as it was.
pub(super) fn told(text: &str) -> String {
    let text = asked_in_words(text).unwrap_or_else(|| text.to_owned());
    let text = without_list(&text).unwrap_or(text);
    let words = text.split(' ').map(|word| {
        let bare = word.trim_matches(|letter: char| !letter.is_alphanumeric());
        // Shorter ones are no times; longer ones are something else.
        let is_time = (20..=27).contains(&bare.len()) && bare.ends_with('Z');
        if is_time && stamp(bare).is_some() {
            word.replace(bare, &bare_read_time(bare))
        } else {
            word.to_owned()
        }
    });
    quoted(&words.collect::<Vec<_>>().join(" "))
}

/// With the quotes of print in place of a terminal's.
fn quoted(text: &str) -> String {
    let pairs = text.matches('`').count() / 2;
    let mut told = text.to_owned();
    for _ in 0..pairs {
        told = told.replacen('`', "“", 1).replacen('`', "”", 1);
    }
    told
}

/// `…: {"window":"1 h"}` as `…: window 1 h`; `…: {}` as `…`.
fn asked_in_words(text: &str) -> Option<String> {
    let at = text.find(": {")?;
    let (before, object) = (&text[..at], &text[at + 2..]);
    let object: serde_json::Map<String, Value> = serde_json::from_str(object).ok()?;
    let said = object
        .iter()
        .map(|(key, value)| format!("{} {}", plain(key), in_words(value)));
    let said = said.collect::<Vec<_>>().join("; ");
    let colon = if said.is_empty() { "" } else { ": " };
    Some(format!("{before}{colon}{said}"))
}

fn in_words(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Array(list) if list.len() > LIST_MAX => format!("{} of them", list.len()),
        Value::Array(list) => list.iter().map(in_words).collect::<Vec<_>>().join(", "),
        Value::Object(object) => object
            .iter()
            .map(|(key, value)| format!("{} {}", plain(key), in_words(value)))
            .collect::<Vec<_>>()
            .join(" "),
        other => other.to_string(),
    }
}

/// Longer lists are told by their length.
const LIST_MAX: usize = 4;

/// `41 channels: a, b, …; more` as `41 channels; more`.
fn without_list(text: &str) -> Option<String> {
    const LIST: &str = " channels: ";
    let at = text.find(LIST)?;
    let count = text[..at].rsplit(' ').next()?;
    let count: usize = count.parse().ok()?;
    let (before, list) = text.split_at(at + " channels".len());
    let rest = list.find("; ").map_or("", |end| &list[end..]);
    (count > LIST_MAX).then(|| format!("{before}{rest}"))
}

/// With a capital letter and a full stop.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.trim_end_matches('.').chars();
    let first = letters.next().map(char::to_uppercase);
    let first: String = first.into_iter().flatten().collect();
    format!("{first}{}.", letters.as_str())
}

/// Enough of a hash to tell it from others.
pub(super) fn short(hash: &str) -> String {
    hash.chars().take(16).collect()
}

/// `1 gap`, `2 gaps`.
pub(super) fn counted(count: usize, noun: &str) -> String {
    if count == 1 {
        format!("1 {noun}")
    } else {
        format!("{count} {noun}s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_true() {
        let said = [-181.303_449, 0.002_318_4, 12.0, 0.0, 101_325.4].map(number);
        assert_eq!(said, ["−181.3", "0.0023184", "12", "0", "101325"]);
        assert_eq!(
            (span(43_500.0), span(0.2)),
            ("12 h 5 min".to_owned(), "0.2 s".to_owned())
        );
        assert_eq!(
            bare_read_time("2026-11-25T02:10:00.000000Z"),
            "2026-11-25 02:10:00"
        );
    }

    #[test]
    fn what_the_journal_says_is_told_short() {
        for (said, wanted) in [
            (
                "run n was cut out of the record by x: from 2026-11-24T17:00:00.000000Z to 2026-11-25T05:00:00.000000Z; 5 channels: a, b, c, d, e; operator: y",
                "run n was cut out of the record by x: from 2026-11-24 17:00:00 to 2026-11-25 05:00:00; 5 channels; operator: y",
            ),
            (
                "d gives no data since 2026-11-24T23:30:00.000000Z (no answer); 2 channels: a, b",
                "d gives no data since 2026-11-24 23:30:00 (no answer); 2 channels: a, b",
            ),
            (
                r#"evaluation windows was asked of run n: {"channels":["a","b"],"window":"1 h","on_the_clock":true}"#,
                "evaluation windows was asked of run n: channels a, b; on the clock true; window 1 h",
            ),
            (
                "evaluation mean was asked of run n: {}",
                "evaluation mean was asked of run n",
            ),
            ("nothing of the kind: {", "nothing of the kind: {"),
            ("the layout `a` and `b", "the layout “a” and `b"),
        ] {
            assert_eq!(told(said), wanted);
        }
    }
}
