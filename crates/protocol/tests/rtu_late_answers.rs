//! The master on a simulated bus whose devices answer late, twice as late, garbled, refusing or not
//! at all. Whatever they do: registers that the master hands over are those of the request that it
//! names, sampled for that very request; and once the devices are well, so is the line.
#![allow(clippy::unwrap_used, reason = "tests")]

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use proptest::prelude::*;
use zonda_protocol::modbus::rtu::{Failure, Master, Outcome, Patience, checksum};
use zonda_protocol::modbus::{RegisterSpan, Reply, Request, Table, UnitId};
use zonda_protocol::serial::SerialSettings;

/// What a device does with one request.
#[derive(Clone, Copy, Debug)]
enum Deed {
    /// Answers after so many milliseconds.
    Answer(u64),
    /// Answers after so many milliseconds, in two pieces.
    Pieces(u64),
    /// Sends one wrong byte.
    Garble(u64, usize, u8),
    /// Refuses.
    Refuse(u64),
    /// Never got the request.
    Deaf,
    /// Answers, and nobody hears it.
    Mute(u64),
}

/// The longest that an answer stays under way, just within what the master reckons with.
const LATEST: Duration = Duration::from_secs(29);

/// A device works through its requests in order.
#[derive(Debug, Default)]
struct Device {
    deeds: VecDeque<Deed>,
    busy_until: Duration,
}

#[derive(Debug, Default)]
struct Bus {
    devices: BTreeMap<u8, Device>,
    /// Bytes on their way, by the time of their arrival.
    deliveries: BTreeMap<(Duration, u64), Vec<u8>>,
    frames: u64,
}

/// Register `address`, as sampled for the frame of this number.
fn register(address: u16, frame: u64) -> u16 {
    address << 8 | u16::try_from(frame & 0xFF).unwrap()
}

fn framed(body: &[u8]) -> Vec<u8> {
    [body, &checksum(body)].concat()
}

impl Bus {
    fn receive(&mut self, now: Duration, frame: &[u8]) {
        self.frames += 1;
        let &[unit, function, _, first, _, count, ..] = frame else {
            panic!("a request has 8 bytes")
        };
        let number = self.frames;
        let Some(device) = self.devices.get_mut(&unit) else {
            return;
        };
        let deed = device.deeds.pop_front().unwrap_or(Deed::Answer(1));
        let mut body = vec![unit, function, count * 2];
        for address in first..first + count {
            body.extend(register(u16::from(address), number).to_be_bytes());
        }
        let answer = framed(&body);
        let (delay, pieces) = match deed {
            Deed::Answer(delay) => (delay, vec![answer]),
            Deed::Pieces(delay) => (delay, vec![answer[..4].to_vec(), answer[4..].to_vec()]),
            Deed::Garble(delay, at, change) => {
                let mut answer = answer;
                let at = at % answer.len();
                answer[at] ^= change;
                (delay, vec![answer])
            }
            Deed::Refuse(delay) => (delay, vec![framed(&[unit, function | 0x80, 6])]),
            Deed::Deaf => return,
            Deed::Mute(delay) => (delay, vec![]),
        };
        let ready = device.busy_until.max(now) + Duration::from_millis(delay);
        if ready > now + LATEST {
            return;
        }
        device.busy_until = ready;
        for (index, piece) in pieces.into_iter().enumerate() {
            let at = ready + Duration::from_millis(5 * index as u64);
            let order = number * 10 + index as u64;
            self.deliveries.insert((at, order), piece);
        }
    }
}

struct Run {
    start: Instant,
    now: Duration,
    bus: Bus,
    master: Master,
}

impl Run {
    fn new() -> Self {
        Self {
            start: Instant::now(),
            now: Duration::ZERO,
            bus: Bus::default(),
            master: Master::new(SerialSettings::MODBUS, Duration::ZERO),
        }
    }

    /// Delivers what arrives until then.
    fn pass(&mut self, until: Duration) {
        while let Some(entry) = self.bus.deliveries.first_entry() {
            let (at, _) = *entry.key();
            if at > until {
                break;
            }
            let bytes = entry.remove();
            self.now = self.now.max(at);
            self.master.handle_bytes(self.start + self.now, &bytes);
        }
        self.now = self.now.max(until);
    }

    /// One exchange; the outcome, and the number of the last frame sent for it.
    fn ask(&mut self, request: Request, timeout: Duration) -> (Outcome, u64) {
        self.master
            .begin(self.start + self.now, request, Patience::of(timeout));
        for _ in 0..10_000 {
            if let Some(frame) = self.master.poll_transmit(self.start + self.now) {
                self.bus.receive(self.now, &frame);
            }
            if let Some(outcome) = self.master.poll_outcome() {
                return (outcome, self.bus.frames);
            }
            let due = self
                .master
                .poll_timeout()
                .expect("an exchange has a deadline");
            let due = due.saturating_duration_since(self.start).max(self.now);
            let arrives = self.bus.deliveries.keys().next().map(|(at, _)| *at);
            match arrives {
                Some(at) if at <= due => {
                    let ((at, _), bytes) = self.bus.deliveries.pop_first().unwrap();
                    self.now = self.now.max(at);
                    self.master.handle_bytes(self.start + self.now, &bytes);
                }
                _ => {
                    self.now = due;
                    self.master.handle_timeout(self.start + self.now);
                }
            }
        }
        panic!("the exchange never ends: {:?}", self.master);
    }
}

fn request(unit: u8, (first, count): (u16, u16)) -> Request {
    Request {
        unit: UnitId::serial(unit).unwrap(),
        table: Table::Input,
        span: RegisterSpan::new(first, count).unwrap(),
    }
}

/// Whatever was handed over is what was asked for, and fresh.
fn check(outcome: &Outcome, frame: u64) {
    if let Ok(answer) = &outcome.result
        && let Reply::Registers(registers) = &answer.reply
    {
        let expected: Vec<u16> = (0..outcome.request.span.count())
            .map(|index| register(outcome.request.span.first() + index, frame))
            .collect();
        assert_eq!(registers, &expected, "for {:?}", outcome.request);
    }
}

/// Several of one length, and one of the length that a probe for another has.
const SPANS: [(u16, u16); 5] = [(0, 4), (16, 4), (32, 1), (40, 3), (48, 2)];

fn delay() -> impl Strategy<Value = u64> {
    prop_oneof![3 => 0u64..20, 3 => 50u64..400, 1 => 400u64..20_000]
}

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        4 => delay().prop_map(Deed::Answer),
        1 => delay().prop_map(Deed::Pieces),
        1 => (delay(), any::<usize>(), 1u8..=255).prop_map(|(delay, at, change)| Deed::Garble(delay, at, change)),
        2 => delay().prop_map(Deed::Refuse),
        1 => Just(Deed::Deaf),
        1 => delay().prop_map(Deed::Mute),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_answer_is_ever_taken_for_another(
        asks in proptest::collection::vec((1u8..=2, 0..SPANS.len(), 0u64..300), 1..60),
        deeds in proptest::collection::vec(proptest::collection::vec(deed(), 0..60), 2),
    ) {
        let mut run = Run::new();
        for (unit, deeds) in (1u8..).zip(deeds) {
            run.bus.devices.insert(unit, Device { deeds: deeds.into(), busy_until: Duration::ZERO });
        }
        for (unit, span, pause) in asks {
            let (outcome, frame) = run.ask(request(unit, SPANS[span]), Duration::from_millis(100));
            check(&outcome, frame);
            run.pass(run.now + Duration::from_millis(pause));
        }
        // The devices are well again: what is still under way arrives, and every span gives data.
        for device in run.bus.devices.values_mut() {
            device.deeds.clear();
        }
        run.pass(run.now + LATEST);
        for unit in [1, 2] {
            for span in SPANS {
                let (outcome, frame) = run.ask(request(unit, span), Duration::from_millis(100));
                check(&outcome, frame);
                prop_assert!(outcome.result.is_ok(), "{outcome:?}");
            }
        }
    }
}

/// A device that knows one register and nothing else, and takes any other request as not for it.
#[test]
fn a_device_that_answers_no_probe_comes_back_with_time() {
    let mut run = Run::new();
    let deeds = std::iter::repeat_n(Deed::Deaf, 3);
    run.bus.devices.insert(
        1,
        Device {
            deeds: deeds.collect(),
            busy_until: Duration::ZERO,
        },
    );
    let asked = request(1, (32, 1));
    let timeout = Duration::from_millis(100);
    for _ in 0..3 {
        let (outcome, _) = run.ask(asked, timeout);
        assert!(outcome.result.is_err());
    }
    // Every shape is open now; nothing is sent that could be mistaken.
    let (outcome, frame) = run.ask(asked, timeout);
    assert_eq!((outcome.result, frame), (Err(Failure::OutOfStep), 3));
    run.pass(run.now + Duration::from_secs(30));
    let (outcome, _) = run.ask(asked, timeout);
    assert!(outcome.result.unwrap().resynced);
}

#[test]
fn a_unit_left_alone_holds_up_nobody_else() {
    let mut run = Run::new();
    run.bus.devices.insert(2, Device::default());
    let timeout = Duration::from_millis(500);
    let (silent, _) = run.ask(request(1, SPANS[0]), timeout);
    assert_eq!(silent.result, Err(Failure::Silence));
    let begun = run.now;
    let (answered, _) = run.ask(request(2, SPANS[0]), timeout);
    assert!(answered.result.is_ok());
    assert!(run.now < begun + Duration::from_millis(20));
}

#[test]
fn a_wrong_checksum_is_given_up_before_the_deadline() {
    let mut run = Run::new();
    let deeds = [Deed::Garble(1, 5, 1)].into();
    run.bus.devices.insert(
        1,
        Device {
            deeds,
            busy_until: Duration::ZERO,
        },
    );
    let (outcome, _) = run.ask(request(1, SPANS[0]), Duration::from_secs(1));
    assert!(matches!(outcome.result, Err(Failure::Unbelievable(seen)) if seen.bad_checksum));
    assert!(outcome.done_at - outcome.sent_at < Duration::from_millis(50));
}

#[test]
fn a_line_that_is_never_silent_is_given_up_in_time() {
    let mut run = Run::new();
    for index in 0..2000u64 {
        run.bus
            .deliveries
            .insert((Duration::from_millis(index), index), vec![0x55]);
    }
    run.pass(Duration::from_millis(10));
    let (outcome, frame) = run.ask(request(1, SPANS[0]), Duration::from_millis(200));
    assert_eq!((outcome.result, frame), (Err(Failure::Babble), 0));
    assert!(run.now < Duration::from_millis(300));
}

#[test]
fn nothing_is_asked_right_after_opening() {
    let mut run = Run::new();
    run.bus.devices.insert(1, Device::default());
    run.master
        .handle_opened(run.start, Duration::from_millis(700));
    let (outcome, _) = run.ask(request(1, SPANS[0]), Duration::from_millis(100));
    assert!(outcome.result.is_ok());
    assert!(outcome.sent_at >= run.start + Duration::from_millis(700));
}
