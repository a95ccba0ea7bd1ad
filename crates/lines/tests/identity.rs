//! The wrong device behind the right name: it is asked who it is before anything of it is recorded,
//! and refused where it is another, until the right one is back.
#![allow(clippy::unwrap_used, reason = "tests")]

mod bench;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU16, Ordering};

use bench::{Device, Run, answer, at_once, framed, is_good, module, rtu, told};
use zonda_config::{Expected, IdentityPlan, IdentityQuestion, ModulePlan};
use zonda_model::{Cause, Miss, Scan};
use zonda_protocol::modbus::{RegisterSpan, Table};

/// Where the scripted devices have their serial numbers.
const NUMBER: u16 = 200;

fn known(module: ModulePlan, number: &str) -> ModulePlan {
    ModulePlan {
        identity: Some(IdentityPlan {
            question: IdentityQuestion::Registers(
                Table::Holding,
                RegisterSpan::new(NUMBER, 1).unwrap(),
            ),
            expected: Expected::new(number).unwrap(),
        }),
        ..module
    }
}

/// A device whose number can be changed, as if another were put in its place.
fn device(number: &Arc<AtomicU16>, is_away: &Arc<AtomicBool>) -> Device {
    let (number, is_away) = (Arc::clone(number), Arc::clone(is_away));
    Device::new(move |asked| {
        if is_away.load(Ordering::SeqCst) {
            return Vec::new();
        }
        at_once(match asked.first {
            NUMBER => {
                let [high, low] = number.load(Ordering::SeqCst).to_be_bytes();
                framed(&[asked.unit, asked.function, 2, high, low])
            }
            _ => answer(asked),
        })
    })
}

fn miss(scan: &Scan) -> Option<&Miss> {
    scan.outcome.as_ref().err()
}

#[tokio::test]
async fn another_unit_is_refused_and_the_right_one_taken() {
    let (number, is_away) = (Arc::new(AtomicU16::new(4711)), Arc::default());
    let device = device(&number, &is_away);
    let mut run = Run::new(&rtu(
        &device.path,
        20,
        vec![known(module(0, 1, 3, 2), "4711")],
    ));
    run.until(is_good).await;
    // Swapped while the line stays open: the unit is silent for a while, then answers again.
    is_away.store(true, Ordering::SeqCst);
    run.until(|scan| told(scan) == Err(Cause::NoAnswer)).await;
    number.store(4712, Ordering::SeqCst);
    is_away.store(false, Ordering::SeqCst);
    let scans = run.until(|scan| told(scan) == Err(Cause::Mismatch)).await;
    assert!(
        !scans.iter().any(is_good),
        "nothing of the other is recorded"
    );
    assert_eq!(
        miss(scans.last().unwrap()).unwrap().detail,
        "expected the device `4711`, found another: its registers say `4712`; nothing of it is recorded"
    );
    number.store(4711, Ordering::SeqCst);
    let scans = run.until(is_good).await;
    // A machine that stands still may tell of that as well.
    let other = scans
        .iter()
        .filter_map(miss)
        .find(|miss| ![Cause::Mismatch, Cause::Overrun].contains(&miss.cause));
    assert_eq!(
        other, None,
        "while it is left alone the cause stays what it is"
    );
    run.end().await;
}

#[tokio::test]
async fn a_stranger_costs_its_neighbours_nothing() {
    let (number, is_away) = (Arc::new(AtomicU16::new(1)), Arc::default());
    let device = device(&number, &is_away);
    let modules = vec![known(module(0, 1, 3, 2), "2"), module(1, 2, 7, 2)];
    let mut run = Run::new(&rtu(&device.path, 50, modules));
    run.until(is_good).await;
    let scans = run.scans(40).await;
    let of = |source| scans.iter().filter(move |scan| scan.source.0 == source);
    assert!(
        of(0).all(|scan| told(scan) == Err(Cause::Mismatch)),
        "{scans:?}"
    );
    assert!(of(1).all(is_good), "{scans:?}");
    run.end().await;
}

#[tokio::test]
async fn a_unit_that_will_not_say_who_it_is_is_refused() {
    let device = Device::new(|asked| {
        at_once(match asked.first {
            NUMBER => framed(&[asked.unit, asked.function | 0x80, 2]),
            _ => answer(asked),
        })
    });
    let mut run = Run::new(&rtu(
        &device.path,
        50,
        vec![known(module(0, 1, 3, 2), "4711")],
    ));
    let scans = run.until(|scan| told(scan) == Err(Cause::Mismatch)).await;
    let said = &miss(scans.last().unwrap()).unwrap().detail;
    assert!(
        said.contains("will not say who it is: exception 2"),
        "{said}"
    );
    run.end().await;
}
