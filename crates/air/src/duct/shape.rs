//! The cross-section of a duct, inside the walls (inside the lining, where there is one).

use std::f64::consts::PI;
use std::fmt;

use crate::quantity::{Area, Length};

/// A cross-section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// Round.
    Circular(Circle),
    /// Rectangular.
    Rectangular(Rectangle),
    /// Between two concentric round walls.
    Annular(Annulus),
}

/// A round duct.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circle {
    diameter: Length,
}

/// A rectangular duct; probes enter along the height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rectangle {
    width: Length,
    height: Length,
}

/// The gap between two concentric round walls; probes enter from the outer one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Annulus {
    outer: Length,
    inner: Length,
}

/// Why there is no such cross-section.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum ShapeError {
    /// The core is not smaller than the shell.
    #[error(
        "an inner diameter of {inner} m does not fit into an outer one of {outer} m; state the outer diameter of the core and the inner diameter of the shell"
    )]
    InnerNotInside {
        /// Outer diameter, m.
        outer: f64,
        /// Inner diameter, m.
        inner: f64,
    },
}

impl Shape {
    /// A round duct of inner `diameter`, m.
    pub const fn circular(diameter: Length) -> Self {
        Self::Circular(Circle { diameter })
    }

    /// A rectangular duct, m. Probes enter along `height`.
    pub const fn rectangular(width: Length, height: Length) -> Self {
        Self::Rectangular(Rectangle { width, height })
    }

    /// An annular duct between the diameters `outer` and `inner`, m.
    ///
    /// # Errors
    /// [`ShapeError::InnerNotInside`].
    pub fn annular(outer: Length, inner: Length) -> Result<Self, ShapeError> {
        if inner < outer {
            Ok(Self::Annular(Annulus { outer, inner }))
        } else {
            Err(ShapeError::InnerNotInside {
                outer: outer.si(),
                inner: inner.si(),
            })
        }
    }

    /// Area of the cross-section, m²: π D²/4, W H, or π (D_o² − D_i²)/4.
    pub fn area(self) -> Area {
        Area::made(match self {
            Self::Circular(circle) => PI / 4.0 * circle.diameter.si().powi(2),
            Self::Rectangular(rectangle) => rectangle.width.si() * rectangle.height.si(),
            Self::Annular(annulus) => {
                PI / 4.0 * (annulus.outer.si().powi(2) - annulus.inner.si().powi(2))
            }
        })
    }

    /// Hydraulic diameter 4 A/U, m: D, 2 W H/(W + H), or D_o − D_i. For a rectangle it is the equivalent
    /// diameter of US EPA Method 1, equation 1-1.
    pub fn hydraulic_diameter(self) -> Length {
        Length::made(match self {
            Self::Circular(circle) => circle.diameter.si(),
            Self::Rectangular(Rectangle { width, height }) => {
                2.0 * width.si() * height.si() / (width.si() + height.si())
            }
            Self::Annular(annulus) => annulus.outer.si() - annulus.inner.si(),
        })
    }

    /// How far a probe can reach from its port to the opposite wall, m: D, H, or the gap (D_o − D_i)/2.
    pub fn depth(self) -> Length {
        match self {
            Self::Circular(circle) => circle.diameter,
            Self::Rectangular(rectangle) => rectangle.height,
            Self::Annular(annulus) => Length::made((annulus.outer.si() - annulus.inner.si()) / 2.0),
        }
    }

    /// Relative standard uncertainty of the area from those of the dimensions, m, in the order in which they
    /// are stated and independent of each other: √Σ(∂A/∂x·u)²/A. The second of a circle is not used.
    ///
    /// Source: JCGM 100:2008, 5.1.2.
    pub fn area_u_rel(self, u: [f64; 2]) -> f64 {
        let slopes = self.area_slopes().into_iter().zip(u);
        let squares: f64 = slopes.map(|((_, slope), u)| (slope * u).powi(2)).sum();
        squares.sqrt() / self.area().si()
    }

    /// The dimensions in the order in which they are stated, each with ∂A/∂x in m² per m: π D/2; H and W; π D_o/2 and
    /// −π D_i/2.
    pub fn area_slopes(self) -> Vec<(&'static str, f64)> {
        match self {
            Self::Circular(circle) => vec![("diameter", PI / 2.0 * circle.diameter.si())],
            Self::Rectangular(Rectangle { width, height }) => {
                vec![("width", height.si()), ("height", width.si())]
            }
            Self::Annular(Annulus { outer, inner }) => vec![
                ("outer diameter", PI / 2.0 * outer.si()),
                ("inner diameter", -PI / 2.0 * inner.si()),
            ],
        }
    }

    /// The word for the shape.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Circular(_) => "circular",
            Self::Rectangular(_) => "rectangular",
            Self::Annular(_) => "annular",
        }
    }
}

impl Circle {
    /// Inner diameter, m.
    pub const fn diameter(self) -> Length {
        self.diameter
    }
}

impl Rectangle {
    /// Width, m.
    pub const fn width(self) -> Length {
        self.width
    }

    /// Height, along which probes enter, m.
    pub const fn height(self) -> Length {
        self.height
    }
}

impl Annulus {
    /// Inner diameter of the shell, m.
    pub const fn outer(self) -> Length {
        self.outer
    }

    /// Outer diameter of the core, m.
    pub const fn inner(self) -> Length {
        self.inner
    }
}

impl fmt::Display for Shape {
    /// `circular, 0.4 m` or `rectangular, 1.2 m x 0.8 m`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = self.word();
        match self {
            Self::Circular(circle) => write!(f, "{word}, {} m", circle.diameter.si()),
            Self::Rectangular(Rectangle { width, height }) => {
                write!(f, "{word}, {} m x {} m", width.si(), height.si())
            }
            Self::Annular(Annulus { outer, inner }) => {
                write!(f, "{word}, {} m outside {} m", outer.si(), inner.si())
            }
        }
    }
}
