//! A certificate as CSV text: a heading of `key,value` lines, then the points under their own heading.
//!
//! ```csv
//! certificate,K-2041
//! laboratory,accredited laboratory
//! date,2026-03-02
//! due,2027-03-02
//! quantity,velocity
//! range,0-50 m/s
//! reference,reading,uncertainty,k
//! 0.5,0.47,0.03,2
//! ```
//!
//! Numbers are in the range's unit. Where the first line is parted by `;`, all are, and
//! numbers may have a decimal comma.
//! All that is wrong is told at once, each with its line.

use std::fmt;
use std::str::FromStr;

use csv::{ReaderBuilder, StringRecord};
use jiff::civil::Date;
use zonda_model::Quantity;
use zonda_model::written::Span;

use crate::certificate::{BadCertificate, Certificate, Heading, Method, Point};

/// What is wrong with a line.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LineFault {
    /// A key that a certificate does not have.
    #[error(
        "`{0}` is not known here; expected are certificate, laboratory, date, due, quantity, range and then the points under reference, reading, uncertainty, k"
    )]
    Key(String),
    /// A key that stands twice.
    #[error("`{0}` stands here for the second time")]
    Twice(String),
    /// A key without its value.
    #[error("`{0}` has no value")]
    NoValue(String),
    /// A key with several values.
    #[error("`{0}` has more than one value; put a value with a comma into quotes")]
    Values(String),
    /// A value that cannot be read.
    #[error("`{key}`: {reason}")]
    Value {
        /// Whose value.
        key: &'static str,
        /// Why not.
        reason: String,
    },
    /// A row of points with too few or too many columns.
    #[error("a point has 4 columns (reference, reading, uncertainty, k), this line has {0}")]
    Columns(usize),
    /// Not a number.
    #[error("expected a number for {column}, found `{found}`")]
    Number {
        /// Of which column.
        column: &'static str,
        /// What stands there.
        found: String,
    },
    /// Text that is no CSV.
    #[error("{0}")]
    Csv(String),
    /// The columns of the points are not those expected.
    #[error("the points' columns are reference, reading, uncertainty, k, in this order")]
    Header,
}

/// One fault of a certificate's text.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Fault {
    /// In a line.
    #[error("line {line}: {fault}")]
    Line {
        /// Counted from 1.
        line: u64,
        /// What is wrong with it.
        fault: LineFault,
    },
    /// Something that must be there and is not.
    #[error("`{0}` is missing")]
    Missing(&'static str),
    /// The whole cannot be a certificate.
    #[error(transparent)]
    Certificate(BadCertificate),
}

/// Everything that is wrong with a certificate's text, by line; at least one.
#[derive(Clone, Debug, PartialEq)]
pub struct Faults(pub Vec<Fault>);

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.0.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

const COLUMNS: [&str; 4] = ["reference", "reading", "uncertainty", "k"];

/// Reads a certificate from its CSV text; readings are put right by `method`.
///
/// # Errors
/// [`Faults`]: all that is wrong.
pub fn read(text: &str, method: Method) -> Result<Certificate, Faults> {
    let text = text.trim_start_matches('\u{feff}');
    let mut draft = Draft::new(text);
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(draft.delimiter)
        .from_reader(text.as_bytes());
    let mut lines = Lines {
        text,
        at: 0,
        line: 1,
    };
    for record in reader.records() {
        match record {
            Ok(record) => {
                let line = lines.of(record.position());
                draft.take(line, &record);
            }
            Err(error) => {
                let line = lines.of(error.position());
                draft.fault(line, LineFault::Csv(error.to_string()));
            }
        }
    }
    draft.finish(method)
}

/// Counts lines as a person does: the reader's own count stands before the line breaks and empty
/// lines that precede a record.
struct Lines<'a> {
    text: &'a str,
    at: usize,
    line: u64,
}

impl Lines<'_> {
    fn of(&mut self, position: Option<&csv::Position>) -> u64 {
        let start = position.map_or(self.at, |p| usize::try_from(p.byte()).unwrap_or(self.at));
        let bytes = self.text.as_bytes();
        let is_break = |byte: &&u8| matches!(byte, b'\r' | b'\n');
        let breaks = bytes.iter().skip(start).take_while(is_break).count();
        let passed = bytes.iter().take(start + breaks).skip(self.at);
        self.line += passed.map(|byte| u64::from(*byte == b'\n')).sum::<u64>();
        self.at = self.at.max(start + breaks);
        self.line
    }
}

/// What has been read so far.
#[derive(Default)]
struct Draft {
    delimiter: u8,
    number: Option<String>,
    laboratory: Option<String>,
    date: Option<Date>,
    due: Option<Date>,
    quantity: Option<Quantity>,
    range: Option<Span>,
    seen: Vec<String>,
    has_header: bool,
    points: Vec<Point>,
    faults: Vec<Fault>,
}

impl Draft {
    fn new(text: &str) -> Self {
        let first = text.chars().find(|c| matches!(c, ',' | ';'));
        let delimiter = if first == Some(';') { b';' } else { b',' };
        Self {
            delimiter,
            ..Self::default()
        }
    }

    fn fault(&mut self, line: u64, fault: LineFault) {
        self.faults.push(Fault::Line { line, fault });
    }

    fn take(&mut self, line: u64, record: &StringRecord) {
        // spreadsheets fill short rows up with empty cells
        let mut cells: Vec<&str> = record.iter().collect();
        let filled = cells.iter().rposition(|cell| !cell.is_empty());
        cells.truncate(filled.map_or(0, |at| at + 1));
        let outcome = match cells.as_slice() {
            [] => Ok(()),
            cells if self.has_header => self.take_point(cells),
            [first, ..] if *first == COLUMNS[0] => self.take_header(&cells),
            [key, values @ ..] => self.take_key(key, values),
        };
        if let Err(fault) = outcome {
            self.fault(line, fault);
        }
    }

    fn take_header(&mut self, cells: &[&str]) -> Result<(), LineFault> {
        self.has_header = true;
        if cells == COLUMNS {
            Ok(())
        } else {
            Err(LineFault::Header)
        }
    }

    fn take_key(&mut self, key: &str, values: &[&str]) -> Result<(), LineFault> {
        if self.seen.iter().any(|seen| seen == key) {
            return Err(LineFault::Twice(key.to_owned()));
        }
        self.seen.push(key.to_owned());
        let value = match values {
            [] => return Err(LineFault::NoValue(key.to_owned())),
            [value] => *value,
            // a range such as `0,5-20 m/s` must not fall apart silently
            _ => return Err(LineFault::Values(key.to_owned())),
        };
        match key {
            "certificate" => self.number = Some(value.to_owned()),
            "laboratory" => self.laboratory = Some(value.to_owned()),
            "date" => self.date = Some(parse("date", value)?),
            "due" => self.due = Some(parse("due", value)?),
            "quantity" => self.quantity = Some(parse("quantity", value)?),
            "range" => self.range = Some(parse("range", value)?),
            _ => return Err(LineFault::Key(key.to_owned())),
        }
        Ok(())
    }

    fn take_point(&mut self, cells: &[&str]) -> Result<(), LineFault> {
        if cells.len() != COLUMNS.len() {
            return Err(LineFault::Columns(cells.len()));
        }
        let mut numbers = [0.0; 4];
        for ((number, column), cell) in numbers.iter_mut().zip(COLUMNS).zip(cells) {
            *number = self.number(column, cell)?;
        }
        let [reference, reading, uncertainty, k] = numbers;
        self.points.push(Point {
            reference,
            reading,
            uncertainty,
            k,
        });
        Ok(())
    }

    fn number(&self, column: &'static str, cell: &str) -> Result<f64, LineFault> {
        let plain = if self.delimiter == b';' {
            cell.replace(',', ".")
        } else {
            cell.to_owned()
        };
        match plain.replace('−', "-").parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(number),
            _ => Err(LineFault::Number {
                column,
                found: cell.to_owned(),
            }),
        }
    }

    fn finish(mut self, method: Method) -> Result<Certificate, Faults> {
        let missing = [
            ("certificate", self.number.is_none()),
            ("date", self.date.is_none()),
            ("due", self.due.is_none()),
            ("quantity", self.quantity.is_none()),
            ("range", self.range.is_none()),
            (COLUMNS[0], !self.has_header),
        ];
        for (key, is_missing) in missing {
            // what stands there and cannot be read has been told already
            if is_missing && !self.seen.iter().any(|seen| seen == key) {
                self.faults.push(Fault::Missing(key));
            }
        }
        let (Some(number), Some(date), Some(due), Some(quantity), Some(range), true) = (
            self.number,
            self.date,
            self.due,
            self.quantity,
            self.range,
            self.faults.is_empty(),
        ) else {
            return Err(Faults(self.faults));
        };
        let heading = Heading {
            number,
            laboratory: self.laboratory.unwrap_or_default(),
            date,
            due,
        };
        Certificate::new(heading, quantity, range, self.points, method)
            .map_err(|error| Faults(vec![Fault::Certificate(error)]))
    }
}

fn parse<T: FromStr<Err: fmt::Display>>(key: &'static str, value: &str) -> Result<T, LineFault> {
    value.parse().map_err(|error: T::Err| LineFault::Value {
        key,
        reason: error.to_string(),
    })
}
