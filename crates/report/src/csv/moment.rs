//! Times as cells: RFC 3339 in UTC, and beside it the laboratory's clock where it is asked for.

use std::io::Write as _;

use jiff::Timestamp;
use jiff::tz::{Offset, TimeZone};
use zonda_model::Stamp;

use super::Zone;
use super::cells::Record;
use crate::table::{Holds, Title};

/// Writes times. It remembers the second it wrote last: samples come in order, and the date is the
/// dearest part of a record.
#[derive(Debug)]
pub(super) struct Moment {
    utc: Face,
    local: Option<Face>,
    cell: Vec<u8>,
}

impl Moment {
    pub(super) fn new(zone: &Zone) -> Self {
        Self {
            utc: Face::new(TimeZone::UTC, 'T'),
            local: match zone {
                Zone::Utc => None,
                Zone::Local(zone) => Some(Face::new(zone.clone(), ' ')),
            },
            cell: Vec::with_capacity(32),
        }
    }

    /// The columns of one time.
    pub(super) fn titles(&self, name: &str) -> Vec<Title> {
        let mut titles = vec![Title::new(name, Holds::Utc)];
        if self.local.is_some() {
            titles.push(Title::new(format!("{name}_local"), Holds::Local));
            titles.push(Title::new(format!("{name}_offset"), Holds::Offset));
        }
        titles
    }

    /// The cells of one time: UTC to the microsecond, so that a record can be found again in the
    /// store; local time to the nearest millisecond, the most a spreadsheet's date can carry.
    pub(super) fn cells(&mut self, utc: Stamp, record: &mut Record<'_>) {
        let (second, micros) = split(utc.micros());
        self.cell.clear();
        self.cell.extend_from_slice(self.utc.text(second));
        // Writing into a vector cannot fail, here and below.
        let _ = write!(self.cell, ".{micros:06}Z");
        record.ready(&self.cell);
        let Some(local) = &mut self.local else { return };
        let (second, micros) = split(utc.micros().saturating_add(500));
        self.cell.clear();
        self.cell.extend_from_slice(local.text(second));
        let _ = write!(self.cell, ".{:03}", micros / 1000);
        record.ready(&self.cell);
        record.ready(local.offset.as_bytes());
    }

    /// The cells of a time that is not known, such as the end of a gap that goes on.
    pub(super) fn none(&self, record: &mut Record<'_>) {
        record.empty();
        if self.local.is_some() {
            record.empty();
            record.empty();
        }
    }
}

/// Whole seconds and the microseconds after them.
fn split(micros: i64) -> (i64, i64) {
    (micros.div_euclid(1_000_000), micros.rem_euclid(1_000_000))
}

/// One clock, as it stood when it was last looked at.
#[derive(Debug)]
struct Face {
    zone: TimeZone,
    joint: char,
    second: Option<i64>,
    text: String,
    offset: String,
}

impl Face {
    fn new(zone: TimeZone, joint: char) -> Self {
        Self {
            zone,
            joint,
            second: None,
            text: String::new(),
            offset: String::new(),
        }
    }

    /// Date and time of a second.
    fn text(&mut self, second: i64) -> &[u8] {
        if self.second != Some(second) {
            self.second = Some(second);
            self.turn_to(second);
        }
        self.text.as_bytes()
    }

    fn turn_to(&mut self, second: i64) {
        // A stamp beyond the calendar's ends stands at its end; the record's clock gives none.
        let end = if second < 0 {
            Timestamp::MIN
        } else {
            Timestamp::MAX
        };
        let at = Timestamp::from_second(second).unwrap_or(end);
        let offset = self.zone.to_offset(at);
        let civil = offset.to_datetime(at);
        let (date, time) = (civil.date(), civil.time());
        self.text = format!(
            "{date}{}{:02}:{:02}:{:02}",
            self.joint,
            time.hour(),
            time.minute(),
            time.second()
        );
        self.offset = written(offset);
    }
}

/// `UTC+01:00`: the word in front keeps a spreadsheet from reading a time of day.
fn written(offset: Offset) -> String {
    let minutes = offset.seconds() / 60;
    let sign = if minutes < 0 { '-' } else { '+' };
    format!(
        "UTC{sign}{:02}:{:02}",
        minutes.abs() / 60,
        minutes.abs() % 60
    )
}

#[cfg(test)]
mod tests {
    use super::super::Dialect;
    use super::*;
    use proptest::prelude::*;

    fn cells(zone: &Zone, stamps: &[i64]) -> String {
        let mut moment = Moment::new(zone);
        let mut out = Vec::new();
        for stamp in stamps {
            let mut record = Record::new(&mut out, Dialect::Comma);
            moment.cells(Stamp::from_micros(*stamp), &mut record);
            record.end();
        }
        String::from_utf8(out).unwrap()
    }

    fn berlin() -> Zone {
        Zone::Local(TimeZone::get("Europe/Berlin").unwrap())
    }

    /// The second examples of RFC 3339, section 5.8, as instants.
    #[test]
    fn utc_is_rfc_3339() {
        let at: Timestamp = "1996-12-19T16:39:57-08:00".parse().unwrap();
        assert_eq!(
            cells(&Zone::Utc, &[at.as_microsecond(), -1]),
            "1996-12-20T00:39:57.000000Z\r\n1969-12-31T23:59:59.999999Z\r\n"
        );
    }

    /// 2026-10-25 01:00 UTC: in Berlin 03:00 summer time becomes 02:00 winter time (EU directive 2000/84/EC).
    #[test]
    fn the_hour_that_comes_twice_is_told_apart() {
        let change: Timestamp = "2026-10-25T01:00:00Z".parse().unwrap();
        let change = change.as_microsecond();
        assert_eq!(
            cells(&berlin(), &[change - 400, change - 3_600_000_000, change]),
            "2026-10-25T00:59:59.999600Z,2026-10-25 02:00:00.000,UTC+01:00\r\n\
             2026-10-25T00:00:00.000000Z,2026-10-25 02:00:00.000,UTC+02:00\r\n\
             2026-10-25T01:00:00.000000Z,2026-10-25 02:00:00.000,UTC+01:00\r\n"
        );
    }

    proptest! {
        #[test]
        fn every_time_reads_back(stamps in prop::collection::vec(-2_000_000_000_000_000i64..4_000_000_000_000_000, 1..8)) {
            for zone in [Zone::Utc, berlin()] {
                let text = cells(&zone, &stamps);
                for (line, stamp) in text.lines().zip(&stamps) {
                    let cells: Vec<_> = line.split(',').collect();
                    let utc: Timestamp = cells[0].parse().unwrap();
                    prop_assert_eq!(utc.as_microsecond(), *stamp);
                    if let [_, local, offset] = cells[..] {
                        let local = format!("{}{}", local.replace(' ', "T"), offset.trim_start_matches("UTC"));
                        let local: Timestamp = local.parse().unwrap();
                        prop_assert!((local.as_microsecond() - stamp).abs() <= 500, "{} {}", local, utc);
                    }
                }
            }
        }
    }
}
