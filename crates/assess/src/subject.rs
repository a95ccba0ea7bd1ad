//! What is evaluated: a run with its stretch and channels.

use zonda_model::{RunId, Stamp};
use zonda_store::{ChannelId, Readable, RunRow};

use crate::error::AssessError;

/// A run as evaluations see it.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// Its key.
    pub id: RunId,
    /// Its name.
    pub name: String,
    /// From when on, on the record's axis.
    pub from: Stamp,
    /// Up to, not including, when.
    pub to: Stamp,
    /// True while it goes on.
    pub is_open: bool,
    /// Its channels, in the order in which they were asked for.
    pub channels: Vec<ChannelId>,
    /// The layout that it refers to.
    pub layout: Option<String>,
    /// Where nobody recorded.
    pub interruptions: Vec<(Stamp, Stamp)>,
}

impl Subject {
    /// Of a run in the record; one that goes on reaches up to where the record has come, also where no device answers.
    ///
    /// # Errors
    /// [`AssessError::NotBegun`]; the file cannot be read.
    pub async fn of(record: &Readable, run: &RunRow) -> Result<Self, AssessError> {
        let name = run.entry.name.to_string();
        let Some(from) = run.state.since() else {
            return Err(AssessError::NotBegun(name));
        };
        let until = run.state.until();
        let to = match until {
            Some(until) => until,
            None => come_to(record).await?.map_or(from, |at| at.max(from)),
        };
        let gaps = run.state.interruptions().iter();
        Ok(Self {
            id: run.entry.id,
            name,
            from,
            to,
            is_open: until.is_none(),
            channels: run.entry.channels.clone(),
            layout: run.entry.layout.clone(),
            interruptions: gaps.map(|gap| (gap.from, gap.to)).collect(),
        })
    }
}

/// Where the record has come: the moment after its newest sample, or when the daemon was last known to record, whichever is later.
async fn come_to(record: &Readable) -> Result<Option<Stamp>, AssessError> {
    let sampled = record.extent().await?.map(|(_, last)| last);
    let sampled = sampled.map(|last| Stamp::from_micros(last.micros() + 1));
    let sessions = record.sessions(1).await?;
    let alive = sessions.first().map(|session| session.alive);
    Ok(sampled.max(alive))
}
