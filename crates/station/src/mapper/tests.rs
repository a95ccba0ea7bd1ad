//! What becomes of scans, one after the other.

use super::*;
use proptest::prelude::*;
use std::time::Duration;
use zonda_model::{Cause, Code};

/// Two meters; the one's velocity and temperature come in one scan, the other's from two modules.
const TEXT: &str = r#"
[line.bench]
every = "1 s"
simulated = true
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-2"
code = "uint16"
count = "1 µA"
[module.B]
line = "bench"
unit = 2
registers = "input 0"
code = "uint16"
count = "1 µA"
[envelope.hot-probe]
velocity = ["0-100 °C: 0.2-50 m/s", "100-200 °C: 0.4-50 m/s", "200-300 °C: 0.7-50 m/s"]
temperature = "0-400 °C"
[certificate.K-1]
number = "K-1"
date = "2026-03-02"
due = "2027-03-02"
quantity = "temperature"
range = "0-500 °C"
points = ["0: 0 ± 1", "500: 500 ± 1"]
[meter.Z1]
probe = { envelope = "hot-probe", cable_limit = "350 °C" }
certificates = ["K-1"]
temperature = { input = "A.2", signal = "4-20 mA", range = "0-500 °C", stuck_after = "10 s" }
velocity = { input = "A.1", signal = "4-20 mA", range = "0-50 m/s", stuck_after = "off" }
[meter.Z2]
probe = { envelope = "hot-probe" }
velocity = { input = "A.3", signal = "4-20 mA", range = "0-50 m/s", stuck_after = "off" }
temperature = { input = "B.1", signal = "4-20 mA", range = "0-500 °C", stuck_after = "off" }
"#;

const A: SourceId = SourceId(0);
const B: SourceId = SourceId(1);
/// Channels in the order of the file.
const Z1_TEMPERATURE: usize = 0;
const Z1_VELOCITY: usize = 1;
const Z2_VELOCITY: usize = 2;
const Z2_TEMPERATURE: usize = 3;

fn config(text: &str) -> Config {
    let checked = zonda_config::check("oven.toml", text);
    checked.unwrap_or_else(|faults| panic!("{faults}")).config
}

/// Counts of 1 µA: 4 mA + share · 16 mA.
fn velocity(metres_per_second: f64) -> Coded {
    count(4_000.0 + metres_per_second / 50.0 * 16_000.0)
}

fn temperature(celsius: f64) -> Coded {
    count(4_000.0 + celsius / 500.0 * 16_000.0)
}

fn count(count: f64) -> Coded {
    #[expect(clippy::cast_possible_truncation, reason = "a register's count")]
    let code = Some(Code::Count(count.round() as i64));
    Coded {
        code,
        quality: Quality::empty(),
    }
}

/// Seconds after the noon of 2026-11-25.
fn second(seconds: i64) -> Stamp {
    Stamp::from_millis((1_795_608_000 + seconds) * 1000)
}

fn scan(
    mapper: &mut Mapper,
    source: SourceId,
    seconds: i64,
    codes: &[Coded],
) -> Vec<(usize, Quality)> {
    let at = second(seconds).plus(Duration::from_millis(200));
    told(mapper.scanned(source, (second(seconds), at), 0, codes))
}

fn miss(mapper: &mut Mapper, source: SourceId, seconds: i64) -> Vec<(usize, Quality)> {
    let miss = Miss {
        ticks: 1,
        cause: Cause::Timeout,
        detail: String::new(),
    };
    told(mapper.missed(source, second(seconds), &miss))
}

/// Channels and what is said of them, but for the mark of the rig.
fn told(samples: Vec<Sample<usize>>) -> Vec<(usize, Quality)> {
    let said = |sample: Sample<usize>| {
        assert!(sample.quality.contains(Quality::SIMULATED));
        (sample.channel, sample.quality - Quality::SIMULATED)
    };
    let mut told: Vec<_> = samples.into_iter().map(said).collect();
    told.sort_by_key(|(channel, _)| *channel);
    told
}

fn kinds(mapper: &mut Mapper) -> Vec<Finding> {
    mapper
        .findings()
        .into_iter()
        .map(|(_, found)| found)
        .collect()
}

#[test]
fn each_channel_gets_its_own_input_and_the_mark_of_the_rig() {
    let mut mapper = Mapper::new(&config(TEXT));
    let late = |coded: Coded| Coded {
        quality: Quality::LATE,
        ..coded
    };
    let codes = [count(3_000.0), late(temperature(250.0)), velocity(5.0)];
    let samples = mapper.scanned(A, (second(0), second(0)), 0, &codes);
    let found: Vec<_> = samples
        .iter()
        .map(|s| (s.channel, s.code, s.value))
        .collect();
    assert_eq!(
        found,
        [
            (Z1_TEMPERATURE, Some(Code::Count(12_000)), Some(250.0)),
            (Z1_VELOCITY, Some(Code::Count(3_000)), None),
        ]
    );
    assert_eq!(samples[0].quality, Quality::LATE | Quality::SIMULATED);
    assert_eq!(samples[1].quality, Quality::OPEN_LOOP | Quality::SIMULATED);
}

#[test]
fn a_status_word_is_a_sample_without_a_number() {
    let word = Coded {
        code: None,
        quality: Quality::OVER_RANGE,
    };
    let mut mapper = Mapper::new(&config(TEXT));
    let samples = mapper.scanned(A, (second(0), second(0)), 0, &[word, word, velocity(5.0)]);
    assert_eq!(samples.len(), 2);
    assert!(
        samples.iter().all(|s| s.code.is_none()
            && s.value.is_none()
            && s.quality.contains(Quality::OVER_RANGE))
    );
}

/// Bands of hot-air probes (common practice, no source).
#[test]
fn a_velocity_is_judged_by_the_temperature_of_its_own_scan() {
    let mut mapper = Mapper::new(&config(TEXT));
    let cases = [
        (5.0, temperature(150.0), Quality::empty()),
        (0.3, temperature(50.0), Quality::empty()),
        (0.3, temperature(150.0), Quality::BELOW_THRESHOLD),
        (0.6, temperature(250.0), Quality::BELOW_THRESHOLD),
        (5.0, temperature(350.0), Quality::OUTSIDE_ENVELOPE),
        (5.0, count(3_000.0), Quality::MOVED),
        (
            5.0,
            temperature(450.0),
            Quality::OUTSIDE_ENVELOPE | Quality::MOVED,
        ),
    ];
    for (tick, (speed, beside, expected)) in (0..).zip(cases) {
        let codes = [velocity(speed), beside, velocity(5.0)];
        let samples = mapper.scanned(A, (second(tick), second(tick)), 0, &codes);
        let found = samples
            .iter()
            .find(|sample| sample.channel == Z1_VELOCITY)
            .unwrap();
        assert_eq!(
            found.quality - Quality::SIMULATED,
            expected,
            "{speed} {beside:?}"
        );
        assert!((found.value.unwrap() - speed).abs() < 0.01, "never a zero");
    }
}

#[test]
fn a_pair_over_two_modules_waits_for_its_tick_and_no_longer() {
    let mut mapper = Mapper::new(&config(TEXT));
    let codes = [velocity(5.0), temperature(150.0), velocity(0.3)];
    let is_of_a = |told: &[(usize, Quality)], extra: &[(usize, Quality)]| {
        let mut all = vec![
            (Z1_TEMPERATURE, Quality::empty()),
            (Z1_VELOCITY, Quality::empty()),
        ];
        all.extend(extra);
        assert_eq!(told, all);
    };
    // The temperature comes later in the round: the velocity waits for it.
    is_of_a(&scan(&mut mapper, A, 0, &codes), &[]);
    assert_eq!(
        scan(&mut mapper, B, 0, &[temperature(150.0)]),
        [
            (Z2_VELOCITY, Quality::BELOW_THRESHOLD),
            (Z2_TEMPERATURE, Quality::empty())
        ]
    );
    // It came before: nothing waits.
    scan(&mut mapper, B, 1, &[temperature(50.0)]);
    is_of_a(
        &scan(&mut mapper, A, 1, &codes),
        &[(Z2_VELOCITY, Quality::empty())],
    );
    // It is missed.
    is_of_a(&scan(&mut mapper, A, 2, &codes), &[]);
    assert_eq!(miss(&mut mapper, B, 2), [(Z2_VELOCITY, Quality::MOVED)]);
    // It says nothing until the velocity's own next tick, or until the end.
    is_of_a(&scan(&mut mapper, A, 3, &codes), &[]);
    is_of_a(
        &scan(&mut mapper, A, 4, &codes),
        &[(Z2_VELOCITY, Quality::MOVED)],
    );
    assert_eq!(told(mapper.finish()), [(Z2_VELOCITY, Quality::MOVED)]);
    assert_eq!(mapper.finish(), []);
}

#[test]
fn an_overdue_certificate_flags_every_reading_from_midnight_on() {
    for (due, midnight) in [
        ("2027-03-02", "2027-03-03T00:00:00Z"),
        ("2027-03-03", "2027-03-04T00:00:00Z"),
    ] {
        expect_overdue_from(midnight, &TEXT.replace("2027-03-02", due));
    }
}

fn expect_overdue_from(midnight: &str, text: &str) {
    let midnight: jiff::Timestamp = midnight.parse().unwrap();
    let at = |us: i64| Stamp::from_micros(midnight.as_microsecond() + us);
    let codes = [velocity(5.0), temperature(150.0), velocity(5.0)];
    let mut mapper = Mapper::new(&config(&text.replace("\"10 s\"", "\"off\"")));
    let mut said = |at: Stamp, offset_us: i64| {
        let samples = mapper.scanned(A, (at, at), offset_us, &codes);
        let quality = |channel| {
            let mut found = samples.iter().filter(|sample| sample.channel == channel);
            found.next().unwrap().quality - Quality::SIMULATED
        };
        (quality(Z1_TEMPERATURE), quality(Z1_VELOCITY))
    };
    let (good, overdue) = (Quality::empty(), Quality::CALIBRATION_OVERDUE);
    assert_eq!(said(at(-1), 0), (good, good));
    // An overdue thermometer still tells which band a velocity is in.
    assert_eq!(said(at(0), 0), (overdue, good));
    // The day is that of true UTC, however far the record's axis is from it.
    assert_eq!(said(at(5_000_000), 10_000_000), (good, good));
    assert_eq!(said(at(15_000_000), 10_000_000), (overdue, good));
    let told = Finding::Overdue { certificate: 0 };
    assert_eq!(kinds(&mut mapper), [told.clone(), told]);
}

#[test]
fn a_temperature_that_stands_still_is_stuck_and_moves_the_velocity() {
    let mut mapper = Mapper::new(&config(TEXT));
    let codes = |celsius| [velocity(5.0), temperature(celsius), velocity(5.0)];
    let both = |told: Vec<(usize, Quality)>| (told[0].1, told[1].1);
    for tick in 0..10 {
        scan(&mut mapper, A, tick, &codes(150.0));
    }
    assert_eq!(kinds(&mut mapper), []);
    let stuck = both(scan(&mut mapper, A, 10, &codes(150.0)));
    assert_eq!(stuck, (Quality::STUCK, Quality::MOVED));
    let moves = both(scan(&mut mapper, A, 11, &codes(150.1)));
    assert_eq!(moves, (Quality::empty(), Quality::empty()));
    let since = second(0).plus(Duration::from_millis(200));
    let channel = Z1_TEMPERATURE;
    assert_eq!(
        kinds(&mut mapper),
        [
            Finding::Stuck { channel, since },
            Finding::Moves { channel }
        ]
    );
}

#[test]
fn an_open_loop_is_that_and_not_stuck() {
    let mut mapper = Mapper::new(&config(TEXT));
    let codes = [velocity(5.0), count(2.0), velocity(5.0)];
    for tick in 0..20 {
        let told = scan(&mut mapper, A, tick, &codes);
        assert_eq!(told[0].1, Quality::OPEN_LOOP, "after {tick} s");
    }
    assert_eq!(kinds(&mut mapper), []);
}

#[test]
fn a_cable_that_gets_too_hot_is_told_once() {
    let mut mapper = Mapper::new(&config(TEXT));
    for (tick, celsius) in (0..).zip([340.0, 351.0, 348.0, 352.0, 340.0, 356.0]) {
        scan(
            &mut mapper,
            A,
            tick,
            &[velocity(5.0), temperature(celsius), velocity(5.0)],
        );
    }
    let hot = |celsius| Finding::CableHot { meter: 0, celsius };
    assert_eq!(kinds(&mut mapper), [hot(351), hot(356)]);
}

/// A meter with two 0-1 V outputs, and its neighbour.
const VOLTS: &str = r#"
[line.bench]
every = "1 s"
simulated = true
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-3"
code = "int16"
count = "0.1 mV"
[meter.Z1]
velocity = { input = "A.1", signal = "0-1 V", range = "0-50 m/s", margin = "2 mV" }
temperature = { input = "A.2", signal = "0-1 V", range = "0-500 °C", margin = "2 mV" }
[meter.Z2]
velocity = { input = "A.3", signal = "0-1 V", range = "0-50 m/s", over_range = "open" }
temperature = { input = "A.4", signal = "0-1 V", range = "0-500 °C" }
"#;

#[test]
fn still_air_and_a_cable_that_is_off_are_told_apart_by_the_temperature() {
    let mut mapper = Mapper::new(&config(VOLTS));
    let mut said = |speed: f64, celsius: f64| {
        let codes = [speed, celsius, 2_000.0, 3_000.0].map(count);
        let told = scan(&mut mapper, A, 0, &codes);
        (told[0].1, told[1].1)
    };
    let (good, unsure) = (Quality::empty(), Quality::UNCERTAIN);
    assert_eq!(said(0.0, 500.0), (good, good), "still air at 25 °C");
    assert_eq!(said(0.0, 1.0), (unsure, unsure), "both cables off");
    assert_eq!(said(60.0, 1.0), (good, good), "a wind at 0 °C");
}

#[test]
fn a_bias_resistor_tells_a_broken_lead() {
    let mut mapper = Mapper::new(&config(VOLTS));
    let codes = [100.0, 500.0, 11_800.0, 600.0].map(count);
    let samples = mapper.scanned(A, (second(0), second(0)), 0, &codes);
    assert_eq!(samples[2].value, None);
    assert_eq!(samples[2].quality, Quality::OPEN_LOOP | Quality::SIMULATED);
}

#[test]
fn neighbours_that_move_together_are_one_signal() {
    let mut mapper = Mapper::new(&config(VOLTS));
    for tick in 0..10 {
        let signal = f64::from(i32::try_from(tick).unwrap()) * 7.0 + 1_000.0;
        let codes = [signal, signal, signal + 3.0, 3_000.0].map(count);
        assert!(
            scan(&mut mapper, A, tick, &codes)
                .iter()
                .all(|(_, q)| q.is_empty())
        );
    }
    let told = scan(
        &mut mapper,
        A,
        10,
        &[2_000.0, 2_000.0, 1_900.0, 3_000.0].map(count),
    );
    let flags: Vec<_> = told.iter().map(|(_, quality)| *quality).collect();
    let (good, unsure) = (Quality::empty(), Quality::UNCERTAIN);
    assert_eq!(flags, [unsure, unsure, good, good]);
    assert_eq!(
        kinds(&mut mapper),
        [Finding::Alike {
            first: 0,
            second: 1
        }]
    );
    let told = scan(
        &mut mapper,
        A,
        11,
        &[2_010.0, 2_020.0, 1_900.0, 3_000.0].map(count),
    );
    assert!(told.iter().all(|(_, quality)| quality.is_empty()));
}

/// IEC 60584-1 (NIST SRD 60): type K gives 1.000 mV at 25 °C and 8.138 mV at 200 °C.
#[test]
fn a_thermocouple_is_compensated_by_the_terminals_of_another_module() {
    let text = r#"
[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }
[module.T]
line = "bench"
unit = 1
registers = "input 0"
code = "int16"
count = "1 µV"
[module.C]
line = "bench"
unit = 2
registers = "input 0"
code = "int16"
count = "0.1 °C"
[channel.part]
quantity = "temperature"
input = "T.1"
thermocouple = { type = "K", cold_junction = "terminals" }
[channel.terminals]
quantity = "temperature"
input = "C.1"
"#;
    let mut mapper = Mapper::new(&config(text));
    let when = (second(0), second(0));
    assert_eq!(mapper.scanned(A, when, 0, &[count(7_138.0)]), []);
    let samples = mapper.scanned(B, when, 0, &[count(250.0)]);
    let part = samples.iter().find(|sample| sample.channel == 0).unwrap();
    assert!((part.value.unwrap() - 200.0).abs() < 0.02, "{part:?}");
    mapper.scanned(A, (second(1), second(1)), 0, &[count(7_138.0)]);
    let samples = mapper.finish();
    assert_eq!(
        (samples[0].value, samples[0].quality),
        (None, Quality::MOVED)
    );
}

proptest! {
    /// Whatever comes first, late or never: each reading leaves once, in the order of its channel.
    #[test]
    fn no_reading_is_lost_doubled_or_overtaken(
        events in proptest::collection::vec((0u8..4, 0i64..3), 1..80)
    ) {
        let mut mapper = Mapper::new(&config(TEXT));
        let (mut clock, mut given, mut taken) = ([0_i64; 2], vec![0; 4], Vec::new());
        for (what, wait) in events {
            let source = usize::from(what % 2);
            clock[source] += wait;
            let tick = second(clock[source]);
            let samples = if what < 2 {
                let codes = [velocity(5.0), temperature(150.0), velocity(5.0)];
                let codes = if source == 0 { &codes[..] } else { &codes[1..2] };
                for channel in mapper.channels(SourceId(source)) {
                    given[*channel] += 1;
                }
                mapper.scanned(SourceId(source), (tick, tick), 0, codes)
            } else {
                let detail = String::new();
                let miss = Miss { ticks: 1, cause: Cause::Timeout, detail };
                mapper.missed(SourceId(source), tick, &miss)
            };
            taken.extend(samples);
        }
        taken.extend(mapper.finish());
        for (channel, given) in given.iter().enumerate() {
            let own: Vec<_> = taken.iter().filter(|s| s.channel == channel).collect();
            prop_assert_eq!(own.len(), *given, "channel {}", channel);
            prop_assert!(own.windows(2).all(|two| two[0].at <= two[1].at));
        }
    }
}
