//! The gaps layout: a record per stretch of missing time, with its cause.

use zonda_model::{Cause, Stamp};

use super::Form;
use super::cells::{Record, write_head};
use super::moment::Moment;
use crate::table::{Holds, Title, gap_titles};

/// One stretch without samples, as it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GapRow<'a> {
    /// The channel.
    pub channel: &'a str,
    /// True UTC of its beginning.
    pub from: Stamp,
    /// True UTC of its end; `None` while it goes on.
    pub to: Option<Stamp>,
    /// Why.
    pub cause: Cause,
    /// How many samples are missing.
    pub missed: u64,
    /// What was expected and what was found.
    pub detail: &'a str,
}

/// Writes `channel,from,to,cause,missed,detail`.
#[derive(Debug)]
pub struct Gaps {
    form: Form,
    moment: Moment,
}

impl Gaps {
    /// A writer.
    pub fn new(form: &Form) -> Self {
        Self {
            form: form.clone(),
            moment: Moment::new(&form.zone),
        }
    }

    /// Its columns.
    pub fn titles(&self) -> Vec<Title> {
        let mut titles = vec![Title::new("channel", Holds::Text)];
        titles.extend(self.moment.titles("from"));
        titles.extend(self.moment.titles("to"));
        titles.extend(gap_titles());
        titles
    }

    /// Appends the heading.
    pub fn head(&self, out: &mut Vec<u8>) {
        write_head(&self.titles(), self.form.dialect, out);
    }

    /// Appends one gap.
    pub fn gap(&mut self, gap: &GapRow<'_>, out: &mut Vec<u8>) {
        let mut record = Record::new(out, self.form.dialect);
        record.text(gap.channel);
        self.moment.cells(gap.from, &mut record);
        match gap.to {
            Some(to) => self.moment.cells(to, &mut record),
            None => self.moment.none(&mut record),
        }
        record.text(gap.cause.word());
        record.integer(i64::try_from(gap.missed).unwrap_or(i64::MAX));
        record.text(gap.detail);
        record.end();
    }
}
