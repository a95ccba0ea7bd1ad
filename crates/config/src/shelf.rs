//! Shelves: tables that stand by themselves and are referred to by name, such as envelopes.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::ops::Range;

use zonda_model::Name;

use crate::check::{NamedSection, read_name};
use crate::fault::Fault;
use crate::section::At;

/// What was read of all tables of one kind.
#[derive(Debug)]
pub(crate) struct Shelf<T> {
    kind: &'static str,
    things: Vec<Thing<T>>,
    /// Names whose table had a fault of its own: who refers to one needs no second message.
    broken: BTreeSet<String>,
}

#[derive(Debug)]
struct Thing<T> {
    name: Name,
    span: Range<usize>,
    value: T,
    is_used: Cell<bool>,
}

impl<T> Shelf<T> {
    pub(crate) fn read(
        kind: &'static str,
        tables: &[NamedSection<'_, '_>],
        faults: &mut Vec<Fault>,
        mut read: impl FnMut(&NamedSection<'_, '_>, &mut Vec<Fault>) -> Option<T>,
    ) -> Self {
        let (mut things, mut broken) = (Vec::new(), BTreeSet::new());
        for table in tables {
            let value = read(table, faults);
            match (read_name(&table.name, faults), value) {
                (Some(name), Some(value)) => things.push(Thing {
                    name,
                    span: table.name.span.clone(),
                    value,
                    is_used: Cell::new(false),
                }),
                _ => drop(broken.insert(table.name.value.to_owned())),
            }
        }
        Self {
            kind,
            things,
            broken,
        }
    }

    /// The place of the thing that is called so.
    pub(crate) fn find(&self, wanted: &At<&str>, faults: &mut Vec<Fault>) -> Option<usize> {
        let mut things = self.things.iter();
        let found = things.position(|thing| thing.name.as_str() == wanted.value);
        if let Some(index) = found {
            self.things[index].is_used.set(true);
        } else if !self.broken.contains(wanted.value) {
            let names: Vec<_> = self
                .things
                .iter()
                .map(|thing| thing.name.as_str())
                .collect();
            let known = if names.is_empty() {
                format!("write `[{}.{}]`", self.kind, wanted.value)
            } else {
                format!("known here: {}", names.join(", "))
            };
            let what = format!("there is no {} `{}`", self.kind, wanted.value);
            faults.push(Fault::new(wanted.span.clone(), what).help(known));
        }
        found
    }

    pub(crate) fn get(&self, index: usize) -> &T {
        &self.things[index].value
    }

    pub(crate) fn warn_unused(&self, warnings: &mut Vec<Fault>) {
        for thing in self.things.iter().filter(|thing| !thing.is_used.get()) {
            let what = format!("nothing refers to the {} `{}`", self.kind, thing.name);
            warnings.push(Fault::new(thing.span.clone(), what));
        }
    }

    /// Everything, in the order of the file.
    pub(crate) fn take(self) -> impl Iterator<Item = (Name, T)> {
        self.things
            .into_iter()
            .map(|thing| (thing.name, thing.value))
    }
}
