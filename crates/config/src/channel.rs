//! Channels: those of meters and free ones, as drafts until every one is known, then as plans.

use std::collections::BTreeMap;
use std::ops::Range;
use std::time::Duration;

use zonda_model::{ChannelName, Name, Quantity};

use crate::check::{NamedSection, read_name};
use crate::fault::Fault;
use crate::instrument::{LoopPlan, MeterPlan, OutputPlan};
use crate::known::read_tolerance;
use crate::meter::{Meter, Shelves, read_needs};
use crate::output::{self, Around, Draft};
use crate::plan::ChannelPlan;
use crate::section::Section;
use crate::source::Sources;

/// What the station says of all channels.
pub(crate) struct Defaults {
    pub(crate) needs_certificate: Vec<Quantity>,
    pub(crate) loop_tolerance: f64,
    pub(crate) loop_age_max: Duration,
}

impl Defaults {
    pub(crate) fn read(station: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Self {
        let tolerance = station.read("loop_tolerance", read_tolerance, faults);
        let days = station.whole("loop_check_days", 1_i64, 3650, faults);
        Self {
            needs_certificate: read_needs(station, faults).unwrap_or_default(),
            loop_tolerance: tolerance.map_or(LoopPlan::TOLERANCE, |at| at.value),
            loop_age_max: days
                .and_then(|days| u64::try_from(days).ok())
                .map_or(LoopPlan::AGE_MAX, |days| Duration::from_hours(24 * days)),
        }
    }
}

/// A channel as far as it could be read; its name is taken even where it has faults.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) span: Range<usize>,
    pub(crate) name: ChannelName,
    pub(crate) meter: Option<Name>,
    pub(crate) draft: Option<Draft>,
}

/// `[channel.NAME]`
pub(crate) fn read(
    named: &NamedSection<'_, '_>,
    sources: &Sources,
    shelves: &Shelves,
    defaults: &Defaults,
    faults: &mut Vec<Fault>,
) -> Option<Found> {
    let section = &named.section;
    let name: ChannelName = read_name(&named.name, faults)?;
    let quantity = section.parsed::<Quantity>("quantity", faults);
    let certificate = section
        .text("certificate")
        .and_then(|wanted| shelves.certificates.find(&wanted, faults));
    let around = Around {
        certificate: certificate.map(|index| (index, &shelves.certificates.get(index).certificate)),
        output_accuracy: section.text("output_accuracy"),
        loop_tolerance: defaults.loop_tolerance,
        loop_age_max: defaults.loop_age_max,
        ..Around::default()
    };
    let quantity = quantity.map(|at| at.value);
    Some(Found {
        span: named.name.span.clone(),
        name,
        meter: None,
        draft: output::read(section, quantity, sources, &around, faults),
    })
}

pub(crate) fn refuse_twins(found: &[Found], faults: &mut Vec<Fault>) {
    let mut seen: BTreeMap<&str, &Range<usize>> = BTreeMap::new();
    for Found { span, name, .. } in found {
        match seen.get(name.as_str()) {
            Some(first) => faults.push(
                Fault::new(span.clone(), format!("the channel `{name}` exists already"))
                    .also((*first).clone(), "first here")
                    .help("give one of them another name"),
            ),
            None => drop(seen.insert(name.as_str(), span)),
        }
    }
}

/// Channels that are read beside others must be there, and must be temperatures that stand by themselves.
pub(crate) fn refuse_bad_companions(found: &[Found], faults: &mut Vec<Fault>) {
    let drafts = found.iter().filter_map(|found| found.draft.as_ref());
    for wanted in drafts.filter_map(|draft| draft.companion.as_ref()) {
        let what = match found.iter().find(|other| other.name == wanted.value) {
            None => format!("there is no channel `{}`", wanted.value),
            // One that had a fault of its own has been told already.
            Some(Found { draft: None, .. }) => continue,
            Some(Found {
                draft: Some(other), ..
            }) => {
                if other.quantity != Quantity::Temperature {
                    format!(
                        "`{}` reads {}, not temperature",
                        wanted.value, other.quantity
                    )
                } else if other.companion.is_some() {
                    format!("`{}` needs a cold junction itself", wanted.value)
                } else {
                    continue;
                }
            }
        };
        faults.push(
            Fault::new(wanted.span.clone(), what)
                .help("name a channel that reads the temperature of the terminals, or write it, such as `23 °C`"),
        );
    }
}

/// The plans of channels and meters.
pub(crate) fn finish(
    found: Vec<Found>,
    meters: Vec<Meter>,
    sources: &Sources,
) -> (Vec<ChannelPlan>, Vec<MeterPlan>) {
    let whole: Vec<_> = found
        .into_iter()
        .filter_map(|found| Some((found.name, found.meter, found.draft?)))
        .collect();
    let names: Vec<ChannelName> = whole.iter().map(|(name, ..)| name.clone()).collect();
    let mut plans: Vec<MeterPlan> = meters.into_iter().map(plan_of).collect();
    let mut channels = Vec::new();
    for (channel, (name, meter, draft)) in whole.into_iter().enumerate() {
        let meter = meter.and_then(|name| plans.iter().position(|plan| plan.name == name));
        if let Some(index) = meter {
            plans[index].outputs.push(OutputPlan {
                channel,
                quantity: draft.quantity,
                way: draft.way,
            });
        }
        let beside = draft.mapping.companion();
        channels.push(ChannelPlan {
            name,
            quantity: draft.quantity,
            unit: draft.unit,
            basis: draft.basis,
            source: draft.input.source,
            input: sources.place_in_scan(&draft.input),
            companion: beside.and_then(|name| names.iter().position(|other| other == name)),
            mapping: draft.mapping,
            meter,
            way: draft.way,
            certificate: draft.certificate,
            loop_check: draft.loop_check,
            stuck: draft.stuck,
            accuracy: draft.accuracy,
        });
    }
    (channels, plans)
}

fn plan_of(meter: Meter) -> MeterPlan {
    MeterPlan {
        name: meter.name,
        serial: meter.serial,
        probe_number: meter.probe_number,
        probe: meter.probe,
        outputs: Vec::new(),
    }
}
