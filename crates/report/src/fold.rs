//! A long list of stretches, folded so that a person can read it: what lies near together is told as one, with
//! how much it holds. Nothing is dropped; the longer the list, the wider is what counts as near.

use std::collections::BTreeMap;

use zonda_model::Stamp;

/// Stretches of the same kind told as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece {
    /// From the first one's beginning.
    pub from: Stamp,
    /// To the last one's end.
    pub to: Stamp,
    /// What they hold together.
    pub count: i64,
    /// How many they are.
    pub stretches: i64,
}

/// Stretches under way, by what they have in common. Those of a kind come in order of their beginnings.
#[derive(Clone, Debug)]
pub struct Fold<K> {
    /// Stretches of a kind that are not further apart are one piece.
    near_us: i64,
    /// Pieces that are held at most, of all kinds together; kinds themselves are not folded.
    most: usize,
    held: usize,
    kinds: BTreeMap<K, Vec<Piece>>,
}

impl<K: Ord> Fold<K> {
    /// At most so many pieces.
    pub const fn new(most: usize) -> Self {
        Self {
            near_us: 0,
            most,
            held: 0,
            kinds: BTreeMap::new(),
        }
    }

    /// Takes a stretch; one that begins within `touching` of the one before goes on with it.
    pub fn take(&mut self, kind: K, (from, to): (Stamp, Stamp), count: i64, touching_us: i64) {
        let pieces = self.kinds.entry(kind).or_default();
        match pieces.last_mut() {
            Some(last) if from.micros() - last.to.micros() <= touching_us => {
                last.to = last.to.max(to);
                last.count += count;
            }
            Some(last) if from.micros() - last.to.micros() <= self.near_us => {
                last.to = last.to.max(to);
                last.count += count;
                last.stretches += 1;
            }
            _ => {
                pieces.push(Piece {
                    from,
                    to,
                    count,
                    stretches: 1,
                });
                self.held += 1;
            }
        }
        while self.held > self.most && self.held > self.kinds.len() {
            self.widen();
        }
    }

    /// Four times as far apart is near, too.
    fn widen(&mut self) {
        /// Where the first fold begins.
        const SECOND_US: i64 = 1_000_000;
        self.near_us = self.near_us.saturating_mul(4).max(SECOND_US);
        for pieces in self.kinds.values_mut() {
            let mut folded: Vec<Piece> = Vec::with_capacity(pieces.len());
            for piece in pieces.drain(..) {
                match folded.last_mut() {
                    Some(last) if piece.from.micros() - last.to.micros() <= self.near_us => {
                        last.to = last.to.max(piece.to);
                        last.count += piece.count;
                        last.stretches += piece.stretches;
                    }
                    _ => folded.push(piece),
                }
            }
            *pieces = folded;
        }
        self.held = self.kinds.values().map(Vec::len).sum();
    }

    /// How far apart stretches may be that are told as one, in seconds; none where each stands by itself.
    pub fn near_s(&self) -> Option<f64> {
        (self.near_us > 0).then(|| Stamp::from_micros(self.near_us).seconds())
    }

    /// The pieces, by kind and then time.
    pub fn pieces(&self) -> impl Iterator<Item = (&K, &Piece)> {
        let kinds = self.kinds.iter();
        kinds.flat_map(|(kind, pieces)| pieces.iter().map(move |piece| (kind, piece)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn second(s: i64) -> Stamp {
        Stamp::from_micros(s * 1_000_000)
    }

    #[test]
    fn samples_that_follow_each_other_are_one_stretch() {
        let mut fold = Fold::new(10);
        for s in [0, 1, 2, 5, 6, 100] {
            fold.take("a", (second(s), second(s)), 1, 1_500_000);
        }
        let told: Vec<_> = fold
            .pieces()
            .map(|(_, piece)| (piece.from, piece.to, piece.count, piece.stretches))
            .collect();
        let wanted = [(0, 2, 3), (5, 6, 2), (100, 100, 1)];
        assert_eq!(
            told,
            wanted.map(|(from, to, count)| (second(from), second(to), count, 1))
        );
        assert_eq!(fold.near_s(), None);
    }

    proptest! {
        /// However much is folded: every stretch and all that it holds is told, pieces of a kind do not overlap,
        /// and the list stays short.
        #[test]
        fn nothing_is_lost(starts in proptest::collection::vec((0_u8..3, 1_i64..100_000, 1_i64..50), 1..400)) {
            let mut fold = Fold::new(20);
            let mut at = [0_i64; 3];
            for (kind, wait, count) in &starts {
                let place = &mut at[usize::from(*kind)];
                *place += wait;
                fold.take(*kind, (second(*place), second(*place + 1)), *count, 0);
                *place += 2;
            }
            let pieces: Vec<_> = fold.pieces().collect();
            prop_assert!(pieces.len() <= 20);
            prop_assert_eq!(pieces.iter().map(|(_, piece)| piece.count).sum::<i64>(), starts.iter().map(|start| start.2).sum::<i64>());
            prop_assert_eq!(pieces.iter().map(|(_, piece)| piece.stretches).sum::<i64>(), i64::try_from(starts.len()).unwrap());
            for pair in pieces.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
                prop_assert!(pair[0].1.to < pair[1].1.from);
            }
        }
    }
}
