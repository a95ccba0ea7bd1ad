//! `zonda air convert`

use anyhow::bail;
use clap::Args;
use zonda_model::Unit;
use zonda_model::written::Amount;

use crate::amount;
use crate::sheet::{Measure, Row, Sheet};

/// An amount in another unit, or in all of them.
///
/// A change of unit only. A change of basis (actual, standard, normal) also needs the air: see `zonda air velocity`
/// and `zonda air flow`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air convert \"1200 ft/min\" m/s\n  \
    zonda air convert \"356 °F\" °C\n  \
    zonda air convert \"10 Δ°F\" K       (a difference: the 32 of °F stays out)\n  \
    zonda air convert \"0.18 inH2O\"     (in every unit of pressure)")]
pub(crate) struct Convert {
    /// The amount.
    #[arg(value_parser = amount::any)]
    amount: Amount,
    /// The unit wanted; all of them without it.
    unit: Option<Unit>,
}

impl Convert {
    pub(crate) fn work(&self) -> anyhow::Result<Sheet> {
        let Amount { value, unit } = self.amount;
        let quantity = unit.quantity();
        if let Some(wanted) = self.unit
            && wanted.quantity() != quantity
        {
            bail!(
                "{unit} is a unit of {quantity} and {wanted} one of {}; no factor leads from one to the other",
                wanted.quantity()
            );
        }
        let mut sheet = Sheet::new(format!("{value} {unit}"));
        let si = unit.to_si(value);
        let all = Unit::ALL
            .iter()
            .copied()
            .filter(|other| other.quantity() == quantity && *other != unit);
        for wanted in self
            .unit
            .map_or_else(|| all.collect(), |wanted| vec![wanted])
        {
            sheet.row(Row::new(
                "value",
                "is",
                si,
                Measure::Known {
                    si: wanted,
                    us: wanted,
                },
            ));
        }
        Ok(sheet)
    }
}
