//! Doubt: keeps a late answer from being taken for a fresh one.
//!
//! A serial frame carries no number by which an answer could be told from the answer to an earlier
//! request of the same shape. So a request whose answer was not seen stays in doubt, and the unit is
//! next asked something whose answer has another shape (a *probe*). A device works through its
//! requests in order: when the probe is answered, nothing older can come any more, and the unit is
//! in step again.

use std::time::{Duration, Instant};

use super::pdu::Request;
use super::register::{RegisterSpan, Table};

/// After this time nobody answers any more: slower devices than 30 s are not heard of
/// (common practice, no source).
const ANSWERS_WITHIN: Duration = Duration::from_secs(30);

/// What an answer looks like: its function, and how many registers it carries.
type Shape = (Table, u16);

/// The answers of one unit that may still be under way.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Doubt {
    open: Vec<(Shape, Instant)>,
}

impl Doubt {
    /// True where no older answer can come.
    pub fn is_in_step(&mut self, now: Instant) -> bool {
        self.open.retain(|(_, since)| now.saturating_duration_since(*since) < ANSWERS_WITHIN);
        self.open.is_empty()
    }

    /// The answer to this request was not seen, or could not be believed.
    pub fn unanswered(&mut self, request: Request, now: Instant) {
        self.open.push(((request.table, request.span.count()), now));
    }

    /// A probe was answered.
    pub fn resolved(&mut self) {
        self.open.clear();
    }

    /// A request to the same unit whose answer cannot be mistaken for one still under way: fewer
    /// registers of the same span, one more, or the other table. The device may as well refuse it;
    /// that too is an answer. `None` where every shape is in use: then only time helps.
    pub fn probe(&self, wanted: Request) -> Option<Request> {
        let first = wanted.span.first();
        let fewer = (1..=wanted.span.count()).rev().filter_map(|count| RegisterSpan::new(first, count).ok());
        let more = RegisterSpan::new(first, wanted.span.count() + 1).ok();
        let same_table = fewer.chain(more).map(|span| (wanted.table, span));
        let other_table = RegisterSpan::new(first, 1).ok().map(|span| (wanted.table.other(), span));
        let is_free = |(table, span): &(Table, RegisterSpan)| !self.open.iter().any(|(shape, _)| *shape == (*table, span.count()));
        // An exception carries no count: it could be the late answer to any open request of its table.
        let is_clear = |table: Table| !self.open.iter().any(|((open, _), _)| *open == table);
        let mut candidates = other_table.into_iter().filter(|(table, _)| is_clear(*table)).chain(same_table.clone()).filter(is_free);
        let (table, span) = candidates.next()?;
        Some(Request { table, span, ..wanted })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modbus::UnitId;

    fn request(first: u16, count: u16) -> Request {
        Request { unit: UnitId::tcp(1), table: Table::Input, span: RegisterSpan::new(first, count).unwrap() }
    }

    #[test]
    fn a_probe_never_has_the_shape_of_an_open_request() {
        let now = Instant::now();
        for count in [1, 2, 16, 125] {
            let mut doubt = Doubt::default();
            let wanted = request(10, count);
            let mut next = wanted;
            for _ in 0..3 {
                doubt.unanswered(next, now);
                assert!(!doubt.is_in_step(now));
                let Some(probe) = doubt.probe(wanted) else { break };
                let is_open = doubt.open.iter().any(|(shape, _)| *shape == (probe.table, probe.span.count()));
                assert!(!is_open, "{probe:?} of {wanted:?}");
                next = probe;
            }
        }
    }

    #[test]
    fn time_ends_all_doubt() {
        let now = Instant::now();
        let mut doubt = Doubt::default();
        doubt.unanswered(request(0, 1), now);
        assert!(!doubt.is_in_step(now + ANSWERS_WITHIN - Duration::from_millis(1)));
        assert!(doubt.is_in_step(now + ANSWERS_WITHIN));
    }
}
