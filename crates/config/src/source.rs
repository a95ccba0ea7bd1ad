//! Lines, and the sources of codes on them: modules and text streams.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use zonda_model::{Name, Period, SourceId};
use zonda_protocol::modbus::{RegisterInput, Table, UnitId, Width};
use zonda_protocol::serial::SerialSettings;
use zonda_signal::Scale;

use crate::check::{NamedSection, read_name};
use crate::fault::Fault;
use crate::output::CodeOf;
use crate::plan::{DriverPlan, LinePlan, ModulePlan, PortPlan, RtuPlan, SourcePlan, TcpPlan};
use crate::section::{At, Section};
use crate::text;

/// Where a channel's code comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct InputRef {
    pub(crate) source: SourceId,
    /// Input of the module from 0, or field of the text line.
    pub(crate) index: usize,
}

/// What a channel needs to know of its source.
#[derive(Debug)]
pub(crate) enum Kind {
    Module(Module),
    Text { fields: Vec<Name> },
}

/// A module as the file describes it.
#[derive(Debug)]
pub(crate) struct Module {
    pub(crate) code: CodeOf,
    pub(crate) count: Option<Scale>,
    plan: ModulePlan,
    first: u16,
    inputs: usize,
}

#[derive(Debug)]
struct Source {
    name: Name,
    span: Range<usize>,
    line: usize,
    kind: Kind,
    used: BTreeSet<usize>,
}

#[derive(Debug)]
struct Line {
    name: Name,
    span: Range<usize>,
    simulated: bool,
    /// `None` where the tick or the driver had a fault; other tables are still checked against the line.
    plan: Option<(Period, DriverPlan)>,
    is_rtu: bool,
    is_modbus: bool,
}

/// All lines and sources, while channels are being read.
#[derive(Debug)]
pub(crate) struct Sources {
    lines: Vec<Line>,
    list: Vec<Source>,
    /// Names whose table had a fault of its own: a channel that refers to one needs no second message.
    broken: BTreeSet<String>,
}

impl Sources {
    pub(crate) fn read(
        lines: &[NamedSection<'_, '_>],
        modules: &[NamedSection<'_, '_>],
        faults: &mut Vec<Fault>,
        warnings: &mut Vec<Fault>,
    ) -> Self {
        let mut all = Self {
            lines: Vec::new(),
            list: Vec::new(),
            broken: BTreeSet::new(),
        };
        for line in lines {
            if all.add_line(line, faults, warnings).is_none() {
                all.broken.insert(line.name.value.to_owned());
            }
        }
        all.refuse_shared_ports(faults);
        for module in modules {
            if all.add_module(module, faults).is_none() {
                all.broken.insert(module.name.value.to_owned());
            }
        }
        all.refuse_twin_names(faults);
        all.warn_twin_registers(warnings);
        all
    }

    fn add_line(
        &mut self,
        named: &NamedSection<'_, '_>,
        faults: &mut Vec<Fault>,
        warnings: &mut Vec<Fault>,
    ) -> Option<()> {
        let section = &named.section;
        let name: Option<Name> = read_name(&named.name, faults);
        let every = section
            .duration(
                "every",
                (Duration::from_millis(1), Duration::from_hours(24)),
                faults,
            )
            .and_then(|span| Period::new(span).ok());
        let rtu = section.inner("modbus-rtu", faults);
        let tcp = section.inner("modbus-tcp", faults);
        let text = section.inner("text", faults);
        let given = [&rtu, &tcp, &text].into_iter().flatten().count();
        if given != 1 {
            faults.push(
                Fault::new(
                    named.name.span.clone(),
                    format!("a line has exactly one driver, this one has {given}"),
                )
                .help("one of `modbus-rtu`, `modbus-tcp`, `text`"),
            );
        }
        let index = self.lines.len();
        let is_rtu = rtu.is_some();
        let is_modbus = is_rtu || tcp.is_some();
        let source = SourceId(self.list.len());
        let driver = if let Some(rtu) = rtu {
            read_rtu(&rtu, faults, warnings).map(DriverPlan::ModbusRtu)
        } else if let Some(tcp) = tcp {
            read_tcp(&tcp, faults).map(DriverPlan::ModbusTcp)
        } else if let Some(text) = text {
            text::read(&text, source, faults, warnings).map(DriverPlan::Text)
        } else {
            None
        };
        let name = name?;
        if let Some(DriverPlan::Text(plan)) = &driver {
            let kind = Kind::Text {
                fields: plan
                    .format
                    .fields()
                    .iter()
                    .map(|field| field.name.clone())
                    .collect(),
            };
            self.list.push(Source {
                name: name.clone(),
                span: named.name.span.clone(),
                line: index,
                kind,
                used: BTreeSet::new(),
            });
        }
        let simulated = section.flag("simulated");
        let plan = every.zip(driver).filter(|_| given == 1);
        let whole = plan.is_some();
        self.lines.push(Line {
            name,
            span: named.name.span.clone(),
            simulated,
            plan,
            is_rtu,
            is_modbus,
        });
        whole.then_some(())
    }

    fn add_module(&mut self, named: &NamedSection<'_, '_>, faults: &mut Vec<Fault>) -> Option<()> {
        let section = &named.section;
        let before = faults.len();
        let name: Option<Name> = read_name(&named.name, faults);
        let line = self.line_of(section, faults);
        let is_rtu = line.is_some_and(|index| self.lines[index].is_rtu);
        let (least, most) = if is_rtu { (1, 247) } else { (0, 255) };
        let unit = section
            .whole("unit", least, most, faults)
            .and_then(|unit: i64| u8::try_from(unit).ok())
            .and_then(|unit| {
                if is_rtu {
                    UnitId::serial(unit).ok()
                } else {
                    Some(UnitId::tcp(unit))
                }
            });
        let code = crate::output::read_code(section, faults);
        let count = crate::output::read_count(section, faults);
        let registers = section.read("registers", read_registers, faults);
        let timeout = section.duration(
            "timeout",
            (Duration::from_millis(5), Duration::from_secs(30)),
            faults,
        );
        let retries = section.whole("retries", 0_i64, 3, faults);
        let registers_max = section.whole("registers_max", 1_i64, 125, faults);
        let width = code.map(|code| code.width);
        if let (Some(registers), Some(Width::Two)) = (&registers, width)
            && registers.value.count % 2 == 1
        {
            faults.push(
                Fault::new(
                    registers.span.clone(),
                    format!(
                        "{} registers do not make whole 32-bit inputs",
                        registers.value.count
                    ),
                )
                .help("name an even number of them"),
            );
        }
        let source = SourceId(self.list.len());
        let (registers, code, width) = (registers?.value, code?, width?);
        let inputs = usize::from(registers.count) / if width == Width::Two { 2 } else { 1 };
        let (name, unit, line) = (name?, unit?, line?);
        let plan = ModulePlan {
            source,
            name: name.clone(),
            unit,
            table: registers.table,
            timeout: timeout.unwrap_or(Duration::from_millis(300)),
            retries: u8::try_from(retries.unwrap_or(0)).unwrap_or(0),
            registers_max: u16::try_from(registers_max.unwrap_or(125)).unwrap_or(125),
            inputs: Vec::new(),
        };
        let module = Module {
            code,
            count,
            plan,
            first: registers.first,
            inputs,
        };
        self.list.push(Source {
            name,
            span: named.name.span.clone(),
            line,
            kind: Kind::Module(module),
            used: BTreeSet::new(),
        });
        (faults.len() == before).then_some(())
    }

    fn line_of(&self, section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<usize> {
        let wanted = section.text("line")?;
        let found = self
            .lines
            .iter()
            .position(|line| line.name.as_str() == wanted.value);
        match found {
            Some(index) if self.lines[index].is_modbus || self.lines[index].plan.is_none() => {
                Some(index)
            }
            Some(index) => {
                let fault = Fault::new(
                    wanted.span,
                    format!(
                        "the line `{}` carries text; a module needs a Modbus line",
                        wanted.value
                    ),
                );
                faults.push(fault.also(self.lines[index].span.clone(), "this line"));
                None
            }
            None if self.broken.contains(wanted.value) => None,
            None => {
                let known: Vec<_> = self.lines.iter().map(|line| line.name.as_str()).collect();
                faults.push(
                    Fault::new(wanted.span, format!("there is no line `{}`", wanted.value))
                        .help(format!("lines of this file: {}", known.join(", "))),
                );
                None
            }
        }
    }

    /// The source and input that a text such as `A.1` or `p7.velocity` names.
    pub(crate) fn resolve(&self, wanted: &At<&str>, faults: &mut Vec<Fault>) -> Option<InputRef> {
        let fault = |what: String| Fault::new(wanted.span.clone(), what);
        let Some((name, input)) = wanted.value.split_once('.') else {
            faults.push(
                fault(format!("`{}` names no input", wanted.value)).help(
                    "write module and input as `A.1`, or text line and field as `p7.velocity`",
                ),
            );
            return None;
        };
        let Some(index) = self
            .list
            .iter()
            .position(|source| source.name.as_str() == name)
        else {
            if !self.broken.contains(name) {
                let known: Vec<_> = self
                    .list
                    .iter()
                    .map(|source| source.name.as_str())
                    .collect();
                faults.push(
                    fault(format!("there is no module or text line `{name}`"))
                        .help(format!("known here: {}", known.join(", "))),
                );
            }
            return None;
        };
        match self.list[index].kind.find(input) {
            Ok(place) => Some(InputRef {
                source: SourceId(index),
                index: place,
            }),
            Err(help) => {
                faults.push(fault(format!("`{name}` has no input `{input}`")).help(help));
                None
            }
        }
    }

    pub(crate) fn kind(&self, source: SourceId) -> &Kind {
        &self.list[source.0].kind
    }

    pub(crate) fn note_used<'a>(&mut self, drafts: impl Iterator<Item = &'a crate::output::Draft>) {
        for draft in drafts {
            self.list[draft.input.source.0]
                .used
                .insert(draft.input.index);
        }
    }

    /// Which of the scan's codes an input is.
    pub(crate) fn place_in_scan(&self, input: &InputRef) -> usize {
        let source = &self.list[input.source.0];
        match source.kind {
            Kind::Module(_) => source
                .used
                .iter()
                .position(|used| *used == input.index)
                .unwrap_or(0),
            Kind::Text { .. } => input.index,
        }
    }

    pub(crate) fn warn_unused(&self, warnings: &mut Vec<Fault>) {
        for source in self.list.iter().filter(|source| source.used.is_empty()) {
            warnings.push(Fault::new(
                source.span.clone(),
                format!("no channel uses `{}`; it will not be asked", source.name),
            ));
        }
        for (index, line) in self.lines.iter().enumerate() {
            if !self.list.iter().any(|source| source.line == index) {
                warnings.push(Fault::new(
                    line.span.clone(),
                    format!("the line `{}` has no module", line.name),
                ));
            }
        }
    }

    fn refuse_twin_names(&self, faults: &mut Vec<Fault>) {
        let mut seen: BTreeMap<&str, &Range<usize>> = BTreeMap::new();
        for source in &self.list {
            match seen.get(source.name.as_str()) {
                Some(first) => {
                    let fault = Fault::new(
                        source.span.clone(),
                        format!(
                            "the name `{}` is taken: channels could not tell the two apart",
                            source.name
                        ),
                    );
                    faults.push(
                        fault
                            .also((*first).clone(), "first here")
                            .help("modules and text lines need names of their own"),
                    );
                }
                None => drop(seen.insert(source.name.as_str(), &source.span)),
            }
        }
    }

    /// The same registers by two modules: a copied table whose unit was forgotten, most likely.
    fn warn_twin_registers(&self, warnings: &mut Vec<Fault>) {
        let mut seen: Vec<(&Source, &Module)> = Vec::new();
        for source in &self.list {
            let Kind::Module(module) = &source.kind else {
                continue;
            };
            if let Some((first, _)) = seen
                .iter()
                .find(|(other, earlier)| other.line == source.line && earlier.overlaps(module))
            {
                let what = format!(
                    "`{}` reads registers that `{}` reads too",
                    source.name, first.name
                );
                warnings.push(
                    Fault::new(source.span.clone(), what)
                        .also(first.span.clone(), "the other")
                        .help("is its `unit` right?"),
                );
            }
            seen.push((source, module));
        }
    }

    fn refuse_shared_ports(&self, faults: &mut Vec<Fault>) {
        let mut seen: BTreeMap<String, &Line> = BTreeMap::new();
        for line in &self.lines {
            let Some(way) = line.plan.as_ref().map(|(_, driver)| way_of(driver)) else {
                continue;
            };
            if let Some(first) = seen.get(&way) {
                let fault = Fault::new(
                    line.span.clone(),
                    format!("the lines `{}` and `{}` share {way}", first.name, line.name),
                );
                faults.push(fault.also(first.span.clone(), "the other").help(
                    "a port or connection belongs to one line; put its modules on that line",
                ));
            } else {
                seen.insert(way, line);
            }
        }
    }

    /// The plans of the lines, with the inputs in use, and the list of sources.
    pub(crate) fn finish(
        self,
        faults: &mut Vec<Fault>,
    ) -> Option<(Vec<LinePlan>, Vec<SourcePlan>)> {
        let mut plans = Vec::new();
        for line in &self.lines {
            let (every, driver) = line.plan.clone()?;
            plans.push((
                LinePlan {
                    name: line.name.clone(),
                    every,
                    driver,
                },
                line.simulated,
                line.span.clone(),
            ));
        }
        let mut list = Vec::new();
        for source in self.list {
            let (line, simulated, _) = &mut plans[source.line];
            if let Kind::Module(module) = source.kind
                && !source.used.is_empty()
            {
                line.driver.modules_mut().push(module.finish(&source.used));
            }
            list.push(SourcePlan {
                name: source.name,
                line: source.line,
                simulated: *simulated,
            });
        }
        for (line, _, span) in &plans {
            refuse_overload(line, span, faults);
        }
        Some((plans.into_iter().map(|(line, ..)| line).collect(), list))
    }
}

impl Kind {
    fn find(&self, input: &str) -> Result<usize, String> {
        match self {
            Self::Module(module) => {
                let number = input
                    .parse::<usize>()
                    .ok()
                    .filter(|number| (1..=module.inputs).contains(number));
                number
                    .map(|number| number - 1)
                    .ok_or_else(|| format!("its inputs are 1 to {}", module.inputs))
            }
            Self::Text { fields } => fields
                .iter()
                .position(|field| field.as_str() == input)
                .ok_or_else(|| {
                    let known: Vec<_> = fields.iter().map(Name::as_str).collect();
                    format!("its fields are {}", known.join(", "))
                }),
        }
    }
}

impl Module {
    fn overlaps(&self, other: &Self) -> bool {
        let end = |module: &Self| {
            usize::from(module.first) + module.inputs * usize::from(module.code.width.registers())
        };
        let same = self.plan.unit == other.plan.unit && self.plan.table == other.plan.table;
        same && usize::from(self.first) < end(other) && usize::from(other.first) < end(self)
    }

    fn finish(self, used: &BTreeSet<usize>) -> ModulePlan {
        let width = self.code.width;
        let step = width.registers();
        let register = |index: usize| {
            u16::try_from(index)
                .unwrap_or(u16::MAX)
                .saturating_mul(step)
                .saturating_add(self.first)
        };
        let inputs = used
            .iter()
            .filter_map(|index| RegisterInput::new(register(*index), width).ok())
            .collect();
        ModulePlan {
            inputs,
            ..self.plan
        }
    }
}

impl DriverPlan {
    fn modules_mut(&mut self) -> &mut Vec<ModulePlan> {
        match self {
            Self::ModbusRtu(plan) => &mut plan.modules,
            Self::ModbusTcp(plan) => &mut plan.modules,
            // A module is only ever put on a Modbus line (`line_of`).
            Self::Text(_) => unreachable!("a text line has no modules"),
        }
    }
}

/// How the one thing that two lines can't share is called.
fn way_of(driver: &DriverPlan) -> String {
    use crate::plan::TextWire;
    match driver {
        DriverPlan::ModbusRtu(plan) => format!("the port {}", plan.port.path.display()),
        DriverPlan::ModbusTcp(plan) => format!("the connection {}:{}", plan.host, plan.port),
        DriverPlan::Text(plan) => match &plan.wire {
            TextWire::Serial(port) => format!("the port {}", port.path.display()),
            TextWire::Tcp(host, port) => format!("the connection {host}:{port}"),
        },
    }
}

/// A line that needs longer for its frames than its tick lasts would only ever be late.
fn refuse_overload(line: &LinePlan, span: &Range<usize>, faults: &mut Vec<Fault>) {
    let DriverPlan::ModbusRtu(plan) = &line.driver else {
        return;
    };
    let needed = plan.wire_time();
    if needed > line.every.duration() {
        let what = format!(
            "the line `{}` needs {:.0} ms at {} for what is asked every {:.0} ms",
            line.name,
            needed.as_secs_f64() * 1e3,
            plan.port.settings,
            line.every.duration().as_secs_f64() * 1e3
        );
        faults.push(
            Fault::new(span.clone(), what)
                .help("ask less often, raise the speed, or split the modules over two lines"),
        );
    }
}

pub(crate) fn read_port(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<PortPlan> {
    let port = section.text("port");
    let settings = section.parsed::<SerialSettings>("serial", faults);
    let port = port?;
    if port.value.is_empty() {
        faults.push(
            Fault::new(port.span.clone(), "`port` is empty")
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

fn read_rtu(
    section: &Section<'_, '_>,
    faults: &mut Vec<Fault>,
    warnings: &mut Vec<Fault>,
) -> Option<RtuPlan> {
    let port = read_port(section, faults, warnings);
    let silence = section.duration("silence", (Duration::ZERO, Duration::from_secs(1)), faults);
    let port = port?;
    let silence_min = silence.unwrap_or_default().max(port.settings.rtu_silence());
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

/// `host:port`, `[v6]:port`, or a host alone where there is a port to assume.
pub(crate) fn read_address(text: &str, default: Option<u16>) -> Result<(String, u16), String> {
    if let Ok(address) = text.parse::<std::net::SocketAddr>() {
        return Ok((address.ip().to_string(), address.port()));
    }
    if text.parse::<std::net::IpAddr>().is_ok() {
        return default
            .map(|port| (text.to_owned(), port))
            .ok_or_else(|| format!("`{text}` lacks a port"));
    }
    let (host, port) = match text.rsplit_once(':') {
        Some((host, port)) => (
            host,
            port.parse()
                .map_err(|_| format!("`{port}` is not a port number"))?,
        ),
        None => (
            text,
            default.ok_or_else(|| format!("`{text}` lacks a port"))?,
        ),
    };
    let is_host = !host.is_empty()
        && host
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '.');
    if is_host {
        Ok((host.to_owned(), port))
    } else {
        Err(format!("`{host}` is not a host name or address"))
    }
}

struct Registers {
    table: Table,
    first: u16,
    count: u16,
}

/// `input 0-15`, `holding 100`.
fn read_registers(text: &str) -> Result<Registers, String> {
    let shape = || format!("`{text}` names no registers");
    let (table, addresses) = text.trim().split_once(' ').ok_or_else(shape)?;
    let table = match table {
        "input" => Table::Input,
        "holding" => Table::Holding,
        other => {
            return Err(format!(
                "`{other}` is no table of registers; use `input` or `holding`"
            ));
        }
    };
    let (first, last) = addresses
        .trim()
        .split_once('-')
        .unwrap_or((addresses.trim(), addresses.trim()));
    let address = |digits: &str| {
        digits
            .trim()
            .parse::<u16>()
            .map_err(|_| format!("`{digits}` is not a register address (0 to 65535)"))
    };
    let (first, last) = (address(first)?, address(last)?);
    if last < first {
        return Err(format!(
            "the registers run backwards, from {first} to {last}"
        ));
    }
    let count = (last - first).checked_add(1).ok_or_else(shape)?;
    Ok(Registers {
        table,
        first,
        count,
    })
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

    #[test]
    fn registers_read_as_people_write_them() {
        let read = |text| read_registers(text).map(|r| (r.table, r.first, r.count));
        assert_eq!(read("input 0-15"), Ok((Table::Input, 0, 16)));
        assert_eq!(read("holding 100"), Ok((Table::Holding, 100, 1)));
        assert_eq!(
            read("input 5-4").unwrap_err(),
            "the registers run backwards, from 5 to 4"
        );
        assert!(read("input 0-65535").is_err());
        assert!(read("coil 0-3").is_err());
    }
}
