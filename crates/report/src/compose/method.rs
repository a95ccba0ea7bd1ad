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
    let mut sources = Table::new("Where the formulae come from", &["for", "source"]);
    let kinds: BTreeSet<_> = parts
        .outcomes()
        .map(|outcome| outcome.ask.question.word())
        .collect();
    let is_used = |of: &[&str]| of.is_empty() || of.iter().any(|kind| kinds.contains(kind));
    for (_, what, source) in SOURCES.iter().filter(|(of, ..)| is_used(of)) {
        sources.row([(*what).to_owned(), (*source).to_owned()]);
    }
    blocks.push(Block::Table(sources));
    blocks
}

/// What each figure of the results means.
pub(super) fn appendix(parts: &Parts) -> Vec<Block> {
    let mut definitions = Table::new("What the figures mean", &["figure", "definition"]).small();
    let mut seen = BTreeSet::new();
    for figure in parts.outcomes().flat_map(|outcome| &outcome.results) {
        if !figure.definition.is_empty() && seen.insert((&figure.name, &figure.definition)) {
            definitions.row([figure.name.clone(), figure.definition.clone()]);
        }
    }
    if definitions.rows.is_empty() {
        return Vec::new();
    }
    vec![super::annex("Definitions"), Block::Table(definitions)]
}

/// The evaluations that a formula belongs to (none: all of them), what it is for, where it is from. Clause numbers
/// are from memory; what the sources say is held to libraries and worked examples by the tests of the crates
/// that compute.
const SOURCES: &[(&[&str], &str, &str)] = &[
    (
        &[],
        "mean, standard deviation, standard and expanded uncertainty, budgets",
        "JCGM 100:2008 (GUM), 4.2, 4.3, 5.1, 5.2, 6.2 and annex G",
    ),
    (
        &[],
        "whether a result is within its limits",
        "JCGM 106:2012, decision rules with and without a guard band; the rule is named with each verdict (ISO/IEC 17025:2017, 7.8.6)",
    ),
    (
        &[],
        "faults of a 4-20 mA loop",
        "NAMUR NE 43, as common practice reads it: below 3.6 mA and above 21 mA",
    ),
    (
        &["traverse", "heat"],
        "points of a traverse and flow through a duct",
        "ISO 3966 and EN ISO 16911-1, as the layout's rule says; US EPA Method 1 where it says so",
    ),
    (
        &["traverse", "heat"],
        "density of moist air; water's vapour pressure",
        "dry air with steam and their virial coefficients (Harvey and Huang, Int. J. Thermophys. 28 (2007) 556); IAPWS-IF97, equation 30",
    ),
    (
        &["heat"],
        "enthalpy of moist air",
        "per kilogram of dry air, from the heat capacities of dry air and of steam at low density, zero points of water by IAPWS-95",
    ),
    (
        &["uniformity"],
        "places in a work zone",
        "AMS2750 and IEC 60068-3-5, where the layout names them",
    ),
    (
        &["steadiness", "transient"],
        "rise, overshoot, settling; from when on a signal is steady",
        "own definitions, printed beside each figure: a line by least squares, and a window's blocks against their noise with the false-alarm rate shared out by Bonferroni's inequality",
    ),
    (
        &["agreement"],
        "difference of two channels, straight line between them",
        "JCGM 100:2008, 5.2 and H.3",
    ),
];
