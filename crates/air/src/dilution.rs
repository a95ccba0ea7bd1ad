//! An **estimate** of the fresh air that dilutes a solvent's vapour.
//!
//! For orientation only. It is not a safety function and must not be shown as one. Ventilation of ovens that release
//! flammable vapour is governed by local code (for example NFPA 86 in the USA, EN 1539 in Europe); licensed
//! practitioners design and verify it, with interlocks that do not depend on this program.

use std::fmt;

use crate::reference::Reference;

/// What must stand beside every number of this module, on screen and on paper.
pub const NOTICE: &str = "Estimate for orientation only, not a safety function. Ventilation of ovens that release \
flammable vapour is governed by local code (for example NFPA 86 or EN 1539) and must be designed and verified by licensed \
practitioners, with interlocks independent of this program.";

/// A solvent and how fast it evaporates on average.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SolventLoad {
    /// Liquid evaporated, m³/s, mean over the time considered. A batch peaks far above its mean.
    pub liquid_m3_s: f64,
    /// Density of the liquid, kg/m³.
    pub density: f64,
    /// Molar mass, kg/mol.
    pub molar_mass: f64,
    /// Lower explosive limit in air at room temperature, as a volume fraction (0.011 for 1.1 %). From the
    /// safety data sheet.
    pub lower_explosive_limit: f64,
}

/// How far below the limit, and how much the limit falls with heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Share of the lower explosive limit to stay below: 0.25 in continuous ovens without monitoring of the
    /// concentration (principle of NFPA 86, quoted in public text). Local code decides.
    pub share_of_limit: f64,
    /// Factor on the air because the limit falls with temperature: 1.4 in batch ovens between about 121 and 260 °C
    /// (NFPA 86, from memory); 1 at room temperature.
    pub heat_factor: f64,
}

/// The estimate. Volumes are at the reference, not at the oven's temperature (1.6 times more at 200 °C).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DilutionEstimate {
    /// Vapour, m³/s.
    pub vapour: f64,
    /// Air that would bring the vapour to the limit itself, m³/s.
    pub air_at_limit: f64,
    /// Air that would keep it at the target, m³/s.
    pub air_at_target: f64,
}

/// Why nothing can be estimated.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum DilutionError {
    /// An input that cannot be.
    #[error(
        "{what} of {value} cannot be: it lies above zero and between {min} and {max}; look at its unit"
    )]
    Input {
        /// Which.
        what: &'static str,
        /// What it was.
        value: f64,
        /// The least.
        min: f64,
        /// The most.
        max: f64,
    },
    /// A reference that is a density alone.
    #[error(
        "a reference that is a density alone does not say what volume a vapour has; state a temperature and pressure"
    )]
    NoState,
}

impl DilutionEstimate {
    /// Ideal-gas vapour volume V_v = ṁ/M · R T_ref/p_ref, air at the limit V_v (1 − L)/L, and that over the share
    /// of the limit, times the heat factor.
    ///
    /// The vapour's share of the mixture is neglected at the target, as in the printed rules. L in room air; perfect
    /// mixing; mean rates. See [`NOTICE`].
    ///
    /// # Errors
    /// [`DilutionError`].
    pub fn of(
        load: SolventLoad,
        target: Target,
        reference: Reference,
    ) -> Result<Self, DilutionError> {
        check("an evaporation rate in m³/s", load.liquid_m3_s, 0.0, 1.0)?;
        check(
            "a density of a liquid in kg/m³",
            load.density,
            300.0,
            4000.0,
        )?;
        check("a molar mass in kg/mol", load.molar_mass, 0.01, 1.0)?;
        check(
            "a lower explosive limit as a fraction",
            load.lower_explosive_limit,
            0.0,
            0.5,
        )?;
        check(
            "a share of the lower explosive limit",
            target.share_of_limit,
            0.0,
            0.5,
        )?;
        check("a heat factor", target.heat_factor, 1.0, 5.0)?;
        let molar_volume = reference
            .ideal_molar_volume()
            .ok_or(DilutionError::NoState)?;
        let limit = load.lower_explosive_limit;
        let vapour = load.liquid_m3_s * load.density / load.molar_mass * molar_volume;
        let air_at_limit = vapour * (1.0 - limit) / limit;
        Ok(Self {
            vapour,
            air_at_limit,
            air_at_target: air_at_limit / target.share_of_limit * target.heat_factor,
        })
    }
}

/// The share of the lower explosive limit that `vapour` would have in `air` (both m³/s at one reference), perfectly mixed:
/// V_v/(V_v + V_air)/L. See [`NOTICE`]: a velocity reading below its meter's minimum is no evidence of ventilation.
///
/// # Errors
/// [`DilutionError::Input`].
pub fn share_of_limit(
    vapour: f64,
    air: f64,
    lower_explosive_limit: f64,
) -> Result<f64, DilutionError> {
    check("a vapour flow in m³/s", vapour, 0.0, 1e3)?;
    check("an air flow in m³/s", air, 0.0, 1e6)?;
    check(
        "a lower explosive limit as a fraction",
        lower_explosive_limit,
        0.0,
        0.5,
    )?;
    Ok(vapour / (vapour + air) / lower_explosive_limit)
}

fn check(what: &'static str, value: f64, min: f64, max: f64) -> Result<(), DilutionError> {
    if value > 0.0 && (min..=max).contains(&value) {
        Ok(())
    } else {
        Err(DilutionError::Input {
            what,
            value,
            min,
            max,
        })
    }
}

impl fmt::Display for DilutionEstimate {
    /// The figures, and [`NOTICE`]: they cannot be printed without it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "about {:.1} m³/h of fresh air at the reference for {:.3} m³/h of vapour. {NOTICE}",
            self.air_at_target * 3600.0,
            self.vapour * 3600.0
        )
    }
}
