//! A night at the oven, by a clock that runs as fast as the machine can count.
//!
//! The same bench, instruments and faults as on the wires, without the wires: whoever asks gets
//! what a module's registers hold and what a meter says at a moment of the night. Faults come and go
//! by a [`Script`].

use std::collections::VecDeque;
use std::time::Duration;

use crate::bench::Bench;
use crate::fault::{BadFault, Fault, Faults, Unfit};
use crate::line::{Manner, text};
use crate::options::RigOptions;
use crate::wiring::{Wire, Wiring};

/// What goes wrong in a night, and when.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Script(Vec<Order>);

/// From this moment of the night on.
#[derive(Clone, Debug, PartialEq)]
struct Order {
    after: Duration,
    does: Does,
}

#[derive(Clone, Debug, PartialEq)]
enum Does {
    Stand(Fault),
    End(Fault),
}

/// Why a text is no [`Script`].
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadScript {
    /// A line does not begin with a time into the night.
    #[error("line {line}: `{found}` is no time into the night; write hours and minutes, `8:10`")]
    Time {
        /// Counted from 1.
        line: usize,
        /// What was there.
        found: String,
    },
    /// A line's fault cannot be read.
    #[error("line {line}: {fault}")]
    Fault {
        /// Counted from 1.
        line: usize,
        /// Why.
        fault: BadFault,
    },
}

impl Script {
    /// The night that demo and tests know: heat-up from cold, a text line that says nothing for
    /// twelve minutes, the door opened twice, a cable that falls off eight hours and ten minutes
    /// into the night and is found in the morning, a fan that stands still for a quarter of an hour.
    pub const USUAL: &'static str = "\
        3:40  door 100 %\n\
        3:44  clear door\n\
        6:30  silence display-2\n\
        6:42  clear silence display-2\n\
        8:10  cut Z2-left.velocity\n\
        9:20  door 60 %\n\
        9:25  clear door\n\
        10:35 fan 2\n\
        10:50 clear fan 2\n";

    /// From lines such as `8:10 cut Z2-left.velocity` and `9:00 clear cut Z2-left.velocity`, in any
    /// order; hours may go beyond 24.
    ///
    /// # Errors
    /// [`BadScript`] names the line.
    pub fn parse(text: &str) -> Result<Self, BadScript> {
        let mut orders = Vec::new();
        for (index, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() {
                continue;
            }
            let (time, what) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
            let line = index + 1;
            let after = hours_minutes(time).ok_or_else(|| BadScript::Time {
                line,
                found: time.to_owned(),
            })?;
            let what = what.trim();
            let read = |text: &str| {
                text.parse::<Fault>()
                    .map_err(|fault| BadScript::Fault { line, fault })
            };
            let does = match what.strip_prefix("clear ") {
                Some(fault) => Does::End(read(fault.trim())?),
                None => Does::Stand(read(what)?),
            };
            orders.push(Order { after, does });
        }
        orders.sort_by_key(|order| order.after);
        Ok(Self(orders))
    }

    /// Both scripts.
    #[must_use]
    pub fn and(mut self, other: Self) -> Self {
        self.0.extend(other.0);
        self.0.sort_by_key(|order| order.after);
        self
    }
}

fn hours_minutes(text: &str) -> Option<Duration> {
    let (hours, minutes) = text.split_once(':')?;
    let (hours, minutes) = (hours.parse::<u64>().ok()?, minutes.parse::<u64>().ok()?);
    (minutes < 60 && hours < 1000).then(|| Duration::from_mins(60 * hours + minutes))
}

/// A night that goes on.
#[derive(Debug)]
pub struct Night {
    bench: Bench,
    wiring: Wiring,
    faults: Faults,
    to_come: VecDeque<Order>,
}

impl Night {
    /// The beginning of a night.
    ///
    /// # Errors
    /// [`Unfit`]: the script names a loop, device or line that this rig has not.
    pub fn new(options: &RigOptions, wiring: Wiring, script: Script) -> Result<Self, Unfit> {
        for order in &script.0 {
            let (Does::Stand(fault) | Does::End(fault)) = &order.does;
            fault.check(&wiring)?;
        }
        Ok(Self {
            bench: Bench::new(options, &wiring),
            wiring,
            faults: Faults::default(),
            to_come: script.0.into(),
        })
    }

    /// Goes on until so long after the beginning; never back.
    pub fn advance_to(&mut self, elapsed: Duration) {
        while let Some(order) = self.to_come.pop_front_if(|order| order.after <= elapsed) {
            self.bench.advance_to(order.after);
            match order.does {
                Does::Stand(fault) => self.faults.apply(fault),
                Does::End(fault) => self.faults.clear(&fault),
            }
            self.bench.set_faults(self.faults.clone());
        }
        self.bench.advance_to(elapsed);
    }

    /// What the module's registers hold, or `None` while nothing comes from it.
    pub fn registers(&self, module: &str) -> Option<&[u16]> {
        let line = self.wiring.lines.iter().find(|line| match &line.wire {
            Wire::ModbusRtu { modules, .. } | Wire::ModbusTcp { modules, .. } => {
                modules.iter().any(|known| known.name.as_str() == module)
            }
            Wire::Text { .. } => false,
        })?;
        if self.is_silent(module) || self.is_away(line.name.as_str()) {
            return None;
        }
        self.bench.registers(module)
    }

    /// What the meter on this text line says, with its line's end, or `None` while it says nothing.
    pub fn words(&self, line: &str) -> Option<String> {
        let Wire::Text { text: wired, .. } = &self.wiring.line(line)?.wire else {
            return None;
        };
        if self.is_silent(line) || self.is_away(line) {
            return None;
        }
        let shown = self.bench.display(wired.meter.as_str())?;
        Some(text::words(wired, shown))
    }

    /// What is true now.
    pub fn truth(&self) -> crate::Truth {
        self.bench.truth()
    }

    fn is_silent(&self, device: &str) -> bool {
        Manner::of(device, &self.faults).is_silent
    }

    /// True while nothing comes over the line at all.
    fn is_away(&self, line: &str) -> bool {
        self.faults.all().iter().any(|fault| match fault {
            Fault::Unplug(name) | Fault::Refuse(name) | Fault::Blackhole(name) => {
                name.as_str() == line
            }
            _ => false,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;
    use crate::options::StartPhase;

    fn night(script: &str) -> Night {
        let options = RigOptions {
            start: StartPhase::Cold,
            ..RigOptions::new("/nowhere")
        };
        let wiring = layout::wiring(&options, ([127, 0, 0, 1], 1502).into());
        Night::new(&options, wiring, Script::parse(script).unwrap()).unwrap()
    }

    #[test]
    fn the_usual_script_fits_the_rig() {
        let usual = Script::parse(Script::USUAL).unwrap();
        assert_eq!(usual.0.len(), Script::USUAL.lines().count());
        night(Script::USUAL);
    }

    #[test]
    fn faults_come_and_go_at_their_time() {
        let mut night = night(
            "0:02 clear silence display-1\n0:01 silence display-1\n0:01 cut Z2-left.velocity",
        );
        let input = 6; // A.7, counted from 0
        let at = |night: &mut Night, seconds| {
            night.advance_to(Duration::from_secs(seconds));
            (
                night.words("display-1").is_some(),
                night.registers("A").unwrap()[input] > 3_900,
            )
        };
        assert_eq!(at(&mut night, 59), (true, true));
        assert_eq!(at(&mut night, 61), (false, false));
        assert_eq!(at(&mut night, 121), (true, false));
        assert!(night.words("display-1").unwrap().ends_with("\r\n"));
        assert_eq!(night.words("bench"), None);
        assert_eq!(night.registers("Z"), None);
    }

    #[test]
    fn the_oven_is_hot_after_the_heat_up() {
        let mut night = night("");
        night.advance_to(Duration::from_secs(2));
        assert!(night.truth().oven.zone_temperatures[1] < 60.0);
        night.advance_to(Duration::from_mins(90));
        let zones = night.truth().oven.zone_temperatures;
        assert!(
            zones.iter().all(|zone| (190.0..210.0).contains(zone)),
            "{zones:?}"
        );
    }

    #[test]
    fn mistakes_name_their_line() {
        let said = |text: &str| Script::parse(text).unwrap_err().to_string();
        assert!(said("0:01 door 10 %\n2.10 door 20 %").starts_with("line 2: `2.10` is no time"));
        assert!(said("0:61 door 10 %").contains("no time"));
        assert!(said("0:01 paint A").starts_with("line 1: `paint` is no fault"));
        let options = RigOptions::new("/nowhere");
        let wiring = layout::wiring(&options, ([127, 0, 0, 1], 1502).into());
        let script = Script::parse("0:01 silence Q").unwrap();
        assert!(Night::new(&options, wiring, script).is_err());
    }
}
