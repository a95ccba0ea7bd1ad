//! The reference of the configuration file in Markdown, made from the list of keys.

use std::collections::BTreeSet;
use std::fmt::Write;

use crate::keys::{Key, Kind, TOPS};

/// The reference, as `docs/config.md` carries it.
pub fn markdown() -> String {
    let mut out = String::from(
        "# The configuration file\n\n\
         One TOML file, the truth about the wiring. `zonda check FILE` says every mistake in it at once. \
         Values are written as people write them, always with their unit. \
         This page is made from the program (`cargo xtask docs`).\n",
    );
    let mut told = BTreeSet::new();
    for top in TOPS {
        let title = if top.named {
            format!("[{}.NAME]", top.name)
        } else {
            format!("[{}]", top.name)
        };
        let heading = (2, format!("`{title}`"));
        section(&mut out, &heading, top.about, top.keys, &mut told);
    }
    out
}

fn section(
    out: &mut String,
    (depth, title): &(usize, String),
    about: &str,
    keys: &'static [Key],
    told: &mut BTreeSet<*const Key>,
) {
    // Writing into a String cannot fail.
    let _ = write!(out, "\n{} {title}\n\n", "#".repeat(*depth));
    if !about.is_empty() {
        let _ = writeln!(out, "{about}\n");
    }
    let _ = writeln!(
        out,
        "| key | value, for example | what it says |\n| --- | --- | --- |"
    );
    for key in keys {
        let need = if key.required { "**required**: " } else { "" };
        let cell = |text: &str| text.replace('|', "\\|");
        let _ = writeln!(
            out,
            "| `{}` | `{}` | {need}{} |",
            key.name,
            cell(key.example),
            cell(key.about)
        );
    }
    for key in keys {
        // A table that several keys share is told under the first of them.
        if let Kind::Table(inner) = key.kind
            && told.insert(inner.as_ptr())
        {
            let heading = (depth + 1, format!("`{}`", names_of(inner, keys)));
            section(out, &heading, key.about, inner, told);
        }
    }
}

/// All keys whose value is this table.
fn names_of(inner: &'static [Key], keys: &[Key]) -> String {
    let shares = |key: &&Key| matches!(key.kind, Kind::Table(other) if std::ptr::eq(other, inner));
    let names: Vec<_> = keys.iter().filter(shares).map(|key| key.name).collect();
    names.join("`, `")
}
