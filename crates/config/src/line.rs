//! Lines: the tick, and the driver that says how to talk. What a line of text looks like is left to
//! `text`, what is asked of a Modbus line to `module`.

use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use zonda_model::{Name, Period, SourceId};
use zonda_protocol::serial::SerialSettings;

use crate::check::{NamedSection, read_name};
use crate::fault::{Fault, note};
use crate::iio;
use crate::plan::{DriverPlan, PortPlan, RtuPlan, TcpPlan, TextWire};
use crate::section::{At, Section, spelled};
use crate::text;

/// How long an answer is waited for where the file does not say.
const TIMEOUT: Duration = Duration::from_millis(300);

/// A line as far as the file describes it: other tables are checked against it even where it has
/// faults of its own.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) name: Name,
    pub(crate) span: Range<usize>,
    pub(crate) every: Option<At<Period>>,
    pub(crate) carries: Carries,
    pub(crate) driver: Option<DriverPlan>,
    /// Of a converter that the kernel reads: its channels.
    pub(crate) inputs: Vec<iio::Input>,
    pub(crate) simulated: bool,
}

/// What is spoken on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Carries {
    /// Modbus, with the unit numbers of a serial line.
    Rtu,
    /// Modbus over TCP.
    Tcp,
    /// Lines of text.
    Text,
    /// Counts of a converter that the kernel reads.
    Iio,
    /// The file names no driver, or several.
    Unclear,
}

impl Line {
    /// Reads a line; `source` is what it is if it carries text. `None` where its name is bad.
    pub(crate) fn read(
        named: &NamedSection<'_, '_>,
        source: SourceId,
        faults: &mut Vec<Fault>,
        warnings: &mut Vec<Fault>,
    ) -> Option<Self> {
        let name = read_name(&named.name, faults);
        let every = read_every(&named.section, faults);
        let mut inputs = Vec::new();
        let (carries, driver) = read_driver(
            named,
            source,
            every.as_ref(),
            &mut inputs,
            (faults, warnings),
        );
        Some(Self {
            name: name?,
            span: named.name.span.clone(),
            every,
            carries,
            driver,
            inputs,
            simulated: named.section.flag("simulated"),
        })
    }

    pub(crate) const fn is_whole(&self) -> bool {
        self.every.is_some() && self.driver.is_some()
    }

    /// How the one thing is called that two lines cannot share.
    pub(crate) fn way(&self) -> Option<String> {
        let port = |port: &PortPlan| format!("the port {}", port.path.display());
        let connection = |host: &str, port: u16| format!("the connection {host}:{port}");
        Some(match self.driver.as_ref()? {
            DriverPlan::ModbusRtu(plan) => port(&plan.port),
            DriverPlan::ModbusTcp(plan) => connection(&plan.host, plan.port),
            DriverPlan::Text(plan) => match &plan.wire {
                TextWire::Serial(plan) => port(plan),
                TextWire::Tcp(host, port) => connection(host, *port),
            },
            DriverPlan::Iio(plan) => plan.way(),
        })
    }
}

fn read_every(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<At<Period>> {
    let bounds = (Duration::from_millis(1), Duration::from_hours(24));
    let At { value, span } = section.duration("every", bounds, faults)?;
    let value = note(Period::new(value), &span, faults)?;
    Some(At { value, span })
}

fn read_driver(
    named: &NamedSection<'_, '_>,
    source: SourceId,
    every: Option<&At<Period>>,
    inputs: &mut Vec<iio::Input>,
    (faults, warnings): (&mut Vec<Fault>, &mut Vec<Fault>),
) -> (Carries, Option<DriverPlan>) {
    let section = &named.section;
    let drivers = ["modbus-rtu", "modbus-tcp", "text", "iio"];
    let given = drivers.iter().filter(|key| section.has(key)).count();
    if given == 0 && section.is_misspelt() {
        return (Carries::Unclear, None);
    }
    if given != 1 {
        let what = format!("a line has exactly one driver, this one has {given}");
        faults.push(
            Fault::new(named.name.span.clone(), what)
                .help("one of `modbus-rtu`, `modbus-tcp`, `text`, `iio`"),
        );
        return (Carries::Unclear, None);
    }
    if let Some(rtu) = section.inner("modbus-rtu", faults) {
        let plan = read_rtu(&rtu, faults, warnings);
        (Carries::Rtu, plan.map(DriverPlan::ModbusRtu))
    } else if let Some(tcp) = section.inner("modbus-tcp", faults) {
        let plan = read_tcp(&tcp, faults);
        (Carries::Tcp, plan.map(DriverPlan::ModbusTcp))
    } else if let Some(text) = section.inner("text", faults) {
        let plan = text::read(&text, source, every, faults, warnings);
        (Carries::Text, plan.map(DriverPlan::Text))
    } else if let Some(section) = section.inner("iio", faults) {
        let plan = iio::read(&section, source, every, faults).map(|(plan, read)| {
            *inputs = read;
            plan
        });
        (Carries::Iio, plan.map(DriverPlan::Iio))
    } else {
        (Carries::Unclear, None)
    }
}

fn read_rtu(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<RtuPlan> {
    let port = read_port(section, faults, warnings);
    let silence = section.duration("silence", (Duration::ZERO, Duration::from_secs(1)), faults);
    let port = port?;
    let silence = silence.map_or(Duration::ZERO, |at| at.value);
    let silence_min = silence.max(port.settings.rtu_silence());
    Some(RtuPlan {
        port,
        silence_min,
        modules: Vec::new(),
    })
}

fn read_tcp(section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<TcpPlan> {
    let address = section.read("address", |text| read_address(text, Some(502)), faults);
    let (host, port) = address?.value;
    Some(TcpPlan {
        host,
        port,
        modules: Vec::new(),
    })
}

pub(crate) fn read_port(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<PortPlan> {
    let settings = section.parsed::<SerialSettings>("serial", faults);
    let port = section.text("port")?;
    if port.value.is_empty() {
        faults.push(
            Fault::new(port.span, "`port` is empty")
                .help("name the serial port, such as /dev/serial/by-id/…"),
        );
        return None;
    }
    let last = port.value.rsplit('/').next().unwrap_or(port.value);
    if last.starts_with("ttyUSB") || last.starts_with("ttyACM") {
        let what = format!(
            "{} may belong to another adapter after the next start",
            port.value
        );
        warnings.push(
            Fault::new(port.span, what)
                .help("use the adapter's path under /dev/serial/by-id or /dev/serial/by-path"),
        );
    }
    Some(PortPlan {
        path: PathBuf::from(port.value),
        settings: settings?.value,
    })
}

/// How long an answer is waited for. An answer after the tick would be of no use: the next tick
/// would cut the wait short, and the same device would be late at every tick.
pub(crate) fn read_timeout(
    section: &Section<'_, '_>,
    every: Option<&At<Period>>,
    faults: &mut Vec<Fault>,
) -> Duration {
    let bounds = (Duration::from_millis(5), Duration::from_secs(30));
    let given = section.duration("timeout", bounds, faults);
    let tick = every.map(|every| every.value.duration());
    if let (Some(given), Some(every), Some(tick)) = (&given, every, tick)
        && given.value >= tick
    {
        let what = format!(
            "waiting {} for an answer does not fit into a tick of {}",
            spelled(given.value),
            spelled(tick)
        );
        faults.push(
            Fault::new(given.span.clone(), what)
                .also(every.span.clone(), "the tick")
                .help("make `timeout` shorter than `every` of its line"),
        );
    }
    let default = tick.map_or(TIMEOUT, |tick| TIMEOUT.min(tick / 2));
    given.map_or(default, |at| at.value)
}

/// `host:port`, `[v6]:port`, or a host alone where there is a port to assume.
///
/// # Errors
/// A sentence that says what is wrong with it.
pub fn read_address(text: &str, default: Option<u16>) -> Result<(String, u16), String> {
    if let Ok(address) = text.parse::<std::net::SocketAddr>() {
        return Ok((address.ip().to_string(), address.port()));
    }
    let lacks_port = || format!("`{text}` lacks a port");
    if text.parse::<std::net::IpAddr>().is_ok() {
        return Ok((text.to_owned(), default.ok_or_else(lacks_port)?));
    }
    let (host, port) = match text.rsplit_once(':') {
        Some((host, port)) => (
            host,
            port.parse()
                .map_err(|_| format!("`{port}` is not a port number"))?,
        ),
        None => (text, default.ok_or_else(lacks_port)?),
    };
    let fits_host = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '.';
    if host.is_empty() || !host.chars().all(fits_host) {
        return Err(format!("`{host}` is not a host name or address"));
    }
    Ok((host.to_owned(), port))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_as_people_write_them() {
        assert_eq!(
            read_address("192.0.2.10", Some(502)),
            Ok(("192.0.2.10".into(), 502))
        );
        assert_eq!(
            read_address("module-3.lab:1502", None),
            Ok(("module-3.lab".into(), 1502))
        );
        assert_eq!(read_address("[::1]:502", None), Ok(("::1".into(), 502)));
        assert_eq!(read_address("::1", Some(502)), Ok(("::1".into(), 502)));
        assert!(read_address("", Some(502)).is_err());
        assert!(read_address("a b:1", None).is_err());
        assert!(read_address("host:70000", None).is_err());
        assert!(read_address("host", None).is_err());
    }
}
