//! With what it was measured: meters and probes by their numbers, certificates with their due dates,
//! how each channel was read, and the checks of the loops.

use jiff::civil::Date;
use jiff::{Timestamp, tz::TimeZone};
use zonda_config::{ChannelPlan, Config, Way};
use zonda_model::Stamp;
use zonda_model::written::Span;
use zonda_store::ChannelRow;

use super::{Parts, words};
use crate::document::{Block, Table};

const NOT_STATED: &str = "not stated";

pub(super) fn section(parts: &Parts) -> Vec<Block> {
    let mut blocks = vec![super::section("Instruments")];
    if let Some(config) = &parts.config {
        blocks.push(Block::Table(meters(parts, config)));
        blocks.push(Block::Table(channels(parts, config)));
        blocks.push(Block::Table(certificates(parts, config)));
    }
    blocks.push(Block::Heading("Loop checks".to_owned()));
    if parts.dossier.loop_checks.is_empty() {
        blocks.push(Block::Text(
            "None of the channels was checked with a known signal before the end of the run."
                .to_owned(),
        ));
    } else {
        blocks.push(Block::Table(loop_checks(parts)));
    }
    blocks
}

/// The channels of the run with what the configuration says of them.
fn planned<'a>(
    parts: &'a Parts,
    config: &'a Config,
) -> impl Iterator<Item = (&'a ChannelRow, &'a ChannelPlan)> {
    parts.dossier.run.channels.iter().filter_map(|row| {
        let plan = config.channels.iter().find(|plan| plan.name == row.name)?;
        Some((row, plan))
    })
}

fn said(text: Option<&str>) -> String {
    text.unwrap_or(NOT_STATED).to_owned()
}

fn meters(parts: &Parts, config: &Config) -> Table {
    let mut table = Table::new(
        "Meters and probes",
        &[
            "meter",
            "serial number",
            "probe",
            "probe's number",
            "channels",
        ],
    )
    .small();
    for (index, meter) in config.meters.iter().enumerate() {
        let own: Vec<_> = planned(parts, config)
            .filter(|(_, plan)| plan.meter == Some(index))
            .map(|(row, _)| row.name.to_string())
            .collect();
        if own.is_empty() {
            continue;
        }
        let probe = meter.probe.as_ref();
        table.row([
            meter.name.to_string(),
            said(meter.serial.as_deref()),
            said(probe.and_then(|probe| probe.serial.as_deref())),
            said(meter.probe_number.as_deref()),
            own.join(", "),
        ]);
    }
    table
}

fn channels(parts: &Parts, config: &Config) -> Table {
    let mut table = Table::new(
        "Channels",
        &[
            "channel",
            "quantity",
            "unit",
            "#every, s",
            "read by",
            "range",
            "versions of its mapping",
        ],
    )
    .small();
    for (row, plan) in planned(parts, config) {
        let versions: Vec<_> = parts
            .dossier
            .mappings
            .iter()
            .filter(|mapping| mapping.channel == row.id)
            .map(|mapping| mapping.version.to_string())
            .collect();
        let range = plan
            .loop_check
            .as_ref()
            .map(|plan| format!("{} for {}", spanned(plan.signal), spanned(plan.value)));
        table.row([
            row.name.to_string(),
            words::plain(row.quantity.word()),
            row.unit.symbol().to_owned(),
            words::number(Stamp::from_micros(row.period_us).seconds()),
            way(plan.way).to_owned(),
            range.unwrap_or_else(|| "–".to_owned()),
            versions.join(", "),
        ]);
    }
    table
}

const fn way(way: Way) -> &'static str {
    match way {
        Way::Analog => "analog signal",
        Way::Text => "line of text",
        Way::Register => "register",
        Way::Derived => "computed from others",
    }
}

fn certificates(parts: &Parts, config: &Config) -> Table {
    let mut table = Table::new(
        "Certificates; channels of which the same is said stand together",
        &[
            "channels",
            "certificate",
            "laboratory",
            "calibrated",
            "due",
            "at the end of the run",
        ],
    )
    .small();
    let day = day(parts.dossier.run.range.1);
    let mut alike: Vec<(Vec<&str>, [String; 5])> = Vec::new();
    for (row, plan) in planned(parts, config) {
        let certificate = plan
            .certificate
            .and_then(|index| config.certificates.get(index));
        let cells = if let Some(plan) = certificate {
            let heading = plan.certificate.heading();
            let standing = if heading.due < day {
                "overdue"
            } else {
                "valid"
            };
            [
                heading.number.clone(),
                heading.laboratory.clone(),
                heading.date.to_string(),
                heading.due.to_string(),
                standing.to_owned(),
            ]
        } else {
            let none = if plan.way == Way::Derived {
                "none of its own"
            } else {
                NOT_STATED
            };
            [none, "–", "–", "–", "–"].map(str::to_owned)
        };
        match alike.iter_mut().find(|(_, other)| *other == cells) {
            Some((names, _)) => names.push(row.name.as_str()),
            None => alike.push((vec![row.name.as_str()], cells)),
        }
    }
    for (names, cells) in alike {
        table.row(std::iter::once(names.join(", ")).chain(cells));
    }
    table
}

fn loop_checks(parts: &Parts) -> Table {
    let mut table = Table::new(
        "The latest check of each loop up to the end of the run",
        &[
            "channel",
            "when",
            "by",
            "source",
            "signal for",
            "#points",
            "#tolerance",
            "#largest error",
            "result",
        ],
    )
    .small();
    for row in &parts.dossier.loop_checks {
        let check = &row.check;
        let is_whole = check.hash() == row.hash;
        let result = match (check.is_passed, is_whole) {
            (_, false) => "altered after it was written",
            (true, true) => "passed",
            (false, true) => "failed",
        };
        let source = [check.source.as_str(), check.serial.as_str()].join(" ");
        table.row([
            parts.dossier.name_of(check.channel).to_owned(),
            words::time(parts.dossier.utc.of(check.at)),
            check.operator.clone(),
            source.trim().to_owned(),
            format!("{} for {}", check.signal, check.range),
            check.points.len().to_string(),
            words::percent(check.tolerance),
            words::percent(check.error_max),
            result.to_owned(),
        ]);
    }
    table
}

pub(super) fn cautions(parts: &Parts) -> Vec<String> {
    let mut cautions = Vec::new();
    if let Some(config) = &parts.config {
        let day = day(parts.dossier.run.range.1);
        let mut without = Vec::new();
        for (row, plan) in planned(parts, config).filter(|(_, plan)| plan.way != Way::Derived) {
            match plan
                .certificate
                .and_then(|index| config.certificates.get(index))
            {
                None => without.push(row.name.as_str()),
                Some(plan) if plan.certificate.heading().due < day => cautions.push(format!(
                    "The calibration of {} was due on {}.",
                    row.name,
                    plan.certificate.heading().due
                )),
                Some(_) => {}
            }
        }
        if !without.is_empty() {
            cautions.push(format!(
                "No certificate is stated for {}: their results are not shown to be traceable.",
                listed(&without)
            ));
        }
        let checked = |row: &ChannelRow| {
            let mut checks = parts.dossier.loop_checks.iter();
            checks.any(|check| check.check.channel == row.id)
        };
        let unchecked: Vec<_> = planned(parts, config)
            .filter(|(row, plan)| plan.loop_check.is_some() && !checked(row))
            .map(|(row, _)| row.name.as_str())
            .collect();
        if !unchecked.is_empty() {
            cautions.push(format!(
                "The loop was not checked of {}: nobody has shown that range and wiring are as configured.",
                listed(&unchecked)
            ));
        }
    }
    for row in parts
        .dossier
        .loop_checks
        .iter()
        .filter(|row| !row.check.is_passed)
    {
        let name = parts.dossier.name_of(row.check.channel);
        cautions.push(format!("The check of the loop of {name} failed."));
    }
    cautions
}

/// `4 to 20 mA`.
fn spanned(span: Span) -> String {
    format!(
        "{} to {} {}",
        words::number(span.from),
        words::number(span.to),
        span.unit
    )
}

/// A few names, or how many there are.
fn listed(names: &[&str]) -> String {
    match names {
        [first, second, rest @ ..] if rest.len() > 2 => {
            format!("{} channels ({first}, {second} …)", names.len())
        }
        few => few.join(", "),
    }
}

fn day(utc: Stamp) -> Date {
    let at = Timestamp::from_microsecond(utc.micros()).unwrap_or_default();
    at.to_zoned_datetime(TimeZone::UTC).date()
}
