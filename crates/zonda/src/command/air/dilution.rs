//! `zonda air dilution`

use anyhow::Context;
use clap::Args;
use zonda_air::dilution::{DilutionEstimate, NOTICE, SolventLoad, Target};
use zonda_air::{Density, Reference};
use zonda_model::Quantity;
use zonda_model::written::Amount;

use crate::amount;
use crate::sheet::{Measure, Row, Sheet};

/// An estimate of the fresh air that dilutes a solvent's vapour. Not a safety function.
///
/// For orientation before you speak with those who design ventilation. Local code governs the ventilation of
/// ovens that release flammable vapour, and licensed practitioners design and verify it.
#[derive(Debug, Args)]
#[command(
    after_help = "Example (figures of a solvent from its safety data sheet):\n  \
    zonda air dilution \"2 l/h\" --density \"867 kg/m³\" --molar-mass \"92.14 g/mol\" --limit \"1.1 %\" --heat-factor 1.4"
)]
pub(crate) struct Dilution {
    /// Liquid that evaporates, on average. A batch peaks far above its mean.
    #[arg(value_parser = amount::any)]
    liquid: Amount,
    /// Density of the liquid.
    #[arg(long, value_parser = amount::density)]
    density: Density,
    /// Molar mass of the solvent, such as "92.14 g/mol".
    #[arg(long, value_parser = molar_mass)]
    molar_mass: f64,
    /// Lower explosive limit in room air, by volume, from the safety data sheet.
    #[arg(long, value_parser = amount::share)]
    limit: f64,
    /// Share of that limit to stay below. Local code decides.
    #[arg(long, value_parser = amount::share, default_value = "25 %")]
    share: f64,
    /// Factor for the limit's fall with heat: 1 at room temperature; codes name theirs.
    #[arg(long, default_value_t = 1.0)]
    heat_factor: f64,
    /// Reference at which the air's volume is stated.
    #[arg(long, default_value = "20 °C")]
    reference: Reference,
}

impl Dilution {
    pub(crate) fn work(&self) -> anyhow::Result<Sheet> {
        let load = SolventLoad {
            liquid_m3_s: self.liquid.si(Quantity::VolumeFlow).context("the liquid")?,
            density: self.density.si(),
            molar_mass: self.molar_mass,
            lower_explosive_limit: self.limit,
        };
        let target = Target {
            share_of_limit: self.share,
            heat_factor: self.heat_factor,
        };
        let estimate = DilutionEstimate::of(load, target, self.reference)?;
        let mut sheet = Sheet::new(format!(
            "ESTIMATE for {} {} of liquid, to stay below {:.0} % of the lower explosive limit",
            self.liquid.value,
            self.liquid.unit,
            self.share * 100.0
        ));
        let row = |key, words: &str, value| {
            Row::new(key, words, value, Measure::VOLUME_FLOW).on(self.reference)
        };
        sheet.row(row("vapour", "vapour", estimate.vapour));
        sheet.row(row(
            "air_at_limit",
            "air that would hold it at the limit",
            estimate.air_at_limit,
        ));
        sheet.row(row(
            "air_at_target",
            "fresh air, estimated",
            estimate.air_at_target,
        ));
        sheet.note(NOTICE);
        sheet.note("Volumes are at the reference, not at the oven's temperature; mean rates do not cover the peak of a batch.");
        Ok(sheet)
    }
}

fn molar_mass(text: &str) -> Result<f64, String> {
    let number = text.trim().strip_suffix("g/mol").map(str::trim);
    match number.and_then(|number| number.parse::<f64>().ok()) {
        Some(grams) => Ok(grams / 1000.0),
        None => Err("write it such as `92.14 g/mol`".to_owned()),
    }
}
