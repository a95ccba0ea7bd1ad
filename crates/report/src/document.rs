//! The report as a document: blocks, tables and drawings, as pure data.
//!
//! Who composes it knows nothing of paper or markup; who renders it knows nothing of measurements.
//! It can be written down as JSON for a renderer that is a program of its own.

use serde::Serialize;

/// A document.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Document {
    /// Its title.
    pub title: String,
    /// `A4` or `Letter`.
    pub paper: &'static str,
    /// What stands above every page.
    pub head: String,
    /// What stands below every page: program, configuration, seal.
    pub foot: String,
    /// What stands across every page, where the data is not of anything real.
    pub across: Option<String>,
    /// The blocks, in their order.
    pub blocks: Vec<Block>,
}

/// A piece of a document.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Block {
    /// The document's own title.
    Title(String),
    /// A picture as a `data:` address, with what it shows.
    Picture(String, String),
    /// A section, on a new page or not.
    Section {
        /// Its heading.
        heading: String,
        /// Whether it begins a page.
        is_new_page: bool,
    },
    /// A heading within a section.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A caution.
    Caution(String),
    /// What something is, line by line.
    Facts(Vec<(String, Said)>),
    /// A table.
    Table(Table),
    /// An SVG drawing with its caption.
    Figure(String, String),
    /// Whether a criterion is met.
    Verdict {
        /// What is judged.
        what: String,
        /// `conforms`, `does not conform`, `undecided`.
        words: String,
        /// By what rule, at which limits.
        by: String,
    },
}

/// What is said, or that it is left open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// It is said.
    Text(String),
    /// A person has to fill it in.
    Open,
}

impl Said {
    /// Open where nothing is said.
    pub fn or_open(text: Option<&str>) -> Self {
        text.map_or(Self::Open, |text| Self::Text(text.to_owned()))
    }
}

/// A table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Table {
    /// What stands above it.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows, each with a cell a column.
    pub rows: Vec<Vec<Said>>,
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Its heading.
    pub heading: String,
    /// Whether it holds numbers, which stand under each other.
    pub is_number: bool,
}

impl Table {
    /// A table without rows; headings that begin with `#` are of numbers.
    pub fn new(caption: impl Into<String>, headings: &[&str]) -> Self {
        let column = |heading: &&str| Column {
            heading: heading.trim_start_matches('#').to_owned(),
            is_number: heading.starts_with('#'),
        };
        Self {
            caption: caption.into(),
            columns: headings.iter().map(column).collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        let row: Vec<_> = cells.into_iter().map(Said::Text).collect();
        debug_assert_eq!(row.len(), self.columns.len(), "{}", self.caption);
        self.rows.push(row);
    }
}
