//! What the kernel says of its converters, in files: which there are, their channels, and readings.
//!
//! A folder for each device holds attributes, one value a file. A device's number is the order of
//! finding, so a device is looked for by what it says of itself. Everything here blocks: a reading
//! waits for the conversion.
//!
//! Source: the Linux kernel's Documentation/ABI/testing/sysfs-bus-iio.

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, ErrorKind, Read};
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use zonda_config::IioDevice;

/// More than any number has; an attribute never has more than a page.
const ATTRIBUTE_MAX: u64 = 4096;

/// A converter and what it says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct IioFound {
    /// Its folder, whose name is a number that moves.
    pub folder: PathBuf,
    /// The kind of chip.
    pub name: Option<String>,
    /// What the board's description calls it.
    pub label: Option<String>,
    /// Where it is on its bus.
    pub bus_address: Option<String>,
}

impl IioFound {
    pub(crate) fn at(folder: PathBuf) -> Self {
        let text = |attribute| read_text(&folder.join(attribute)).ok();
        // The entry is a link to the device's folder, which stands inside that of its chip.
        let parent = folder
            .canonicalize()
            .ok()
            .and_then(|real| Some(real.parent()?.file_name()?.to_string_lossy().into_owned()));
        Self {
            name: text("name"),
            label: text("label"),
            bus_address: parent,
            folder,
        }
    }

    fn is(&self, wanted: &IioDevice) -> bool {
        let fits =
            |wanted: &Option<String>, found: &Option<String>| wanted.is_none() || wanted == found;
        fits(&wanted.name, &self.name)
            && fits(&wanted.label, &self.label)
            && fits(&wanted.bus_address, &self.bus_address)
    }

    /// As a message shows it: `adc12-4 at 1-0048`.
    pub(crate) fn shown(&self) -> String {
        let name = self.name.as_deref().unwrap_or("a device without a name");
        let label = self
            .label
            .iter()
            .map(|label| format!(" labelled `{label}`"));
        let at = self.bus_address.iter().map(|at| format!(" at {at}"));
        label
            .chain(at)
            .fold(name.to_owned(), |all, more| all + &more)
    }

    /// The names of its channels that can be read, such as `voltage0`, in order.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn channels(&self) -> io::Result<BTreeSet<String>> {
        let mut channels = BTreeSet::new();
        for entry in fs::read_dir(&self.folder)? {
            let file = entry?.file_name();
            let name = file.to_str().and_then(|name| name.strip_prefix("in_"));
            let mut ends = ["_raw", "_input"].into_iter();
            let channel = name.and_then(|name| ends.find_map(|end| name.strip_suffix(end)));
            channels.extend(channel.map(str::to_owned));
        }
        Ok(channels)
    }
}

/// Every converter in `root`, by ascending number.
///
/// # Errors
/// The folder cannot be read. That it is not there is none: then there are no converters.
pub fn iio_devices(root: &Path) -> io::Result<Vec<IioFound>> {
    let entries = match fs::read_dir(root) {
        Ok(entries) => entries,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut folders = Vec::new();
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name();
        let number = name
            .to_str()
            .and_then(|name| name.strip_prefix("iio:device")?.parse::<u32>().ok());
        folders.extend(number.map(|number| (number, entry.path())));
    }
    folders.sort();
    Ok(folders
        .into_iter()
        .map(|(_, folder)| IioFound::at(folder))
        .collect())
}

/// Why the one converter that is meant cannot be told.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NotFound {
    #[error("cannot look for converters in {}: {}", .0.display(), .1)]
    Folder(PathBuf, io::Error),
    #[error("there is no {wanted} among the kernel's converters ({})", or_none(.there))]
    Absent { wanted: String, there: String },
    #[error(
        "{count} converters are {wanted} ({there}); say which by `label` or `bus_address`, because their numbers move"
    )]
    Several {
        wanted: String,
        count: usize,
        there: String,
    },
}

fn or_none(there: &str) -> &str {
    if there.is_empty() {
        "none is there"
    } else {
        there
    }
}

/// The one converter that is meant.
pub(crate) fn find(root: &Path, wanted: &IioDevice) -> Result<IioFound, NotFound> {
    let all = iio_devices(root).map_err(|error| NotFound::Folder(root.to_owned(), error))?;
    let shown = |found: &[&IioFound]| {
        let shown: Vec<_> = found.iter().map(|found| found.shown()).collect();
        shown.join(", ")
    };
    let matching: Vec<_> = all.iter().filter(|found| found.is(wanted)).collect();
    match matching[..] {
        [one] => Ok(one.clone()),
        [] => Err(NotFound::Absent {
            wanted: wanted.to_string(),
            there: shown(&all.iter().collect::<Vec<_>>()),
        }),
        _ => Err(NotFound::Several {
            wanted: wanted.to_string(),
            count: matching.len(),
            there: shown(&matching),
        }),
    }
}

/// The text of an attribute, without the line feed at its end.
pub(crate) fn read_text(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    fs::File::open(path)?
        .take(ATTRIBUTE_MAX)
        .read_to_string(&mut text)?;
    Ok(text.trim_end().to_owned())
}

/// A number as the kernel writes it, and how exactly: half the weight of its last digit is the least
/// that it can be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Written {
    pub(crate) number: f64,
    pub(crate) last_digit: f64,
}

pub(crate) fn read_number(text: &str) -> Option<Written> {
    let number = text
        .parse()
        .ok()
        .filter(|number: &f64| number.is_finite())?;
    let digits = text.split_once('.').map_or(0, |(_, after)| after.len());
    let last_digit = 10_f64.powi(-i32::try_from(digits).ok()?);
    Some(Written { number, last_digit })
}

/// The attribute of a channel, or the one that it shares with its kind: `in_voltage0_scale`, or else
/// `in_voltage_scale`; of the difference `voltage0-voltage1` also `in_voltage-voltage_scale`.
pub(crate) fn shared(folder: &Path, channel: &str, attribute: &str) -> io::Result<Option<String>> {
    let bare: String = channel.chars().filter(|c| !c.is_ascii_digit()).collect();
    let kind: String = channel
        .chars()
        .take_while(char::is_ascii_alphabetic)
        .collect();
    for name in [channel, &bare, &kind] {
        match read_text(&folder.join(format!("in_{name}_{attribute}"))) {
            Ok(text) => return Ok(Some(text)),
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
    }
    Ok(None)
}

/// What an error of reading an attribute means for the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Trouble {
    /// The device, or its attribute, is gone.
    Gone,
    /// Somebody else has it: a buffer is enabled.
    Busy,
    /// The bus did not answer in the kernel's time.
    Slow,
    /// The bus or the chip failed; it may well work the next time.
    Failed,
}

pub(crate) fn trouble(error: &io::Error) -> Trouble {
    match error.raw_os_error().map(Errno::from_raw) {
        Some(Errno::ENOENT | Errno::ENODEV | Errno::ENXIO) => Trouble::Gone,
        Some(Errno::EBUSY) => Trouble::Busy,
        Some(Errno::ETIMEDOUT) => Trouble::Slow,
        _ => Trouble::Failed,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A tree as the kernel lays it out: the devices' folders stand inside those of their chips, and
    /// the bus has links to them.
    fn tree(devices: &[(u32, &str, &str)]) -> tempfile::TempDir {
        let tree = tempfile::tempdir().unwrap();
        fs::create_dir_all(tree.path().join("bus")).unwrap();
        for (number, chip, name) in devices {
            let folder = tree
                .path()
                .join(format!("devices/{chip}/iio:device{number}"));
            fs::create_dir_all(&folder).unwrap();
            fs::write(folder.join("name"), format!("{name}\n")).unwrap();
            let link = tree.path().join(format!("bus/iio:device{number}"));
            symlink(&folder, link).unwrap();
        }
        tree
    }

    fn found(
        tree: &tempfile::TempDir,
        name: &str,
        address: Option<&str>,
    ) -> Result<String, String> {
        let wanted = IioDevice {
            name: Some(name.to_owned()),
            label: None,
            bus_address: address.map(str::to_owned),
        };
        find(&tree.path().join("bus"), &wanted)
            .map(|found| found.shown())
            .map_err(|error| error.to_string())
    }

    #[test]
    fn a_converter_is_told_by_what_it_says_of_itself() {
        let tree = tree(&[
            (0, "1-0048", "adc12-4"),
            (1, "1-0049", "adc12-4"),
            (2, "spi0.0", "adc12-8"),
        ]);
        assert_eq!(found(&tree, "adc12-8", None).unwrap(), "adc12-8 at spi0.0");
        assert_eq!(
            found(&tree, "adc12-4", Some("1-0049")).unwrap(),
            "adc12-4 at 1-0049"
        );
        assert_eq!(
            found(&tree, "adc12-4", None).unwrap_err(),
            "2 converters are adc12-4 (adc12-4 at 1-0048, adc12-4 at 1-0049); say which by `label` or `bus_address`, because their numbers move"
        );
        assert_eq!(
            found(&tree, "adc16-4", None).unwrap_err(),
            "there is no adc16-4 among the kernel's converters (adc12-4 at 1-0048, adc12-4 at 1-0049, adc12-8 at spi0.0)"
        );
    }

    #[test]
    fn a_machine_without_converters_has_none() {
        let nowhere = Path::new("/nowhere/of/ours");
        assert!(iio_devices(nowhere).unwrap().is_empty());
    }

    #[test]
    fn an_attribute_is_the_channels_own_or_that_of_its_kind() {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
        write("in_voltage_scale", "3.000000000\n");
        write("in_voltage2_scale", "0.5\n");
        write("in_voltage-voltage_scale", "2\n");
        let scale = |channel| shared(folder.path(), channel, "scale").unwrap();
        assert_eq!(scale("voltage0").as_deref(), Some("3.000000000"));
        assert_eq!(scale("voltage2").as_deref(), Some("0.5"));
        assert_eq!(scale("voltage0-voltage1").as_deref(), Some("2"));
        assert_eq!(scale("temp"), None);
    }

    #[test]
    fn a_number_says_how_exact_it_is() {
        let read = |text| read_number(text).map(|read| (read.number, read.last_digit));
        assert_eq!(read("3"), Some((3.0, 1.0)));
        assert_eq!(read("0.125"), Some((0.125, 0.001)));
        assert_eq!(read("-12"), Some((-12.0, 1.0)));
        assert_eq!(read("nan"), None);
        assert_eq!(read(""), None);
        assert_eq!(read("3 mV"), None);
    }
}
