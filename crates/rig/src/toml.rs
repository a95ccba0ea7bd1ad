//! The configuration file of a daemon that records this rig, written from its wiring.

use std::fmt::Write;
use std::path::Path;

use zonda_model::Quantity;
use zonda_model::written::{Amount, Span};

use crate::instruments::{Band, ENVELOPE, Meter, Output, VELOCITY_MAX};
use crate::wiring::{
    LineWiring, LoopWiring, MeterWiring, ModuleWiring, Talk, TextField, TextWiring, Wire, Wiring,
};

/// What the file says of the station, beside the wiring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Station<'a> {
    /// Shown on the page and in reports.
    pub name: &'a str,
    /// IANA name of the laboratory's time zone.
    pub time_zone: &'a str,
    /// Directory of the record.
    pub data: &'a Path,
}

/// The text of the file.
#[expect(
    clippy::missing_panics_doc,
    reason = "writing into a String cannot fail"
)]
pub fn wiring_toml(station: Station, wiring: &Wiring) -> String {
    let mut text = String::new();
    write_all(&mut text, station, wiring).expect("writing into a String cannot fail");
    text
}

/// In quotation marks, escaped as TOML wants it.
pub(crate) fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            '\r' => quoted.push_str("\\r"),
            '\n' => quoted.push_str("\\n"),
            c if c.is_control() => quoted.extend(format!("\\u{:04X}", u32::from(c)).chars()),
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

fn write_all(text: &mut String, station: Station, wiring: &Wiring) -> std::fmt::Result {
    writeln!(
        text,
        "# A simulated curing oven. Every reading of it carries the mark `simulated`.\n"
    )?;
    writeln!(text, "[station]")?;
    writeln!(text, "name = {}", quoted(station.name))?;
    writeln!(text, "time_zone = {}", quoted(station.time_zone))?;
    writeln!(text, "data = {}", quoted(&station.data.to_string_lossy()))?;
    for line in &wiring.lines {
        write_line(text, line)?;
    }
    write_envelope(text)?;
    writeln!(
        text,
        "\n# The meters. The ranges are those set on them. Two are heard as text as well: where both\n\
         # disagree, a range is set wrong."
    )?;
    for (meter, number) in wiring.meters.iter().zip(1..) {
        write_meter(text, meter, number)?;
        for line in &wiring.lines {
            write_text_of(text, meter, line)?;
        }
    }
    writeln!(text, "\n# Oven and room.")?;
    for wired in &wiring.loops {
        write_loop(text, wired)?;
    }
    write!(text, "{ASKED}")
}

/// Where the probes stand, and what a night and a day are asked.
const ASKED: &str = r#"
# Where the probes stand. Lengths are inside; a place is right of, behind and above the middle.
[layout.oven]
kind = "zone"
width = "2 m"
depth = "6 m"
height = "2 m"

[layout.oven.points]
Z1-left = "Z1-left at -0.7, -2, 0 m"
Z1-middle = "Z1-middle at 0, -2, 0 m"
Z1-right = "Z1-right at 0.7, -2, 0 m"
Z2-left = "Z2-left at -0.7, 0, 0 m"
Z2-middle = "Z2-middle at 0, 0, 0 m"
Z2-right = "Z2-right at 0.7, 0, 0 m"
Z3-left = "Z3-left at -0.7, 2, 0 m"
Z3-middle = "Z3-middle at 0, 2, 0 m"
Z3-right = "Z3-right at 0.7, 2, 0 m"

[layout.zone-1]
kind = "zone"
width = "1.2 m"
depth = "1.6 m"
height = "2 m"
points = { left = "Z1-left at -0.5, 0, 0 m", middle = "Z1-middle at 0, 0, 0 m", right = "Z1-right at 0.5, 0, 0 m" }

[layout.exhaust]
kind = "duct"
diameter = "250 mm"
dimension_accuracy = "1 mm"
rule = "equal-area"
lines = 1
per_line = 2
points = { 1 = "exhaust-left", 2 = "exhaust-right" }

# What is asked of runs: `zonda evaluate RUN` answers.
[evaluation.heat-up]
kind = "transient"
channel = "Z1-middle.temperature"
setpoint = "200 °C"
tolerance = "8 K"
smoothing = "30 s"
to = "3 h"

[evaluation.zone-1-soaked]
kind = "uniformity"
layout = "zone-1"
setpoint = "200 °C"
tolerance = "12 K"
since = "soaked"
dwell = "10 min"
to = "3 h 30 min"

[evaluation.zone-1-so-far]
kind = "uniformity"
layout = "zone-1"
setpoint = "200 °C"
tolerance = "12 K"

[evaluation.zone-1-by-the-hour]
kind = "windows"
channels = ["Z1-left.temperature", "Z1-middle.temperature", "Z1-right.temperature"]
length = "1 h"
on_the_clock = true

[evaluation.zone-1-steady]
kind = "steadiness"
channels = ["Z1-left.temperature", "Z1-middle.temperature", "Z1-right.temperature"]
window = "10 min"
negligible = "1 K"

[evaluation.exhaust-flow]
kind = "traverse"
layout = "exhaust"
pressure = "barometer"
reference = "20 °C"

[evaluation.exhaust-heat]
kind = "heat"
layout = "exhaust"
pressure = "barometer"
inlet = "room-temperature"
humidity = "50 % at 23 °C"

[evaluation.both-ways]
kind = "agreement"
channel = "exhaust-centre.velocity"
against = "exhaust-centre.velocity-text"
within = "0.2 m/s"

[evaluation.oven]
kind = "mean"
channels = ["Z1-middle.temperature", "Z2-middle.temperature", "Z3-middle.temperature", "exhaust-centre.velocity", "oven-pressure"]

[run.night]
end = "after 12 h"
purpose = "uniformity over a night, from cold"
object = "simulated curing oven"
layout = "zone-1"
evaluations = ["heat-up", "zone-1-soaked", "zone-1-by-the-hour", "zone-1-steady", "exhaust-flow", "exhaust-heat", "both-ways", "oven"]

[run.day]
purpose = "a look at the demo"
object = "simulated curing oven"
layout = "zone-1"
evaluations = ["oven", "zone-1-so-far", "exhaust-flow"]
"#;

fn write_line(text: &mut String, LineWiring { name, wire }: &LineWiring) -> std::fmt::Result {
    match wire {
        Wire::ModbusRtu { .. } => writeln!(text, "\n# Analog input modules on one RS-485 line.")?,
        Wire::ModbusTcp { .. } => writeln!(text, "\n# A module on the network.")?,
        Wire::Text { text: said, .. } => match said.talk {
            Talk::Streams(_) => writeln!(text, "\n# {} speaks by itself.", said.meter)?,
            Talk::Answers(_) => writeln!(text, "\n# {} speaks when asked.", said.meter)?,
        },
    }
    writeln!(text, "[line.{name}]")?;
    writeln!(text, "every = \"1 s\"")?;
    writeln!(text, "simulated = true")?;
    match wire {
        Wire::ModbusRtu {
            port,
            serial,
            modules,
        } => {
            let port = quoted(&port.to_string_lossy());
            writeln!(
                text,
                "modbus-rtu = {{ port = {port}, serial = \"{serial}\" }}"
            )?;
            modules
                .iter()
                .try_for_each(|module| write_module(text, name.as_str(), module))
        }
        Wire::ModbusTcp { address, modules } => {
            writeln!(text, "modbus-tcp = {{ address = \"{address}\" }}")?;
            modules
                .iter()
                .try_for_each(|module| write_module(text, name.as_str(), module))
        }
        Wire::Text {
            port,
            serial,
            text: said,
        } => {
            let port = quoted(&port.to_string_lossy());
            writeln!(text, "\n[line.{name}.text]")?;
            writeln!(text, "port = {port}")?;
            writeln!(text, "serial = \"{serial}\"")?;
            write_said(text, said)
        }
    }
}

fn write_said(text: &mut String, said: &TextWiring) -> std::fmt::Result {
    if let Talk::Answers(command) = &said.talk {
        writeln!(text, "ask = {}", quoted(command))?;
        writeln!(text, "timeout = \"400 ms\"")?;
    }
    let list = |write: fn(&TextField) -> String| {
        let fields: Vec<_> = said.fields.iter().map(write).collect();
        fields.join(", ")
    };
    let names = list(|field| format!("\"{}\"", field.quantity));
    let decimals = list(|field| format!("{} = \"{}\"", field.quantity, field.decimals));
    writeln!(text, "fields = [{names}]")?;
    writeln!(text, "delimiter = {}", quoted(&said.delimiter.to_string()))?;
    writeln!(text, "terminator = \"CRLF\"")?;
    writeln!(text, "decimals = {{ {decimals} }}")
}

fn write_module(text: &mut String, line: &str, module: &ModuleWiring) -> std::fmt::Result {
    let Amount { value, unit } = module.count;
    writeln!(text, "\n[module.{}]", module.name)?;
    writeln!(text, "line = \"{line}\"")?;
    writeln!(text, "unit = {}", module.unit)?;
    writeln!(text, "registers = \"input 0-{}\"", module.inputs - 1)?;
    writeln!(text, "code = \"{}\"", module.code.word())?;
    writeln!(text, "count = \"{value} {unit}\"")?;
    writeln!(text, "timeout = \"300 ms\"")
}

fn span(Span { from, to, unit }: Span) -> String {
    let joint = if from < 0.0 { " to " } else { "-" };
    format!("\"{from}{joint}{to} {unit}\"")
}

/// What an output says in the file. A voltage at the end of its span carries the converter's noise
/// beyond it, which the margin forgives.
fn output(wired: &LoopWiring) -> Vec<String> {
    let mut pairs = vec![
        format!("input = \"{}.{}\"", wired.module, wired.input),
        format!("signal = {}", span(wired.signal)),
        format!("range = {}", span(wired.range)),
    ];
    if wired.signal.unit.quantity() == Quantity::Voltage {
        pairs.push("margin = \"10 mV\"".to_owned());
    }
    pairs
}

/// Where the probes' velocity can be believed.
fn write_envelope(text: &mut String) -> std::fmt::Result {
    writeln!(
        text,
        "\n# The probes: what they measure in which air. The temperature holds as far as the bands.\n[envelope.hot-probe]"
    )?;
    let mut from = 0.0;
    let mut bands = Vec::new();
    for Band { to_c, velocity_min } in ENVELOPE {
        bands.push(format!(
            "\"{from}-{to_c} °C: {velocity_min}-{VELOCITY_MAX} m/s\""
        ));
        from = to_c;
    }
    writeln!(text, "velocity = [{}]", bands.join(", "))
}

/// What the meters show: the air as it moves.
fn basis(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Velocity => ", basis = \"actual\"",
        _ => "",
    }
}

/// How well a meter reads, by its maker.
fn accuracy(quantity: Quantity) -> String {
    let (share, zero) = Meter::VELOCITY_ACCURACY;
    match quantity {
        Quantity::Velocity => format!("\"{} % of reading + {zero} m/s\"", share * 100.0),
        _ => format!("\"{} K\"", Meter::TEMPERATURE_ACCURACY),
    }
}

/// The `number`-th meter, and the probe whose characteristics it holds.
fn write_meter(text: &mut String, meter: &MeterWiring, number: usize) -> std::fmt::Result {
    writeln!(text, "\n[meter.{}]", meter.name)?;
    writeln!(text, "serial = \"SIM-M{number:02}\"")?;
    writeln!(
        text,
        "probe = {{ serial = \"SIM-P{number:02}\", number = \"{number}\", envelope = \"hot-probe\" }}"
    )?;
    writeln!(text, "probe_number = \"{number}\"")?;
    let output_accuracy = Output::ACCURACY * 100.0;
    writeln!(text, "output_accuracy = \"{output_accuracy} % of span\"")?;
    for wired in [&meter.velocity, &meter.temperature] {
        let quantity = wired.quantity;
        let says = output(wired).join(", ");
        let (accuracy, basis) = (accuracy(quantity), basis(quantity));
        writeln!(
            text,
            "{quantity} = {{ {says}{basis}, accuracy = {accuracy} }}"
        )?;
    }
    Ok(())
}

/// What a meter says on a line of text, if this one is its.
fn write_text_of(text: &mut String, meter: &MeterWiring, line: &LineWiring) -> std::fmt::Result {
    let Wire::Text { text: said, .. } = &line.wire else {
        return Ok(());
    };
    if said.meter != meter.name {
        return Ok(());
    }
    said.fields.iter().try_for_each(|field| {
        let TextField { quantity, unit, .. } = field;
        let input = format!("{}.{quantity}", line.name);
        let (accuracy, basis) = (accuracy(*quantity), basis(*quantity));
        writeln!(
            text,
            "{quantity}-text = {{ input = \"{input}\", unit = \"{unit}\"{basis}, accuracy = {accuracy} }}"
        )
    })
}

fn write_loop(text: &mut String, wired: &LoopWiring) -> std::fmt::Result {
    writeln!(text, "\n[channel.{}]", wired.name)?;
    writeln!(text, "quantity = \"{}\"", wired.quantity)?;
    output(wired)
        .iter()
        .try_for_each(|pair| writeln!(text, "{pair}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::options::RigOptions;
    use std::net::SocketAddr;
    use toml::Table;

    fn table() -> Table {
        let options = RigOptions::new("/run/a \"rig\"");
        let wiring = crate::layout::wiring(&options, SocketAddr::from(([127, 0, 0, 1], 1502)));
        let station = Station {
            name: "Curing oven 3",
            time_zone: "Europe/Berlin",
            data: Path::new("C:\\record"),
        };
        wiring_toml(station, &wiring).parse().unwrap()
    }

    fn at<'a>(table: &'a Table, path: &str) -> &'a toml::Value {
        let mut keys = path.split('/');
        let first = &table[keys.next().unwrap()];
        keys.fold(first, |value, key| &value[key])
    }

    /// Read back by an outside TOML reader.
    #[test]
    fn the_file_says_what_is_wired() {
        let table = table();
        for (path, value) in [
            ("station/data", "C:\\record"),
            ("line/bench/modbus-rtu/port", "/run/a \"rig\"/bench"),
            ("line/bench/modbus-rtu/serial", "19200 8E1"),
            ("line/utilities/modbus-tcp/address", "127.0.0.1:1502"),
            ("line/display-1/text/delimiter", ";"),
            ("line/display-2/text/ask", "D\r"),
            ("line/display-2/text/decimals/velocity", "2"),
            ("module/A/registers", "input 0-15"),
            ("module/A/count", "1 µA"),
            ("module/B/code", "int16"),
            ("module/B/count", "0.3125 mV"),
            ("meter/Z1-left/velocity/input", "A.1"),
            ("meter/Z1-left/velocity/signal", "4-20 mA"),
            ("meter/Z2-middle/velocity-text/basis", "actual"),
            ("meter/Z3-right/temperature/range", "0-300 °C"),
            ("meter/Z2-middle/velocity-text/input", "display-1.velocity"),
            ("meter/Z2-middle/probe/envelope", "hot-probe"),
            ("channel/room-temperature/range", "-20 to 80 °C"),
            ("channel/room-temperature/input", "U.3"),
            ("channel/barometer/margin", "10 mV"),
        ] {
            assert_eq!(at(&table, path).as_str(), Some(value), "{path}");
        }
        assert_eq!(at(&table, "meter").as_table().unwrap().len(), 12);
        assert_eq!(at(&table, "channel").as_table().unwrap().len(), 8);
        for (name, line) in at(&table, "line").as_table().unwrap() {
            assert_eq!(line["simulated"].as_bool(), Some(true), "{name}");
        }
    }
}
