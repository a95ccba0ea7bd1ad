//! The exhaust duct: a round duct of 250 mm whose fan moves a nearly constant volume.

use super::density;
use super::room::Room;
use crate::noise::lag;

const DIAMETER_M: f64 = 0.25;
/// Volume flow, m³/s.
const VOLUME_FLOW: f64 = 0.335;
/// How much more flows when an open door takes the oven's suction off the fan.
const DOOR_GAIN: f64 = 0.08;
/// Share of the excess temperature that the duct loses before the measuring section.
const LOSS: f64 = 0.04;
/// Time constant of the duct's wall, s.
const WALL_S: f64 = 6.0;

/// Velocity at a share of the radius from the axis, as a ratio to the area mean.
///
/// One-seventh power law of turbulent pipe flow; its mean is 0.8167 of the axis (textbook).
pub fn velocity_profile(radius_share: f64) -> f64 {
    const MEAN_OF_AXIS: f64 = 98.0 / 120.0;
    (1.0 - radius_share.clamp(0.0, 1.0)).powf(1.0 / 7.0) / MEAN_OF_AXIS
}

/// The duct at its measuring section.
#[derive(Clone, Debug)]
pub(super) struct Duct {
    temperature: f64,
    volume_flow: f64,
}

impl Duct {
    pub(super) const fn new(temperature: f64) -> Self {
        Self {
            temperature,
            volume_flow: VOLUME_FLOW,
        }
    }

    pub(super) fn step(&mut self, dt_s: f64, mixed: f64, room: &Room, door: f64) {
        let arriving = mixed - LOSS * (mixed - room.temperature());
        lag(&mut self.temperature, arriving, WALL_S, dt_s);
        self.volume_flow = VOLUME_FLOW * (1.0 + DOOR_GAIN * door);
    }

    pub(super) const fn temperature(&self) -> f64 {
        self.temperature
    }

    /// Area mean, m/s.
    pub(super) fn velocity(&self) -> f64 {
        self.volume_flow / (std::f64::consts::PI * DIAMETER_M * DIAMETER_M / 4.0)
    }

    /// On the axis, Pa.
    pub(super) fn dynamic_pressure(&self, room: &Room) -> f64 {
        let axis = self.velocity() * velocity_profile(0.0);
        density(self.temperature, room.pressure()) / 2.0 * axis * axis
    }

    pub(super) fn mass_flow(&self, room: &Room) -> f64 {
        density(self.temperature, room.pressure()) * self.volume_flow
    }
}
