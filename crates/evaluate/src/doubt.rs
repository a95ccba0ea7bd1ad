//! What is doubtful about a channel's readings, and the budget that follows: the rows of a channel that measures hot
//! air's velocity or temperature.
//!
//! | row | distribution | shared with |
//! | --- | --- | --- |
//! | certificate | normal, its own k | all channels of that certificate |
//! | instrument (only without a certificate, which supersedes it) | rectangular | – |
//! | drift since calibration | rectangular | – |
//! | analog output | rectangular | – |
//! | converter | rectangular | all channels of that converter |
//! | steps | rectangular, q/√12 | – |
//! | shunt | rectangular | – |
//! | position, direction of the flow, radiation | rectangular | – |
//! | temperature and pressure in the density correction | rectangular | – |
//! | scatter | Student's t, by the readings themselves | – |
//!
//! How much of a certificate's or converter's error is common is not known unless somebody says so: then the worse is
//! assumed ([`Common::Unknown`]). Specifications in per cent of the span do not shrink with the reading, so that every row
//! is made at the reading it is for, never at full scale.
//!
//! A cause of doubt is stated, or not there, or there without anybody knowing how large it is: the last is named in
//! the budget's [`omitted`](Budget::omitted), which a report prints beside the result.
//!
//! It leaves to others where the figures come from (configuration, certificate, layout), and the physics of
//! density (`zonda-air`).

use zonda_model::{Quantity, Unit};
use zonda_uncertainty::{
    BadBudget, BadSpread, Budget, Common, Dof, Draft, Influence, Origin, Spread,
};

use crate::mean::Mean;

/// One cause of doubt.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Doubt<T> {
    /// It is this large.
    Stated(T),
    /// It is there, and nobody said how large.
    #[default]
    Unstated,
    /// There is no such thing on this way: a text line has no converter.
    Absent,
}

/// Everything doubtful about one channel at one reading. Amounts are in the SI unit of the channel's quantity, of
/// temperatures in K; specifications are half-widths, as data sheets write them behind ±.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelDoubts {
    /// The channel's name.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// What its calibration left open.
    pub certificate: Doubt<CertificateDoubt>,
    /// The instrument's accuracy by its maker, ±. Superseded by a certificate.
    pub instrument: Doubt<f64>,
    /// How far it may have drifted since its calibration, ±.
    pub drift: Doubt<f64>,
    /// How far the analog output may be from what the instrument reads, ±.
    pub output: Doubt<f64>,
    /// The converter's accuracy.
    pub converter: Doubt<ConverterDoubt>,
    /// One step of the converter or of the text line's last digit.
    pub step: Doubt<f64>,
    /// The shunt's tolerance.
    pub shunt: Doubt<ShuntDoubt>,
    /// What the probe's place may be off, ±: the gradient about it, times how well it was put there.
    pub position: Doubt<f64>,
    /// By how many degrees the flow may come from elsewhere than the probe expects, ±; of velocities.
    pub yaw_deg: Doubt<f64>,
    /// How far the sensor may be from the air's temperature, ±: radiation to colder walls and conduction along the stem.
    pub radiation: Doubt<f64>,
    /// The state of the air by which the meter itself turns standard into actual velocity.
    pub density: Doubt<DensityDoubt>,
}

/// A certificate at the reading.
#[derive(Clone, Debug, PartialEq)]
pub struct CertificateDoubt {
    /// Its number.
    pub number: String,
    /// Expanded uncertainty U.
    pub expanded: f64,
    /// The coverage factor k that U was expanded with.
    pub k: f64,
    /// How much of it is common to all that was calibrated under this number.
    pub common: Common,
}

/// A converter at the reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ConverterDoubt {
    /// The module's name.
    pub name: String,
    /// Its accuracy, ±, in the unit of what it measures.
    pub accuracy: f64,
    /// That unit, SI: V or A.
    pub unit: Unit,
    /// By how much the channel moves with one such unit: the range's width over the signal's.
    pub slope: f64,
    /// How much of it is common to the module's channels.
    pub common: Common,
}

/// A shunt at the reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShuntDoubt {
    /// Its tolerance, ±, as a share.
    pub tolerance: f64,
    /// The current through it, A.
    pub current: f64,
    /// By how much the channel moves with one ampere.
    pub slope: f64,
}

/// What a meter that shows actual velocity takes the air to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DensityDoubt {
    /// Its temperature, K.
    pub kelvin: f64,
    /// By how much that may be off, ±, K.
    pub kelvin_off: f64,
    /// Its absolute pressure, Pa.
    pub pascal: f64,
    /// By how much that may be off, ±, Pa: a pressure that was set once differs by the weather, some 2 kPa.
    pub pascal_off: f64,
}

/// Why a channel has no budget.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadDoubts {
    /// A figure that cannot be.
    #[error("{channel}, {row}: {why}")]
    Spread {
        /// The channel.
        channel: String,
        /// The row.
        row: &'static str,
        /// What is wrong with it.
        why: BadSpread,
    },
    /// A mean without a scatter.
    #[error(
        "{0}: there are too few readings to tell how much they scatter; take a longer stretch, at least 8 readings"
    )]
    NoScatter(String),
    /// The value or a slope is no number.
    #[error(transparent)]
    Budget(#[from] BadBudget),
}

impl ChannelDoubts {
    /// A channel of which nothing is stated yet; what cannot be there for its quantity is absent.
    pub fn new(channel: impl Into<String>, quantity: Quantity) -> Self {
        let of = |wanted: Quantity| {
            if quantity == wanted {
                Doubt::Unstated
            } else {
                Doubt::Absent
            }
        };
        Self {
            channel: channel.into(),
            quantity,
            certificate: Doubt::Unstated,
            instrument: Doubt::Absent,
            drift: Doubt::Unstated,
            output: Doubt::Unstated,
            converter: Doubt::Unstated,
            step: Doubt::Unstated,
            shunt: Doubt::Absent,
            position: Doubt::Unstated,
            yaw_deg: of(Quantity::Velocity),
            radiation: of(Quantity::Temperature),
            density: Doubt::Absent,
        }
    }

    /// The budget of one reading: all that does not scatter. Its own noise comes with a mean.
    ///
    /// # Errors
    /// [`BadDoubts`] for a figure that cannot be.
    pub fn at(&self, reading: f64) -> Result<Budget, BadDoubts> {
        Ok(self.rows(reading, &self.channel)?.finish()?)
    }

    /// The budget of a mean: all that does not scatter, at the mean, and the mean's own scatter.
    ///
    /// Of standard deviation s over n_eff independent values: u = s/√n_eff, ν = n_eff − 1. A channel that stands still
    /// has no scatter; that it does not stand still because it is stuck is not for a budget to tell.
    ///
    /// # Errors
    /// [`BadDoubts`] for a figure that cannot be, or a mean of too few readings.
    pub fn of_mean(&self, mean: &Mean) -> Result<Budget, BadDoubts> {
        let scatter = scatter(&self.channel, self.quantity, mean)?;
        let what = format!("mean of {} over {}", self.channel, mean.stretch);
        Ok(self.rows(mean.mean, &what)?.row(scatter, 1.0).finish()?)
    }

    fn rows(&self, reading: f64, what: &str) -> Result<Draft, BadDoubts> {
        let mut rows = Rows {
            channel: &self.channel,
            unit: of_differences(self.quantity),
            draft: Budget::draft(what, reading, self.quantity.si()),
        };
        self.instrument_rows(&mut rows)?;
        self.signal_rows(&mut rows)?;
        self.place_rows(reading, &mut rows)?;
        Ok(rows.draft)
    }

    fn instrument_rows(&self, rows: &mut Rows<'_>) -> Result<(), BadDoubts> {
        match &self.certificate {
            Doubt::Stated(certificate) => {
                let CertificateDoubt {
                    number,
                    expanded,
                    k,
                    common,
                } = certificate;
                let influence = rows
                    .influence(row::CERTIFICATE, rows.unit, Spread::expanded(*expanded, *k))?
                    .shared(format!("certificate {number}"), *common);
                rows.add(influence, 1.0);
                rows.half_width(row::DRIFT, self.drift)
            }
            other => {
                if *other == Doubt::Unstated {
                    rows.omit(row::CERTIFICATE);
                }
                rows.half_width(row::INSTRUMENT, self.instrument)
            }
        }
    }

    fn signal_rows(&self, rows: &mut Rows<'_>) -> Result<(), BadDoubts> {
        rows.half_width(row::OUTPUT, self.output)?;
        match &self.converter {
            Doubt::Stated(converter) => {
                let ConverterDoubt {
                    name,
                    accuracy,
                    unit,
                    slope,
                    common,
                } = converter;
                let influence = rows
                    .influence(row::CONVERTER, *unit, Spread::rectangular(*accuracy))?
                    .shared(format!("converter {name}"), *common);
                rows.add(influence, *slope);
            }
            Doubt::Unstated => rows.omit(row::CONVERTER),
            Doubt::Absent => (),
        }
        rows.spread(row::STEP, self.step, Spread::step)?;
        match self.shunt {
            // I = V/R: dI = −I·dR/R.
            Doubt::Stated(ShuntDoubt {
                tolerance,
                current,
                slope,
            }) => {
                let spread = Spread::rectangular(tolerance);
                let influence = rows.influence(row::SHUNT, Unit::One, spread)?;
                rows.add(influence, -current * slope);
            }
            Doubt::Unstated => rows.omit(row::SHUNT),
            Doubt::Absent => (),
        }
        Ok(())
    }

    fn place_rows(&self, reading: f64, rows: &mut Rows<'_>) -> Result<(), BadDoubts> {
        rows.half_width(row::POSITION, self.position)?;
        // A probe turned by α reads v·cos α (common practice, no source).
        let by_yaw =
            |degrees: f64| Spread::rectangular(reading.abs() * (1.0 - degrees.to_radians().cos()));
        rows.spread(row::YAW, self.yaw_deg, by_yaw)?;
        rows.half_width(row::RADIATION, self.radiation)?;
        match self.density {
            // v ∝ T/p, the ideal gas.
            Doubt::Stated(DensityDoubt {
                kelvin,
                kelvin_off,
                pascal,
                pascal_off,
            }) => {
                let off = Spread::rectangular(kelvin_off);
                let temperature = rows.influence(row::DENSITY_TEMPERATURE, Unit::Kelvin, off)?;
                rows.add(temperature, reading / kelvin);
                let off = Spread::rectangular(pascal_off);
                let pressure = rows.influence(row::DENSITY_PRESSURE, Unit::Pascal, off)?;
                rows.add(pressure, -reading / pascal);
            }
            Doubt::Unstated => {
                rows.omit(row::DENSITY_TEMPERATURE);
                rows.omit(row::DENSITY_PRESSURE);
            }
            Doubt::Absent => (),
        }
        Ok(())
    }
}

/// The scatter of a mean as a row: type A, its own for every stretch.
///
/// # Errors
/// [`BadDoubts::NoScatter`] where fewer than 8 readings or times cannot tell how correlated they are.
pub fn scatter(channel: &str, quantity: Quantity, mean: &Mean) -> Result<Influence, BadDoubts> {
    let error = mean
        .standard_error
        .ok_or_else(|| BadDoubts::NoScatter(channel.to_owned()))?;
    // One independent value shows no scatter at all: next to no degrees of freedom, so that nothing is claimed of it.
    let dof = Dof::new(error.dof())
        .or_else(|_| Dof::new(f64::EPSILON))
        .unwrap_or(Dof::INFINITE);
    let spread = Spread::scatter(error.u, dof).map_err(|why| BadDoubts::Spread {
        channel: channel.to_owned(),
        row: row::SCATTER,
        why,
    })?;
    let what = format!("{} over {}", row::SCATTER, mean.stretch);
    Ok(Influence::new(
        Origin::new(channel, what),
        of_differences(quantity),
        spread,
    ))
}

/// What rows come from, in the words of a report.
pub mod row {
    /// The calibration.
    pub const CERTIFICATE: &str = "certificate";
    /// The maker's accuracy.
    pub const INSTRUMENT: &str = "instrument";
    /// Drift.
    pub const DRIFT: &str = "drift since calibration";
    /// The analog output.
    pub const OUTPUT: &str = "analog output";
    /// The converter.
    pub const CONVERTER: &str = "converter";
    /// Its steps, or those of a text line's last digit.
    pub const STEP: &str = "steps";
    /// The shunt.
    pub const SHUNT: &str = "shunt";
    /// The probe's place.
    pub const POSITION: &str = "position";
    /// Where the flow comes from.
    pub const YAW: &str = "direction of the flow";
    /// The sensor's own temperature.
    pub const RADIATION: &str = "radiation and conduction";
    /// A meter's own density correction.
    pub const DENSITY_TEMPERATURE: &str = "temperature in the density correction";
    /// A meter's own density correction.
    pub const DENSITY_PRESSURE: &str = "pressure in the density correction";
    /// What the readings themselves show.
    pub const SCATTER: &str = "scatter";
}

/// A channel's rows in the making.
struct Rows<'a> {
    channel: &'a str,
    unit: Unit,
    draft: Draft,
}

impl Rows<'_> {
    fn half_width(&mut self, row: &'static str, doubt: Doubt<f64>) -> Result<(), BadDoubts> {
        self.spread(row, doubt, Spread::rectangular)
    }

    fn spread(
        &mut self,
        row: &'static str,
        doubt: Doubt<f64>,
        of: impl Fn(f64) -> Result<Spread, BadSpread>,
    ) -> Result<(), BadDoubts> {
        match doubt {
            Doubt::Stated(amount) => {
                let influence = self.influence(row, self.unit, of(amount))?;
                self.add(influence, 1.0);
            }
            Doubt::Unstated => self.omit(row),
            Doubt::Absent => (),
        }
        Ok(())
    }

    fn influence(
        &self,
        row: &'static str,
        unit: Unit,
        spread: Result<Spread, BadSpread>,
    ) -> Result<Influence, BadDoubts> {
        let spread = spread.map_err(|why| BadDoubts::Spread {
            channel: self.channel.to_owned(),
            row,
            why,
        })?;
        Ok(Influence::new(Origin::new(self.channel, row), unit, spread))
    }

    fn add(&mut self, influence: Influence, slope: f64) {
        self.draft.add(influence, slope);
    }

    fn omit(&mut self, row: &'static str) {
        self.draft.omit(Origin::new(self.channel, row));
    }
}

/// The unit of differences of a quantity, SI: of temperatures, K.
const fn of_differences(quantity: Quantity) -> Unit {
    match quantity {
        Quantity::Temperature => Unit::Kelvin,
        other => other.si(),
    }
}
