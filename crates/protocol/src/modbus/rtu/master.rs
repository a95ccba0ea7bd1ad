//! The master on a serial line: one exchange after the other, and no answer taken on trust.
//!
//! [`Master`] says what to send and when, takes what comes, and ends each exchange with an
//! [`Outcome`]. It keeps the silence before a request, gives up at one deadline that covers
//! everything, leaves a unit that failed alone for a while, and brings it back into step by a probe
//! ([`Doubt`]). A unit that is left alone holds up nobody else.
//!
//! The caller owns the port and the clock, and drives it like this: [`begin`](Master::begin), then
//! write what [`poll_transmit`](Master::poll_transmit) gives, feed what comes to
//! [`handle_bytes`](Master::handle_bytes), call [`handle_timeout`](Master::handle_timeout) when
//! [`poll_timeout`](Master::poll_timeout) is due, until [`poll_outcome`](Master::poll_outcome) has one.

use std::collections::BTreeMap;
use std::fmt;
use std::time::{Duration, Instant};

use zonda_model::Cause;

use super::{Awaiting, Seen, answer_length, encode};
use crate::modbus::{Answer, Doubt, Reply, Request, UnitId};
use crate::serial::SerialSettings;

/// An answer with a wrong checksum will not get better: if nothing follows for so long, it is given
/// up before its deadline. Longer than USB converters hold bytes back (16 ms by default).
const GIVE_UP_AFTER: Duration = Duration::from_millis(20);

/// How a unit is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// How long the device may take beside the time on the wire.
    pub timeout: Duration,
    /// How long the unit is left alone after a failure, so that a late answer meets no request. Not
    /// shorter than the time-out is sensible.
    pub quiet: Duration,
}

impl Patience {
    /// Leaves the unit alone for as long as it may take to answer.
    pub const fn of(timeout: Duration) -> Self {
        Self {
            timeout,
            quiet: timeout,
        }
    }
}

/// How one exchange ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// What was asked for.
    pub request: Request,
    /// When the request went out; where it never did, when it was given up.
    pub sent_at: Instant,
    /// When the answer was complete, or was given up.
    pub done_at: Instant,
    /// The answer, or why there is none.
    pub result: Result<Answer, Failure>,
}

/// Why an exchange brought no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// Nothing came.
    Silence,
    /// Something came that cannot be believed.
    Unbelievable(Seen),
    /// The request never went out, because the line was never silent.
    Babble,
    /// The unit could not be brought back into step.
    OutOfStep,
    /// The port was lost.
    Lost,
}

impl Failure {
    /// The cause that the gap will carry.
    pub const fn cause(self) -> Cause {
        match self {
            Self::Silence | Self::OutOfStep => Cause::Timeout,
            Self::Unbelievable(_) | Self::Babble => Cause::BadFrame,
            Self::Lost => Cause::Unplugged,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silence => f.write_str("no answer in time"),
            Self::Unbelievable(seen) if seen.bad_checksum => {
                f.write_str("an answer with a wrong checksum; look at cable, termination and speed")
            }
            Self::Unbelievable(seen) if seen.other_answer => {
                f.write_str("an answer to something else; do two devices have this unit number?")
            }
            Self::Unbelievable(seen) => write!(
                f,
                "{} bytes that are no answer; look at speed and parity",
                seen.bytes
            ),
            Self::Babble => f.write_str("the line is never silent; something sends all the time"),
            Self::OutOfStep => f.write_str("an old answer could still come, so none is believed"),
            Self::Lost => f.write_str("the port is gone"),
        }
    }
}

/// What a line has been through, counted since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Times that noise had to be passed over before a believed answer.
    pub scanned_over: u64,
    /// Probes sent to bring a unit back into step.
    pub probes: u64,
    /// Bytes that came while nothing was asked.
    pub stray_bytes: u64,
}

/// What is known of one unit.
#[derive(Clone, Debug, Default)]
struct Unit {
    doubt: Doubt,
    /// Not asked before this.
    quiet_until: Option<Instant>,
    /// Its next registers are the first since it was out of step.
    is_shaky: bool,
}

#[derive(Clone, Copy, Debug)]
struct Exchange {
    request: Request,
    patience: Patience,
}

#[derive(Clone, Debug)]
enum State {
    Idle,
    /// Waits for silence; gives up at the instant.
    Waiting(Exchange, Instant),
    /// What was sent (the request, or a probe) is out.
    Sent(Exchange, Flight),
}

#[derive(Clone, Debug)]
struct Flight {
    sent: Request,
    sent_at: Instant,
    awaiting: Awaiting,
    deadline: Instant,
}

/// The master of one serial line.
#[derive(Clone, Debug)]
pub struct Master {
    settings: SerialSettings,
    silence: Duration,
    units: BTreeMap<UnitId, Unit>,
    /// Nothing may be sent before this.
    free_at: Option<Instant>,
    state: State,
    outcome: Option<Outcome>,
    counts: Counts,
}

impl Master {
    /// A master that keeps the standard's silence, or `silence_min` where that is longer.
    pub fn new(settings: SerialSettings, silence_min: Duration) -> Self {
        Self {
            settings,
            silence: silence_min.max(settings.rtu_silence()),
            units: BTreeMap::new(),
            free_at: None,
            state: State::Idle,
            outcome: None,
            counts: Counts::default(),
        }
    }

    /// The port was opened (anew). Nothing is sent for `quiet`: a request of whoever had the port
    /// before may still be answered.
    pub fn handle_opened(&mut self, now: Instant, quiet: Duration) {
        self.handle_lost(now);
        self.free_at = Some(now + quiet);
    }

    /// The port is gone; so is the exchange under way.
    pub fn handle_lost(&mut self, now: Instant) {
        match std::mem::replace(&mut self.state, State::Idle) {
            State::Idle => {}
            State::Waiting(exchange, _) => self.end(exchange, now, now, Err(Failure::Lost)),
            State::Sent(exchange, flight) => {
                self.unit(flight.sent.unit)
                    .doubt
                    .unanswered(flight.sent, now);
                self.unit(flight.sent.unit).is_shaky = true;
                self.end(exchange, flight.sent_at, now, Err(Failure::Lost));
            }
        }
    }

    /// When this unit may be asked: the line is silent, and the unit was left alone for long enough.
    pub fn ready_at(&self, unit: UnitId, now: Instant) -> Instant {
        let quiet_until = self.units.get(&unit).and_then(|unit| unit.quiet_until);
        let is_free = self.free_at.max(quiet_until);
        is_free.map_or(now, |at| at.max(now))
    }

    /// Begins an exchange. One that is under way is given up first.
    pub fn begin(&mut self, now: Instant, request: Request, patience: Patience) {
        if !matches!(self.state, State::Idle) {
            self.handle_lost(now);
        }
        self.outcome = None;
        let give_up = self.ready_at(request.unit, now) + patience.timeout;
        self.state = State::Waiting(Exchange { request, patience }, give_up);
    }

    /// What to write now, if anything.
    pub fn poll_transmit(&mut self, now: Instant) -> Option<[u8; 8]> {
        let State::Waiting(exchange, _) = self.state else {
            return None;
        };
        if self.ready_at(exchange.request.unit, now) > now {
            return None;
        }
        let doubt = &mut self.unit(exchange.request.unit).doubt;
        let sent = if doubt.allows(exchange.request, now) {
            exchange.request
        } else if let Some(probe) = doubt.probe(exchange.request) {
            self.counts.probes += 1;
            probe
        } else {
            self.end(exchange, now, now, Err(Failure::OutOfStep));
            return None;
        };
        let frame = encode(sent);
        let on_the_wire = self.settings.wire_time(frame.len() + answer_length(sent));
        self.state = State::Sent(
            exchange,
            Flight {
                sent,
                sent_at: now,
                awaiting: Awaiting::new(sent),
                deadline: now + on_the_wire + exchange.patience.timeout,
            },
        );
        Some(frame)
    }

    /// Takes what came over the line.
    pub fn handle_bytes(&mut self, now: Instant, bytes: &[u8]) {
        let silent_at = now + self.silence;
        self.free_at = Some(self.free_at.map_or(silent_at, |at| at.max(silent_at)));
        let State::Sent(exchange, flight) = &mut self.state else {
            self.counts.stray_bytes += bytes.len() as u64;
            return;
        };
        let (exchange, sent, sent_at) = (*exchange, flight.sent, flight.sent_at);
        match flight.awaiting.take(bytes) {
            Some(reply) => {
                self.counts.scanned_over += u64::from(flight.awaiting.seen().stray > 0);
                self.answered(exchange, sent, sent_at, now, reply);
            }
            None if flight.awaiting.seen().bad_checksum => {
                flight.deadline = flight.deadline.min(now + GIVE_UP_AFTER.max(self.silence));
            }
            None => {}
        }
    }

    fn answered(
        &mut self,
        exchange: Exchange,
        sent: Request,
        sent_at: Instant,
        now: Instant,
        reply: Reply,
    ) {
        let unit = self.unit(sent.unit);
        unit.doubt.answered(sent, &reply, now);
        if sent != exchange.request {
            // A probe did its work, or not; if it did, the request itself follows.
            unit.is_shaky = true;
            if unit.doubt.allows(exchange.request, now) {
                self.state =
                    State::Waiting(exchange, now + self.silence + exchange.patience.timeout);
            } else {
                self.end(exchange, sent_at, now, Err(Failure::OutOfStep));
            }
            return;
        }
        let resynced = match reply {
            Reply::Registers(_) => std::mem::take(&mut unit.is_shaky),
            Reply::Exception(_) => false,
        };
        self.end(exchange, sent_at, now, Ok(Answer { reply, resynced }));
    }

    /// When [`handle_timeout`](Self::handle_timeout) and [`poll_transmit`](Self::poll_transmit) are
    /// to be called next; `None` while nothing is under way.
    pub fn poll_timeout(&self) -> Option<Instant> {
        match &self.state {
            State::Idle => None,
            State::Waiting(exchange, give_up) => {
                let unit = self.units.get(&exchange.request.unit);
                let ready_at = self.free_at.max(unit.and_then(|unit| unit.quiet_until));
                Some(ready_at.map_or(*give_up, |at| at.min(*give_up)))
            }
            State::Sent(_, flight) => Some(flight.deadline),
        }
    }

    /// The time has come.
    pub fn handle_timeout(&mut self, now: Instant) {
        match &self.state {
            State::Waiting(exchange, give_up)
                if now >= *give_up && self.ready_at(exchange.request.unit, now) > now =>
            {
                let exchange = *exchange;
                self.end(exchange, now, now, Err(Failure::Babble));
            }
            State::Sent(exchange, flight) if now >= flight.deadline => {
                let (exchange, sent, sent_at, seen) = (
                    *exchange,
                    flight.sent,
                    flight.sent_at,
                    flight.awaiting.seen(),
                );
                let unit = self.unit(sent.unit);
                unit.doubt.unanswered(sent, now);
                unit.is_shaky = true;
                unit.quiet_until = Some(now + exchange.patience.quiet);
                let failure = match seen.bytes {
                    0 => Failure::Silence,
                    _ => Failure::Unbelievable(seen),
                };
                self.end(exchange, sent_at, now, Err(failure));
            }
            _ => {}
        }
    }

    /// How the exchange ended, once.
    pub fn poll_outcome(&mut self) -> Option<Outcome> {
        self.outcome.take()
    }

    /// What the line has been through.
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// The least time that this exchange takes on the wire, with the silences before it and before
    /// its answer, and a device that needs no time.
    pub fn wire_min(&self, request: Request) -> Duration {
        let bytes = encode(request).len() + answer_length(request);
        self.settings.wire_time(bytes) + 2 * self.settings.rtu_silence()
    }

    fn end(
        &mut self,
        exchange: Exchange,
        sent_at: Instant,
        done_at: Instant,
        result: Result<Answer, Failure>,
    ) {
        self.state = State::Idle;
        self.outcome = Some(Outcome {
            request: exchange.request,
            sent_at,
            done_at,
            result,
        });
    }

    fn unit(&mut self, unit: UnitId) -> &mut Unit {
        self.units.entry(unit).or_default()
    }
}
