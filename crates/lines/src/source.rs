//! One module on a line: what to ask it, and how much patience it has left.

use std::time::Instant;

use zonda_config::ModulePlan;
use zonda_protocol::modbus::{RegisterPlan, Request};

use crate::backoff::Backoff;

/// After so many ticks in a row without an answer a unit is asked less often.
const MISSES_BEFORE_BACKOFF: u32 = 3;

/// A module and its standing.
#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) plan: ModulePlan,
    pub(crate) registers: RegisterPlan,
    misses: u32,
    backoff: Backoff,
    ask_at: Option<Instant>,
}

impl Source {
    pub(crate) fn new(plan: &ModulePlan) -> Self {
        Self { registers: plan.registers(), plan: plan.clone(), misses: 0, backoff: Backoff::of_units(), ask_at: None }
    }

    /// The requests of one tick.
    pub(crate) fn requests(&self) -> Vec<Request> {
        let ModulePlan { unit, table, .. } = self.plan;
        self.registers.spans().iter().map(|span| Request { unit, table, span: *span }).collect()
    }

    /// False while the unit is left alone after many ticks without an answer.
    pub(crate) fn is_due(&self, now: Instant) -> bool {
        self.ask_at.is_none_or(|at| now >= at)
    }

    pub(crate) fn answered(&mut self) {
        self.misses = 0;
        self.ask_at = None;
        self.backoff.reset();
    }

    /// It did not answer, or cannot; `for_long` where asking again soon is pointless.
    pub(crate) fn failed(&mut self, now: Instant, for_long: bool) {
        self.misses = self.misses.saturating_add(1);
        if for_long || self.misses >= MISSES_BEFORE_BACKOFF {
            self.ask_at = Some(now + self.backoff.next());
        }
    }

    /// The line was opened anew: everybody gets a fresh chance.
    pub(crate) fn forgive(&mut self) {
        self.ask_at = None;
        self.misses = self.misses.min(MISSES_BEFORE_BACKOFF - 1);
        self.backoff.reset();
    }
}
