//! `zonda air flow`

use clap::Args;
use zonda_air::flow::{Flow, PointReading, Vapour};
use zonda_air::{Basis, Reference, Velocity};

use super::section::AreaArgs;
use super::state::{AirArgs, ERROR_NOTE, StatedAir};
use crate::sheet::{Measure, Row, Sheet, Units};

/// Volume and mass flow through a cross-section, from one or more velocities.
///
/// Several velocities are taken as the points of a traverse with equal weights (`zonda plan duct` says where to
/// measure them); they must have one basis.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air flow \"6 m/s standard 70 °F\" --diameter \"400 mm\" --temperature \"200 °C\"\n  \
    zonda air flow \"5.8 m/s actual\" \"6.1 m/s actual\" \"6.4 m/s actual\" --width \"1.2 m\" --height \"0.8 m\" -t \"180 °C\"\n  \
    zonda air flow \"1200 ft/min actual\" --area \"1.4 ft²\" -t \"350 °F\" --reference \"60 °F\" --units us")]
pub(crate) struct FlowCommand {
    /// The velocities with their basis: "6 m/s actual", "6 m/s standard 70 °F".
    #[arg(required = true)]
    velocity: Vec<Velocity>,
    #[command(flatten)]
    area: AreaArgs,
    #[command(flatten)]
    air: AirArgs,
    /// A reference of your own for standard volume flow; may be repeated.
    #[arg(long, value_name = "REFERENCE")]
    reference: Vec<Reference>,
}

impl FlowCommand {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let stated = self.air.find(units)?;
        let (area, section) = self.area.must()?;
        let velocity = Velocity::mean(&self.velocity)?;
        let flow = Flow::of(
            PointReading {
                velocity,
                air: stated.air,
            },
            area,
        );
        let mut sheet = Sheet::new(format!(
            "{} ({}) through {section}, {}, of {}",
            Measure::VELOCITY.say(velocity.si(), units),
            velocity.basis(),
            Measure::AREA.say(area.si(), units),
            stated.say(units)
        ));
        self.rows(&mut sheet, flow, velocity.basis(), &stated)?;
        if velocity.basis() == Basis::Actual {
            sheet.note(
                "Mass and standard flow follow from the actual velocity through the density here.",
            );
        } else {
            sheet.note("Mass and standard flow follow from standard velocity without temperature or pressure of the duct; only the actual flow needs them.");
        }
        sheet.note(ERROR_NOTE);
        stated.tell(&mut sheet);
        Ok(sheet)
    }

    fn rows(
        &self,
        sheet: &mut Sheet,
        flow: Flow,
        basis: Basis,
        stated: &StatedAir,
    ) -> anyhow::Result<()> {
        let here = stated.density_u_rel();
        let model = stated.air.density().u_rel();
        let (actual_u, mass_u) = if basis == Basis::Actual {
            (0.0, here)
        } else {
            (here, model)
        };
        let volume = |key, words: &str, value: f64, u_rel: f64| {
            let row = Row::new(key, words, value, Measure::VOLUME_FLOW);
            if u_rel > 0.0 {
                row.with_u_rel(u_rel)
            } else {
                row
            }
        };
        sheet.row(volume(
            "actual",
            "volume flow, actual",
            flow.actual().si(),
            actual_u,
        ));
        let stated_reference = match basis {
            Basis::Standard(reference) => Some(reference),
            Basis::Actual => None,
        };
        let usual = [Reference::CELSIUS_20, Reference::STANDARD_AIR];
        let mut told: Vec<Reference> = vec![Reference::NORMAL];
        sheet.row(
            volume(
                "normal",
                "volume flow, normal",
                flow.standard(Reference::NORMAL).si(),
                mass_u,
            )
            .on(Reference::NORMAL),
        );
        for reference in stated_reference
            .into_iter()
            .chain(self.reference.iter().copied())
            .chain(usual)
        {
            if told.iter().any(|other| other.agrees_with(reference)) {
                continue;
            }
            told.push(reference);
            sheet.row(
                volume(
                    "standard",
                    "volume flow, standard",
                    flow.standard(reference).si(),
                    mass_u,
                )
                .on(reference),
            );
        }
        if stated.air.humidity_ratio() > 0.0 {
            let dry = flow.standard_gas(Reference::NORMAL, Vapour::LeftOut)?;
            sheet.row(
                volume(
                    "normal_dry",
                    "of the dry gas alone, normal",
                    dry.si(),
                    mass_u,
                )
                .on(Reference::NORMAL),
            );
        }
        sheet.row(
            Row::new("mass", "mass flow", flow.mass().si(), Measure::MASS_FLOW).with_u_rel(mass_u),
        );
        if stated.air.humidity_ratio() > 0.0 {
            sheet.row(
                Row::new(
                    "mass_dry",
                    "mass flow of the dry air in it",
                    flow.mass_dry().si(),
                    Measure::MASS_FLOW,
                )
                .with_u_rel(mass_u),
            );
        }
        sheet.row(Row::new(
            "velocity",
            "mean velocity, actual",
            flow.velocity().si(),
            Measure::VELOCITY,
        ));
        Ok(())
    }
}
