//! The runs that are open: what each waits for, and which steps are due. Pure.

use zonda_model::run::{Condition, Moment, State, Step};
use zonda_model::{Name, RunId, Sample, Stamp};

use super::error::RunError;
use super::scene::Scene;
use super::watch::Watch;

/// Open runs at once: each is looked at for every sample.
pub(crate) const OPEN_MAX: usize = 64;

/// A run that waits or goes on.
#[derive(Debug)]
pub(crate) struct Open {
    pub(crate) id: RunId,
    pub(crate) name: Name,
    pub(crate) state: State,
    watch: Option<Watch>,
    met: Option<Stamp>,
}

impl Open {
    /// # Errors
    /// The condition that it waits for cannot be watched.
    pub(crate) fn new(
        id: RunId,
        name: Name,
        state: State,
        scene: &Scene,
    ) -> Result<Self, RunError> {
        let mut open = Self {
            id,
            name,
            state,
            watch: None,
            met: None,
        };
        open.watch_anew(scene)?;
        Ok(open)
    }

    /// True where it waits for a channel that the configuration no longer names.
    pub(crate) fn is_blind(&self) -> bool {
        condition(&self.state).is_some() && self.watch.is_none()
    }

    fn watch_anew(&mut self, scene: &Scene) -> Result<(), RunError> {
        self.met = None;
        self.watch = match condition(&self.state) {
            Some(condition) => Watch::new(condition, scene)?,
            None => None,
        };
        Ok(())
    }
}

/// The condition that a run in this state waits for.
pub(crate) fn condition(state: &State) -> Option<&Condition> {
    match state {
        State::Waiting(waiting) => waiting.awaits().condition(),
        State::Running(running) => running.finish().condition(),
        _ => None,
    }
}

/// All of them.
#[derive(Debug)]
pub(crate) struct Book {
    pub(crate) scene: Scene,
    pub(crate) open: Vec<Open>,
    pub(crate) next: RunId,
    /// Names given since the start: the record may not show them yet.
    pub(crate) named: Vec<Name>,
}

impl Book {
    /// Shows samples to whoever waits for a condition.
    pub(crate) fn see(&mut self, samples: &[Sample<usize>]) {
        for open in &mut self.open {
            let Some(watch) = &mut open.watch else {
                continue;
            };
            for sample in samples {
                open.met = open.met.or_else(|| watch.take(sample));
            }
        }
    }

    /// Samples went by unseen: whatever had to stay has to stay anew.
    pub(crate) fn lose_sight(&mut self) {
        let Self { open, scene, .. } = self;
        for open in open {
            // It could be watched before, so it can be now.
            let _ = open.watch_anew(scene);
        }
    }

    /// The steps that are due.
    pub(crate) fn due(&self, now: Moment) -> Vec<(RunId, Step)> {
        let due = |open: &Open| Some((open.id, open.state.due(now, open.met)?));
        self.open.iter().filter_map(due).collect()
    }

    /// Takes a step; a run that is over leaves the book.
    ///
    /// # Errors
    /// The step cannot follow, or the run is not open.
    pub(crate) fn take(&mut self, id: RunId, step: Step) -> Result<State, RunError> {
        let unknown = || RunError::Unknown(id.0.to_string());
        let index = self.open.iter().position(|open| open.id == id);
        let index = index.ok_or_else(unknown)?;
        let after = self.open[index].state.clone().after(step)?;
        if after.is_open() {
            self.open[index].state = after.clone();
            self.open[index].watch_anew(&self.scene)?;
        } else {
            self.open.remove(index);
        }
        Ok(after)
    }

    pub(crate) fn find(&self, id: RunId) -> Option<&Open> {
        self.open.iter().find(|open| open.id == id)
    }
}
