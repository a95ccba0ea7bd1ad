//! Samples laid on a grid: a row per step, a tally per channel, whatever the file's format.
//!
//! Every step of the stretch has its row, so that the grid is regular. What a step says of a channel,
//! and for which samples, [`Cells`] says; the quality names every flag that any of them had. A fault's
//! number is left out here (nobody should average it by accident; the long layout has it). Where
//! samples are missing, the quality says the gap's cause.

use std::borrow::Cow;
use std::collections::VecDeque;

use zonda_model::quality::Worth;
use zonda_model::{Cause, Period, Quality, Sample, Stamp};

use crate::table::Column;

/// A stretch in which a column has no samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Index of the column.
    pub column: usize,
    /// Its beginning, on the record's axis.
    pub from: Stamp,
    /// Its end; `None` while it goes on.
    pub to: Option<Stamp>,
    /// Why.
    pub cause: Cause,
}

impl Missing {
    /// True where nothing at or after `at` is missing.
    fn is_over(&self, at: Stamp) -> bool {
        self.to.is_some_and(|to| to <= at)
    }
}

/// What a step says of a channel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Cells {
    /// `name [unit]`: the step's sample, or the mean of those that fell into it.
    #[default]
    Mean,
    /// `name [unit]`: the sample next to the step's time, from half a step before it up to half a
    /// step after; of two at the same distance the earlier one.
    Nearest,
    /// `name mean [unit]`, `name min [unit]`, `name max [unit]`, `name count`: of the samples that
    /// fell into the step; the count is of those that have a number and no fault.
    Summary,
}

/// The grid under way.
#[derive(Debug)]
pub struct Grid {
    step: Period,
    cells: Cells,
    /// How long before its time a step begins, µs.
    ahead: i64,
    first: Option<Stamp>,
    /// The time of the step under way.
    open: Stamp,
    tallies: Vec<Tally>,
    /// Gaps that begin after the open step, by their beginning.
    to_come: VecDeque<Missing>,
}

/// One step.
#[derive(Clone, Copy, Debug)]
pub struct Row<'a> {
    /// Its time, on the record's axis.
    pub time: Stamp,
    /// Seconds since the first step.
    pub elapsed_s: f64,
    /// What each channel brought.
    pub tallies: &'a [Tally],
    begin: Stamp,
}

impl Row<'_> {
    /// The words of the quality of this channel: flags, and causes of what is missing.
    pub fn words(&self, column: usize) -> Cow<'_, str> {
        self.tallies[column].words(self.begin)
    }
}

/// What one channel brought in the open step.
#[derive(Debug)]
pub struct Tally {
    column: Column,
    sum: f64,
    least: f64,
    most: f64,
    values: u32,
    quality: Option<Quality>,
    /// How far from the step's time the sample is that was kept, µs.
    distance: u64,
    missing: Vec<Missing>,
    /// The words of a quality; it seldom changes from one step to the next.
    said: (Quality, String),
}

impl Grid {
    /// A grid of these channels. It begins with [`go_on`](Self::go_on).
    pub fn new(columns: &[Column], step: Period, cells: Cells) -> Self {
        Self {
            step,
            cells,
            ahead: match cells {
                Cells::Nearest => step.micros() / 2,
                Cells::Mean | Cells::Summary => 0,
            },
            first: None,
            open: Stamp::default(),
            tallies: columns.iter().map(Tally::new).collect(),
            to_come: VecDeque::new(),
        }
    }

    /// Takes note of a gap. Gaps come by their beginning, each before the steps that it touches are
    /// written.
    pub fn gap(&mut self, missing: Missing) {
        self.to_come.push_back(missing);
    }

    /// Hands out the steps that end at or before `until`, as long as `write` says that there is room
    /// for more. Returns how many, and whether that was all.
    pub fn settle(&mut self, until: Stamp, mut write: impl FnMut(&Row<'_>) -> bool) -> (u64, bool) {
        let (mut rows, mut has_room) = (0, true);
        while self.end() <= until {
            if !has_room {
                return (rows, false);
            }
            has_room = self.hand_out(&mut write);
            rows += 1;
        }
        (rows, true)
    }

    /// Hands out the open step too if its time is before `until`. Returns how many rows that were.
    pub fn finish(&mut self, until: Stamp, mut write: impl FnMut(&Row<'_>) -> bool) -> u64 {
        let is_open = self.open < until;
        if is_open {
            self.hand_out(&mut write);
        }
        u64::from(is_open)
    }

    /// Begins, or after a stretch that is left out goes on, with the step that holds `from`.
    pub fn go_on(&mut self, from: Stamp) {
        self.open = self.step_of(from);
        self.first.get_or_insert(self.open);
        self.to_come.clear();
        for tally in &mut self.tallies {
            tally.missing.clear();
        }
    }

    /// Takes a sample into the open step. Steps before it must have been settled.
    pub fn sample(&mut self, sample: &Sample<usize>) {
        debug_assert_eq!(self.step_of(sample.at), self.open, "an unsettled step");
        let tally = &mut self.tallies[sample.channel];
        match self.cells {
            Cells::Mean | Cells::Summary => tally.add(sample),
            Cells::Nearest => tally.keep_nearest(sample, self.open),
        }
    }

    /// The time of the step that a moment belongs to.
    fn step_of(&self, at: Stamp) -> Stamp {
        Stamp::from_micros(at.micros() + self.ahead).floor(self.step)
    }

    /// Where the open step begins.
    fn begin(&self) -> Stamp {
        Stamp::from_micros(self.open.micros() - self.ahead)
    }

    /// Where the open step ends.
    fn end(&self) -> Stamp {
        Stamp::from_micros(self.begin().micros() + self.step.micros())
    }

    fn hand_out(&mut self, write: &mut impl FnMut(&Row<'_>) -> bool) -> bool {
        let (begin, end) = (self.begin(), self.end());
        while let Some(gap) = self.to_come.pop_front_if(|gap| gap.from < end) {
            self.tallies[gap.column].missing.push(gap);
        }
        for tally in &mut self.tallies {
            tally.say();
        }
        let first = self.first.unwrap_or(self.open);
        let has_room = write(&Row {
            time: self.open,
            elapsed_s: self.open.since(first).as_secs_f64(),
            tallies: &self.tallies,
            begin,
        });
        for tally in &mut self.tallies {
            tally.clear(end);
        }
        self.open = self.open.next(self.step);
        has_room
    }
}

impl Tally {
    fn new(column: &Column) -> Self {
        Self {
            column: column.clone(),
            sum: 0.0,
            least: f64::INFINITY,
            most: f64::NEG_INFINITY,
            values: 0,
            quality: None,
            distance: u64::MAX,
            missing: Vec::new(),
            said: (Quality::empty(), Quality::empty().to_string()),
        }
    }

    /// Puts the step's quality into words.
    fn say(&mut self) {
        if let Some(quality) = self.quality
            && self.said.0 != quality
        {
            self.said = (quality, quality.to_string());
        }
    }

    /// Ready for the step that begins at `from`.
    fn clear(&mut self, from: Stamp) {
        self.forget();
        self.missing.retain(|gap| !gap.is_over(from));
    }

    fn forget(&mut self) {
        (self.sum, self.values, self.quality) = (0.0, 0, None);
        (self.least, self.most) = (f64::INFINITY, f64::NEG_INFINITY);
        self.distance = u64::MAX;
    }

    fn add(&mut self, sample: &Sample<usize>) {
        *self.quality.get_or_insert_default() |= sample.quality;
        if let Some(value) = sample.value
            && sample.quality.worth() != Worth::Fault
        {
            self.sum += value;
            self.least = self.least.min(value);
            self.most = self.most.max(value);
            self.values += 1;
        }
    }

    fn keep_nearest(&mut self, sample: &Sample<usize>, time: Stamp) {
        let distance = sample.at.micros().abs_diff(time.micros());
        if distance < self.distance {
            self.forget();
            self.add(sample);
            self.distance = distance;
        }
    }

    /// The step's value in the column's unit: see [`Cells`].
    pub fn value(&self) -> Option<f64> {
        let mean = || self.column.unit.from_si(self.sum / f64::from(self.values));
        (self.values > 0).then(mean)
    }

    /// The least and the greatest of its samples, in the column's unit.
    pub fn extremes(&self) -> Option<(f64, f64)> {
        let unit = self.column.unit;
        let both = || (unit.from_si(self.least), unit.from_si(self.most));
        (self.values > 0).then(both)
    }

    /// How many samples the value is made of.
    pub const fn count(&self) -> u32 {
        self.values
    }

    fn words(&self, from: Stamp) -> Cow<'_, str> {
        if self.missing.is_empty() {
            let said = self.quality.map_or("", |_| self.said.1.as_str());
            return Cow::Borrowed(said);
        }
        let mut words: Vec<String> = self.quality.iter().flat_map(|it| it.words()).collect();
        for gap in self.missing.iter().filter(|gap| !gap.is_over(from)) {
            if !words.iter().any(|word| word == gap.cause.word()) {
                words.push(gap.cause.word().to_owned());
            }
        }
        match (self.quality, words.is_empty()) {
            (Some(_), true) => Cow::Borrowed("good"),
            _ => Cow::Owned(words.join(" ")),
        }
    }
}
