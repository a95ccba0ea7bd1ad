//! All that the record knows of a run: what a workbook and the report are made of.
//!
//! Read once, a short transaction at a time. Lists that could grow without end are cut off, and what
//! is left out is said ([`Dossier::left_out`]).

use zonda_evaluate::Moments;
use zonda_model::quality::Worth;
use zonda_model::run::Stretch;
use zonda_model::{Quality, Stamp};
use zonda_store::{
    ChannelId, ChannelRow, CorrectionRow, EventRow, GapRow, Grid, History, LoopCheckRow,
    MappingRow, Readable, RevisionRow, SealHead, SessionRow, StoreError,
};

use crate::TrueUtc;
use crate::fold::Fold;
use crate::run::RunFacts;
use crate::survey::{Survey, Tally};

/// Gaps and events that are listed at most, each.
pub const LISTED_MAX: usize = 5_000;

/// Buckets over the run, for plots and charts: as fine as print can show.
const BUCKETS: usize = 720;

/// A run with everything around it.
#[derive(Debug)]
pub struct Dossier {
    /// The run.
    pub run: RunFacts,
    /// From the record's axis to true UTC.
    pub utc: TrueUtc,
    /// True where a rig played any of its devices.
    pub is_simulated: bool,
    /// What each channel holds, in the order of [`RunFacts::channels`].
    pub accounts: Vec<Account>,
    /// The course of each channel, in the same order.
    pub history: History,
    /// Gaps of its channels, by their beginning.
    pub gaps: Vec<GapRow>,
    /// Events within it.
    pub events: Vec<EventRow>,
    /// Mappings of its channels in force within it.
    pub mappings: Vec<MappingRow>,
    /// Corrections of its channels that touch it.
    pub corrections: Vec<CorrectionRow>,
    /// The latest loop check of each of its channels up to its end.
    pub loop_checks: Vec<LoopCheckRow>,
    /// The configuration in force when it began.
    pub revision: Option<RevisionRow>,
    /// The sessions that recorded it, newest first.
    pub sessions: Vec<SessionRow>,
    /// The head of the record's seal.
    pub seal: Option<SealHead>,
    /// Its flagged stretches, by channel and flags: what says more than that a reading was played.
    pub flagged: Fold<(ChannelId, u32)>,
    /// What was too long to list, in sentences.
    pub left_out: Vec<String>,
}

/// What a channel holds over the run. Values are SI.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Account {
    /// Samples.
    pub samples: i64,
    /// Samples that have a value and no fault: those that mean and extremes are of.
    pub used: i64,
    /// Their mean.
    pub mean: Option<f64>,
    /// Their standard deviation.
    pub sd: Option<f64>,
    /// The lowest.
    pub min: Option<f64>,
    /// The highest.
    pub max: Option<f64>,
    /// Ticks without a sample within the run.
    pub missed: i64,
    /// Samples by quality, where there is more to say than that they are good.
    pub flagged: Vec<Flagged>,
}

/// Samples that have the same flags.
#[derive(Clone, Debug, PartialEq)]
pub struct Flagged {
    /// The flags.
    pub quality: Quality,
    /// How many.
    pub count: i64,
    /// The first of them.
    pub first: Stamp,
    /// The last of them.
    pub last: Stamp,
}

impl Dossier {
    /// Reads everything.
    ///
    /// # Errors
    /// The record cannot be read.
    pub async fn load(record: &Readable, run: RunFacts) -> Result<Self, StoreError> {
        let stretch = run.stretch;
        let ids: Vec<_> = run.channels.iter().map(|row| row.id).collect();
        let mut left_out = Vec::new();
        let gaps = gaps(record, &run, &mut left_out).await?;
        let survey = Survey::of(record, &run).await?;
        let range = (stretch.from, stretch.to);
        let channels = run.channels.iter().zip(survey.tallies());
        let accounts = channels
            .map(|(row, tallies)| Account::of(row, tallies, &gaps, stretch))
            .collect();
        let is_own = |mapping: &MappingRow| ids.contains(&mapping.channel);
        let in_force = |mapping: &MappingRow| is_own(mapping) && mapping.since < stretch.to;
        let mappings = record.mappings().await?;
        let revisions = record.revisions().await?;
        let is_of_run = |row: &RevisionRow| Some(row.hash.as_str()) == run.config();
        Ok(Self {
            utc: TrueUtc::new(record.clock().await?),
            is_simulated: survey.is_simulated(),
            accounts,
            history: record.history(&ids, Grid::over(range, BUCKETS)).await?,
            gaps,
            events: events(record, stretch, &mut left_out).await?,
            mappings: mappings.into_iter().filter(in_force).collect(),
            corrections: corrections(record, &run).await?,
            loop_checks: loop_checks(record, &run).await?,
            revision: revisions.into_iter().rfind(is_of_run),
            sessions: sessions(record, stretch).await?,
            seal: record.seal().await?,
            flagged: survey.flagged,
            left_out,
            run,
        })
    }

    /// A channel's name, by its key.
    pub fn name_of(&self, channel: zonda_store::ChannelId) -> &str {
        let own = self.run.channels.iter().find(|row| row.id == channel);
        own.map_or("?", |row| row.name.as_str())
    }

    /// The program that recorded it, by the newest of its sessions.
    pub fn recorded_by(&self) -> String {
        let newest = self.sessions.first();
        newest.map_or_else(String::new, |session| format!("zonda {}", session.version))
    }
}

async fn gaps(
    record: &Readable,
    run: &RunFacts,
    left_out: &mut Vec<String>,
) -> Result<Vec<GapRow>, StoreError> {
    const PAGE: i64 = 5_000;
    let mut all: Vec<GapRow> = Vec::new();
    let mut after = None;
    loop {
        let range = (run.stretch.from, run.stretch.to);
        let page = record.gaps(range, after, PAGE).await?;
        let Some(last) = page.last() else {
            return Ok(all);
        };
        after = Some((last.from, last.id));
        let is_own = |gap: &GapRow| run.channels.iter().any(|row| row.id == gap.channel);
        all.extend(page.into_iter().filter(is_own));
        if all.len() > LISTED_MAX {
            all.truncate(LISTED_MAX);
            left_out.push(format!(
                "Only the first {LISTED_MAX} gaps are listed and counted; `zonda export --run {} --layout gaps` has all of them.",
                run.name()
            ));
            return Ok(all);
        }
    }
}

async fn events(
    record: &Readable,
    stretch: Stretch,
    left_out: &mut Vec<String>,
) -> Result<Vec<EventRow>, StoreError> {
    let most = i64::try_from(LISTED_MAX).unwrap_or(i64::MAX);
    let mut events = record.events_within(stretch, most + 1).await?;
    if events.len() > LISTED_MAX {
        events.truncate(LISTED_MAX);
        left_out.push(format!(
            "Only the first {LISTED_MAX} events are listed; the record holds all of them."
        ));
    }
    Ok(events)
}

async fn corrections(record: &Readable, run: &RunFacts) -> Result<Vec<CorrectionRow>, StoreError> {
    let touches = |row: &CorrectionRow| {
        row.stretch.0 < run.stretch.to
            && row.stretch.1 > run.stretch.from
            && run.channels.iter().any(|own| own.id == row.channel)
    };
    let all = record.corrections().await?;
    Ok(all.into_iter().filter(touches).collect())
}

async fn loop_checks(record: &Readable, run: &RunFacts) -> Result<Vec<LoopCheckRow>, StoreError> {
    /// A channel is checked some times a year.
    const LOOKED_AT: i64 = 1_000;
    let mut checks = Vec::new();
    for channel in &run.channels {
        let of_channel = record
            .loop_checks(Some(channel.id), None, LOOKED_AT)
            .await?;
        let before = |row: &LoopCheckRow| row.check.at < run.stretch.to;
        checks.extend(of_channel.into_iter().find(before));
    }
    Ok(checks)
}

async fn sessions(record: &Readable, stretch: Stretch) -> Result<Vec<SessionRow>, StoreError> {
    /// Restarts of some years.
    const LOOKED_AT: i64 = 10_000;
    let touches = |row: &SessionRow| {
        row.started < stretch.to && row.ended.unwrap_or(row.alive) >= stretch.from
    };
    let all = record.sessions(LOOKED_AT).await?;
    Ok(all.into_iter().filter(touches).collect())
}

impl Account {
    fn of(row: &ChannelRow, tallies: &[Tally], gaps: &[GapRow], stretch: Stretch) -> Self {
        let mut used = Moments::default();
        for tally in tallies {
            if tally.quality.worth() != Worth::Fault {
                used.join(&tally.moments);
            }
        }
        let flags = |tally: &Tally| tally.quality - Quality::SIMULATED;
        Self {
            samples: tallies.iter().map(|tally| tally.count).sum(),
            used: i64::try_from(used.count()).unwrap_or(i64::MAX),
            mean: used.mean(),
            sd: used.sd(),
            min: used.min(),
            max: used.max(),
            missed: missed(row, gaps, stretch),
            flagged: tallies
                .iter()
                .filter(|tally| !flags(tally).is_empty())
                .map(|tally| Flagged {
                    quality: flags(tally),
                    count: tally.count,
                    first: tally.first,
                    last: tally.last,
                })
                .collect(),
        }
    }
}

/// Ticks missed within the stretch: of a gap that reaches over an end of it, those inside.
fn missed(row: &ChannelRow, gaps: &[GapRow], stretch: Stretch) -> i64 {
    let own = gaps.iter().filter(|gap| gap.channel == row.id);
    own.map(|gap| {
        let end = gap.to.unwrap_or(stretch.to);
        let is_inside = gap.from >= stretch.from && end <= stretch.to;
        if is_inside {
            return gap.missed;
        }
        let inside = gap.from.max(stretch.from)..end.min(stretch.to);
        let span = (inside.end.micros() - inside.start.micros()).max(0);
        span / row.period_us.max(1)
    })
    .sum()
}
