//! `zonda air properties`

use clap::Args;
use zonda_air::{Property, Temperature};

use super::state::{ERROR_NOTE, MoistArgs, StatedAir};
use crate::amount;
use crate::sheet::{Measure, Row, Sheet, Units};

/// Density, viscosity, heat capacity, conductivity, enthalpy and humidity of air in one state.
///
/// Dry or moist, -40 to 600 °C, 60 to 110 kPa. Measure humidity in the room, where a hygrometer works,
/// and say so: "50 % at 23 °C". The air keeps its water on the way into the oven.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda air properties \"180 °C\"\n  \
    zonda air properties \"180 °C\" --humidity \"50 % at 23 °C\" --pressure \"98.2 kPa\"\n  \
    zonda air properties \"400 °F\" --humidity \"dew point 55 °F\" --elevation \"1150 ft\" --units us")]
pub(crate) struct Properties {
    /// Temperature of the air.
    #[arg(value_parser = amount::temperature)]
    temperature: Temperature,
    #[command(flatten)]
    moist: MoistArgs,
}

impl Properties {
    pub(crate) fn work(&self, units: Units) -> anyhow::Result<Sheet> {
        let stated = self.moist.at(self.temperature, units)?;
        let mut sheet = Sheet::new(capital(&stated.say(units)));
        for row in rows(&stated) {
            sheet.row(row);
        }
        sheet.note(ERROR_NOTE);
        sheet.note(sensitivity(&stated));
        stated.tell(&mut sheet);
        Ok(sheet)
    }
}

fn rows(stated: &StatedAir) -> Vec<Row> {
    let air = stated.air;
    let place = stated.place.u_rel;
    let row = |key, words: &str, Property { value, u }, measure| {
        Row::new(key, words, value, measure).with_u(u)
    };
    let density = Row::new("density", "density", air.density().value, Measure::DENSITY)
        .with_u_rel(stated.density_u_rel());
    let kinematic = air.kinematic_viscosity();
    let mut rows = vec![
        density,
        row(
            "viscosity",
            "dynamic viscosity",
            air.viscosity(),
            Measure::VISCOSITY,
        ),
        Row::new(
            "kinematic_viscosity",
            "kinematic viscosity",
            kinematic.value,
            Measure::KINEMATIC_VISCOSITY,
        )
        .with_u_rel(kinematic.u_rel().hypot(place)),
        row(
            "heat_capacity",
            "specific heat capacity",
            air.heat_capacity(),
            Measure::HEAT_CAPACITY,
        ),
        row(
            "conductivity",
            "thermal conductivity",
            air.conductivity(),
            Measure::CONDUCTIVITY,
        ),
        row("prandtl", "Prandtl number", air.prandtl(), Measure::Plain),
        row(
            "enthalpy",
            "enthalpy, from 0 °C dry and liquid water",
            air.enthalpy(),
            Measure::ENTHALPY,
        ),
        Row::new(
            "compressibility",
            "compressibility factor",
            air.compressibility(),
            Measure::Plain,
        ),
        Row::new(
            "molar_mass",
            "molar mass",
            air.molar_mass(),
            Measure::MOLAR_MASS,
        ),
        Row::new(
            "humidity_ratio",
            "humidity ratio",
            air.humidity_ratio(),
            Measure::HUMIDITY_RATIO,
        ),
    ];
    rows.extend(air.dew_point().map(|point| {
        let words = if point.si() < 0.01 {
            "frost point"
        } else {
            "dew point"
        };
        Row::new("dew_point", words, point.si(), Measure::TEMPERATURE).with_u(DEW_POINT_U)
    }));
    rows.extend(
        air.relative_humidity()
            .filter(|_| air.humidity_ratio() > 0.0)
            .map(|ratio| {
                Row::new(
                    "relative_humidity",
                    "relative humidity there",
                    ratio,
                    Measure::PERCENT,
                )
            }),
    );
    rows
}

/// The dew point agrees with the reference within 0.02 K, evenly spread: 0.02 K/√3.
const DEW_POINT_U: f64 = 0.0115;

/// What a kelvin and a kilopascal are worth here.
fn sensitivity(stated: &StatedAir) -> String {
    let kelvin = 100.0 / stated.air.temperature().kelvin();
    let kilopascal = 100.0 * 1000.0 / stated.place.pressure.si();
    format!("Here 1 K is {kelvin:.2} % of density, and 1 kPa is {kilopascal:.2} %.")
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}
