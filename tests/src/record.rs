//! What a station recorded, read by Python's SQLite and not by ours.
//!
//! The reader only reads: an older SQLite must never write to a record.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result};
use serde::Deserialize;

use crate::peer;
use crate::wait::{PATIENCE, until_every};

/// Between two readings of a whole record: each starts a Python.
const LOOK_EVERY: Duration = Duration::from_millis(300);

/// One sample as it stands in the record.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Row {
    /// Microseconds since the Unix epoch.
    pub at: i64,
    /// Name of the channel.
    pub channel: String,
    /// The code, untouched; `None` where a word stood in place of a number.
    pub code: Option<f64>,
    /// The value, in the SI unit of the quantity; `None` where there is no number.
    pub value: Option<f64>,
    /// The quality flags, as a number.
    pub flags: u32,
}

/// A stretch without samples.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Gap {
    /// Name of the channel.
    pub channel: String,
    /// Its begin, in microseconds since the Unix epoch.
    pub from: i64,
    /// Its end; `None` where it lasts.
    pub to: Option<i64>,
    /// The word of its cause.
    pub cause: String,
    /// Ticks without a sample.
    pub missed: u32,
}

/// A whole record.
#[derive(Clone, Debug, Deserialize)]
pub struct Record {
    /// The samples, by time and then by channel.
    pub samples: Vec<Row>,
    /// The gaps, by begin.
    pub gaps: Vec<Gap>,
    /// The words of SQLite's own `integrity_check`: `ok` where all is well.
    pub integrity: String,
}

impl Record {
    /// Reads the record in this folder.
    ///
    /// # Errors
    /// There is none, or it cannot be read.
    pub fn read(data: &Path) -> Result<Self> {
        let text = peer::run("read_record.py", &[data.as_os_str()])?;
        serde_json::from_str(&text).context("the reader's answer is not as expected")
    }

    /// Reads the record again and again until there is something to return.
    ///
    /// # Errors
    /// It cannot be read, or nothing came in time; `what` says what was waited for.
    pub fn await_in<T>(
        data: &Path,
        what: &str,
        mut look: impl FnMut(&Self) -> Option<T>,
    ) -> Result<T> {
        until_every(LOOK_EVERY, PATIENCE, what, || Ok(look(&Self::read(data)?)))
    }

    /// Reads what an SQL query gives, as JSON: a list of rows.
    ///
    /// # Errors
    /// The query fails.
    pub fn query(data: &Path, sql: &str) -> Result<Vec<Vec<serde_json::Value>>> {
        let text = peer::run("read_record.py", &[data.as_os_str(), OsStr::new(sql)])?;
        Ok(serde_json::from_str(&text)?)
    }

    /// The samples of the channels with these names, grouped by their time.
    pub fn scans(&self, channels: &[String]) -> BTreeMap<i64, Vec<&Row>> {
        let mut scans: BTreeMap<i64, Vec<&Row>> = BTreeMap::new();
        for row in &self.samples {
            if channels.contains(&row.channel) {
                scans.entry(row.at).or_default().push(row);
            }
        }
        scans
    }

    /// The gaps with this cause.
    pub fn gaps_by(&self, cause: &str) -> Vec<&Gap> {
        self.gaps.iter().filter(|gap| gap.cause == cause).collect()
    }
}
