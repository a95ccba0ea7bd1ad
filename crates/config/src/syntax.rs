//! Where the text is not TOML: what the parser says, in words that help.

use toml::de::Error;

use crate::fault::Fault;

/// So many are said; those after them are mostly consequences of the first.
const SAID_MAX: usize = 3;

/// The first few mistakes, one a line of the file.
pub(crate) fn faults(text: &str, errors: &[Error]) -> Vec<Fault> {
    let mut errors: Vec<_> = errors
        .iter()
        .map(|error| (line_of(text, error), error))
        .collect();
    errors.sort_by_key(|(line, error)| (*line, start_of(error)));
    errors.dedup_by_key(|(line, _)| *line);
    let said = errors
        .iter()
        .take(SAID_MAX)
        .map(|(_, error)| fault(text, error));
    said.collect()
}

fn start_of(error: &Error) -> usize {
    error.span().map_or(0, |span| span.start)
}

fn line_of(text: &str, error: &Error) -> usize {
    text.as_bytes()
        .iter()
        .take(start_of(error))
        .filter(|byte| **byte == b'\n')
        .count()
}

fn fault(text: &str, error: &Error) -> Fault {
    let span = error.span().unwrap_or(0..0);
    let inside =
        text.floor_char_boundary(span.start)..text.ceil_char_boundary(span.end.max(span.start));
    let what = error.message();
    let (what, help) = if what.starts_with("string values must be quoted") {
        (
            "a value is missing here, or its quotation marks",
            "write texts, and numbers with their unit, in quotation marks, such as `\"1 s\"`",
        )
    } else if what.starts_with("duplicate key") {
        (
            "this name stands here for the second time",
            "take one of the two out, or give it another name",
        )
    } else if what.starts_with("missing escaped value") {
        (
            "a backslash stands before a character that it does not go with",
            "write `\\\\` for the backslash itself, or put the whole text in single quotation marks",
        )
    } else {
        (
            what,
            "often a bracket or a quotation mark is missing just before; the rules of TOML are at https://toml.io",
        )
    };
    Fault::new(inside, what).help(help)
}
