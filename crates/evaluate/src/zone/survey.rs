//! What all probes of a zone read together, over a stretch of time.
//!
//! x_jk is the reading of place j in scan k, m_j the mean of place j over the stretch. A scan is *complete* where every place has a
//! used reading; only complete scans have a spread, since a place that is missing could be the warmest. A place with
//! too few readings is not dropped in silence: the survey is refused and names it.
//!
//! Channels of one module are read one after the other; on a ramp that alone makes a gradient. The readings carry
//! their own times, and the result says how far these lie apart and what spread that can have made at the rate
//! at which the zone drifted.

use std::time::Duration;

use zonda_model::{Quantity, Stamp};

use super::layout::Layout;
use super::uniformity::{At, Deviation, Spread, Uniformity};
use crate::band::Band;
use crate::float;
use crate::mean::{Averaging, JoinError, Mean, MeanRule, PushError, TooLittle};
use crate::moments::Moments;
use crate::reading::Reading;
use crate::soak::{InBand, Soaking};
use crate::stretch::Stretch;
use crate::sum::Sum;

/// How a zone is to be judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SurveyRule {
    /// How the mean of each place is taken.
    pub mean: MeanRule,
    /// The setpoint and its tolerance, where there is one.
    pub band: Option<Band>,
}

/// Why a scan cannot be taken, or a survey not begun.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SurveyError {
    /// One place has no spread.
    #[error("a survey needs two places at least, and the layout has {0}")]
    TooFewPlaces(usize),
    /// Not one channel for each place.
    #[error(
        "{found} channels cannot stand at {expected} places; give one for each, in their order"
    )]
    Channels {
        /// How many there are.
        found: usize,
        /// How many places there are.
        expected: usize,
    },
    /// Places that measure different things.
    #[error(
        "the place `{other}` measures {theirs} and `{one}` {ours}; all places of a survey measure the same quantity: evaluate each by itself"
    )]
    Mixed {
        /// A place.
        one: String,
        /// What it measures.
        ours: Quantity,
        /// Another place.
        other: String,
        /// What that measures.
        theirs: Quantity,
    },
    /// Not one reading for each place.
    #[error(
        "a scan has {found} readings for {expected} places; give one for each, in their order, without a value where there is none"
    )]
    Count {
        /// How many there are.
        found: usize,
        /// How many places there are.
        expected: usize,
    },
    /// Of different times.
    #[error(
        "the readings of a scan lie {skew:?} apart, more than the period of {period:?}; readings of different ticks make no scan"
    )]
    Skew {
        /// From the first to the last.
        skew: Duration,
        /// The period.
        period: Duration,
    },
    /// Out of order, or outside the stretch.
    #[error(transparent)]
    Time(#[from] PushError),
}

/// Places with too few good readings.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error(
    "{} of {count} places lack good readings ({}); measure again, or evaluate a layout without them and say so",
    places.len(), named(places)
)]
pub struct Refusal {
    /// Which places, and what they lack.
    pub places: Vec<(String, TooLittle)>,
    /// How many there are in all.
    pub count: usize,
}

fn named(places: &[(String, TooLittle)]) -> String {
    let one = |(name, lack): &(String, TooLittle)| {
        format!(
            "`{name}`: {:.1} % covered, {}",
            100.0 * lack.coverage,
            lack.tally
        )
    };
    places.iter().map(one).collect::<Vec<_>>().join("; ")
}

/// Takes the scans of a zone in order of time. Parts can be joined.
#[derive(Clone, Debug)]
pub struct Survey {
    layout: Layout,
    quantity: Quantity,
    stretch: Stretch,
    rule: SurveyRule,
    places: Vec<Averaging>,
    soaking: Soaking,
    incomplete: u64,
    spreads: Moments,
    worst: Option<Spread>,
    drift: Drift,
    skew: Duration,
    /// The values of the scan at hand.
    values: Vec<Option<f64>>,
}

impl Survey {
    /// Of the places of `layout` over `stretch`, the channel at each of which measures what `quantities` say, in the
    /// order of the layout.
    ///
    /// # Errors
    /// [`SurveyError::TooFewPlaces`] for fewer than two, [`SurveyError::Channels`] where there is not one channel for each,
    /// [`SurveyError::Mixed`] where they measure different things.
    pub fn new(
        layout: Layout,
        quantities: &[Quantity],
        stretch: Stretch,
        rule: SurveyRule,
    ) -> Result<Self, SurveyError> {
        let count = layout.places().len();
        if count < 2 {
            return Err(SurveyError::TooFewPlaces(count));
        }
        let quantity = alike(&layout, quantities)?;
        Ok(Self {
            layout,
            quantity,
            stretch,
            rule,
            places: vec![Averaging::new(stretch, rule.mean); count],
            soaking: Soaking::new(rule.mean.period),
            incomplete: 0,
            spreads: Moments::EMPTY,
            worst: None,
            drift: Drift::EMPTY,
            skew: Duration::ZERO,
            values: Vec::with_capacity(count),
        })
    }

    /// Takes one reading of each place, in the order of the layout.
    ///
    /// # Errors
    /// [`SurveyError`] for another number of readings, readings more than a period apart, out of order or outside
    /// the stretch. Nothing of the scan is taken then.
    pub fn push(&mut self, scan: &[Reading]) -> Result<(), SurveyError> {
        let (from, to) = self.check(scan)?;
        self.skew = self.skew.max(to.since(from));
        self.values.clear();
        for (place, reading) in self.places.iter_mut().zip(scan) {
            self.values.push(place.admit(reading));
        }
        let at = from.midpoint(to);
        if let Some(band) = self.rule.band {
            self.soaking.push(at, within(band, &self.values));
        }
        match spread(at, &self.values) {
            Some(spread) => self.take(spread),
            None => self.incomplete += 1,
        }
        Ok(())
    }

    fn check(&self, scan: &[Reading]) -> Result<(Stamp, Stamp), SurveyError> {
        let (found, expected) = (scan.len(), self.places.len());
        let times = scan.iter().map(|reading| reading.at);
        let (Some(from), Some(to), true) = (times.clone().min(), times.max(), found == expected)
        else {
            return Err(SurveyError::Count { found, expected });
        };
        let (skew, period) = (to.since(from), self.rule.mean.period.duration());
        if skew > period {
            return Err(SurveyError::Skew { skew, period });
        }
        for (place, reading) in self.places.iter().zip(scan) {
            place.check(reading.at)?;
        }
        Ok((from, to))
    }

    fn take(&mut self, spread: Spread) {
        self.spreads.push(spread.value);
        if self.worst.is_none_or(|worst| spread.value > worst.value) {
            self.worst = Some(spread);
        }
        let sum: f64 = self.values.iter().flatten().sum();
        self.drift
            .push(spread.at, sum / float::len(self.values.len()));
    }

    /// Joins the part that begins where this one ends, of the same places by the same rule.
    ///
    /// # Errors
    /// [`JoinError`] where the parts do not touch in this order, or are of other places or by another rule; nothing is joined.
    pub fn join(&mut self, later: Self) -> Result<(), JoinError> {
        if self.layout != later.layout || self.quantity != later.quantity || self.rule != later.rule
        {
            return Err(JoinError::OtherRule);
        }
        let mut places = self.places.clone();
        for (place, part) in places.iter_mut().zip(later.places) {
            place.join(part)?;
        }
        if let Some(place) = places.first() {
            self.stretch = place.stretch();
        }
        self.places = places;
        self.soaking.join(&later.soaking);
        self.incomplete += later.incomplete;
        self.spreads.join(&later.spreads);
        self.worst = match (self.worst, later.worst) {
            (Some(worst), Some(other)) if other.value > worst.value => Some(other),
            (one, other) => one.or(other),
        };
        self.drift.join(&later.drift);
        self.skew = self.skew.max(later.skew);
        Ok(())
    }

    /// The uniformity of what was taken.
    ///
    /// # Errors
    /// [`Refusal`] where places have less coverage than the rule asks for.
    pub fn finish(&self) -> Result<Uniformity, Refusal> {
        let (mut places, mut lacking) = (Vec::new(), Vec::new());
        for (place, averaging) in self.layout.places().iter().zip(&self.places) {
            match averaging.finish() {
                Ok(mean) => places.push(mean),
                Err(lack) => lacking.push((place.name.clone(), lack)),
            }
        }
        if !lacking.is_empty() {
            return Err(Refusal {
                places: lacking,
                count: self.places.len(),
            });
        }
        Ok(self.uniformity(places))
    }

    fn uniformity(&self, places: Vec<Mean>) -> Uniformity {
        let means: Vec<f64> = places.iter().map(|place| place.mean).collect();
        let over: Moments = means.iter().copied().collect();
        let (warmest, coldest) = (
            largest(means.iter().copied()),
            largest(means.iter().map(|m| -m)),
        );
        let high = largest(places.iter().map(|place| place.max.value));
        let low = largest(places.iter().map(|place| -place.min.value));
        let deviation = self.rule.band.map(|band| Deviation {
            band,
            highest: At {
                place: high.place,
                value: high.value - band.setpoint(),
            },
            lowest: At {
                place: low.place,
                value: -low.value - band.setpoint(),
            },
            within: self.soaking.soak(),
        });
        let from_centre = self
            .layout
            .centre()
            .map(|centre| largest(means.iter().map(|mean| (mean - means[centre]).abs())));
        Uniformity {
            quantity: self.quantity,
            stretch: self.stretch,
            complete: self.spreads.count(),
            incomplete: self.incomplete,
            mean: over.mean().unwrap_or_default(),
            sd_of_means: over.sd().unwrap_or_default(),
            warmest: warmest.place,
            coldest: coldest.place,
            gradient: warmest.value + coldest.value,
            from_centre,
            steepest: self.steepest(&means),
            spread: self.worst,
            spread_mean: self.spreads.mean(),
            overall: high.value + low.value,
            fluctuation: largest(places.iter().map(|place| place.max.value - place.min.value)),
            deviation,
            skew: self.skew,
            drift: self.drift.rate(),
            skew_spread: self.drift.rate().abs() * self.skew.as_secs_f64(),
            places,
        }
    }

    fn steepest(&self, means: &[f64]) -> f64 {
        let mut steepest: f64 = 0.0;
        for (one, a) in means.iter().enumerate() {
            for (two, b) in means.iter().enumerate().skip(one + 1) {
                let distance = self.layout.distance(one, two);
                steepest =
                    distance.map_or(steepest, |distance| steepest.max((a - b).abs() / distance));
            }
        }
        steepest
    }
}

/// What all places measure.
fn alike(layout: &Layout, quantities: &[Quantity]) -> Result<Quantity, SurveyError> {
    let (places, found) = (layout.places(), quantities.len());
    let (Some(ours), true) = (quantities.first().copied(), places.len() == found) else {
        let expected = places.len();
        return Err(SurveyError::Channels { found, expected });
    };
    match quantities
        .iter()
        .zip(places)
        .find(|(theirs, _)| **theirs != ours)
    {
        None => Ok(ours),
        Some((theirs, other)) => Err(SurveyError::Mixed {
            one: places[0].name.clone(),
            ours,
            other: other.name.clone(),
            theirs: *theirs,
        }),
    }
}

/// The largest value and its place; the first of equal ones.
fn largest(values: impl Iterator<Item = f64>) -> At<f64> {
    let first = At {
        place: 0,
        value: f64::NEG_INFINITY,
    };
    values.enumerate().fold(first, |best, (place, value)| {
        if value > best.value {
            At { place, value }
        } else {
            best
        }
    })
}

/// One reading outside is enough to know; to know that all are inside, all must be there.
fn within(band: Band, values: &[Option<f64>]) -> InBand {
    if values.iter().flatten().any(|value| !band.contains(*value)) {
        InBand::No
    } else if values.iter().all(Option::is_some) {
        InBand::Yes
    } else {
        InBand::Unknown
    }
}

fn spread(at: Stamp, values: &[Option<f64>]) -> Option<Spread> {
    let (mut warmest, mut coldest) = ((0, f64::NEG_INFINITY), (0, f64::INFINITY));
    for (place, value) in values.iter().enumerate() {
        let value = (*value)?;
        if value > warmest.1 {
            warmest = (place, value);
        }
        if value < coldest.1 {
            coldest = (place, value);
        }
    }
    Some(Spread {
        at,
        value: warmest.1 - coldest.1,
        warmest: warmest.0,
        coldest: coldest.0,
    })
}

/// The straight line through values over time; in microseconds, which are whole numbers, so that parts join exactly.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Drift {
    times: Moments,
    values: Moments,
    products: Sum,
}

impl Drift {
    const EMPTY: Self = Self {
        times: Moments::EMPTY,
        values: Moments::EMPTY,
        products: Sum::ZERO,
    };

    fn push(&mut self, at: Stamp, value: f64) {
        let micros = float::whole(at.micros());
        self.times.push(micros);
        self.values.push(value);
        self.products.add_product(micros, value);
    }

    fn join(&mut self, later: &Self) {
        self.times.join(&later.times);
        self.values.join(&later.values);
        self.products.join(later.products);
    }

    /// The slope per second; 0 where there is no time between the values.
    fn rate(&self) -> f64 {
        let (Some(time), Some(value)) = (self.times.mean(), self.values.mean()) else {
            return 0.0;
        };
        let n = float::count(self.times.count());
        let times = (self.times.sum(), time);
        let both = self
            .products
            .cross_centred(times, (self.values.sum(), value), n);
        let spread = self.times.deviations();
        if spread > 0.0 {
            1e6 * both / spread
        } else {
            0.0
        }
    }
}
