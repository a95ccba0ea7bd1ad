//! From text to a checked [`Config`]: every table is read, every mistake noted, nothing stops early.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeTable, DeValue};
use zonda_model::{ChannelName, Name, Quantity};

use crate::fault::{Fault, Faults};
use crate::keys::{self, OUTPUT, TOPS};
use crate::output::{self, Draft};
use crate::plan::{ChannelPlan, Config, HttpPlan, Revision, StationPlan};
use crate::section::{At, Section, unknown};
use crate::source::Sources;
use crate::syntax;

/// A configuration that holds, and what to look at twice all the same.
#[derive(Clone, Debug)]
pub struct Checked {
    /// The configuration.
    pub config: Config,
    /// Nothing here stops the daemon.
    pub warnings: Faults,
}

/// Checks the text of a configuration file. `name` is how messages call the file.
///
/// # Errors
/// Every mistake in it, at once, in the order of their places. Where the text is not TOML, only that:
/// what could be read of it would lead to mistakes that nobody made.
pub fn check(name: &str, text: &str) -> Result<Checked, Faults> {
    let (table, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        return Err(Faults::new(name, text, syntax::faults(text, &errors)));
    }
    let (mut faults, mut warnings) = (Vec::new(), Vec::new());
    let config = read(table.get_ref(), text, &mut faults, &mut warnings);
    match config {
        Some(config) if faults.is_empty() => Ok(Checked {
            config,
            warnings: Faults::new(name, text, warnings),
        }),
        _ => Err(Faults::new(name, text, faults)),
    }
}

fn read(
    file: &DeTable<'_>,
    text: &str,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<Config> {
    check_tops(file, faults);
    let station = station(&single(file, "station", faults), faults);
    let http = http(&single(file, "http", faults), faults);
    let lines = named(file, "line", faults);
    let modules = named(file, "module", faults);
    let mut sources = Sources::read(&lines, &modules, faults, warnings);
    let drafts = channels(file, &sources, faults);
    if drafts.is_empty() && faults.is_empty() {
        faults.push(
            Fault::new(0..0, "there is nothing to record")
                .help("add a `[meter.NAME]` or a `[channel.NAME]` with an input"),
        );
    }
    sources.note_used(drafts.iter().map(|draft| &draft.draft));
    sources.warn_unused(warnings);
    let channels = drafts
        .into_iter()
        .map(|named| plan(named, &sources))
        .collect();
    let (lines, sources) = sources.finish(faults)?;
    let revision = Revision {
        hash: blake3::hash(text.as_bytes()).to_hex().to_string(),
        text: text.to_owned(),
    };
    Some(Config {
        station: station?,
        http: http?,
        lines,
        sources,
        channels,
        revision,
    })
}

fn check_tops(file: &DeTable<'_>, faults: &mut Vec<Fault>) {
    for (name, value) in file {
        let top = TOPS.iter().find(|top| top.name == name.get_ref());
        match top {
            None => {
                let known: Vec<_> = TOPS.iter().map(|top| top.name).collect();
                faults.push(unknown(name, "table", &known));
            }
            Some(top) if !value.get_ref().is_table() => {
                let shape = if top.named {
                    format!("[{}.NAME]", top.name)
                } else {
                    format!("[{}]", top.name)
                };
                faults.push(
                    Fault::new(value.span(), format!("`{}` is a table", top.name))
                        .help(format!("write `{shape}`")),
                );
            }
            Some(_) => {}
        }
    }
}

fn keys_of(name: &str) -> &'static [keys::Key] {
    TOPS.iter()
        .find(|top| top.name == name)
        .map_or(&[], |top| top.keys)
}

static NOTHING: std::sync::LazyLock<DeTable<'static>> = std::sync::LazyLock::new(DeTable::new);

/// A table that stands once, or an empty one in its place.
fn single<'t, 'i>(file: &'t DeTable<'i>, name: &str, faults: &mut Vec<Fault>) -> Section<'t, 'i>
where
    'static: 't,
{
    let found = file
        .get(name)
        .and_then(|value| Some((value.get_ref().as_table()?, value.span())));
    let (table, span) = found.unwrap_or((&NOTHING, 0..0));
    Section::open(table, span, keys_of(name), faults)
}

/// The tables `[kind.NAME]`, in the order of the file.
pub(crate) struct NamedSection<'t, 'i> {
    pub(crate) name: At<&'t str>,
    pub(crate) section: Section<'t, 'i>,
}

fn named<'t, 'i>(
    file: &'t DeTable<'i>,
    kind: &str,
    faults: &mut Vec<Fault>,
) -> Vec<NamedSection<'t, 'i>> {
    let table = file.get(kind).and_then(|value| value.get_ref().as_table());
    let mut entries: Vec<_> = table.into_iter().flatten().collect();
    entries.sort_by_key(|(name, _)| name.span().start);
    let mut sections = Vec::new();
    for (name, value) in entries {
        let Some(inner) = value.get_ref().as_table() else {
            faults.push(Fault::new(
                value.span(),
                format!("`{kind}` needs a name: write `[{kind}.NAME]`"),
            ));
            continue;
        };
        let section = Section::open(inner, name.span(), keys_of(kind), faults);
        sections.push(NamedSection {
            name: At {
                value: name.get_ref().as_ref(),
                span: name.span(),
            },
            section,
        });
    }
    sections
}

fn station(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<StationPlan> {
    let before = faults.len();
    let zone = section.read(
        "time_zone",
        |text| {
            jiff::tz::TimeZone::get(text)
                .map(|_| text.to_owned())
                .map_err(|_| format!("`{text}` is not an IANA time zone"))
        },
        faults,
    );
    let commit_every = section.duration(
        "commit_every",
        (Duration::from_millis(250), Duration::from_secs(10)),
        faults,
    );
    let memory_samples = section.whole("memory_samples", 1_000_i64, 100_000_000, faults);
    let data = section.text("data").map_or("data", |at| at.value);
    if data.is_empty() {
        faults.push(
            Fault::new(section.place("data"), "`data` is empty")
                .help("name a directory on a local disk"),
        );
    }
    (faults.len() == before).then(|| StationPlan {
        name: section
            .text("name")
            .map_or("Zonda", |at| at.value)
            .to_owned(),
        time_zone: zone.map_or_else(|| "UTC".to_owned(), |at| at.value),
        data: PathBuf::from(data),
        commit_every: commit_every.map_or(Duration::from_secs(1), |at| at.value),
        memory_samples: usize::try_from(memory_samples.unwrap_or(1_000_000)).unwrap_or(1_000_000),
    })
}

fn http(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<HttpPlan> {
    let default = SocketAddr::from(([127, 0, 0, 1], 7360));
    if section.text("listen").is_none() {
        return Some(HttpPlan { listen: default });
    }
    let read = |text: &str| {
        text.parse::<SocketAddr>()
            .map_err(|_| format!("`{text}` is not an IP address and a port"))
    };
    let listen = section.read("listen", read, faults)?;
    if !listen.value.ip().is_loopback() {
        let fault = Fault::new(
            listen.span,
            "this listens beyond the machine itself, where anyone on the network could read and steer",
        );
        faults
            .push(fault.help("use 127.0.0.1 or [::1]; from elsewhere, forward the port over ssh"));
        return None;
    }
    Some(HttpPlan {
        listen: listen.value,
    })
}

/// A channel before its input's place in the scan is known.
struct NamedDraft {
    name: ChannelName,
    draft: Draft,
}

/// Channels of meters and free ones, in the order of the file.
fn channels(file: &DeTable<'_>, sources: &Sources, faults: &mut Vec<Fault>) -> Vec<NamedDraft> {
    let mut found = Vec::new();
    for meter in named(file, "meter", faults) {
        meter_channels(file, &meter, sources, &mut found, faults);
    }
    for NamedSection { name, section } in named(file, "channel", faults) {
        let Some(channel) = read_name::<ChannelName>(&name, faults) else {
            continue;
        };
        let quantity = section.parsed::<Quantity>("quantity", faults);
        let draft = output::read(&section, quantity.map(|at| at.value), sources, faults);
        found.push((name.span, channel, draft));
    }
    found.sort_by_key(|(span, ..)| span.start);
    refuse_twins(&found, faults);
    found
        .into_iter()
        .filter_map(|(_, name, draft)| {
            Some(NamedDraft {
                name,
                draft: draft?,
            })
        })
        .collect()
}

type Found = (Range<usize>, ChannelName, Option<Draft>);

fn meter_channels(
    file: &DeTable<'_>,
    meter: &NamedSection<'_, '_>,
    sources: &Sources,
    found: &mut Vec<Found>,
    faults: &mut Vec<Fault>,
) {
    let Some(name) = read_name::<Name>(&meter.name, faults) else {
        return;
    };
    let outputs = meter_outputs(file, meter.name.value);
    if outputs.is_empty() {
        faults.push(
            Fault::new(
                meter.name.span.clone(),
                format!("meter `{name}` has no output"),
            )
            .help(format!("add `velocity = {}`", keys::METER[0].example)),
        );
    }
    for (quantity, table, span) in outputs {
        let section = Section::open(table, span.clone(), OUTPUT, faults);
        let draft = output::read(&section, Some(quantity), sources, faults);
        if let Ok(channel) = format!("{name}.{quantity}").parse() {
            found.push((span, channel, draft));
        }
    }
}

/// The outputs of a meter that are tables, by the place at which they stand.
fn meter_outputs<'t, 'i>(
    file: &'t DeTable<'i>,
    meter: &str,
) -> Vec<(Quantity, &'t DeTable<'i>, Range<usize>)> {
    let table = file
        .get("meter")
        .and_then(|all| all.get_ref().as_table())
        .and_then(|all| all.get(meter))
        .and_then(|one| one.get_ref().as_table());
    let mut outputs: Vec<_> = table
        .into_iter()
        .flatten()
        .filter_map(|(key, value): (_, &Spanned<DeValue<'_>>)| {
            Some((
                key.get_ref().parse().ok()?,
                value.get_ref().as_table()?,
                value.span(),
            ))
        })
        .collect();
    outputs.sort_by_key(|(_, _, span)| span.start);
    outputs
}

pub(crate) fn read_name<T: std::str::FromStr<Err: std::fmt::Display>>(
    name: &At<&str>,
    faults: &mut Vec<Fault>,
) -> Option<T> {
    name.value
        .parse()
        .map_err(|error| {
            faults.push(Fault::new(
                name.span.clone(),
                format!("`{}`: {error}", name.value),
            ));
        })
        .ok()
}

fn refuse_twins(found: &[Found], faults: &mut Vec<Fault>) {
    let mut seen: BTreeMap<&str, &Range<usize>> = BTreeMap::new();
    for (span, name, _) in found {
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

fn plan(named: NamedDraft, sources: &Sources) -> ChannelPlan {
    let NamedDraft { name, draft } = named;
    let input = sources.place_in_scan(&draft.input);
    ChannelPlan {
        name,
        quantity: draft.quantity,
        unit: draft.unit,
        source: draft.input.source,
        input,
        mapping: draft.mapping,
    }
}

#[cfg(test)]
mod tests;
