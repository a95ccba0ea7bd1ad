//! Which channels an export has, in which units, and what each is one of.

use zonda_model::{ChannelName, Period, Stamp, Unit};
use zonda_store::{ChannelRow, MappingRow, Readable};

use super::{ExportError, Request, Units};
use crate::table::Column;

pub(super) fn pick(
    known: &[ChannelRow],
    names: &[ChannelName],
) -> Result<Vec<ChannelRow>, ExportError> {
    let find = |name: &ChannelName| {
        let found = known.iter().find(|row| row.name == *name);
        found
            .cloned()
            .ok_or_else(|| ExportError::UnknownChannel(name.clone()))
    };
    names.iter().map(find).collect()
}

/// The configured channels in their order, and then those of earlier configurations that have
/// samples in the stretch.
pub(super) async fn all_of(
    record: &Readable,
    known: Vec<ChannelRow>,
    stretches: &[(Stamp, Stamp)],
) -> Result<Vec<ChannelRow>, ExportError> {
    let (mut rows, retired): (Vec<_>, Vec<_>) =
        known.into_iter().partition(|row| row.position.is_some());
    rows.sort_by_key(|row| row.position);
    if let ([(from, _), ..], [.., (_, to)]) = (stretches, stretches)
        && !retired.is_empty()
    {
        let ids: Vec<_> = retired.iter().map(|row| row.id).collect();
        let history = record
            .history(&ids, zonda_store::Grid::over((*from, *to), 1000))
            .await?;
        let has_samples = history
            .channels
            .iter()
            .map(|it| it.iter().any(Option::is_some));
        let kept = retired.into_iter().zip(has_samples).filter(|(_, has)| *has);
        rows.extend(kept.map(|(row, _)| row));
    }
    Ok(rows)
}

pub(super) fn columns(
    rows: &[ChannelRow],
    mappings: &[MappingRow],
    request: &Request,
) -> Result<Vec<Column>, ExportError> {
    let unknown = request
        .own_units
        .iter()
        .find(|(name, _)| !rows.iter().any(|row| row.name == *name));
    if let Some((name, _)) = unknown {
        return Err(ExportError::UnknownChannel(name.clone()));
    }
    rows.iter()
        .map(|row| column(row, basis_of(row, mappings), request))
        .collect()
}

/// What a channel's velocity or flow is one of, in words, by the newest of its mappings or laws.
pub(crate) fn basis_of(channel: &ChannelRow, mappings: &[MappingRow]) -> Option<String> {
    let own = mappings.iter().filter(|row| row.channel == channel.id);
    let stated = own.max_by_key(|row| row.version).and_then(|newest| {
        let text: serde_json::Value = serde_json::from_str(&newest.text).ok()?;
        Some(text.get("basis")?.as_str()?.to_owned())
    });
    channel.quantity.basis_words(stated)
}

fn column(
    row: &ChannelRow,
    basis: Option<String>,
    request: &Request,
) -> Result<Column, ExportError> {
    let own = request.own_units.iter().find(|(name, _)| *name == row.name);
    let unit = match (own, request.units) {
        (Some((_, unit)), _) => *unit,
        (None, Units::Si) => row.quantity.si(),
        (None, Units::Configured) => row.unit,
        (None, Units::Us) => row.quantity.us(),
    };
    if !row.quantity.accepts(unit) {
        let fit = Unit::ALL.iter().filter(|unit| row.quantity.accepts(**unit));
        let possible: Vec<_> = fit.map(|unit| unit.symbol()).collect();
        return Err(ExportError::UnfitUnit {
            name: row.name.clone(),
            quantity: row.quantity,
            unit,
            possible: possible.join(", "),
        });
    }
    Ok(Column {
        name: row.name.clone(),
        quantity: row.quantity,
        unit,
        basis,
    })
}

/// The tick of the fastest channel.
pub(super) fn fastest(rows: &[ChannelRow]) -> Period {
    let micros = rows
        .iter()
        .filter_map(|row| u64::try_from(row.period_us).ok())
        .min();
    micros
        .and_then(|micros| Period::new(std::time::Duration::from_micros(micros)).ok())
        .unwrap_or(Period::SECOND)
}
