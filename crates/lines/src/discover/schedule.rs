//! In which order settings and units are tried on a serial line, and how much that can be. Pure.
//!
//! All devices on one line have the same settings, so the first that answers ends the search for
//! them; the other units are then asked at these settings alone.

use std::time::Duration;

use zonda_protocol::serial::{DataBits, Parity, SerialSettings, StopBits};

/// Bytes of a request and of the answer with one register.
const EXCHANGE_BYTES: usize = 8 + 7;
/// Bytes of a request and of the longest answer.
const LONGEST_BYTES: usize = 8 + 256;
/// Requests to a unit that has answered, at most: how many registers it has in each of two tables
/// (all at once, or halved seven times), and twice what it says it is.
pub const REQUESTS_A_UNIT: usize = (1 + 7) + (2 + 7) + 2;

/// What may be tried on a line.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbePlan {
    /// In the order in which they are tried.
    pub settings: Vec<SerialSettings>,
    /// The same; each from 1 to 247.
    pub units: Vec<u8>,
    /// How long a device may take to answer, beside the wire itself.
    pub patience: Duration,
}

/// One question of the search.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Probe {
    /// At these settings.
    pub settings: SerialSettings,
    /// To this unit.
    pub unit: u8,
}

impl ProbePlan {
    /// Settings that devices have when they leave their maker, the most usual first (common practice,
    /// no source; 19 200 8E1 is the standard's default).
    pub fn usual_settings() -> Vec<SerialSettings> {
        let even = [19_200, 9600, 38_400, 115_200].map(|baud| (baud, Parity::Even));
        let none = [9600, 19_200, 38_400, 115_200, 57_600, 4800].map(|baud| (baud, Parity::None));
        let (first, rest) = even.split_at(2);
        let (usual, seldom) = none.split_at(2);
        [first, usual, rest, seldom]
            .concat()
            .into_iter()
            .filter_map(|(baud, parity)| {
                SerialSettings::new(baud, DataBits::Eight, parity, StopBits::One).ok()
            })
            .collect()
    }

    /// The most requests of the search, if nothing answers before the end.
    pub fn search_requests(&self) -> usize {
        self.settings.len() * self.units.len()
    }

    /// The most requests in all, if every unit answers at the last settings.
    pub fn requests_max(&self) -> usize {
        self.search_requests() + self.units.len() * REQUESTS_A_UNIT
    }

    /// The longest that the search can take.
    pub fn search_longest(&self) -> Duration {
        let units = u32::try_from(self.units.len()).unwrap_or(u32::MAX);
        let settings = self.settings.iter();
        settings
            .map(|settings| self.exchange(*settings, EXCHANGE_BYTES) * units)
            .sum()
    }

    /// The longest that it takes to learn more of one unit that has answered.
    pub fn unit_longest(&self) -> Duration {
        let requests = u32::try_from(REQUESTS_A_UNIT).unwrap_or(u32::MAX);
        let settings = self.settings.iter();
        settings
            // After a failure a unit is left alone for its patience before it is asked again.
            .map(|settings| (self.exchange(*settings, LONGEST_BYTES) + self.patience) * requests)
            .max()
            .unwrap_or_default()
    }

    fn exchange(&self, settings: SerialSettings, bytes: usize) -> Duration {
        settings.wire_time(bytes) + 2 * settings.rtu_silence() + self.patience
    }
}

/// The search under way.
#[derive(Clone, Debug)]
pub struct Schedule {
    plan: ProbePlan,
    settings: usize,
    unit: usize,
    is_settled: bool,
}

impl Schedule {
    /// A search that has not begun.
    pub const fn new(plan: ProbePlan) -> Self {
        Self {
            plan,
            settings: 0,
            unit: 0,
            is_settled: false,
        }
    }

    /// What to ask next.
    pub fn next_probe(&mut self) -> Option<Probe> {
        if self.unit == self.plan.units.len() {
            if self.is_settled {
                return None;
            }
            self.unit = 0;
            self.settings += 1;
        }
        let probe = Probe {
            settings: *self.plan.settings.get(self.settings)?,
            unit: *self.plan.units.get(self.unit)?,
        };
        self.unit += 1;
        Some(probe)
    }

    /// The unit that was asked last has answered: these are the line's settings.
    pub const fn answered(&mut self) {
        self.is_settled = true;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plan(settings: usize, units: Vec<u8>) -> ProbePlan {
        let usual = ProbePlan::usual_settings();
        ProbePlan {
            settings: usual.into_iter().cycle().take(settings).collect(),
            units,
            patience: Duration::from_millis(200),
        }
    }

    #[test]
    fn the_standards_default_and_the_most_usual_come_first() {
        let usual: Vec<_> = ProbePlan::usual_settings()
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            usual[..4],
            ["19200 8E1", "9600 8E1", "9600 8N1", "19200 8N1"]
        );
        assert_eq!(usual.len(), 10);
        assert_eq!(SerialSettings::MODBUS.to_string(), usual[0]);
    }

    proptest! {
        #[test]
        fn a_search_asks_no_more_than_it_said_and_stays_at_the_settings_that_answered(
            settings in 0usize..10,
            units in proptest::collection::vec(1u8..=247, 0..20),
            answers in proptest::collection::vec(0usize..10, 0..5),
            present in 0usize..20,
        ) {
            let plan = plan(settings, units.clone());
            let most = plan.search_requests();
            let mut schedule = Schedule::new(plan.clone());
            let (mut asked, mut settled) = (Vec::new(), None);
            while let Some(probe) = schedule.next_probe() {
                asked.push(probe);
                prop_assert!(asked.len() <= most);
                if let Some(settled) = settled {
                    prop_assert_eq!(probe.settings, settled);
                }
                let index = plan.settings.iter().position(|one| *one == probe.settings).unwrap();
                if answers.contains(&index) && units.iter().position(|unit| *unit == probe.unit) == Some(present) {
                    settled.get_or_insert(probe.settings);
                    schedule.answered();
                }
            }
            // Every unit is asked at the settings that answered; without any, everything is.
            match settled {
                None => prop_assert_eq!(asked.len(), most),
                Some(settled) => {
                    let there: Vec<_> = asked.iter().filter(|probe| probe.settings == settled).map(|probe| probe.unit).collect();
                    prop_assert_eq!(there, units);
                }
            }
        }
    }
}
