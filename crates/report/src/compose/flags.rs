//! What the words mean that stand beside samples and gaps, for whoever reads the report and not the handbook.

use std::collections::BTreeSet;

use zonda_model::{Cause, Quality};

use super::Parts;
use crate::document::Table;

/// The flags and causes that stand in this report.
pub(super) fn meanings(parts: &Parts) -> Table {
    let mut table = Table::new(
        "What the flags of samples and the causes of gaps mean",
        &["word", "meaning"],
    )
    .small();
    let dossier = &parts.dossier;
    let flagged = dossier.accounts.iter().flat_map(|account| &account.flagged);
    let standing = flagged.fold(Quality::empty(), |all, flagged| all | flagged.quality);
    for flag in standing.iter() {
        table.row([flag.to_string(), of_flag(flag).to_owned()]);
    }
    let causes: BTreeSet<_> = dossier.gaps.iter().map(|gap| gap.cause.word()).collect();
    for cause in Cause::ALL {
        if causes.contains(cause.word()) {
            table.row([cause.word().to_owned(), of_cause(cause).to_owned()]);
        }
    }
    table
}

fn of_flag(flag: Quality) -> &'static str {
    match flag {
        Quality::OPEN_LOOP => "the current is in the failure band below the span; no measurement",
        Quality::SHORT => "the current is in the failure band above the span; no measurement",
        Quality::UNDER_RANGE => "below the signal's span; the value is extrapolated, not clamped",
        Quality::OVER_RANGE => "above the signal's span; the value is extrapolated, not clamped",
        Quality::OUTSIDE_ENVELOPE => {
            "the temperature is outside every band in which the probe's velocity can be believed"
        }
        Quality::BELOW_THRESHOLD => "slower than the probe can measure at this temperature",
        Quality::ABOVE_ENVELOPE => "faster than the probe can measure at this temperature",
        Quality::STUCK => "the reading has not moved for longer than it plausibly can",
        Quality::NOISY => "the scatter is larger than the channel's own",
        Quality::UNCALIBRATED => "no certificate covers this instrument",
        Quality::CALIBRATION_OVERDUE => "the certificate's due date had passed",
        Quality::LATE => "the device answered after the tick that the sample belongs to",
        Quality::HELD => "the device repeated an old number and said so",
        Quality::MOVED => "worked out from, or judged by, an input that was flawed itself",
        Quality::SATURATED => "at the end of the converter's scale; the true value is not known",
        Quality::NO_NUMBER => "no usable number came, or the law has none for its inputs",
        Quality::UNCERTAIN => "neither surely a measurement nor surely a failure",
        Quality::BACKLOG => "waited in a buffer with others; its time is interpolated",
        Quality::RESYNCED => "among the first answers after the line was brought back into step",
        Quality::LOOP_CHECK => "a test signal stood on the loop; no measurement",
        _ => "of a later version of the program",
    }
}

const fn of_cause(cause: Cause) -> &'static str {
    match cause {
        Cause::Timeout => "the device did not answer in time",
        Cause::NoAnswer => "the device had been silent for so long that it was asked less often",
        Cause::BadFrame => "an answer came that could not be believed",
        Cause::DeviceError => "the device answered that it could not",
        Cause::Unplugged => "the port or connection was gone",
        Cause::DiskStalled => "the disk took no data for longer than memory could bridge",
        Cause::DaemonStopped => "nobody was recording",
        Cause::ClockStepped => "the clock was set forward over this time",
        Cause::Disabled => "the channel was switched off in the configuration",
        Cause::Overrun => "the tick passed before its turn came",
        Cause::Mismatch => "another device than the configuration says was there, and was refused",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flag_that_speaks_against_a_sample_is_explained() {
        let unknown = of_flag(Quality::from_bits_retain(1 << 31));
        for flag in Quality::all()
            .iter()
            .filter(|flag| *flag != Quality::SIMULATED)
        {
            assert_ne!(of_flag(flag), unknown, "{flag}");
        }
    }
}
