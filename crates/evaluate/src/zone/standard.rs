//! What standards say of work zones: how many probes, and which class a spread belongs to.
//!
//! These figures are remembered or seen in public text; none has been held against the printed standard. They are hints
//! for a plan, and a report prints their mark.

use std::fmt;

/// A number of places, and who asks for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suggestion {
    /// How many.
    pub count: usize,
    /// The standard and for what.
    pub source: &'static str,
}

/// IEC 60068-3-5 has 15 places above this volume, m³ (from memory).
const FIFTEEN_ABOVE: f64 = 2.0;

/// 1 ft³ in m³, exactly.
const CUBIC_FOOT: f64 = 0.028_316_846_592;

/// Up to this volume in ft³: probes for classes 1 and 2, and for classes 3 to 6. AMS2750 (from memory; revisions F and
/// later may differ).
const AMS2750: [(f64, usize, usize); 10] = [
    (3.0, 5, 5),
    (225.0, 9, 9),
    (300.0, 14, 12),
    (400.0, 16, 13),
    (600.0, 19, 14),
    (800.0, 21, 15),
    (1000.0, 23, 16),
    (2000.0, 30, 20),
    (3000.0, 34, 23),
    (4000.0, 40, 25),
];

/// How many places a zone of `volume` m³ should have, by each standard that says so. All from memory.
pub fn suggestions(volume: f64) -> Vec<Suggestion> {
    let iec = Suggestion {
        count: if volume <= FIFTEEN_ABOVE { 9 } else { 15 },
        source: "IEC 60068-3-5 (from memory)",
    };
    let feet = volume / CUBIC_FOOT;
    let row = AMS2750.iter().find(|(up_to, ..)| feet <= *up_to);
    let ams = row.into_iter().flat_map(|(_, tight, wide)| {
        [
            (*tight, "AMS2750, classes 1 and 2 (from memory)"),
            (*wide, "AMS2750, classes 3 to 6 (from memory)"),
        ]
    });
    let ams = ams.map(|(count, source)| Suggestion { count, source });
    std::iter::once(iec).chain(ams).collect()
}

/// The two columns of tolerances. They are not conversions of each other: class 3 is ±8 °C, or ±15 °F, which is 8.33 K.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Column {
    /// In °C; seen in public text.
    Celsius,
    /// In °F; class 2 seen in public text, the others from memory.
    Fahrenheit,
}

/// A uniformity class of AMS2750, 1 (tightest) to 6, in one of the columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Class {
    number: usize,
    column: Column,
}

const TOLERANCES: [(f64, f64); 6] = [
    (3.0, 5.0),
    (6.0, 10.0),
    (8.0, 15.0),
    (10.0, 20.0),
    (14.0, 25.0),
    (28.0, 50.0),
];

impl Class {
    /// All classes of a column, the tightest first.
    pub fn all(column: Column) -> impl Iterator<Item = Self> {
        (1..=TOLERANCES.len()).map(move |number| Self { number, column })
    }

    /// The tightest class that a zone with this half width is in. `half_width` is the farthest reading from the
    /// setpoint, in °C (K) or °F as the column is; with the expanded uncertainty added to it where the decision rule says so, which
    /// can change the class (JCGM 106:2012, guarded acceptance). `None` beyond the widest, or for what is no number.
    pub fn of(half_width: f64, column: Column) -> Option<Self> {
        Self::all(column).find(|class| half_width <= class.tolerance())
    }

    /// 1 to 6.
    pub const fn number(self) -> usize {
        self.number
    }

    /// The column.
    pub const fn column(self) -> Column {
        self.column
    }

    /// ± in the column's own unit; never converted.
    pub fn tolerance(self) -> f64 {
        let (celsius, fahrenheit) = TOLERANCES[self.number - 1];
        match self.column {
            Column::Celsius => celsius,
            Column::Fahrenheit => fahrenheit,
        }
    }
}

impl fmt::Display for Class {
    /// `AMS2750 class 2 (±6 °C)`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = match self.column {
            Column::Celsius => "°C",
            Column::Fahrenheit => "°F",
        };
        write!(
            f,
            "AMS2750 class {} (±{} {unit})",
            self.number,
            self.tolerance()
        )
    }
}
