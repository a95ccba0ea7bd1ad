//! The comparison that matters: what a device answered against what the station recorded.
//!
//! Nothing invented: every stored scan is an answer, in the order they were given, at its time.
//! Nothing missing: every answer is stored, or a gap with its cause stands where it would be.

use std::fmt;

use anyhow::{Context, Result, ensure};

use crate::config::{INPUTS, Module, value};
use crate::modbus::Served;
use crate::record::{Gap, Record, Row};

/// Two numbers that a double keeps apart by rounding alone.
const ROUNDING: f64 = 1e-9;
/// How far a stamp may stand outside the neighbouring answers: the two clocks are read one after the other.
const SLACK_US: i64 = 5_000;

/// How many of what were compared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Answers that the device gave.
    pub served: usize,
    /// Scans in the record.
    pub stored: usize,
    /// Answers that are not stored and stand in a gap.
    pub explained: usize,
    /// Answers after the last stored one that nothing explains: the cut of the end.
    pub cut: usize,
    /// Samples whose code and value were compared.
    pub samples: usize,
}

impl fmt::Display for Counts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} answers served, {} scans stored ({} samples compared), {} in gaps, {} cut at the end",
            self.served, self.stored, self.samples, self.explained, self.cut
        )
    }
}

/// Compares one module's record with the device's ledger.
///
/// # Errors
/// The first difference that nothing explains.
pub fn compare(served: &[Served], record: &Record, module: &Module) -> Result<Counts> {
    ensure!(record.integrity == "ok", "SQLite says {}", record.integrity);
    let channels = module.channels();
    let served: Vec<&Served> = served
        .iter()
        .filter(|answer| answer.unit == module.unit && answer.registers.len() == INPUTS)
        .collect();
    let gaps: Vec<&Gap> = record
        .gaps
        .iter()
        .filter(|gap| channels.contains(&gap.channel))
        .collect();
    let mut counts = Counts {
        served: served.len(),
        ..Counts::default()
    };
    let mut next = 0;
    for (at, rows) in record.scans(&channels) {
        let rows = in_order(&rows, &channels)
            .with_context(|| format!("the scan at {at} of module {}", module.name))?;
        let found = served[next..]
            .iter()
            .position(|answer| is_same(&rows, answer))
            .with_context(|| {
                format!("the scan at {at} is no answer of the device, or stands out of order")
            })?;
        for lost in &served[next..next + found] {
            ensure!(
                gaps.iter().any(|gap| covers(gap, lost.at)),
                "an answer was lost without a gap: {lost:?}"
            );
            counts.explained += 1;
        }
        next += found;
        check_time(at, next, &served)?;
        check_values(&rows, served[next])?;
        counts.stored += 1;
        counts.samples += rows.len();
        next += 1;
    }
    for lost in &served[next..] {
        let is_explained = gaps.iter().any(|gap| covers(gap, lost.at));
        counts.explained += usize::from(is_explained);
        counts.cut += usize::from(!is_explained);
    }
    Ok(counts)
}

/// The rows of one scan by register; each channel must be there once.
fn in_order<'a>(rows: &[&'a Row], channels: &[String]) -> Result<Vec<&'a Row>> {
    ensure!(
        rows.len() == channels.len(),
        "has {} samples of {} channels",
        rows.len(),
        channels.len()
    );
    channels
        .iter()
        .map(|channel| {
            rows.iter()
                .find(|row| row.channel == *channel)
                .copied()
                .with_context(|| format!("has no {channel}"))
        })
        .collect()
}

fn is_same(rows: &[&Row], answer: &Served) -> bool {
    rows.iter()
        .zip(&answer.registers)
        .all(|(row, word)| row.code == Some(f64::from(*word)))
}

/// The stamp stands between the answer before and the answer after.
fn check_time(at: i64, index: usize, served: &[&Served]) -> Result<()> {
    let after = index
        .checked_sub(1)
        .is_none_or(|before| micros(served[before].at) - SLACK_US < at);
    let before = served
        .get(index + 1)
        .is_none_or(|next| at < micros(next.at) + SLACK_US);
    ensure!(
        after && before,
        "the scan at {at} does not stand beside its answer {:?}",
        served[index]
    );
    Ok(())
}

fn check_values(rows: &[&Row], answer: &Served) -> Result<()> {
    for (register, (row, word)) in rows.iter().zip(&answer.registers).enumerate() {
        let expected = value(register, *word);
        let found = row
            .value
            .with_context(|| format!("no value for the code {word} of {}", row.channel))?;
        ensure!(
            (found - expected).abs() <= ROUNDING * expected.abs().max(1.0),
            "{} has the value {found} for the code {word}, expected {expected}",
            row.channel
        );
    }
    Ok(())
}

/// True where the gap stands over this time, in seconds since the Unix epoch, to within a tick.
pub fn covers(gap: &Gap, at: f64) -> bool {
    let at = micros(at);
    let tick = i64::try_from(crate::config::EVERY_MS * 1000).unwrap_or(i64::MAX);
    gap.from - tick <= at && gap.to.is_none_or(|to| at <= to + tick)
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "seconds of this century in microseconds fit"
)]
fn micros(seconds: f64) -> i64 {
    (seconds * 1e6) as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    const MODULE: Module = Module { name: "A", unit: 1 };
    const TICK_US: i64 = 250_000;

    fn answer(read: u16) -> Served {
        Served {
            at: 1000.0 + f64::from(read) * 0.25,
            unit: 1,
            registers: (0..16).map(|index| read * 16 + index).collect(),
        }
    }

    /// The record of a station that stored these answers.
    fn record(answers: &[Served]) -> Record {
        let channels = MODULE.channels();
        let row = |answer: &Served, register: usize| {
            let word = answer.registers[register];
            Row {
                at: micros(answer.at),
                channel: channels[register].clone(),
                code: Some(f64::from(word)),
                value: Some(value(register, word)),
                flags: 0,
            }
        };
        Record {
            samples: answers
                .iter()
                .flat_map(|answer| (0..INPUTS).map(move |register| row(answer, register)))
                .collect(),
            gaps: Vec::new(),
            integrity: "ok".to_owned(),
        }
    }

    fn five() -> Vec<Served> {
        (0..5).map(answer).collect()
    }

    fn complaint(served: &[Served], record: &Record) -> String {
        format!("{:#}", compare(served, record, &MODULE).unwrap_err())
    }

    #[test]
    fn the_same_is_the_same() {
        let counts = compare(&five(), &record(&five()), &MODULE).unwrap();
        assert_eq!((counts.stored, counts.samples, counts.cut), (5, 80, 0));
    }

    #[test]
    fn the_end_that_was_cut_is_counted() {
        let counts = compare(&five(), &record(&five()[..3]), &MODULE).unwrap();
        assert_eq!((counts.stored, counts.cut), (3, 2));
    }

    #[test]
    fn an_invented_scan_is_seen() {
        let mut more = five();
        more[2].registers[7] = 9;
        assert!(complaint(&five(), &record(&more)).contains("no answer of the device"));
    }

    #[test]
    fn a_lost_scan_needs_a_gap() {
        let mut kept = five();
        let lost = kept.remove(2);
        let mut record = record(&kept);
        assert!(complaint(&five(), &record).contains("lost without a gap"));
        record.gaps.push(Gap {
            channel: "A1.velocity".to_owned(),
            from: micros(lost.at) - TICK_US,
            to: Some(micros(lost.at)),
            cause: "timeout".to_owned(),
            missed: 1,
        });
        assert_eq!(compare(&five(), &record, &MODULE).unwrap().explained, 1);
    }

    #[test]
    fn a_changed_order_is_seen() {
        let mut record = record(&five());
        for row in &mut record.samples {
            row.at = 2_000_000_000 - row.at;
        }
        assert!(
            complaint(&five(), &record).contains("out of order")
                || complaint(&five(), &record).contains("lost")
        );
    }

    #[test]
    fn a_lost_sample_of_a_scan_is_seen() {
        let mut record = record(&five());
        record.samples.remove(20);
        assert!(complaint(&five(), &record).contains("15 samples of 16"));
    }

    #[test]
    fn a_wrong_value_and_a_wrong_time_are_seen() {
        let mut wrong = record(&five());
        wrong.samples[3].value = Some(1.0);
        assert!(complaint(&five(), &wrong).contains("has the value 1"));
        let mut late = record(&five());
        for row in &mut late.samples {
            row.at += TICK_US + SLACK_US;
        }
        assert!(complaint(&five(), &late).contains("does not stand beside"));
    }
}
