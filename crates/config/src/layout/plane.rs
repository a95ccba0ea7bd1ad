//! A layout as a flat picture: its outline, and where on it each point stands.

use zonda_air::duct::Shape;
use zonda_evaluate::zone::WorkZone;

use super::{LayoutForm, LayoutPlan};

/// A layout seen from one side. Lengths are m, places run from the upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane {
    /// From which side: `above` or `front`; a duct is seen along the flow, from the `front`.
    pub side: &'static str,
    /// Across.
    pub width: f64,
    /// From top to bottom.
    pub height: f64,
    /// True where the outline is round, false where it has corners.
    pub is_round: bool,
    /// Diameter of the core of an annular duct.
    pub core: Option<f64>,
    /// Right of the left edge and below the upper one, in the order of the points.
    pub places: Vec<(f64, f64)>,
}

impl LayoutPlan {
    /// Its picture: a duct's cross-section; a zone from above, or from the front where points would lie
    /// on each other.
    pub fn plane(&self) -> Plane {
        match &self.form {
            LayoutForm::Duct { traverse, .. } => {
                let shape = traverse.shape();
                let (width, height, is_round, core) = match shape {
                    Shape::Rectangular(it) => (it.width().si(), it.height().si(), false, None),
                    Shape::Circular(it) => (it.diameter().si(), it.diameter().si(), true, None),
                    Shape::Annular(it) => (
                        it.outer().si(),
                        it.outer().si(),
                        true,
                        Some(it.inner().si()),
                    ),
                };
                let points = traverse.points().iter().map(|point| (point.x, point.y));
                picture("front", (width, height), is_round, core, points.collect())
            }
            LayoutForm::Zone(layout) => {
                let [width, depth, tall] = layout.zone().sizes();
                let is_drum = matches!(layout.zone(), WorkZone::Drum(_));
                let seen = |axis: usize| -> Vec<(f64, f64)> {
                    let places = layout.places().iter();
                    places.map(|place| (place.at[0], place.at[axis])).collect()
                };
                let above = seen(1);
                if is_apart(&above) {
                    return picture("above", (width, depth), is_drum, None, above);
                }
                picture("front", (width, tall), false, None, seen(2))
            }
        }
    }
}

fn picture(
    side: &'static str,
    (width, height): (f64, f64),
    is_round: bool,
    core: Option<f64>,
    from_middle: Vec<(f64, f64)>,
) -> Plane {
    let from_corner = |(x, y): (f64, f64)| (width / 2.0 + x, height / 2.0 - y);
    Plane {
        side,
        width,
        height,
        is_round,
        core,
        places: from_middle.into_iter().map(from_corner).collect(),
    }
}

/// True where no two places are the same, to a millimetre.
fn is_apart(places: &[(f64, f64)]) -> bool {
    let same =
        |a: &(f64, f64), b: &(f64, f64)| (a.0 - b.0).abs() < 1e-3 && (a.1 - b.1).abs() < 1e-3;
    places
        .iter()
        .enumerate()
        .all(|(index, place)| places[..index].iter().all(|other| !same(place, other)))
}
