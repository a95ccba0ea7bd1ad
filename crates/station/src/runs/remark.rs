//! What a reader of a run must not overlook, worked out from the record alone.

use std::collections::BTreeMap;

use zonda_model::Cause;
use zonda_model::Stamp;
use zonda_model::TrueUtc;
use zonda_model::run::{State, Stretch, spelled};
use zonda_store::{Readable, RunPage, RunRow, StoreError};

use super::book::condition;

/// Runs that are looked through for overlaps.
const NEIGHBOURS_MAX: i64 = 1000;
/// Gaps that are read at once.
const GAPS: i64 = 1000;

/// What a reader of a run must not overlook: interruptions, channels that are gone, steps of the
/// clock, an empty stretch, runs that share channels and time. `now` is on the record's axis.
///
/// # Errors
/// The file cannot be read.
pub async fn remarks(
    record: &Readable,
    run: &RunRow,
    now: Stamp,
) -> Result<Vec<String>, StoreError> {
    let utc = TrueUtc::new(record.clock().await?);
    let mut remarks = Vec::new();
    for gap in run.state.interruptions() {
        remarks.push(format!(
            "interrupted from {} to {}, for {}",
            utc.of(gap.from),
            utc.of(gap.to),
            spelled(gap.to.since(gap.from))
        ));
    }
    gone(record, run, &mut remarks).await?;
    let Some(from) = run.state.since() else {
        return Ok(remarks);
    };
    let to = run.state.until().unwrap_or(now);
    let stretch = Stretch { from, to };
    unnamed(record, run, stretch, &utc, &mut remarks).await?;
    remarks.extend(steps(record, stretch).await?);
    let samples = record
        .count_samples_of(&run.entry.channels, stretch)
        .await?;
    if samples == 0 && !matches!(run.state, State::Discarded(_)) {
        remarks.push("there is not a single sample in it; the gaps say why".to_owned());
    }
    remarks.extend(overlaps(record, run, stretch).await?);
    Ok(remarks)
}

/// Channels that the configuration no longer names.
async fn gone(
    record: &Readable,
    run: &RunRow,
    remarks: &mut Vec<String>,
) -> Result<(), StoreError> {
    if !run.state.is_open() {
        return Ok(());
    }
    let channels = record.channels().await?;
    let configured = |name: &str| {
        let row = channels.iter().find(|row| row.name.as_str() == name);
        row.is_some_and(|row| row.position.is_some())
    };
    let missing: Vec<&str> = channels
        .iter()
        .filter(|row| run.entry.channels.contains(&row.id) && row.position.is_none())
        .map(|row| row.name.as_str())
        .collect();
    match missing.as_slice() {
        [] => {}
        [name] => remarks.push(format!(
            "{name} is no longer configured; the run goes on without it"
        )),
        names => remarks.push(format!(
            "{} are no longer configured; the run goes on without them",
            names.join(", ")
        )),
    }
    for name in condition(&run.state)
        .into_iter()
        .flat_map(zonda_model::run::Condition::channels)
    {
        if !configured(name.as_str()) {
            remarks.push(format!(
                "its condition looks at {name}, which is no longer configured; stop it by hand, or bring the channel back"
            ));
        }
    }
    Ok(())
}

/// Channels of a run that is over which the configuration did not name for a part of it; those that went and came together are one
/// remark.
async fn unnamed(
    record: &Readable,
    run: &RunRow,
    stretch: Stretch,
    utc: &TrueUtc,
    remarks: &mut Vec<String>,
) -> Result<(), StoreError> {
    if run.state.is_open() {
        return Ok(());
    }
    let channels = record.channels().await?;
    let mut without: BTreeMap<(Stamp, Option<Stamp>), Vec<&str>> = BTreeMap::new();
    let mut after = None;
    loop {
        let range = (stretch.from, stretch.to);
        let gaps = record.gaps(range, after, GAPS).await?;
        let Some(last) = gaps.last() else { break };
        after = Some((last.from, last.id));
        for gap in gaps.iter().filter(|gap| gap.cause == Cause::Disabled) {
            let mut of_run = channels
                .iter()
                .filter(|row| run.entry.channels.contains(&row.id));
            if let Some(row) = of_run.find(|row| row.id == gap.channel) {
                let to = gap.to.filter(|to| *to < stretch.to);
                let span = (gap.from.max(stretch.from), to);
                without.entry(span).or_default().push(row.name.as_str());
            }
        }
    }
    for ((from, to), names) in without {
        let are = if names.len() == 1 { "was" } else { "were" };
        let until = to.map_or_else(|| "on".to_owned(), |to| format!("to {}", utc.of(to)));
        remarks.push(format!(
            "{} {are} not configured from {} {until}; the run went on without",
            names.join(", "),
            utc.of(from)
        ));
    }
    Ok(())
}

/// Steps of the clock within a stretch.
async fn steps(record: &Readable, stretch: Stretch) -> Result<Option<String>, StoreError> {
    let steps = record.clock_steps(stretch).await?;
    let times = if steps == 1 { "once" } else { "several times" };
    Ok((steps > 0).then(|| {
        format!(
            "the wall clock was stepped {times} in it; its times are true UTC, and its length is counted on the record's axis: a step back takes nothing from it, a step forward is in it as a gap `clock_stepped`"
        )
    }))
}

async fn overlaps(
    record: &Readable,
    run: &RunRow,
    stretch: Stretch,
) -> Result<Option<String>, StoreError> {
    let page = RunPage {
        before: None,
        limit: NEIGHBOURS_MAX,
        with_discarded: false,
    };
    let shares = |other: &RunRow| {
        let begins = other.state.since().is_some_and(|since| since < stretch.to);
        let ends = other.state.until().is_none_or(|until| until > stretch.from);
        let channels = &other.entry.channels;
        let common = channels.iter().any(|id| run.entry.channels.contains(id));
        other.entry.id != run.entry.id && begins && ends && common
    };
    let others: Vec<_> = record
        .runs(page)
        .await?
        .into_iter()
        .filter(shares)
        .map(|other| other.entry.name.to_string())
        .collect();
    Ok(
        (!others.is_empty())
            .then(|| format!("shares channels and time with {}", others.join(", "))),
    )
}
