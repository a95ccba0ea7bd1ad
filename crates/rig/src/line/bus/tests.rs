//! The bus by bytes and instants alone: no port, no waiting.

use std::net::SocketAddr;

use super::*;
use crate::bench::Bench;
use crate::layout;
use crate::options::RigOptions;
use crate::wiring::Wire;

/// Read input registers 0 to 15 of unit 1; checksum by the spec's appendix B, checked in `rtu_slave`.
const ASK_A: [u8; 8] = [1, 4, 0, 0, 0, 16, 0xf1, 0xc6];
const ASK_B: [u8; 8] = [2, 4, 0, 0, 0, 16, 0xf1, 0xf5];

struct Play {
    bus: Bus,
    now: Instant,
    faults: Faults,
    format: SerialFormat,
}

impl Play {
    fn new(silence: Silence) -> Self {
        let mut options = RigOptions::new("/nowhere");
        options.silence = silence;
        let wiring = layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
        let now = Instant::now();
        let bench = Live::new(Bench::new(&options, &wiring), now);
        let Wire::ModbusRtu {
            modules, serial, ..
        } = &wiring.lines[0].wire
        else {
            unreachable!("the first line is the bench");
        };
        Self {
            bus: Bus::new("bench", modules.clone(), bench, &options),
            now,
            faults: Faults::default(),
            format: *serial,
        }
    }

    fn with(mut self, fault: &str) -> Self {
        self.faults.apply(fault.parse().unwrap());
        self
    }

    fn ask(&mut self, bytes: &[u8]) {
        self.bus.hear(self.now, bytes, &self.faults);
    }

    /// Everything that arrives within `within`, and when the last of it did.
    fn listen(&mut self, within: Duration) -> (Vec<u8>, Duration) {
        let (start, mut last, mut bytes) = (self.now, self.now, Vec::new());
        while let Some(next) = self.bus.next().filter(|next| *next <= start + within) {
            self.now = next.max(self.now);
            let arrived = self.bus.step(self.now, &self.faults);
            if !arrived.is_empty() {
                last = self.now;
            }
            bytes.extend(arrived);
        }
        self.now = start + within;
        (bytes, last - start)
    }
}

const A_WHILE: Duration = Duration::from_millis(900);

/// Frames by *MODBUS over Serial Line V1.02*: 8 characters out, 3.5 of silence, the turnaround,
/// 5 + 2·16 characters back.
#[test]
fn an_answer_takes_the_time_that_the_line_needs() {
    let mut play = Play::new(Silence::Demanded);
    play.ask(&ASK_A);
    let (answer, took) = play.listen(A_WHILE);
    assert_eq!((answer.len(), &answer[..3]), (37, &[1, 4, 32][..]));
    let needs = play.format.characters(8 + 37) + play.format.silence() + Duration::from_millis(2);
    assert!(
        took.abs_diff(needs) < Duration::from_micros(5),
        "{took:?} {needs:?}"
    );
}

#[test]
fn a_request_in_pieces_is_one_request_unless_silence_parts_them() {
    let mut play = Play::new(Silence::Demanded);
    play.ask(&ASK_A[..3]);
    play.listen(play.format.characters(4));
    play.ask(&ASK_A[3..]);
    assert_eq!(play.listen(A_WHILE).0.len(), 37);
    play.ask(&ASK_A[..3]);
    play.listen(play.format.characters(8));
    play.ask(&ASK_A[3..]);
    assert_eq!(play.listen(A_WHILE).0.len(), 0);
    assert_eq!(play.bus.counts().spoiled, 2);
}

#[test]
fn silence_before_a_request_is_counted_and_demanded_if_wanted() {
    for (silence, answers) in [(Silence::Forgiven, 37), (Silence::Demanded, 0)] {
        let mut play = Play::new(silence);
        play.ask(&ASK_A);
        while play.bus.counts().answers == 0 || play.bus.lane.next().is_some() {
            play.now = play.bus.next().unwrap();
            play.bus.step(play.now, &play.faults);
        }
        play.now += play.format.characters(1);
        play.ask(&ASK_B);
        assert_eq!(play.listen(A_WHILE).0.len(), answers);
        assert_eq!(play.bus.counts().short_silences, 1);
    }
}

#[test]
fn who_talks_while_a_device_talks_spoils_both() {
    let mut play = Play::new(Silence::Forgiven);
    play.ask(&ASK_A);
    let (head, _) = play.listen(Duration::from_millis(20));
    assert!(!head.is_empty() && head.len() < 37);
    play.ask(&ASK_B);
    let (tail, _) = play.listen(A_WHILE);
    assert_eq!(head.len() + tail.len(), 37);
    assert_eq!(Request::parse(&[head, tail].concat()), None);
    assert_eq!(
        (play.bus.counts().collisions, play.bus.counts().spoiled),
        (1, 1)
    );
}

#[test]
fn a_late_answer_leaves_the_line_to_others_meanwhile() {
    let mut play = Play::new(Silence::Demanded).with("late A 300 ms");
    play.ask(&ASK_A);
    assert_eq!(play.listen(Duration::from_millis(100)).0, []);
    play.ask(&ASK_B);
    let (other, _) = play.listen(Duration::from_millis(100));
    assert_eq!((other.len(), other[0]), (37, 2));
    let (late, _) = play.listen(A_WHILE);
    assert_eq!((late.len(), late[0]), (37, 1));
}

#[test]
fn faults_of_devices_and_line_show_on_the_wire() {
    let heard = |fault: &str| {
        let mut play = Play::new(Silence::Demanded).with(fault);
        play.ask(&ASK_A);
        play.listen(A_WHILE).0
    };
    assert_eq!(heard("silence A"), []);
    // 01 84 06 with the checksum of crcmod's and crccheck's CRC-16/MODBUS.
    assert_eq!(heard("exception A 6"), [1, 0x84, 6, 0xc3, 0x02]);
    assert_eq!(heard("stray bench 00 ff")[..5], [0x00, 0xff, 1, 4, 32]);
    assert_eq!(heard("echo bench")[..8], ASK_A);
    assert_eq!(heard("echo bench").len(), 8 + 37);
    let (garbled, whole) = (heard("garble A"), heard("silence B"));
    assert_eq!(
        garbled
            .iter()
            .zip(&whole)
            .filter(|(one, other)| one != other)
            .count(),
        1
    );
}

#[test]
fn nobody_answers_for_a_unit_that_is_not_there() {
    let mut play = Play::new(Silence::Demanded);
    play.ask(&[3, 4, 0, 0, 0, 1, 0x30, 0x28]);
    assert_eq!(play.listen(A_WHILE).0, []);
    assert_eq!(
        (play.bus.counts().requests, play.bus.counts().spoiled),
        (1, 0)
    );
}
