//! The truth: what the air really does, which no instrument of the bench ever quite says.

use std::time::Duration;

use zonda_model::{ChannelName, Name};

/// Everything true at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Time on the bench's own clock since the start.
    pub elapsed: Duration,
    /// The air at each meter's probe, in the order of the wiring's meters.
    pub points: Vec<PointTruth>,
    /// The oven as a whole.
    pub oven: OvenTruth,
    /// What each loop would carry if its instrument were perfect, SI, in the order of the wiring.
    pub loops: Vec<(ChannelName, f64)>,
}

impl Truth {
    /// The true value of this loop, SI.
    pub fn value(&self, name: &str) -> Option<f64> {
        let found = self.loops.iter().find(|(known, _)| known.as_str() == name);
        found.map(|(_, value)| *value)
    }

    /// The point of this meter.
    pub fn point(&self, meter: &str) -> Option<&PointTruth> {
        self.points
            .iter()
            .find(|point| point.meter.as_str() == meter)
    }
}

/// The air at one probe.
#[derive(Clone, Debug, PartialEq)]
pub struct PointTruth {
    /// The meter whose probe sits there.
    pub meter: Name,
    /// Velocity at this instant, turbulence included, m/s.
    pub velocity: f64,
    /// Velocity about which the turbulence swings while the fans and the door stay as they are, m/s.
    pub velocity_mean: f64,
    /// Air temperature at this instant, °C.
    pub temperature: f64,
    /// Air temperature without its turbulent part, °C.
    pub temperature_mean: f64,
}

/// The oven as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OvenTruth {
    /// Mean air temperature of each zone, °C.
    pub zone_temperatures: [f64; 3],
    /// Temperature of the ware and steelwork in each zone, °C.
    pub ware_temperatures: [f64; 3],
    /// Setpoint of the burner's controller, °C.
    pub setpoint: f64,
    /// Burner firing, 0 (off) to 1 (high fire).
    pub firing: f64,
    /// Door, 0 (shut) to 1 (wide open).
    pub door: f64,
    /// Speed of each zone's fan, 0 to 1 of nominal.
    pub fan_speeds: [f64; 3],
    /// Pressure in the oven against the room, Pa; negative is suction.
    pub oven_pressure: f64,
    /// Air temperature in the exhaust duct, °C.
    pub exhaust_temperature: f64,
    /// Area mean of the velocity in the exhaust duct, m/s.
    pub exhaust_velocity: f64,
    /// Dynamic pressure on the duct's axis as a pitot tube sees it, Pa.
    pub exhaust_dynamic_pressure: f64,
    /// Mass flow through the exhaust duct, kg/s.
    pub exhaust_mass_flow: f64,
    /// Room temperature, °C.
    pub room_temperature: f64,
    /// Relative humidity of the room, 0 to 1.
    pub room_humidity: f64,
    /// Barometric pressure, Pa.
    pub barometric_pressure: f64,
}
