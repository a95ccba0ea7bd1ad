//! How it was done: what each figure means, and where the formulae come from.

use std::collections::BTreeSet;

use super::Parts;
use crate::document::{Block, Table};

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::flowing("Method")];
    blocks.push(Block::Text(
        "Each sample is kept with the code that came over the wire; the value is computed from it by the mapping in force. Missing time is a gap with its cause, never a value. Results are worked out from the stored samples alone, so that the same record gives the same results on any machine."
            .to_owned(),
    ));
    let mut definitions = Table::new("What the figures mean", &["figure", "definition"]);
    let mut seen = BTreeSet::new();
    for figure in parts.outcomes().flat_map(|outcome| &outcome.results) {
        if !figure.definition.is_empty() && seen.insert((&figure.name, &figure.definition)) {
            definitions.row([figure.name.clone(), figure.definition.clone()]);
        }
    }
    if !definitions.rows.is_empty() {
        blocks.push(Block::Table(definitions));
    }
    let mut sources = Table::new("Where the formulae come from", &["for", "source"]);
    for (what, source) in SOURCES {
        sources.row([(*what).to_owned(), (*source).to_owned()]);
    }
    blocks.push(Block::Table(sources));
    blocks
}

const SOURCES: &[(&str, &str)] = &[
    (
        "mean, standard deviation, standard and expanded uncertainty, budgets",
        "JCGM 100:2008 (GUM), 4.2, 5.1, 6.2, annex G",
    ),
    (
        "whether a result is within its limits",
        "JCGM 106:2012, 8.2 and 8.3",
    ),
    (
        "faults of a 4-20 mA loop",
        "NAMUR NE 43, as common practice reads it: below 3.6 mA and above 21 mA",
    ),
    (
        "points of a traverse and flow through a duct",
        "ISO 3966:2020 and EN ISO 16911-1:2013, as the layout's rule says",
    ),
];
