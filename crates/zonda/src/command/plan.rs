//! `zonda plan`: where to put the probes, in a duct and in a work zone, without a daemon.

mod duct;
mod fit;
mod zone;

use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::{Args, Subcommand};
use serde_json::Value;
use zonda_draw::Ruler;

use crate::exit::Exit;
use crate::sheet::{Units, say, wrapped};

/// Plan where to put the probes: a traverse of a duct, or the places in a work zone.
///
/// Gives the number of points, their positions and weights, and the distances to mark on the probe; draws them
/// to scale as SVG. With --config it also says which of your probes can measure there at the temperature and velocity
/// that you expect. Needs no daemon.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda plan duct --diameter \"400 mm\" --upstream \"3.5 m\" --downstream \"1 m\" --svg duct.svg\n  \
    zonda plan zone --width \"1.2 m\" --depth \"0.9 m\" --height \"1 m\" --svg zone.svg\n  \
    zonda plan duct --diameter \"400 mm\" --config oven.toml --temperature \"180 °C\" --velocity \"8 m/s\"")]
pub(crate) struct Plan {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Duct(duct::Duct),
    Zone(zone::Zone),
}

impl Plan {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        match self.what {
            What::Duct(duct) => duct.run(),
            What::Zone(zone) => zone.run(),
        }
    }
}

/// How a plan is handed over.
#[derive(Debug, Args)]
struct Out {
    /// In which units lengths are stated: mm or in.
    #[arg(long, value_enum, default_value_t = Units::Si)]
    units: Units,
    /// Draw it to scale into this file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Write the points as CSV into this file.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Say the plan as JSON.
    #[arg(long)]
    json: bool,
}

/// A plan, ready to be handed over.
struct Planned {
    text: String,
    json: Value,
    csv: String,
    svg: String,
}

impl Out {
    const fn ruler(&self) -> Ruler {
        match self.units {
            Units::Si => Ruler::Millimetre,
            Units::Us => Ruler::Inch,
        }
    }

    fn hand_over(&self, planned: &Planned) -> anyhow::Result<()> {
        if self.json {
            say(&format!("{:#}", planned.json));
        } else {
            say(&planned.text);
        }
        write(self.svg.as_deref(), &planned.svg)?;
        write(self.csv.as_deref(), &planned.csv)
    }
}

fn write(file: Option<&Path>, text: &str) -> anyhow::Result<()> {
    let Some(file) = file else {
        return Ok(());
    };
    std::fs::write(file, text).with_context(|| format!("cannot write {}", file.display()))?;
    eprintln!("written: {}", file.display());
    Ok(())
}

/// Wrong inputs are wrong use; a file that cannot be read or written is not.
fn wrong_use(error: &anyhow::Error) -> Exit {
    eprintln!("zonda: {error:#}");
    Exit::WrongUse
}

/// Sentences below a plan, the cautions last.
fn sentences(notes: &[String], cautions: &[&str]) -> String {
    let mut text = String::new();
    for note in notes {
        text.push('\n');
        text.push_str(&wrapped(note, 92));
    }
    text.push_str("\n\nCautions");
    for caution in cautions {
        text.push_str("\n- ");
        text.push_str(&wrapped(caution, 90));
    }
    text
}

/// Field names of a CSV, then its rows. Names and numbers of ours hold no comma and no quote.
fn csv_of(header: &str, rows: impl Iterator<Item = String>) -> String {
    let mut text = format!("{header}\r\n");
    for row in rows {
        text.push_str(&row);
        text.push_str("\r\n");
    }
    text
}
