//! What is written: rows of the layout asked for, in the format asked for, and how far the stretch under way is read.

use std::fs::File;

use zonda_assess::Watch;
use zonda_model::{Period, Sample, Stamp};
use zonda_store::{GapRow, Readable};

use super::source::{GapPages, PAGE, Samples, Source};
use super::{CHUNK, ExportError, Format, Layout, Request, Steps, Text};
use crate::TrueUtc;
use crate::csv::{self, Zone};
use crate::gaps_ahead::GapsAhead;
use crate::grid::{self, Cells};
use crate::parquet;
use crate::report::gather;
use crate::rows::{BadRow, Rows};
use crate::table::{Column, Title};
use crate::xlsx;

type GridRows = dyn for<'a> Rows<grid::Row<'a>>;
type GapRows = dyn for<'a> Rows<csv::GapRow<'a>>;

/// What is written, and how far the stretch under way is read.
#[derive(Debug)]
pub(super) enum Body {
    Long(Box<dyn Rows<Sample<usize>>>, Option<Samples>),
    Wide(Box<Stepped>, Option<(Samples, GapsAhead)>),
    Gaps(Box<GapRows>, GapPages),
}

/// The wide layout: the grid that gathers, and what writes its steps.
#[derive(Debug)]
pub(super) struct Stepped {
    grid: grid::Grid,
    rows: Box<GridRows>,
}

impl Body {
    /// Writes a page's worth. Returns true at the end of the stretch, and where there is none yet.
    pub(super) async fn step(
        &mut self,
        source: &Source,
        text: &mut Text,
    ) -> Result<bool, ExportError> {
        match self {
            Self::Long(rows, Some(samples)) => {
                write_long(rows.as_mut(), samples, source, text).await
            }
            Self::Wide(stepped, Some(feed)) => write_wide(stepped, feed, source, text).await,
            Self::Gaps(rows, pages) if pages.range.is_some() => {
                write_gaps(rows.as_mut(), pages, source, text).await
            }
            _ => Ok(true),
        }
    }

    pub(super) fn new(
        request: &Request,
        columns: &[Column],
        fastest: impl FnOnce() -> Period,
    ) -> Self {
        match request.layout {
            Layout::Long => Self::Long(long_rows(&request.format, columns), None),
            Layout::Gaps => Self::Gaps(gap_rows(&request.format), GapPages::default()),
            Layout::Wide(Steps { every, cells }) => {
                let step = every.unwrap_or_else(fastest);
                let stepped = Stepped {
                    grid: grid::Grid::new(columns, step, cells),
                    rows: grid_rows(&request.format, columns, cells),
                };
                Self::Wide(Box::new(stepped), None)
            }
        }
    }

    /// The wide data as one sheet of a workbook.
    pub(super) async fn workbook(
        record: &Readable,
        request: &Request,
        (columns, zone): (&[Column], &Zone),
        fastest: Period,
    ) -> Result<Self, ExportError> {
        let (Some(run), Layout::Wide(Steps { every, cells })) = (&request.run, request.layout)
        else {
            return Err(ExportError::NoWorkbook);
        };
        let step = every.unwrap_or(fastest);
        let span = run.stretch.to.since(run.stretch.from);
        let steps = span.as_micros() / step.duration().as_micros() + 2;
        let rows = u64::try_from(steps).unwrap_or(u64::MAX);
        if rows > xlsx::ROWS_MAX {
            let least = span.as_secs() / (xlsx::ROWS_MAX - 2) + 1;
            return Err(ExportError::TooManyRows {
                rows,
                step_s: least,
            });
        }
        let (evaluated, dossier) = gather(record, (**run).clone(), &Watch::none()).await?;
        let dossier = Box::new(dossier);
        let stepped = Stepped {
            grid: grid::Grid::new(columns, step, cells),
            rows: Box::new(xlsx::Wide::new(columns, cells, zone, (dossier, evaluated))?),
        };
        Ok(Self::Wide(Box::new(stepped), None))
    }

    pub(super) fn tail(&mut self) -> Option<File> {
        match self {
            Self::Long(rows, _) => rows.tail(),
            Self::Wide(stepped, _) => stepped.rows.tail(),
            Self::Gaps(rows, _) => rows.tail(),
        }
    }

    pub(super) fn titles(&self) -> Vec<Title> {
        match self {
            Self::Long(rows, _) => rows.titles(),
            Self::Wide(stepped, _) => stepped.rows.titles(),
            Self::Gaps(rows, _) => rows.titles(),
        }
    }

    pub(super) fn head(&mut self, out: &mut Vec<u8>) {
        match self {
            Self::Long(rows, _) => rows.head(out),
            Self::Wide(stepped, _) => stepped.rows.head(out),
            Self::Gaps(rows, _) => rows.head(out),
        }
    }

    pub(super) fn end(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        match self {
            Self::Long(rows, _) => rows.end(out),
            Self::Wide(stepped, _) => stepped.rows.end(out),
            Self::Gaps(rows, _) => rows.end(out),
        }
    }

    pub(super) fn go_on(&mut self, range: (Stamp, Stamp)) {
        match self {
            Self::Long(_, samples) => *samples = Some(Samples::new(range)),
            Self::Wide(stepped, feed) => {
                stepped.grid.go_on(range.0);
                *feed = Some((Samples::new(range), GapsAhead::new(range)));
            }
            Self::Gaps(_, pages) => pages.go_on(range),
        }
    }
}

fn long_rows(format: &Format, columns: &[Column]) -> Box<dyn Rows<Sample<usize>>> {
    match format {
        Format::Csv { form, .. } => Box::new(csv::Long::new(columns, form)),
        // A workbook is refused before it comes here.
        Format::Parquet | Format::Xlsx { .. } => Box::new(parquet::Long::new(columns)),
    }
}

fn grid_rows(format: &Format, columns: &[Column], cells: Cells) -> Box<GridRows> {
    match format {
        Format::Csv { form, .. } => Box::new(csv::Wide::new(columns, form, cells)),
        Format::Parquet | Format::Xlsx { .. } => Box::new(parquet::Wide::new(columns, cells)),
    }
}

fn gap_rows(format: &Format) -> Box<GapRows> {
    match format {
        Format::Csv { form, .. } => Box::new(csv::Gaps::new(form)),
        Format::Parquet | Format::Xlsx { .. } => Box::new(parquet::Gaps::new()),
    }
}

/// Writes a page of samples. Returns true at the end of the stretch, as the other two do.
async fn write_long(
    rows: &mut dyn Rows<Sample<usize>>,
    samples: &mut Samples,
    source: &Source,
    text: &mut Text,
) -> Result<bool, ExportError> {
    if !samples.turn_page(source).await? {
        return Ok(true);
    }
    for sample in samples.page.by_ref() {
        rows.row(source.utc.of(sample.at), &sample, &mut text.out)?;
        text.count.rows += 1;
        text.count.samples += 1;
    }
    Ok(false)
}

/// Takes a page of samples in and writes the steps that they complete, at most a chunk of them.
async fn write_wide(
    stepped: &mut Stepped,
    (samples, gaps): &mut (Samples, GapsAhead),
    source: &Source,
    text: &mut Text,
) -> Result<bool, ExportError> {
    if samples.turn_page(source).await? {
        while let Some(sample) = samples.page.as_slice().first() {
            if !settle(stepped, sample.at, gaps, source, text).await? {
                return Ok(false);
            }
            stepped.grid.sample(sample);
            samples.page.next();
            text.count.samples += 1;
        }
        return Ok(false);
    }
    let end = samples.range.1;
    if !settle(stepped, end, gaps, source, text).await? {
        return Ok(false);
    }
    let Stepped { grid, rows } = stepped;
    let mut written = Ok(());
    text.count.rows += grid.finish(end, |row| {
        written = rows.row(source.utc.of(row.time), row, &mut text.out);
        true
    });
    written?;
    Ok(true)
}

/// Writes the steps that end by `until`. Returns false where that is too much for one chunk.
async fn settle(
    stepped: &mut Stepped,
    until: Stamp,
    gaps: &mut GapsAhead,
    source: &Source,
    text: &mut Text,
) -> Result<bool, ExportError> {
    let Stepped { grid, rows } = stepped;
    let told = gaps
        .tell(grid, until, &source.record, &source.places)
        .await?;
    let mut written = Ok(());
    let (count, is_all) = grid.settle(told, |row| {
        written = rows.row(source.utc.of(row.time), row, &mut text.out);
        written.is_ok() && text.out.len() < CHUNK
    });
    written?;
    text.count.rows += count;
    Ok(is_all && told == until)
}

/// Writes a page of gaps.
async fn write_gaps(
    rows: &mut GapRows,
    pages: &mut GapPages,
    source: &Source,
    text: &mut Text,
) -> Result<bool, ExportError> {
    let Some(range) = pages.range else {
        return Ok(true);
    };
    let page = source.record.gaps(range, pages.after, PAGE).await?;
    let Some(last) = page.last() else {
        return Ok(true);
    };
    pages.after = Some((last.from, last.id));
    for gap in &page {
        let is_new = pages.written_to.is_none_or(|to| gap.from >= to);
        if let Some(place) = source.places.get(&gap.channel)
            && is_new
        {
            let row = gap_row(gap, source.columns[*place].name.as_str(), &source.utc);
            rows.row(row.from, &row, &mut text.out)?;
            text.count.rows += 1;
        }
    }
    Ok(false)
}

fn gap_row<'a>(gap: &'a GapRow, channel: &'a str, utc: &TrueUtc) -> csv::GapRow<'a> {
    csv::GapRow {
        channel,
        from: utc.of(gap.from),
        to: gap.to.map(|to| utc.of(to)),
        cause: gap.cause,
        missed: u64::try_from(gap.missed).unwrap_or(0),
        detail: &gap.detail,
    }
}
