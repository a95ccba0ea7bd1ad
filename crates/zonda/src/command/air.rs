//! `zonda air`: the physics of hot air at the desk, without a daemon or a configuration.

mod change;
mod convert;
mod dilution;
mod exhaust;
mod flow;
mod pitot;
mod properties;
pub(crate) mod section;
pub(crate) mod state;
mod velocity;

use clap::{Args, Subcommand};

use crate::exit::Exit;
use crate::sheet::{Sheet, Units};

/// Work with hot air: properties, velocity bases, pitot, flow, heat, fresh air, units.
///
/// Needs no daemon and no configuration. Write every value with its unit, as on paper: "180 °C",
/// "1200 ft/min", "98.2 kPa", "400 mm". A velocity or a volume flow also says its basis: "6 m/s actual"
/// is the air as it moves, "6 m/s standard 70 °F" the same mass of air at the density of the meter's reference.
///
/// Every figure carries the error of the model behind it (±, k = 2); what your own inputs are known to comes on top.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air properties \"180 °C\" --humidity \"50 % at 23 °C\" --elevation \"350 m\"\n  \
    zonda air velocity \"6 m/s standard 70 °F\" --temperature \"200 °C\" --pressure \"95 kPa\"\n  \
    zonda air pitot \"45 Pa\" --tube s-type --temperature \"180 °C\"\n  \
    zonda air flow \"6 m/s standard 70 °F\" --diameter \"400 mm\" --temperature \"200 °C\"\n  \
    zonda air exhaust \"0.9 kg/s\" --inlet \"23 °C\" --outlet \"180 °C\" --humidity \"50 %\"\n  \
    zonda air convert \"1200 ft/min\" m/s")]
pub(crate) struct Air {
    #[command(subcommand)]
    what: What,
    /// In which units results are stated; inputs may always be in any.
    #[arg(long, value_enum, default_value_t = Units::Si, global = true)]
    units: Units,
    /// Say the results as JSON.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    Properties(properties::Properties),
    Velocity(velocity::VelocityCommand),
    Pitot(pitot::PitotCommand),
    Flow(flow::FlowCommand),
    Exhaust(exhaust::Exhaust),
    Change(change::Change),
    Dilution(dilution::Dilution),
    Convert(convert::Convert),
}

impl What {
    fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        match self {
            Self::Properties(properties) => properties.work(units),
            Self::Velocity(velocity) => velocity.work(units),
            Self::Pitot(pitot) => pitot.work(units),
            Self::Flow(flow) => flow.work(units),
            Self::Exhaust(exhaust) => exhaust.work(units),
            Self::Change(change) => change.work(units),
            Self::Dilution(dilution) => dilution.work(),
            Self::Convert(convert) => convert.work(),
        }
    }
}

impl Air {
    #[expect(clippy::unnecessary_wraps, reason = "the shape of every command")]
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        match self.what.work(self.units) {
            Ok(sheet) => {
                sheet.print(self.units, self.json);
                Ok(Exit::Done)
            }
            // Nothing here can fail but what was asked for.
            Err(error) => {
                eprintln!("zonda: {error:#}");
                Ok(Exit::WrongUse)
            }
        }
    }
}
