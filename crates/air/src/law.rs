//! Laws of derived channels: from readings of one tick to one value.
//!
//! A law has named terms. Each is a reading, given by its place among the inputs, or a number that
//! stands for ever. There is no language of formulae: what can be asked for stands here, with its physics in
//! the modules it names. Everything is SI.
//!
//! Which channels the inputs are, when they belong together and what their flags mean is left to others.

use std::fmt;

use zonda_model::Quantity;

use crate::exhaust::{ExhaustError, ExhaustHeat};
use crate::flow::{Flow, PointReading};
use crate::humid::{Air, AirError, Humidity};
use crate::quantity::{Area, BadQuantity, Pressure, PressureDifference, Temperature};
use crate::reference::Reference;
use crate::velocity::{Basis, Velocity, VelocityError};
use crate::written::StatedHumidity;

/// The version of the laws: a value in a record names the one that made it. It rises when a law gives other numbers.
pub const VERSION: u32 = 1;

/// A term of a law.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Term {
    /// A reading: its place among the inputs.
    Input(usize),
    /// A number that stands for ever, SI.
    Fixed(f64),
}

/// How humid the air is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moisture {
    /// As stated once and for all.
    Stated(StatedHumidity),
    /// By a reading of relative humidity (ratio), taken at the temperature of another term.
    Relative {
        /// The reading.
        humidity: Term,
        /// Where it was taken: the room; `None` where the air itself is.
        room: Option<Term>,
    },
}

/// The state of the air at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct State {
    /// °C.
    pub temperature: Term,
    /// Absolute, Pa.
    pub pressure: Term,
    /// Static pressure of the duct against that, Pa.
    pub gauge: Option<Term>,
    /// Its water.
    pub moisture: Moisture,
}

/// A number of a law that stands for ever, and is known only so well.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Constant {
    /// The temperature of the air.
    Temperature,
    /// Its absolute pressure.
    Pressure,
    /// The static pressure of the duct against that.
    Gauge,
    /// Its humidity, in the terms in which it is stated: a relative humidity (ratio), a humidity ratio (kg/kg), or a dew point (K).
    Humidity,
    /// The temperature at which the air came in.
    Inlet,
}

/// A velocity as a meter shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shown {
    /// m/s.
    pub velocity: Term,
    /// What it is a velocity of.
    pub basis: Basis,
}

/// What flows: a velocity through an area.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stream {
    /// The velocity, taken as the mean over the area.
    pub shown: Shown,
    /// The area.
    pub area: Area,
    /// The state of the air; `None` where the law does not need it, see [`Law::needs_state`].
    pub state: Option<State>,
}

/// A law with its terms.
#[derive(Clone, Debug, PartialEq)]
pub enum Law {
    /// The velocity on another basis ([`Velocity::to`]), m/s.
    Velocity(Shown, State, Basis),
    /// Density of the air ([`Air::density`]), kg/m³.
    Density(State),
    /// Dew point of the air ([`Air::dew_point`]), °C.
    DewPoint(State),
    /// Volume flow as it passes ([`Flow::actual`]), m³/s.
    VolumeFlow(Stream),
    /// Standard volume flow, ṁ/ρ_ref ([`Flow::standard`]), m³/s.
    StandardFlow(Stream, Reference),
    /// Mass flow of the moist air ([`Flow::mass`]), kg/s.
    MassFlow(Stream),
    /// Heat carried away by air that entered at the inlet's temperature (°C) with the same water ([`ExhaustHeat`]), W.
    Heat(Stream, Term),
    /// Plain mean of the members.
    Mean(Vec<Term>),
    /// Greatest less least of the members.
    Spread(Vec<Term>),
    /// Uniformity index of the members with equal areas, γ = 1 − Σ|vᵢ − v̄|/(2 n |v̄|), a ratio.
    Uniformity(Vec<Term>),
    /// The first less the second.
    Difference(Term, Term),
}

/// Why a law gives no value for these readings.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum LawError {
    /// A term is not among the inputs.
    #[error("there is no input number {0}")]
    NoInput(usize),
    /// The law needs the state of the air.
    #[error("this law needs the temperature and pressure of the air")]
    NoState,
    /// Nothing has such a value.
    #[error(transparent)]
    Quantity(#[from] BadQuantity),
    /// There is no such air, or none that is known.
    #[error(transparent)]
    Air(#[from] AirError),
    /// No velocity.
    #[error(transparent)]
    Velocity(#[from] VelocityError),
    /// No heat.
    #[error(transparent)]
    Heat(#[from] ExhaustError),
    /// Drier than can be named.
    #[error("the air is too dry to have a dew point")]
    TooDry,
    /// Nothing to share out.
    #[error("the members' mean is zero, and no uniformity can be stated of it")]
    NoMean,
}

impl Law {
    /// The word for it in configuration, record and report.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Velocity(_, _, Basis::Actual) => "actual velocity",
            Self::Velocity(..) => "standard velocity",
            Self::Density(_) => "density",
            Self::DewPoint(_) => "dew point",
            Self::VolumeFlow(_) => "volume flow",
            Self::StandardFlow(..) => "standard flow",
            Self::MassFlow(_) => "mass flow",
            Self::Heat(..) => "exhaust heat",
            Self::Mean(_) => "mean",
            Self::Spread(_) => "spread",
            Self::Uniformity(_) => "uniformity",
            Self::Difference(..) => "difference",
        }
    }

    /// What it yields, where its members are of `members`.
    pub const fn quantity(&self, members: Quantity) -> Quantity {
        match self {
            Self::Velocity(..) => Quantity::Velocity,
            Self::Density(_) => Quantity::Density,
            Self::DewPoint(_) => Quantity::Temperature,
            Self::VolumeFlow(_) | Self::StandardFlow(..) => Quantity::VolumeFlow,
            Self::MassFlow(_) => Quantity::MassFlow,
            Self::Heat(..) => Quantity::Power,
            Self::Uniformity(_) => Quantity::Ratio,
            Self::Mean(_) => members,
            Self::Spread(_) | Self::Difference(..) => match members {
                Quantity::Temperature => Quantity::TemperatureDifference,
                other => other,
            },
        }
    }

    /// What a velocity or volume flow that it yields is one of; `None` of everything else.
    pub const fn basis(&self) -> Option<Basis> {
        match self {
            Self::Velocity(_, _, basis) => Some(*basis),
            Self::VolumeFlow(_) => Some(Basis::Actual),
            Self::StandardFlow(_, reference) => Some(Basis::Standard(*reference)),
            _ => None,
        }
    }

    /// The velocity that it is fed with, where it is.
    pub const fn shown(&self) -> Option<Shown> {
        match self {
            Self::Velocity(shown, ..) => Some(*shown),
            Self::VolumeFlow(stream)
            | Self::StandardFlow(stream, _)
            | Self::MassFlow(stream)
            | Self::Heat(stream, _) => Some(stream.shown),
            _ => None,
        }
    }

    /// The law with one of its numbers moved by so much (SI); `None` where that number is a reading, or not in it at all.
    pub fn moved(&self, constant: Constant, by: f64) -> Option<Self> {
        let mut law = self.clone();
        let state = match &mut law {
            Self::Heat(_, inlet) if constant == Constant::Inlet => {
                *inlet = moved(*inlet, by)?;
                return Some(law);
            }
            Self::Velocity(_, state, _) | Self::Density(state) | Self::DewPoint(state) => state,
            Self::VolumeFlow(stream)
            | Self::StandardFlow(stream, _)
            | Self::MassFlow(stream)
            | Self::Heat(stream, _) => stream.state.as_mut()?,
            _ => return None,
        };
        match constant {
            Constant::Temperature => state.temperature = moved(state.temperature, by)?,
            Constant::Pressure => state.pressure = moved(state.pressure, by)?,
            Constant::Gauge => state.gauge = Some(moved(state.gauge?, by)?),
            Constant::Humidity => {
                let Moisture::Stated(stated) = &mut state.moisture else {
                    return None;
                };
                stated.humidity = match stated.humidity {
                    Humidity::Dry => Humidity::Ratio(by),
                    Humidity::Relative(relative) => Humidity::Relative(relative + by),
                    Humidity::Ratio(ratio) => Humidity::Ratio(ratio + by),
                    Humidity::DewPoint(at) => {
                        Humidity::DewPoint(Temperature::from_si(at.si() + by).ok()?)
                    }
                };
            }
            Constant::Inlet => return None,
        }
        Some(law)
    }

    /// Half the width over which the value may lie where one of the law's numbers may be off by ±`by` (SI), SI:
    /// (f(c + by) − f(c − by))/2 (JCGM 100:2008, 5.1.3, note 2). Where one side is no air at all, such as less water than none, the other
    /// side's difference stands for both.
    ///
    /// # Errors
    /// Those of [`Law::value`], at the number as stated or on both sides; [`LawError::NoState`] where the law has no such number.
    pub fn half_width(&self, inputs: &[f64], constant: Constant, by: f64) -> Result<f64, LawError> {
        let at = |by: f64| {
            let law = self.moved(constant, by).ok_or(LawError::NoState)?;
            law.value(inputs)
        };
        let middle = self.value(inputs)?;
        Ok(match (at(by), at(-by)) {
            (Ok(above), Ok(below)) => (above - below).abs() / 2.0,
            (Ok(one), Err(_)) | (Err(_), Ok(one)) => (one - middle).abs(),
            (Err(why), Err(_)) => return Err(why),
        })
    }

    /// Whether a stream shown on `basis` must have the state of its air for a flow as it passes (`as_it_passes`)
    /// or of mass: a standard velocity gives mass without it, an actual one volume.
    pub const fn needs_state(basis: Basis, as_it_passes: bool) -> bool {
        match basis {
            Basis::Actual => !as_it_passes,
            Basis::Standard(_) => as_it_passes,
        }
    }

    /// The value, SI, from readings in SI in the order of the inputs.
    ///
    /// # Errors
    /// [`LawError`] where these readings have no such value.
    pub fn value(&self, inputs: &[f64]) -> Result<f64, LawError> {
        let inputs = Inputs(inputs);
        match self {
            Self::Velocity(shown, state, basis) => {
                Ok(inputs.velocity(*shown)?.to(*basis, inputs.air(state)?).si())
            }
            Self::Density(state) => Ok(inputs.air(state)?.density().value),
            Self::DewPoint(state) => {
                let point = inputs.air(state)?.dew_point().ok_or(LawError::TooDry)?;
                Ok(point.si())
            }
            Self::VolumeFlow(stream) => match stream.shown.basis {
                Basis::Actual => Ok(inputs.at(stream.shown.velocity)? * stream.area.si()),
                Basis::Standard(_) => Ok(inputs.flow(stream)?.actual().si()),
            },
            Self::StandardFlow(stream, reference) => Ok(inputs.mass(stream)? / reference.density()),
            Self::MassFlow(stream) => inputs.mass(stream),
            Self::Heat(stream, inlet) => inputs.heat(stream, *inlet),
            Self::Mean(members) => Ok(mean(&inputs.all(members)?)),
            Self::Spread(members) => {
                let all = inputs.all(members)?;
                let (low, high) = all
                    .iter()
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                        (low.min(*value), high.max(*value))
                    });
                Ok(high - low)
            }
            Self::Uniformity(members) => uniformity(&inputs.all(members)?),
            Self::Difference(one, other) => Ok(inputs.at(*one)? - inputs.at(*other)?),
        }
    }

    /// Standard uncertainty (k = 1), SI, from those of the inputs, taken as independent of each other:
    /// u² = Σ ((f(xᵢ + uᵢ) − f(xᵢ − uᵢ))/2)².
    ///
    /// Source: JCGM 100:2008, 5.1.3, note 2. The model's own error is not in it ([`crate::model`]); inputs that share a
    /// converter or a certificate are the business of a budget.
    ///
    /// # Errors
    /// Those of [`Law::value`], at or beside the inputs.
    pub fn u(&self, inputs: &[f64], us: &[f64]) -> Result<f64, LawError> {
        let mut square = 0.0;
        let mut moved = inputs.to_vec();
        for (index, u) in us.iter().enumerate().take(inputs.len()) {
            moved[index] = inputs[index] + u;
            let above = self.value(&moved)?;
            moved[index] = inputs[index] - u;
            let below = self.value(&moved)?;
            moved[index] = inputs[index];
            square += ((above - below) / 2.0).powi(2);
        }
        Ok(square.sqrt())
    }
}

impl fmt::Display for Law {
    /// `standard flow (standard: 20 °C, 101.325 kPa, dry)`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())?;
        match self.basis() {
            Some(basis) => write!(f, " ({basis})"),
            None => Ok(()),
        }
    }
}

/// Readings in the order of the inputs.
#[derive(Clone, Copy, Debug)]
struct Inputs<'a>(&'a [f64]);

impl Inputs<'_> {
    fn at(self, term: Term) -> Result<f64, LawError> {
        match term {
            Term::Fixed(value) => Ok(value),
            Term::Input(index) => self.0.get(index).copied().ok_or(LawError::NoInput(index)),
        }
    }

    fn all(self, members: &[Term]) -> Result<Vec<f64>, LawError> {
        members.iter().map(|term| self.at(*term)).collect()
    }

    fn velocity(self, shown: Shown) -> Result<Velocity, LawError> {
        Ok(Velocity::from_si(self.at(shown.velocity)?, shown.basis)?)
    }

    fn pressure(self, state: &State) -> Result<Pressure, LawError> {
        let pressure = Pressure::from_si(self.at(state.pressure)?)?;
        match state.gauge {
            Some(gauge) => Ok(pressure.plus(PressureDifference::from_si(self.at(gauge)?)?)?),
            None => Ok(pressure),
        }
    }

    fn air(self, state: &State) -> Result<Air, LawError> {
        let temperature = Temperature::from_si(self.at(state.temperature)?)?;
        let pressure = self.pressure(state)?;
        let humidity = match state.moisture {
            Moisture::Stated(humidity) => humidity,
            Moisture::Relative { humidity, room } => StatedHumidity {
                humidity: Humidity::Relative(self.at(humidity)?),
                at: room
                    .map(|room| Ok::<_, LawError>(Temperature::from_si(self.at(room)?)?))
                    .transpose()?,
            },
        };
        Ok(humidity.air(temperature, pressure)?)
    }

    fn flow(self, stream: &Stream) -> Result<Flow, LawError> {
        let state = stream.state.as_ref().ok_or(LawError::NoState)?;
        let reading = PointReading {
            velocity: self.velocity(stream.shown)?,
            air: self.air(state)?,
        };
        Ok(Flow::of(reading, stream.area))
    }

    fn mass(self, stream: &Stream) -> Result<f64, LawError> {
        match stream.shown.basis {
            Basis::Standard(reference) => {
                let velocity = self.at(stream.shown.velocity)?;
                Ok(velocity * reference.density() * stream.area.si())
            }
            Basis::Actual => Ok(self.flow(stream)?.mass().si()),
        }
    }

    fn heat(self, stream: &Stream, inlet: Term) -> Result<f64, LawError> {
        let state = stream.state.as_ref().ok_or(LawError::NoState)?;
        let outlet = self.air(state)?;
        let inlet = outlet.at(Temperature::from_si(self.at(inlet)?)?, outlet.pressure())?;
        let heat = ExhaustHeat::of(self.flow(stream)?.mass_dry(), inlet, outlet)?;
        Ok(heat.total.value)
    }
}

/// A number that stands for ever, moved.
fn moved(term: Term, by: f64) -> Option<Term> {
    match term {
        Term::Fixed(value) => Some(Term::Fixed(value + by)),
        Term::Input(_) => None,
    }
}

#[expect(clippy::cast_precision_loss, reason = "a group has few members")]
fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[expect(clippy::cast_precision_loss, reason = "a group has few members")]
fn uniformity(values: &[f64]) -> Result<f64, LawError> {
    let middle = mean(values);
    if middle == 0.0 || !middle.is_finite() {
        return Err(LawError::NoMean);
    }
    let apart: f64 = values.iter().map(|value| (value - middle).abs()).sum();
    Ok(1.0 - apart / (2.0 * values.len() as f64 * middle.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn state() -> State {
        State {
            temperature: Term::Input(1),
            pressure: Term::Fixed(101_325.0),
            gauge: None,
            moisture: Moisture::Stated(StatedHumidity::DRY),
        }
    }

    fn shown() -> Shown {
        Shown {
            velocity: Term::Input(0),
            basis: Basis::Standard(Reference::FAHRENHEIT_70),
        }
    }

    fn stream(state: Option<State>) -> Stream {
        Stream {
            shown: shown(),
            area: Area::from_si(0.125).unwrap(),
            state,
        }
    }

    /// CoolProp 8.0.0: dry air at 101.325 kPa has 1.200103 kg/m³ at 70 °F and 0.745820 at 200 °C.
    #[test]
    fn a_thermal_meter_in_hot_air() {
        let inputs = [6.0, 200.0];
        let actual = Law::Velocity(shown(), state(), Basis::Actual)
            .value(&inputs)
            .unwrap();
        assert!(
            (actual - 6.0 * 1.200_103 / 0.745_820).abs() < 2e-3,
            "{actual}"
        );
        let mass = Law::MassFlow(stream(None)).value(&inputs).unwrap();
        assert!((mass - 6.0 * 0.125 * 1.200_103).abs() < 1e-4, "{mass}");
        let volume = Law::VolumeFlow(stream(Some(state())))
            .value(&inputs)
            .unwrap();
        assert!((volume - actual * 0.125).abs() < 1e-12);
        let no_state = Law::VolumeFlow(stream(None)).value(&inputs);
        assert_eq!(no_state, Err(LawError::NoState));
    }

    /// By hand: ρ goes with p of the ideal gas, so that 2 kPa of 101.325 kPa are 1.974 % of an actual velocity; a reading cannot be
    /// moved; less water than none is no air, and the other side stands for both.
    #[test]
    fn a_number_is_known_only_so_well() {
        let inputs = [6.0, 200.0];
        let law = Law::Velocity(shown(), state(), Basis::Actual);
        let value = law.value(&inputs).unwrap();
        let half = law.half_width(&inputs, Constant::Pressure, 2000.0).unwrap();
        assert!((half / value - 2000.0 / 101_325.0).abs() < 2e-5, "{half}");
        assert_eq!(law.moved(Constant::Temperature, 1.0), None);
        assert_eq!(law.moved(Constant::Inlet, 1.0), None);
        // Water per dry air W takes (1 + W·M_a/M_w)/(1 + W) of the density, M_a/M_w = 1.6078 (CIPM-2007): 0.605 % at 10 g/kg.
        let half = law.half_width(&inputs, Constant::Humidity, 0.01).unwrap();
        assert!((half / value - 0.006_02).abs() < 1e-4, "{}", half / value);
    }

    /// A uniformity of 1 is even; half of the area still and half at 2 m/s is 0.5.
    #[test]
    fn a_group_has_mean_spread_and_uniformity() {
        let members = vec![Term::Input(0), Term::Input(1)];
        let of = |law: Law| law.value(&[2.0, 0.0]).unwrap();
        assert!((of(Law::Mean(members.clone())) - 1.0).abs() < 1e-12);
        assert!((of(Law::Spread(members.clone())) - 2.0).abs() < 1e-12);
        assert!((of(Law::Uniformity(members.clone())) - 0.5).abs() < 1e-12);
        assert!((of(Law::Difference(Term::Input(1), Term::Fixed(3.0))) + 3.0).abs() < 1e-12);
        assert_eq!(
            Law::Uniformity(members).value(&[1.0, -1.0]),
            Err(LawError::NoMean)
        );
    }

    #[test]
    fn what_cannot_be_has_no_value() {
        let law = Law::Density(state());
        assert!(matches!(law.value(&[0.0, 900.0]), Err(LawError::Air(_))));
        assert_eq!(law.value(&[0.0]), Err(LawError::NoInput(1)));
        let dry = Law::DewPoint(state()).value(&[0.0, 20.0]);
        assert_eq!(dry, Err(LawError::TooDry));
    }

    #[test]
    fn a_law_says_its_basis_and_quantity() {
        let law = Law::StandardFlow(stream(None), Reference::CELSIUS_20);
        assert_eq!(
            law.to_string(),
            "standard flow (standard: 20 °C, 101.325 kPa, dry)"
        );
        let spread = Law::Spread(vec![Term::Input(0)]);
        assert_eq!(
            spread.quantity(Quantity::Temperature),
            Quantity::TemperatureDifference
        );
    }

    proptest! {
        /// Of a mean of n independent readings u/√n (JCGM 100:2008, 4.2.3); of a difference √(u₁² + u₂²).
        #[test]
        fn uncertainty_follows_the_guide(u in 0.01..2.0f64, v in 0.01..2.0f64, x in -50.0..50.0f64) {
            let members: Vec<Term> = (0..4).map(Term::Input).collect();
            let mean = Law::Mean(members).u(&[x, x + 1.0, x, x - 3.0], &[u; 4]).unwrap();
            prop_assert!((mean - u / 2.0).abs() < 1e-9);
            let difference = Law::Difference(Term::Input(0), Term::Input(1)).u(&[x, 2.0], &[u, v]).unwrap();
            prop_assert!((difference - u.hypot(v)).abs() < 1e-9);
        }

        /// v_act = v_std ρ_ref/ρ, and ρ goes with 1/T: relative u² = (u_v/v)² + (u_T/T)².
        #[test]
        fn uncertainty_of_an_actual_velocity(v in 1.0..30.0f64, t in 20.0..400.0f64) {
            let law = Law::Velocity(shown(), state(), Basis::Actual);
            let found = law.u(&[v, t], &[0.1, 1.5]).unwrap() / law.value(&[v, t]).unwrap();
            let expected = (0.1 / v).hypot(1.5 / (t + 273.15));
            prop_assert!((found / expected - 1.0).abs() < 2e-3);
        }
    }
}
