//! Modules: which unit, which registers, and how their bits are read. What a channel makes of an
//! input is left to `output`.

use std::collections::BTreeSet;

use zonda_model::{Name, SourceId};
use zonda_protocol::modbus::{RegisterInput, Table, UnitId, Width};
use zonda_signal::Scale;

use crate::accuracy::{self, Accuracy};
use crate::check::{NamedSection, read_name};
use crate::code::{CodeOf, read_code, read_count};
use crate::fault::Fault;
use crate::identity;
use crate::line::{Carries, Line, read_timeout};
use crate::plan::ModulePlan;
use crate::section::{At, Section};

/// A module as the file describes it.
#[derive(Debug)]
pub(crate) struct Module {
    pub(crate) code: CodeOf,
    pub(crate) count: Option<Scale>,
    /// What its maker says of its errors, in SI of what it measures.
    pub(crate) accuracy: Option<Accuracy>,
    /// How many inputs its registers make.
    pub(crate) inputs: usize,
    first: u16,
    plan: ModulePlan,
}

impl Module {
    /// Reads a module. `line` is `None` where the file names none that could carry it.
    pub(crate) fn read(
        named: &NamedSection<'_, '_>,
        source: SourceId,
        line: Option<&Line>,
        faults: &mut Vec<Fault>,
    ) -> Option<Self> {
        let section = &named.section;
        let name: Option<Name> = read_name(&named.name, faults);
        let unit = read_unit(section, line, faults);
        let code = read_code(section, faults);
        let count = read_count(section, faults);
        let accuracy = read_accuracy(section, count, faults);
        let registers = section.read("registers", read_registers, faults);
        let every = line.and_then(|line| line.every.as_ref());
        let timeout = read_timeout(section, every, faults);
        let retries = section.whole("retries", 0_i64, 3, faults);
        let identity = identity::read(section, faults);
        let registers_max = section.whole("registers_max", 1_i64, 125, faults);
        if section.is_misspelt() || (section.has("count") && count.is_none()) {
            return None;
        }
        let (code, registers) = (code?, registers?);
        refuse_half_inputs(&registers, code.width, faults)?;
        let At {
            value: registers, ..
        } = registers;
        Some(Self {
            code,
            count,
            accuracy,
            inputs: usize::from(registers.count / code.width.registers()),
            first: registers.first,
            plan: ModulePlan {
                source,
                name: name?,
                unit: unit?,
                table: registers.table,
                timeout,
                retries: u8::try_from(retries.unwrap_or(0)).unwrap_or(0),
                registers_max: u16::try_from(registers_max.unwrap_or(125)).unwrap_or(125),
                identity,
                inputs: Vec::new(),
            },
        })
    }

    pub(crate) const fn name(&self) -> &Name {
        &self.plan.name
    }

    /// Whether both read some register of the same unit.
    pub(crate) fn overlaps(&self, other: &Self) -> bool {
        let end = |module: &Self| {
            usize::from(module.first) + module.inputs * usize::from(module.code.width.registers())
        };
        let same = self.plan.unit == other.plan.unit && self.plan.table == other.plan.table;
        same && usize::from(self.first) < end(other) && usize::from(other.first) < end(self)
    }

    /// The plan, with the inputs that channels use, counted from 0.
    pub(crate) fn finish(self, used: &BTreeSet<usize>) -> ModulePlan {
        let width = self.code.width;
        let register = |index: usize| {
            u16::try_from(index)
                .unwrap_or(u16::MAX)
                .saturating_mul(width.registers())
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

fn read_accuracy(
    section: &Section<'_, '_>,
    count: Option<Scale>,
    faults: &mut Vec<Fault>,
) -> Option<Accuracy> {
    let Some(count) = count else {
        if !section.has("count") {
            let why = "belongs to a `count`, and there is none here";
            section.refuse(&["accuracy"], why, "add `count`, or leave it out", faults);
        }
        return None;
    };
    let read = |text: &str| accuracy::read(text, count.unit().quantity());
    section.read("accuracy", read, faults).map(|at| at.value)
}

fn read_unit(
    section: &Section<'_, '_>,
    line: Option<&Line>,
    faults: &mut Vec<Fault>,
) -> Option<UnitId> {
    let is_rtu = line.is_some_and(|line| line.carries == Carries::Rtu);
    let (least, most) = if is_rtu { (1, 247) } else { (0, 255) };
    let unit: i64 = section.whole("unit", least, most, faults)?;
    let unit = u8::try_from(unit).ok()?;
    if is_rtu {
        UnitId::serial(unit).ok()
    } else {
        Some(UnitId::tcp(unit))
    }
}

fn refuse_half_inputs(
    registers: &At<Registers>,
    width: Width,
    faults: &mut Vec<Fault>,
) -> Option<()> {
    let count = registers.value.count;
    if count.is_multiple_of(width.registers()) {
        return Some(());
    }
    let what = format!("{count} registers do not make whole 32-bit inputs");
    faults.push(Fault::new(registers.span.clone(), what).help("name an even number of them"));
    None
}

pub(crate) struct Registers {
    pub(crate) table: Table,
    pub(crate) first: u16,
    pub(crate) count: u16,
}

/// `input 0-15`, `holding 100`.
pub(crate) fn read_registers(text: &str) -> Result<Registers, String> {
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
