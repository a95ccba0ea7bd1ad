//! The wide layout: a record per step of a grid, a column of values and one of quality per channel.
//!
//! Every step of the stretch has its record, so that the grid is regular. What stands in a cell, and
//! for which samples, [`Cells`] says; the quality names every flag that any of them had. A fault's
//! number is left out here (nobody should average it by accident; the long layout has it). Where
//! samples are missing, the quality says the gap's cause.

use std::collections::VecDeque;

use zonda_model::quality::Worth;
use zonda_model::{Cause, Period, Quality, Sample, Stamp};

use super::cells::Record;
use super::moment::Moment;
use super::title::{Holds, Title, write_head};
use super::{Column, Form};
use crate::TrueUtc;

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

/// Writes `time,elapsed [s]`, then the cells of each channel, then `name quality` per channel.
#[derive(Debug)]
pub struct Wide {
    form: Form,
    moment: Moment,
    utc: TrueUtc,
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

/// What one channel brought in the open step.
#[derive(Debug)]
struct Tally {
    column: Column,
    sum: f64,
    least: f64,
    most: f64,
    values: u32,
    quality: Option<Quality>,
    /// How far from the step's time the sample is that was kept, µs.
    distance: u64,
    missing: Vec<Missing>,
}

impl Wide {
    /// A writer for these channels. It begins with [`go_on`](Self::go_on).
    pub fn new(columns: &[Column], form: &Form, utc: &TrueUtc, step: Period, cells: Cells) -> Self {
        Self {
            form: form.clone(),
            moment: Moment::new(&form.zone),
            utc: utc.clone(),
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

    /// Its columns.
    pub fn titles(&self) -> Vec<Title> {
        let mut titles = self.moment.titles("time");
        titles.push(Title::new("elapsed [s]", Holds::Plain));
        for Tally { column, .. } in &self.tallies {
            titles.extend(column.titles(self.cells));
        }
        for Tally { column, .. } in &self.tallies {
            let Column { name, .. } = column;
            titles.push(Title::of(name, format!("{name} quality"), Holds::Text));
        }
        titles
    }

    /// Appends the heading.
    pub fn head(&self, out: &mut Vec<u8>) {
        write_head(&self.titles(), &self.form, out);
    }

    /// Takes note of a gap. Gaps come by their beginning, each before the steps that it touches are
    /// written.
    pub fn gap(&mut self, missing: Missing) {
        self.to_come.push_back(missing);
    }

    /// Writes the steps that end at or before `until`, or as many as fit until `out` holds `room`
    /// bytes. Returns how many, and whether that was all.
    pub fn settle(&mut self, until: Stamp, room: usize, out: &mut Vec<u8>) -> (u64, bool) {
        let mut rows = 0;
        while self.end() <= until {
            if out.len() >= room {
                return (rows, false);
            }
            self.write_step(out);
            rows += 1;
        }
        (rows, true)
    }

    /// Writes the open step too if it begins before `until`. Returns how many records that were.
    pub fn finish(&mut self, until: Stamp, out: &mut Vec<u8>) -> u64 {
        let is_open = self.open < until;
        if is_open {
            self.write_step(out);
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

    fn write_step(&mut self, out: &mut Vec<u8>) {
        let (begin, end) = (self.begin(), self.end());
        while let Some(gap) = self.to_come.pop_front_if(|gap| gap.from < end) {
            self.tallies[gap.column].missing.push(gap);
        }
        let mut record = Record::new(out, self.form.dialect);
        self.moment.cells(self.utc.of(self.open), &mut record);
        let first = self.first.unwrap_or(self.open);
        record.number(self.open.since(first).as_secs_f64());
        for tally in &self.tallies {
            match self.cells {
                Cells::Mean | Cells::Nearest => tally.value(&mut record),
                Cells::Summary => tally.summary(&mut record),
            }
        }
        for tally in &self.tallies {
            tally.words(begin, &mut record);
        }
        record.end();
        for tally in &mut self.tallies {
            tally.clear(end);
        }
        self.open = self.open.next(self.step);
    }
}

impl Column {
    fn titles(&self, cells: Cells) -> Vec<Title> {
        let Self { name, unit, .. } = self;
        let number = |text| Title::of(name, text, Holds::Number(*unit));
        match cells {
            Cells::Mean | Cells::Nearest => vec![number(format!("{name} [{unit}]"))],
            Cells::Summary => {
                let extremes = ["mean", "min", "max"];
                let mut titles = extremes
                    .map(|what| number(format!("{name} {what} [{unit}]")))
                    .to_vec();
                titles.push(Title::of(name, format!("{name} count"), Holds::Whole));
                titles
            }
        }
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

    fn value(&self, record: &mut Record<'_>) {
        match self.values {
            0 => record.empty(),
            values => record.number(self.column.unit.from_si(self.sum / f64::from(values))),
        }
    }

    fn summary(&self, record: &mut Record<'_>) {
        self.value(record);
        for extreme in [self.least, self.most] {
            match self.values {
                0 => record.empty(),
                _ => record.number(self.column.unit.from_si(extreme)),
            }
        }
        record.integer(i64::from(self.values));
    }

    fn words(&self, from: Stamp, record: &mut Record<'_>) {
        let mut words: Vec<String> = self.quality.iter().flat_map(|it| it.words()).collect();
        for gap in self.missing.iter().filter(|gap| !gap.is_over(from)) {
            if !words.iter().any(|word| word == gap.cause.word()) {
                words.push(gap.cause.word().to_owned());
            }
        }
        match (self.quality, words.is_empty()) {
            (Some(_), true) => record.text("good"),
            _ => record.text(&words.join(" ")),
        }
    }
}
