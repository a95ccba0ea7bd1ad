//! What ISO/IEC 17025:2017 asks of a test report, item by item: where it stands here, or that the
//! laboratory has to fill it in. The items are told in our own words. The letters of 7.8.2.1 are those of its
//! published list; the other sub-clauses (7.8.2.2, 7.8.3, 7.8.5 to 7.8.8) are from memory.

use zonda_store::Field;

use super::{Parts, words};
use crate::document::{Block, Said, Table};

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut table = Table::new(
        "ISO/IEC 17025:2017, 7.8.2, 7.8.3 and 7.8.5 to 7.8.8",
        &["clause", "item", "here"],
    );
    for (clause, item, said) in items(parts) {
        let cell = |text: &str| Said::Text(text.to_owned());
        table.rows.push(vec![cell(clause), cell(item), said]);
    }
    let mut blocks = vec![super::section("Items of a test report")];
    blocks.push(Block::Text(
        "Whether a report meets the standard is for the laboratory to say. What stands open has to be filled in or struck out before the report is issued."
            .to_owned(),
    ));
    blocks.push(Block::Table(table));
    if let Some(remarks) = &parts.laboratory.remarks {
        blocks.push(Block::Heading("Remarks of the laboratory".to_owned()));
        blocks.push(Block::Text(remarks.clone()));
    }
    blocks.push(Block::Facts(vec![
        ("Place and date".to_owned(), Said::Open),
        ("Signature".to_owned(), Said::Open),
    ]));
    blocks
}

#[expect(clippy::too_many_lines, reason = "a list, item by item")]
fn items(parts: &Parts) -> Vec<(&'static str, &'static str, Said)> {
    let lab = &parts.laboratory;
    let run = &parts.dossier.run;
    let here = |text: &str| Said::Text(text.to_owned());
    let name = parts.laboratory_name().map(|name| {
        let address = lab.address.as_deref();
        address.map_or_else(
            || format!("{name}; address: open"),
            |address| format!("{name}, {address}"),
        )
    });
    let measured = format!(
        "{} to {}",
        words::time(run.range.0),
        words::time(run.range.1)
    );
    vec![
        ("7.8.2.1 a", "a title", here("title page")),
        (
            "7.8.2.1 b",
            "the laboratory and its address",
            Said::or_open(name.as_deref()),
        ),
        (
            "7.8.2.1 c",
            "where the work was done, if elsewhere",
            Said::Open,
        ),
        (
            "7.8.2.1 d",
            "a number on every page, and a clear end",
            Said::Text(format!(
                "{}, above every page; the end is marked",
                parts.number()
            )),
        ),
        (
            "7.8.2.1 e",
            "the customer, and how to reach them",
            Said::or_open(lab.customer.as_deref()),
        ),
        (
            "7.8.2.1 f",
            "the method",
            here("Method, and each result's own facts"),
        ),
        (
            "7.8.2.1 g",
            "what was tested, told apart from others, and its condition",
            Said::or_open(run.word(Field::Object)),
        ),
        (
            "7.8.2.1 h",
            "when it was received or sampled, where that matters",
            Said::Open,
        ),
        ("7.8.2.1 i", "when the work was done", Said::Text(measured)),
        ("7.8.2.1 j", "when the report was issued", Said::Open),
        (
            "7.8.2.1 k, 7.8.5",
            "the plan and method of sampling, where that matters",
            here("Set-up: where each probe stood; Instruments: how often each was read"),
        ),
        (
            "7.8.2.1 l",
            "that the results are of the tested items alone",
            here(
                "The results relate to the object and the stretch of time named on the title page, and to nothing else.",
            ),
        ),
        (
            "7.8.2.1 m",
            "the results with their units",
            here("Results; What was recorded"),
        ),
        (
            "7.8.2.1 n",
            "additions to the method, departures from it, exclusions",
            Said::Open,
        ),
        (
            "7.8.2.1 o",
            "who authorises the report",
            Said::or_open(lab.authorised_by.as_deref()),
        ),
        ("7.8.2.1 p", "which results come from others", Said::Open),
        (
            "7.8.2.2",
            "which information comes from the customer",
            Said::Open,
        ),
        (
            "7.8.3",
            "the conditions of the test, such as those around",
            Said::or_open(run.word(Field::Ambient)),
        ),
        (
            "7.8.3, 7.8.6",
            "a statement of conformity, with its decision rule and what it covers",
            here("title page and Results, where a criterion was asked; no rule, no verdict"),
        ),
        (
            "7.8.3",
            "the uncertainty, where it matters",
            here("Results; Uncertainty budgets"),
        ),
        (
            "7.8.3, 7.8.7",
            "opinions and interpretations, marked as such",
            Said::Open,
        ),
        (
            "7.8.8",
            "of an amended report: which one it replaces, what was changed and why",
            Said::Open,
        ),
        (
            "7.8.2.1, note",
            "that the report is not passed on in part without the laboratory's consent",
            here(
                "This report shall not be reproduced except in full without the laboratory's written approval.",
            ),
        ),
    ]
}
