//! From the record's time axis to true UTC.
//!
//! The axis never runs backwards and may therefore be off UTC for a while; the record says by how
//! much, from when on. Everything that people read shows true UTC.

use crate::time::Stamp;

/// How far the axis is from UTC, piece by piece.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TrueUtc {
    /// From this stamp on, the axis is ahead of UTC by so many microseconds; ascending.
    pieces: Vec<(Stamp, i64)>,
}

impl TrueUtc {
    /// From (stamp on the axis, axis − UTC in µs from there on) pairs in any order, as the store has
    /// them. Before the first piece the axis is taken for UTC.
    pub fn new(mut pieces: Vec<(Stamp, i64)>) -> Self {
        pieces.sort_by_key(|(from, _)| *from);
        Self { pieces }
    }

    /// True UTC of a stamp on the axis.
    pub fn of(&self, at: Stamp) -> Stamp {
        let after = self.pieces.partition_point(|(from, _)| *from <= at);
        let ahead = after.checked_sub(1).map_or(0, |index| self.pieces[index].1);
        Stamp::from_micros(at.micros().saturating_sub(ahead))
    }

    /// The stretches of the axis whose true UTC lies in `from..to`, ascending and apart. One, unless
    /// the axis was set right within it.
    pub fn stretches(&self, from: Stamp, to: Stamp) -> Vec<(Stamp, Stamp)> {
        let begins = [(Stamp::from_micros(i64::MIN), 0)]
            .into_iter()
            .chain(self.pieces.iter().copied());
        let ends = self
            .pieces
            .iter()
            .map(|(begin, _)| *begin)
            .chain([Stamp::from_micros(i64::MAX)]);
        let stretch = |((begin, ahead), end): ((Stamp, i64), Stamp)| {
            let on_axis = |utc: Stamp| Stamp::from_micros(utc.micros().saturating_add(ahead));
            let stretch = (begin.max(on_axis(from)), end.min(on_axis(to)));
            (stretch.0 < stretch.1).then_some(stretch)
        };
        begins.zip(ends).filter_map(stretch).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn each_piece_holds_until_the_next() {
        let utc_of = TrueUtc::new(vec![
            (Stamp::from_micros(200), 0),
            (Stamp::from_micros(100), 7),
        ]);
        let utc = |at| utc_of.of(Stamp::from_micros(at)).micros();
        assert_eq!([utc(99), utc(100), utc(199), utc(200)], [99, 93, 192, 200]);
    }

    proptest! {
        #[test]
        fn the_stretches_hold_what_is_asked_for_and_nothing_else(
            pieces in prop::collection::vec((-1000i64..1000, -500i64..500), 0..6),
            at in -2000i64..2000, from in -2000i64..2000, length in 1i64..500,
        ) {
            let utc = TrueUtc::new(pieces.into_iter().map(|(from, ahead)| (Stamp::from_micros(from), ahead)).collect());
            let (from, to) = (Stamp::from_micros(from), Stamp::from_micros(from + length));
            let at = Stamp::from_micros(at);
            let stretches = utc.stretches(from, to);
            let holding = stretches.iter().filter(|(first, end)| (*first..*end).contains(&at)).count();
            prop_assert_eq!(holding, usize::from((from..to).contains(&utc.of(at))));
            prop_assert!(stretches.windows(2).all(|pair| pair[0].1 <= pair[1].0));
        }
    }
}
