//! Modbus RTU lines against scripted devices on pseudo-terminals.
#![allow(clippy::unwrap_used, reason = "tests")]

mod bench;

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bench::{
    Device, Run, SettableClocks, addresses, after_ms, answer, at_once, causes, framed, has,
    is_good, module, rtu, rtu_at, told,
};
use zonda_lines::{Axis, LineState};
use zonda_model::{Cause, Quality, SourceId};
use zonda_protocol::serial::SerialSettings;

#[tokio::test]
async fn codes_come_on_the_grid_with_the_time_of_their_exchange() {
    let device = Device::new(|asked| after_ms(10, answer(asked)));
    let mut run = Run::new(&rtu(&device.path, 50, vec![module(0, 1, 3, 4)]));
    run.until(is_good).await;
    for scan in run.scans(5).await {
        assert_eq!(addresses(&scan), Some(vec![3, 4, 5, 6]), "{scan:?}");
        assert_eq!(scan.tick.micros() % 50_000, 0);
        let after = scan.at.since(scan.tick);
        assert!(
            after >= Duration::from_millis(5) && after < Duration::from_millis(50),
            "{after:?}"
        );
    }
    let health = run.health_until(|health| health.cycle.is_some()).await;
    assert_eq!((health.opens, health.state), (1, LineState::Answering));
    run.end().await;
}

/// The answer to one request comes after its time-out. A master that takes what comes next for its
/// answer is one behind from then on.
#[tokio::test]
async fn a_late_answer_is_never_taken_for_the_next() {
    let device = Device::new(|asked| match asked.number {
        4 | 9 | 14 => after_ms(60 + 50, answer(asked)),
        _ => at_once(answer(asked)),
    });
    let mut run = Run::new(&rtu(
        &device.path,
        100,
        vec![module(0, 1, 10, 2), module(1, 1, 20, 2)],
    ));
    run.until(is_good).await;
    let scans = run.scans(60).await;
    for scan in scans.iter().filter(|scan| is_good(scan)) {
        let expected = if scan.source == SourceId(0) {
            vec![10, 11]
        } else {
            vec![20, 21]
        };
        assert_eq!(addresses(scan), Some(expected), "{scan:?}");
    }
    assert!(causes(&scans).contains(&Cause::Timeout));
    assert!(
        scans.iter().any(|scan| has(scan, Quality::RESYNCED)),
        "the first after it says so"
    );
    assert!(
        scans[40..].iter().all(is_good),
        "{:?}",
        causes(&scans[40..])
    );
    assert!(run.health().resyncs > 0);
    run.end().await;
}

#[tokio::test]
async fn an_adapter_that_echoes_is_no_trouble() {
    let device = Device::new(|asked| {
        let [first_high, first_low] = asked.first.to_be_bytes();
        let [count_high, count_low] = asked.count.to_be_bytes();
        let request = framed(&[
            asked.unit,
            asked.function,
            first_high,
            first_low,
            count_high,
            count_low,
        ]);
        vec![
            (Duration::ZERO, request),
            (Duration::from_millis(5), answer(asked)),
        ]
    });
    let mut run = Run::new(&rtu(&device.path, 50, vec![module(0, 1, 3, 1)]));
    run.until(is_good).await;
    let scans = run.scans(10).await;
    assert!(scans.iter().all(is_good), "{:?}", causes(&scans));
    assert_eq!(run.health().resyncs, 0);
    run.end().await;
}

#[tokio::test]
async fn stray_bytes_cost_nothing() {
    let device = Device::new(|asked| {
        let noise: &[u8] = if asked.number % 2 == 0 {
            &[0]
        } else {
            &[0xFF, 0x55, 0, 0, 7]
        };
        at_once([noise, &answer(asked), &[0xFE]].concat())
    });
    let mut run = Run::new(&rtu(
        &device.path,
        50,
        vec![module(0, 1, 3, 2), module(1, 2, 6, 1)],
    ));
    run.until(is_good).await;
    let scans = run.scans(20).await;
    assert!(scans.iter().all(is_good), "{:?}", causes(&scans));
    assert!(run.health().resyncs > 0);
    run.end().await;
}

/// Eight modules, one of them switched off: the others keep their time.
#[tokio::test]
async fn a_silent_unit_costs_the_others_its_own_time_out_at_most() {
    let device = Device::new(|asked| match asked.unit {
        3 => Vec::new(),
        _ => after_ms(1, answer(asked)),
    });
    let modules = (0..8u8).map(|unit| {
        let mut module = module(usize::from(unit), unit + 1, 10, 1);
        module.retries = 2;
        module
    });
    let mut run = Run::new(&rtu(&device.path, 500, modules.collect()));
    run.until(is_good).await;
    let scans = run.scans(8 * 8).await;
    for scan in scans.iter().filter(|scan| scan.source != SourceId(2)) {
        assert!(is_good(scan), "{scan:?}");
        let after = scan.at.since(scan.tick);
        // Eight exchanges of a few milliseconds, and one time-out of 60 ms with its 2.6 ms of wire time.
        assert!(after < Duration::from_millis(60 + 150), "{after:?}");
    }
    let silent: Vec<_> = scans
        .iter()
        .filter(|scan| scan.source == SourceId(2))
        .map(|scan| told(scan).unwrap_err())
        .collect();
    assert_eq!(silent[..2], [Cause::Timeout, Cause::Timeout]);
    assert!(
        silent.ends_with(&[Cause::NoAnswer, Cause::NoAnswer]),
        "{silent:?}"
    );
    assert!(run.health().retries > 0);
    assert_eq!(run.health().state, LineState::Partly);
    run.end().await;
}

#[tokio::test]
async fn a_line_that_babbles_for_ever_is_a_bad_frame_and_no_standstill() {
    let mut next = Instant::now();
    let device = Device::talking(
        |asked| at_once(answer(asked)),
        move |now| {
            if now < next {
                return Vec::new();
            }
            next = now + Duration::from_micros(500);
            vec![0x55; 40]
        },
    );
    let mut module = module(0, 1, 3, 2);
    module.timeout = Duration::from_millis(30);
    let mut run = Run::new(&rtu_at(
        &device.path,
        100,
        "9600 8N1".parse().unwrap(),
        vec![module],
    ));
    let scans = run.scans(20).await;
    let kinds = causes(&scans);
    assert!(kinds.contains(&Cause::BadFrame), "{kinds:?}");
    run.end().await;
}

#[tokio::test]
async fn half_a_frame_is_a_bad_frame_and_the_next_tick_is_well() {
    let device = Device::new(|asked| {
        let whole = answer(asked);
        match asked.number {
            3 => at_once(whole[..6].to_vec()),
            _ => at_once(whole),
        }
    });
    let mut run = Run::new(&rtu(&device.path, 200, vec![module(0, 1, 3, 3)]));
    run.until(is_good).await;
    let scans = run.scans(6).await;
    assert_eq!(causes(&scans), [Cause::BadFrame]);
    let index = scans.iter().position(|scan| !is_good(scan)).unwrap();
    assert!(has(&scans[index + 1], Quality::RESYNCED));
    assert!(!has(&scans[index + 2], Quality::RESYNCED));
    run.end().await;
}

#[tokio::test]
async fn a_busy_device_is_asked_once_more_in_the_same_tick() {
    let device = Device::new(|asked| match asked.number % 2 {
        1 => at_once(framed(&[asked.unit, asked.function | 0x80, 6])),
        _ => at_once(answer(asked)),
    });
    let mut run = Run::new(&rtu(&device.path, 100, vec![module(0, 1, 3, 1)]));
    run.until(is_good).await;
    let scans = run.scans(5).await;
    assert!(scans.iter().all(is_good), "{:?}", causes(&scans));
    assert!(run.health().retries >= 5);
    run.end().await;
}

#[tokio::test]
async fn a_device_without_these_registers_says_so_at_each_tick_and_is_asked_seldom() {
    let asked_times = Arc::new(AtomicU64::new(0));
    let counter = Arc::clone(&asked_times);
    let device = Device::new(move |asked| {
        counter.fetch_add(1, Ordering::SeqCst);
        at_once(framed(&[asked.unit, asked.function | 0x80, 2]))
    });
    let mut run = Run::new(&rtu(&device.path, 50, vec![module(0, 1, 3, 1)]));
    let scans = run
        .until(|scan| told(scan) == Err(Cause::DeviceError))
        .await;
    let miss = scans.last().unwrap().outcome.clone().unwrap_err();
    assert!(
        miss.detail
            .starts_with("exception 2 (illegal data address): the device does not have"),
        "{}",
        miss.detail
    );
    let kinds = causes(&run.scans(20).await);
    assert_eq!(kinds, [Cause::DeviceError; 20]);
    assert_eq!(asked_times.load(Ordering::SeqCst), 1);
    run.end().await;
}

/// While nobody takes scans the line waits; what passed is told as one overrun, and no burst follows.
#[tokio::test]
async fn a_standstill_is_told_and_not_caught_up() {
    let asked_at = Arc::new(Mutex::new(Vec::new()));
    let times = Arc::clone(&asked_at);
    let device = Device::new(move |asked| {
        times.lock().unwrap().push(Instant::now());
        at_once(answer(asked))
    });
    let plan = rtu(&device.path, 50, vec![module(0, 1, 3, 1)]);
    let mut run = Run::with_room(&plan, 1);
    run.until(is_good).await;
    tokio::time::sleep(Duration::from_millis(600)).await;
    let scans = run.until(|scan| told(scan) == Err(Cause::Overrun)).await;
    let overrun = scans.last().unwrap().outcome.clone().unwrap_err();
    assert!(overrun.ticks >= 6, "{overrun:?}");
    let resumed = Instant::now();
    assert!(run.scans(4).await.iter().all(is_good));
    let times = asked_at.lock().unwrap().clone();
    let soon = resumed..resumed + Duration::from_millis(100);
    let burst = times.iter().filter(|at| soon.contains(at)).count();
    assert!(burst <= 3, "{burst} requests within two ticks");
    run.end().await;
}

/// The clock is set forward by ten minutes: they never were, and are told as that, once.
#[tokio::test]
async fn a_step_of_the_clock_is_no_overrun() {
    let clocks = SettableClocks::default();
    let axis = Axis::new(clocks.clone(), None);
    let device = Device::new(|asked| at_once(answer(asked)));
    let plan = rtu(&device.path, 50, vec![module(0, 1, 3, 1)]);
    let mut run = Run::with_axis(&plan, 256, axis.clone());
    run.until(is_good).await;
    clocks.step(600_000_000);
    assert!(axis.look().is_some());
    let scans = run
        .until(|scan| told(scan) == Err(Cause::ClockStepped))
        .await;
    let stepped = scans.last().unwrap().outcome.clone().unwrap_err();
    assert!((11_990..=12_010).contains(&stepped.ticks), "{stepped:?}");
    assert!(run.scans(5).await.iter().all(is_good));
    // Set back again: the axis runs on, and so do the ticks.
    clocks.step(-600_000_000);
    // Two real clocks are read one after the other, so their difference is known to what lies between.
    let ahead = axis.look().unwrap().axis_minus_utc_us;
    assert!((ahead - 600_000_000).abs() < 50_000, "{ahead}");
    assert!(run.scans(5).await.iter().all(is_good));
    run.end().await;
}

#[tokio::test]
async fn a_port_that_is_missing_at_start_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("meter");
    let mut run = Run::new(&rtu(&link, 50, vec![module(0, 1, 3, 1)]));
    let scans = run.scans(5).await;
    assert_eq!(causes(&scans), [Cause::Unplugged; 5]);
    let health = run.health_until(|health| health.error.is_some()).await;
    assert_eq!(health.state, LineState::Waiting);
    let error = health.error.unwrap().text;
    assert!(
        error.contains("it is not there") && error.contains("meter"),
        "{error}"
    );
    let device = Device::new(|asked| at_once(answer(asked)));
    std::os::unix::fs::symlink(&device.path, &link).unwrap();
    run.until(is_good).await;
    run.end().await;
}

#[tokio::test]
async fn a_port_that_another_program_holds_is_not_called_unplugged() {
    let device = Device::new(|asked| at_once(answer(asked)));
    let _holder = serialport::new(device.path.to_string_lossy(), 9600)
        .open_native()
        .unwrap();
    let mut run = Run::new(&rtu(&device.path, 50, vec![module(0, 1, 3, 1)]));
    let health = run.health_until(|health| health.error.is_some()).await;
    let error = health.error.unwrap().text;
    assert!(error.ends_with("another program has it"), "{error}");
    run.end().await;
}

/// A cycle of four modules of eight registers at 19 200 baud, with devices that keep the wire's own
/// time and need none for themselves.
#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn the_line_is_kept_busy() {
    let settings = SerialSettings::MODBUS;
    let device = Device::new(move |asked| {
        let bytes = answer(asked);
        let pause =
            settings.wire_time(8) + settings.rtu_silence() + settings.wire_time(bytes.len());
        vec![(pause, bytes)]
    });
    let modules = (0..4u8).map(|unit| module(usize::from(unit), unit + 1, 0, 8));
    let mut run = Run::new(&rtu_at(&device.path, 200, settings, modules.collect()));
    run.until(is_good).await;
    let mut cycles = Vec::new();
    for _ in 0..15 {
        run.scans(4).await;
        cycles.extend(run.health().cycle);
    }
    cycles.sort_by_key(|cycle| cycle.took);
    // The better half, because a shared machine may take the processor away now and then.
    let good = cycles[cycles.len() / 4];
    let least = Duration::from_micros(4 * 20_625);
    assert!(
        good.wire_min.abs_diff(least) < Duration::from_micros(20),
        "{good:?}"
    );
    println!("cycle {:?}, wire {:?}", good.took, good.wire_min);
    assert!(good.took < good.wire_min.mul_f64(1.10), "{good:?}");
    run.end().await;
}
