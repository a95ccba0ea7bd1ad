//! Configurations for the suites: Modbus modules of sixteen inputs, two to a meter, with laws from
//! code to value that a suite computes again by itself.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Result;

use crate::bench::Bench;

/// Inputs of a module.
pub const INPUTS: usize = 16;

/// How often a line asks.
pub const EVERY_MS: u64 = 250;

/// What a line is connected to.
#[derive(Clone, Debug)]
pub enum Wire<'a> {
    /// A Modbus TCP device at this host and port.
    Tcp(&'a str),
    /// A Modbus RTU device on this port.
    Rtu(&'a Path),
}

/// One module of sixteen inputs and the line it hangs on.
#[derive(Clone, Debug)]
pub struct Module {
    /// Its name: the channels are `NAME1.velocity`, `NAME1.temperature` to `NAME8.temperature`.
    pub name: &'static str,
    /// Its Modbus unit.
    pub unit: u8,
}

impl Module {
    /// Its channels, in the order of its registers.
    pub fn channels(&self) -> Vec<String> {
        (1..=INPUTS / 2)
            .flat_map(|meter| {
                ["velocity", "temperature"].map(|what| format!("{}{meter}.{what}", self.name))
            })
            .collect()
    }
}

/// The value, in m/s or °C, that a word on the wire stands for in [`write()`]'s configuration. Even
/// registers are velocities (0-10 V for 0-20 m/s), odd ones temperatures (-10 to 10 V for -100 to
/// 900 °C); a count is 1 mV, in two's complement.
pub fn value(register: usize, word: u16) -> f64 {
    let volts = f64::from(word.cast_signed()) / 1000.0;
    if register.is_multiple_of(2) {
        volts / 10.0 * 20.0
    } else {
        -100.0 + (volts + 10.0) / 20.0 * 1000.0
    }
}

/// The text of a configuration: one line with these modules.
pub fn text(data: &Path, wire: &Wire, modules: &[Module]) -> String {
    let driver = match wire {
        Wire::Tcp(address) => format!("modbus-tcp = {{ address = \"{address}\" }}"),
        Wire::Rtu(port) => format!(
            "modbus-rtu = {{ port = \"{}\", serial = \"115200 8N1\" }}",
            port.display()
        ),
    };
    let mut text = format!(
        "[station]\nname = \"Curing oven 3\"\ndata = \"{}\"\n\n\
         [http]\nlisten = \"127.0.0.1:0\"\n\n\
         [line.bench]\nevery = \"{EVERY_MS} ms\"\n{driver}\n",
        data.display()
    );
    for module in modules {
        write_module(&mut text, module);
    }
    text
}

fn write_module(text: &mut String, module: &Module) {
    let Module { name, unit } = module;
    // Writing into a String cannot fail.
    let _ = write!(
        text,
        "\n[module.\"{name}\"]\nline = \"bench\"\nunit = {unit}\nregisters = \"input 0-{}\"\n\
         code = \"int16\"\ncount = \"1 mV\"\ntimeout = \"200 ms\"\n",
        INPUTS - 1
    );
    for meter in 1..=INPUTS / 2 {
        let _ = write!(
            text,
            "\n[meter.\"{name}{meter}\"]\n\
             velocity = {{ input = \"{name}.{}\", signal = \"0-10 V\", range = \"0-20 m/s\" }}\n\
             temperature = {{ input = \"{name}.{}\", signal = \"-10 to 10 V\", range = \"-100 to 900 °C\" }}\n",
            2 * meter - 1,
            2 * meter
        );
    }
}

/// Writes the configuration of a bench with one line.
///
/// # Errors
/// The file cannot be written.
pub fn write(bench: &Bench, wire: &Wire, modules: &[Module]) -> Result<std::path::PathBuf> {
    bench.write("station.toml", &text(&bench.data(), wire, modules))
}
