//! What is wired to what: lines, modules, loops, meters.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use zonda_model::written::{Amount, Span};
use zonda_model::{ChannelName, Name, Quantity, Unit};

use crate::serial::SerialFormat;

/// Everything that one must know to configure a daemon for this rig.
#[derive(Clone, Debug, PartialEq)]
pub struct Wiring {
    /// The lines.
    pub lines: Vec<LineWiring>,
    /// The meters, nine in the zones, then three in the exhaust duct.
    pub meters: Vec<MeterWiring>,
    /// Analog loops that belong to no meter.
    pub loops: Vec<LoopWiring>,
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct LineWiring {
    /// Its name.
    pub name: Name,
    /// What it is.
    pub wire: Wire,
}

/// What a line is.
#[derive(Clone, Debug, PartialEq)]
pub enum Wire {
    /// Modbus RTU.
    ModbusRtu {
        /// Link to the port.
        port: PathBuf,
        /// Its settings.
        serial: SerialFormat,
        /// The modules on it.
        modules: Vec<ModuleWiring>,
    },
    /// Modbus TCP.
    ModbusTcp {
        /// Where the module listens.
        address: SocketAddr,
        /// The modules behind it.
        modules: Vec<ModuleWiring>,
    },
    /// ASCII lines of one meter.
    Text {
        /// Link to the port.
        port: PathBuf,
        /// Its settings.
        serial: SerialFormat,
        /// What is said on it.
        text: TextWiring,
    },
}

/// What a meter says on a text line.
#[derive(Clone, Debug, PartialEq)]
pub struct TextWiring {
    /// The meter.
    pub meter: Name,
    /// Who begins.
    pub talk: Talk,
    /// The numbers of a line, in order.
    pub fields: Vec<TextField>,
    /// What stands between them; the line ends with CR LF.
    pub delimiter: char,
}

/// One number of a text line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TextField {
    /// What it is.
    pub quantity: Quantity,
    /// Its unit, which is not sent.
    pub unit: Unit,
    /// Digits after the decimal point.
    pub decimals: u8,
}

/// Who begins on a text line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Talk {
    /// The meter sends a line by itself, this often.
    Streams(Duration),
    /// The meter sends a line when it hears this.
    Answers(String),
}

/// An analog input module: a Modbus unit with one register per input.
#[derive(Clone, Debug, PartialEq)]
pub struct ModuleWiring {
    /// Its name.
    pub name: Name,
    /// Its unit number.
    pub unit: u8,
    /// Input registers 0 to `inputs - 1`, zero-based as on the wire.
    pub inputs: u16,
    /// How a register holds its number.
    pub code: RegisterCode,
    /// What one count stands for.
    pub count: Amount,
}

/// How a 16-bit register holds its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegisterCode {
    /// Unsigned.
    Uint16,
    /// Two's complement.
    Int16,
}

impl RegisterCode {
    /// The word of the configuration file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Uint16 => "uint16",
            Self::Int16 => "int16",
        }
    }
}

/// A meter with its two analog outputs.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterWiring {
    /// Its name.
    pub name: Name,
    /// The loop that carries the velocity.
    pub velocity: LoopWiring,
    /// The loop that carries the temperature.
    pub temperature: LoopWiring,
}

/// One quantity as an electrical signal on one input.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopWiring {
    /// Name of the channel, such as `Z1-left.velocity`.
    pub name: ChannelName,
    /// What it carries.
    pub quantity: Quantity,
    /// The module it ends at.
    pub module: Name,
    /// Which of the module's inputs, counted from 1.
    pub input: u16,
    /// The electrical span.
    pub signal: Span,
    /// The span of the quantity that the signal's span stands for.
    pub range: Span,
}

impl Wiring {
    /// Every loop: the meters' first, in order.
    pub fn all_loops(&self) -> impl Iterator<Item = &LoopWiring> {
        self.meters
            .iter()
            .flat_map(|meter| [&meter.velocity, &meter.temperature])
            .chain(&self.loops)
    }

    /// Every module of every line.
    pub fn modules(&self) -> impl Iterator<Item = &ModuleWiring> {
        self.lines.iter().flat_map(|line| match &line.wire {
            Wire::ModbusRtu { modules, .. } | Wire::ModbusTcp { modules, .. } => modules.as_slice(),
            Wire::Text { .. } => &[],
        })
    }

    /// The line of this name.
    pub fn line(&self, name: &str) -> Option<&LineWiring> {
        self.lines.iter().find(|line| line.name.as_str() == name)
    }

    /// The loop of this name.
    pub fn find_loop(&self, name: &str) -> Option<&LoopWiring> {
        self.all_loops().find(|wired| wired.name.as_str() == name)
    }
}
