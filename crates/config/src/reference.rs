//! The reference of the configuration file in Markdown, made from the list of keys.

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
    for top in TOPS {
        let title = if top.named {
            format!("[{}.NAME]", top.name)
        } else {
            format!("[{}]", top.name)
        };
        section(&mut out, 2, &format!("`{title}`"), top.about, top.keys);
    }
    out
}

fn section(out: &mut String, depth: usize, title: &str, about: &str, keys: &[Key]) {
    // Writing into a String cannot fail.
    let _ = write!(out, "\n{} {title}\n\n", "#".repeat(depth));
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
        if let Kind::Table(inner) = key.kind {
            section(out, depth + 1, &format!("`{}`", key.name), key.about, inner);
        }
    }
}
