//! The probe's stem is in the way: how much of the duct it blocks.

use super::shape::Shape;
use super::traverse::{Point, Traverse, narrowest};
use crate::quantity::Length;
use crate::velocity::Velocity;

/// How much of the cross-section a stem takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blockage {
    ratio: f64,
}

/// Why a probe does not fit.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ProbeError {
    /// More stem inside than there is duct.
    #[error(
        "{immersed} m of the probe cannot be inside a duct that is {depth} m deep; state the length inside the wall"
    )]
    LongerThanDuct {
        /// Length inside, m.
        immersed: f64,
        /// From wall to wall, m.
        depth: f64,
    },
    /// The stem fills the duct.
    #[error("a stem of {stem} m does not fit into a duct that is {width} m wide")]
    TooThick {
        /// Diameter of the stem, m.
        stem: f64,
        /// The narrowest way between walls, m.
        width: f64,
    },
    /// The probe does not reach all points.
    #[error(
        "the probe reaches {reach} m inside the duct, but point {point} lies at {insertion:.4} m; use a longer probe or measure from both sides"
    )]
    TooShort {
        /// How far it reaches, m.
        reach: f64,
        /// The point.
        point: usize,
        /// Where that lies, m.
        insertion: f64,
    },
}

impl Blockage {
    /// Above this share the correction belongs in the report: 3 % (from memory; US EPA Method 2 asks for it there).
    pub const NOTICEABLE: f64 = 0.03;

    /// Of a round stem of diameter `stem` (m) that is `immersed` (m) inside the duct: d L/A.
    ///
    /// # Errors
    /// [`ProbeError::LongerThanDuct`], [`ProbeError::TooThick`].
    pub fn of(stem: Length, immersed: Length, shape: Shape) -> Result<Self, ProbeError> {
        let depth = shape.depth().si();
        // A rule's last point may lie on the depth itself but for the last digit.
        if immersed.si() > depth * (1.0 + 1e-12) {
            return Err(ProbeError::LongerThanDuct {
                immersed: immersed.si(),
                depth,
            });
        }
        if stem.si() >= narrowest(shape) {
            return Err(ProbeError::TooThick {
                stem: stem.si(),
                width: narrowest(shape),
            });
        }
        Ok(Self {
            ratio: stem.si() * immersed.si() / shape.area().si(),
        })
    }

    /// At each point of a traverse, in the order of the points, for a probe that reaches `reach` m.
    ///
    /// # Errors
    /// [`ProbeError::TooShort`] where a point lies beyond the reach; [`ProbeError::TooThick`].
    pub fn along(
        traverse: &Traverse,
        stem: Length,
        reach: Length,
    ) -> Result<Vec<Self>, ProbeError> {
        traverse
            .points()
            .iter()
            .map(|point| {
                if point.insertion > reach.si() {
                    let Point {
                        number, insertion, ..
                    } = *point;
                    return Err(ProbeError::TooShort {
                        reach: reach.si(),
                        point: number,
                        insertion,
                    });
                }
                Self::of(stem, Length::made(point.insertion), traverse.shape())
            })
            .collect()
    }

    /// The share of the cross-section, 0 to 1.
    pub const fn ratio(self) -> f64 {
        self.ratio
    }

    /// The velocity that there would be without the stem, v (1 − d L/A), by continuity: the air has to pass
    /// through what is left.
    ///
    /// An estimate (common practice, no source) and the most that can be: a tip well before its stem feels
    /// less. Count the correction itself as evenly spread between nothing and twice itself.
    pub fn corrected(self, velocity: Velocity) -> Velocity {
        Velocity::made(velocity.si() * (1.0 - self.ratio), velocity.basis())
    }

    /// Relative standard uncertainty of that correction, (d L/A)/√3.
    pub fn u_rel(self) -> f64 {
        self.ratio / 3f64.sqrt()
    }
}
