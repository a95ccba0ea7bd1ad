//! The `iio` driver of a line: a converter that the kernel's Industrial I/O subsystem reads.
//!
//! What a count of each channel stands for is said in the file, so that every value can be computed
//! again from the record; the driver compares it with what the kernel says. Opening attributes is
//! left to `zonda-lines`.
//!
//! Source of names and units: the Linux kernel's Documentation/ABI/testing/sysfs-bus-iio.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use zonda_model::written::Amount;
use zonda_model::{Name, Period, SourceId, Unit};
use zonda_signal::{CodeFormat, Scale};

use crate::check::read_name;
use crate::code::read_scale;
use crate::fault::Fault;
use crate::line::read_timeout;
use crate::section::{At, Section};

/// A line that is one converter of the kernel's Industrial I/O subsystem; it is one source.
#[derive(Clone, Debug, PartialEq)]
pub struct IioPlan {
    /// Which source its scans are.
    pub source: SourceId,
    /// The folder of the devices, `/sys/bus/iio/devices` on every Linux.
    pub root: PathBuf,
    /// Which of them it is; never by its number, because that is the order of finding.
    pub device: IioDevice,
    /// The channels in use; scans carry their codes in this order.
    pub channels: Vec<IioChannel>,
    /// Whether each channel is read twice, the first reading being thrown away: it may still hold
    /// what the multiplexer had selected before.
    pub discard_first: bool,
    /// The wait between the two readings.
    pub settle: Duration,
    /// The longest that the readings of one tick may take together.
    pub timeout: Duration,
}

/// How a converter is recognised. What is `None` may be anything.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct IioDevice {
    /// Its attribute `name`: the kind of chip.
    pub name: Option<String>,
    /// Its attribute `label`: what the board's description calls it.
    pub label: Option<String>,
    /// The name of its parent in the device tree, such as `1-0048` of an I²C chip.
    pub bus_address: Option<String>,
}

/// One channel of a converter.
#[derive(Clone, Debug, PartialEq)]
pub struct IioChannel {
    /// As in the names of its attributes: `voltage0` of `in_voltage0_raw`.
    pub name: Name,
    /// Which attribute is read.
    pub reading: IioReading,
}

/// What is read of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum IioReading {
    /// The converter's own count (`_raw`). In the kernel's unit the measured is
    /// `(count + offset) · scale`.
    Raw {
        /// What one count stands for, in the kernel's unit of the channel's kind.
        scale: f64,
        /// What is added to the count first.
        offset: f64,
    },
    /// A number that the kernel's driver has already scaled (`_input`), in the kernel's unit.
    Processed,
}

impl IioPlan {
    /// The usual folder.
    pub const ROOT: &str = "/sys/bus/iio/devices";
}

impl std::fmt::Display for IioDevice {
    /// `adc12-4`, `adc12-4 with the label inlet`, …
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let name = self.name.as_deref().unwrap_or("a converter");
        let label = self
            .label
            .iter()
            .map(|label| format!("the label `{label}`"));
        let address = self
            .bus_address
            .iter()
            .map(|at| format!("the bus address {at}"));
        let more: Vec<_> = label.chain(address).collect();
        f.write_str(name)?;
        if more.is_empty() {
            return Ok(());
        }
        write!(f, " with {}", more.join(" and "))
    }
}

/// The kinds of channels that are read here, the unit that the kernel's ABI gives each, and how many
/// of the kernel's units our unit is.
const KINDS: [(&str, Unit, f64); 6] = [
    ("voltage", Unit::Millivolt, 1.0),
    ("current", Unit::Milliampere, 1.0),
    ("resistance", Unit::Ohm, 1.0),
    ("temp", Unit::DegreeCelsius, 1000.0),
    ("humidityrelative", Unit::Percent, 1000.0),
    ("pressure", Unit::Kilopascal, 1.0),
];

/// What is known of a channel by its name: its unit here, and how many of the kernel's units that is.
fn kind_of(channel: &str) -> Option<(Unit, f64)> {
    KINDS
        .iter()
        .filter(|(kind, ..)| {
            let rest = channel.strip_prefix(kind);
            rest.is_some_and(|rest| !rest.starts_with(|c: char| c.is_alphabetic()))
        })
        .map(|(_, unit, factor)| (*unit, *factor))
        .next()
}

/// What one count of a channel stands for as the file would have it, such as `0.1875 mV`, from the
/// scale that the kernel gives; `None` of a kind that is not read here.
pub fn written_scale(channel: &str, scale: f64) -> Option<String> {
    let (unit, factor) = kind_of(channel)?;
    Some(format!("{} {unit}", scale / factor))
}

/// A channel as other tables refer to it.
#[derive(Clone, Debug)]
pub(crate) struct Input {
    pub(crate) name: Name,
    pub(crate) format: CodeFormat,
    pub(crate) scale: Scale,
}

/// What the table says, and how its channels are to be read by those that use them.
pub(crate) fn read(
    section: &Section<'_, '_>,
    source: SourceId,
    every: Option<&At<Period>>,
    faults: &mut Vec<Fault>,
) -> Option<(IioPlan, Vec<Input>)> {
    let before = faults.len();
    let device = read_device(section, faults);
    let timeout = read_timeout(section, every, faults);
    let settle = read_settle(section, timeout, faults);
    let (channels, inputs) = read_channels(section, faults).into_iter().unzip();
    let root = section.text("root").map_or(IioPlan::ROOT, |at| at.value);
    let plan = IioPlan {
        source,
        root: PathBuf::from(root),
        device,
        channels,
        discard_first: section.flag("discard_first"),
        settle,
        timeout,
    };
    (faults.len() == before && !section.is_misspelt()).then_some((plan, inputs))
}

fn read_device(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> IioDevice {
    let mut text = |key: &str| {
        let at = section.text(key)?;
        let number = at.value.strip_prefix("iio:device");
        if number.is_some() || at.value.is_empty() || at.value.contains('/') {
            let what = format!("`{}` does not say which converter it is", at.value);
            faults.push(Fault::new(at.span, what).help(
                "numbers such as iio:device0 are the order of finding and move; `zonda discover` shows each converter's name, label and bus address",
            ));
        }
        Some(at.value.to_owned())
    };
    let device = IioDevice {
        name: text("name"),
        label: text("label"),
        bus_address: text("bus_address"),
    };
    if device.name.is_none() && device.label.is_none() && !section.is_misspelt() {
        faults.push(
            Fault::new(section.span.clone(), "it is not said which converter this is")
                .help("add `name = \"adc12-4\"`, its kind of chip, or `label`; `zonda discover` shows them"),
        );
    }
    device
}

fn read_settle(section: &Section<'_, '_>, timeout: Duration, faults: &mut Vec<Fault>) -> Duration {
    let settle = section.duration("settle", (Duration::ZERO, Duration::from_secs(1)), faults);
    if !section.flag("discard_first") {
        let why = "says nothing here: each channel is read once";
        let help = "add `discard_first = true`, or leave it out";
        section.refuse(&["settle"], why, help, faults);
    }
    let Some(settle) = settle else {
        return Duration::ZERO;
    };
    let readings = u32::try_from(section.pairs("channels").len()).unwrap_or(u32::MAX);
    if settle.value.saturating_mul(readings) >= timeout {
        let what = format!(
            "settling {readings} times takes longer than the {} ms that a tick's readings may take",
            timeout.as_millis()
        );
        faults.push(Fault::new(settle.span, what).help("shorten `settle`, or raise `timeout`"));
    }
    settle.value
}

fn read_channels(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Vec<(IioChannel, Input)> {
    let pairs = section.pairs("channels");
    if pairs.is_empty() && section.has("channels") {
        faults.push(
            Fault::new(section.place("channels"), "no channel is named")
                .help("such as `channels = { voltage0 = \"0.1875 mV\" }`"),
        );
    }
    let offsets = section.pairs("offsets");
    for (name, _) in &offsets {
        if !pairs.iter().any(|(known, _)| known.value == name.value) {
            let what = format!("there is no channel `{}`", name.value);
            faults.push(Fault::new(name.span.clone(), what).help("write it as `channels` has it"));
        }
    }
    pairs
        .iter()
        .filter_map(|(name, count)| {
            let offset = offsets.iter().find(|(of, _)| of.value == name.value);
            read_channel(name, count, offset.map(|(_, offset)| offset), faults)
        })
        .collect()
}

fn read_channel(
    name: &At<&str>,
    count: &At<&str>,
    offset: Option<&At<&str>>,
    faults: &mut Vec<Fault>,
) -> Option<(IioChannel, Input)> {
    let bare = bare_name(name, faults)?;
    let parsed = read_name::<Name>(name, faults)?;
    let Some((unit, factor)) = kind_of(bare) else {
        let known: Vec<_> = KINDS.iter().map(|(kind, ..)| *kind).collect();
        let what = format!("`{bare}` is no kind of channel that is read here");
        let help = format!("the kernel's names begin with one of {}", known.join(", "));
        faults.push(Fault::new(name.span.clone(), what).help(help));
        return None;
    };
    if count.value == "processed" {
        refuse_offset(offset, faults);
        let per_number = Amount {
            value: 1.0 / factor,
            unit,
        };
        let scale = fits(Scale::per_count(per_number), &count.span, faults)?;
        let channel = IioChannel {
            name: parsed.clone(),
            reading: IioReading::Processed,
        };
        let input = Input {
            name: parsed,
            format: CodeFormat::Number,
            scale,
        };
        return Some((channel, input));
    }
    let stated = fits(read_scale(count.value), &count.span, faults)?;
    if stated.unit().quantity() != unit.quantity() {
        let what = format!(
            "`{}` is measured in {}, not in {}",
            name.value,
            unit,
            stated.unit()
        );
        let help = format!("such as `{} = \"0.1875 {unit}\"`", name.value);
        faults.push(Fault::new(count.span.clone(), what).help(help));
        return None;
    }
    let offset = match offset {
        Some(at) => read_offset(at, faults)?,
        None => 0.0,
    };
    // A count is a difference: the zero of °F has no place in it.
    let step = stated.unit().difference_to_si(stated.step()) / unit.difference_to_si(1.0);
    let scale = fits(stated.with_zero(-offset), &count.span, faults)?;
    let reading = IioReading::Raw {
        scale: step * factor,
        offset,
    };
    let channel = IioChannel {
        name: parsed.clone(),
        reading,
    };
    let input = Input {
        name: parsed,
        format: CodeFormat::Count,
        scale,
    };
    Some((channel, input))
}

/// The channel's name, where it is not the name of one of its files.
fn bare_name<'t>(name: &At<&'t str>, faults: &mut Vec<Fault>) -> Option<&'t str> {
    let inner = name.value.strip_prefix("in_");
    let stem = inner.map(|rest| rest.strip_suffix("_raw").unwrap_or(rest));
    match stem {
        None => Some(name.value),
        Some(stem) => {
            let what = format!("`{}` is the name of a file, not of a channel", name.value);
            faults.push(Fault::new(name.span.clone(), what).help(format!("write `{stem}`")));
            None
        }
    }
}

fn read_offset(at: &At<&str>, faults: &mut Vec<Fault>) -> Option<f64> {
    let number = at.value.trim().parse::<f64>().ok();
    let number = number.filter(|number| number.is_finite());
    if number.is_none() {
        let what = format!("`{}` is not a number of counts", at.value);
        faults.push(
            Fault::new(at.span.clone(), what)
                .help("write what the kernel's offset says, such as \"-1024\""),
        );
    }
    number
}

fn refuse_offset(offset: Option<&At<&str>>, faults: &mut Vec<Fault>) {
    if let Some(offset) = offset {
        let what = "the kernel has already put a processed channel right";
        faults.push(Fault::new(offset.span.clone(), what).help("leave its offset out"));
    }
}

fn fits<T>(
    result: Result<T, impl std::fmt::Display>,
    span: &Range<usize>,
    faults: &mut Vec<Fault>,
) -> Option<T> {
    result
        .map_err(|error| {
            let help = "what one count stands for, such as `0.1875 mV` or `6144 mV / 32768`, or `processed`";
            faults.push(Fault::new(span.clone(), error.to_string()).help(help));
        })
        .ok()
}

impl IioPlan {
    /// Keeps the channels that somebody uses.
    pub(crate) fn keep(&mut self, used: &BTreeSet<usize>) {
        let mut index = 0..;
        self.channels
            .retain(|_| index.next().is_some_and(|index| used.contains(&index)));
    }

    /// How the one converter is called that two lines cannot share.
    pub(crate) fn way(&self) -> String {
        if self.root == Path::new(Self::ROOT) {
            return format!("the converter {}", self.device);
        }
        format!("the converter {} in {}", self.device, self.root.display())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Units of the kernel's ABI document: millivolt, milliampere, millidegree Celsius, kilopascal,
    /// milli percent, ohm (Documentation/ABI/testing/sysfs-bus-iio).
    #[test]
    fn kinds_are_told_by_the_beginning_of_the_name() {
        let unit = |channel| kind_of(channel).map(|(unit, _)| unit);
        assert_eq!(unit("voltage0"), Some(Unit::Millivolt));
        assert_eq!(unit("voltage0-voltage1"), Some(Unit::Millivolt));
        assert_eq!(unit("temp_ambient"), Some(Unit::DegreeCelsius));
        assert_eq!(unit("temp"), Some(Unit::DegreeCelsius));
        assert_eq!(unit("temperature"), None);
        assert_eq!(unit("accel_x"), None);
        assert_eq!(written_scale("temp", 62.5).as_deref(), Some("0.0625 °C"));
        assert_eq!(
            written_scale("voltage3", 0.1875).as_deref(),
            Some("0.1875 mV")
        );
    }
}
