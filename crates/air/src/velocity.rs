//! Velocity that never loses its basis.
//!
//! A thermal meter answers to the mass flux G = ρ v. What it shows as *standard* velocity is
//! v_std = G/ρ_ref; the air in the duct moves at the *actual* velocity v_act = G/ρ. At 200 °C the two
//! differ by 61 %. Density is that of the place: local temperature, local absolute pressure, humidity.

use std::fmt;

use zonda_model::{Quantity, Unit};

use crate::humid::Air;
use crate::reference::Reference;

/// What a velocity is a velocity of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Basis {
    /// The air as it moves in the duct.
    Actual,
    /// The same mass of air at the density of a reference.
    Standard(Reference),
}

/// A velocity in m/s with its basis. Negative where the air flows back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Velocity {
    metre_per_second: f64,
    basis: Basis,
}

/// Why velocities cannot be made or taken together.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum VelocityError {
    /// NaN or infinite.
    #[error("{0} is not a velocity; leave out what was not measured")]
    NotFinite(f64),
    /// A unit of something else.
    #[error("`{0}` is not a unit of velocity; state it in `m/s` or `ft/min`, for example")]
    WrongUnit(Unit),
    /// One is actual and the other standard, or they have different references.
    #[error(
        "velocities of different bases cannot be taken together: one is {0}, another {1}; convert them to one basis first, with the local temperature and pressure"
    )]
    MixedBases(Basis, Basis),
    /// A mean of nothing.
    #[error("there is no velocity to take the mean of")]
    Empty,
}

impl Basis {
    /// True where both mean the same: both actual, or standard with references that agree.
    pub fn agrees_with(self, other: Self) -> bool {
        match (self, other) {
            (Self::Actual, Self::Actual) => true,
            (Self::Standard(one), Self::Standard(two)) => one.agrees_with(two),
            _ => false,
        }
    }

    /// The density (kg/m³) that turns a velocity of this basis into a mass flux, in air of the state `local`.
    pub fn density(self, local: Air) -> f64 {
        match self {
            Self::Actual => local.density().value,
            Self::Standard(reference) => reference.density(),
        }
    }
}

impl Velocity {
    /// A velocity in any unit of velocity.
    ///
    /// # Errors
    /// [`VelocityError::WrongUnit`], [`VelocityError::NotFinite`].
    pub fn new(value: f64, unit: Unit, basis: Basis) -> Result<Self, VelocityError> {
        if unit.quantity() != Quantity::Velocity {
            return Err(VelocityError::WrongUnit(unit));
        }
        Self::from_si(unit.to_si(value), basis)
    }

    /// A velocity in m/s.
    ///
    /// # Errors
    /// [`VelocityError::NotFinite`].
    pub fn from_si(metre_per_second: f64, basis: Basis) -> Result<Self, VelocityError> {
        if metre_per_second.is_finite() {
            Ok(Self {
                metre_per_second,
                basis,
            })
        } else {
            Err(VelocityError::NotFinite(metre_per_second))
        }
    }

    /// An actual velocity in m/s.
    ///
    /// # Errors
    /// [`VelocityError::NotFinite`].
    pub fn actual(metre_per_second: f64) -> Result<Self, VelocityError> {
        Self::from_si(metre_per_second, Basis::Actual)
    }

    /// A standard velocity in m/s.
    ///
    /// # Errors
    /// [`VelocityError::NotFinite`].
    pub fn standard(metre_per_second: f64, reference: Reference) -> Result<Self, VelocityError> {
        Self::from_si(metre_per_second, Basis::Standard(reference))
    }

    pub(crate) const fn made(metre_per_second: f64, basis: Basis) -> Self {
        Self {
            metre_per_second,
            basis,
        }
    }

    /// The number in m/s. Say the basis beside it.
    pub const fn si(self) -> f64 {
        self.metre_per_second
    }

    /// What it is a velocity of.
    pub const fn basis(self) -> Basis {
        self.basis
    }

    /// Mass flux G, kg/(m² s): ρ v in the air `local` for an actual velocity, ρ_ref v for a standard one,
    /// which needs nothing of the local air.
    pub fn mass_flux(self, local: Air) -> f64 {
        self.metre_per_second * self.basis.density(local)
    }

    /// The same flow in another basis, in air of the state `local`: v₂ = v₁ ρ₁/ρ₂.
    ///
    /// Dry air by the real gas; v_std (T/T_ref)(p_ref/p) differs from it by up to 0.10 % between 0 and
    /// 500 °C. In humid air this takes the meter at its word that it shows mass flux; its heat transfer
    /// also depends on humidity, which is the meter's affair.
    pub fn to(self, basis: Basis, local: Air) -> Self {
        if self.basis == basis {
            return self;
        }
        Self::made(self.mass_flux(local) / basis.density(local), basis)
    }

    /// Plain mean of velocities that have one basis; the first one's basis is the mean's.
    ///
    /// # Errors
    /// [`VelocityError::MixedBases`], [`VelocityError::Empty`].
    pub fn mean(velocities: &[Self]) -> Result<Self, VelocityError> {
        let first = *velocities.first().ok_or(VelocityError::Empty)?;
        for other in velocities {
            first.check_basis(*other)?;
        }
        let mut mean = 0.0;
        for (count, velocity) in (1u32..).zip(velocities) {
            mean += (velocity.metre_per_second - mean) / f64::from(count);
        }
        Ok(Self::made(mean, first.basis))
    }

    /// This velocity over another of the same basis.
    ///
    /// # Errors
    /// [`VelocityError::MixedBases`].
    pub fn ratio(self, other: Self) -> Result<f64, VelocityError> {
        self.check_basis(other)?;
        Ok(self.metre_per_second / other.metre_per_second)
    }

    pub(crate) fn check_basis(self, other: Self) -> Result<(), VelocityError> {
        if self.basis.agrees_with(other.basis) {
            Ok(())
        } else {
            Err(VelocityError::MixedBases(self.basis, other.basis))
        }
    }
}

impl fmt::Display for Basis {
    /// `actual`, or `standard: 21.1 °C, 101.325 kPa, dry`; by `{:#}` with every digit.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Actual => f.write_str("actual"),
            Self::Standard(reference) if f.alternate() => write!(f, "standard: {reference:#}"),
            Self::Standard(reference) => write!(f, "standard: {reference}"),
        }
    }
}

impl fmt::Display for Velocity {
    /// `5.00 m/s (standard: 21.1 °C, 101.325 kPa, dry)`; a precision given by the caller is kept.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(2);
        write!(f, "{:.digits$} m/s ({})", self.metre_per_second, self.basis)
    }
}
