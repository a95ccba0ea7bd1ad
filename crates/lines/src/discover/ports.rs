//! The serial ports of this machine, the names that stay with them, and the adapters behind them.
//!
//! The kernel's own names (`ttyUSB0`) are the order of finding. udev adds links by the adapter's
//! serial number (`by-id`) and by the socket that it is plugged into (`by-path`). A number that two
//! adapters share gives one link, which shows whichever was plugged in last.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// A serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialPort {
    /// The kernel's name, such as `ttyUSB0`; it moves.
    pub device: String,
    /// The name to use in a configuration: by the adapter's number where no other has it, else by
    /// its socket, else the kernel's own.
    pub path: PathBuf,
    /// True where that name stays with the adapter or its socket.
    pub is_stable: bool,
    /// The adapter, where there is one.
    pub adapter: Option<Adapter>,
    /// Another adapter has the same serial number, so `by-id` shows only one of them.
    pub has_twin: bool,
}

/// A USB adapter, as it says of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Adapter {
    /// Vendor and product number, such as `0403:6001`.
    pub id: String,
    /// Its maker.
    pub maker: Option<String>,
    /// Its kind.
    pub product: Option<String>,
    /// Its serial number; cheap ones have none.
    pub serial: Option<String>,
    /// Which of its functions this port is, and which port of that.
    pub place: (String, String),
}

/// Every serial port that has hardware behind it, by its kernel's name. `root` is `/`, but for tests.
///
/// # Errors
/// The kernel's list cannot be read; that it is not there is none.
pub fn serial_ports(root: &Path) -> io::Result<Vec<SerialPort>> {
    let class = root.join("sys/class/tty");
    let entries = match fs::read_dir(&class) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut devices = Vec::new();
    for entry in entries {
        let name = entry?.file_name().to_string_lossy().into_owned();
        if has_hardware(&class.join(&name)) {
            devices.push(name);
        }
    }
    devices.sort();
    let adapters: BTreeMap<&String, Option<Adapter>> = devices
        .iter()
        .map(|device| (device, adapter(root, device)))
        .collect();
    let by_id = links(&root.join("dev/serial/by-id"));
    let by_path = links(&root.join("dev/serial/by-path"));
    let port = |device: &String| {
        let adapter = adapters.get(device).cloned().flatten();
        let has_twin = adapter.as_ref().is_some_and(|mine| {
            let same = |other: &&Option<Adapter>| other.as_ref() == Some(mine);
            adapters.values().filter(same).count() > 1
        });
        let has_number = adapter
            .as_ref()
            .is_some_and(|adapter| adapter.serial.is_some());
        let id = by_id.get(device).filter(|_| has_number && !has_twin);
        let stable = id.or_else(|| by_path.get(device));
        SerialPort {
            path: stable
                .cloned()
                .unwrap_or_else(|| root.join("dev").join(device)),
            is_stable: stable.is_some() || !is_plugged(device),
            device: device.clone(),
            adapter,
            has_twin,
        }
    };
    Ok(devices.iter().map(port).collect())
}

/// A port of an adapter; others are soldered to the board and keep their names.
fn is_plugged(device: &str) -> bool {
    device.starts_with("ttyUSB") || device.starts_with("ttyACM")
}

/// A terminal that is a port of something: not a console, not a pseudo-terminal, and not one of the
/// places that the kernel keeps for ports a board does not have (`type` 0).
fn has_hardware(tty: &Path) -> bool {
    let is_place_only = fs::read_to_string(tty.join("type")).is_ok_and(|kind| kind.trim() == "0");
    tty.join("device").exists() && !is_place_only
}

/// The adapter behind a terminal: the first folder above the device's that is a USB device's.
pub(crate) fn adapter(root: &Path, device: &str) -> Option<Adapter> {
    let start = root.join("sys/class/tty").join(device).join("device");
    let start = start.canonicalize().ok()?;
    let text = |folder: &Path, name: &str| {
        let text = fs::read_to_string(folder.join(name)).ok()?;
        Some(text.trim().to_owned()).filter(|text| !text.is_empty())
    };
    let above = |name: &str| start.ancestors().find_map(|folder| text(folder, name));
    let usb = start
        .ancestors()
        .find(|folder| folder.join("idVendor").is_file())?;
    Some(Adapter {
        id: format!("{}:{}", text(usb, "idVendor")?, text(usb, "idProduct")?),
        maker: text(usb, "manufacturer"),
        product: text(usb, "product"),
        serial: text(usb, "serial"),
        place: (
            above("bInterfaceNumber").unwrap_or_default(),
            above("port_number").unwrap_or_default(),
        ),
    })
}

/// The links of a folder, by the device that they lead to.
fn links(folder: &Path) -> BTreeMap<String, PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| Some((device_of(&entry.path())?, entry.path())))
        .collect()
}

/// The kernel's name of what a path leads to now.
pub(crate) fn device_of(path: &Path) -> Option<String> {
    let real = path.canonicalize().ok();
    // In a laid-out tree the device itself need not be there.
    let leads_to = real.or_else(|| fs::read_link(path).ok())?;
    Some(leads_to.file_name()?.to_string_lossy().into_owned())
}

/// Whether what is behind a `by-id` path is the adapter that its name says; the sentence says what
/// is expected and what was found. Of other paths nothing is known.
///
/// # Errors
/// Another adapter is there, or two have the number that the name says.
pub(crate) fn check_by_id(root: &Path, path: &Path) -> Result<(), String> {
    let is_by_id = path.parent() == Some(&root.join("dev/serial/by-id"));
    let (true, Some(device)) = (is_by_id, device_of(path)) else {
        return Ok(());
    };
    let Some(adapter) = adapter(root, &device) else {
        return Ok(());
    };
    let Some(serial) = &adapter.serial else {
        return Ok(());
    };
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    if !name.contains(&as_udev_writes(serial)) {
        return Err(format!(
            "{} leads to the adapter with the serial number {serial}, which is not the one in its name",
            path.display()
        ));
    }
    let ports = serial_ports(root).unwrap_or_default();
    let twins: Vec<_> = ports
        .iter()
        .filter(|port| port.adapter.as_ref() == Some(&adapter))
        .map(|port| port.device.as_str())
        .collect();
    if twins.len() > 1 {
        return Err(format!(
            "{} adapters have the serial number {serial} ({}), so {} does not say which; use the path under /dev/serial/by-path",
            twins.len(),
            twins.join(", "),
            path.display()
        ));
    }
    Ok(())
}

/// udev replaces what may not stand in a file's name (udev(7), `OPTIONS string_escape=replace`).
fn as_udev_writes(serial: &str) -> String {
    let fits = |c: char| c.is_alphanumeric() || "#+-.:=@_".contains(c);
    let text = serial.trim();
    text.chars()
        .map(|c| if fits(c) { c } else { '_' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    struct Tree(tempfile::TempDir);

    impl Tree {
        fn new() -> Self {
            let tree = tempfile::tempdir().unwrap();
            for folder in ["sys/class/tty", "dev/serial/by-id", "dev/serial/by-path"] {
                fs::create_dir_all(tree.path().join(folder)).unwrap();
            }
            Self(tree)
        }

        fn root(&self) -> &Path {
            self.0.path()
        }

        /// An adapter in a socket, as the kernel lays it out: the port's folder stands inside that of
        /// the interface, and this inside that of the device.
        fn plug(&self, socket: &str, device: &str, serial: Option<&str>, id_link: Option<&str>) {
            let usb = self.root().join(format!("sys/devices/usb1/{socket}"));
            let port = usb.join(format!("{socket}:1.0/{device}"));
            fs::create_dir_all(port.join(format!("tty/{device}"))).unwrap();
            let write = |folder: &Path, name: &str, text: &str| {
                fs::write(folder.join(name), format!("{text}\n")).unwrap();
            };
            write(&usb, "idVendor", "1a2b");
            write(&usb, "idProduct", "0001");
            write(&usb, "product", "Adapter");
            write(port.parent().unwrap(), "bInterfaceNumber", "00");
            write(&port, "port_number", "0");
            if let Some(serial) = serial {
                write(&usb, "serial", serial);
            }
            let tty = port.join(format!("tty/{device}"));
            symlink(&port, tty.join("device")).unwrap();
            symlink(&tty, self.root().join("sys/class/tty").join(device)).unwrap();
            let target = Path::new("../..").join(device);
            symlink(
                &target,
                self.root().join(format!("dev/serial/by-path/{socket}")),
            )
            .unwrap();
            if let Some(link) = id_link {
                let link = self.root().join("dev/serial/by-id").join(link);
                let _ = fs::remove_file(&link);
                symlink(&target, link).unwrap();
            }
        }
    }

    fn names(tree: &Tree) -> Vec<String> {
        let ports = serial_ports(tree.root()).unwrap();
        let name = |port: &SerialPort| {
            port.path
                .strip_prefix(tree.root())
                .unwrap()
                .display()
                .to_string()
        };
        ports.iter().map(name).collect()
    }

    #[test]
    fn ports_have_the_name_that_stays_with_them() {
        let tree = Tree::new();
        tree.plug(
            "1-1",
            "ttyUSB0",
            Some("A1"),
            Some("usb-Adapter_A1-if00-port0"),
        );
        tree.plug("1-2", "ttyUSB1", None, Some("usb-Adapter-if00-port0"));
        // A console and a place without a port are none.
        fs::create_dir_all(tree.root().join("sys/class/tty/tty0")).unwrap();
        fs::create_dir_all(tree.root().join("sys/class/tty/ttyS1/device")).unwrap();
        fs::write(tree.root().join("sys/class/tty/ttyS1/type"), "0\n").unwrap();
        assert_eq!(
            names(&tree),
            [
                "dev/serial/by-id/usb-Adapter_A1-if00-port0",
                "dev/serial/by-path/1-2"
            ]
        );
        let ports = serial_ports(tree.root()).unwrap();
        let adapter = ports[0].adapter.as_ref().unwrap();
        assert_eq!(
            (adapter.id.as_str(), adapter.serial.as_deref()),
            ("1a2b:0001", Some("A1"))
        );
    }

    #[test]
    fn two_adapters_of_one_number_are_known_by_their_sockets() {
        let tree = Tree::new();
        tree.plug(
            "1-1",
            "ttyUSB0",
            Some("0001"),
            Some("usb-Adapter_0001-if00-port0"),
        );
        let path = tree
            .root()
            .join("dev/serial/by-id/usb-Adapter_0001-if00-port0");
        assert_eq!(check_by_id(tree.root(), &path), Ok(()));
        tree.plug(
            "1-2",
            "ttyUSB1",
            Some("0001"),
            Some("usb-Adapter_0001-if00-port0"),
        );
        assert_eq!(
            names(&tree),
            ["dev/serial/by-path/1-1", "dev/serial/by-path/1-2"]
        );
        assert!(
            serial_ports(tree.root())
                .unwrap()
                .iter()
                .all(|port| port.has_twin)
        );
        let why = check_by_id(tree.root(), &path).unwrap_err();
        assert!(
            why.starts_with("2 adapters have the serial number 0001 (ttyUSB0, ttyUSB1)"),
            "{why}"
        );
        // By its socket each can be told.
        assert_eq!(
            check_by_id(tree.root(), &tree.root().join("dev/serial/by-path/1-1")),
            Ok(())
        );
    }

    #[test]
    fn a_link_that_leads_to_another_adapter_is_refused() {
        let tree = Tree::new();
        tree.plug(
            "1-1",
            "ttyUSB0",
            Some("B 2/7"),
            Some("usb-Adapter_A1-if00-port0"),
        );
        let path = tree
            .root()
            .join("dev/serial/by-id/usb-Adapter_A1-if00-port0");
        let why = check_by_id(tree.root(), &path).unwrap_err();
        assert!(
            why.contains("leads to the adapter with the serial number B 2/7"),
            "{why}"
        );
        assert_eq!(as_udev_writes("B 2/7"), "B_2_7");
    }

    #[test]
    fn a_machine_without_ports_has_none() {
        assert_eq!(serial_ports(Path::new("/nowhere/of/ours")).unwrap(), []);
    }
}
