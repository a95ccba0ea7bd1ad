//! `zonda air exhaust`

use clap::Args;
use zonda_air::exhaust::ExhaustHeat;
use zonda_air::written::{StatedFlow, StatedHumidity};
use zonda_air::{MassFlow, Temperature};

use super::state::MoistArgs;
use crate::amount;
use crate::sheet::{Measure, Row, Sheet, Units};

/// Heat that exhaust air carries away, and the part of it that is moisture.
///
/// The air enters at --inlet with --humidity and leaves at --outlet, with the same water unless
/// --outlet-humidity says what it took up. A dryer's exhaust carries much of its heat as vapour.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air exhaust \"0.9 kg/s\" --inlet \"23 °C\" --outlet \"180 °C\" --humidity \"50 %\"\n  \
    zonda air exhaust \"2500 m³/h actual\" --inlet \"23 °C\" --outlet \"120 °C\" --humidity \"50 %\" --outlet-humidity \"45 g/kg\"")]
pub(crate) struct Exhaust {
    /// Flow in the exhaust: "0.9 kg/s", "2500 m³/h actual", "1500 m³/h standard 20 °C".
    flow: StatedFlow,
    /// Temperature at which the air enters the oven.
    #[arg(long, value_parser = amount::temperature)]
    inlet: Temperature,
    /// Temperature in the exhaust.
    #[arg(long, value_parser = amount::temperature)]
    outlet: Temperature,
    /// Humidity in the exhaust, where the air takes up water.
    #[arg(long)]
    outlet_humidity: Option<StatedHumidity>,
    #[command(flatten)]
    moist: MoistArgs,
}

impl Exhaust {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let inlet = self.moist.at(self.inlet, units)?;
        let mut outlet = inlet.heated(self.outlet)?;
        if let Some(humidity) = self.outlet_humidity {
            outlet = outlet.with(humidity)?;
        }
        let mass = self.flow.mass(outlet.air).si();
        let dry = MassFlow::from_si(mass / (1.0 + outlet.air.humidity_ratio()))?;
        let heat = ExhaustHeat::of(dry, inlet.air, outlet.air)?;
        let flow_u = if self.flow.is_actual() {
            outlet.density_u_rel()
        } else {
            0.0
        };
        let mut sheet = Sheet::new(format!(
            "From {}\nto   {}",
            inlet.say(units),
            outlet.say(units)
        ));
        let total_u = heat.total.u.hypot(heat.total.value * flow_u);
        sheet.row(
            Row::new("heat", "heat carried away", heat.total.value, Measure::HEAT).with_u(total_u),
        );
        sheet.row(Row::new(
            "sensible",
            "of it, heating air and the moisture it brought",
            heat.sensible,
            Measure::HEAT,
        ));
        sheet.row(Row::new(
            "moisture",
            "of it, moisture taken up",
            heat.moisture,
            Measure::HEAT,
        ));
        sheet.row(Row::new(
            "water",
            "water taken up",
            heat.water,
            Measure::MASS_FLOW,
        ));
        sheet.row(Row::new(
            "mass",
            "mass flow in the exhaust",
            mass,
            Measure::MASS_FLOW,
        ));
        sheet.note("± is what the model is worth (k = 2); the flow's own uncertainty comes on top, in full.");
        outlet.tell(&mut sheet);
        Ok(sheet)
    }
}
