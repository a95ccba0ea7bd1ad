//! What no link covers, and what the sessions say of the chain's end.

use std::collections::HashSet;

use futures::TryStreamExt;
use sqlx::SqliteConnection;

use super::bytes::{Fronts, Link, entry, unpacked, unpacked_keys};
use super::prove::Plan;
use super::verdict::{Covers, Fault, Flaw, Verdict};
use super::{kind, walk};

/// Rows of a kind that are named; whoever put in more did it at once.
const ROWS_MAX: i64 = 101;

/// A record without a chain is well only where nothing is recorded.
pub(super) async fn unsealed(
    view: &mut SqliteConnection,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let recorded: i64 =
        sqlx::query_scalar("SELECT (SELECT count(*) FROM sample) + (SELECT count(*) FROM session)")
            .fetch_one(view)
            .await?;
    if recorded > 0 {
        verdict.add(Fault::new(Flaw::Unsealed));
    }
    Ok(())
}

/// Looks for rows beyond the chain.
pub(super) async fn find(
    view: &mut SqliteConnection,
    plan: &Plan,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let links = walk::links(view, (plan.head.link, plan.head.link)).await?;
    let Some(head) = links.first().map(|stored| stored.link.to) else {
        return Ok(());
    };
    let start = walk::links(view, (1, 1)).await?.pop();
    let start = start.filter(|stored| stored.link.kind == kind::START);
    let start = start.map(|stored| stored.link);
    let from = start.as_ref().map_or_else(Fronts::default, |link| link.to);
    if let Some(to) = from.sample {
        let count: i64 = sqlx::query_scalar("SELECT count(*) FROM sample WHERE at <= ?")
            .bind(to)
            .fetch_one(&mut *view)
            .await?;
        verdict.unsealed = count.unsigned_abs();
    }
    samples(view, head.sample, verdict).await?;
    rows(view, &head, verdict).await?;
    gap_ends(view, from.gap, verdict).await?;
    mappings(view, start.as_ref(), verdict).await?;
    corrections(view, verdict).await?;
    sessions(view, start.and_then(|link| link.session), verdict).await
}

/// Looks for rows beside the pieces of the chain that a cut-out has.
pub(super) async fn find_between(
    view: &mut SqliteConnection,
    pieces: &[(i64, i64)],
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let mut before = Fronts::default();
    let mut start = None;
    for (first, last) in pieces {
        let own = walk::links(view, (*first, *first)).await?.pop();
        let from = match own.filter(|stored| stored.link.kind == kind::START) {
            Some(found) => {
                verdict.unsealed = count_to(view, found.link.to.sample).await?;
                let link = start.insert(found.link);
                before = link.to;
                link.to
            }
            None => fronts(view, first - 1).await?,
        };
        beside(view, (&before, &from), verdict).await?;
        before = fronts(view, *last).await?;
    }
    samples(view, before.sample, verdict).await?;
    rows(view, &before, verdict).await?;
    let from = start.as_ref().map_or_else(Fronts::default, |link| link.to);
    gap_ends(view, from.gap, verdict).await?;
    mappings(view, start.as_ref(), verdict).await?;
    corrections(view, verdict).await?;
    let unlinked: Vec<(i64, i64)> = sqlx::query_as(
        "SELECT id, alive_at FROM session WHERE id > ? AND id NOT IN (SELECT session FROM seal WHERE kind = 2)",
    )
    .bind(start.and_then(|link| link.session).unwrap_or(i64::MIN))
    .fetch_all(view)
    .await?;
    for (id, at) in unlinked {
        verdict.add(Fault::new(Flaw::NoLink(Covers::Session(id))).at(at));
    }
    Ok(())
}

/// The fronts of a link; none where it is not there, which the walk tells of.
async fn fronts(view: &mut SqliteConnection, link: i64) -> Result<Fronts, sqlx::Error> {
    let found = walk::links(view, (link, link)).await?.pop();
    Ok(found.map_or_else(Fronts::default, |stored| stored.link.to))
}

async fn count_to(view: &mut SqliteConnection, to: Option<i64>) -> Result<u64, sqlx::Error> {
    let count: i64 = sqlx::query_scalar("SELECT count(*) FROM sample WHERE at <= ?")
        .bind(to)
        .fetch_one(view)
        .await?;
    Ok(count.unsigned_abs())
}

/// Rows after one piece and before the next.
async fn beside(
    view: &mut SqliteConnection,
    (after, until): (&Fronts, &Fronts),
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    type Name = fn(i64) -> Covers;
    let found: Vec<(i64, i64)> = sqlx::query_as(
        "SELECT at, channel FROM sample WHERE at > ? AND at <= ? ORDER BY at, channel LIMIT ?",
    )
    .bind(after.sample.unwrap_or(i64::MIN))
    .bind(until.sample)
    .bind(ROWS_MAX)
    .fetch_all(&mut *view)
    .await?;
    let late = named(view, kind::COMMIT).await?;
    for (at, channel) in found {
        if !late.contains(&(at, channel)) {
            verdict.add(Fault::new(Flaw::NoLink(Covers::Sample)).at(at).of(channel));
        }
    }
    let kinds: [(&'static str, _, _, Name); 2] = [
        (
            "SELECT id, at FROM event WHERE id > ? AND id <= ? ORDER BY id LIMIT ?",
            after.event,
            until.event,
            Covers::Event,
        ),
        (
            "SELECT id, from_at FROM gap WHERE id > ? AND id <= ? ORDER BY id LIMIT ?",
            after.gap,
            until.gap,
            Covers::Gap,
        ),
    ];
    for (sql, after, until, name) in kinds {
        let rows: Vec<(i64, i64)> = sqlx::query_as(sql)
            .bind(after.unwrap_or(i64::MIN))
            .bind(until)
            .bind(ROWS_MAX)
            .fetch_all(&mut *view)
            .await?;
        for (id, at) in rows {
            verdict.add(Fault::new(Flaw::NoLink(name(id))).at(at));
        }
    }
    Ok(())
}

async fn samples(
    view: &mut SqliteConnection,
    after: Option<i64>,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let rows: Vec<(i64, i64)> = sqlx::query_as(
        "SELECT at, channel FROM sample WHERE ? IS NULL OR at > ? ORDER BY at, channel LIMIT ?",
    )
    .bind(after)
    .bind(after)
    .bind(ROWS_MAX)
    .fetch_all(view)
    .await?;
    for (at, channel) in rows {
        verdict.add(Fault::new(Flaw::NoLink(Covers::Sample)).at(at).of(channel));
    }
    Ok(())
}

/// Events, gaps and clock rows with keys beyond the last ones.
async fn rows(
    view: &mut SqliteConnection,
    head: &Fronts,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    type Name = fn(i64) -> Covers;
    let kinds: [(&'static str, Option<i64>, Name); 3] = [
        (
            "SELECT id, at FROM event WHERE id > ? ORDER BY id LIMIT ?",
            head.event,
            Covers::Event,
        ),
        (
            "SELECT id, from_at FROM gap WHERE id > ? ORDER BY id LIMIT ?",
            head.gap,
            Covers::Gap,
        ),
        (
            "SELECT id, at FROM clock WHERE id > ? ORDER BY id LIMIT ?",
            head.clock,
            Covers::Clock,
        ),
    ];
    for (sql, after, name) in kinds {
        let rows: Vec<(i64, i64)> = sqlx::query_as(sql)
            .bind(after.unwrap_or(i64::MIN))
            .bind(ROWS_MAX)
            .fetch_all(&mut *view)
            .await?;
        for (id, at) in rows {
            verdict.add(Fault::new(Flaw::NoLink(name(id))).at(at));
        }
    }
    Ok(())
}

/// Gaps that ended without a link that says so. Of those from before the chain nothing is known.
async fn gap_ends(
    view: &mut SqliteConnection,
    start: Option<i64>,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let mut ended = HashSet::new();
    let mut links =
        sqlx::query_scalar::<_, Vec<u8>>("SELECT closed FROM seal WHERE closed IS NOT NULL")
            .fetch(&mut *view);
    while let Some(keys) = links.try_next().await? {
        ended.extend(unpacked_keys(Some(&keys)));
    }
    drop(links);
    let rows: Vec<(i64, i64, i64)> = sqlx::query_as(
        "SELECT id, channel, to_at FROM gap WHERE to_at IS NOT NULL AND id > ? ORDER BY id",
    )
    .bind(start.unwrap_or(i64::MIN))
    .fetch_all(view)
    .await?;
    for (id, channel, at) in rows {
        if !ended.contains(&id) {
            let fault = Fault::new(Flaw::NoLink(Covers::GapEnd(id)));
            verdict.add(fault.at(at).of(channel));
        }
    }
    Ok(())
}

/// What the links of a kind name.
async fn named(view: &mut SqliteConnection, kind: i64) -> Result<HashSet<(i64, i64)>, sqlx::Error> {
    let links: Vec<Vec<u8>> =
        sqlx::query_scalar("SELECT named FROM seal WHERE kind = ? AND named IS NOT NULL")
            .bind(kind)
            .fetch_all(view)
            .await?;
    Ok(links
        .iter()
        .flat_map(|pairs| unpacked(Some(pairs)))
        .collect())
}

async fn mappings(
    view: &mut SqliteConnection,
    start: Option<&Link>,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let named = named(view, kind::SESSION).await?;
    let rows: Vec<(i64, i64, i64)> = sqlx::query_as(
        "SELECT channel, version, since_at FROM mapping WHERE since_at >= ? ORDER BY channel, version",
    )
    .bind(start.map_or(i64::MIN, |link| link.at))
    .fetch_all(view)
    .await?;
    for (channel, version, at) in rows {
        if !named.contains(&(channel, version)) {
            let fault = Fault::new(Flaw::NoLink(Covers::Mapping(version)));
            verdict.add(fault.at(at).of(channel));
        }
    }
    Ok(())
}

async fn corrections(
    view: &mut SqliteConnection,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let named = named(view, kind::ENTRY).await?;
    let rows: Vec<(i64, i64, i64)> =
        sqlx::query_as("SELECT id, at, channel FROM correction ORDER BY id")
            .fetch_all(view)
            .await?;
    for (id, at, channel) in rows {
        if !named.contains(&(entry::CORRECTION, id)) {
            let fault = Fault::new(Flaw::NoLink(Covers::Correction(id)));
            verdict.add(fault.at(at).of(channel));
        }
    }
    Ok(())
}

/// Each session has its link, and knows of as many commits as the chain: one that knows of more has
/// lost them at its end.
async fn sessions(
    view: &mut SqliteConnection,
    before: Option<i64>,
    verdict: &mut Verdict,
) -> Result<(), sqlx::Error> {
    let rows: Vec<(i64, i64, i64, Option<i64>)> = sqlx::query_as(
        "SELECT id, batch, alive_at, ended_at FROM session WHERE id > ? ORDER BY id",
    )
    .bind(before.unwrap_or(i64::MIN))
    .fetch_all(&mut *view)
    .await?;
    for (id, batch, alive, ended) in rows {
        let links: Vec<(i64, i64, i64)> = sqlx::query_as(
            "SELECT id, batch, at FROM seal WHERE session = ? AND kind IN (1, 2) ORDER BY id DESC LIMIT 1",
        )
        .bind(id)
        .fetch_all(&mut *view)
        .await?;
        let Some(&(link, sealed, at)) = links.first() else {
            verdict.add(Fault::new(Flaw::NoLink(Covers::Session(id))).at(alive));
            continue;
        };
        let why = if batch != sealed {
            format!(
                "it knows of {batch} commits, the chain of {sealed}: links at its end were taken out, or the session's row was changed"
            )
        } else if alive != at {
            "the time up to which it was alive was changed".to_owned()
        } else if ended.is_some_and(|ended| ended != alive) {
            "the time of its end was changed".to_owned()
        } else {
            continue;
        };
        let flaw = Flaw::SessionChanged { session: id, why };
        verdict.add(Fault::new(flaw).in_link(link).at(at));
    }
    Ok(())
}
