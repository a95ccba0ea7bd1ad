//! Rules between tables: what each of them says is right by itself, and wrong or odd beside another.

use std::collections::BTreeMap;
use std::ops::Range;

use crate::fault::Fault;
use crate::line::Line;
use crate::plan::{DriverPlan, LinePlan};
use crate::section::spelled;
use crate::source::{Kind, Source};

pub(crate) fn refuse_shared_ports(lines: &[Line], faults: &mut Vec<Fault>) {
    let mut seen: BTreeMap<String, &Line> = BTreeMap::new();
    for line in lines {
        let Some(way) = line.way() else { continue };
        if let Some(first) = seen.get(&way) {
            let what = format!("the lines `{}` and `{}` share {way}", first.name, line.name);
            faults.push(
                Fault::new(line.span.clone(), what)
                    .also(first.span.clone(), "the other")
                    .help("a port or connection belongs to one line; put its modules on that line"),
            );
        } else {
            seen.insert(way, line);
        }
    }
}

pub(crate) fn refuse_twin_names(sources: &[Source], faults: &mut Vec<Fault>) {
    let mut seen: BTreeMap<&str, &Range<usize>> = BTreeMap::new();
    for Source { name, span, .. } in sources {
        if let Some(first) = seen.get(name.as_str()) {
            let what = format!("the name `{name}` is taken: channels could not tell the two apart");
            faults.push(
                Fault::new(span.clone(), what)
                    .also((*first).clone(), "first here")
                    .help("modules and text lines need names of their own"),
            );
        } else {
            seen.insert(name.as_str(), span);
        }
    }
}

/// A line that needs longer for its frames than its tick lasts would only ever be late.
pub(crate) fn refuse_overload(line: &LinePlan, span: &Range<usize>, faults: &mut Vec<Fault>) {
    let DriverPlan::ModbusRtu(plan) = &line.driver else {
        return;
    };
    let (needed, tick) = (plan.wire_time(), line.every.duration());
    if needed > tick {
        let what = format!(
            "the line `{}` needs {:.0} ms at {} for what is asked every {}",
            line.name,
            needed.as_secs_f64() * 1e3,
            plan.port.settings,
            spelled(tick)
        );
        faults.push(
            Fault::new(span.clone(), what)
                .help("ask less often, raise the speed, or split the modules over two lines"),
        );
    }
}

/// The same registers by two modules: a copied table whose unit was forgotten, most likely.
pub(crate) fn warn_twin_registers(sources: &[Source], warnings: &mut Vec<Fault>) {
    for (index, source) in sources.iter().enumerate() {
        let twin = sources[..index].iter().find(|other| overlap(other, source));
        if let Some(first) = twin {
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
    }
}

fn overlap(a: &Source, b: &Source) -> bool {
    match (&a.kind, &b.kind) {
        (Kind::Module(first), Kind::Module(second)) => a.line == b.line && first.overlaps(second),
        _ => false,
    }
}

pub(crate) fn warn_unused(lines: &[Line], sources: &[Source], warnings: &mut Vec<Fault>) {
    for source in sources.iter().filter(|source| source.used.is_empty()) {
        let what = format!("no channel uses `{}`; it will not be asked", source.name);
        warnings.push(Fault::new(source.span.clone(), what));
    }
    for (index, line) in lines.iter().enumerate() {
        if !sources.iter().any(|source| source.line == index) {
            let what = format!("the line `{}` has no module", line.name);
            warnings.push(Fault::new(line.span.clone(), what));
        }
    }
}
