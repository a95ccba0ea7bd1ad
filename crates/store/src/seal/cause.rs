//! What broke a link: looked for when its hash is not the one that was sealed.

use sqlx::SqliteConnection;

use super::bytes::{Bytes, Fronts, Hash, Link, Sealed, entry, kind, unpacked, unpacked_keys};
use super::sections;
use super::verdict::{Covered, Covers, Fault, Flaw};
use super::walk::{self, Before, Stored};

/// Rows that are named one by one; of more, the first.
const NAMED_MAX: usize = 8;

/// Every fault that can be told of a link whose content has another hash than it bears.
pub(super) async fn find(
    connection: &mut SqliteConnection,
    late: &[(i64, i64)],
    before: &Before,
    stored: &Stored,
    hash: Hash,
) -> Result<Vec<Fault>, sqlx::Error> {
    let link = &stored.link;
    if follows_on_content(connection, late, before, stored).await? {
        return Ok(Vec::new()); // only the hash before was changed, which is that link's fault
    }
    let here = |flaw| Fault::new(flaw).in_link(link.id).at(link.at);
    if next_follows_on(connection, late, stored, hash).await? {
        return Ok(vec![here(Flaw::HashChanged)]);
    }
    let samples = samples(connection, late, before.to.sample, link).await?;
    let faults = of_samples(&samples, stored);
    if !faults.is_empty() {
        return Ok(faults);
    }
    let covers = covers(link, &before.to);
    for row in &covers {
        if !is_there(connection, *row).await? {
            return Ok(vec![here(Flaw::RowMissing(*row))]);
        }
    }
    let named = covers.into_iter().take(NAMED_MAX).collect();
    Ok(vec![here(Flaw::RowChanged(named))])
}

/// True where this link holds, if the one before bore the hash of what it covers.
async fn follows_on_content(
    connection: &mut SqliteConnection,
    late: &[(i64, i64)],
    before: &Before,
    stored: &Stored,
) -> Result<bool, sqlx::Error> {
    let Some(last) = walk::links(connection, (before.id, before.id)).await?.pop() else {
        return Ok(false);
    };
    let before_last = walk::before(connection, last.link.id).await?;
    let content = content(
        connection,
        late,
        (&before_last.hash, &before_last.to),
        &last,
    )
    .await?;
    let own = self::content(connection, late, (&content, &before.to), stored).await?;
    Ok(content != last.hash && own == stored.hash)
}

/// True where the next link was made after this content, and not after the hash that stands here.
async fn next_follows_on(
    connection: &mut SqliteConnection,
    late: &[(i64, i64)],
    stored: &Stored,
    hash: Hash,
) -> Result<bool, sqlx::Error> {
    let id = stored.link.id.saturating_add(1);
    let Some(next) = walk::links(connection, (id, id)).await?.pop() else {
        return Ok(false);
    };
    let after = content(connection, late, (&hash, &stored.link.to), &next).await?;
    Ok(after == next.hash)
}

/// The hash of what a link covers.
async fn content(
    connection: &mut SqliteConnection,
    late: &[(i64, i64)],
    (before, from): (&Hash, &Fronts),
    stored: &Stored,
) -> Result<Hash, sqlx::Error> {
    let link = &stored.link;
    let has_ended = sections::has_ended(connection, link).await?;
    let mut bytes = Bytes::of(before, link, has_ended);
    bytes.samples(
        &samples(connection, late, from.sample, link).await?,
        &stored.marks,
    );
    sections::add(connection, &mut bytes, link, from, &mut Covered::default()).await?;
    Ok(bytes.hash())
}

/// The samples of a link, in their order.
async fn samples(
    connection: &mut SqliteConnection,
    late: &[(i64, i64)],
    from: Option<i64>,
    link: &Link,
) -> Result<Vec<Sealed>, sqlx::Error> {
    let mut found = Vec::new();
    if link.kind != kind::COMMIT {
        return Ok(found);
    }
    for key in unpacked(link.named.as_deref()) {
        found.extend(walk::sample(connection, key).await?);
    }
    let rows = sqlx::query(
        "SELECT at, channel, code, flags FROM sample WHERE at >= ? AND at <= ? ORDER BY at, channel",
    )
    .bind(from.map_or(i64::MIN, |from| from.saturating_add(1)))
    .bind(link.to.sample)
    .fetch_all(connection)
    .await?;
    for row in &rows {
        let sealed = walk::sealed(row)?;
        if late.binary_search(&(sealed.at, sealed.channel)).is_err() {
            found.push(sealed);
        }
    }
    Ok(found)
}

/// Samples whose marks are not those that were sealed.
fn of_samples(samples: &[Sealed], stored: &Stored) -> Vec<Fault> {
    let link = &stored.link;
    let differs = |(row, mark): &(&Sealed, &u8)| row.mark() != **mark;
    let (found, sealed) = (samples.len() as u64, link.samples.unsigned_abs());
    if found == sealed {
        let pairs = samples.iter().zip(&stored.marks);
        return pairs
            .filter(differs)
            .map(|(row, _)| {
                let fault = Fault::new(Flaw::SampleChanged).in_link(link.id);
                fault.at(row.at).of(row.channel)
            })
            .collect();
    }
    let place = samples
        .iter()
        .zip(&stored.marks)
        .position(|pair| differs(&pair));
    let place = samples.get(place.unwrap_or(samples.len().min(stored.marks.len())));
    let at = place.map_or(link.at, |row| row.at);
    if found < sealed {
        let flaw = Flaw::SamplesMissing { found, sealed };
        return vec![Fault::new(flaw).in_link(link.id).at(at)];
    }
    let fault = Fault::new(Flaw::SamplesAdded { found, sealed })
        .in_link(link.id)
        .at(at);
    vec![place.map_or(fault.clone(), |row| fault.of(row.channel))]
}

/// The rows that a link covers beside samples.
fn covers(link: &Link, from: &Fronts) -> Vec<Covers> {
    let keys = |from: Option<i64>, to: Option<i64>| {
        let to = to.unwrap_or(0);
        (from.unwrap_or(0).saturating_add(1)..=to).take(1000)
    };
    let mut rows: Vec<_> = keys(from.gap, link.to.gap).map(Covers::Gap).collect();
    rows.extend(
        unpacked_keys(link.closed.as_deref())
            .into_iter()
            .map(Covers::GapEnd),
    );
    rows.extend(keys(from.event, link.to.event).map(Covers::Event));
    rows.extend(keys(from.clock, link.to.clock).map(Covers::Clock));
    match link.kind {
        kind::SESSION => rows.extend(link.session.map(Covers::Session)),
        kind::ENTRY => rows.extend(
            unpacked(link.named.as_deref())
                .into_iter()
                .filter(|(table, _)| *table == entry::CORRECTION)
                .map(|(_, id)| Covers::Correction(id)),
        ),
        _ => {}
    }
    rows
}

async fn is_there(connection: &mut SqliteConnection, row: Covers) -> Result<bool, sqlx::Error> {
    let (sql, id) = match row {
        Covers::Sample | Covers::Mapping(_) => return Ok(true),
        Covers::Event(id) => ("SELECT count(*) FROM event WHERE id = ?", id),
        Covers::Gap(id) => ("SELECT count(*) FROM gap WHERE id = ?", id),
        Covers::GapEnd(id) => (
            "SELECT count(*) FROM gap WHERE id = ? AND to_at IS NOT NULL",
            id,
        ),
        Covers::Clock(id) => ("SELECT count(*) FROM clock WHERE id = ?", id),
        Covers::Session(id) => ("SELECT count(*) FROM session WHERE id = ?", id),
        Covers::Correction(id) => ("SELECT count(*) FROM correction WHERE id = ?", id),
    };
    let count: i64 = sqlx::query_scalar(sql)
        .bind(id)
        .fetch_one(connection)
        .await?;
    Ok(count > 0)
}
