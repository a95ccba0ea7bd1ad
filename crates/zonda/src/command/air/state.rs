//! The state of air on the command line: temperature, pressure at the place, humidity.

use anyhow::{Context, bail};
use clap::Args;
use zonda_air::constants::STANDARD_ATMOSPHERE;
use zonda_air::written::StatedHumidity;
use zonda_air::{Air, Pressure, PressureDifference, Property, Temperature, barometer};

use crate::amount;
use crate::sheet::{Measure, Sheet, Units};

/// Where the air is.
#[derive(Debug, Args)]
pub(crate) struct PressureArgs {
    /// Absolute pressure at the place, by a barometer there, such as "98.2 kPa".
    #[arg(long, value_parser = amount::pressure, conflicts_with_all = ["elevation", "sea_level"])]
    pressure: Option<Pressure>,
    /// Metres above sea level, where there is no barometer, such as "350 m" or "1150 ft".
    #[arg(long, value_parser = amount::elevation)]
    elevation: Option<f64>,
    /// Pressure reduced to sea level, as weather services and airports give it; needs --elevation.
    #[arg(long, value_parser = amount::pressure, requires = "elevation")]
    sea_level: Option<Pressure>,
    /// Static pressure in the duct against the room, such as "-120 Pa".
    #[arg(long = "static", value_name = "GAUGE", value_parser = amount::difference)]
    gauge: Option<PressureDifference>,
}

/// The air itself.
#[derive(Debug, Args)]
pub(crate) struct AirArgs {
    /// Temperature of the air, such as "180 °C" or "356 °F".
    #[arg(long, short, value_parser = amount::temperature)]
    temperature: Temperature,
    #[command(flatten)]
    moist: MoistArgs,
}

/// Pressure and humidity.
#[derive(Debug, Args)]
pub(crate) struct MoistArgs {
    /// "50 % at 23 °C" (relative, of the room), "dew point 12 °C", "8 g/kg" (water per dry air), or "dry".
    #[arg(long, default_value = "dry")]
    humidity: StatedHumidity,
    #[command(flatten)]
    place: PressureArgs,
}

/// A pressure, and how well it is known by the way it was stated.
#[derive(Clone, Debug)]
pub(crate) struct StatedPressure {
    /// At the place, with its standard uncertainty; zero where it was measured.
    pub(crate) pressure: Pressure,
    /// Relative, k = 1.
    pub(crate) u_rel: f64,
    /// What to know of it.
    note: Option<String>,
}

/// Air as stated.
#[derive(Clone, Debug)]
pub(crate) struct StatedAir {
    pub(crate) air: Air,
    pub(crate) place: StatedPressure,
}

impl PressureArgs {
    pub(crate) fn find(&self, units: Units) -> anyhow::Result<StatedPressure> {
        let mut stated = self.barometer(units)?;
        if let Some(gauge) = self.gauge {
            stated.pressure = stated.pressure.plus(gauge).context("--static")?;
        }
        Ok(stated)
    }

    fn barometer(&self, units: Units) -> anyhow::Result<StatedPressure> {
        let exact = |pressure, note| StatedPressure {
            pressure,
            u_rel: 0.0,
            note,
        };
        match (self.pressure, self.elevation, self.sea_level) {
            (Some(pressure), ..) => Ok(exact(pressure, None)),
            (None, Some(elevation), Some(sea_level)) => Ok(exact(
                barometer::station_pressure(sea_level, elevation)?,
                None,
            )),
            (None, Some(elevation), None) => {
                let Property { value, u } = barometer::pressure_at(elevation)?;
                Ok(StatedPressure {
                    pressure: Pressure::from_si(value)?,
                    u_rel: u / value,
                    note: Some("The pressure is that of the standard atmosphere at this elevation; the weather moves it by ± 3 %, which is counted in ±. A barometer is better.".to_owned()),
                })
            }
            (None, None, _) => {
                let assumed = Measure::PRESSURE.say(STANDARD_ATMOSPHERE, units);
                let note = format!(
                    "No pressure was stated: {assumed} is assumed. Density falls by some 12 % for each 1000 m above the sea; state --pressure, or --elevation."
                );
                Ok(exact(Pressure::from_si(STANDARD_ATMOSPHERE)?, Some(note)))
            }
        }
    }
}

impl MoistArgs {
    pub(crate) fn at(&self, temperature: Temperature, units: Units) -> anyhow::Result<StatedAir> {
        let place = self.place.find(units)?;
        let air = self.humidity.air(temperature, place.pressure)?;
        Ok(StatedAir { air, place })
    }
}

impl AirArgs {
    pub(crate) fn find(&self, units: Units) -> anyhow::Result<StatedAir> {
        self.moist.at(self.temperature, units)
    }
}

impl StatedAir {
    /// The same air, with its water, at another temperature.
    pub(crate) fn heated(&self, temperature: Temperature) -> anyhow::Result<Self> {
        let air = self.air.at(temperature, self.place.pressure)?;
        Ok(Self {
            air,
            place: self.place.clone(),
        })
    }

    /// With another humidity.
    pub(crate) fn with(&self, humidity: StatedHumidity) -> anyhow::Result<Self> {
        let air = humidity.air(self.air.temperature(), self.place.pressure)?;
        Ok(Self {
            air,
            place: self.place.clone(),
        })
    }

    /// Relative standard uncertainty of the density: the model's, and the weather's where no barometer was read.
    pub(crate) fn density_u_rel(&self) -> f64 {
        self.air.density().u_rel().hypot(self.place.u_rel)
    }

    /// `air at 180.00 °C, 98.200 kPa (absolute), 8.7 g/kg of water`.
    pub(crate) fn say(&self, units: Units) -> String {
        let water = if self.air.humidity_ratio() > 0.0 {
            let ratio = Measure::HUMIDITY_RATIO.say(self.air.humidity_ratio(), units);
            format!("{ratio} of water per dry air")
        } else {
            "dry".to_owned()
        };
        format!(
            "air at {}, {} absolute, {water}",
            Measure::TEMPERATURE.say(self.air.temperature().si(), units),
            Measure::PRESSURE.say(self.place.pressure.si(), units),
        )
    }

    /// Says below a sheet what there is to know of the pressure.
    pub(crate) fn tell(&self, sheet: &mut Sheet) {
        if let Some(note) = &self.place.note {
            sheet.note(note);
        }
    }
}

/// What ± means below a sheet.
pub(crate) const ERROR_NOTE: &str = "± is what the model is worth (k = 2, some 95 %). What your temperature, pressure and humidity are known to comes on top.";

/// Says that water boils where somebody asked for the relative humidity there.
pub(crate) fn refuse_negative(what: &str, value: f64) -> anyhow::Result<()> {
    if value < 0.0 {
        bail!(
            "{what} is negative; the air would flow back. Look at the sign, and at the probe's direction"
        );
    }
    Ok(())
}
