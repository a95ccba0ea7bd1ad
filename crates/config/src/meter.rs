//! Meters: `[meter.NAME]`, one table an instrument, which yields its channels.

use zonda_model::written::Amount;
use zonda_model::{ChannelName, Name, Quantity};
use zonda_signal::Envelope;

use crate::certificate::Certified;
use crate::channel::{Defaults, Found};
use crate::check::{NamedSection, read_name};
use crate::fault::{Fault, note};
use crate::instrument::{ProbePlan, Way};
use crate::keys;
use crate::output::{self, Around, Draft};
use crate::section::{At, Section};
use crate::shelf::Shelf;
use crate::source::{Kind, Sources};

/// The keys of a meter that yield channels.
const OUTPUTS: [(&str, Quantity); 4] = [
    ("velocity", Quantity::Velocity),
    ("temperature", Quantity::Temperature),
    ("velocity-text", Quantity::Velocity),
    ("temperature-text", Quantity::Temperature),
];

/// A meter before the places of its channels are known.
#[derive(Debug)]
pub(crate) struct Meter {
    pub(crate) name: Name,
    pub(crate) serial: Option<String>,
    pub(crate) probe_number: Option<String>,
    pub(crate) probe: Option<ProbePlan>,
}

/// What meters refer to.
pub(crate) struct Shelves {
    pub(crate) envelopes: Shelf<Envelope>,
    pub(crate) certificates: Shelf<Certified>,
}

/// Reads a meter; its channels are put into `found`.
pub(crate) fn read(
    named: &NamedSection<'_, '_>,
    sources: &Sources,
    shelves: &Shelves,
    defaults: &Defaults,
    found: &mut Vec<Found>,
    (faults, warnings): (&mut Vec<Fault>, &mut Vec<Fault>),
) -> Option<Meter> {
    let section = &named.section;
    let name: Name = read_name(&named.name, faults)?;
    let outputs: Vec<_> = OUTPUTS
        .into_iter()
        .filter(|(key, _)| section.is_table(key))
        .collect();
    if outputs.is_empty() {
        let what = format!("meter `{name}` has no output");
        faults.push(
            Fault::new(named.name.span.clone(), what)
                .help(format!("add `velocity = {}`", keys::METER_OUTPUT)),
        );
    }
    let probe = read_probe(section, shelves, faults);
    let envelope = probe.as_ref().and_then(|probe| probe.envelope);
    let certificates = read_certificates(section, shelves, &outputs, faults);
    let needs = read_needs(section, faults).unwrap_or_else(|| defaults.needs_certificate.clone());
    if envelope.is_some() {
        refuse_unjudged(section, &outputs, faults);
    }
    for (key, quantity) in outputs {
        let Some(inner) = section.inner(key, faults) else {
            continue;
        };
        let certificate = certificates
            .iter()
            .find(|index| shelves.certificates.get(**index).certificate.quantity() == quantity);
        let is_velocity = quantity == Quantity::Velocity;
        let beside = is_velocity.then(|| temperature_beside(section, key, &name));
        // A velocity that nothing is read beside has been refused above.
        let envelope = envelope.filter(|_| beside != Some(None));
        let around = Around {
            envelope: envelope
                .map(|index| (shelves.envelopes.get(index), beside.clone().flatten())),
            certificate: certificate
                .map(|index| (*index, &shelves.certificates.get(*index).certificate)),
            lacks_certificate: needs.contains(&quantity),
            output_accuracy: section.text("output_accuracy"),
            is_meter: true,
            loop_tolerance: defaults.loop_tolerance,
            loop_age_max: defaults.loop_age_max,
        };
        let draft = output::read(&inner, Some(quantity), sources, &around, faults);
        refuse_other_ways(key, draft.as_ref(), &inner, sources, faults);
        if let Ok(channel) = format!("{name}.{key}").parse() {
            found.push(Found {
                span: inner.span.clone(),
                name: channel,
                meter: Some(name.clone()),
                draft,
            });
        }
    }
    refuse_two_bases(section, &name, found, faults);
    let text = |key| section.text(key).map(|at| at.value.to_owned());
    let meter = Meter {
        serial: text("serial"),
        probe_number: text("probe_number"),
        probe,
        name,
    };
    warn_wrong_probe(&meter, section, warnings);
    Some(meter)
}

fn read_probe(
    section: &Section<'_, '_>,
    shelves: &Shelves,
    faults: &mut Vec<Fault>,
) -> Option<ProbePlan> {
    let inner = section.inner("probe", faults)?;
    let limit = inner.parsed::<Amount>("cable_limit", faults);
    let limit =
        limit.and_then(|At { value, span }| note(value.si(Quantity::Temperature), &span, faults));
    let text = |key| inner.text(key).map(|at| at.value.to_owned());
    Some(ProbePlan {
        serial: text("serial"),
        number: text("number"),
        envelope: inner
            .text("envelope")
            .and_then(|name| shelves.envelopes.find(&name, faults)),
        cable_limit: limit,
    })
}

/// The certificates that the meter names: each of a quantity that the meter reads, one a quantity.
fn read_certificates(
    section: &Section<'_, '_>,
    shelves: &Shelves,
    outputs: &[(&str, Quantity)],
    faults: &mut Vec<Fault>,
) -> Vec<usize> {
    let mut found: Vec<(Quantity, usize)> = Vec::new();
    for wanted in section.texts("certificates").unwrap_or_default() {
        let Some(index) = shelves.certificates.find(&wanted, faults) else {
            continue;
        };
        let quantity = shelves.certificates.get(index).certificate.quantity();
        let what = if found.iter().any(|(other, _)| *other == quantity) {
            format!("a second certificate of {quantity}: a reading is put right once")
        } else if outputs.iter().any(|(_, of)| *of == quantity) {
            found.push((quantity, index));
            continue;
        } else {
            format!(
                "`{}` is a certificate of {quantity}, and no output here is one",
                wanted.value
            )
        };
        faults.push(Fault::new(wanted.span, what).help("leave it out, or name another"));
    }
    found.into_iter().map(|(_, index)| index).collect()
}

/// The quantities that need a certificate; `None` where the table does not say.
pub(crate) fn read_needs(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
) -> Option<Vec<Quantity>> {
    let mut needs = Vec::new();
    for At { value, span } in section.texts("needs_certificate")? {
        match value.parse() {
            Ok(quantity @ (Quantity::Velocity | Quantity::Temperature)) => needs.push(quantity),
            _ => faults.push(
                Fault::new(
                    span,
                    format!("a meter reads velocity and temperature, not `{value}`"),
                )
                .help("write such as `needs_certificate = [\"velocity\"]`"),
            ),
        }
    }
    Some(needs)
}

/// An envelope without a temperature could never speak for a velocity.
fn refuse_unjudged(
    section: &Section<'_, '_>,
    outputs: &[(&str, Quantity)],
    faults: &mut Vec<Fault>,
) {
    let has = |wanted| outputs.iter().any(|(_, quantity)| *quantity == wanted);
    if has(Quantity::Velocity) && !has(Quantity::Temperature) && !section.is_misspelt() {
        let what =
            "the probe's envelope judges a velocity by the temperature, and the meter has none";
        faults.push(
            Fault::new(section.place("probe"), what)
                .help("add the meter's `temperature`, or leave the envelope out"),
        );
    }
}

/// The channel of the temperature that is read nearest to a velocity: in the same scan where there is
/// one, else the analog one, else that of the text line.
fn temperature_beside(section: &Section<'_, '_>, key: &str, meter: &Name) -> Option<ChannelName> {
    let source = |key: &str| {
        let input = section.input_of(key)?;
        Some(input.split_once('.').map_or(input, |(source, _)| source))
    };
    let own = source(key);
    let others = || {
        ["temperature", "temperature-text"]
            .into_iter()
            .filter(|other| section.is_table(other))
    };
    let nearest = others().find(|other| source(other) == own);
    let beside = nearest.or_else(|| others().next())?;
    format!("{meter}.{beside}").parse().ok()
}

/// What is called the text of a meter comes from a line of text.
fn refuse_other_ways(
    key: &str,
    draft: Option<&Draft>,
    section: &Section<'_, '_>,
    sources: &Sources,
    faults: &mut Vec<Fault>,
) {
    let Some(draft) = draft.filter(|_| key.ends_with("-text")) else {
        return;
    };
    if !matches!(sources.kind(draft.input.source), Kind::Text { .. }) || draft.way != Way::Text {
        let what =
            format!("`{key}` is what the meter says in its line of text, and this is not one");
        let plain = key.trim_end_matches("-text");
        faults
            .push(Fault::new(section.place("input"), what).help(format!("write it as `{plain}`")));
    }
}

/// The two ways of a meter are compared, which says nothing of numbers of two bases.
fn refuse_two_bases(
    section: &Section<'_, '_>,
    meter: &Name,
    found: &[Found],
    faults: &mut Vec<Fault>,
) {
    let basis = |key: &str| {
        let channel = format!("{meter}.{key}");
        let of_it = found.iter().find(|found| found.name.as_str() == channel)?;
        of_it.draft.as_ref()?.basis
    };
    let (Some(analog), Some(text)) = (basis("velocity"), basis("velocity-text")) else {
        return;
    };
    if !analog.agrees_with(text) {
        let what = format!(
            "meter `{meter}` is heard both ways and the two are compared, but one is {analog} and the other {text}"
        );
        faults.push(
            Fault::new(section.place("velocity-text"), what)
                .also(section.place("velocity"), "the analog output")
                .help("set both outputs of the meter to one basis, or write the text line's as a `[channel.NAME]` of its own"),
        );
    }
}

/// A meter that holds another probe's characteristics reads wrong in a way that nothing else shows.
fn warn_wrong_probe(meter: &Meter, section: &Section<'_, '_>, warnings: &mut Vec<Fault>) {
    let wanted = meter.probe.as_ref().and_then(|probe| probe.number.as_ref());
    let (Some(wanted), Some(carried)) = (wanted, &meter.probe_number) else {
        return;
    };
    if wanted != carried {
        let what = format!(
            "meter `{}` carries probe number {carried}, and its probe wants {wanted}",
            meter.name
        );
        warnings.push(
            Fault::new(section.place("probe_number"), what)
                .also(section.place("probe"), "the probe")
                .help("a meter holds its probe's characteristics: set the number on the meter, or swap the probes"),
        );
    }
}
