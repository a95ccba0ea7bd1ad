//! From facts to findings. Pure.

use std::time::Duration;

use jiff::civil::Date;
use zonda_config::{ChannelPlan, Config, LinePlan, LoopPlan};
use zonda_lines::{LineHealth, LineState};
use zonda_model::{Code, Quality, Quantity, Stamp};

use super::{Aspect, Clock, Facts, Finding, SampleBytes};
use crate::board::Live;

/// A signal this near to an end of its span, as a share of the span, sits at it.
const AT_END: f64 = 0.005;
/// Room for so many nights is plenty.
const NIGHTS_PLENTY: f64 = 3.0;
/// What else needs room on the disk: the log beside the record, exports.
const ROOM_BESIDE: f64 = 256e6;
/// A clock this far off by the record's own account is worth a look, µs.
const AXIS_APART_US: i64 = 1_000_000;

/// Judges the facts: line by line, in the order in which somebody would walk along the bench.
pub fn judge(config: &Config, facts: &Facts) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (plan, (_, health)) in config.lines.iter().zip(&facts.lines) {
        findings.extend(line(plan, health));
    }
    findings.extend(readings(config, facts));
    findings.extend(probes(config));
    findings.extend(certificates(config, facts));
    findings.extend(loop_checks(config, facts));
    findings.push(disk(config, facts));
    findings.push(clock(facts));
    findings.push(access(config, facts));
    findings
}

/// The line and every device on it.
fn line(plan: &LinePlan, health: &LineHealth) -> Vec<Finding> {
    let name = plan.name.as_str();
    let why = health
        .error
        .as_ref()
        .map_or("nothing is known of it yet", |note| note.text.as_str());
    if matches!(health.state, LineState::Waiting | LineState::Stopped) {
        let todo =
            "plug it in, see its path or address in the file, and see that no other program has it";
        return vec![Finding::wrong(
            Aspect::Line,
            name,
            format!("not open: {why}"),
            todo,
        )];
    }
    let mut findings = vec![Finding::fine(Aspect::Line, name, "open")];
    for source in &health.sources {
        let is_well = source.good_at.is_some() && source.misses_in_a_row == 0;
        findings.push(if is_well {
            Finding::fine(Aspect::Device, source.name.as_str(), "answers")
        } else {
            let why = source
                .error
                .as_ref()
                .map_or("it has not been heard yet", |note| note.text.as_str());
            Finding::wrong(
                Aspect::Device,
                source.name.as_str(),
                format!("gives no data: {why}"),
                "see its power, its wires, its unit number and the line's speed and parity",
            )
        });
    }
    findings
}

/// Readings that are not plausible, one by one; the others in one line.
fn readings(config: &Config, facts: &Facts) -> Vec<Finding> {
    let mut findings: Vec<Finding> = config
        .channels
        .iter()
        .zip(&facts.live)
        .filter_map(|(plan, live)| reading(plan, live))
        .collect();
    let others = config.channels.len() - findings.len();
    if others > 0 {
        let subject = format!("{others} of {} channels", config.channels.len());
        findings.insert(0, Finding::fine(Aspect::Reading, subject, "plausible"));
    }
    findings
}

/// What speaks against a reading. One that never came is missing with its device, which is told there.
fn reading(plan: &ChannelPlan, live: &Live) -> Option<Finding> {
    let name = plan.name.as_str();
    let Some(sample) = live.last else {
        return Some(Finding::wrong(
            Aspect::Reading,
            name,
            "nothing was heard",
            "see its device above",
        ));
    };
    if let Some((what, todo)) = broken(sample.quality) {
        return Some(Finding::wrong(Aspect::Reading, name, what, todo));
    }
    if let Some((what, todo)) = doubtful(sample.quality) {
        return Some(Finding::look(Aspect::Reading, name, what, todo));
    }
    let loop_plan = plan.loop_check?;
    let signal = signal_of(plan, sample.code?)?;
    at_end(plan.quantity, loop_plan, signal)
        .map(|(what, todo)| Finding::look(Aspect::Reading, name, what, todo))
}

fn broken(quality: Quality) -> Option<(&'static str, &'static str)> {
    Some(if quality.contains(Quality::OPEN_LOOP) {
        (
            "the loop is open: no current flows",
            "see the cable, the terminals and the meter's power",
        )
    } else if quality.contains(Quality::SHORT) {
        (
            "more current than any reading has: a short, or the meter reports a failure",
            "see the cable and the meter's display",
        )
    } else if quality.contains(Quality::NO_NUMBER) {
        (
            "the device sends no number",
            "see the meter's display and the format of its text",
        )
    } else if quality.contains(Quality::LOOP_CHECK) {
        (
            "a loop check is under way: it reads a test signal",
            "put the loop back in service and end the check",
        )
    } else {
        return None;
    })
}

fn doubtful(quality: Quality) -> Option<(&'static str, &'static str)> {
    Some(if quality.contains(Quality::STUCK) {
        (
            "it has not moved for long",
            "see whether the cable is off or the meter stands still",
        )
    } else if quality.intersects(Quality::OVER_RANGE.union(Quality::SATURATED)) {
        (
            "above its range: the true value is not known",
            "set a larger range, on the meter and in the file",
        )
    } else if quality.contains(Quality::UNDER_RANGE) {
        (
            "below its range",
            "see the signal in the file (0-20 or 4-20 mA, 0-10 or 2-10 V) and the cable",
        )
    } else if quality.contains(Quality::HELD) {
        (
            "the device repeats an old number",
            "see the meter's display",
        )
    } else {
        return None;
    })
}

/// A signal at an end of its span is a reading, or nothing at all.
fn at_end(quantity: Quantity, plan: LoopPlan, signal: f64) -> Option<(String, &'static str)> {
    let (from, to) = plan.signal_si();
    let share = (signal - from) / (to - from);
    let shown = plan.signal.unit.from_si(signal);
    let words = format!("{shown:.3} {}", plan.signal.unit);
    let is_dead_zero = from.abs() < 1e-12;
    if share.abs() <= AT_END && is_dead_zero {
        let what = format!("{words}: nothing to measure looks like this, and so does a dead cable");
        let todo = if quantity == Quantity::Velocity {
            "blow on the probe and see it move, or see the meter's display"
        } else {
            "see whether what it measures is really at its lowest, or touch the cable"
        };
        return Some((what, todo));
    }
    if share.abs() <= AT_END {
        let what = format!("{words}: it sits at the lower end of its span");
        return Some((
            what,
            "see whether the meter shows as little, or sends its zero because something is wrong",
        ));
    }
    if (share - 1.0).abs() <= AT_END {
        let what = format!("{words}: it sits at the upper end of its span");
        return Some((
            what,
            "see whether the meter shows as much; if so, set a larger range on the meter and in the file",
        ));
    }
    None
}

fn signal_of(plan: &ChannelPlan, code: Code) -> Option<f64> {
    plan.mapping.signal()?;
    plan.mapping.signal_si(code)
}

/// Meters that hold another probe's characteristics.
fn probes(config: &Config) -> Vec<Finding> {
    let stated = config.meters.iter().filter(|meter| {
        meter.probe_number.is_some()
            && meter
                .probe
                .as_ref()
                .is_some_and(|probe| probe.number.is_some())
    });
    let mut findings: Vec<Finding> = config
        .meters
        .iter()
        .filter_map(|meter| {
            let (carried, wanted) = meter.wrong_probe()?;
            Some(Finding::wrong(
                Aspect::Probe,
                meter.name.as_str(),
                format!("the meter carries probe number {carried}, its probe wants {wanted}: it computes with another probe's characteristics"),
                format!("set probe number {wanted} on the meter, or plug its own probe in, and put the file right"),
            ))
        })
        .collect();
    let well = stated.count() - findings.len();
    if well > 0 {
        findings.insert(
            0,
            Finding::fine(
                Aspect::Probe,
                format!("{well} {}", meters(well)),
                "the meter carries its probe's number",
            ),
        );
    }
    findings
}

fn meters(count: usize) -> &'static str {
    if count == 1 { "meter" } else { "meters" }
}

fn certificates(config: &Config, facts: &Facts) -> Vec<Finding> {
    let (today, morning) = (day_of(facts.now), day_of(facts.now.plus(facts.night)));
    let mut findings = Vec::new();
    let mut well = 0;
    for plan in &config.certificates {
        let heading = plan.certificate.heading();
        let (name, number) = (plan.name.as_str(), &heading.number);
        if heading.due < today {
            findings.push(Finding::wrong(
                Aspect::Certificate,
                name,
                format!(
                    "{number} was due on {}: every reading will be flagged `calibration_overdue`",
                    heading.due
                ),
                "have the instrument calibrated, and enter its new certificate",
            ));
        } else if heading.date > today {
            findings.push(Finding::wrong(
                Aspect::Certificate,
                name,
                format!("{number} is dated {}, which is yet to come: readings are flagged `uncalibrated`", heading.date),
                "see the date of the certificate in the file, and the machine's clock",
            ));
        } else if heading.due < morning {
            findings.push(Finding::look(
                Aspect::Certificate,
                name,
                format!("{number} is due on {}, within this night: readings after that day will be flagged", heading.due),
                "begin earlier, or have the instrument calibrated before",
            ));
        } else {
            well += 1;
        }
    }
    for plan in config
        .channels
        .iter()
        .filter(|plan| plan.mapping.lacks_certificate())
    {
        findings.push(Finding::look(
            Aspect::Certificate,
            plan.name.as_str(),
            "has no certificate and needs one: its readings are flagged `uncalibrated`",
            "enter its certificate, or take the quantity out of `needs_certificate`",
        ));
    }
    if well > 0 {
        let what = if well == 1 {
            "certificate"
        } else {
            "certificates"
        };
        findings.insert(
            0,
            Finding::fine(
                Aspect::Certificate,
                format!("{well} {what}"),
                "in force all night",
            ),
        );
    }
    findings
}

/// The day in UTC, as readings are flagged.
fn day_of(at: Stamp) -> Date {
    let stamp = jiff::Timestamp::from_microsecond(at.micros()).unwrap_or_default();
    jiff::tz::Offset::UTC.to_datetime(stamp).date()
}

/// Whether each loop was proved, and how long ago.
fn loop_checks(config: &Config, facts: &Facts) -> Vec<Finding> {
    let (mut findings, mut well, mut never) = (Vec::new(), 0, Vec::new());
    for (index, plan) in config.channels.iter().enumerate() {
        let Some(loop_plan) = plan.loop_check else {
            continue;
        };
        let name = plan.name.as_str();
        let again = format!("zonda loopcheck {name}");
        let look = |what: String| Finding::look(Aspect::LoopCheck, name, what, again.clone());
        let Some(check) = facts
            .loop_checks
            .iter()
            .find(|check| check.channel == index)
        else {
            never.push(name);
            continue;
        };
        let age = facts.now.since(check.at);
        if !check.is_passed {
            findings.push(Finding::wrong(
                Aspect::LoopCheck,
                name,
                format!("failed {}", ago(age)),
                format!("put the loop right, then {again}"),
            ));
        } else if !check.is_of_this_loop {
            findings.push(look("was checked with another signal or range".to_owned()));
        } else if age > loop_plan.age_max {
            findings.push(look(format!(
                "was checked {}, longer ago than {} days",
                ago(age),
                days(loop_plan.age_max)
            )));
        } else {
            well += 1;
        }
    }
    if let [first, ..] = never[..] {
        let subject = if never.len() == 1 {
            first.to_owned()
        } else {
            format!("{} loops", never.len())
        };
        findings.push(Finding::look(
            Aspect::LoopCheck,
            subject,
            "never checked",
            format!("put known signals on before a night that counts: zonda loopcheck {first}"),
        ));
    }
    if well > 0 {
        let what = if well == 1 { "loop" } else { "loops" };
        findings.insert(
            0,
            Finding::fine(
                Aspect::LoopCheck,
                format!("{well} {what}"),
                "checked, and passed",
            ),
        );
    }
    findings
}

fn days(span: Duration) -> u64 {
    span.as_secs() / 86_400
}

fn ago(span: Duration) -> String {
    match days(span) {
        0 => "today".to_owned(),
        1 => "a day ago".to_owned(),
        days => format!("{days} days ago"),
    }
}

#[expect(clippy::cast_precision_loss, reason = "for an estimate")]
fn disk(config: &Config, facts: &Facts) -> Finding {
    let subject = config.station.data.display().to_string();
    let rate: f64 = config
        .channels
        .iter()
        .map(|plan| rate_of(config, plan))
        .sum();
    let samples = rate * facts.night.as_secs_f64();
    let needed = samples * facts.sample_bytes.get();
    let how = match facts.sample_bytes {
        SampleBytes::Measured(_) => "measured in this record",
        SampleBytes::Usual => "as records usually take",
    };
    let estimate = format!(
        "{} h at {rate:.1} samples a second take about {} ({:.0} bytes a sample, {how})",
        hours(facts.night),
        size(needed),
        facts.sample_bytes.get()
    );
    let Some(free) = facts.free else {
        let todo = "see that the directory of the record can be reached";
        return Finding::look(
            Aspect::Disk,
            subject,
            format!("{estimate}; free space is not known"),
            todo,
        );
    };
    let free = free as f64;
    let what = format!("{estimate}; {} are free", size(free));
    if free < needed + ROOM_BESIDE {
        let todo = "make room, or record into another directory (`data` under [station])";
        Finding::wrong(Aspect::Disk, subject, what, todo)
    } else if free < NIGHTS_PLENTY * needed + ROOM_BESIDE {
        Finding::look(
            Aspect::Disk,
            subject,
            what,
            "enough for this night; make room before the next ones",
        )
    } else {
        Finding::fine(Aspect::Disk, subject, what)
    }
}

/// Samples a second. A meter that talks by itself is expected at its line's ticks.
fn rate_of(config: &Config, plan: &ChannelPlan) -> f64 {
    crate::station::period_of(config, plan)
        .duration()
        .as_secs_f64()
        .recip()
}

fn hours(span: Duration) -> String {
    let hours = span.as_secs_f64() / 3600.0;
    if (hours - hours.round()).abs() < 0.05 {
        format!("{hours:.0}")
    } else {
        format!("{hours:.1}")
    }
}

/// In the unit that keeps the number short.
fn size(bytes: f64) -> String {
    let (value, unit) = if bytes >= 1e9 {
        (bytes / 1e9, "GB")
    } else if bytes >= 1e6 {
        (bytes / 1e6, "MB")
    } else {
        (bytes / 1e3, "kB")
    };
    if value < 10.0 {
        format!("{value:.1} {unit}")
    } else {
        format!("{value:.0} {unit}")
    }
}

#[expect(clippy::cast_precision_loss, reason = "for a sentence")]
fn clock(facts: &Facts) -> Finding {
    let subject = "this machine";
    if facts.axis_minus_utc_us.abs() > AXIS_APART_US {
        return Finding::look(
            Aspect::Clock,
            subject,
            format!(
                "was stepped while recording: the record's axis is {:+.1} s from UTC; views and exports show true UTC",
                facts.axis_minus_utc_us as f64 / 1e6
            ),
            "nothing for the data's sake; a restart of the daemon brings both together",
        );
    }
    match facts.clock {
        Clock::Synchronised => Finding::fine(Aspect::Clock, subject, "follows a time server"),
        Clock::Free => Finding::look(
            Aspect::Clock,
            subject,
            "follows no time server: its time may drift by seconds a day, and be far off after a power cut",
            "start one (such as systemd-timesyncd or chrony), or compare the clock now and note by how much it is off",
        ),
        Clock::Unknown => Finding::look(
            Aspect::Clock,
            subject,
            "nobody here can tell whether it follows a time server",
            "compare its time with a clock that you trust",
        ),
    }
}

fn access(config: &Config, facts: &Facts) -> Finding {
    let listen = config.http.listen;
    if listen.ip().is_loopback() {
        return Finding::fine(
            Aspect::Access,
            listen.to_string(),
            "page and API are for this machine only",
        );
    }
    match facts.tokens {
        0 => Finding::wrong(
            Aspect::Access,
            listen.to_string(),
            "page and API can be reached from the network, and nobody there has a token",
            "make one with `zonda token add NAME --role view` (or `operate`), or listen on 127.0.0.1",
        ),
        tokens => Finding::fine(
            Aspect::Access,
            listen.to_string(),
            format!("page and API can be reached from the network, with one of {tokens} tokens"),
        ),
    }
}

#[cfg(test)]
mod tests;
