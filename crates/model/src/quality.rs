//! Quality: what a reading is worth. A set of flags; none set means good.

use std::fmt;

bitflags::bitflags! {
    /// Flags on a reading. Several may stand at once; none set is a good reading.
    ///
    /// A flag never changes the number; it qualifies it. The bits are stored: never renumber them,
    /// append.
    #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
    pub struct Quality: u32 {
        /// The current is in the failure band below the span (NAMUR NE 43: 3.6 mA and less).
        const OPEN_LOOP = 1 << 0;
        /// The current is in the failure band above the span (NAMUR NE 43: 21 mA and more).
        const SHORT = 1 << 1;
        /// Below the signal's span; the value is extrapolated, not clamped.
        const UNDER_RANGE = 1 << 2;
        /// Above the signal's span; the value is extrapolated, not clamped.
        const OVER_RANGE = 1 << 3;
        /// The temperature is outside every band in which the probe's velocity can be believed.
        const OUTSIDE_ENVELOPE = 1 << 4;
        /// Slower than the probe can measure at this temperature.
        const BELOW_THRESHOLD = 1 << 5;
        /// Faster than the probe can measure at this temperature.
        const ABOVE_ENVELOPE = 1 << 6;
        /// The code has not moved for longer than it plausibly can.
        const STUCK = 1 << 7;
        /// The scatter is larger than the channel's own.
        const NOISY = 1 << 8;
        /// No certificate covers this instrument.
        const UNCALIBRATED = 1 << 9;
        /// The certificate's due date has passed.
        const CALIBRATION_OVERDUE = 1 << 10;
        /// The device's answer came after the tick it belongs to.
        const LATE = 1 << 11;
        /// Made by the rig, not by a device.
        const SIMULATED = 1 << 12;
        /// The device repeats an old number and says so.
        const HELD = 1 << 13;
        /// Derived from, or judged by, a flawed input.
        const MOVED = 1 << 14;
        /// The code stands at the end of the converter's scale; the true value is unknown.
        const SATURATED = 1 << 15;
        /// The device sent no usable number (a float that is not finite, an error word in place of digits), or a law has no value for its inputs.
        const NO_NUMBER = 1 << 16;
        /// Neither measurement nor failure: inside the device's transition bands (NAMUR NE 43: 3.6 to 3.8, 20.5 to 21 mA), at the foot of a signal without a live zero while the meter's other output says nothing either, or the same moving code as the neighbouring input's.
        const UNCERTAIN = 1 << 17;
        /// One of several that waited in a buffer: the stamp is interpolated.
        const BACKLOG = 1 << 18;
        /// The first answers after the line was brought back into step.
        const RESYNCED = 1 << 19;
        /// A loop check was under way: a test signal stood on the loop, and the number is no process value.
        const LOOP_CHECK = 1 << 20;
    }
}

/// How a reading may be used, most usable first: the summary of its flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Worth {
    /// Nothing speaks against it.
    Good,
    /// A number to look at twice.
    Suspect,
    /// Below what can be measured; the number is an extrapolation.
    Under,
    /// Above what can be measured; the number is an extrapolation.
    Over,
    /// No number to be used.
    Fault,
}

impl Quality {
    /// Flags that say where a number comes from and nothing against it.
    const REMARKS: Self = Self::SIMULATED.union(Self::BACKLOG).union(Self::RESYNCED);
    const FAULTS: Self = Self::OPEN_LOOP
        .union(Self::SHORT)
        .union(Self::NO_NUMBER)
        .union(Self::LOOP_CHECK);
    const OVERS: Self = Self::OVER_RANGE
        .union(Self::ABOVE_ENVELOPE)
        .union(Self::SATURATED);
    const UNDERS: Self = Self::UNDER_RANGE.union(Self::BELOW_THRESHOLD);

    /// True where no flag speaks against the number. `simulated`, `backlog` and `resynced` are
    /// remarks about its origin and do not.
    pub const fn is_good(self) -> bool {
        self.difference(Self::REMARKS).is_empty()
    }

    /// The summary by the gravest flag.
    pub const fn worth(self) -> Worth {
        if self.intersects(Self::FAULTS) {
            Worth::Fault
        } else if self.intersects(Self::OVERS) {
            Worth::Over
        } else if self.intersects(Self::UNDERS) {
            Worth::Under
        } else if self.is_good() {
            Worth::Good
        } else {
            Worth::Suspect
        }
    }

    /// The words of the flags that stand, such as `under_range`, in the order of their bits.
    pub fn words(self) -> impl Iterator<Item = String> {
        self.iter_names().map(|(name, _)| name.to_ascii_lowercase())
    }

    /// The flag with this word, or `None`.
    pub fn from_word(word: &str) -> Option<Self> {
        let is_lower = !word.chars().any(|c| c.is_ascii_uppercase());
        is_lower
            .then(|| Self::from_name(&word.to_ascii_uppercase()))
            .flatten()
    }
}

impl fmt::Display for Quality {
    /// `good`, or the words joined by blanks.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.is_empty() {
            return f.write_str("good");
        }
        for (index, word) in self.words().enumerate() {
            if index > 0 {
                f.write_str(" ")?;
            }
            f.write_str(&word)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flag_has_a_word_that_reads_back() {
        for (_, flag) in Quality::all().iter_names() {
            let word = flag.to_string();
            assert_eq!(Quality::from_word(&word), Some(flag), "{word}");
        }
        assert_eq!(Quality::from_word("OPEN_LOOP"), None);
        assert_eq!(Quality::empty().to_string(), "good");
    }

    #[test]
    fn the_gravest_flag_decides() {
        assert_eq!(Quality::SIMULATED.worth(), Worth::Good);
        assert_eq!((Quality::SIMULATED | Quality::LATE).worth(), Worth::Suspect);
        assert_eq!(
            (Quality::UNDER_RANGE | Quality::OPEN_LOOP).worth(),
            Worth::Fault
        );
        assert_eq!(
            (Quality::UNDER_RANGE | Quality::NOISY).worth(),
            Worth::Under
        );
        assert_eq!(Quality::SATURATED.worth(), Worth::Over);
    }
}
