//! Exports: a request, and the file that answers it, in chunks read from the store.
//!
//! The caller pulls. Between two chunks no read is open, so that a slow reader holds nothing up, and
//! memory stays bounded whatever the length of the stretch. An export that fails says so instead of
//! its next chunk; what was written until then must not pass for a whole file.

use std::collections::HashMap;
use std::fs::File;
use std::io::Read as _;

use jiff::Timestamp;
use zonda_model::{ChannelName, Period, Quantity, Sample, Stamp, Unit};
use zonda_store::{
    ChannelId, ChannelRow, GapRow, Key, MappingRow, Readable, SampleRow, StoreError,
};

use crate::TrueUtc;
use crate::csv::{self, BOM, Form, Zone};
use crate::dossier::Dossier;
use crate::gaps_ahead::GapsAhead;
use crate::grid::{self, Cells};
use crate::origin;
use crate::parquet;
use crate::rows::{BadRow, Rows};
use crate::run::RunFacts;
use crate::table::{Column, Title};
use crate::xlsx;

/// Samples read at once: a few milliseconds of reading and 2 MB of memory.
const PAGE: i64 = 20_000;

/// A chunk is handed out when it has this many bytes, or a page's worth.
const CHUNK: usize = 64 << 10;

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// From, and up to but not including, in true UTC.
    pub range: (Stamp, Stamp),
    /// The run that is exported: its stretch of the record, whatever `range` says, and its facts beside it.
    pub run: Option<Box<RunFacts>>,
    /// Which channels, in this order; `None` for all of them.
    pub channels: Option<Vec<ChannelName>>,
    /// How they are laid out.
    pub layout: Layout,
    /// In which units.
    pub units: Units,
    /// Channels that have a unit of their own, whatever `units` says.
    pub own_units: Vec<(ChannelName, Unit)>,
    /// In which format.
    pub format: Format,
}

/// The format of the file.
#[derive(Clone, Debug, PartialEq)]
pub enum Format {
    /// Text.
    Csv {
        /// How it is written.
        form: Form,
        /// Whether a byte order mark stands in front.
        mark: bool,
        /// Whether lines that begin with `#` say where the numbers come from, above the heading.
        preamble: bool,
    },
    /// Apache Parquet, compressed: for programs that read columns.
    Parquet,
    /// A workbook for spreadsheets: of a run, with the wide data on one of its sheets.
    Xlsx {
        /// Whose clock stands beside UTC.
        zone: Zone,
    },
}

impl Format {
    /// CSV as every program reads it.
    pub fn csv() -> Self {
        Self::Csv {
            form: Form::default(),
            mark: false,
            preamble: false,
        }
    }
}

/// How an export is laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// A record per sample.
    Long,
    /// A record per step of a grid.
    Wide(Steps),
    /// A record per gap.
    Gaps,
}

/// The grid of the wide layout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Steps {
    /// From one step to the next; by default the tick of the fastest channel.
    pub every: Option<Period>,
    /// What a step says of a channel.
    pub cells: Cells,
}

impl Layout {
    /// The word used in file names and the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Long => "long",
            Self::Wide(_) => "wide",
            Self::Gaps => "gaps",
        }
    }
}

/// In which units values are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Units {
    /// As the record keeps them: SI, temperature in °C.
    #[default]
    Si,
    /// As the configuration speaks of each channel.
    Configured,
    /// As people in the United States speak of each quantity.
    Us,
}

/// Why an export cannot be made, or not be finished.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// No such channel.
    #[error("the record has no channel `{0}`; the list of channels says how each is written")]
    UnknownChannel(ChannelName),
    /// Nothing lies between the two times.
    #[error("the export ends at {to}, which is not after its beginning {from}")]
    EmptyRange {
        /// Its beginning.
        from: Stamp,
        /// Its end.
        to: Stamp,
    },
    /// A channel cannot be written in the unit asked for.
    #[error("`{name}` is a {quantity} and cannot be written in {unit}; it can in {possible}")]
    UnfitUnit {
        /// The channel.
        name: ChannelName,
        /// What it measures.
        quantity: Quantity,
        /// What was asked for.
        unit: Unit,
        /// What would do.
        possible: String,
    },
    /// A workbook is more than its wide data.
    #[error(
        "a workbook is made of a run, in the wide layout; name the run, or cut one out of what is recorded (`zonda run cut`)"
    )]
    NoWorkbook,
    /// More rows than a sheet holds.
    #[error(
        "the workbook would need {rows} rows and a sheet holds {}; ask for a step of {step_s} s or more, or write CSV or Parquet",
        xlsx::ROWS_MAX
    )]
    TooManyRows {
        /// Rows it would need.
        rows: u64,
        /// The least step with which it would fit, s.
        step_s: u64,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The format takes no such row.
    #[error(transparent)]
    Row(#[from] BadRow),
}

/// What an export has written so far, to be compared with what the record holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Count {
    /// Records after the heading.
    pub rows: u64,
    /// Samples in them.
    pub samples: u64,
}

impl Request {
    /// Everything that these samples, the run's, say in this layout.
    pub fn of_run(run: RunFacts, layout: Layout, format: Format) -> Self {
        Self {
            range: run.range,
            channels: Some(run.channels.iter().map(|row| row.name.clone()).collect()),
            run: Some(Box::new(run)),
            layout,
            units: Units::Si,
            own_units: Vec::new(),
            format,
        }
    }

    /// A name for the file that says what is in it and how it is written.
    pub fn file_name(&self) -> String {
        let (from, to) = self.range;
        let end = match &self.format {
            Format::Csv { form, .. } => format!("_{}.csv", form.dialect.word()),
            Format::Parquet => ".parquet".to_owned(),
            Format::Xlsx { .. } => ".xlsx".to_owned(),
        };
        if let (Some(run), Format::Xlsx { .. }) = (&self.run, &self.format) {
            return format!("zonda_{}{end}", run.name());
        }
        if let Some(run) = &self.run {
            return format!("zonda_{}_{}{end}", run.name(), self.layout.word());
        }
        let (from, to) = (file_time(from), file_time(to));
        format!("zonda_{}_{from}_{to}{end}", self.layout.word())
    }
}

/// ISO 8601's basic format, which every file system takes.
fn file_time(at: Stamp) -> String {
    Timestamp::from_microsecond(at.micros()).map_or_else(
        |_| at.micros().to_string(),
        |at| at.strftime("%Y%m%dT%H%M%SZ").to_string(),
    )
}

/// An export under way.
#[derive(Debug)]
pub struct Export {
    source: Source,
    /// Stretches of the axis that are still to come, the next one last.
    stretches: Vec<(Stamp, Stamp)>,
    body: Body,
    text: Text,
    /// What comes after the rows.
    tail: Option<File>,
    is_done: bool,
}

/// What is written and not handed out yet, and the count of everything written.
#[derive(Debug, Default)]
struct Text {
    out: Vec<u8>,
    count: Count,
}

/// Where the rows come from.
#[derive(Debug)]
struct Source {
    record: Readable,
    utc: TrueUtc,
    columns: Vec<Column>,
    places: HashMap<ChannelId, usize>,
    /// The keys to read; `None` where all are wanted.
    keys: Option<Vec<ChannelId>>,
}

type GridRows = dyn for<'a> Rows<grid::Row<'a>>;
type GapRows = dyn for<'a> Rows<csv::GapRow<'a>>;

/// What is written, and how far the stretch under way is read.
#[derive(Debug)]
enum Body {
    Long(Box<dyn Rows<Sample<usize>>>, Option<Samples>),
    Wide(Box<Stepped>, Option<(Samples, GapsAhead)>),
    Gaps(Box<GapRows>, GapPages),
}

/// The wide layout: the grid that gathers, and what writes its steps.
#[derive(Debug)]
struct Stepped {
    grid: grid::Grid,
    rows: Box<GridRows>,
}

impl Export {
    /// Looks the channels up and writes the heading.
    ///
    /// # Errors
    /// [`ExportError`].
    pub async fn begin(record: &Readable, request: &Request) -> Result<Self, ExportError> {
        let (from, to) = request.range;
        if from >= to {
            return Err(ExportError::EmptyRange { from, to });
        }
        let utc = TrueUtc::new(record.clock().await?);
        let asked = match &request.run {
            Some(run) => vec![(run.stretch.from, run.stretch.to)],
            None => utc.stretches(from, to),
        };
        let mut stretches = recorded(record, asked).await?;
        let known = record.channels().await?;
        let wanted = match &request.channels {
            Some(names) => pick(&known, names)?,
            None => all_of(record, known.clone(), &stretches).await?,
        };
        let columns = columns(&wanted, &record.mappings().await?, request)?;
        let body = match &request.format {
            Format::Xlsx { zone } => {
                Body::workbook(record, request, (&columns, zone), fastest(&wanted)).await?
            }
            _ => Body::new(request, &columns, || fastest(&wanted)),
        };
        let origin = preamble(record, request, &wanted, &stretches).await?;
        let ids = wanted.iter().map(|row| row.id);
        stretches.reverse();
        let mut export = Self {
            source: Source {
                record: record.clone(),
                utc,
                places: ids.clone().zip(0..).collect(),
                keys: (wanted.len() < known.len()).then(|| ids.collect()),
                columns,
            },
            stretches,
            body,
            text: Text::default(),
            tail: None,
            is_done: false,
        };
        if let Format::Csv { mark: true, .. } = request.format {
            export.text.out.extend_from_slice(BOM);
        }
        csv::write_preamble(&origin, &mut export.text.out);
        export.body.head(&mut export.text.out);
        Ok(export)
    }

    /// The channels, in their order.
    pub fn columns(&self) -> &[Column] {
        &self.source.columns
    }

    /// The file's columns, in their order.
    pub fn titles(&self) -> Vec<Title> {
        self.body.titles()
    }

    /// What was written so far.
    pub const fn count(&self) -> Count {
        self.text.count
    }

    /// The next chunk, or `None` after the last.
    ///
    /// # Errors
    /// The record cannot be read; the file is then not whole.
    pub async fn next(&mut self) -> Result<Option<Vec<u8>>, ExportError> {
        while !self.is_done && self.text.out.len() < CHUNK {
            self.step().await?;
        }
        if self.is_done {
            self.read_tail()?;
        }
        let chunk = std::mem::replace(&mut self.text.out, Vec::with_capacity(CHUNK << 1));
        Ok((!chunk.is_empty()).then_some(chunk))
    }

    /// Writes a page's worth, or begins the next stretch.
    async fn step(&mut self) -> Result<(), ExportError> {
        let (source, text) = (&self.source, &mut self.text);
        let is_over = match &mut self.body {
            Body::Long(rows, Some(samples)) => {
                write_long(rows.as_mut(), samples, source, text).await?
            }
            Body::Wide(stepped, Some(feed)) => write_wide(stepped, feed, source, text).await?,
            Body::Gaps(rows, pages) if pages.range.is_some() => {
                write_gaps(rows.as_mut(), pages, source, text).await?
            }
            _ => true,
        };
        if is_over {
            if let Some(range) = self.stretches.pop() {
                self.body.go_on(range);
            } else {
                self.is_done = true;
                self.body.end(&mut self.text.out)?;
                self.tail = self.body.tail();
            }
        }
        Ok(())
    }

    /// Goes on with what comes after the rows.
    fn read_tail(&mut self) -> Result<(), BadRow> {
        let Some(tail) = &mut self.tail else {
            return Ok(());
        };
        let room = u64::try_from(CHUNK).unwrap_or(u64::MAX);
        let read = tail.take(room).read_to_end(&mut self.text.out)?;
        if read == 0 {
            self.tail = None;
        }
        Ok(())
    }
}

impl Body {
    fn new(request: &Request, columns: &[Column], fastest: impl FnOnce() -> Period) -> Self {
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
    async fn workbook(
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
        let dossier = Box::new(Dossier::load(record, (**run).clone()).await?);
        let stepped = Stepped {
            grid: grid::Grid::new(columns, step, cells),
            rows: Box::new(xlsx::Wide::new(columns, cells, zone, dossier)?),
        };
        Ok(Self::Wide(Box::new(stepped), None))
    }

    fn tail(&mut self) -> Option<File> {
        match self {
            Self::Long(rows, _) => rows.tail(),
            Self::Wide(stepped, _) => stepped.rows.tail(),
            Self::Gaps(rows, _) => rows.tail(),
        }
    }

    fn titles(&self) -> Vec<Title> {
        match self {
            Self::Long(rows, _) => rows.titles(),
            Self::Wide(stepped, _) => stepped.rows.titles(),
            Self::Gaps(rows, _) => rows.titles(),
        }
    }

    fn head(&mut self, out: &mut Vec<u8>) {
        match self {
            Self::Long(rows, _) => rows.head(out),
            Self::Wide(stepped, _) => stepped.rows.head(out),
            Self::Gaps(rows, _) => rows.head(out),
        }
    }

    fn end(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        match self {
            Self::Long(rows, _) => rows.end(out),
            Self::Wide(stepped, _) => stepped.rows.end(out),
            Self::Gaps(rows, _) => rows.end(out),
        }
    }

    fn go_on(&mut self, range: (Stamp, Stamp)) {
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

/// Samples of one stretch, a page at a time.
#[derive(Debug)]
struct Samples {
    range: (Stamp, Stamp),
    after: Option<Key>,
    page: std::vec::IntoIter<Sample<usize>>,
}

impl Samples {
    fn new(range: (Stamp, Stamp)) -> Self {
        Self {
            range,
            after: None,
            page: Vec::new().into_iter(),
        }
    }

    /// Reads on where the page is used up. Returns false at the end of the stretch.
    async fn turn_page(&mut self, source: &Source) -> Result<bool, StoreError> {
        while self.page.len() == 0 {
            let rows = source
                .record
                .samples(self.range, source.keys.as_deref(), self.after, PAGE)
                .await?;
            let Some(last) = rows.last() else {
                return Ok(false);
            };
            self.after = Some(Key {
                at: last.at,
                channel: last.channel,
            });
            let samples = rows.iter().filter_map(|row| source.placed(row));
            self.page = samples.collect::<Vec<_>>().into_iter();
        }
        Ok(true)
    }
}

impl Source {
    /// A sample with the index of its column; `None` for a channel that is not wanted.
    fn placed(&self, row: &SampleRow) -> Option<Sample<usize>> {
        let place = *self.places.get(&row.channel)?;
        Some(Sample {
            channel: place,
            at: row.at,
            code: row.code,
            value: row.value,
            quality: row.quality,
        })
    }
}

/// Gaps of one stretch, a page at a time.
#[derive(Debug, Default)]
struct GapPages {
    range: Option<(Stamp, Stamp)>,
    after: Option<(Stamp, i64)>,
    /// Where the stretch before ended: a gap that reaches back over it is written already.
    written_to: Option<Stamp>,
}

impl GapPages {
    fn go_on(&mut self, range: (Stamp, Stamp)) {
        self.written_to = self.range.map(|(_, to)| to);
        self.range = Some(range);
        self.after = None;
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

/// Where the numbers come from, line by line, where that is asked for.
async fn preamble(
    record: &Readable,
    request: &Request,
    channels: &[ChannelRow],
    stretches: &[(Stamp, Stamp)],
) -> Result<Vec<String>, StoreError> {
    match request.format {
        Format::Csv { preamble: true, .. } => {
            origin::lines(record, request, channels, stretches).await
        }
        _ => Ok(Vec::new()),
    }
}

/// The parts of these stretches in which anything can be recorded: a wide layout has a record per
/// step, and must not have one for each before the first sample ever or in the days to come.
async fn recorded(
    record: &Readable,
    stretches: Vec<(Stamp, Stamp)>,
) -> Result<Vec<(Stamp, Stamp)>, StoreError> {
    let Some((first, last)) = record.extent().await? else {
        return Ok(Vec::new());
    };
    let alive = record
        .sessions(1)
        .await?
        .first()
        .map_or(last, |session| session.alive);
    let end = Stamp::from_micros(last.max(alive).micros().saturating_add(1));
    let clipped = stretches
        .into_iter()
        .map(|(from, to)| (from.max(first), to.min(end)));
    Ok(clipped.filter(|(from, to)| from < to).collect())
}

fn pick(known: &[ChannelRow], names: &[ChannelName]) -> Result<Vec<ChannelRow>, ExportError> {
    let find = |name: &ChannelName| {
        let found = known.iter().find(|row| row.name == *name);
        found
            .cloned()
            .ok_or_else(|| ExportError::UnknownChannel(name.clone()))
    };
    names.iter().map(find).collect()
}

/// The configured channels in their order, and then those of earlier configurations that have
/// samples in the stretch.
async fn all_of(
    record: &Readable,
    known: Vec<ChannelRow>,
    stretches: &[(Stamp, Stamp)],
) -> Result<Vec<ChannelRow>, ExportError> {
    let (mut rows, retired): (Vec<_>, Vec<_>) =
        known.into_iter().partition(|row| row.position.is_some());
    rows.sort_by_key(|row| row.position);
    if let ([(from, _), ..], [.., (_, to)]) = (stretches, stretches)
        && !retired.is_empty()
    {
        let ids: Vec<_> = retired.iter().map(|row| row.id).collect();
        let history = record
            .history(&ids, zonda_store::Grid::over((*from, *to), 1000))
            .await?;
        let has_samples = history
            .channels
            .iter()
            .map(|it| it.iter().any(Option::is_some));
        let kept = retired.into_iter().zip(has_samples).filter(|(_, has)| *has);
        rows.extend(kept.map(|(row, _)| row));
    }
    Ok(rows)
}

fn columns(
    rows: &[ChannelRow],
    mappings: &[MappingRow],
    request: &Request,
) -> Result<Vec<Column>, ExportError> {
    let unknown = request
        .own_units
        .iter()
        .find(|(name, _)| !rows.iter().any(|row| row.name == *name));
    if let Some((name, _)) = unknown {
        return Err(ExportError::UnknownChannel(name.clone()));
    }
    rows.iter()
        .map(|row| column(row, basis_of(row, mappings), request))
        .collect()
}

/// What a channel's velocity or flow is one of, in words, by the newest of its mappings or laws.
pub(crate) fn basis_of(channel: &ChannelRow, mappings: &[MappingRow]) -> Option<String> {
    let own = mappings.iter().filter(|row| row.channel == channel.id);
    let stated = own.max_by_key(|row| row.version).and_then(|newest| {
        let text: serde_json::Value = serde_json::from_str(&newest.text).ok()?;
        Some(text.get("basis")?.as_str()?.to_owned())
    });
    channel.quantity.basis_words(stated)
}

fn column(
    row: &ChannelRow,
    basis: Option<String>,
    request: &Request,
) -> Result<Column, ExportError> {
    let own = request.own_units.iter().find(|(name, _)| *name == row.name);
    let unit = match (own, request.units) {
        (Some((_, unit)), _) => *unit,
        (None, Units::Si) => row.quantity.si(),
        (None, Units::Configured) => row.unit,
        (None, Units::Us) => row.quantity.us(),
    };
    if !row.quantity.accepts(unit) {
        let fit = Unit::ALL.iter().filter(|unit| row.quantity.accepts(**unit));
        let possible: Vec<_> = fit.map(|unit| unit.symbol()).collect();
        return Err(ExportError::UnfitUnit {
            name: row.name.clone(),
            quantity: row.quantity,
            unit,
            possible: possible.join(", "),
        });
    }
    Ok(Column {
        name: row.name.clone(),
        quantity: row.quantity,
        unit,
        basis,
    })
}

/// The tick of the fastest channel.
fn fastest(rows: &[ChannelRow]) -> Period {
    let micros = rows
        .iter()
        .filter_map(|row| u64::try_from(row.period_us).ok())
        .min();
    micros
        .and_then(|micros| Period::new(std::time::Duration::from_micros(micros)).ok())
        .unwrap_or(Period::SECOND)
}
