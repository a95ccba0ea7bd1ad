//! The checked configuration: what the daemon works from. It cannot be wrong in itself; what the
//! file says is checked on the way here.

use std::path::PathBuf;
use std::time::Duration;

use zonda_air::Basis;
use zonda_model::{ChannelName, Name, Period, Quantity, SourceId, Unit};
use zonda_protocol::modbus::{PlanLimits, RegisterInput, RegisterPlan, Table, UnitId};
use zonda_protocol::serial::SerialSettings;
use zonda_protocol::text::TextFormat;
use zonda_signal::Mapping;

use crate::derived::DerivedPlan;
use crate::evaluation::EvaluationPlan;
use crate::identity::{IdentityPlan, TextIdentityPlan};
use crate::iio::IioPlan;
use crate::instrument::{
    AccuracyPlan, CertificatePlan, EnvelopePlan, LoopPlan, MeterPlan, StuckPlan, Way,
};
use crate::layout::LayoutPlan;
use crate::report::ReportPlan;
use crate::run::RunPlan;

/// Everything the file says, checked.
#[derive(Clone, Debug)]
pub struct Config {
    /// The station.
    pub station: StationPlan,
    /// The HTTP side.
    pub http: HttpPlan,
    /// What test reports say of the laboratory.
    pub report: ReportPlan,
    /// The lines, in the order of the file.
    pub lines: Vec<LinePlan>,
    /// Every source of every line; a [`SourceId`] is an index into this.
    pub sources: Vec<SourcePlan>,
    /// The channels, in the order of the file, the derived ones last.
    pub channels: Vec<ChannelPlan>,
    /// The derived channels, in the order of the file; each stands behind the others in `channels`, too.
    pub derived: Vec<DerivedPlan>,
    /// The meters, in the order of the file.
    pub meters: Vec<MeterPlan>,
    /// The envelopes, in the order of the file.
    pub envelopes: Vec<EnvelopePlan>,
    /// The certificates, in the order of the file.
    pub certificates: Vec<CertificatePlan>,
    /// The layouts, in the order of the file.
    pub layouts: Vec<LayoutPlan>,
    /// The evaluations that are written down, in the order of the file.
    pub evaluations: Vec<EvaluationPlan>,
    /// The templates of runs, in the order of the file.
    pub runs: Vec<RunPlan>,
    /// The text that this was read from, and its hash.
    pub revision: Revision,
}

/// One state of the configuration file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Revision {
    /// BLAKE3 of the text, in hexadecimal.
    pub hash: String,
    /// The text, and behind it as remarks every table that it names.
    pub text: String,
}

/// The station as a whole.
#[derive(Clone, Debug)]
pub struct StationPlan {
    /// Shown on the page and in reports.
    pub name: String,
    /// IANA name of the laboratory's time zone.
    pub time_zone: String,
    /// Directory of the record.
    pub data: PathBuf,
    /// How often the writer commits.
    pub commit_every: Duration,
    /// How many samples memory holds while the disk takes none.
    pub memory_samples: usize,
}

/// The HTTP side.
#[derive(Clone, Debug)]
pub struct HttpPlan {
    /// Where to listen; loopback by default. Beyond it, whoever asks needs a token.
    pub listen: std::net::SocketAddr,
    /// The names by which requests may call the station, beside its addresses.
    pub hosts: Vec<String>,
}

/// One physical way to devices. One task owns it.
#[derive(Clone, Debug, PartialEq)]
pub struct LinePlan {
    /// Its name.
    pub name: Name,
    /// The tick: how often each source is asked, or how often a listened-to device is expected.
    pub every: Period,
    /// How to talk.
    pub driver: DriverPlan,
}

/// How a line talks.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    clippy::large_enum_variant,
    reason = "there is one a line, it is made once and only borrowed from then on"
)]
pub enum DriverPlan {
    /// Modbus RTU on a serial port.
    ModbusRtu(RtuPlan),
    /// Modbus TCP.
    ModbusTcp(TcpPlan),
    /// ASCII lines.
    Text(TextPlan),
    /// A converter of the kernel's Industrial I/O subsystem.
    Iio(IioPlan),
}

/// A serial port and its settings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortPlan {
    /// A stable path, such as one under `/dev/serial/by-id`.
    pub path: PathBuf,
    /// Speed and framing.
    pub settings: SerialSettings,
}

/// A Modbus RTU line.
#[derive(Clone, Debug, PartialEq)]
pub struct RtuPlan {
    /// The port.
    pub port: PortPlan,
    /// Silence kept before a request; never less than the standard's 3.5 characters.
    pub silence_min: Duration,
    /// The modules, asked in this order.
    pub modules: Vec<ModulePlan>,
}

/// A Modbus TCP line: one connection shared by all its units.
#[derive(Clone, Debug, PartialEq)]
pub struct TcpPlan {
    /// Host name or address.
    pub host: String,
    /// Port, 502 by default.
    pub port: u16,
    /// The modules, asked in this order.
    pub modules: Vec<ModulePlan>,
}

/// One unit's registers that are read at each tick.
#[derive(Clone, Debug, PartialEq)]
pub struct ModulePlan {
    /// Which source its scans are.
    pub source: SourceId,
    /// Its name.
    pub name: Name,
    /// The unit (1 to 247 on RTU).
    pub unit: UnitId,
    /// Input or holding registers.
    pub table: Table,
    /// The longest wait for an answer.
    pub timeout: Duration,
    /// How often a failed request is repeated within its tick.
    pub retries: u8,
    /// The most registers the device hands over in one request (125 by the standard).
    pub registers_max: u16,
    /// Who the unit must be, where the file says so.
    pub identity: Option<IdentityPlan>,
    /// The inputs that channels use, by ascending register; scans carry their codes in this order.
    pub inputs: Vec<RegisterInput>,
}

/// A line of ASCII text; it is one source.
#[derive(Clone, Debug, PartialEq)]
pub struct TextPlan {
    /// Which source its scans are.
    pub source: SourceId,
    /// Where the text comes from.
    pub wire: TextWire,
    /// Whether the device talks by itself.
    pub talk: Talk,
    /// Who the meter must be, where the file says so; only of one that is asked.
    pub identity: Option<TextIdentityPlan>,
    /// How a line is taken apart; scans carry the fields' codes in the order of its fields.
    pub format: TextFormat,
}

/// Where text comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TextWire {
    /// A serial port.
    Serial(PortPlan),
    /// A TCP connection to host and port.
    Tcp(String, u16),
}

/// Who begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Talk {
    /// The device sends by itself.
    Listen,
    /// We send these bytes at each tick and wait this long for the line.
    Ask(Vec<u8>, Duration),
}

/// A source of codes, as channels refer to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourcePlan {
    /// The module's name, or the text line's.
    pub name: Name,
    /// Index of its line in [`Config::lines`].
    pub line: usize,
    /// True where a rig plays the device: every reading is then marked `simulated`.
    pub simulated: bool,
}

/// One recorded quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPlan {
    /// Its name, such as `Z1-left.velocity`.
    pub name: ChannelName,
    /// What it measures.
    pub quantity: Quantity,
    /// The unit in which the file speaks of it, and in which it is shown unless the reader chooses another.
    pub unit: Unit,
    /// What its velocity or volume flow is one of; `None` where nobody has said, or where it is neither.
    pub basis: Option<Basis>,
    /// Where its code comes from.
    pub source: SourceId,
    /// Which of the scan's codes.
    pub input: usize,
    /// How the code becomes a value.
    pub mapping: Mapping,
    /// The channel that reads the temperature beside this one, which
    /// [the mapping needs](Mapping::needs_companion): an index into [`Config::channels`].
    pub companion: Option<usize>,
    /// Its meter: an index into [`Config::meters`].
    pub meter: Option<usize>,
    /// How the instrument is heard.
    pub way: Way,
    /// The certificate in the mapping: an index into [`Config::certificates`].
    pub certificate: Option<usize>,
    /// What a loop check works with, where there is a signal that stands for a range.
    pub loop_check: Option<LoopPlan>,
    /// When a reading that stands still is flagged; `None` is never.
    pub stuck: Option<StuckPlan>,
    /// What is known of the errors on the way.
    pub accuracy: AccuracyPlan,
}

impl ChannelPlan {
    /// What its velocity or volume flow is one of, in words, also where nobody has said; `None` where it is neither.
    pub fn basis_words(&self) -> Option<String> {
        let stated = self.basis.map(|basis| basis.to_string());
        self.quantity.basis_words(stated)
    }
}

impl ModulePlan {
    /// The requests of one tick. Unused registers between used ones are read over where that is
    /// cheaper than a second request: the file states that the whole stretch exists.
    pub fn registers(&self) -> RegisterPlan {
        let limits = PlanLimits {
            registers_max: self.registers_max,
            hole_max: PlanLimits::HOLE_CHEAPER_MAX,
        };
        RegisterPlan::new(&self.inputs, limits)
    }
}

impl RtuPlan {
    /// The least time that the frames and silences of one tick take on the wire.
    pub fn wire_time(&self) -> Duration {
        let settings = self.port.settings;
        let exchange = |registers: u16| {
            let answer = RTU_ANSWER_BYTES + 2 * usize::from(registers);
            settings.wire_time(RTU_REQUEST_BYTES)
                + settings.wire_time(answer)
                + settings.rtu_silence()
                + self.silence_min
        };
        self.modules
            .iter()
            .flat_map(|module| module.registers().spans().to_vec())
            .map(|span| exchange(span.count()))
            .sum()
    }
}

/// Unit, function, first register, count, checksum.
const RTU_REQUEST_BYTES: usize = 8;
/// Unit, function, byte count, checksum; the registers come on top.
const RTU_ANSWER_BYTES: usize = 5;
