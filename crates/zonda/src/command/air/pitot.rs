//! `zonda air pitot`

use clap::{Args, ValueEnum};
use zonda_air::{Pitot, PressureDifference, Reference};

use super::state::{AirArgs, ERROR_NOTE};
use super::velocity::{Known, velocities};
use crate::amount;
use crate::sheet::{Measure, Sheet, Units};

/// Velocity from the pressure difference of a pitot tube.
///
/// Compressible, up to Mach 0.3. Below some 2 to 3 m/s the difference is a few pascal and drowns in the
/// transmitter's zero.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air pitot \"45 Pa\" --tube s-type --temperature \"180 °C\" --static \"-120 Pa\"\n  \
    zonda air pitot \"0.18 inH2O\" --coefficient 0.99 --temperature \"350 °F\" --units us")]
pub(crate) struct PitotCommand {
    /// Difference between total and static pressure.
    #[arg(value_parser = amount::difference)]
    difference: PressureDifference,
    /// The kind of tube.
    #[arg(long, value_enum, default_value_t = Tube::Standard)]
    tube: Tube,
    /// The coefficient of the tube's certificate, in place of the kind's.
    #[arg(long)]
    coefficient: Option<f64>,
    #[command(flatten)]
    air: AirArgs,
    /// A reference of your own for standard velocity; may be repeated.
    #[arg(long, value_name = "REFERENCE")]
    reference: Vec<Reference>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Tube {
    /// L-shaped standard tube, coefficient 1.00.
    Standard,
    /// S-type, coefficient 0.84 before its calibration.
    SType,
}

impl PitotCommand {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let stated = self.air.find(units)?;
        let pitot = match (self.coefficient, self.tube) {
            (Some(coefficient), _) => Pitot::new(coefficient)?,
            (None, Tube::Standard) => Pitot::STANDARD,
            (None, Tube::SType) => Pitot::S_TYPE,
        };
        let velocity = pitot.velocity(self.difference, stated.air)?;
        let mut sheet = Sheet::new(format!(
            "{} at a pitot tube with coefficient {} in {}",
            Measure::DIFFERENCE.say(self.difference.si(), units),
            pitot.coefficient(),
            stated.say(units)
        ));
        // v goes with 1/√ρ and ρv with √ρ: half the density's error is theirs.
        let half = stated.density_u_rel() / 2.0;
        let known = Known {
            actual: half,
            mass: half,
        };
        velocities(&mut sheet, velocity, stated.air, known, &self.reference);
        sheet.note(
            "The actual velocity goes with the square root of the difference: 1 Pa here is worth "
                .to_owned()
                + &share(self.difference)
                + " of it.",
        );
        sheet.note(ERROR_NOTE);
        if self.coefficient.is_none() {
            sheet.note("The coefficient is the kind's, not that of a certificate.");
        }
        stated.tell(&mut sheet);
        Ok(sheet)
    }
}

fn share(difference: PressureDifference) -> String {
    if difference.si() > 0.0 {
        format!("{:.1} %", 50.0 / difference.si())
    } else {
        "all".to_owned()
    }
}
