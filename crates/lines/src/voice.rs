//! What a line says in the log: a change of state once, an hourly word while it is not well, and ever
//! less of a line that cannot make up its mind. Never a word per tick.

use std::time::Duration;

use zonda_model::Stamp;

use crate::health::LineState;

/// Between two words while nothing changes.
const REMIND_EVERY: Duration = Duration::from_hours(1);
/// Between two words of a line that goes up and down; doubles up to [`REMIND_EVERY`].
const PAUSE_MIN: Duration = Duration::from_mins(1);

/// Decides when a line has something to say.
#[derive(Debug, Default)]
pub(crate) struct Voice {
    said: LineState,
    said_at: Option<Stamp>,
    pause: Duration,
    changes: u32,
    current: LineState,
}

/// Something to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Word {
    /// The state is another one than was last said, after so many changes.
    Changed(u32),
    /// It still is not well.
    Still,
}

impl Voice {
    /// To be called once a tick, and at each change.
    pub(crate) fn hear(&mut self, state: LineState, now: Stamp) -> Option<Word> {
        if state != self.current {
            self.current = state;
            self.changes += 1;
        }
        let since = self.said_at.map(|at| now.since(at));
        let word = match since {
            None => Word::Changed(1),
            Some(since) if since < self.pause => return None,
            Some(_) if state != self.said => Word::Changed(self.changes),
            Some(since) if since < REMIND_EVERY => return None,
            // It went up and down, and is back where it was.
            Some(_) if self.changes > 0 => Word::Changed(self.changes),
            Some(_) if !is_well(state) => Word::Still,
            Some(_) => return None,
        };
        // After an hour without going up and down the next change is news again.
        self.pause = match since {
            Some(since) if since < REMIND_EVERY || self.changes > 1 => {
                (self.pause * 2).clamp(PAUSE_MIN, REMIND_EVERY)
            }
            _ => Duration::ZERO,
        };
        self.said = state;
        self.said_at = Some(now);
        self.changes = 0;
        Some(word)
    }
}

const fn is_well(state: LineState) -> bool {
    matches!(state, LineState::Answering | LineState::Stopped)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(hours: u64, state_at: impl Fn(u64) -> LineState) -> Vec<(u64, Word)> {
        let mut voice = Voice::default();
        (0..hours * 3600)
            .filter_map(|second| {
                let now = Stamp::from_millis(i64::try_from(second).unwrap() * 1000);
                voice.hear(state_at(second), now).map(|word| (second, word))
            })
            .collect()
    }

    #[test]
    fn a_line_that_is_well_says_so_once() {
        let said = words(24, |second| {
            if second < 2 {
                LineState::Waiting
            } else {
                LineState::Answering
            }
        });
        assert_eq!(said, [(0, Word::Changed(1)), (2, Word::Changed(1))]);
    }

    #[test]
    fn a_night_unplugged_is_a_word_an_hour() {
        let said = words(24, |second| {
            if second < 100 {
                LineState::Answering
            } else {
                LineState::Waiting
            }
        });
        assert_eq!(said[1], (100, Word::Changed(1)));
        assert_eq!(said.len(), 25);
        assert!(said[2..].iter().all(|(_, word)| *word == Word::Still));
    }

    #[test]
    fn a_line_that_goes_up_and_down_every_tick_does_not_fill_the_log() {
        let said = words(24, |second| {
            if second % 2 == 0 {
                LineState::Partly
            } else {
                LineState::Answering
            }
        });
        assert!(said.len() < 60, "{}", said.len());
        let told: u32 = said
            .iter()
            .map(|(_, word)| {
                if let Word::Changed(changes) = word {
                    *changes
                } else {
                    0
                }
            })
            .sum();
        assert!(told > 80_000, "the changes in between are counted: {told}");
    }
}
