//! From the record's time axis to true UTC.
//!
//! The axis never runs backwards and may therefore be off UTC for a while; the record says by how
//! much, from when on. Everything that people read shows true UTC.

use zonda_model::Stamp;

/// How far the axis is from UTC, piece by piece.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Axis {
    /// From this stamp on, UTC is the axis plus so many microseconds; ascending.
    pieces: Vec<(Stamp, i64)>,
}

impl Axis {
    /// From (stamp on the axis, microseconds to add) pairs in any order. Before the first piece the
    /// axis is taken for UTC.
    pub fn new(mut pieces: Vec<(Stamp, i64)>) -> Self {
        pieces.sort_by_key(|(from, _)| *from);
        Self { pieces }
    }

    /// True UTC of a stamp on the axis.
    pub fn utc(&self, at: Stamp) -> Stamp {
        let after = self.pieces.partition_point(|(from, _)| *from <= at);
        let add = after.checked_sub(1).map_or(0, |index| self.pieces[index].1);
        Stamp::from_micros(at.micros().saturating_add(add))
    }

    /// The shortest stretch of the axis that holds every stamp whose true UTC is in `from..to`; it
    /// may hold others where the clock was stepped.
    pub fn cover(&self, from: Stamp, to: Stamp) -> (Stamp, Stamp) {
        let offsets = || self.pieces.iter().map(|(_, add)| *add).chain([0]);
        let back = |utc: Stamp, add: i64| Stamp::from_micros(utc.micros().saturating_sub(add));
        let first = back(from, offsets().max().unwrap_or(0));
        let last = back(to, offsets().min().unwrap_or(0));
        (first, last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn each_piece_holds_until_the_next() {
        let axis = Axis::new(vec![
            (Stamp::from_micros(200), 0),
            (Stamp::from_micros(100), 7),
        ]);
        let utc = |at| axis.utc(Stamp::from_micros(at)).micros();
        assert_eq!([utc(99), utc(100), utc(199), utc(200)], [99, 107, 206, 200]);
    }

    proptest! {
        #[test]
        fn the_cover_misses_nothing(
            pieces in prop::collection::vec((-1000i64..1000, -500i64..500), 0..6),
            at in -2000i64..2000, from in -2000i64..2000, length in 1i64..500,
        ) {
            let axis = Axis::new(pieces.into_iter().map(|(from, add)| (Stamp::from_micros(from), add)).collect());
            let (from, to) = (Stamp::from_micros(from), Stamp::from_micros(from + length));
            let at = Stamp::from_micros(at);
            let (first, last) = axis.cover(from, to);
            if (from..to).contains(&axis.utc(at)) {
                prop_assert!((first..last).contains(&at));
            }
        }
    }
}
