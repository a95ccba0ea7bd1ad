//! Ports and connections that go away and come back: a program of its own, because it counts this
//! process's file descriptors and processor time.
#![allow(clippy::unwrap_used, reason = "tests")]

mod bench;

use std::os::unix::fs::symlink;
use std::time::{Duration, Instant};

use bench::{Device, Run, answer, at_once, causes, is_good, module, rtu};
use nix::sys::resource::{UsageWho, getrusage};
use zonda_lines::LineState;
use zonda_model::Cause;

fn descriptors() -> usize {
    std::fs::read_dir("/proc/self/fd").unwrap().count()
}

fn processor_time() -> Duration {
    let usage = getrusage(UsageWho::RUSAGE_SELF).unwrap();
    let of = |time: nix::sys::time::TimeVal| {
        Duration::from_micros(u64::try_from(time.tv_sec() * 1_000_000 + time.tv_usec()).unwrap())
    };
    of(usage.user_time()) + of(usage.system_time())
}

/// A pseudo-terminal whose other end is closed behaves as a port whose adapter was pulled.
#[tokio::test]
async fn a_pulled_port_is_let_go_and_found_again_behind_its_link() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("meter");
    let mut device = Device::new(|asked| at_once(answer(asked)));
    symlink(&device.path, &link).unwrap();
    let mut run = Run::new(&rtu(&link, 50, vec![module(0, 1, 3, 1)]));
    run.until(is_good).await;
    let open_at_first = descriptors();

    for round in 0..5 {
        std::fs::remove_file(&link).unwrap();
        drop(device);
        let scans = run.until(|scan| !is_good(scan)).await;
        assert_eq!(causes(&scans), [Cause::Unplugged], "round {round}");
        run.health_until(|health| health.state == LineState::Waiting)
            .await;

        // A dead port reads as an endless end of file: whoever goes on reading spins.
        let (begun, before) = (Instant::now(), processor_time());
        run.scans(6).await;
        let share =
            processor_time().saturating_sub(before).as_secs_f64() / begun.elapsed().as_secs_f64();
        assert!(share < 0.2, "{share} of a processor while unplugged");

        // Another terminal by another number, behind the same link.
        device = Device::new(|asked| at_once(answer(asked)));
        symlink(&device.path, &link).unwrap();
        run.until(is_good).await;
    }
    assert_eq!(run.health().opens, 6);
    // The old port is closed on a thread of its own.
    let settled = Instant::now() + Duration::from_secs(5);
    while descriptors() > open_at_first && Instant::now() < settled {
        run.scan().await;
    }
    assert_eq!(descriptors(), open_at_first);
    run.end().await;
}
