//! The last minute of events, so that a reader who was away misses none.
//!
//! Readers pull: each keeps its place and asks for what came after it. The writer never waits for
//! a reader and keeps nothing for one; a reader who is slower than the ring is told so and goes.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::time::Duration;

use bytes::Bytes;
use tokio::time::Instant;

/// How long an event is kept.
pub(super) const KEPT: Duration = Duration::from_mins(1);

/// The most events that are kept, whatever their age: a minute of frames, and as many others. When
/// it is full the oldest goes; its readers start anew with `resumed: false`.
pub(super) const EVENTS_MAX: usize = 1000;

/// A reader's place: the number of the last event it has seen.
pub(super) type Place = u64;

/// A reader has fallen behind the ring, and events it has not seen are gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Lost;

/// The events of the last minute, as bytes ready to be sent.
#[derive(Debug)]
pub(super) struct Ring {
    boot: String,
    last: Place,
    events: VecDeque<Event>,
}

#[derive(Debug)]
struct Event {
    at: Instant,
    text: Bytes,
}

impl Ring {
    /// An empty ring. `boot` names this start of the daemon, so that a place of an earlier one is
    /// not taken for one of this.
    pub(super) fn new(boot: String) -> Self {
        Self {
            boot,
            last: 0,
            events: VecDeque::new(),
        }
    }

    /// The place after the newest event.
    pub(super) fn last(&self) -> Place {
        self.last
    }

    /// Adds an event, and forgets those older than [`KEPT`].
    pub(super) fn push(&mut self, now: Instant, name: &str, data: &str) {
        self.last += 1;
        let id = format!("{}:{}", self.boot, self.last);
        let text = event_text(Some(&id), name, data).into();
        self.events.push_back(Event { at: now, text });
        while self.events.len() > EVENTS_MAX
            || self
                .events
                .front()
                .is_some_and(|old| now.duration_since(old.at) > KEPT)
        {
            self.events.pop_front();
        }
    }

    /// The place that an event's id names, if everything after it is still here.
    pub(super) fn resume(&self, id: &str) -> Option<Place> {
        let (boot, place) = id.rsplit_once(':')?;
        let place = place.parse().ok()?;
        (boot == self.boot && (self.oldest()..=self.last).contains(&place)).then_some(place)
    }

    /// Everything after a place, and the place behind it.
    ///
    /// # Errors
    /// [`Lost`] where some of it is gone.
    pub(super) fn after(&self, place: Place) -> Result<(Vec<Bytes>, Place), Lost> {
        let skip = place.checked_sub(self.oldest()).ok_or(Lost)?;
        let skip = usize::try_from(skip).unwrap_or(usize::MAX);
        let events = self
            .events
            .iter()
            .skip(skip)
            .map(|event| event.text.clone());
        Ok((events.collect(), self.last))
    }

    /// The place before the oldest event that is kept.
    fn oldest(&self) -> Place {
        self.last - self.events.len() as u64
    }
}

/// An event as the HTML standard's `text/event-stream` writes it. `data` is one line: JSON without
/// line breaks.
pub(super) fn event_text(id: Option<&str>, name: &str, data: &str) -> String {
    let mut text = String::with_capacity(data.len() + 48);
    // Writing into a string cannot fail.
    if let Some(id) = id {
        let _ = writeln!(text, "id: {id}");
    }
    let _ = write!(text, "event: {name}\ndata: {data}\n\n");
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(events: u64) -> (Ring, Instant) {
        let start = Instant::now();
        let mut ring = Ring::new("b1".to_owned());
        for number in 1..=events {
            let now = start + Duration::from_millis(200 * number);
            ring.push(now, "frame", &format!("{{\"no\":{number}}}"));
        }
        (ring, start)
    }

    fn texts(ring: &Ring, place: Place) -> Vec<String> {
        let (events, _) = ring.after(place).unwrap();
        events
            .iter()
            .map(|it| String::from_utf8(it.to_vec()).unwrap())
            .collect()
    }

    #[test]
    fn an_event_is_written_with_its_id() {
        let (ring, _) = ring(1);
        assert_eq!(
            texts(&ring, 0),
            ["id: b1:1\nevent: frame\ndata: {\"no\":1}\n\n"]
        );
    }

    #[test]
    fn a_reader_gets_exactly_what_it_missed() {
        let (ring, _) = ring(5);
        let place = ring.resume("b1:3").unwrap();
        let missed = texts(&ring, place);
        assert_eq!(missed.len(), 2);
        assert!(missed[0].starts_with("id: b1:4\n") && missed[1].starts_with("id: b1:5\n"));
        assert_eq!(ring.after(5), Ok((vec![], 5)));
    }

    #[test]
    fn a_place_that_is_gone_foreign_or_yet_to_come_is_no_place() {
        let (ring, _) = ring(400);
        assert_eq!(
            ring.events.len(),
            301,
            "a minute at five a second, both ends counted"
        );
        assert_eq!(ring.resume("b1:99"), Some(99));
        for id in [
            "b1:98", "b0:399", "b1:401", "b1:", "b1", "", ":", "b1:-1", "b1:1e3",
        ] {
            assert_eq!(ring.resume(id), None, "{id}");
        }
        assert_eq!(ring.after(98), Err(Lost));
    }

    #[test]
    fn the_ring_is_bounded_even_in_a_storm() {
        let now = Instant::now();
        let mut ring = Ring::new("b1".to_owned());
        for _ in 0..5000 {
            ring.push(now, "why", "{}");
        }
        assert_eq!(ring.events.len(), EVENTS_MAX);
        assert_eq!(ring.resume("b1:4000"), Some(4000));
        assert_eq!(ring.resume("b1:3999"), None);
    }

    /// Whatever a client sends as its last event id, it is a place or it is none.
    #[test]
    fn no_id_breaks_the_ring() {
        let (ring, _) = ring(400);
        bolero::check!()
            .with_type::<String>()
            .for_each(|id: &String| {
                if let Some(place) = ring.resume(id) {
                    assert!(ring.after(place).is_ok());
                }
            });
    }
}
