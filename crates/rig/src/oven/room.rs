//! The hall around the oven: temperature, humidity and barometric pressure wander slowly.

use crate::noise::{Dice, Drift};

/// The room's state.
#[derive(Clone, Debug)]
pub(super) struct Room {
    temperature: Drift,
    humidity: Drift,
    pressure: Drift,
}

impl Room {
    pub(super) fn new(dice: &mut Dice) -> Self {
        Self {
            temperature: Drift::new(1_800.0, dice),
            humidity: Drift::new(1_200.0, dice),
            pressure: Drift::new(7_200.0, dice),
        }
    }

    pub(super) fn step(&mut self, dt_s: f64, dice: &mut Dice) {
        self.temperature.step(dt_s, dice);
        self.humidity.step(dt_s, dice);
        self.pressure.step(dt_s, dice);
    }

    /// °C.
    pub(super) fn temperature(&self) -> f64 {
        24.5 + 0.6 * self.temperature.value()
    }

    /// 0 to 1.
    pub(super) fn humidity(&self) -> f64 {
        (0.44 + 0.015 * self.humidity.value()).clamp(0.05, 0.95)
    }

    /// Pa.
    pub(super) fn pressure(&self) -> f64 {
        100_720.0 + 80.0 * self.pressure.value()
    }
}
