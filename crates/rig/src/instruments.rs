//! Probes, meters, transmitters and converters: what instruments make of the air.
//!
//! A *probe* follows the air with its own lags. A *meter* reads its probe once a second, shows a
//! number and drives two analog outputs. A *transmitter* drives one output from a quantity of the
//! oven or room. An *output* puts a value on a signal, within its stated accuracy and the limits of
//! its electronics. A *converter* turns the signal at a module's input into a register's number.
//! Values are in SI (°C for temperature), signals in A or V. Velocities are actual ones, at the
//! air's own temperature and pressure: the meters compensate.

use zonda_model::Unit;
use zonda_model::written::Span;

use crate::noise::{Dice, lag};
use crate::wiring::RegisterCode;

/// A temperature band of a probe and the slowest air that it can measure there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Upper end of the band, °C; it begins where the one before ends, the first at 0 °C.
    pub to_c: f64,
    /// Slowest velocity, m/s.
    pub velocity_min: f64,
}

/// Where the probes' velocity can be believed (common practice, no source).
pub const ENVELOPE: [Band; 3] = [
    Band {
        to_c: 100.0,
        velocity_min: 0.2,
    },
    Band {
        to_c: 300.0,
        velocity_min: 0.4,
    },
    Band {
        to_c: 500.0,
        velocity_min: 0.7,
    },
];

/// Fastest air that the probes can measure, m/s (common practice, no source).
pub const VELOCITY_MAX: f64 = 50.0;

fn velocity_min(temperature_c: f64) -> f64 {
    let band = ENVELOPE.iter().find(|band| temperature_c < band.to_c);
    band.unwrap_or(&ENVELOPE[2]).velocity_min
}

/// A sensor head with a heated velocity sensor and a thermometer.
#[derive(Clone, Debug)]
pub struct Probe {
    velocity: f64,
    temperature: f64,
}

impl Probe {
    /// Time constant of the velocity sensor, s (invented, plausible).
    pub const VELOCITY_S: f64 = 0.3;
    /// Time constant of the thermometer at 2 m/s, s; slower air carries less heat to it
    /// (invented, plausible; ∝ velocity^−0.5, textbook: cylinder in cross flow).
    pub const TEMPERATURE_S: f64 = 3.0;

    /// A probe that has been in this air for long.
    pub const fn new(velocity: f64, temperature: f64) -> Self {
        Self {
            velocity,
            temperature,
        }
    }

    /// Moves on by `dt_s` seconds in this air.
    pub fn step(&mut self, dt_s: f64, velocity: f64, temperature: f64) {
        lag(&mut self.velocity, velocity, Self::VELOCITY_S, dt_s);
        let slower = (2.0 / velocity.max(0.2)).sqrt();
        lag(
            &mut self.temperature,
            temperature,
            Self::TEMPERATURE_S * slower,
            dt_s,
        );
    }

    /// What the sensor reports, m/s. In air too slow for it a heated sensor reads the draught of
    /// its own heat, so it never reports nothing; above its maximum it reports the maximum.
    pub fn velocity(&self) -> f64 {
        let draught = 0.5 * velocity_min(self.temperature);
        let felt = (self.velocity.powi(4) + draught.powi(4)).sqrt().sqrt();
        felt.min(VELOCITY_MAX)
    }

    /// What the thermometer reports, °C.
    pub const fn temperature(&self) -> f64 {
        self.temperature
    }
}

/// A systematic error, drawn once: `reading = true · (1 + gain) + zero`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Bias {
    gain: f64,
    zero: f64,
}

impl Bias {
    fn new(gain: f64, zero: f64, dice: &mut Dice) -> Self {
        Self {
            gain: gain * dice.even(),
            zero: zero * dice.even(),
        }
    }

    fn apply(self, value: f64) -> f64 {
        value * (1.0 + self.gain) + self.zero
    }
}

/// What a meter shows: refreshed once a second, rounded to its last digit on a text line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Display {
    /// m/s.
    pub velocity: f64,
    /// °C.
    pub temperature: f64,
}

/// The electronics behind a probe.
#[derive(Clone, Debug)]
pub struct Meter {
    probe: Probe,
    velocity: Bias,
    temperature: Bias,
    display: Display,
    /// At which of the ten tenths of a second it refreshes.
    phase: u64,
}

impl Meter {
    /// Accuracy of the velocity: share of the reading, and m/s (invented, plausible).
    pub const VELOCITY_ACCURACY: (f64, f64) = (0.015, 0.02);
    /// Accuracy of the temperature, K (invented, plausible).
    pub const TEMPERATURE_ACCURACY: f64 = 0.8;
    /// Ticks of a tenth of a second between two refreshes.
    pub const REFRESH_TICKS: u64 = 10;

    /// A meter whose errors are drawn within its accuracy.
    pub fn new(probe: Probe, dice: &mut Dice) -> Self {
        let (share, zero) = Self::VELOCITY_ACCURACY;
        let mut meter = Self {
            display: Display {
                velocity: 0.0,
                temperature: 0.0,
            },
            velocity: Bias::new(share, zero, dice),
            temperature: Bias::new(0.0, Self::TEMPERATURE_ACCURACY, dice),
            phase: dice.below(10) as u64,
            probe,
        };
        meter.refresh();
        meter
    }

    /// Moves on by one tick of `dt_s` seconds in this air.
    pub fn step(&mut self, tick: u64, dt_s: f64, velocity: f64, temperature: f64) {
        self.probe.step(dt_s, velocity, temperature);
        if tick % Self::REFRESH_TICKS == self.phase {
            self.refresh();
        }
    }

    fn refresh(&mut self) {
        self.display = Display {
            velocity: self.velocity.apply(self.probe.velocity()).max(0.0),
            temperature: self.temperature.apply(self.probe.temperature()),
        };
    }

    /// What it shows.
    pub const fn display(&self) -> Display {
        self.display
    }
}

/// An analog output: a value on a signal.
#[derive(Clone, Debug)]
pub struct Output {
    signal: (f64, f64),
    is_current: bool,
    gain: f64,
    zero: f64,
}

impl Output {
    /// Accuracy as a share of the signal's span, gain and zero together (invented, plausible).
    pub const ACCURACY: f64 = 0.001;

    /// An output for this electrical span, its errors drawn within its accuracy.
    pub fn new(signal: Span, dice: &mut Dice) -> Self {
        Self {
            signal: (signal.unit.to_si(signal.from), signal.unit.to_si(signal.to)),
            is_current: signal.unit.quantity() == Unit::Ampere.quantity(),
            gain: Self::ACCURACY / 2.0 * dice.even(),
            zero: Self::ACCURACY / 2.0 * dice.even(),
        }
    }

    /// The signal of `value` in the meter's range, A or V.
    ///
    /// Electronics reach a little beyond the span and no farther: 3.8 and 20.5 mA by NAMUR NE 43
    /// for 4-20 mA; for voltages 0 V and 2 % above the span (common practice, no source).
    pub fn drive(&self, value: f64, range: Span) -> f64 {
        let (from, to) = (range.unit.to_si(range.from), range.unit.to_si(range.to));
        let share = (value - from) / (to - from);
        let share = share * (1.0 + self.gain) + self.zero;
        let (low, high) = self.signal;
        let span = high - low;
        let (least, most) = if self.is_current {
            (low - span * 0.2 / 16.0, high + span * 0.5 / 16.0)
        } else {
            (low.min(0.0), high + span * 0.02)
        };
        (low + share * span).clamp(least, most)
    }
}

/// An analog-to-digital converter behind a module's inputs and the number that registers hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Converter {
    /// Ends of the converter's scale, A or V.
    pub scale: (f64, f64),
    /// Its bits.
    pub bits: u32,
    /// Standard deviation of its noise, A or V.
    pub noise: f64,
    /// What one count in the register stands for, A or V.
    pub count: f64,
    /// How the register holds it.
    pub code: RegisterCode,
}

impl Converter {
    /// The register's content for a signal, with `noise` in standard deviations.
    pub fn convert(&self, signal: f64, noise: f64) -> u16 {
        let (low, high) = self.scale;
        let step = (high - low) / 2f64.powi(self.bits.cast_signed());
        let at = (signal + noise * self.noise).clamp(low, high - step);
        let converted = low + ((at - low) / step).round() * step;
        let counts = (converted / self.count).round();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to what the register holds"
        )]
        match self.code {
            RegisterCode::Uint16 => counts.clamp(0.0, 65_535.0) as u16,
            RegisterCode::Int16 => (counts.clamp(-32_768.0, 32_767.0) as i16).cast_unsigned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn span(text: &str) -> Span {
        text.parse().unwrap()
    }

    proptest! {
        /// 4 mA + (v/50)·16 mA, the live zero of IEC 60381-1, within the stated accuracy.
        #[test]
        fn outputs_keep_their_accuracy(seed: u64, velocity in 0.0f64..50.0) {
            let output = Output::new(span("4-20 mA"), &mut Dice::new(seed));
            let ideal = 4e-3 + velocity / 50.0 * 16e-3;
            let driven = output.drive(velocity, span("0-50 m/s"));
            prop_assert!((driven - ideal).abs() <= Output::ACCURACY * 16e-3 + 1e-12);
        }

        #[test]
        fn a_code_is_within_half_a_count_and_half_a_step(milliamperes in 0.0f64..21.0) {
            let converter = Converter {
                scale: (0.0, 25e-3),
                bits: 16,
                noise: 0.0,
                count: 1e-6,
                code: RegisterCode::Uint16,
            };
            let code = converter.convert(milliamperes * 1e-3, 0.0);
            prop_assert!((f64::from(code) - milliamperes * 1e3).abs() <= 0.5 + 0.2);
        }
    }

    #[test]
    fn outputs_stop_at_the_limits_of_their_electronics() {
        let output = Output::new(span("4-20 mA"), &mut Dice::new(1));
        assert!((output.drive(-50.0, span("0-50 m/s")) - 3.8e-3).abs() < 1e-9);
        assert!((output.drive(500.0, span("0-50 m/s")) - 20.5e-3).abs() < 1e-9);
        let output = Output::new(span("0-10 V"), &mut Dice::new(1));
        assert!(output.drive(-50.0, span("0-50 m/s")).abs() < 1e-9);
        assert!((output.drive(500.0, span("0-50 m/s")) - 10.2).abs() < 1e-9);
    }

    /// A ±10.24 V converter of 16 bits has steps of 20.48 V / 2^16 = 0.3125 mV.
    #[test]
    fn a_bipolar_converter_counts_in_two_s_complement() {
        let converter = Converter {
            scale: (-10.24, 10.24),
            bits: 16,
            noise: 0.0,
            count: 0.3125e-3,
            code: RegisterCode::Int16,
        };
        for (volts, code) in [
            (0.0, 0),
            (5.0, 16_000),
            (-5.0, -16_000),
            (10.24, 32_767),
            (-11.0, -32_768),
        ] {
            assert_eq!(
                converter.convert(volts, 0.0).cast_signed(),
                code,
                "{volts} V"
            );
        }
    }

    #[test]
    fn a_heated_sensor_never_reads_still_air_as_nothing() {
        let still = Probe::new(0.0, 200.0);
        assert!(still.velocity() > 0.1 && still.velocity() < velocity_min(200.0));
        let brisk = Probe::new(2.0, 200.0);
        assert!((brisk.velocity() - 2.0).abs() < 0.002);
        assert!((Probe::new(80.0, 200.0).velocity() - VELOCITY_MAX).abs() < 1e-12);
    }

    /// A first-order lag covers 1 − 1/e of a step in its time constant.
    #[test]
    fn the_thermometer_lags() {
        let mut probe = Probe::new(2.0, 20.0);
        for _ in 0..30 {
            probe.step(0.1, 2.0, 120.0);
        }
        assert!(
            (probe.temperature() - (20.0 + 63.212)).abs() < 0.01,
            "{}",
            probe.temperature()
        );
    }

    #[test]
    fn a_meter_refreshes_once_a_second() {
        let mut meter = Meter::new(Probe::new(2.0, 200.0), &mut Dice::new(4));
        let mut changes = 0;
        let mut velocity = 2.5;
        for tick in 0..100 {
            let before = meter.display();
            velocity += 0.01;
            meter.step(tick, 0.1, velocity, 200.0);
            changes += i32::from(meter.display() != before);
        }
        assert_eq!(changes, 10);
    }
}
