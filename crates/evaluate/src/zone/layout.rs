//! Where the probes stand in a work zone.
//!
//! The origin is the middle of the zone; x runs to the right, y away from the door, z up.

use std::f64::consts::TAU;
use std::fmt;

use crate::float;

/// The space in which the load is treated; sizes in m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WorkZone {
    /// A block.
    Block(Block),
    /// An upright cylinder.
    Drum(Drum),
}

/// A block; sizes in m, each above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Block {
    sizes: [f64; 3],
}

/// An upright cylinder; sizes in m, each above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drum {
    diameter: f64,
    height: f64,
}

/// A place for a probe.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// What it is called, such as `left front bottom`.
    pub name: String,
    /// x, y and z from the middle, m.
    pub at: [f64; 3],
}

/// How far from the zone's boundary the outer places stand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Clearance {
    /// On it, where the zone itself keeps off the walls.
    None,
    /// A tenth of each size, 50 mm at least. IEC 60068-3-5, of a chamber's walls (from memory).
    Tenth,
    /// This far, m.
    Of(f64),
}

/// The places of one zone.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    zone: WorkZone,
    places: Vec<Place>,
    centre: Option<usize>,
}

/// Why places cannot be laid out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LayoutError {
    /// No size.
    #[error(
        "a work zone cannot be {0} m wide, deep or high: each size is above 0 and below 1000 m"
    )]
    Size(f64),
    /// No distance, or more than there is room for.
    #[error(
        "places cannot keep {clearance} m from the boundary of a zone that measures {size} m there; they would meet in the middle"
    )]
    Clearance {
        /// The clearance, m.
        clearance: f64,
        /// The size that it does not fit into, m.
        size: f64,
    },
    /// Too few or too many.
    #[error("{0} places along a side or on a ring cannot be laid out: there are 1 to {PLACES_MAX}")]
    Count(usize),
    /// No places.
    #[error("a layout needs at least one place")]
    Empty,
    /// Not in the zone.
    #[error(
        "the place `{name}` at ({}, {}, {}) m is outside the zone ({zone}); coordinates run from its middle", at[0], at[1], at[2]
    )]
    Outside {
        /// Its name.
        name: String,
        /// Where it is, m.
        at: [f64; 3],
        /// The zone.
        zone: WorkZone,
    },
    /// Two of one name, or at one spot.
    #[error(
        "the places `{0}` and `{1}` have the same name or stand at the same spot; give each its own"
    )]
    Same(String, String),
}

/// The most places along a side or on a ring.
pub const PLACES_MAX: usize = 20;

impl WorkZone {
    /// A block `width` × `depth` × `height`, m.
    ///
    /// # Errors
    /// [`LayoutError::Size`] for a size that is not above 0 and below 1000 m.
    pub fn block(width: f64, depth: f64, height: f64) -> Result<Self, LayoutError> {
        let sizes = [size(width)?, size(depth)?, size(height)?];
        Ok(Self::Block(Block { sizes }))
    }

    /// An upright cylinder, m.
    ///
    /// # Errors
    /// [`LayoutError::Size`] for a size that is not above 0 and below 1000 m.
    pub fn drum(diameter: f64, height: f64) -> Result<Self, LayoutError> {
        Ok(Self::Drum(Drum {
            diameter: size(diameter)?,
            height: size(height)?,
        }))
    }

    /// V = w·d·h, or V = π·d²·h/4; m³.
    pub fn volume(self) -> f64 {
        match self {
            Self::Block(block) => block.sizes.iter().product(),
            Self::Drum(drum) => TAU * drum.diameter.powi(2) * drum.height / 8.0,
        }
    }

    /// Width, depth and height, m.
    pub const fn sizes(self) -> [f64; 3] {
        match self {
            Self::Block(block) => block.sizes,
            Self::Drum(drum) => [drum.diameter, drum.diameter, drum.height],
        }
    }

    /// True for a point in the zone or on its boundary (to 1 µm, as clearances are sums).
    pub fn contains(self, at: [f64; 3]) -> bool {
        let reaches = |distance: f64, size: f64| distance <= size / 2.0 + 1e-6;
        match self {
            Self::Block(block) => at
                .iter()
                .zip(block.sizes)
                .all(|(x, size)| reaches(x.abs(), size)),
            Self::Drum(drum) => {
                reaches(at[0].hypot(at[1]), drum.diameter) && reaches(at[2].abs(), drum.height)
            }
        }
    }
}

impl fmt::Display for WorkZone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Block(Block { sizes: [w, d, h] }) => {
                write!(f, "{w} m wide, {d} m deep, {h} m high")
            }
            Self::Drum(Drum { diameter, height }) => {
                write!(f, "{diameter} m across, {height} m high")
            }
        }
    }
}

impl Clearance {
    /// How far along one size, m.
    ///
    /// # Errors
    /// [`LayoutError::Clearance`] for a negative one, or one of half the size or more.
    pub fn along(self, size: f64) -> Result<f64, LayoutError> {
        let clearance = match self {
            Self::None => 0.0,
            Self::Tenth => (size / 10.0).max(0.05),
            Self::Of(clearance) => clearance,
        };
        if clearance >= 0.0 && clearance < size / 2.0 {
            Ok(clearance)
        } else {
            Err(LayoutError::Clearance { clearance, size })
        }
    }
}

impl Layout {
    /// The eight corners and the centre of a block; of a drum, four on its upper and four on its lower rim, and the centre.
    ///
    /// Nine places are the common layout up to 2 m³: IEC 60068-3-5 (from memory), DKD-R 5-7 (from memory).
    ///
    /// # Errors
    /// [`LayoutError::Clearance`] for a zone without room for it.
    pub fn corners_and_centre(zone: WorkZone, clearance: Clearance) -> Result<Self, LayoutError> {
        let [x, y, z] = reach(zone, clearance)?;
        let corner = |[left, front, bottom]: [bool; 3]| Place {
            name: format!(
                "{} {} {}",
                SIDES[0][usize::from(!left)],
                SIDES[1][usize::from(!front)],
                SIDES[2][usize::from(!bottom)]
            ),
            at: [
                if left { -x } else { x },
                if front { -y } else { y },
                if bottom { -z } else { z },
            ],
        };
        let bits = [true, false];
        let corners = bits.into_iter().flat_map(|bottom| {
            bits.into_iter()
                .flat_map(move |front| bits.map(|left| [left, front, bottom]))
        });
        let mut places: Vec<Place> = corners.map(corner).collect();
        places.push(centre());
        Self::own(zone, places)
    }

    /// As [`Layout::corners_and_centre`], and the middle of each of the six walls: fifteen.
    ///
    /// IEC 60068-3-5 above 2 m³ (from memory).
    ///
    /// # Errors
    /// [`LayoutError::Clearance`] for a zone without room for it.
    pub fn corners_walls_and_centre(
        zone: WorkZone,
        clearance: Clearance,
    ) -> Result<Self, LayoutError> {
        let reach = wall_reach(zone, clearance)?;
        let mut places = Self::corners_and_centre(zone, clearance)?.places;
        for (axis, names) in SIDES.iter().enumerate() {
            for (name, sign) in names.iter().zip([-1.0, 1.0]) {
                let mut at = [0.0; 3];
                at[axis] = sign * reach[axis];
                places.push(Place {
                    name: format!("{name} wall"),
                    at,
                });
            }
        }
        Self::own(zone, places)
    }

    /// The middles of `counts` equal parts along width, depth and height; called by their numbers along these, from 1.
    /// Of a drum, those that lie in it.
    ///
    /// # Errors
    /// [`LayoutError::Count`] for none, or more than [`PLACES_MAX`], along a side.
    pub fn grid(zone: WorkZone, counts: [usize; 3]) -> Result<Self, LayoutError> {
        if let Some(count) = counts
            .into_iter()
            .find(|count| !(1..=PLACES_MAX).contains(count))
        {
            return Err(LayoutError::Count(count));
        }
        let sizes = zone.sizes();
        let along = |axis: usize, i: usize| {
            sizes[axis] * ((float::len(i) + 0.5) / float::len(counts[axis]) - 0.5)
        };
        let mut places = Vec::new();
        for k in 0..counts[2] {
            for j in 0..counts[1] {
                for i in 0..counts[0] {
                    let at = [along(0, i), along(1, j), along(2, k)];
                    let name = format!("{}-{}-{}", i + 1, j + 1, k + 1);
                    places.push(Place { name, at });
                }
            }
        }
        places.retain(|place| zone.contains(place.at));
        Self::own(zone, places)
    }

    /// Rings of `count` places at the bottom, in the middle and at the top, and the centre.
    ///
    /// For drums; in a block the rings are ellipses. Common practice, no source.
    ///
    /// # Errors
    /// [`LayoutError::Count`] for fewer than 1 or more than [`PLACES_MAX`] on a ring; [`LayoutError::Clearance`].
    pub fn rings(zone: WorkZone, count: usize, clearance: Clearance) -> Result<Self, LayoutError> {
        if !(1..=PLACES_MAX).contains(&count) {
            return Err(LayoutError::Count(count));
        }
        let [x, y, z] = wall_reach(zone, clearance)?;
        let mut places = Vec::new();
        for (level, height) in [("bottom", -z), ("middle", 0.0), ("top", z)] {
            for i in 0..count {
                let angle = TAU * float::len(i) / float::len(count);
                let at = [x * libm::cos(angle), y * libm::sin(angle), height];
                places.push(Place {
                    name: format!("{level} {}", i + 1),
                    at,
                });
            }
        }
        places.push(centre());
        Self::own(zone, places)
    }

    /// One's own places.
    ///
    /// # Errors
    /// [`LayoutError::Empty`], [`LayoutError::Outside`], [`LayoutError::Same`].
    pub fn own(zone: WorkZone, places: Vec<Place>) -> Result<Self, LayoutError> {
        if places.is_empty() {
            return Err(LayoutError::Empty);
        }
        for (index, place) in places.iter().enumerate() {
            let Place { name, at } = place.clone();
            if !zone.contains(at) {
                return Err(LayoutError::Outside { name, at, zone });
            }
            let twin = |other: &&Place| other.name == name || distance(other.at, at) < 1e-6;
            if let Some(other) = places[..index].iter().find(twin) {
                return Err(LayoutError::Same(other.name.clone(), name));
            }
        }
        let is_centre = |place: &Place| distance(place.at, [0.0; 3]) < 1e-6;
        let centre = places.iter().position(is_centre);
        Ok(Self {
            zone,
            places,
            centre,
        })
    }

    /// The zone.
    pub const fn zone(&self) -> WorkZone {
        self.zone
    }

    /// The places, in order.
    pub fn places(&self) -> &[Place] {
        &self.places
    }

    /// The number of the place in the middle, from 0.
    pub const fn centre(&self) -> Option<usize> {
        self.centre
    }

    /// The distance between two places by their numbers, m; `None` for a number that is none.
    pub fn distance(&self, one: usize, two: usize) -> Option<f64> {
        Some(distance(self.places.get(one)?.at, self.places.get(two)?.at))
    }
}

const SIDES: [[&str; 2]; 3] = [["left", "right"], ["front", "back"], ["bottom", "top"]];

fn centre() -> Place {
    Place {
        name: "centre".into(),
        at: [0.0; 3],
    }
}

/// How far corners are from the middle along x, y and z; on the rim of a drum, they lie at 45° between the axes.
fn reach(zone: WorkZone, clearance: Clearance) -> Result<[f64; 3], LayoutError> {
    let [x, y, z] = wall_reach(zone, clearance)?;
    match zone {
        WorkZone::Block(_) => Ok([x, y, z]),
        WorkZone::Drum(_) => {
            let diagonal = x * std::f64::consts::FRAC_1_SQRT_2;
            Ok([diagonal, diagonal, z])
        }
    }
}

fn wall_reach(zone: WorkZone, clearance: Clearance) -> Result<[f64; 3], LayoutError> {
    let [x, y, z] = zone.sizes();
    let along = |size: f64| Ok(size / 2.0 - clearance.along(size)?);
    Ok([along(x)?, along(y)?, along(z)?])
}

fn size(size: f64) -> Result<f64, LayoutError> {
    if size > 0.0 && size < 1000.0 {
        Ok(size)
    } else {
        Err(LayoutError::Size(size))
    }
}

fn distance(one: [f64; 3], two: [f64; 3]) -> f64 {
    let square: f64 = one.iter().zip(two).map(|(a, b)| (a - b).powi(2)).sum();
    square.sqrt()
}
