//! What is asked of an export: from when to when, of what, laid out how, in which units and format.

use jiff::Timestamp;
use zonda_model::{ChannelName, Period, Stamp, Unit};

use crate::csv::{Form, Zone};
use crate::grid::Cells;
use crate::run::RunFacts;

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

/// A channel with the unit that it is to be written in, such as `Z1-left.velocity=ft/min`.
///
/// # Errors
/// It is not written so, or there is no such unit.
pub fn own_unit(text: &str) -> Result<(ChannelName, Unit), String> {
    let (name, unit) = text
        .rsplit_once('=')
        .ok_or("write the channel, `=` and the unit, such as `Z1-left.velocity=ft/min`")?;
    let name = name.trim().parse().map_err(|error| format!("{error}"))?;
    let unit = unit.trim().parse().map_err(|error| format!("{error}"))?;
    Ok((name, unit))
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
