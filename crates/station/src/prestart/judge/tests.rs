//! What the check before a start makes of facts, each fact by itself.

use super::*;
use crate::prestart::{LastCheck, State, gravest};
use zonda_lines::{ErrorNote, SourceHealth};
use zonda_model::{Name, Sample, SourceId};

const TEXT: &str = r#"
[station]
data = "/record"
time_zone = "Europe/Berlin"
[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-3"
code = "uint16"
count = "1 µA"
[module.V]
line = "bench"
unit = 2
registers = "input 0-3"
code = "int16"
count = "1 mV"
[certificate.K-2041]
number = "K-2041"
laboratory = "a laboratory"
date = "2026-01-15"
due = "2026-11-26"
quantity = "temperature"
range = "0-300 °C"
points = ["0: 0.1 ± 0.2", "200: 200.4 ± 0.4", "300: 300.2 ± 0.4"]
[meter.Z1]
serial = "M-1"
probe_number = "7"
probe = { serial = "P-1", number = "8" }
temperature = { input = "A.2", signal = "4-20 mA", range = "0-300 °C" }
velocity = { input = "A.1", signal = "4-20 mA", range = "0-50 m/s" }
[meter.Z2]
probe_number = "9"
probe = { number = "9" }
velocity = { input = "V.1", signal = "0-1 V", range = "0-50 m/s" }
"#;

fn config(text: &str) -> Config {
    let checked = zonda_config::check("oven.toml", text);
    checked
        .unwrap_or_else(|faults| panic!("{}", faults.report(false, 120)))
        .config
}

fn utc(text: &str) -> Stamp {
    Stamp::from_micros(text.parse::<jiff::Timestamp>().unwrap().as_microsecond())
}

fn source(index: usize, name: &str) -> SourceHealth {
    SourceHealth {
        source: SourceId(index),
        name: name.parse().unwrap(),
        misses_in_a_row: 0,
        good_at: Some(Stamp::default()),
        error: None,
    }
}

/// Everything as it should be: `counts` are the channels' codes.
fn facts(config: &Config, counts: &[i64]) -> Facts {
    let name: Name = "bench".parse().unwrap();
    let health = LineHealth {
        state: LineState::Answering,
        sources: vec![source(0, "A"), source(1, "V")],
        ..LineHealth::default()
    };
    let now = utc("2026-11-25T15:00:00Z");
    let live = counts.iter().enumerate().map(|(channel, count)| Live {
        last: Some(Sample {
            channel,
            at: now,
            code: Some(Code::Count(*count)),
            value: Some(0.0),
            quality: Quality::empty(),
        }),
        age: None,
        missing: None,
        means: [None; 3],
        spread: None,
    });
    let checks = config
        .channels
        .iter()
        .enumerate()
        .map(|(channel, _)| LastCheck {
            channel,
            at: utc("2026-11-01T00:00:00Z"),
            is_passed: true,
            is_of_this_loop: true,
        });
    Facts {
        now,
        night: Duration::from_hours(12),
        lines: vec![(name, health)],
        live: live.collect(),
        loop_checks: checks.collect(),
        free: Some(100_000_000_000),
        sample_bytes: SampleBytes::Usual,
        clock: Clock::Synchronised,
        axis_minus_utc_us: 0,
        tokens: 0,
    }
}

const WELL: [i64; 3] = [12_000, 12_000, 500];

/// A bench without a flaw.
fn well() -> Config {
    config(&TEXT.replace("number = \"8\"", "number = \"7\""))
}

/// The findings that are not fine.
fn told(config: &Config, facts: &Facts) -> Vec<(Aspect, String, State, String)> {
    let not_fine = |finding: &Finding| finding.state != State::Fine;
    let findings = judge(config, facts);
    assert!(
        findings
            .iter()
            .all(|finding| (finding.state == State::Fine) == finding.todo.is_empty()),
        "{findings:#?}"
    );
    findings
        .into_iter()
        .filter(not_fine)
        .map(|finding| (finding.aspect, finding.subject, finding.state, finding.what))
        .collect()
}

/// The one finding that is not fine.
fn one(config: &Config, facts: &Facts) -> (Aspect, String, State, String) {
    let told = told(config, facts);
    assert_eq!(told.len(), 1, "{told:#?}");
    told.into_iter().next().unwrap()
}

#[test]
fn a_bench_without_a_flaw_is_fine_in_every_aspect() {
    let config = well();
    let facts = facts(&config, &WELL);
    let findings = judge(&config, &facts);
    assert_eq!(gravest(&findings), State::Fine, "{findings:#?}");
    let aspects: std::collections::BTreeSet<_> = findings
        .iter()
        .map(|finding| finding.aspect.word())
        .collect();
    assert_eq!(aspects.len(), 9, "{aspects:?}");
}

#[test]
fn a_port_that_is_not_there_and_a_silent_unit_are_wrong() {
    let config = well();
    let mut facts = facts(&config, &WELL);
    let health = &mut facts.lines[0].1;
    health.sources[1].misses_in_a_row = 3;
    health.sources[1].error = Some(ErrorNote {
        at: Stamp::default(),
        text: "no answer within 300 ms".into(),
    });
    let (aspect, subject, state, what) = one(&config, &facts);
    assert_eq!(
        (aspect, subject.as_str(), state),
        (Aspect::Device, "V", State::Wrong)
    );
    assert!(what.contains("no answer within 300 ms"), "{what}");
    let health = &mut facts.lines[0].1;
    health.state = LineState::Waiting;
    health.error = Some(ErrorNote {
        at: Stamp::default(),
        text: "connection refused".into(),
    });
    let (aspect, subject, state, what) = one(&config, &facts);
    assert_eq!(
        (aspect, subject.as_str(), state),
        (Aspect::Line, "bench", State::Wrong)
    );
    assert!(what.contains("connection refused"), "{what}");
}

#[test]
fn a_signal_at_the_end_of_its_span_is_to_be_looked_at() {
    let config = well();
    // In the order of the file: temperature, velocity of Z1, velocity of Z2.
    let order: Vec<_> = config
        .channels
        .iter()
        .map(|plan| plan.name.to_string())
        .collect();
    let z2 = order.iter().position(|name| name == "Z2.velocity").unwrap();
    for (index, count, words) in [
        (
            z2,
            1,
            "0.001 V: nothing to measure looks like this, and so does a dead cable",
        ),
        (z2, 999, "0.999 V: it sits at the upper end"),
        (0, 4_010, "4.010 mA: it sits at the lower end"),
        (0, 20_010, "20.010 mA: it sits at the upper end"),
    ] {
        let mut counts = WELL;
        counts[index] = count;
        let (aspect, subject, state, what) = one(&config, &facts(&config, &counts));
        assert_eq!(
            (aspect, &subject, state),
            (Aspect::Reading, &order[index], State::Look)
        );
        assert!(what.starts_with(words), "{what}");
    }
}

#[test]
fn flags_and_silence_speak_against_a_reading() {
    let config = well();
    for (quality, state) in [
        (Quality::OPEN_LOOP, State::Wrong),
        (Quality::SHORT, State::Wrong),
        (Quality::NO_NUMBER, State::Wrong),
        (Quality::LOOP_CHECK, State::Wrong),
        (Quality::OVER_RANGE, State::Look),
        (Quality::UNDER_RANGE, State::Look),
        (Quality::STUCK, State::Look),
    ] {
        let mut facts = facts(&config, &WELL);
        facts.live[1].last.as_mut().unwrap().quality = quality;
        let found = one(&config, &facts);
        assert_eq!((found.0, found.2), (Aspect::Reading, state), "{quality}");
    }
    let mut facts = facts(&config, &WELL);
    facts.live[1].last = None;
    assert_eq!(one(&config, &facts).2, State::Wrong);
    // Cold air in an oven that is still off is nothing to look at.
    facts.live[1] = facts.live[0].clone();
    facts.live[1].last.as_mut().unwrap().quality = Quality::BELOW_THRESHOLD | Quality::SIMULATED;
    assert_eq!(told(&config, &facts), []);
}

#[test]
fn a_meter_that_carries_another_probe_s_number_is_wrong() {
    let config = config(TEXT);
    let (aspect, subject, state, what) = one(&config, &facts(&config, &WELL));
    assert_eq!(
        (aspect, subject.as_str(), state),
        (Aspect::Probe, "Z1", State::Wrong)
    );
    assert!(
        what.contains("carries probe number 7, its probe wants 8"),
        "{what}"
    );
}

/// The due date still counts; days are those of UTC, as in the flags.
#[test]
fn certificates_are_judged_by_the_day() {
    let config = well();
    let mut facts = facts(&config, &WELL);
    let mut at = |now: &str, night_hours: u64| {
        facts.now = utc(now);
        facts.night = Duration::from_hours(night_hours);
        let of: Vec<_> = told(&config, &facts)
            .into_iter()
            .filter(|found| found.0 == Aspect::Certificate)
            .collect();
        of.into_iter().map(|found| (found.2, found.3)).next()
    };
    assert_eq!(at("2026-11-26T21:30:00Z", 2), None);
    let (state, what) = at("2026-11-26T21:30:00Z", 3).unwrap();
    assert_eq!(state, State::Look);
    assert!(
        what.contains("due on 2026-11-26, within this night"),
        "{what}"
    );
    let (state, what) = at("2026-11-27T00:00:00Z", 2).unwrap();
    assert_eq!(state, State::Wrong);
    assert!(what.contains("calibration_overdue"), "{what}");
    assert_eq!(
        at("2026-01-10T12:00:00Z", 2).unwrap().0,
        State::Wrong,
        "before its date"
    );
}

#[test]
fn a_missing_certificate_is_told_where_one_is_needed() {
    let config = config(&TEXT.replace("number = \"8\"", "number = \"7\"").replace(
        "[meter.Z2]",
        "[meter.Z2]\nneeds_certificate = [\"velocity\"]",
    ));
    let (aspect, subject, state, _) = one(&config, &facts(&config, &WELL));
    assert_eq!(
        (aspect, subject.as_str(), state),
        (Aspect::Certificate, "Z2.velocity", State::Look)
    );
}

#[test]
fn loops_are_asked_for_their_checks() {
    let config = well();
    let mut facts = facts(&config, &WELL);
    facts.loop_checks[0].is_passed = false;
    let found = one(&config, &facts);
    assert_eq!((found.0, found.2), (Aspect::LoopCheck, State::Wrong));
    assert!(found.3.contains("24 days ago"), "{}", found.3);
    facts.loop_checks[0].is_passed = true;
    facts.loop_checks[0].is_of_this_loop = false;
    assert!(one(&config, &facts).3.contains("another signal or range"));
    facts.loop_checks[0].is_of_this_loop = true;
    facts.loop_checks[0].at = utc("2025-11-01T00:00:00Z");
    assert!(one(&config, &facts).3.contains("longer ago than 365 days"));
    facts.loop_checks.clear();
    let (_, subject, state, what) = one(&config, &facts);
    assert_eq!(
        (subject.as_str(), state, what.as_str()),
        ("3 loops", State::Look, "never checked")
    );
}

/// 3 channels at 1 Hz for 12 h are 129 600 samples; at 42 bytes each 5.4 MB, and 256 MB beside.
#[test]
fn the_night_needs_room() {
    let config = well();
    let mut facts = facts(&config, &WELL);
    for (free, state) in [
        (261_000_000, State::Wrong),
        (262_000_000, State::Look),
        (272_000_000, State::Look),
        (273_000_000, State::Fine),
    ] {
        facts.free = Some(free);
        let disk = judge(&config, &facts)
            .into_iter()
            .find(|finding| finding.aspect == Aspect::Disk)
            .unwrap();
        assert_eq!(disk.state, state, "{free}: {disk:?}");
        assert!(disk.what.starts_with("12 h at 3.0 samples a second take about 5.4 MB (42 bytes a sample, as records usually take)"), "{}", disk.what);
    }
    facts.free = None;
    assert_eq!(one(&config, &facts).0, Aspect::Disk);
}

#[test]
fn the_clock_and_the_doors_are_looked_at() {
    let config = well();
    let mut facts = facts(&config, &WELL);
    for clock in [Clock::Free, Clock::Unknown] {
        facts.clock = clock;
        let found = one(&config, &facts);
        assert_eq!((found.0, found.2), (Aspect::Clock, State::Look));
    }
    facts.clock = Clock::Synchronised;
    facts.axis_minus_utc_us = 3_600_000_000;
    assert!(one(&config, &facts).3.contains("+3600.0 s from UTC"));
    facts.axis_minus_utc_us = 0;
    let mut open = well();
    open.http.listen = "0.0.0.0:7360".parse().unwrap();
    let found = one(&open, &facts);
    assert_eq!((found.0, found.2), (Aspect::Access, State::Wrong));
    facts.tokens = 2;
    assert!(
        judge(&open, &facts)
            .iter()
            .all(|found| found.state == State::Fine)
    );
}
