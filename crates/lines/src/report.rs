//! What a line reports of itself: its health as it changes, and a word in the log now and then.

use tokio::sync::watch;
use zonda_model::{Cause, Miss, Name, SourceId, Stamp};

use crate::health::{Cycle, ErrorNote, LineHealth, LineState, SourceHealth};
use crate::link::NotOpened;
use crate::tick::Tick;
use crate::voice::{Voice, Word};

/// Keeps the health that a line reports.
#[derive(Debug)]
pub(crate) struct Reporter {
    line: Name,
    say: watch::Sender<LineHealth>,
    voice: Voice,
    /// Why the port or connection was last not open.
    closed: NotOpened,
}

impl Reporter {
    pub(crate) fn new(
        line: Name,
        sources: Vec<(SourceId, Name)>,
        now: Stamp,
    ) -> (Self, watch::Receiver<LineHealth>) {
        let source = |(source, name)| SourceHealth {
            source,
            name,
            misses_in_a_row: 0,
            good_at: None,
            error: None,
        };
        let health = LineHealth {
            state_since: Some(now),
            sources: sources.into_iter().map(source).collect(),
            ..LineHealth::default()
        };
        let (say, health) = watch::channel(health);
        let voice = Voice::default();
        let closed = NotOpened::from("not open yet".to_owned());
        (
            Self {
                line,
                say,
                voice,
                closed,
            },
            health,
        )
    }

    pub(crate) fn change(&self, change: impl FnOnce(&mut LineHealth)) {
        self.say.send_modify(change);
    }

    /// A tick begins.
    pub(crate) fn begin(&self, tick: Tick, now: Stamp) {
        self.change(|health| {
            health.ticks += 1;
            health.lateness.add(now.since(tick.at));
        });
    }

    /// The round of a tick is over.
    pub(crate) fn end(&mut self, round: Round, now: Stamp) {
        self.change(|health| {
            health.cycle = round.cycle.or(health.cycle);
            health.late_ticks += u64::from(round.is_late);
            let state = if round.is_open {
                state_of(&health.sources)
            } else {
                LineState::Waiting
            };
            set_state(health, state, now);
        });
        self.speak(now);
    }

    pub(crate) fn good(&self, source: SourceId, at: Stamp) {
        self.change(|health| {
            health.good_at = Some(at);
            if let Some(source) = find(health, source) {
                source.good_at = Some(at);
                source.misses_in_a_row = 0;
                source.error = None;
            }
        });
    }

    pub(crate) fn missed(&self, source: SourceId, at: Stamp, miss: &Miss) {
        self.change(|health| {
            health.errors.add(miss.cause, u64::from(miss.ticks));
            let note = ErrorNote {
                at,
                text: miss.detail.clone(),
            };
            // What follows from an earlier error, or is our own fault, must not hide it.
            let is_news = !matches!(
                miss.cause,
                Cause::NoAnswer | Cause::Overrun | Cause::Unplugged
            );
            if is_news {
                health.error = Some(note.clone());
            }
            if let Some(source) = find(health, source) {
                source.misses_in_a_row += u64::from(miss.ticks);
                if is_news || source.error.is_none() {
                    source.error = Some(note);
                }
            }
        });
    }

    pub(crate) fn opened(&mut self, now: Stamp) {
        self.change(|health| {
            health.opens += 1;
            set_state(health, LineState::Open, now);
        });
    }

    /// The port or connection is gone, or could not be opened.
    pub(crate) fn down(&mut self, now: Stamp, closed: NotOpened) {
        self.change(|health| {
            set_state(health, LineState::Waiting, now);
            health.error = Some(ErrorNote {
                at: now,
                text: closed.why.clone(),
            });
        });
        self.closed = closed;
        self.speak(now);
    }

    /// The task ends.
    pub(crate) fn stopped(&mut self, now: Stamp) {
        self.change(|health| set_state(health, LineState::Stopped, now));
        tracing::debug!(line = %self.line, "the line is stopped");
    }

    /// Why ticks are missed while the port or connection is not open.
    pub(crate) fn why_closed(&self) -> NotOpened {
        self.closed.clone()
    }

    fn speak(&mut self, now: Stamp) {
        let health = self.say.borrow();
        let Some(word) = self.voice.hear(health.state, now) else {
            return;
        };
        let (line, state) = (&self.line, health.state.word());
        let missing: Vec<&str> = health
            .sources
            .iter()
            .filter(|source| source.misses_in_a_row > 0)
            .map(|source| source.name.as_str())
            .collect();
        let (missing, missed) = (missing.join(", "), health.errors.total());
        let error = health.error.as_ref().map_or("", |note| note.text.as_str());
        match (word, health.state) {
            (Word::Changed(changes), LineState::Answering) => {
                tracing::info!(%line, state, changes, "the line answers");
            }
            (Word::Changed(changes), _) => {
                tracing::warn!(%line, state, changes, missing, error, "the line does not give all its data");
            }
            (Word::Still, _) => {
                tracing::warn!(%line, state, missing, missed, error, "the line still does not give all its data");
            }
        }
    }
}

/// How the round of a tick went.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Round {
    /// Its length, where every source was asked and answered.
    pub(crate) cycle: Option<Cycle>,
    /// It was still going on when the next tick began.
    pub(crate) is_late: bool,
    /// The port or connection is open.
    pub(crate) is_open: bool,
}

fn state_of(sources: &[SourceHealth]) -> LineState {
    let is_well = |source: &&SourceHealth| source.misses_in_a_row == 0;
    match sources.iter().filter(is_well).count() {
        0 => LineState::Silent,
        all if all == sources.len() => LineState::Answering,
        _ => LineState::Partly,
    }
}

fn set_state(health: &mut LineHealth, state: LineState, now: Stamp) {
    if health.state != state {
        health.state = state;
        health.state_since = Some(now);
    }
}

fn find(health: &mut LineHealth, id: SourceId) -> Option<&mut SourceHealth> {
    health.sources.iter_mut().find(|source| source.source == id)
}
