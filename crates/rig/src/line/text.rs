//! A meter's text line: it streams what it shows, or says it when asked. Full duplex, as on RS-232.

use std::time::Duration;

use tokio::time::Instant;
use zonda_model::Quantity;

use super::lane::Lane;
use super::port::Device;
use super::{Manner, echoes, garble, stray};
use crate::fault::Faults;
use crate::instruments::Display;
use crate::live::Live;
use crate::noise::Dice;
use crate::options::RigOptions;
use crate::wiring::{Talk, TextWiring};

/// A meter on a text line.
#[derive(Debug)]
pub(crate) struct TextMeter {
    line: String,
    wired: TextWiring,
    turnaround: Duration,
    bench: Live,
    dice: Dice,
    lane: Lane,
    /// What came in since the last end of a command.
    heard: Vec<u8>,
    /// When its last character has come in.
    heard_until: Option<Instant>,
    /// When the meter talks next.
    talks_at: Option<Instant>,
}

impl TextMeter {
    /// Longest command that it keeps; of what is longer it keeps nothing.
    const COMMAND_MAX: usize = 64;

    pub(crate) fn new(line: &str, wired: TextWiring, bench: Live, options: &RigOptions) -> Self {
        Self {
            line: line.to_owned(),
            talks_at: match wired.talk {
                Talk::Streams(every) => Some(Instant::now() + every),
                Talk::Answers(_) => None,
            },
            wired,
            turnaround: options.turnaround,
            bench,
            dice: Dice::new(options.seed ^ 0x7e87),
            lane: Lane::new(options.text_serial),
            heard: Vec::new(),
            heard_until: None,
        }
    }

    /// The line that the meter would send now.
    fn words(&self, now: Instant) -> String {
        let meter = self.wired.meter.as_str();
        let shown = self.bench.look(now, |bench| bench.display(meter));
        shown.map_or_else(String::new, |shown| words(&self.wired, shown))
    }

    fn talk(&mut self, at: Instant, faults: &Faults) {
        let manner = Manner::of(&self.line, faults);
        if manner.is_silent {
            return;
        }
        let mut words = self.words(at).into_bytes();
        if self.dice.happens(manner.garbled) {
            garble(&mut words, &mut self.dice);
        }
        let mut bytes = stray(&self.line, faults);
        bytes.extend(words);
        let from = match self.wired.talk {
            Talk::Streams(_) => at + manner.late,
            Talk::Answers(_) => at,
        };
        self.lane.send(from, &bytes);
    }

    /// True where what was heard ends with the command; forgets what no command can become.
    fn is_asked(&mut self) -> bool {
        let Talk::Answers(command) = &self.wired.talk else {
            self.heard.clear();
            return false;
        };
        let is_asked = self.heard.ends_with(command.as_bytes());
        let is_over = matches!(self.heard.last(), Some(b'\r' | b'\n'))
            || self.heard.len() > Self::COMMAND_MAX;
        if is_asked || is_over {
            self.heard.clear();
        }
        is_asked
    }
}

impl Device for TextMeter {
    fn hear(&mut self, now: Instant, bytes: &[u8], faults: &Faults) {
        let started = self.heard_until.map_or(now, |until| until.max(now));
        let until = started + self.lane.characters(bytes.len());
        self.heard_until = Some(until);
        if echoes(&self.line, faults) {
            self.lane.send(started, bytes);
        }
        for byte in bytes {
            self.heard.push(*byte);
            if self.is_asked() {
                let late = Manner::of(&self.line, faults).late;
                self.talks_at = Some(until + self.turnaround + late);
            }
        }
    }

    fn next(&self) -> Option<Instant> {
        [self.lane.next(), self.talks_at]
            .into_iter()
            .flatten()
            .min()
    }

    fn step(&mut self, now: Instant, faults: &Faults) -> Vec<u8> {
        if let Some(at) = self.talks_at.filter(|at| *at <= now) {
            self.talk(at, faults);
            self.talks_at = match self.wired.talk {
                // After a stall (a suspended machine) the meter has gone on by itself meanwhile.
                Talk::Streams(every) => Some(at + every * periods(now - at, every)),
                Talk::Answers(_) => None,
            };
        }
        self.lane.arrived(now)
    }

    fn reset(&mut self) {
        self.lane.clear();
        self.heard.clear();
        self.heard_until = None;
    }
}

/// The line of a meter that shows this.
pub(crate) fn words(wired: &TextWiring, shown: Display) -> String {
    let numbers = wired.fields.iter().map(|field| {
        let si = match field.quantity {
            Quantity::Velocity => shown.velocity,
            _ => shown.temperature,
        };
        format!("{:.*}", usize::from(field.decimals), field.unit.from_si(si))
    });
    let numbers: Vec<_> = numbers.collect();
    numbers.join(&wired.delimiter.to_string()) + "\r\n"
}

/// How many whole periods later the first is that is still to come; at least one.
fn periods(late: Duration, every: Duration) -> u32 {
    u32::try_from(late.as_nanos() / every.as_nanos().max(1)).unwrap_or(u32::MAX - 1) + 1
}

#[cfg(test)]
mod tests;
