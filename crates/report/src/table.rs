//! Tables, whatever the file's format: which channels are in them, and which columns.

use zonda_model::{ChannelName, Quantity, Unit};

use crate::grid::Cells;

/// One channel of an export.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// The channel.
    pub name: ChannelName,
    /// What it measures.
    pub quantity: Quantity,
    /// The unit in which its values are written.
    pub unit: Unit,
    /// What a velocity or volume flow is one of, such as `actual`, or that the record does not say.
    pub basis: Option<String>,
}

/// One column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Title {
    /// As it stands in the heading.
    pub text: String,
    /// What its cells hold.
    pub holds: Holds,
    /// The channel that it is about, where it is about one.
    pub channel: Option<ChannelName>,
    /// What a velocity or volume flow is one of.
    pub basis: Option<String>,
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Date and time in UTC, RFC 3339.
    Utc,
    /// Date and time of the laboratory's clock.
    Local,
    /// How far that clock is from UTC.
    Offset,
    /// Words.
    Text,
    /// A whole number.
    Whole,
    /// A number in this unit.
    Number(Unit),
    /// A number; the record says in which unit.
    Plain,
}

impl Title {
    pub(crate) fn new(text: impl Into<String>, holds: Holds) -> Self {
        Self {
            text: text.into(),
            holds,
            channel: None,
            basis: None,
        }
    }

    pub(crate) fn of(channel: &ChannelName, text: String, holds: Holds) -> Self {
        Self {
            channel: Some(channel.clone()),
            ..Self::new(text, holds)
        }
    }
}

impl Column {
    /// `name [unit, basis]`.
    pub(crate) fn heading(&self) -> String {
        format!("{} [{}]", self.name, self.unit_words())
    }

    /// A number is not to lose its basis on the way into a spreadsheet.
    fn unit_words(&self) -> String {
        match &self.basis {
            Some(basis) => format!("{}, {basis}", self.unit),
            None => self.unit.to_string(),
        }
    }

    fn titles(&self, cells: Cells) -> Vec<Title> {
        let Self {
            name, unit, basis, ..
        } = self;
        let unit_words = self.unit_words();
        let number = |text| Title {
            basis: basis.clone(),
            ..Title::of(name, text, Holds::Number(*unit))
        };
        match cells {
            Cells::Mean | Cells::Nearest => vec![number(self.heading())],
            Cells::Summary => {
                let extremes = ["mean", "min", "max"];
                let mut titles = extremes
                    .map(|what| number(format!("{name} {what} [{unit_words}]")))
                    .to_vec();
                titles.push(Title::of(name, format!("{name} count"), Holds::Whole));
                titles
            }
        }
    }
}

/// The columns of a grid after those of the time.
pub(crate) fn grid_titles(columns: &[Column], cells: Cells) -> Vec<Title> {
    let quality =
        |Column { name, .. }: &Column| Title::of(name, format!("{name} quality"), Holds::Text);
    let mut titles = vec![Title::new("elapsed [s]", Holds::Plain)];
    titles.extend(columns.iter().flat_map(|column| column.titles(cells)));
    titles.extend(columns.iter().map(quality));
    titles
}

/// The columns of the long layout after those of the time.
pub(crate) fn sample_titles() -> [Title; 6] {
    [
        Title::new("channel", Holds::Text),
        Title::new("value", Holds::Plain),
        Title::new("unit", Holds::Text),
        Title::new("quality", Holds::Text),
        Title::new("code", Holds::Plain),
        Title::new("basis", Holds::Text),
    ]
}

/// The columns of the gaps layout after those of the times.
pub(crate) fn gap_titles() -> [Title; 3] {
    [
        Title::new("cause", Holds::Text),
        Title::new("missed", Holds::Whole),
        Title::new("detail", Holds::Text),
    ]
}
