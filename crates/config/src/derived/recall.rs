//! A law as a record has it, made ready again.

use serde_json::Value;
use toml::de::DeTable;
use zonda_air::law::{self, Law};
use zonda_model::{ChannelName, Quantity, Unit};

use super::reader::Reader;
use super::{DERIVED, Known};
use crate::section::Section;

/// A law, and what it is fed with.
#[derive(Clone, Debug, PartialEq)]
pub struct Recalled {
    /// The law.
    pub law: Law,
    /// Its inputs in their order: indices into the channels that were handed over.
    pub inputs: Vec<usize>,
    /// The tick of the derived channel, µs.
    pub every_us: i64,
}

/// Reads the text of a [`DerivedPlan`](super::DerivedPlan) back. `channels` are those of the record, by name, quantity and unit.
///
/// `None` where it is the text of a mapping, or of a law that this version works out otherwise or does not know: then
/// nothing can be said of the values.
pub fn recall<'a>(
    text: &str,
    channels: impl IntoIterator<Item = (&'a ChannelName, Quantity, Unit)>,
) -> Option<Recalled> {
    let text: Value = serde_json::from_str(text).ok()?;
    if text.get("version")?.as_u64()? != u64::from(law::VERSION) {
        return None;
    }
    let known = channels.into_iter().map(|(name, quantity, unit)| Known {
        name: name.clone(),
        quantity,
        unit,
        basis: None,
    });
    let known: Vec<_> = known.collect();
    let (law, inputs) = read(&as_toml(&text)?, &known)?;
    Some(Recalled {
        law,
        inputs,
        every_us: text.get("every_us")?.as_i64().filter(|every| *every > 0)?,
    })
}

/// The terms as they stood in the configuration. A text of JSON is one of TOML as well.
fn as_toml(text: &Value) -> Option<String> {
    let terms = text.get("terms")?.as_object()?.iter();
    let mut lines = vec![format!("law = {}", text.get("derived")?)];
    lines.extend(terms.map(|(key, value)| format!("{key} = {value}")));
    Some(lines.join("\n"))
}

fn read(toml: &str, known: &[Known]) -> Option<(Law, Vec<usize>)> {
    let table = DeTable::parse(toml).ok()?;
    let mut faults = Vec::new();
    let section = Section::open(table.get_ref(), 0..toml.len(), DERIVED, &mut faults);
    let mut reader = Reader {
        section: &section,
        known,
        is_whole: true,
        inputs: Vec::new(),
        faults: &mut faults,
    };
    // The name says nothing about a law.
    let draft = reader.draft(known.first()?.name.clone())?;
    faults.is_empty().then_some((draft.law, draft.inputs))
}
