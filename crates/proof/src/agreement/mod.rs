//! Agreement: one meter, heard by its analog output and by its text line, must say the same.
//!
//! What a range set wrong looks like is a number that is plausible and wrong. Where the same meter is
//! heard both ways the two are put side by side over a moving stretch: the analog reading against the
//! text line's, with the delay between them found first ([`lag`]), then a straight line through the
//! pairs ([`relation`]), then what may be the cause, in words ([`cause`]). [`Watch`] says when the two
//! part and when they are well again, once each.
//!
//! The delay is stated as the analog reading's behind the text line's: above zero where the analog
//! value comes later.

pub mod cause;
pub mod lag;
pub mod relation;
mod watch;

use std::collections::VecDeque;
use std::time::Duration;

use zonda_model::{Quality, Stamp};

pub use relation::Relation;
pub use watch::{
    DIFFERENCE_TOLERANCE, Grounds, LOOKS_IN_A_ROW, News, SLOPE_TOLERANCE, Standing, Watch,
};

/// The stretch that is compared: long enough for turbulence to show a slope, short enough to say
/// before the first coffee that a range is wrong (our choice, no source).
pub const STRETCH: Duration = Duration::from_mins(5);
/// At most this many readings of each side are kept: five minutes of four a second. What comes faster
/// is thinned out, not averaged.
pub const KEPT_MAX: usize = 1200;

/// Flags with which a reading says nothing about how its range is set.
const UNFIT: Quality = Quality::OPEN_LOOP
    .union(Quality::SHORT)
    .union(Quality::UNDER_RANGE)
    .union(Quality::OVER_RANGE)
    .union(Quality::SATURATED)
    .union(Quality::NO_NUMBER)
    .union(Quality::UNCERTAIN)
    .union(Quality::HELD)
    .union(Quality::BACKLOG)
    .union(Quality::LOOP_CHECK);

/// True where a reading may be compared.
pub const fn is_fit(quality: Quality) -> bool {
    !quality.intersects(UNFIT)
}

/// Which way a reading was heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// By the analog output.
    Analog,
    /// By the text line.
    Text,
}

/// Readings of one side over the stretch, oldest first.
pub(crate) type Series = VecDeque<(Stamp, f64)>;

/// The readings of both sides over a moving stretch.
#[derive(Clone, Debug, Default)]
pub struct Comparison {
    analog: Series,
    text: Series,
}

/// What the comparison says.
#[derive(Clone, Debug, PartialEq)]
pub struct Agreement {
    /// By how many seconds the analog reading comes after the text line's; `None` where they do not
    /// move enough together to tell.
    pub delay_s: Option<f64>,
    /// How the two are related.
    pub relation: Relation,
}

impl Comparison {
    /// Takes a reading in, in the SI unit of its quantity. Those not fit for it, and those not later
    /// than the last one, are passed over.
    pub fn note(&mut self, side: Side, at: Stamp, value: f64, quality: Quality) {
        let series = match side {
            Side::Analog => &mut self.analog,
            Side::Text => &mut self.text,
        };
        let apart_min = STRETCH / u32::try_from(KEPT_MAX).unwrap_or(u32::MAX);
        // A tenth less, so that a clock that wavers thins nothing out.
        let is_next = series
            .back()
            .is_none_or(|(last, _)| at.since(*last) > apart_min.mul_f64(0.9));
        if is_fit(quality) && value.is_finite() && is_next {
            series.push_back((at, value));
        }
        let oldest = at.minus(STRETCH);
        for series in [&mut self.analog, &mut self.text] {
            while series.front().is_some_and(|(at, _)| *at < oldest) || series.len() > KEPT_MAX {
                series.pop_front();
            }
        }
    }

    /// How many readings are kept.
    pub fn kept(&self) -> usize {
        self.analog.len() + self.text.len()
    }

    /// What the stretch says.
    pub fn look(&self) -> Agreement {
        let best = lag::find(&self.text, &self.analog);
        let (delay_s, pairs) = match best {
            Some(found) => (Some(found.delay_s), found.pairs),
            None => (None, lag::pairs(&self.text, &self.analog, 0)),
        };
        Agreement {
            delay_s,
            relation: relation::of(&pairs),
        }
    }
}
