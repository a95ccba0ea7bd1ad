//! Findings in words, for the journal.

use std::time::Duration;

use zonda_config::Config;
use zonda_model::Stamp;
use zonda_store::{Event, Severity};

use crate::mapper::Finding;

/// The event that tells a finding; `utc_offset_us` is how far the record's axis is ahead of UTC.
pub(crate) fn event(finding: &Finding, at: Stamp, utc_offset_us: i64, config: &Config) -> Event {
    let name = |channel: usize| config.channels[channel].name.to_string();
    let (severity, kind, subject, text) = match *finding {
        Finding::Stuck { channel, since } => {
            let after = config.channels[channel].stuck.map(|plan| plan.after);
            (
                Severity::Warning,
                "stuck",
                name(channel),
                format!(
                    "{} has not moved since {} (longer than {}): is the cable off, or does the meter stand still?",
                    name(channel),
                    Stamp::from_micros(since.micros() - utc_offset_us),
                    minutes(after.unwrap_or_default())
                ),
            )
        }
        Finding::Moves { channel } => (
            Severity::Info,
            "moves_again",
            name(channel),
            format!("{} moves again", name(channel)),
        ),
        Finding::Alike { first, second } => (
            Severity::Warning,
            "inputs_alike",
            name(first),
            format!(
                "{} and {} hand over the same moving code at every tick: the module's multiplexer does not switch, or two wires touch",
                name(first),
                name(second)
            ),
        ),
        Finding::Overdue { certificate } => {
            let plan = &config.certificates[certificate];
            let heading = plan.certificate.heading();
            (
                Severity::Warning,
                "calibration_overdue",
                plan.name.to_string(),
                format!(
                    "the certificate {} was due on {}: its readings are flagged `calibration_overdue`",
                    heading.number, heading.due
                ),
            )
        }
        Finding::CableHot { meter, celsius } => {
            let plan = &config.meters[meter];
            let limit = plan.probe.as_ref().and_then(|probe| probe.cable_limit);
            (
                Severity::Warning,
                "cable_hot",
                plan.name.to_string(),
                format!(
                    "the probe of {} reads {celsius} °C and its cable holds {} °C: is the cable out of the hot air?",
                    plan.name,
                    limit.unwrap_or_default()
                ),
            )
        }
    };
    Event {
        at,
        severity,
        kind: kind.to_owned(),
        subject,
        text,
    }
}

fn minutes(span: Duration) -> String {
    let seconds = span.as_secs();
    if seconds >= 60 && seconds.is_multiple_of(60) {
        format!("{} min", seconds / 60)
    } else {
        format!("{seconds} s")
    }
}
