//! What is there to be recorded: ports, devices on them, meters that talk, converters.
//!
//! Listening sends nothing. Probing sends read requests of Modbus only (functions 3, 4 and 43/14),
//! as many as [`ProbePlan`] says beforehand. A port that another program has locked is left alone.
//! What was found is turned into configuration by [`stanza`]; asking the person first is left to the
//! command line.

mod guess;
mod ports;
mod probe;
mod schedule;
pub mod stanza;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;
use zonda_protocol::modbus::identification::ObjectId;
use zonda_protocol::serial::{DataBits, Parity, StopBits};

/// Speed and framing of a port.
pub use zonda_protocol::serial::SerialSettings;

use crate::iio::sysfs::{read_number, shared};
use crate::iio::{IioFound, iio_devices};
pub use guess::{Basis, Column, Field, Form, TextGuess, guess};
pub(crate) use ports::check_by_id;
pub use ports::{Adapter, SerialPort, serial_ports};
pub use schedule::{Probe, ProbePlan, REQUESTS_A_UNIT, Schedule};

/// What to do on a line.
#[derive(Clone, Debug)]
pub struct Search {
    /// How long to listen at each speed before anything is sent.
    pub listen_for: Duration,
    /// What to ask; `None` to listen only.
    pub probe: Option<ProbePlan>,
}

/// Told while a search goes on: the line, and one sentence.
pub type Tell = Arc<dyn Fn(&str, &str) + Send + Sync>;

/// What is on a line.
#[derive(Clone, Debug, PartialEq)]
pub enum OnLine {
    /// It was not searched: it is locked, gone, or not to be opened by this user.
    NotOpened(String),
    /// A meter that talks by itself. `None` of the settings on a connection.
    Text {
        /// How the port is set.
        settings: Option<SerialSettings>,
        /// How it writes.
        guess: Box<TextGuess>,
    },
    /// Modbus units that answer.
    Modbus {
        /// How the port is set.
        settings: Option<SerialSettings>,
        /// The units, in ascending order.
        units: Vec<UnitFound>,
    },
    /// Something sends, and what it sends was not understood.
    Noise {
        /// How much came.
        bytes: usize,
    },
    /// Nothing was heard, and nothing answered.
    Nothing,
}

/// A Modbus unit that answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitFound {
    /// Its number.
    pub unit: u8,
    /// Its input registers from 0 on.
    pub input: RegistersFound,
    /// Its holding registers from 0 on.
    pub holding: RegistersFound,
    /// What it says it is.
    pub says: Vec<(ObjectId, String)>,
}

/// Registers from 0 on that can be read in one request.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RegistersFound {
    /// How many, 125 at most.
    pub count: u16,
    /// What the first of them held.
    pub values: Vec<u16>,
}

/// A converter that the kernel reads.
#[derive(Clone, Debug, PartialEq)]
pub struct IioFinding {
    /// Which.
    pub device: IioFound,
    /// Its channels.
    pub channels: Vec<IioChannelFound>,
}

/// A channel of a converter.
#[derive(Clone, Debug, PartialEq)]
pub struct IioChannelFound {
    /// Its name, such as `voltage0`.
    pub name: String,
    /// The kernel gives its value itself, and no count.
    pub is_processed: bool,
    /// What it reads now.
    pub now: Option<String>,
    /// What a count stands for, in the kernel's unit.
    pub scale: Option<f64>,
    /// What the kernel adds to a count first.
    pub offset: Option<f64>,
}

/// Speeds and framings at which meters talk, the most usual first (common practice, no source).
pub fn talking_settings() -> Vec<SerialSettings> {
    let plain = [9600, 19_200, 115_200, 38_400, 57_600, 4800, 2400, 1200];
    let plain = plain.map(|baud| (baud, DataBits::Eight, Parity::None));
    let seven = [9600, 4800, 1200].map(|baud| (baud, DataBits::Seven, Parity::Even));
    plain
        .into_iter()
        .chain(seven)
        .filter_map(|(baud, bits, parity)| {
            SerialSettings::new(baud, bits, parity, StopBits::One).ok()
        })
        .collect()
}

/// Searches a serial port: listens, and if nothing talks asks what the search allows. Ends soon after
/// `stop`, with what was found until then.
pub async fn search_port(
    path: &Path,
    search: &Search,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    probe::port(path, search, tell, stop).await
}

/// Searches a TCP connection in the same way.
pub async fn search_tcp(
    host: &str,
    port: u16,
    search: &Search,
    tell: &Tell,
    stop: &CancellationToken,
) -> OnLine {
    probe::tcp(host, port, search, tell, stop).await
}

/// The kernel's converters with their channels. Reads attributes, which may take a conversion's time.
///
/// # Errors
/// The folder of the devices cannot be read; that it is not there is none.
pub fn find_iio(root: &Path) -> std::io::Result<Vec<IioFinding>> {
    let devices = iio_devices(&iio_root(root))?;
    Ok(devices.into_iter().map(finding).collect())
}

/// Where the kernel shows its converters.
pub fn iio_root(root: &Path) -> PathBuf {
    root.join("sys/bus/iio/devices")
}

fn finding(device: IioFound) -> IioFinding {
    let number = |channel: &str, attribute| {
        let text = shared(&device.folder, channel, attribute).ok()??;
        read_number(&text).map(|written| written.number)
    };
    let channel = |name: String| {
        let read = |end| {
            let file = device.folder.join(format!("in_{name}_{end}"));
            crate::iio::sysfs::read_text(&file)
        };
        let raw = read("raw");
        let is_processed = raw
            .as_ref()
            .is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound);
        let now = if is_processed { read("input") } else { raw };
        IioChannelFound {
            scale: number(&name, "scale").filter(|scale| scale.is_normal()),
            offset: number(&name, "offset"),
            now: now.ok(),
            is_processed,
            name,
        }
    };
    let names = device.channels().unwrap_or_default();
    let channels = names.into_iter().map(channel).collect();
    IioFinding { device, channels }
}
