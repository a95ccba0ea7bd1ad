//! The report as a document: blocks, tables and drawings, as pure data.
//!
//! Who composes it knows nothing of paper or markup; who renders it knows nothing of measurements.
//! Written down as JSON it goes to a renderer that is a program of its own, `zonda-typeset`: whoever changes
//! a shape here changes [`FORM`], there as well.

use serde::Serialize;

/// The form of the JSON; the typesetter refuses every other.
pub const FORM: u32 = 1;

/// A document.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Document {
    /// [`FORM`].
    pub form: u32,
    /// Its title.
    pub title: String,
    /// Its language (BCP 47).
    pub lang: &'static str,
    /// Who gives it out.
    pub by: Option<String>,
    /// When it was made: RFC 3339, UTC.
    pub made: String,
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

impl Document {
    /// One that says nothing yet, in English on A4.
    pub fn bare(title: &str) -> Self {
        Self {
            form: FORM,
            title: title.to_owned(),
            lang: "en",
            by: None,
            made: "1970-01-01T00:00:00Z".to_owned(),
            paper: "A4",
            head: String::new(),
            foot: String::new(),
            across: None,
            blocks: Vec::new(),
        }
    }
}

/// A piece of a document.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Block {
    /// The document's own title.
    Title(String),
    /// The sections of the document, each a way to it.
    Contents,
    /// A picture from outside.
    Picture {
        /// The picture itself as a `data:` address.
        address: String,
        /// What it shows.
        shows: String,
    },
    /// A section, on a new page or not.
    Section {
        /// Its heading.
        heading: String,
        /// Whether it begins a page.
        is_new_page: bool,
        /// Whether it is an appendix.
        is_appendix: bool,
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
    /// A drawing as wide as the page.
    Figure(Figure),
    /// Small drawings without captions, two beside each other.
    Figures(Vec<Figure>),
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

/// A drawing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Figure {
    /// The drawing itself.
    pub svg: String,
    /// What stands below it; nothing where it is empty.
    pub caption: String,
    /// What it shows, for those who do not see it.
    pub alt: String,
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
    /// Whether it is a long list to look things up in, set in small type.
    pub is_small: bool,
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
            is_small: false,
        }
    }

    /// The same in small type.
    pub fn small(self) -> Self {
        Self {
            is_small: true,
            ..self
        }
    }

    /// Adds a row.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        let row: Vec<_> = cells.into_iter().map(Said::Text).collect();
        debug_assert_eq!(row.len(), self.columns.len(), "{}", self.caption);
        self.rows.push(row);
    }
}
