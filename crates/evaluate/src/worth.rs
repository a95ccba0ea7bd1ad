//! What the figures of a survey are worth: their budgets, from the doubts of the channels.
//!
//! What the channels share, such as one converter, adds up in a mean and cancels in a difference, or is taken at the
//! worse where nobody knows. Scatter at different places is taken as independent; where all places
//! sway together, a mean is less certain than its budget says and a gradient more.
//!
//! The places that are warmest and coldest are taken as certain: where several are within their uncertainty of an
//! extreme, noise alone makes a gradient.

use zonda_model::Unit;
use zonda_uncertainty::law::{self, BadLaw};
use zonda_uncertainty::{BadBudget, Budget};

use crate::doubt::{BadDoubts, ChannelDoubts};
use crate::float;
use crate::zone::evenness::{Velocity, weights};
use crate::zone::{Evenness, Flow, Uniformity, evenness::EvennessError};

/// The budgets of a zone's figures.
#[derive(Clone, Debug, PartialEq)]
pub struct UniformityBudgets {
    /// Of the mean of each place.
    pub places: Vec<Budget>,
    /// Of the mean of the means.
    pub mean: Budget,
    /// Of the largest less the smallest mean.
    pub gradient: Budget,
    /// Of the standard deviation of the means; `None` where all are alike, as it has no slope there.
    pub sd_of_means: Option<Budget>,
    /// Of the largest reading less the setpoint, where there is one.
    pub highest: Option<Budget>,
    /// Of the smallest reading less the setpoint, where there is one.
    pub lowest: Option<Budget>,
}

/// The budgets of the evenness of velocities.
#[derive(Clone, Debug, PartialEq)]
pub struct EvennessBudgets {
    /// The figures themselves.
    pub figures: Evenness,
    /// Of v̄, by area.
    pub mean: Budget,
    /// Of s/m; `None` where all are alike.
    pub cv: Option<Budget>,
    /// Of γ.
    pub index: Budget,
}

/// Why a survey's figures have no budgets.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadWorth {
    /// Not one channel a place.
    #[error("the survey has {places} places, and doubts are stated for {channels} channels")]
    Count {
        /// Places of the survey.
        places: usize,
        /// Channels given.
        channels: usize,
    },
    /// A channel without a budget.
    #[error(transparent)]
    Doubts(#[from] BadDoubts),
    /// A figure without a budget.
    #[error(transparent)]
    Law(#[from] BadLaw),
    /// A figure without a budget.
    #[error(transparent)]
    Budget(#[from] BadBudget),
    /// Velocities without evenness.
    #[error(transparent)]
    Evenness(#[from] EvennessError),
}

impl UniformityBudgets {
    /// Of a survey whose places are read by these channels, in the places' order.
    ///
    /// # Errors
    /// [`BadWorth`]: not one channel a place, or a channel that has no budget.
    pub fn of(uniformity: &Uniformity, channels: &[ChannelDoubts]) -> Result<Self, BadWorth> {
        if uniformity.places.len() != channels.len() {
            return Err(BadWorth::Count {
                places: uniformity.places.len(),
                channels: channels.len(),
            });
        }
        let pairs = channels.iter().zip(&uniformity.places);
        let places: Vec<Budget> = pairs
            .map(|(channel, mean)| channel.of_mean(mean))
            .collect::<Result<_, _>>()?;
        let all: Vec<&Budget> = places.iter().collect();
        let equal: Vec<(f64, &Budget)> = all.iter().map(|place| (1.0, *place)).collect();
        let mean = law::mean("mean of the zone", &equal)?;
        let gradient =
            law::difference("gradient", all[uniformity.warmest], all[uniformity.coldest])?;
        let sd_of_means = (uniformity.sd_of_means > 0.0)
            .then(|| law::spread("standard deviation in space", &all))
            .transpose()?;
        let deviation = |what: &str, highest: bool| {
            let Some(deviation) = &uniformity.deviation else {
                return Ok(None);
            };
            let end = if highest {
                deviation.highest
            } else {
                deviation.lowest
            };
            let reading = channels[end.place].at(deviation.band.setpoint() + end.value)?;
            let from_setpoint = law::of(
                what,
                end.value,
                of_differences(&reading),
                &[(&reading, 1.0)],
            )?;
            Ok::<_, BadWorth>(Some(from_setpoint))
        };
        Ok(Self {
            mean,
            gradient,
            sd_of_means,
            highest: deviation("highest deviation", true)?,
            lowest: deviation("lowest deviation", false)?,
            places,
        })
    }
}

impl EvennessBudgets {
    /// Of velocities with the areas that they stand for; areas are taken as exact.
    /// ∂(s/m)/∂v_i = (v_i − m)/((n − 1)·s·m) − s/(n·m²);
    /// ∂γ/∂v_i = w_i·(Σ_j w_j·|v_j − v̄|/v̄ − σ_i + Σ_j w_j·σ_j)/(2·v̄), σ_i being the sign of v_i − v̄.
    ///
    /// # Errors
    /// [`BadWorth::Evenness`] for velocities without evenness; [`BadWorth::Law`] for mixed units.
    pub fn of(velocities: &[(Budget, f64)]) -> Result<Self, BadWorth> {
        let flow = |(velocity, area): &(Budget, f64)| Flow {
            velocity: Velocity::At(velocity.value()),
            area: *area,
        };
        let flows: Vec<Flow> = velocities.iter().map(flow).collect();
        let figures = Evenness::of(&flows)?;
        let weighted: Vec<(f64, &Budget)> = velocities.iter().map(|(v, area)| (*area, v)).collect();
        let mean = law::mean("mean velocity", &weighted)?;
        let through = |what: &str, value: f64, slopes: Vec<f64>| {
            let inputs: Vec<(&Budget, f64)> =
                velocities.iter().map(|(v, _)| v).zip(slopes).collect();
            law::of(what, value, Unit::One, &inputs)
        };
        let values: Vec<f64> = velocities.iter().map(|(v, _)| v.value()).collect();
        let cv = (figures.cv > 0.0)
            .then(|| {
                through(
                    "coefficient of variation",
                    figures.cv,
                    cv_slopes(&values, &figures),
                )
            })
            .transpose()?;
        let index_slopes = index_slopes(&values, &weights(&flows), figures.mean);
        Ok(Self {
            figures,
            mean,
            cv,
            index: through("uniformity index", figures.index, index_slopes)?,
        })
    }
}

fn cv_slopes(values: &[f64], figures: &Evenness) -> Vec<f64> {
    let (n, m) = (float::len(values.len()), figures.plain_mean);
    let s = figures.cv * m;
    let slope = |v: &f64| (v - m) / ((n - 1.0) * s * m) - s / (n * m * m);
    values.iter().map(slope).collect()
}

fn index_slopes(values: &[f64], weights: &[f64], mean: f64) -> Vec<f64> {
    // A velocity at the very mean has a slope on either side; nought is between them.
    let sign = |v: f64| {
        if v > mean {
            1.0
        } else if v < mean {
            -1.0
        } else {
            0.0
        }
    };
    let pairs = || values.iter().copied().zip(weights.iter().copied());
    let away: f64 = pairs().map(|(v, w)| w * (v - mean).abs()).sum();
    let signs: f64 = pairs().map(|(v, w)| w * sign(v)).sum();
    let slope = |(v, w): (f64, f64)| w * (away / mean - sign(v) + signs) / (2.0 * mean);
    pairs().map(slope).collect()
}

const fn of_differences(reading: &Budget) -> Unit {
    match reading.unit() {
        Unit::DegreeCelsius => Unit::Kelvin,
        other => other,
    }
}
