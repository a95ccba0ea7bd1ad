//! The modules on one Modbus RTU line, as a state machine of bytes and instants.
//!
//! Half duplex, as on RS-485: a request has ended after 3.5 characters of silence; an answer
//! follows after the turnaround; who talks while another talks spoils both.

use std::time::Duration;

use tokio::time::Instant;

use super::lane::Lane;
use super::port::Device;
use super::rtu_slave::Request;
use super::{Manner, echoes, garble, stray};
use crate::fault::Faults;
use crate::live::Live;
use crate::noise::Dice;
use crate::options::Silence;
use crate::serial::SerialFormat;
use crate::wiring::ModuleWiring;

/// What went over the line so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BusCounts {
    /// Frames whose checksum was right, for whichever unit.
    pub requests: u64,
    /// Frames with a wrong checksum or length.
    pub spoiled: u64,
    /// Answers sent, exceptions included.
    pub answers: u64,
    /// Requests that began less than 3.5 characters after the last answer.
    pub short_silences: u64,
    /// Times that the master talked while a device did.
    pub collisions: u64,
}

/// What the modules heard and have not judged yet.
#[derive(Debug)]
struct Heard {
    bytes: Vec<u8>,
    /// When its last character has gone over the line.
    until: Instant,
    is_spoiled: bool,
}

/// The line with its modules.
#[derive(Debug)]
pub(crate) struct Bus {
    line: String,
    format: SerialFormat,
    turnaround: Duration,
    silence: Silence,
    modules: Vec<ModuleWiring>,
    bench: Live,
    dice: Dice,
    lane: Lane,
    heard: Option<Heard>,
    /// Answers that wait for their moment. One per module: a module that is asked again before it
    /// has answered forgets the first request.
    waiting: Vec<(Instant, u8, Vec<u8>)>,
    talking_until: Option<Instant>,
    counts: BusCounts,
}

impl Bus {
    /// Longest frame (*MODBUS over Serial Line V1.02*, section 2.5.1); what is longer is none.
    const FRAME_MAX: usize = 256;

    pub(crate) fn new(
        line: &str,
        modules: Vec<ModuleWiring>,
        bench: Live,
        options: &crate::options::RigOptions,
    ) -> Self {
        Self {
            line: line.to_owned(),
            format: options.rtu_serial,
            turnaround: options.turnaround,
            silence: options.silence,
            modules,
            bench,
            dice: Dice::new(options.seed ^ 0xb05),
            lane: Lane::new(options.rtu_serial),
            heard: None,
            waiting: Vec::new(),
            talking_until: None,
            counts: BusCounts::default(),
        }
    }

    fn talks_at(&self, now: Instant) -> bool {
        self.talking_until.is_some_and(|until| now < until)
    }

    /// Judges the frame that ended at `end`, silence included.
    fn judge(&mut self, heard: &Heard, end: Instant, faults: &Faults) {
        let Some(request) = Request::parse(&heard.bytes).filter(|_| !heard.is_spoiled) else {
            self.counts.spoiled += 1;
            return;
        };
        self.counts.requests += 1;
        let asked = self
            .modules
            .iter()
            .find(|module| module.unit == request.unit);
        let Some(module) = asked.map(|module| module.name.to_string()) else {
            return;
        };
        let manner = Manner::of(&module, faults);
        if manner.is_silent {
            return;
        }
        let mut answer = match manner.exception {
            Some(code) => request.exception(code),
            None => request.identification(&module).unwrap_or_else(|| {
                self.bench.look(end, |bench| {
                    request.answer(bench.registers(&module).unwrap_or_default())
                })
            }),
        };
        if self.dice.happens(manner.garbled) {
            garble(&mut answer, &mut self.dice);
        }
        let mut frame = stray(&self.line, faults);
        frame.extend(answer);
        self.waiting.retain(|(_, unit, _)| *unit != request.unit);
        self.waiting
            .push((end + self.turnaround + manner.late, request.unit, frame));
    }

    /// Lets the module talk whose moment has come.
    fn talk(&mut self, now: Instant) {
        let due = self.waiting.iter().position(|(at, ..)| *at <= now);
        let Some(due) = due.filter(|_| !self.talks_at(now)) else {
            return;
        };
        let (at, _, frame) = self.waiting.swap_remove(due);
        self.counts.answers += 1;
        self.talking_until = Some(self.lane.send(at, &frame));
        if let Some(heard) = self.heard.as_mut().filter(|heard| at < heard.until) {
            heard.is_spoiled = true;
            self.counts.collisions += 1;
            self.lane.spoil();
        }
    }

    fn frame_end(&self) -> Option<Instant> {
        self.heard
            .as_ref()
            .map(|heard| heard.until + self.format.silence())
    }
}

impl Device for Bus {
    fn hear(&mut self, now: Instant, bytes: &[u8], faults: &Faults) {
        let (begins, collides) = (self.heard.is_none(), self.talks_at(now));
        let talked = self.talking_until;
        let heard = self.heard.get_or_insert_with(|| Heard {
            bytes: Vec::new(),
            until: now,
            is_spoiled: false,
        });
        let room = (Self::FRAME_MAX + 1).saturating_sub(heard.bytes.len());
        heard.bytes.extend(&bytes[..bytes.len().min(room)]);
        let started = heard.until.max(now);
        heard.until = started + self.format.characters(bytes.len());
        let is_short = talked.is_some_and(|until| now < until + self.format.silence());
        if collides {
            heard.is_spoiled = true;
            self.counts.collisions += 1;
            self.lane.spoil();
        } else if begins && is_short {
            heard.is_spoiled = self.silence == Silence::Demanded;
            self.counts.short_silences += 1;
        }
        if echoes(&self.line, faults) {
            self.lane.send(started, bytes);
        }
    }

    fn next(&self) -> Option<Instant> {
        let waiting = self.waiting.iter().map(|(at, ..)| *at).min();
        let waiting = waiting.map(|at| self.talking_until.map_or(at, |until| until.max(at)));
        [self.lane.next(), self.frame_end(), waiting]
            .into_iter()
            .flatten()
            .min()
    }

    fn step(&mut self, now: Instant, faults: &Faults) -> Vec<u8> {
        if let Some(end) = self.frame_end().filter(|end| *end <= now)
            && let Some(heard) = self.heard.take()
        {
            self.judge(&heard, end, faults);
        }
        self.talk(now);
        self.lane.arrived(now)
    }

    fn reset(&mut self) {
        self.lane.clear();
        self.heard = None;
        self.waiting.clear();
        self.talking_until = None;
    }

    fn counts(&self) -> BusCounts {
        self.counts
    }
}

#[cfg(test)]
mod tests;
