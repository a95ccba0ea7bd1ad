//! One module on a line: what to ask it, and how often it is worth asking.

use std::time::Instant;

use zonda_config::ModulePlan;
use zonda_model::Cause;
use zonda_protocol::modbus::{RegisterPlan, Request};

use crate::backoff::Backoff;

/// After so many ticks in a row without an answer a unit is asked less often.
const MISSES_BEFORE_BACKOFF: u32 = 3;

/// What a failure says about asking again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Prospect {
    /// The device is there; the next tick may well bring data.
    Good,
    /// Nobody answers; each further question costs the others a time-out.
    Poor,
    /// The device does not have what is asked for; only a person can change that.
    None,
    /// It was not asked, so nothing is known.
    Unasked,
}

/// Why a source gives no codes at this tick.
#[derive(Clone, Debug)]
pub(crate) struct Failure {
    pub(crate) cause: Cause,
    pub(crate) detail: String,
    pub(crate) prospect: Prospect,
}

impl Failure {
    /// Asking again may cost another time-out.
    pub(crate) fn is_silence(&self) -> bool {
        self.cause == Cause::Timeout
    }
}

/// A module and its standing.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) plan: ModulePlan,
    pub(crate) registers: RegisterPlan,
    misses: u32,
    backoff: Backoff,
    ask_at: Option<Instant>,
    /// It is who it must be, or may be anybody.
    is_known: bool,
    /// What only a person can change; it holds at the ticks at which nothing is asked, too.
    refusal: Option<(Cause, String)>,
}

impl Source {
    pub(crate) fn new(plan: &ModulePlan) -> Self {
        Self {
            registers: plan.registers(),
            plan: plan.clone(),
            misses: 0,
            backoff: Backoff::of_units(),
            ask_at: None,
            is_known: plan.identity.is_none(),
            refusal: None,
        }
    }

    /// The request of one of its spans.
    pub(crate) fn request(&self, span: usize) -> Option<Request> {
        let span = *self.registers.spans().get(span)?;
        let ModulePlan { unit, table, .. } = self.plan;
        Some(Request { unit, table, span })
    }

    /// False while the unit is left alone after many ticks without an answer.
    pub(crate) fn is_due(&self, now: Instant) -> bool {
        self.ask_at.is_none_or(|at| now >= at)
    }

    /// Why it is left alone.
    pub(crate) fn left_alone(&self) -> (Cause, String) {
        self.refusal.clone().unwrap_or_else(|| {
            let detail = "silent for long, so asked only now and then";
            (Cause::NoAnswer, detail.to_owned())
        })
    }

    /// Whether it need not be asked who it is.
    pub(crate) const fn is_known(&self) -> bool {
        self.is_known
    }

    /// It is who it must be.
    pub(crate) const fn recognised(&mut self) {
        self.is_known = true;
    }

    pub(crate) fn answered(&mut self) {
        self.misses = 0;
        self.ask_at = None;
        self.refusal = None;
        self.backoff.reset();
    }

    /// It was asked, and gave no codes.
    pub(crate) fn failed(&mut self, now: Instant, failure: &Failure) {
        match failure.prospect {
            Prospect::Unasked => return,
            Prospect::Good => return self.answered(),
            Prospect::Poor => {
                self.misses = self.misses.saturating_add(1);
                self.refusal = None;
            }
            Prospect::None => {
                self.misses = MISSES_BEFORE_BACKOFF;
                self.refusal = Some((failure.cause, failure.detail.clone()));
            }
        }
        if self.misses >= MISSES_BEFORE_BACKOFF {
            // Long enough for somebody to put another in its place.
            self.is_known = self.plan.identity.is_none();
            self.ask_at = Some(now + self.backoff.next());
        }
    }

    /// The line was opened anew: everybody gets a fresh chance.
    pub(crate) fn forgive(&mut self) {
        self.ask_at = None;
        self.is_known = self.plan.identity.is_none();
        self.misses = self.misses.min(MISSES_BEFORE_BACKOFF - 1);
        self.backoff.reset();
    }
}
