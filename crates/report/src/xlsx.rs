//! A run as a workbook for spreadsheets: a summary, results, charts, the wide data, gaps, events, instruments.
//!
//! The wide data goes row by row into a temporary file, so that memory stays bounded; the other sheets
//! are small. Times are real dates in UTC, which a spreadsheet keeps to the millisecond. Texts are cells
//! of text: a spreadsheet runs none of them, and those that look like formulas stay texts when somebody
//! edits them. Simulated data says so in the name of every sheet and above every printed page.

mod charts;
mod results;
mod sheets;

use std::fmt;
use std::fs::File;
use std::io::{Seek, SeekFrom};

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use rust_xlsxwriter::{Color, Format, Workbook, Worksheet, XlsxError};
use zonda_model::Stamp;

use crate::compose::Evaluated;
use crate::csv::Zone;
use crate::dossier::Dossier;
use crate::grid::{Cells, Row};
use crate::rows::{BadRow, Rows};
use crate::table::{Column, Holds, Title, grid_titles};

/// Rows of a sheet, the heading included: the format's own limit (ECMA-376, ISO/IEC 29500-1, as every
/// program that reads it implements it).
pub(crate) const ROWS_MAX: u64 = 1_048_576;

/// How dates and times look: ISO 8601 to the millisecond, which is all that a serial date carries.
const STAMP: &str = "yyyy\\-mm\\-dd\\ hh:mm:ss.000";

/// The workbook under way: what writes the wide data, and at the end the rest.
pub(crate) struct Wide {
    titles: Vec<Title>,
    columns: Vec<Column>,
    cells: Cells,
    zone: Option<TimeZone>,
    looks: Looks,
    book: Workbook,
    data: Worksheet,
    next: u32,
    dossier: Box<Dossier>,
    evaluated: Vec<Evaluated>,
    tail: Option<File>,
}

/// How cells look.
#[derive(Debug)]
struct Looks {
    head: Format,
    stamp: Format,
    day: Format,
    text: Format,
    /// Text that looks like a formula and must stay one that does not run.
    guarded: Format,
    loud: Format,
}

impl fmt::Debug for Wide {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Wide")
            .field("columns", &self.columns)
            .field("next", &self.next)
            .finish_non_exhaustive()
    }
}

impl From<XlsxError> for BadRow {
    fn from(error: XlsxError) -> Self {
        Self(error.to_string())
    }
}

impl From<std::io::Error> for BadRow {
    fn from(error: std::io::Error) -> Self {
        Self(format!("the temporary file for the workbook: {error}"))
    }
}

impl Wide {
    pub(crate) fn new(
        columns: &[Column],
        cells: Cells,
        zone: &Zone,
        (dossier, evaluated): (Box<Dossier>, Vec<Evaluated>),
    ) -> Result<Self, BadRow> {
        let zone = match zone {
            Zone::Utc => None,
            Zone::Local(zone) => Some(zone.clone()),
        };
        let mut titles = vec![Title::new("time [UTC]", Holds::Utc)];
        if zone.is_some() {
            titles.push(Title::new("local time", Holds::Local));
        }
        titles.extend(grid_titles(columns, cells));
        let mut book = Workbook::new();
        let mut data = book.new_worksheet_with_constant_memory()?;
        let looks = Looks::new();
        name(&mut data, "data", dossier.is_simulated)?;
        let heading: Vec<_> = titles.iter().map(|title| title.text.as_str()).collect();
        head(&mut data, 0, &heading, &looks)?;
        data.set_freeze_panes(1, 1)?;
        Ok(Self {
            titles,
            columns: columns.to_vec(),
            cells,
            zone,
            looks,
            book,
            data,
            next: 1,
            dossier,
            evaluated,
            tail: None,
        })
    }

    /// The finished workbook, in a temporary file that nobody else sees.
    fn save(&mut self) -> Result<File, BadRow> {
        let sheets = sheets::Sheets {
            dossier: &self.dossier,
            columns: &self.columns,
            looks: &self.looks,
        };
        let course = sheets.course()?;
        let charts = charts::sheet(&self.dossier, &self.columns)?;
        let data = std::mem::replace(&mut self.data, Worksheet::new());
        self.book.push_worksheet(sheets.summary()?);
        self.book
            .push_worksheet(results::sheet(&sheets, &self.evaluated)?);
        self.book.push_worksheet(charts);
        self.book.push_worksheet(course);
        self.book.push_worksheet(data);
        self.book.push_worksheet(sheets.gaps()?);
        self.book.push_worksheet(sheets.events()?);
        self.book.push_worksheet(sheets.instruments()?);
        let mut file = tempfile::tempfile()?;
        self.book.save_to_writer(&mut file)?;
        file.seek(SeekFrom::Start(0))?;
        Ok(file)
    }

    fn local(&self, utc: Stamp) -> Option<f64> {
        let zone = self.zone.as_ref()?;
        let at = Timestamp::from_microsecond(utc.micros()).ok()?;
        let offset = i64::from(zone.to_offset(at).seconds());
        Some(serial(Stamp::from_micros(
            utc.micros() + offset * 1_000_000,
        )))
    }
}

impl Rows<Row<'_>> for Wide {
    fn titles(&self) -> Vec<Title> {
        self.titles.clone()
    }

    fn head(&mut self, _out: &mut Vec<u8>) {}

    fn row(&mut self, utc: Stamp, row: &Row<'_>, _out: &mut Vec<u8>) -> Result<(), BadRow> {
        let local = self.local(utc);
        let mut line = Line {
            sheet: &mut self.data,
            looks: &self.looks,
            row: self.next,
            column: 0,
        };
        line.stamp(Some(serial(utc)))?;
        if self.zone.is_some() {
            line.stamp(local)?;
        }
        line.number(Some(row.elapsed_s))?;
        for tally in row.tallies {
            line.number(tally.value())?;
            if self.cells == Cells::Summary {
                let extremes = tally.extremes();
                line.number(extremes.map(|(least, _)| least))?;
                line.number(extremes.map(|(_, most)| most))?;
                line.number(Some(f64::from(tally.count())))?;
            }
        }
        for column in 0..row.tallies.len() {
            line.text(&row.words(column))?;
        }
        self.next += 1;
        Ok(())
    }

    fn end(&mut self, _out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.tail = Some(self.save()?);
        Ok(())
    }

    fn tail(&mut self) -> Option<File> {
        self.tail.take()
    }
}

impl Looks {
    fn new() -> Self {
        Self {
            head: Format::new().set_bold(),
            stamp: Format::new().set_num_format(STAMP),
            day: Format::new().set_num_format("yyyy\\-mm\\-dd"),
            text: Format::new(),
            guarded: Format::new().set_quote_prefix(),
            loud: Format::new().set_bold().set_font_color(Color::Red),
        }
    }

    fn of_text(&self, text: &str) -> &Format {
        if crate::csv::is_formula(text) {
            &self.guarded
        } else {
            &self.text
        }
    }
}

/// A row that is written from left to right. What is not there is an empty cell.
struct Line<'a> {
    sheet: &'a mut Worksheet,
    looks: &'a Looks,
    row: u32,
    column: u16,
}

impl Line<'_> {
    fn skip(&mut self) {
        self.column += 1;
    }

    fn skip_to(&mut self, column: u16) {
        self.column = column;
    }

    fn number(&mut self, number: Option<f64>) -> Result<(), XlsxError> {
        if let Some(number) = number.filter(|number| number.is_finite()) {
            self.sheet.write_number(self.row, self.column, number)?;
        }
        self.skip();
        Ok(())
    }

    fn stamp(&mut self, serial: Option<f64>) -> Result<(), XlsxError> {
        if let Some(serial) = serial {
            let look = &self.looks.stamp;
            self.sheet
                .write_number_with_format(self.row, self.column, serial, look)?;
        }
        self.skip();
        Ok(())
    }

    fn day(&mut self, day: Option<Date>) -> Result<(), XlsxError> {
        if let Some(day) = day {
            let since = day.since(Date::constant(1899, 12, 30));
            let days = since.map_or(0, |span| span.get_days());
            let look = &self.looks.day;
            self.sheet
                .write_number_with_format(self.row, self.column, f64::from(days), look)?;
        }
        self.skip();
        Ok(())
    }

    fn text(&mut self, text: &str) -> Result<(), XlsxError> {
        /// The longest text of a cell (the format's own limit).
        const LETTERS_MAX: usize = 32_767;
        if !text.is_empty() {
            let text: String = text.chars().take(LETTERS_MAX).collect();
            let look = self.looks.of_text(&text);
            self.sheet
                .write_string_with_format(self.row, self.column, &text, look)?;
        }
        self.skip();
        Ok(())
    }
}

/// Gives a sheet its name, and its mark where the data is simulated.
fn name(sheet: &mut Worksheet, word: &str, is_simulated: bool) -> Result<(), XlsxError> {
    if is_simulated {
        sheet.set_name(format!("{word} (SIMULATED)"))?;
        sheet.set_tab_color(Color::Red);
        sheet.set_header(format!("&C&B{}", crate::origin::SIMULATED));
    } else {
        sheet.set_name(word)?;
    }
    sheet.set_landscape().set_print_fit_to_pages(1, 0);
    sheet.set_footer("&L&A&RPage &P of &N");
    Ok(())
}

/// Writes a heading, and columns wide enough for it.
fn head(sheet: &mut Worksheet, row: u32, titles: &[&str], looks: &Looks) -> Result<(), XlsxError> {
    for (column, title) in (0..).zip(titles) {
        // Stamps take 23 letters.
        let width = title.chars().count().clamp(10, 40) + 2;
        let width = if title.contains("UTC") || title.contains("local") {
            25
        } else {
            width
        };
        sheet.set_column_width(column, u32::try_from(width).unwrap_or(20))?;
        sheet.write_string_with_format(row, column, *title, &looks.head)?;
    }
    Ok(())
}

/// The serial date of a spreadsheet, in UTC: days since the last day of 1899, to the millisecond.
#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of some thousand years are exact"
)]
fn serial(utc: Stamp) -> f64 {
    /// From that day to the first of 1970.
    const DAYS: f64 = 25_569.0;
    const DAY_MS: f64 = 86_400_000.0;
    (utc.micros() + 500).div_euclid(1000) as f64 / DAY_MS + DAYS
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 36526 is the first day of 2000 in every spreadsheet (ECMA-376 part 1, 18.17.4.1, 1900 date base
    /// system, in which 2000 begins 36 526 days on).
    #[test]
    #[expect(clippy::float_cmp, reason = "exact in binary")]
    fn a_serial_date_counts_days() {
        let at = |micros| serial(Stamp::from_micros(micros));
        assert_eq!(at(946_684_800_000_000), 36_526.0);
        assert_eq!(at(946_684_800_000_000 + 21_600_000_000), 36_526.25);
    }
}
