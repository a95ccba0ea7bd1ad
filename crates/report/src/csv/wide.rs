//! The wide layout: a record per step of a grid, a column of values and one of quality per channel.
//!
//! Every step of the stretch has its record, so that the grid is regular. A cell is the step's
//! sample; where several fell into one step, their mean, and the quality names every flag any of
//! them had. A fault's number is left out here (nobody should average it by accident; the long
//! layout has it). Where samples are missing, the quality says the gap's cause.

use zonda_model::quality::Worth;
use zonda_model::{Cause, Period, Quality, Sample, Stamp};

use super::cells::Record;
use super::moment::Moment;
use super::{Column, Form};
use crate::Axis;

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
    /// True where some of `from..to` is missing.
    fn touches(&self, from: Stamp, to: Stamp) -> bool {
        self.from < to && self.to.is_none_or(|end| end > from)
    }
}

/// Writes `time,elapsed [s]`, then `name [unit]` per channel, then `name quality` per channel.
#[derive(Debug)]
pub struct Wide {
    form: Form,
    moment: Moment,
    axis: Axis,
    step: Period,
    first: Stamp,
    open: Stamp,
    tallies: Vec<Tally>,
    missing: Vec<Missing>,
}

/// What one channel brought in the open step.
#[derive(Debug)]
struct Tally {
    column: Column,
    sum: f64,
    values: u32,
    quality: Option<Quality>,
}

impl Wide {
    /// A writer for these channels, whose first step is the one that holds `from`.
    pub fn new(columns: &[Column], form: &Form, axis: &Axis, step: Period, from: Stamp) -> Self {
        Self {
            form: form.clone(),
            moment: Moment::new(&form.zone),
            axis: axis.clone(),
            step,
            first: from.floor(step),
            open: from.floor(step),
            tallies: columns.iter().map(Tally::new).collect(),
            missing: Vec::new(),
        }
    }

    /// Appends the heading.
    pub fn head(&self, out: &mut Vec<u8>) {
        let mut record = Record::new(out, self.form.dialect);
        self.moment.head("time", &mut record);
        record.text("elapsed [s]");
        for Tally { column, .. } in &self.tallies {
            record.text(&format!("{} [{}]", column.name, column.unit));
        }
        for Tally { column, .. } in &self.tallies {
            record.text(&format!("{} quality", column.name));
        }
        record.end();
    }

    /// Takes note of a gap. It must be told before the steps that it touches are written.
    pub fn gap(&mut self, missing: Missing) {
        self.missing.push(missing);
    }

    /// Writes the steps that end at or before `until`, or as many as fit until `out` holds `room`
    /// bytes. Returns how many, and whether that was all.
    pub fn settle(&mut self, until: Stamp, room: usize, out: &mut Vec<u8>) -> (u64, bool) {
        let mut rows = 0;
        while self.open.next(self.step) <= until {
            if out.len() >= room {
                return (rows, false);
            }
            self.write_step(out);
            rows += 1;
        }
        (rows, true)
    }

    /// Takes a sample into the open step. Steps before it must have been settled.
    pub fn sample(&mut self, sample: &Sample<usize>) {
        debug_assert_eq!(sample.at.floor(self.step), self.open, "an unsettled step");
        self.tallies[sample.channel].add(sample);
    }

    fn write_step(&mut self, out: &mut Vec<u8>) {
        let end = self.open.next(self.step);
        let mut record = Record::new(out, self.form.dialect);
        self.moment.cells(self.axis.utc(self.open), &mut record);
        record.number(self.open.since(self.first).as_secs_f64());
        for tally in &self.tallies {
            tally.value(&mut record);
        }
        for (index, tally) in self.tallies.iter().enumerate() {
            let causes = self
                .missing
                .iter()
                .filter(|gap| gap.column == index && gap.touches(self.open, end))
                .map(|gap| gap.cause);
            tally.words(causes, &mut record);
        }
        record.end();
        self.missing.retain(|gap| gap.to.is_none_or(|to| to > end));
        self.tallies.iter_mut().for_each(Tally::clear);
        self.open = end;
    }
}

impl Tally {
    fn new(column: &Column) -> Self {
        Self {
            column: column.clone(),
            sum: 0.0,
            values: 0,
            quality: None,
        }
    }

    fn clear(&mut self) {
        (self.sum, self.values, self.quality) = (0.0, 0, None);
    }

    fn add(&mut self, sample: &Sample<usize>) {
        *self.quality.get_or_insert_default() |= sample.quality;
        if let Some(value) = sample.value
            && sample.quality.worth() != Worth::Fault
        {
            self.sum += value;
            self.values += 1;
        }
    }

    fn value(&self, record: &mut Record<'_>) {
        match self.values {
            0 => record.empty(),
            values => record.number(self.column.unit.from_si(self.sum / f64::from(values))),
        }
    }

    fn words(&self, causes: impl Iterator<Item = Cause>, record: &mut Record<'_>) {
        let mut words: Vec<String> = self.quality.iter().flat_map(|it| it.words()).collect();
        for cause in causes {
            if !words.iter().any(|word| word == cause.word()) {
                words.push(cause.word().to_owned());
            }
        }
        match (self.quality, words.is_empty()) {
            (Some(_), true) => record.text("good"),
            _ => record.text(&words.join(" ")),
        }
    }
}
