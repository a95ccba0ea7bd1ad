//! Saying it once: when the two ways of hearing a meter part, and when they are well again.

use super::cause::{self, Expected};
use super::{Agreement, Relation};

/// A slope farther from 1 than this, beyond its uncertainty, is a disagreement: an analog output and
/// its input are good for 1 % together, a range set wrong is never so near (our choice, no source).
pub const SLOPE_TOLERANCE: f64 = 0.02;
/// A mean difference larger than this share of the range, beyond its uncertainty, is one as well.
pub const DIFFERENCE_TOLERANCE: f64 = 0.02;
/// So many looks in a row must say the same: a stretch in which somebody turned a knob says all kinds of things.
pub const LOOKS_IN_A_ROW: u8 = 3;
/// Coverage factor of the uncertainties that are allowed for (JCGM 100:2008, 6.3.3: about 95 %).
const K: f64 = 2.0;

/// What a disagreement rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grounds {
    /// The mean difference alone; the readings vary too little to tell a factor.
    Difference,
    /// A line through the pairs.
    Line,
}

/// How the two stand, as far as anybody was told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Standing {
    /// Nothing could be told yet.
    #[default]
    Unknown,
    /// They agree.
    Agree,
    /// They do not.
    Apart(Grounds),
}

impl Standing {
    /// The word in the API.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Agree => "agree",
            Self::Apart(_) => "apart",
        }
    }
}

/// Something to tell.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// They disagree; why, in words.
    Apart(String),
    /// They agree again.
    Again(String),
}

/// Watches one meter's quantity that is heard both ways.
#[derive(Clone, Debug)]
pub struct Watch {
    expected: Expected,
    standing: Standing,
    wanted: Standing,
    looks: u8,
}

impl Watch {
    /// A watch over a channel of which this is expected.
    pub const fn new(expected: Expected) -> Self {
        Self {
            expected,
            standing: Standing::Unknown,
            wanted: Standing::Unknown,
            looks: 0,
        }
    }

    /// How the two stand.
    pub const fn standing(&self) -> Standing {
        self.standing
    }

    /// What the channel expects.
    pub const fn expected(&self) -> &Expected {
        &self.expected
    }

    /// Takes in what a look says; gives what there is to tell.
    pub fn note(&mut self, seen: &Agreement) -> Option<News> {
        let opinion = self.opinion(&seen.relation);
        if opinion != self.wanted {
            (self.wanted, self.looks) = (opinion, 0);
        }
        self.looks = self.looks.saturating_add(1);
        if self.looks < LOOKS_IN_A_ROW || !is_news(self.standing, opinion) {
            return None;
        }
        let before = std::mem::replace(&mut self.standing, opinion);
        match (before, opinion) {
            (_, Standing::Apart(_)) => Some(News::Apart(cause::sentence(
                &self.expected,
                &seen.relation,
            )?)),
            (Standing::Apart(_), Standing::Agree) => {
                Some(News::Again(cause::again(&self.expected, &seen.relation)?))
            }
            _ => None,
        }
    }

    /// What one look alone would say.
    fn opinion(&self, relation: &Relation) -> Standing {
        let Some(level) = relation.level() else {
            return Standing::Unknown;
        };
        let allowed = DIFFERENCE_TOLERANCE * self.expected.span_si();
        let difference = level.difference.value.abs();
        let is_far = difference - K * level.difference.u > allowed;
        let is_near = difference <= allowed;
        match relation {
            Relation::Line { slope, .. } => {
                let away = (slope.value - 1.0).abs();
                if is_far || away - K * slope.u > SLOPE_TOLERANCE {
                    Standing::Apart(Grounds::Line)
                } else if is_near && away <= SLOPE_TOLERANCE {
                    Standing::Agree
                } else {
                    Standing::Unknown
                }
            }
            _ if is_far => Standing::Apart(Grounds::Difference),
            // Near nought a wrong factor makes no difference: that can take back what a difference
            // said, and nothing else.
            _ if is_near && self.standing == Standing::Apart(Grounds::Difference) => {
                Standing::Agree
            }
            _ => Standing::Unknown,
        }
    }
}

/// True where the opinion changes what was told.
fn is_news(told: Standing, opinion: Standing) -> bool {
    match (told, opinion) {
        // Nothing is known, or less than was told.
        (_, Standing::Unknown) | (Standing::Apart(Grounds::Line), Standing::Apart(_)) => false,
        _ => told != opinion,
    }
}
