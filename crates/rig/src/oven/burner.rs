//! The burner and its controller: PI on the middle zone's temperature, on and off with hysteresis.
//!
//! The burner modulates between low and high fire and cannot burn lower than low fire, so a soaking
//! oven that needs less makes it cycle.

use crate::noise::lag;

/// Heat at high fire, W.
const HIGH_FIRE_W: f64 = 220e3;
/// Low fire as a share of high fire.
const LOW_FIRE: f64 = 0.30;
/// It is lit above this demand and shut off below the other.
const LIGHT_ABOVE: f64 = 0.30;
const SHUT_BELOW: f64 = 0.12;
/// Gain, 1/K, and integral time, s, of the controller.
const GAIN: f64 = 0.03;
const INTEGRAL_S: f64 = 240.0;
/// Time constants of the control thermocouple in its sheath and of the flame, s.
const SENSED_S: f64 = 8.0;
const FLAME_S: f64 = 3.0;

/// Burner and controller.
#[derive(Clone, Debug)]
pub(super) struct Burner {
    sensed: Option<f64>,
    integral: f64,
    lit: bool,
    firing: f64,
}

impl Burner {
    pub(super) const fn new() -> Self {
        Self {
            sensed: None,
            integral: 0.0,
            lit: false,
            firing: 0.0,
        }
    }

    pub(super) fn step(&mut self, dt_s: f64, setpoint: f64, air: f64, permitted: bool) {
        let sensed = self.sensed.get_or_insert(air);
        lag(sensed, air, SENSED_S, dt_s);
        let error = setpoint - *sensed;
        let demand = GAIN * error + self.integral;
        // The integral stands while the output cannot follow it, or it would wind up.
        if permitted && (0.0..1.0).contains(&demand) {
            self.integral = (self.integral + GAIN * error * dt_s / INTEGRAL_S).clamp(0.0, 1.0);
        }
        self.lit = permitted && demand > if self.lit { SHUT_BELOW } else { LIGHT_ABOVE };
        let wanted = if self.lit {
            demand.clamp(LOW_FIRE, 1.0)
        } else {
            0.0
        };
        lag(&mut self.firing, wanted, FLAME_S, dt_s);
    }

    /// 0 (off) to 1 (high fire).
    pub(super) const fn firing(&self) -> f64 {
        self.firing
    }

    /// Heat into the air, W.
    pub(super) fn heat(&self) -> f64 {
        self.firing * HIGH_FIRE_W
    }
}
