//! What test reports say of the laboratory: `[report]`.
//!
//! What a test report must say and no instrument can know. What is left out here stays visibly open in
//! the report.

use std::path::PathBuf;

use crate::fault::Fault;
use crate::keys::{Key, Kind, may};
use crate::section::Section;

/// `[report]`
pub const REPORT: &[Key] = &[
    may(
        "laboratory",
        Kind::Text,
        "\"Hall 3 test bench\"",
        "the laboratory's name, on the title page and above every page; default the station's name",
    ),
    may(
        "address",
        Kind::Text,
        "\"Works road 1, 12345 Example\"",
        "its address",
    ),
    may(
        "accreditation",
        Kind::Text,
        "\"accredited by … under no. …\"",
        "what it may say of its accreditation",
    ),
    may(
        "customer",
        Kind::Text,
        "\"paint shop, building 7\"",
        "for whom it works, with how to reach them",
    ),
    may(
        "authorised_by",
        Kind::Text,
        "\"head of the test bench\"",
        "who stands for the report",
    ),
    may(
        "logo",
        Kind::Text,
        "\"logo.svg\"",
        "a picture for the title page: SVG, PNG or JPEG, beside this file; it goes into the report",
    ),
    may(
        "paper",
        Kind::Text,
        "\"Letter\"",
        "`A4` (default) or `Letter`",
    ),
    may(
        "introduction",
        Kind::Text,
        "\"Ordered under no. 123.\"",
        "a block of text on the title page",
    ),
    may(
        "remarks",
        Kind::Text,
        "\"The results relate to the oven as found.\"",
        "a block of text before the end",
    ),
];

/// What test reports say of the laboratory; `None` is left open.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ReportPlan {
    /// Its name.
    pub laboratory: Option<String>,
    /// Its address.
    pub address: Option<String>,
    /// What it says of its accreditation.
    pub accreditation: Option<String>,
    /// For whom it works.
    pub customer: Option<String>,
    /// Who stands for the report.
    pub authorised_by: Option<String>,
    /// A picture for the title page, as the file names it.
    pub logo: Option<PathBuf>,
    /// The paper.
    pub paper: Paper,
    /// A block of text on the title page.
    pub introduction: Option<String>,
    /// A block of text before the end.
    pub remarks: Option<String>,
}

/// What a report is printed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 mm by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in by 11 in (ANSI Y14.1, size A).
    Letter,
}

impl std::str::FromStr for Paper {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "A4" | "a4" => Ok(Self::A4),
            "Letter" | "letter" => Ok(Self::Letter),
            other => Err(format!(
                "`{other}` is no paper known here; write `A4` or `Letter`"
            )),
        }
    }
}

/// Reads the section.
pub(crate) fn read(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> ReportPlan {
    let said = |key| {
        let text = section.text(key).map(|at| at.value.trim().to_owned());
        text.filter(|text| !text.is_empty())
    };
    ReportPlan {
        laboratory: said("laboratory"),
        address: said("address"),
        accreditation: said("accreditation"),
        customer: said("customer"),
        authorised_by: said("authorised_by"),
        logo: said("logo").map(PathBuf::from),
        paper: section
            .parsed("paper", faults)
            .map(|at| at.value)
            .unwrap_or_default(),
        introduction: said("introduction"),
        remarks: said("remarks"),
    }
}
