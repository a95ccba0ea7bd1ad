//! The bench as a whole: deterministic, honest, and changed by a fault only where it should be.

use super::*;
use std::net::SocketAddr;

fn bench(seed: u64) -> (Bench, Wiring) {
    let mut options = RigOptions::new("/nowhere");
    options.seed = seed;
    let wiring = layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
    (Bench::new(&options, &wiring), wiring)
}

fn run(bench: &mut Bench, ticks: usize) {
    for _ in 0..ticks {
        bench.tick();
    }
}

fn with(bench: &mut Bench, texts: &[&str]) {
    let mut faults = Faults::default();
    for text in texts {
        faults.apply(text.parse().unwrap());
    }
    bench.set_faults(faults);
}

/// The loop's register as its signal, mA or V.
fn signal(bench: &Bench, wiring: &Wiring, name: &str) -> f64 {
    let wired = wiring.find_loop(name).unwrap();
    let module = wiring
        .modules()
        .find(|module| module.name == wired.module)
        .unwrap();
    let register = bench.registers(module.name.as_str()).unwrap()[usize::from(wired.input) - 1];
    let count = match module.code {
        crate::wiring::RegisterCode::Uint16 => f64::from(register),
        crate::wiring::RegisterCode::Int16 => f64::from(register.cast_signed()),
    };
    wired
        .signal
        .unit
        .from_si(module.count.unit.to_si(module.count.value * count))
}

/// The loop's register as the value that a rightly configured daemon makes of it, in the range's unit.
fn value(bench: &Bench, wiring: &Wiring, name: &str) -> f64 {
    let LoopWiring {
        signal: from,
        range: to,
        ..
    } = wiring.find_loop(name).unwrap();
    let share = (signal(bench, wiring, name) - from.from) / (from.to - from.from);
    to.from + share * (to.to - to.from)
}

#[test]
fn one_seed_is_one_history() {
    let mut first = bench(11).0;
    let mut second = bench(11).0;
    let mut third = bench(12).0;
    run(&mut first, 300);
    assert_eq!(second.advance_to(Duration::from_millis(30_050)), 300);
    run(&mut third, 300);
    assert_eq!(first.truth(), second.truth());
    assert_eq!(first.registers("A"), second.registers("A"));
    assert_ne!(first.registers("A"), third.registers("A"));
}

#[test]
fn an_hour_of_readings_agrees_with_the_truth_within_the_instruments_accuracy() {
    let (mut bench, wiring) = bench(2);
    let mut sums = vec![(0.0, 0.0); wiring.all_loops().count()];
    for _ in 0..3_600 {
        run(&mut bench, 10);
        let truth = bench.truth();
        for (sum, wired) in sums.iter_mut().zip(wiring.all_loops()) {
            let name = wired.name.as_str();
            sum.0 += value(&bench, &wiring, name) / 3_600.0;
            sum.1 += wired.range.unit.from_si(truth.value(name).unwrap()) / 3_600.0;
        }
    }
    for ((read, truth), wired) in sums.into_iter().zip(wiring.all_loops()) {
        let allowed = match wired.quantity {
            // Accuracy, output, and what is left of turbulence in an hour's mean.
            zonda_model::Quantity::Velocity => 0.03 * truth + 0.05,
            zonda_model::Quantity::Temperature => 1.6,
            _ => 0.005 * (wired.range.to - wired.range.from),
        };
        assert!(
            (read - truth).abs() < allowed,
            "{}: read {read}, true {truth}",
            wired.name
        );
    }
}

/// The turbulence at a point has the stated intensity and the lag-one correlation of its time scale.
#[test]
fn turbulence_is_as_stated() {
    const TICKS: u32 = 100_000;
    let mut bench = bench(3).0;
    let site = sites()[4];
    let mut series = Vec::new();
    for _ in 0..TICKS {
        bench.tick();
        let point = bench.truth().points.swap_remove(4);
        series.push(point.velocity / point.velocity_mean - 1.0);
    }
    let n = f64::from(TICKS);
    let mean = series.iter().sum::<f64>() / n;
    let variance = series.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
    let lagged = series
        .windows(2)
        .map(|w| (w[0] - mean) * (w[1] - mean))
        .sum::<f64>()
        / n;
    assert!(mean.abs() < 0.01, "{mean}");
    assert!(
        (variance.sqrt() / site.intensity - 1.0).abs() < 0.05,
        "{}",
        variance.sqrt()
    );
    let stated = (-0.1 / site.time_scale_s).exp();
    assert!(
        (lagged / variance - stated).abs() < 0.01,
        "{} {stated}",
        lagged / variance
    );
}

#[test]
fn a_cut_loop_is_zero_and_touches_nothing_else() {
    let (mut well, wiring) = bench(4);
    let mut ill = bench(4).0;
    with(
        &mut ill,
        &["cut Z1-left.velocity", "cut exhaust-left.temperature"],
    );
    run(&mut well, 20);
    run(&mut ill, 20);
    assert!(signal(&ill, &wiring, "Z1-left.velocity") < 0.02);
    assert!(signal(&ill, &wiring, "exhaust-left.temperature").abs() < 0.002);
    for wired in wiring
        .all_loops()
        .filter(|wired| !wired.name.as_str().starts_with("Z1-left.v"))
    {
        let name = wired.name.as_str();
        let same = signal(&ill, &wiring, name).to_bits() == signal(&well, &wiring, name).to_bits();
        assert_eq!(same, name != "exhaust-left.temperature", "{name}");
    }
    with(&mut ill, &[]);
    run(&mut ill, 1);
    run(&mut well, 1);
    assert_eq!(ill.registers("A"), well.registers("A"));
}

#[test]
fn a_stuck_output_stands_and_comes_free_again() {
    let (mut bench, wiring) = bench(5);
    run(&mut bench, 7);
    let before = signal(&bench, &wiring, "Z2-left.velocity");
    with(&mut bench, &["stick Z2-left.velocity"]);
    let mut furthest: f64 = 0.0;
    for _ in 0..100 {
        run(&mut bench, 1);
        furthest = furthest.max((signal(&bench, &wiring, "Z2-left.velocity") - before).abs());
    }
    // Only the converter's noise of 1.5 µA is left.
    assert!(furthest < 0.02, "{furthest} mA");
    with(&mut bench, &[]);
    run(&mut bench, 20);
    assert!((signal(&bench, &wiring, "Z2-left.velocity") - before).abs() > 0.02);
}

#[test]
fn a_range_set_differently_shows_as_a_ratio() {
    let (mut well, wiring) = bench(6);
    let mut ill = bench(6).0;
    with(&mut ill, &["range Z1-middle.velocity 0-20 m/s"]);
    run(&mut well, 10);
    run(&mut ill, 10);
    let ratio =
        value(&well, &wiring, "Z1-middle.velocity") / value(&ill, &wiring, "Z1-middle.velocity");
    assert!((ratio - 2.0).abs() < 0.05, "{ratio}");
}

#[test]
fn door_and_fan_follow_their_faults() {
    let (mut bench, wiring) = bench(7);
    with(&mut bench, &["door 50 %", "fan 3"]);
    run(&mut bench, 300);
    let truth = bench.truth();
    assert!((truth.oven.door - 0.5).abs() < 1e-9);
    assert!(truth.point("Z3-middle").unwrap().velocity_mean < 0.2);
    assert!((value(&bench, &wiring, "door-position") - 50.0).abs() < 1.0);
    // Too slow for the probe at this temperature: it reads its own draught, below its minimum.
    let shown = bench.display("Z3-middle").unwrap().velocity;
    assert!(shown > 0.1 && shown < 0.4, "{shown}");
    with(&mut bench, &[]);
    run(&mut bench, 300);
    let truth = bench.truth();
    assert!(truth.oven.door < 1e-9 && truth.point("Z3-middle").unwrap().velocity_mean > 2.0);
}

#[test]
fn speed_hastens_the_oven_and_not_its_air() {
    let mut options = RigOptions::new("/nowhere");
    options.start = StartPhase::Cold;
    options.speed = 60.0;
    let wiring = layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
    let mut bench = Bench::new(&options, &wiring);
    run(&mut bench, 200);
    let truth = bench.truth();
    assert_eq!(truth.elapsed, Duration::from_secs(20));
    assert!(truth.oven.zone_temperatures[1] > 180.0, "{truth:?}");
}

#[test]
fn a_batch_is_looked_at_now_and_then() {
    let mut options = RigOptions::new("/nowhere");
    options.door = DoorHabit::NowAndThen;
    let wiring = layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
    let mut bench = Bench::new(&options, &wiring);
    let mut doors = Vec::new();
    for _ in 0..5_000 {
        bench.tick();
        doors.push(bench.truth().oven.door);
    }
    let open = doors.iter().filter(|door| **door > 0.3).count();
    assert!(doors[500] < 1e-9 && (400..1_000).contains(&open), "{open}");
}

#[test]
fn a_signal_that_is_applied_stands_in_the_meter_s_place() {
    let (mut bench, wiring) = bench(3);
    with(
        &mut bench,
        &[
            "apply Z1-left.velocity 12 mA",
            "apply Z3-right.velocity 250 mV",
        ],
    );
    run(&mut bench, 1);
    assert!((signal(&bench, &wiring, "Z1-left.velocity") - 12.0).abs() < 0.01);
    assert!((signal(&bench, &wiring, "Z3-right.velocity") - 0.25).abs() < 0.005);
    with(&mut bench, &[]);
    run(&mut bench, 1);
    assert!((value(&bench, &wiring, "Z1-left.velocity") - 5.0).abs() > 0.5);
    let wrong: Fault = "apply Z1-left.velocity 2 V".parse().unwrap();
    let told = wrong.check(&wiring).unwrap_err().to_string();
    assert!(told.contains("carries a signal in mA"), "{told}");
}
