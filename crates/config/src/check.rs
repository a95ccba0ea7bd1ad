//! From text to a checked [`Config`]: every table is read, every mistake noted, nothing stops early.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use toml::de::DeTable;
use zonda_model::ChannelName;

use crate::channel::{self, Defaults, Found};
use crate::fault::{Fault, Faults};
use crate::identity;
use crate::instrument::{CertificatePlan, EnvelopePlan};
use crate::keys::{self, TOPS};
use crate::meter::{self, Meter, Shelves};
use crate::plan::{Config, HttpPlan, Revision, StationPlan};
use crate::section::{At, Section, unknown};
use crate::shelf::Shelf;
use crate::source::Sources;
use crate::tables::{self, ReadTable, Tables};
use crate::{certificate, derived, envelope, evaluation, layout, report, run, syntax};

/// A configuration that holds, and what to look at twice all the same.
#[derive(Clone, Debug)]
pub struct Checked {
    /// The configuration.
    pub config: Config,
    /// Nothing here stops the daemon.
    pub warnings: Faults,
}

/// Checks the text of a configuration that names no tables in files of their own.
///
/// # Errors
/// As [`check_with`]; a table that is named is a mistake.
pub fn check(name: &str, text: &str) -> Result<Checked, Faults> {
    check_with(name, text, &|_| {
        Err("here, nothing beside the configuration itself is read".to_owned())
    })
}

/// Checks the text of a configuration file. `name` is how messages call the file; `read_table` reads
/// the files that it names, such as a certificate's points.
///
/// # Errors
/// Every mistake in it, at once, in the order of their places. Where the text is not TOML, only that:
/// what could be read of it would lead to mistakes that nobody made.
pub fn check_with(name: &str, text: &str, read_table: &ReadTable<'_>) -> Result<Checked, Faults> {
    let (table, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        return Err(Faults::new(name, text, syntax::faults(text, &errors)));
    }
    let (mut faults, mut warnings) = (Vec::new(), Vec::new());
    let config = read(
        table.get_ref(),
        text,
        read_table,
        (&mut faults, &mut warnings),
    );
    match config {
        Some(config) if faults.is_empty() => Ok(Checked {
            config,
            warnings: Faults::new(name, text, warnings),
        }),
        _ => Err(Faults::new(name, text, faults)),
    }
}

/// Checks a revision as a record keeps it: the text of a configuration with the tables that it names behind it.
///
/// # Errors
/// As [`check_with`]; a revision of another version of the program may have what this one does not know.
pub fn check_revision(whole: &str) -> Result<Checked, Faults> {
    let (text, tables) = tables::take_apart(whole);
    check_with("the configuration of then", text, &|path| {
        let kept = tables.get(&path.escape_debug().to_string());
        let missing = || "the revision does not hold it".to_owned();
        kept.cloned().ok_or_else(missing)
    })
}

fn read(
    file: &DeTable<'_>,
    text: &str,
    read_table: &ReadTable<'_>,
    (faults, warnings): (&mut Vec<Fault>, &mut Vec<Fault>),
) -> Option<Config> {
    check_tops(file, faults);
    let station_section = single(file, "station", faults);
    let defaults = Defaults::read(&station_section, faults);
    let station = station(&station_section, faults);
    let http = http(&single(file, "http", faults), faults);
    let report = report::read(&single(file, "report", faults), faults);
    let lines = named(file, "line", faults);
    let modules = named(file, "module", faults);
    let mut sources = Sources::read(&lines, &modules, faults, warnings);
    let mut tables = Tables::new(read_table);
    let shelves = shelves(file, &mut tables, faults);
    let (found, meters) = channels(file, &sources, &shelves, &defaults, (faults, warnings));
    if found.iter().all(|found| found.draft.is_none()) && faults.is_empty() {
        faults.push(
            Fault::new(0..0, "there is nothing to record")
                .help("add a `[meter.NAME]` or a `[channel.NAME]` with an input"),
        );
    }
    sources.note_used(found.iter().filter_map(|found| found.draft.as_ref()));
    sources.warn_unused(warnings);
    shelves.envelopes.warn_unused(warnings);
    shelves.certificates.warn_unused(warnings);
    let (mut channels, meters) = channel::finish(found, meters, &sources);
    let (mut known, is_whole) = (derived::known(&channels), faults.is_empty());
    let tables_of_derived = named(file, "derived", faults);
    let drafts = derived::read(&tables_of_derived, &mut known, is_whole, faults);
    let quantity_of = |name: &ChannelName| {
        let named = known.iter().find(|known| known.name == *name);
        named.map(|known| known.quantity)
    };
    let layouts = {
        let names: Vec<_> = meters.iter().map(|meter| meter.name.clone()).collect();
        let bindable = layout::Bindable {
            known: &known,
            channels: &channels,
            meters: &names,
            is_whole: faults.is_empty(),
        };
        let tables = named(file, "layout", faults);
        let read = tables.iter();
        read.filter_map(|table| layout::read(table, &bindable, faults))
            .collect::<Vec<_>>()
    };
    let evaluations = {
        let referable = evaluation::Referable {
            channels: &|name| known.iter().any(|known| known.name.as_str() == name),
            layouts: &layouts,
            is_whole: faults.is_empty(),
        };
        let tables = named(file, "evaluation", faults);
        let read = tables.iter();
        read.filter_map(|table| evaluation::read(table, &referable, faults))
            .collect::<Vec<_>>()
    };
    let known: run::Known<'_> = faults.is_empty().then_some(&quantity_of as _);
    let runs = named(file, "run", faults);
    let runs = runs
        .iter()
        .filter_map(|table| run::read(table, known, (&layouts, &evaluations), faults))
        .collect();
    let (lines, mut sources) = sources.finish(faults)?;
    identity::warn_other_number(file, (&meters, &channels), (&lines, &sources), warnings);
    let derived = derived::finish(drafts, &mut channels, &lines, &mut sources);
    let (envelopes, certificates) = plans(shelves);
    let text = tables.append_to(text);
    let revision = Revision {
        hash: blake3::hash(text.as_bytes()).to_hex().to_string(),
        text,
    };
    Some(Config {
        station: station?,
        http: http?,
        report,
        lines,
        sources,
        channels,
        derived,
        meters,
        envelopes,
        certificates,
        layouts,
        evaluations,
        runs,
        revision,
    })
}

/// What meters and channels refer to by name.
fn shelves(file: &DeTable<'_>, tables: &mut Tables<'_>, faults: &mut Vec<Fault>) -> Shelves {
    let envelopes = named(file, "envelope", faults);
    let certificates = named(file, "certificate", faults);
    Shelves {
        envelopes: Shelf::read("envelope", &envelopes, faults, envelope::read),
        certificates: Shelf::read("certificate", &certificates, faults, |table, faults| {
            certificate::read(table, tables, faults)
        }),
    }
}

fn plans(shelves: Shelves) -> (Vec<EnvelopePlan>, Vec<CertificatePlan>) {
    let envelopes = shelves.envelopes.take();
    let certificates = shelves.certificates.take();
    (
        envelopes
            .map(|(name, envelope)| EnvelopePlan { name, envelope })
            .collect(),
        certificates
            .map(|(name, certified)| CertificatePlan {
                name,
                certificate: certified.certificate,
                drift_per_year: certified.drift_per_year,
            })
            .collect(),
    )
}

/// Channels of meters and free ones, in the order of the file, and the meters.
fn channels(
    file: &DeTable<'_>,
    sources: &Sources,
    shelves: &Shelves,
    defaults: &Defaults,
    (faults, warnings): (&mut Vec<Fault>, &mut Vec<Fault>),
) -> (Vec<Found>, Vec<Meter>) {
    let (mut found, mut meters) = (Vec::new(), Vec::new());
    for table in named(file, "meter", faults) {
        let told = (&mut *faults, &mut *warnings);
        meters.extend(meter::read(
            &table, sources, shelves, defaults, &mut found, told,
        ));
    }
    for table in named(file, "channel", faults) {
        found.extend(channel::read(&table, sources, shelves, defaults, faults));
    }
    found.sort_by_key(|found| found.span.start);
    channel::refuse_twins(&found, faults);
    channel::refuse_bad_companions(&found, faults);
    (found, meters)
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
    let hosts = section.texts("hosts").unwrap_or_default();
    let hosts = hosts.iter().map(|host| host.value.to_owned()).collect();
    if section.text("listen").is_none() {
        return Some(HttpPlan {
            listen: default,
            hosts,
        });
    }
    let read = |text: &str| {
        text.parse::<SocketAddr>()
            .map_err(|_| format!("`{text}` is not an IP address and a port"))
    };
    let listen = section.read("listen", read, faults)?;
    Some(HttpPlan {
        listen: listen.value,
        hosts,
    })
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

#[cfg(test)]
mod tests;
