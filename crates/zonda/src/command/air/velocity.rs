//! `zonda air velocity`

use clap::Args;
use zonda_air::{Air, Basis, Reference, Velocity};

use super::state::{AirArgs, ERROR_NOTE, StatedAir};
use crate::sheet::{Measure, Row, Sheet, Units};

/// A velocity on another basis: actual to standard and back, at any reference.
///
/// A thermal meter answers to the mass of air that passes. It shows *standard* velocity: as if that mass had the
/// density of its reference. In hot air the *actual* velocity is higher; at 200 °C by some 60 %.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air velocity \"6 m/s standard 70 °F\" --temperature \"200 °C\" --pressure \"95 kPa\"\n  \
    zonda air velocity \"1200 ft/min actual\" --temperature \"350 °F\" --elevation \"1150 ft\" --units us\n  \
    zonda air velocity \"6 m/s standard 0.075 lb/ft³\" --temperature \"180 °C\" --reference \"18 °C\"")]
pub(crate) struct VelocityCommand {
    /// The velocity with its basis: "6 m/s actual", "6 m/s standard 70 °F", "6 m/s normal".
    velocity: Velocity,
    #[command(flatten)]
    air: AirArgs,
    /// A reference of your own beside the usual ones; may be repeated.
    #[arg(long, value_name = "REFERENCE")]
    reference: Vec<Reference>,
}

impl VelocityCommand {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let stated = self.air.find(units)?;
        let shown = Measure::VELOCITY.say(self.velocity.si(), units);
        let mut sheet = Sheet::new(format!(
            "{shown} ({}) in {}",
            self.velocity.basis(),
            stated.say(units)
        ));
        let known = Known::from_stated(self.velocity.basis(), &stated);
        velocities(
            &mut sheet,
            self.velocity,
            stated.air,
            known,
            &self.reference,
        );
        let ratio = self.velocity.to(Basis::Actual, stated.air).si() / self.velocity.si();
        if ratio.is_finite() && self.velocity.basis() != Basis::Actual {
            sheet.row(
                Row::new(
                    "actual_over_stated",
                    "actual over stated",
                    ratio,
                    Measure::Plain,
                )
                .with_u_rel(stated.density_u_rel()),
            );
        }
        sheet.note(ERROR_NOTE);
        stated.tell(&mut sheet);
        Ok(sheet)
    }
}

/// How well the rows of one velocity are known: relative standard uncertainties.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// Of the actual velocity.
    pub(super) actual: f64,
    /// Of the mass flux, and so of every standard velocity.
    pub(super) mass: f64,
}

impl Known {
    /// The stated velocity counts as exact; the way to the other kind takes the density here.
    fn from_stated(basis: Basis, stated: &StatedAir) -> Self {
        let here = stated.density_u_rel();
        match basis {
            Basis::Actual => Self {
                actual: 0.0,
                mass: here,
            },
            Basis::Standard(_) => Self {
                actual: here,
                mass: stated.air.density().u_rel(),
            },
        }
    }
}

/// Rows of one velocity on every basis.
pub(super) fn velocities(
    sheet: &mut Sheet,
    velocity: Velocity,
    air: Air,
    known: Known,
    own: &[Reference],
) {
    let row = |key, words: &str, value: f64, measure, u_rel: f64| {
        let row = Row::new(key, words, value, measure);
        if u_rel > 0.0 {
            row.with_u_rel(u_rel)
        } else {
            row
        }
    };
    let actual = velocity.to(Basis::Actual, air).si();
    sheet.row(row(
        "actual",
        "actual velocity",
        actual,
        Measure::VELOCITY,
        known.actual,
    ));
    let usual = Reference::USUAL
        .iter()
        .copied()
        .chain([Reference::STANDARD_AIR]);
    for reference in own.iter().copied().chain(usual) {
        let basis = Basis::Standard(reference);
        let u_rel = if velocity.basis().agrees_with(basis) {
            0.0
        } else {
            known.mass
        };
        let standard = velocity.to(basis, air).si();
        sheet.row(
            row(
                "standard",
                "standard velocity",
                standard,
                Measure::VELOCITY,
                u_rel,
            )
            .on(reference),
        );
    }
    sheet.row(row(
        "mass_flux",
        "mass flux",
        velocity.mass_flux(air),
        MASS_FLUX,
        known.mass,
    ));
}

const MASS_FLUX: Measure = Measure::Property {
    si: ("kg/(m²·s)", 1.0),
    us: ("lb/(ft²·s)", 0.453_592_37 / (0.3048 * 0.3048)),
};
