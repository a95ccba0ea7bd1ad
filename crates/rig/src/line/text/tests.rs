//! Text meters by bytes and instants alone: no port, no waiting.

use std::net::SocketAddr;

use super::*;
use crate::bench::Bench;
use crate::layout;
use crate::wiring::Wire;

struct Play {
    meter: TextMeter,
    now: Instant,
    faults: Faults,
}

impl Play {
    fn new(line: &str, fault: Option<&str>) -> Self {
        let options = RigOptions::new("/nowhere");
        let wiring = layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
        let now = Instant::now();
        let bench = Live::new(Bench::new(&options, &wiring), now);
        let Some(Wire::Text { text, .. }) = wiring.line(line).map(|line| line.wire.clone()) else {
            panic!("{line} is no text line");
        };
        let mut faults = Faults::default();
        if let Some(fault) = fault {
            faults.apply(fault.parse().unwrap());
        }
        Self {
            meter: TextMeter::new(line, text, bench, &options),
            now,
            faults,
        }
    }

    fn say(&mut self, words: &str) {
        self.meter.hear(self.now, words.as_bytes(), &self.faults);
    }

    /// Everything that arrives within `within`, and when the first of it did.
    fn listen(&mut self, within: Duration) -> (String, Duration) {
        let (start, mut first, mut bytes) = (self.now, None, Vec::new());
        while let Some(next) = self.meter.next().filter(|next| *next <= start + within) {
            self.now = next.max(self.now);
            let arrived = self.meter.step(self.now, &self.faults);
            if !arrived.is_empty() {
                first.get_or_insert(self.now - start);
            }
            bytes.extend(arrived);
        }
        self.now = start + within;
        (
            String::from_utf8_lossy(&bytes).into_owned(),
            first.unwrap_or_default(),
        )
    }
}

const A_SECOND: Duration = Duration::from_secs(1);

/// At 9 600 baud, 8N1, a character takes 10/9 600 s.
#[test]
fn an_answer_follows_the_command_at_the_line_s_pace() {
    let mut play = Play::new("display-2", None);
    play.say("D\r");
    let (line, first) = play.listen(A_SECOND);
    assert!(
        line.ends_with("\r\n") && line.matches(',').count() == 1,
        "{line:?}"
    );
    let expected = Duration::from_secs_f64(3.0 * 10.0 / 9_600.0) + Duration::from_millis(2);
    assert!(
        first.abs_diff(expected) < Duration::from_micros(2),
        "{first:?} {expected:?}"
    );
    let (velocity, temperature) = line.trim_end().split_once(',').unwrap();
    assert_eq!(velocity.split_once('.').unwrap().1.len(), 2, "{line}");
    assert_eq!(temperature.split_once('.').unwrap().1.len(), 1, "{line}");
}

#[test]
fn only_the_command_is_answered() {
    let mut play = Play::new("display-2", None);
    for words in ["", "D", "\n", "d\r", &"D".repeat(200), "\r", "?\r\n"] {
        play.say(words);
    }
    // The two hundred D's were forgotten at the 65th; those after it and the CR are one command.
    assert_eq!(play.listen(A_SECOND).0.lines().count(), 1);
    play.say("D");
    play.say("\r");
    assert_eq!(play.listen(A_SECOND).0.lines().count(), 1);
}

#[test]
fn a_streaming_meter_sends_once_a_second_and_goes_on_after_a_stall() {
    let mut play = Play::new("display-1", None);
    assert_eq!(
        play.listen(10 * A_SECOND + A_SECOND / 2).0.lines().count(),
        10
    );
    play.say("D\r");
    play.now += 100 * A_SECOND;
    assert_eq!(play.listen(A_SECOND).0.lines().count(), 2);
}

#[test]
fn faults_show_on_the_line() {
    let heard = |fault: &str| {
        let mut play = Play::new("display-2", Some(fault));
        play.say("D\r");
        play.listen(A_SECOND)
    };
    assert_eq!(heard("silence display-2").0, "");
    assert!(heard("late display-2 300 ms").1 > Duration::from_millis(300));
    assert!(heard("echo display-2").0.starts_with("D\r"));
    assert!(heard("stray display-2 2a 2a").0.starts_with("**"));
    let (garbled, whole) = (heard("garble display-2").0, heard("late display-2 0 ms").0);
    assert_ne!(garbled, whole);
    let late = Play::new("display-1", Some("late display-1 500 ms")).listen(2 * A_SECOND);
    assert!(late.1 > 3 * A_SECOND / 2, "{late:?}");
}
