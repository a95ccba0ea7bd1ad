//! Doubt: keeps a late answer from being taken for a fresh one.
//!
//! A serial frame carries no number by which an answer could be told from the answer to an earlier
//! request of the same *shape* (unit, function, number of registers). So a request whose answer was
//! not seen stays open, and while one of the same shape is open nothing of that shape is asked;
//! instead the unit is asked something whose answer looks different, a *probe*. A device works
//! through its requests in order: with an answer, everything that was asked before it is over.
//!
//! This holds for any delay, however long. A device that delays one answer by half a minute and
//! answers later requests in between would defeat it; none is known (common practice, no source).

use std::time::{Duration, Instant};

use super::pdu::{Reply, Request};
use super::register::{RegisterSpan, Table};

/// After this time an answer is given up for lost. It bounds what is kept, and is the way out for a
/// device that answers no probe at all.
pub const ANSWERS_WITHIN: Duration = Duration::from_secs(30);

/// What an answer looks like: its function, and how many registers it carries. An exception carries
/// the function only.
type Shape = (Table, u16);

/// The requests to one unit whose answers may still be under way, oldest first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Doubt {
    open: Vec<(Shape, Instant)>,
}

impl Doubt {
    /// True where no answer still under way could be taken for the one to `request`.
    pub fn allows(&mut self, request: Request, now: Instant) -> bool {
        self.open
            .retain(|(_, since)| now.saturating_duration_since(*since) < ANSWERS_WITHIN);
        !self.is_open(shape(request))
    }

    /// The answer to this request was not seen, or could not be believed.
    pub fn unanswered(&mut self, request: Request, now: Instant) {
        self.open.push((shape(request), now));
    }

    /// A believed answer came, the last request being `request`.
    ///
    /// Registers are certainly its own, as nothing of its shape was open; so all older requests are
    /// over. An exception may as well belong to an older request of the same table: then the oldest
    /// of them is certainly over, and this one stays open.
    pub fn answered(&mut self, request: Request, reply: &Reply, now: Instant) {
        let oldest = self
            .open
            .iter()
            .position(|((table, _), _)| *table == request.table);
        match (reply, oldest) {
            (Reply::Exception(_), Some(oldest)) => {
                self.open.drain(..=oldest);
                self.unanswered(request, now);
            }
            _ => self.open.clear(),
        }
    }

    /// A request to the same unit whose answer cannot be mistaken for one still under way: fewer
    /// registers of the same span, or one more, or the first of them in the other table. The device
    /// may refuse it; that is an answer too. `None` where every shape is open: then only time helps.
    pub fn probe(&self, wanted: Request) -> Option<Request> {
        let first = wanted.span.first();
        let other = RegisterSpan::new(first, 1)
            .ok()
            .map(|span| (wanted.table.other(), span));
        let fewer = (1..wanted.span.count())
            .rev()
            .filter_map(|count| RegisterSpan::new(first, count).ok());
        let more = RegisterSpan::new(first, wanted.span.count() + 1).ok();
        let same = fewer.chain(more).map(|span| (wanted.table, span));
        // A device refuses fewer registers only where a value of two would be torn, and then that is
        // ambiguous; so where one register is wanted, the other table comes first.
        let candidates: Vec<_> = match wanted.span.count() {
            1 => other.into_iter().chain(same).collect(),
            _ => same.chain(other).collect(),
        };
        candidates
            .into_iter()
            .find(|(table, span)| !self.is_open((*table, span.count())))
            .map(|(table, span)| Request {
                table,
                span,
                ..wanted
            })
    }

    fn is_open(&self, shape: Shape) -> bool {
        self.open.iter().any(|(open, _)| *open == shape)
    }
}

const fn shape(request: Request) -> Shape {
    (request.table, request.span.count())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::modbus::{Exception, UnitId};

    fn request(table: Table, first: u16, count: u16) -> Request {
        Request {
            unit: UnitId::tcp(1),
            table,
            span: RegisterSpan::new(first, count).unwrap(),
        }
    }

    fn exception() -> Reply {
        Reply::Exception(Exception::new(2).unwrap())
    }

    #[test]
    fn a_probe_never_has_the_shape_of_an_open_request() {
        let now = Instant::now();
        for count in [1, 2, 16, 125] {
            let mut doubt = Doubt::default();
            let wanted = request(Table::Input, 10, count);
            let mut next = wanted;
            for _ in 0..3 {
                doubt.unanswered(next, now);
                assert!(!doubt.allows(wanted, now));
                let Some(probe) = doubt.probe(wanted) else {
                    break;
                };
                assert!(doubt.allows(probe, now), "{probe:?} of {wanted:?}");
                next = probe;
            }
        }
    }

    #[test]
    fn registers_end_all_doubt_and_so_does_time() {
        let now = Instant::now();
        let wanted = request(Table::Input, 0, 4);
        let mut doubt = Doubt::default();
        doubt.unanswered(wanted, now);
        let probe = doubt.probe(wanted).unwrap();
        assert_eq!(probe, request(Table::Input, 0, 3));
        let mut timed = doubt.clone();
        doubt.answered(probe, &Reply::Registers(vec![0; 3]), now);
        assert_eq!(doubt, Doubt::default());
        assert!(!timed.allows(wanted, now + Duration::from_millis(29_999)));
        assert!(timed.allows(wanted, now + ANSWERS_WITHIN));
    }

    #[test]
    fn an_exception_may_be_the_late_answer_and_ends_the_oldest_doubt_only() {
        let now = Instant::now();
        let wanted = request(Table::Input, 0, 4);
        let mut doubt = Doubt::default();
        doubt.unanswered(wanted, now);
        let probe = doubt.probe(wanted).unwrap();
        doubt.answered(probe, &exception(), now);
        assert!(
            doubt.allows(wanted, now),
            "the first request is over either way"
        );
        assert!(!doubt.allows(probe, now), "the probe may still be answered");
    }

    #[test]
    fn an_exception_of_the_other_table_is_clear() {
        let now = Instant::now();
        let wanted = request(Table::Input, 0, 1);
        let mut doubt = Doubt::default();
        doubt.unanswered(wanted, now);
        let probe = doubt.probe(wanted).unwrap();
        assert_eq!(probe, request(Table::Holding, 0, 1));
        doubt.answered(probe, &exception(), now);
        assert_eq!(doubt, Doubt::default());
    }
}
