//! What `zonda discover` says to a person: configuration, with the rest as comments, so that the
//! whole of it is a file.

use std::fmt::Write as _;
use std::time::Duration;

use zonda_lines::discover::stanza::{self, Way};
use zonda_lines::discover::{IioFinding, OnLine, SerialPort};

use super::{Address, Discover, Found, ProbePlan, REQUESTS_A_UNIT, name, shown};

/// What will be sent, how much of it, and how long it may take.
pub(super) fn announcement(discover: &Discover, probe: &ProbePlan, ports: usize) -> String {
    let tcp = discover.tcp.len();
    let units = probe.units.len();
    let mut text = format!(
        "First, nothing is sent: each line is listened to for {} at a time.\nThen lines on which nothing talks are asked for Modbus units, by read requests only (functions 3, 4, 43/14):\n",
        written(discover.listen_for)
    );
    // Writing into a String cannot fail, here and below.
    if ports > 0 {
        let settings: Vec<_> = probe.settings.iter().map(ToString::to_string).collect();
        let _ = writeln!(
            text,
            "  {ports} serial {}: {units} units at {} settings ({}), at most {} requests and {} on each",
            if ports == 1 { "port" } else { "ports" },
            settings.len(),
            settings.join(", "),
            probe.search_requests(),
            written(probe.search_longest()),
        );
    }
    if tcp > 0 {
        let longest = probe.patience * u32::try_from(units).unwrap_or(u32::MAX);
        let _ = writeln!(
            text,
            "  {tcp} {}: {units} units, at most {units} requests and {} on each",
            if tcp == 1 { "address" } else { "addresses" },
            written(longest)
        );
    }
    let _ = write!(
        text,
        "  and for each unit that answers at most {REQUESTS_A_UNIT} requests more, {} at the longest.\nCtrl-C stops it at any time.",
        written(probe.unit_longest())
    );
    text
}

/// Whole seconds, rounded up; minutes where there are many.
fn written(span: Duration) -> String {
    let seconds = span.as_secs_f64();
    if seconds < 10.0 {
        format!("{:.1} s", (seconds * 10.0).ceil() / 10.0)
    } else if seconds < 120.0 {
        format!("{:.0} s", seconds.ceil())
    } else {
        format!("{:.0} min", (seconds / 60.0).ceil())
    }
}

/// Everything that was found.
pub(super) fn of(found: &Found) -> String {
    let mut out = String::new();
    let quiet = found.is_listening_only;
    for (index, (port, what)) in found.ports.iter().enumerate() {
        let _ = writeln!(out, "# Serial port {}", describe(port));
        on_line(&mut out, what, (&name("port", index), quiet), |settings| {
            Some(Way::Serial(port.path.to_str()?, settings?))
        });
    }
    for (index, (Address { host, port }, what)) in found.tcp.iter().enumerate() {
        let _ = writeln!(out, "# Address {host}:{port}");
        on_line(&mut out, what, (&name("tcp", index), quiet), |_| {
            Some(Way::Tcp(host, *port))
        });
    }
    for (index, finding) in found.iio.iter().enumerate() {
        converter(&mut out, index, finding, &found.iio);
    }
    if found.ports.is_empty() && found.tcp.is_empty() && found.iio.is_empty() {
        out.push_str("# No serial port and no converter was found. Is the adapter plugged in? Addresses are searched by --tcp.\n");
    }
    out
}

/// `/dev/serial/by-id/… (ttyUSB0; Adapter by Maker, serial number A1)`.
fn describe(port: &SerialPort) -> String {
    let mut more = vec![port.device.clone()];
    if let Some(adapter) = &port.adapter {
        let product = adapter.product.as_deref().unwrap_or("an adapter");
        let maker = adapter
            .maker
            .as_ref()
            .map_or_else(String::new, |maker| format!(" by {maker}"));
        more.push(format!("{product}{maker}, {}", adapter.id));
        more.push(match &adapter.serial {
            Some(serial) => format!("serial number {serial}"),
            None => "without a serial number".to_owned(),
        });
    }
    let mut text = format!("{} ({})", shown(&port.path), more.join("; "));
    if port.has_twin {
        text += "\n# Another adapter has the same serial number: only the socket tells them apart. Do not swap them.";
    }
    if !port.is_stable {
        text += "\n# This name is the order of finding, and may belong to another port after the next start.";
    }
    text.chars()
        .filter(|c| *c == '\n' || !c.is_control())
        .collect()
}

fn on_line<'a>(
    out: &mut String,
    what: &OnLine,
    (name, is_listening_only): (&str, bool),
    way: impl Fn(Option<zonda_lines::discover::SerialSettings>) -> Option<Way<'a>>,
) {
    let said = match what {
        OnLine::NotOpened(why) => format!("# Not searched: {why}.\n"),
        OnLine::Noise { bytes } => format!(
            "# Something sends ({bytes} bytes), and at no speed that was tried it is text with numbers.\n"
        ),
        OnLine::Nothing if is_listening_only => "# Nothing talks; nothing was asked.\n".to_owned(),
        OnLine::Nothing => "# Nothing talks, and nothing answered.\n".to_owned(),
        OnLine::Text { settings, guess } => match way(*settings) {
            Some(way) => stanza::text(name, way, guess),
            None => NO_PATH.to_owned(),
        },
        OnLine::Modbus { settings, units } => match way(*settings) {
            Some(way) => stanza::modbus(name, way, units),
            None => NO_PATH.to_owned(),
        },
    };
    let _ = writeln!(out, "{said}");
}

const NO_PATH: &str = "# Found, but its path is not UTF-8 and cannot stand in a file.\n";

fn converter(out: &mut String, index: usize, finding: &IioFinding, all: &[IioFinding]) {
    let device = &finding.device;
    let twins = all
        .iter()
        .filter(|other| other.device.name == device.name && other.device.label == device.label);
    let is_alone = twins.count() == 1;
    let _ = writeln!(
        out,
        "# Converter {} ({})",
        device.name.as_deref().unwrap_or("without a name"),
        shown(&device.folder)
    );
    for channel in &finding.channels {
        let now = channel.now.as_deref().unwrap_or("nothing");
        let _ = writeln!(out, "#   {} reads {now}", channel.name);
    }
    match stanza::iio(&name("board", index), finding, is_alone) {
        Some(stanza) => {
            let _ = writeln!(out, "{stanza}");
        }
        None => {
            let _ = writeln!(
                out,
                "# Nothing of it can be recorded: it has neither name nor label, or no channel of a known kind and scale.\n"
            );
        }
    }
}
