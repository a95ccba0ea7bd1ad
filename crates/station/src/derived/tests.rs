//! Pairing by ticks: what belongs together, what waits, what is given up, and what flags become.

use super::*;
use zonda_model::Code;

const TEXT: &str = r#"
[line.fast]
every = "250 ms"
modbus-tcp = { address = "192.0.2.10" }
[line.slow]
every = "1 s"
modbus-tcp = { address = "192.0.2.11" }
[module.A]
line = "slow"
unit = 1
registers = "input 0-1"
code = "uint16"
count = "1 µA"
[module.F]
line = "fast"
unit = 1
registers = "input 0-1"
code = "uint16"
count = "1 µA"
[module.B]
line = "slow"
unit = 2
registers = "input 0-1"
code = "uint16"
count = "1 µA"
[channel.a]
quantity = "temperature"
input = "A.1"
signal = "4-20 mA"
range = "0-500 °C"
[channel.b]
quantity = "temperature"
input = "B.1"
signal = "4-20 mA"
range = "0-500 °C"
[channel.f]
quantity = "temperature"
input = "F.1"
signal = "4-20 mA"
range = "0-500 °C"
[derived.ab]
law = "difference"
of = ["a", "b"]
[derived.bf]
law = "difference"
of = ["b", "f"]
"#;

/// The channels a, b, f are 0, 1, 2; ab and bf 3 and 4.
fn derived(text: &str) -> Derived {
    let config = zonda_config::check("oven.toml", text).unwrap().config;
    Derived::new(&config, |channel| {
        if channel == 2 {
            Period::new(std::time::Duration::from_millis(250)).unwrap()
        } else {
            Period::SECOND
        }
    })
}

fn reading(channel: usize, at_ms: i64, value: f64) -> Sample<usize> {
    Sample {
        channel,
        at: Stamp::from_millis(at_ms),
        code: Some(Code::Count(1)),
        value: Some(value),
        quality: Quality::empty(),
    }
}

fn miss(ticks: u32) -> Miss {
    Miss {
        ticks,
        cause: Cause::Timeout,
        detail: "no answer".to_owned(),
    }
}

/// Channel, milliseconds, value of samples; channel, milliseconds, ticks of gaps.
fn told(outcomes: &[Outcome]) -> Vec<(usize, i64, String)> {
    let ms = |at: Stamp| at.micros() / 1000;
    let one = |outcome: &Outcome| match outcome {
        Outcome::Sample(sample) => (sample.channel, ms(sample.at), format!("{:?}", sample.value)),
        Outcome::Missed {
            channel,
            tick,
            miss,
        } => (
            *channel,
            ms(*tick),
            format!("{} × {}", miss.ticks, miss.cause),
        ),
    };
    outcomes.iter().map(one).collect()
}

fn follow(derived: &mut Derived, samples: &[Sample<usize>]) -> Vec<(usize, i64, String)> {
    told(&derived.follow(samples, 0))
}

fn sample_of(channel: usize, at: i64, value: f64) -> (usize, i64, String) {
    (channel, at, format!("{:?}", Some(value)))
}

#[test]
fn readings_of_one_tick_belong_together_in_any_order() {
    let mut it = derived(TEXT);
    assert_eq!(follow(&mut it, &[reading(0, 5_010, 30.0)]), []);
    // The next tick's reading of one comes before this tick's of the other.
    assert_eq!(follow(&mut it, &[reading(0, 6_010, 31.0)]), []);
    assert_eq!(
        follow(&mut it, &[reading(1, 5_700, 20.0)]),
        [sample_of(3, 5_700, 10.0)]
    );
    assert_eq!(
        follow(&mut it, &[reading(1, 6_020, 20.0)]),
        [sample_of(3, 6_020, 11.0)]
    );
}

#[test]
fn of_a_fast_input_the_first_reading_in_the_tick_counts() {
    let mut it = derived(TEXT);
    follow(&mut it, &[reading(2, 5_260, 1.0), reading(2, 5_510, 2.0)]);
    assert_eq!(
        follow(&mut it, &[reading(1, 5_900, 20.0)]),
        [sample_of(4, 5_900, 19.0)]
    );
    // What comes into a tick that has left changes nothing.
    assert_eq!(follow(&mut it, &[reading(2, 5_950, 3.0)]), []);
}

#[test]
fn the_grid_is_that_of_utc_wherever_the_axis_is() {
    let mut it = derived(TEXT);
    let offset = 400_000;
    let samples = [reading(0, 5_410, 30.0), reading(1, 6_390, 20.0)];
    assert_eq!(
        told(&it.follow(&samples, offset)),
        [sample_of(3, 6_390, 10.0)]
    );
}

#[test]
fn a_missing_input_is_a_gap_with_its_cause() {
    let mut it = derived(TEXT);
    follow(&mut it, &[reading(0, 5_010, 30.0), reading(1, 5_020, 20.0)]);
    follow(&mut it, &[reading(0, 6_010, 30.0)]);
    let tick = (Stamp::from_millis(6_000), Period::SECOND);
    let outcomes = it.follow_miss(&[1], tick, &miss(3), 0);
    assert_eq!(told(&outcomes)[0], (3, 6_000, "3 × timeout".to_owned()));
    let Outcome::Missed {
        miss: told_miss, ..
    } = &outcomes[0]
    else {
        panic!("{outcomes:?}");
    };
    assert_eq!(told_miss.detail, "its input `b` is missing: no answer");
    // Both inputs missing over the same ticks is one gap.
    let later = (Stamp::from_millis(7_000), Period::SECOND);
    assert_eq!(it.follow_miss(&[0], later, &miss(2), 0), []);
    assert_eq!(
        follow(&mut it, &[reading(0, 9_010, 30.0), reading(1, 9_020, 20.0)]),
        [sample_of(3, 9_020, 10.0)]
    );
}

#[test]
fn a_missed_tick_of_a_fast_input_is_no_gap_while_another_may_come() {
    let mut it = derived(TEXT);
    let quarter = Period::new(std::time::Duration::from_millis(250)).unwrap();
    assert_eq!(
        it.follow_miss(&[2], (Stamp::from_millis(5_000), quarter), &miss(1), 0),
        []
    );
    follow(&mut it, &[reading(1, 5_020, 20.0)]);
    assert_eq!(
        follow(&mut it, &[reading(2, 5_260, 1.0)]),
        [sample_of(4, 5_260, 19.0)]
    );
    // A whole second without it is one.
    assert_eq!(
        told(&it.follow_miss(&[2], (Stamp::from_millis(6_000), quarter), &miss(4), 0)),
        [(4, 6_000, "1 × timeout".to_owned())]
    );
}

#[test]
fn nobody_waits_for_ever() {
    let mut it = derived(TEXT);
    follow(&mut it, &[reading(0, 5_010, 30.0), reading(1, 5_020, 20.0)]);
    follow(&mut it, &[reading(0, 6_010, 30.0), reading(0, 7_010, 30.0)]);
    assert_eq!(
        follow(&mut it, &[reading(0, 8_010, 30.0)]),
        [(3, 6_000, "1 × overrun".to_owned())]
    );
    assert!(it.channels[0].slots.len() <= 3);
}

#[test]
fn before_the_first_reading_nothing_is_missing() {
    let mut it = derived(TEXT);
    let alone: Vec<_> = (1..6).map(|k| reading(0, k * 1000, 30.0)).collect();
    assert_eq!(follow(&mut it, &alone), []);
}

#[test]
fn flags_are_passed_on_or_become_moved() {
    let mut it = derived(TEXT);
    let mut quality_of = |k: i64, one: Quality, value: Option<f64>| {
        let a = Sample {
            quality: one,
            value,
            ..reading(0, k * 1000, 30.0)
        };
        match &it.follow(&[a, reading(1, k * 1000, 20.0)], 0)[..] {
            [Outcome::Sample(sample)] => (sample.value, sample.quality),
            other => panic!("{other:?}"),
        }
    };
    let simulated = Quality::SIMULATED | Quality::CALIBRATION_OVERDUE;
    assert_eq!(
        quality_of(1, simulated, Some(30.0)),
        (Some(10.0), simulated)
    );
    assert_eq!(
        quality_of(2, Quality::OVER_RANGE, Some(30.0)),
        (Some(10.0), Quality::MOVED)
    );
    assert_eq!(
        quality_of(3, Quality::OPEN_LOOP, None),
        (None, Quality::MOVED | Quality::NO_NUMBER)
    );
}

#[test]
fn what_is_derived_feeds_what_stands_below() {
    let text = format!("{TEXT}[derived.mean]\nlaw = \"mean\"\nof = [\"ab\", \"bf\"]\n");
    let mut it = derived(&text);
    let samples = [
        reading(0, 5_010, 30.0),
        reading(1, 5_020, 20.0),
        reading(2, 5_030, 16.0),
    ];
    assert_eq!(
        follow(&mut it, &samples),
        [
            sample_of(3, 5_020, 10.0),
            sample_of(4, 5_030, 4.0),
            sample_of(5, 5_030, 7.0)
        ]
    );
    let tick = (Stamp::from_millis(6_000), Period::SECOND);
    let gaps = told(&it.follow_miss(&[0], tick, &miss(1), 0));
    assert_eq!(gaps.iter().map(|gap| gap.0).collect::<Vec<_>>(), [3, 5]);
}
