//! Under which configurations a stretch was recorded: read anew from the record, as the daemon read them.

use zonda_config::{ChannelPlan, Config, LayoutPlan, check_revision};
use zonda_model::{Period, Stamp};
use zonda_store::{Readable, StoreError};

/// Sessions that are looked through, newest first.
const SESSIONS_MAX: i64 = 100_000;

/// The configurations in force over a stretch, in order.
#[derive(Debug)]
pub(crate) struct Past {
    /// Hash, and what it said where this version can read it.
    revisions: Vec<(String, Option<Config>)>,
}

impl Past {
    pub(crate) async fn load(
        record: &Readable,
        (from, to): (Stamp, Stamp),
    ) -> Result<Self, StoreError> {
        let mut sessions = record.sessions(SESSIONS_MAX).await?;
        sessions.reverse();
        let touches = |started: Stamp, ended: Stamp| started < to && ended >= from;
        let mut hashes: Vec<String> = Vec::new();
        for session in sessions {
            let ended = session.ended.unwrap_or(session.alive);
            let is_known = hashes.last() == Some(&session.config);
            if touches(session.started, ended) && !is_known {
                hashes.push(session.config);
            }
        }
        let texts = record.revisions().await?;
        let read = |hash: String| {
            let text = texts.iter().find(|row| row.hash == hash);
            let checked = text.and_then(|row| check_revision(&row.text).ok());
            (hash, checked.map(|checked| checked.config))
        };
        Ok(Self {
            revisions: hashes.into_iter().map(read).collect(),
        })
    }

    /// Their hashes, in order.
    pub(crate) fn hashes(&self) -> Vec<String> {
        let hashes = self.revisions.iter().map(|(hash, _)| hash.clone());
        hashes.collect()
    }

    /// Those that this version cannot read.
    pub(crate) fn unread(&self) -> impl Iterator<Item = &str> {
        let unread = self.revisions.iter().filter(|(_, config)| config.is_none());
        unread.map(|(hash, _)| hash.as_str())
    }

    fn configs(&self) -> impl Iterator<Item = &Config> {
        self.revisions
            .iter()
            .rev()
            .filter_map(|(_, config)| config.as_ref())
    }

    /// The last configuration that names this channel, and its place there.
    pub(crate) fn channel(&self, name: &str) -> Option<(&Config, usize)> {
        self.configs().find_map(|config| {
            let mut channels = config.channels.iter();
            let index = channels.position(|plan| plan.name.as_str() == name)?;
            Some((config, index))
        })
    }

    /// The last layout of this name.
    pub(crate) fn layout(&self, name: &str) -> Option<&LayoutPlan> {
        let mut configs = self.configs();
        configs.find_map(|config| {
            let mut layouts = config.layouts.iter();
            layouts.find(|plan| plan.name.as_str() == name)
        })
    }

    /// The names of the layouts of the last configuration.
    pub(crate) fn layouts(&self) -> Vec<String> {
        let last = self.configs().next();
        let layouts = last.into_iter().flat_map(|config| &config.layouts);
        layouts.map(|plan| plan.name.to_string()).collect()
    }
}

/// How often a channel is sampled.
pub(crate) fn period(config: &Config, plan: &ChannelPlan) -> Option<Period> {
    let source = config.sources.get(plan.source.0)?;
    config.lines.get(source.line).map(|line| line.every)
}
