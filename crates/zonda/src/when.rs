//! Times and spans on the command line.

use std::time::Duration;

use anyhow::Context;
use jiff::tz::TimeZone;
use zonda_model::Stamp;

/// `20s`, `5m`, `1h 30m`.
pub(crate) fn duration(text: &str) -> Result<Duration, String> {
    let span = text.parse::<jiff::SignedDuration>().map_err(|_| {
        format!("`{text}` is not a length of time; write it as `20s`, `5m` or `1h 30m`")
    })?;
    Duration::try_from(span).map_err(|_| format!("`{text}` is negative"))
}

/// A point in time: RFC 3339 with an offset, or a local date and time in the zone given.
///
/// # Errors
/// Neither; or a local time that the autumn clock change has twice, or the spring one leaves out.
pub(crate) fn stamp(text: &str, zone: &TimeZone) -> anyhow::Result<Stamp> {
    if let Ok(at) = text.parse::<jiff::Timestamp>() {
        return Ok(Stamp::from_micros(at.as_microsecond()));
    }
    let local: jiff::civil::DateTime = text.parse().with_context(|| format!("`{text}` is not a time; write `2026-11-25T02:10:00Z`, or `2026-11-25 02:10` for the laboratory's clock"))?;
    let at = zone.to_ambiguous_timestamp(local).unambiguous().with_context(|| format!("`{text}` is not one moment of the laboratory's clock (clock change); add the offset, such as `{local}+01:00`"))?;
    Ok(Stamp::from_micros(at.as_microsecond()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_local_time_within_a_clock_change_is_refused() {
        let berlin = TimeZone::get("Europe/Berlin").unwrap();
        let read = |text| stamp(text, &berlin).map(|at| at.to_string());
        assert_eq!(
            read("2026-11-25 02:10").unwrap(),
            "2026-11-25T01:10:00.000000Z"
        );
        assert_eq!(
            read("2026-10-25T02:30:00+01:00").unwrap(),
            "2026-10-25T01:30:00.000000Z"
        );
        assert!(
            read("2026-10-25 02:30")
                .unwrap_err()
                .to_string()
                .contains("clock change")
        );
        assert!(
            read("2026-03-29 02:30")
                .unwrap_err()
                .to_string()
                .contains("clock change")
        );
        assert!(read("yesterday").is_err());
    }
}
