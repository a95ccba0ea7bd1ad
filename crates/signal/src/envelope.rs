//! Envelopes: where a probe's velocity can be believed.
//!
//! Between which velocities a heated sensor or a vane reads depends on the temperature of the air,
//! in bands. A reading outside is kept and flagged. The bands and their shape are common practice,
//! no source. Flags change at a band's very edge: who needs calm there waits before acting on one.

use zonda_model::written::{Amount, BadWriting, Span};
use zonda_model::{Quality, Quantity};

use crate::companion::Companion;

/// Why bands make no envelope.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadEnvelope {
    /// No band at all.
    #[error("an envelope needs at least one temperature band")]
    Empty,
    /// A unit of another quantity.
    #[error("band {band}: {reason}")]
    Writing {
        /// Which band, counted from 1.
        band: usize,
        /// What is wrong.
        reason: BadWriting,
    },
    /// A temperature band written from hot to cold, or without width.
    #[error("band {0}: write its temperatures from cold to hot")]
    Reversed(usize),
    /// Velocities that leave nothing between them.
    #[error("band {0}: its lowest velocity must be 0 or more and less than its highest")]
    Velocities(usize),
    /// Bands that share temperatures, or stand out of order.
    #[error(
        "bands {0} and {1} overlap at {2} °C: write them from cold to hot, each beginning where the one before it ends"
    )]
    Overlap(usize, usize, f64),
    /// Temperatures between two bands that no band covers.
    #[error(
        "between bands {0} and {1} there is a hole from {2} to {3} °C: let the next band begin where the one before it ends"
    )]
    Hole(usize, usize, f64, f64),
    /// Velocities believed where the temperature itself is not.
    #[error(
        "the temperature is valid from {from} to {to} °C, but the velocity's bands reach further"
    )]
    BeyondTemperature {
        /// Lowest valid temperature, °C.
        from: f64,
        /// Highest valid temperature, °C.
        to: f64,
    },
    /// The temperature's validity is written wrongly.
    #[error("the temperature's validity: {0}")]
    Temperature(BadWriting),
}

/// One band as a person writes it: `0-100 °C: 40 ft/min to 9840 ft/min`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// The air's temperatures.
    pub temperature: Span,
    /// The lowest velocity believed.
    pub velocity_min: Amount,
    /// The highest velocity believed.
    pub velocity_max: Amount,
}

/// A band in SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandSi {
    /// From this temperature (°C) on …
    pub from: f64,
    /// … to below this one; the last band includes it.
    pub to: f64,
    /// The lowest velocity believed, m/s.
    pub velocity_min: f64,
    /// The highest velocity believed, m/s.
    pub velocity_max: f64,
}

/// Where a probe's velocity and temperature can be believed.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope {
    bands: Vec<BandSi>,
    temperature: (f64, f64),
}

/// Two edges written in different units meet within this, in kelvin; readings meet edges within it.
const EDGE: f64 = 1e-9;

impl Envelope {
    /// An envelope of bands from cold to hot. The temperature reading itself is believed over
    /// `temperature`, which may reach further than the bands; by default over the bands.
    ///
    /// # Errors
    /// [`BadEnvelope`]: what is wrong with which band.
    pub fn new(bands: &[Band], temperature: Option<Span>) -> Result<Self, BadEnvelope> {
        let bands: Vec<BandSi> = (1..)
            .zip(bands)
            .map(|(number, band)| band.si(number))
            .collect::<Result<_, _>>()?;
        let (first, last) = bands.first().zip(bands.last()).ok_or(BadEnvelope::Empty)?;
        let reach = (first.from, last.to);
        for (index, pair) in bands.windows(2).enumerate() {
            check_neighbours(index + 1, pair[0], pair[1])?;
        }
        let temperature = match temperature {
            Some(span) => check_temperature(span, reach)?,
            None => reach,
        };
        Ok(Self { bands, temperature })
    }

    /// The bands in SI, from cold to hot.
    pub fn bands(&self) -> &[BandSi] {
        &self.bands
    }

    /// Where the temperature itself is believed, °C.
    pub const fn temperature(&self) -> (f64, f64) {
        self.temperature
    }

    /// The band at a temperature (°C), if one reaches it.
    pub fn band_at(&self, celsius: f64) -> Option<BandSi> {
        let last = self.bands.last()?;
        if celsius >= last.to - EDGE && celsius <= last.to + EDGE {
            return Some(*last);
        }
        let holds = |band: &&BandSi| celsius >= band.from - EDGE && celsius < band.to - EDGE;
        self.bands.iter().find(holds).copied()
    }

    /// What is to be said of a velocity (m/s) beside the temperature (°C) that the same probe read
    /// at the same tick.
    ///
    /// `outside_envelope` where no band reaches the temperature; `below_threshold` and
    /// `above_envelope` where the velocity is outside its band; `moved` where the temperature is
    /// missing or flawed, so that the judgement itself is in doubt.
    pub fn judge_velocity(&self, velocity: f64, temperature: Companion) -> Quality {
        let doubt = temperature.doubt();
        let Some(celsius) = temperature.value else {
            return doubt;
        };
        let judgement = match self.band_at(celsius) {
            None => Quality::OUTSIDE_ENVELOPE,
            Some(band) if velocity < band.velocity_min => Quality::BELOW_THRESHOLD,
            Some(band) if velocity > band.velocity_max => Quality::ABOVE_ENVELOPE,
            Some(_) => Quality::empty(),
        };
        judgement | doubt
    }

    /// What is to be said of a temperature (°C) of this probe: `outside_envelope` beyond its own validity.
    pub fn judge_temperature(&self, celsius: f64) -> Quality {
        let (from, to) = self.temperature;
        if (from - EDGE..=to + EDGE).contains(&celsius) {
            Quality::empty()
        } else {
            Quality::OUTSIDE_ENVELOPE
        }
    }
}

impl Band {
    fn si(&self, number: usize) -> Result<BandSi, BadEnvelope> {
        let writing = |reason| BadEnvelope::Writing {
            band: number,
            reason,
        };
        let (from, to) = self
            .temperature
            .si(Quantity::Temperature)
            .map_err(writing)?;
        let velocity_min = self.velocity_min.si(Quantity::Velocity).map_err(writing)?;
        let velocity_max = self.velocity_max.si(Quantity::Velocity).map_err(writing)?;
        if !(to - from).is_normal() || to < from {
            return Err(BadEnvelope::Reversed(number));
        }
        let is_open = velocity_max.is_finite() && velocity_min < velocity_max;
        if !(velocity_min >= 0.0 && is_open) {
            return Err(BadEnvelope::Velocities(number));
        }
        Ok(BandSi {
            from,
            to,
            velocity_min,
            velocity_max,
        })
    }
}

fn check_neighbours(number: usize, cold: BandSi, hot: BandSi) -> Result<(), BadEnvelope> {
    if hot.from < cold.to - EDGE {
        Err(BadEnvelope::Overlap(number, number + 1, hot.from))
    } else if hot.from > cold.to + EDGE {
        Err(BadEnvelope::Hole(number, number + 1, cold.to, hot.from))
    } else {
        Ok(())
    }
}

fn check_temperature(span: Span, reach: (f64, f64)) -> Result<(f64, f64), BadEnvelope> {
    let (from, to) = span
        .si(Quantity::Temperature)
        .map_err(BadEnvelope::Temperature)?;
    let is_enough = from <= reach.0 + EDGE && to >= reach.1 - EDGE;
    if is_enough {
        Ok((from, to))
    } else {
        Err(BadEnvelope::BeyondTemperature { from, to })
    }
}
