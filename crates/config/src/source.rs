//! The sources of codes, and what a channel's `input` names among them.
//!
//! A *source* is a module, a converter, or a line that carries text; its *inputs* are the module's, or the fields
//! of the text. Reading the tables is left to `line` and `module`, what they must not be beside each
//! other to `rules`.

use std::collections::BTreeSet;
use std::ops::Range;

use zonda_model::{Name, SourceId};

use crate::check::NamedSection;
use crate::fault::Fault;
use crate::iio;
use crate::line::{Carries, Line};
use crate::module::Module;
use crate::output::Draft;
use crate::plan::{DriverPlan, LinePlan, ModulePlan, RtuPlan, SourcePlan, TcpPlan};
use crate::rules;
use crate::section::{At, Section};

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
    Iio { channels: Vec<iio::Input> },
}

#[derive(Debug)]
pub(crate) struct Source {
    pub(crate) name: Name,
    pub(crate) span: Range<usize>,
    /// Index of its line.
    pub(crate) line: usize,
    pub(crate) kind: Kind,
    /// The inputs that channels use.
    pub(crate) used: BTreeSet<usize>,
}

/// All lines and sources, while channels are being read.
#[derive(Debug, Default)]
pub(crate) struct Sources {
    lines: Vec<Line>,
    list: Vec<Source>,
    /// Names whose table had a fault of its own: who refers to one needs no second message.
    broken: BTreeSet<String>,
}

impl Sources {
    pub(crate) fn read(
        lines: &[NamedSection<'_, '_>],
        modules: &[NamedSection<'_, '_>],
        faults: &mut Vec<Fault>,
        warnings: &mut Vec<Fault>,
    ) -> Self {
        let mut all = Self::default();
        for line in lines {
            if !all.add_line(line, faults, warnings) {
                all.broken.insert(line.name.value.to_owned());
            }
        }
        rules::refuse_shared_ports(&all.lines, faults);
        for module in modules {
            if !all.add_module(module, faults) {
                all.broken.insert(module.name.value.to_owned());
            }
        }
        rules::refuse_twin_names(&all.list, faults);
        rules::warn_twin_registers(&all.list, warnings);
        all
    }

    /// True where the line is whole.
    fn add_line(
        &mut self,
        named: &NamedSection<'_, '_>,
        faults: &mut Vec<Fault>,
        warnings: &mut Vec<Fault>,
    ) -> bool {
        let source = SourceId(self.list.len());
        let Some(line) = Line::read(named, source, faults, warnings) else {
            return false;
        };
        if let Some(DriverPlan::Text(plan)) = &line.driver {
            let fields = plan.format.fields().iter();
            let kind = Kind::Text {
                fields: fields.map(|field| field.name.clone()).collect(),
            };
            self.add(line.name.clone(), line.span.clone(), self.lines.len(), kind);
        }
        if let Some(DriverPlan::Iio(_)) = &line.driver {
            let channels = line.inputs.clone();
            let kind = Kind::Iio { channels };
            self.add(line.name.clone(), line.span.clone(), self.lines.len(), kind);
        }
        let is_whole = line.is_whole();
        self.lines.push(line);
        is_whole
    }

    /// True where the module can be read.
    fn add_module(&mut self, named: &NamedSection<'_, '_>, faults: &mut Vec<Fault>) -> bool {
        let source = SourceId(self.list.len());
        let line = self.line_of(&named.section, faults);
        let module = Module::read(named, source, line.map(|index| &self.lines[index]), faults);
        let (Some(line), Some(module)) = (line, module) else {
            return false;
        };
        let name = module.name().clone();
        self.add(name, named.name.span.clone(), line, Kind::Module(module));
        true
    }

    fn add(&mut self, name: Name, span: Range<usize>, line: usize, kind: Kind) {
        self.list.push(Source {
            name,
            span,
            line,
            kind,
            used: BTreeSet::new(),
        });
    }

    /// The line that a module names.
    fn line_of(&self, section: &Section<'_, '_>, faults: &mut Vec<Fault>) -> Option<usize> {
        let At {
            value: wanted,
            span,
        } = section.text("line")?;
        let mut lines = self.lines.iter();
        let Some(index) = lines.position(|line| line.name.as_str() == wanted) else {
            if !self.broken.contains(wanted) {
                let known = listed(self.lines.iter().map(|line| &line.name));
                faults.push(
                    Fault::new(span, format!("there is no line `{wanted}`"))
                        .help(format!("lines of this file: {known}")),
                );
            }
            return None;
        };
        let line = &self.lines[index];
        if matches!(line.carries, Carries::Text | Carries::Iio) {
            let carried = match line.carries {
                Carries::Text => "carries text",
                _ => "is a converter by itself",
            };
            let what = format!("the line `{wanted}` {carried}; a module needs a Modbus line");
            faults.push(Fault::new(span, what).also(line.span.clone(), "this line"));
            return None;
        }
        Some(index)
    }

    /// The source and input that a text such as `A.1` or `p7.velocity` names.
    pub(crate) fn resolve(&self, wanted: &At<&str>, faults: &mut Vec<Fault>) -> Option<InputRef> {
        let mut refuse = |what: String, help: String| {
            faults.push(Fault::new(wanted.span.clone(), what).help(help));
        };
        let Some((name, input)) = wanted.value.split_once('.') else {
            refuse(
                format!("`{}` names no input", wanted.value),
                "write module and input as `A.1`, or text line and field as `p7.velocity`".into(),
            );
            return None;
        };
        let mut sources = self.list.iter();
        let Some(index) = sources.position(|source| source.name.as_str() == name) else {
            if !self.broken.contains(name) {
                let known = listed(self.list.iter().map(|source| &source.name));
                refuse(
                    format!("there is no module, converter or text line `{name}`"),
                    format!("known here: {known}"),
                );
            }
            return None;
        };
        let found = self.list[index].kind.find(input);
        let place = found
            .map_err(|help| refuse(format!("`{name}` has no input `{input}`"), help))
            .ok()?;
        Some(InputRef {
            source: SourceId(index),
            index: place,
        })
    }

    pub(crate) fn kind(&self, source: SourceId) -> &Kind {
        &self.list[source.0].kind
    }

    pub(crate) fn note_used<'a>(&mut self, drafts: impl Iterator<Item = &'a Draft>) {
        for Draft { input, .. } in drafts {
            self.list[input.source.0].used.insert(input.index);
        }
    }

    /// Which of the scan's codes an input is.
    pub(crate) fn place_in_scan(&self, input: &InputRef) -> usize {
        let source = &self.list[input.source.0];
        match source.kind {
            // A scan carries only the inputs in use.
            Kind::Module(_) | Kind::Iio { .. } => source.used.range(..input.index).count(),
            Kind::Text { .. } => input.index,
        }
    }

    pub(crate) fn warn_unused(&self, warnings: &mut Vec<Fault>) {
        rules::warn_unused(&self.lines, &self.list, warnings);
    }

    /// The plans of the lines, with the inputs in use, and the list of sources. `None` where a line
    /// had a fault.
    pub(crate) fn finish(
        mut self,
        faults: &mut Vec<Fault>,
    ) -> Option<(Vec<LinePlan>, Vec<SourcePlan>)> {
        let mut sources = Vec::new();
        let mut modules: Vec<Vec<ModulePlan>> = self.lines.iter().map(|_| Vec::new()).collect();
        for source in self.list {
            if let Some(DriverPlan::Iio(plan)) = &mut self.lines[source.line].driver {
                plan.keep(&source.used);
            }
            if let Kind::Module(module) = source.kind
                && !source.used.is_empty()
            {
                modules[source.line].push(module.finish(&source.used));
            }
            sources.push(SourcePlan {
                name: source.name,
                line: source.line,
                simulated: self.lines[source.line].simulated,
            });
        }
        let plan = |(line, modules): (Line, _)| {
            let plan = LinePlan {
                name: line.name,
                every: line.every?.value,
                driver: with_modules(line.driver?, modules),
            };
            rules::refuse_overload(&plan, &line.span, faults);
            Some(plan)
        };
        let plans: Vec<_> = self.lines.into_iter().zip(modules).map(plan).collect();
        let plans: Option<_> = plans.into_iter().collect();
        Some((plans?, sources))
    }
}

impl Kind {
    /// The place of the input that is written so, or what could be written.
    fn find(&self, input: &str) -> Result<usize, String> {
        match self {
            Self::Module(module) => {
                let number = input.parse::<usize>().ok();
                number
                    .filter(|number| (1..=module.inputs).contains(number))
                    .map(|number| number - 1)
                    .ok_or_else(|| format!("its inputs are 1 to {}", module.inputs))
            }
            Self::Text { fields } => fields
                .iter()
                .position(|field| field.as_str() == input)
                .ok_or_else(|| format!("its fields are {}", listed(fields.iter()))),
            Self::Iio { channels } => channels
                .iter()
                .position(|channel| channel.name.as_str() == input)
                .ok_or_else(|| {
                    let known = channels.iter().map(|channel| &channel.name);
                    format!("its channels are {}", listed(known))
                }),
        }
    }
}

fn with_modules(driver: DriverPlan, modules: Vec<ModulePlan>) -> DriverPlan {
    match driver {
        DriverPlan::ModbusRtu(plan) => DriverPlan::ModbusRtu(RtuPlan { modules, ..plan }),
        DriverPlan::ModbusTcp(plan) => DriverPlan::ModbusTcp(TcpPlan { modules, ..plan }),
        // No module is ever put on another line (`line_of`).
        other @ (DriverPlan::Text(_) | DriverPlan::Iio(_)) => other,
    }
}

/// `A, B, C`, or `none`.
fn listed<'a>(names: impl Iterator<Item = &'a Name>) -> String {
    let names: Vec<_> = names.map(Name::as_str).collect();
    if names.is_empty() {
        return "none".to_owned();
    }
    names.join(", ")
}
