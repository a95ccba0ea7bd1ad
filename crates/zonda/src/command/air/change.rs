//! `zonda air change`

use clap::Args;
use zonda_air::Volume;
use zonda_air::air_change::AirChange;
use zonda_air::written::StatedFlow;

use super::state::{AirArgs, refuse_negative};
use crate::amount;
use crate::sheet::{Measure, Row, Sheet, Units};

/// Air changes: how often fresh air renews the air of an oven, and how fast a concentration falls.
///
/// Count fresh air only; recirculated air renews nothing, and leakage is not proven to.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    zonda air change \"900 m³/h standard 20 °C\" --volume \"6 m³\" --temperature \"180 °C\"")]
pub(crate) struct Change {
    /// Fresh air: "0.3 kg/s", "900 m³/h standard 20 °C", or actual at the oven's temperature.
    flow: StatedFlow,
    /// Free volume of the oven.
    #[arg(long, value_parser = amount::volume)]
    volume: Volume,
    /// The share to which a concentration shall fall.
    #[arg(long, value_parser = amount::share, default_value = "1 %")]
    share: f64,
    #[command(flatten)]
    air: AirArgs,
}

impl Change {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let inside = self.air.find(units)?;
        let fresh = self.flow.mass(inside.air);
        refuse_negative("the flow of fresh air", fresh.si())?;
        let change = AirChange::of(fresh, self.volume, inside.air)?;
        let u_rel = inside.density_u_rel();
        let mut sheet = Sheet::new(format!(
            "{:.4} m³ full of {}",
            self.volume.si(),
            inside.say(units)
        ));
        sheet.row(
            Row::new(
                "air_changes",
                "air changes, at the oven's temperature",
                change.per_hour(),
                Measure::PER_HOUR,
            )
            .with_u_rel(u_rel),
        );
        sheet.row(
            Row::new(
                "residence",
                "mean time that air stays",
                change.residence_s(),
                Measure::TIME,
            )
            .with_u_rel(u_rel),
        );
        let words = format!(
            "until a concentration is down to {:.3} %",
            self.share * 100.0
        );
        sheet.row(
            Row::new("decay", words, change.decay_s(self.share)?, Measure::TIME).with_u_rel(u_rel),
        );
        sheet.row(Row::new(
            "fresh",
            "fresh air",
            fresh.si(),
            Measure::MASS_FLOW,
        ));
        sheet.note("An estimate: perfectly mixed, and nothing more released. Dead corners take longer. Never the time of a safety purge: that is governed by local code and set by licensed practitioners.");
        inside.tell(&mut sheet);
        Ok(sheet)
    }
}
