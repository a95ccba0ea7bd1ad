//! How even a zone was: the figures of a survey, each with a name and a definition of its own.

use std::time::Duration;

use zonda_model::{Quantity, Stamp};

use crate::band::Band;
use crate::mean::Mean;
use crate::soak::Soak;
use crate::stretch::Stretch;

/// A value at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct At<T> {
    /// The number of the place, from 0.
    pub place: usize,
    /// What was there.
    pub value: T,
}

/// The spread of one scan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// When.
    pub at: Stamp,
    /// max_j x_jk − min_j x_jk.
    pub value: f64,
    /// The place with the largest reading.
    pub warmest: usize,
    /// The place with the smallest reading.
    pub coldest: usize,
}

/// How far readings were from the setpoint, and how long all places were within tolerance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deviation {
    /// The setpoint and its tolerance.
    pub band: Band,
    /// max_jk x_jk − setpoint, with its sign.
    pub highest: At<f64>,
    /// min_jk x_jk − setpoint, with its sign.
    pub lowest: At<f64>,
    /// Time in which all places were within tolerance.
    pub within: Soak,
}

impl Deviation {
    /// max(|highest|, |lowest|): the tolerance that would hold for every reading. AMS2750's measure of uniformity (from
    /// memory).
    pub fn half_width(&self) -> f64 {
        self.highest.value.abs().max(self.lowest.value.abs())
    }
}

/// How even a zone was over a stretch. Values in the SI unit of the quantity; differences of temperatures in K.
#[derive(Clone, Debug, PartialEq)]
pub struct Uniformity {
    /// What all places measure.
    pub quantity: Quantity,
    /// The stretch.
    pub stretch: Stretch,
    /// Scans in which every place had a used reading.
    pub complete: u64,
    /// Scans in which at least one had none.
    pub incomplete: u64,
    /// The mean of each place, with its scatter, extremes and coverage.
    pub places: Vec<Mean>,
    /// The mean of the means m_j.
    pub mean: f64,
    /// The sample standard deviation of the means m_j.
    pub sd_of_means: f64,
    /// The place with the largest mean.
    pub warmest: usize,
    /// The place with the smallest mean.
    pub coldest: usize,
    /// max_j m_j − min_j m_j.
    pub gradient: f64,
    /// max_j |m_j − m_centre|; `None` where no place is in the middle.
    pub from_centre: Option<At<f64>>,
    /// The steepest difference of means between two places over the distance between them, per m.
    pub steepest: f64,
    /// The scan with the largest spread; `None` without a complete scan.
    pub spread: Option<Spread>,
    /// The mean of the spreads of all complete scans.
    pub spread_mean: Option<f64>,
    /// max_jk x_jk − min_jk x_jk, space and time together.
    pub overall: f64,
    /// max_j (max_k x_jk − min_k x_jk).
    pub fluctuation: At<f64>,
    /// From the setpoint, where there is one.
    pub deviation: Option<Deviation>,
    /// The longest time between the first and the last reading of a scan.
    pub skew: Duration,
    /// The slope of the straight line through the means of the complete scans, per second.
    pub drift: f64,
    /// |drift|·skew: the spread that reading one place after the other can have made.
    pub skew_spread: f64,
}

/// A figure with its name and definition, as a report prints it.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// What it is called here.
    pub name: &'static str,
    /// How it is defined.
    pub definition: &'static str,
    /// The value, in the SI unit of the quantity.
    pub value: f64,
}

impl Uniformity {
    /// Every figure with its definition: "the uniformity" of one survey differs by a factor of two between them.
    pub fn figures(&self) -> Vec<Figure> {
        let figure = |name, definition, value| Figure {
            name,
            definition,
            value,
        };
        let deviation = self.deviation.iter().flat_map(|deviation| {
            [
                figure(
                    "highest deviation",
                    "largest reading of any place at any time less the setpoint",
                    deviation.highest.value,
                ),
                figure(
                    "lowest deviation",
                    "smallest reading of any place at any time less the setpoint",
                    deviation.lowest.value,
                ),
                figure(
                    "half width",
                    "the larger of the two deviations without its sign",
                    deviation.half_width(),
                ),
            ]
        });
        let spread = self.spread.map(|spread| {
            figure(
                "instantaneous spread",
                "largest less smallest reading of one scan, in the scan where that is largest",
                spread.value,
            )
        });
        let centre = self.from_centre.map(|from| {
            figure(
                "variation in space",
                "largest difference between the time mean of a place and that of the centre",
                from.value,
            )
        });
        deviation
            .chain(spread)
            .chain(centre)
            .chain([
                figure("overall spread", "largest less smallest reading of any place at any time; mixes space and time", self.overall),
                figure("fluctuation", "largest less smallest reading of one place over time, at the place where that is largest", self.fluctuation.value),
                figure("gradient", "largest less smallest time mean of a place", self.gradient),
                figure("standard deviation in space", "sample standard deviation of the time means of the places", self.sd_of_means),
            ])
            .collect()
    }
}
