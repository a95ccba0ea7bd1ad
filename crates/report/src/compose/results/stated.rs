//! A result in words: value, uncertainty and unit, with the coverage factor where it is not the usual one.

use zonda_assess::{Figure, Judged, Outcome};

use super::words;

/// `(198.6 ± 3.2) °C`, with `k = 2.03` behind it where k is not 2.00.
pub(in crate::compose) fn of_figure(figure: &Figure) -> String {
    if figure.value.is_none() {
        return "none".to_owned();
    }
    let bare = figure.stated.split(" (k = ").next();
    let bare = bare.unwrap_or(&figure.stated);
    // The unit of a pure number is 1, and nobody writes it.
    let bare = bare.strip_suffix(" 1").unwrap_or(bare);
    let bare = with_true_minus(bare);
    let k = figure.expanded.and(figure.k).map(|k| format!("{k:.2}"));
    let k = k.filter(|k| k != "2.00").map(|k| format!("k = {k}"));
    let behind: Vec<_> = [k, figure.basis.clone()].into_iter().flatten().collect();
    if behind.is_empty() {
        bare
    } else {
        format!("{bare} ({})", behind.join(", "))
    }
}

/// A minus before a number as it is printed.
fn with_true_minus(text: &str) -> String {
    match text.strip_prefix("(-") {
        Some(rest) => format!("(−{rest}"),
        None => text
            .strip_prefix('-')
            .map_or_else(|| text.to_owned(), |rest| format!("−{rest}")),
    }
}

/// What is judged, with its uncertainty where it is one of the results.
pub(in crate::compose) fn judged(outcome: &Outcome, judged: &Judged) -> String {
    let is_it =
        |figure: &&Figure| figure.shown_in == judged.unit && judged.what.starts_with(&figure.name);
    let named = outcome.results.iter().filter(is_it);
    let figure = named.max_by_key(|figure| figure.name.len());
    figure.map_or_else(
        || format!("{} {}", words::number(judged.value), judged.unit),
        of_figure,
    )
}

/// What is asked of it.
pub(in crate::compose) fn limits(judged: &Judged) -> String {
    let unit = &judged.unit;
    match (judged.low, judged.high) {
        (Some(low), Some(high)) => {
            format!("{} to {} {unit}", words::number(low), words::number(high))
        }
        (Some(low), None) => format!("at least {} {unit}", words::number(low)),
        (None, Some(high)) => format!("at most {} {unit}", words::number(high)),
        (None, None) => "no limit".to_owned(),
    }
}
