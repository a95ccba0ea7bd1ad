//! Which of the configured probes can measure at the expected temperature and velocity.

use std::path::PathBuf;

use anyhow::bail;
use clap::Args;
use serde_json::{Value, json};
use zonda_air::Temperature;
use zonda_config::{Config, MeterPlan};
use zonda_model::Quantity;
use zonda_model::written::Amount;
use zonda_signal::Envelope;

use crate::amount;
use crate::command::check;

/// What is expected at the place, and whose probes could go there.
#[derive(Debug, Args)]
pub(super) struct Expected {
    /// A configuration file: say which of its probes can measure there.
    #[arg(long, value_name = "FILE", requires_all = ["temperature", "velocity"])]
    config: Option<PathBuf>,
    /// The temperature expected there.
    #[arg(long, value_parser = amount::temperature, requires = "config")]
    temperature: Option<Temperature>,
    /// The velocity expected there, as the meters would show it.
    #[arg(long, value_parser = amount::any, requires = "config")]
    velocity: Option<Amount>,
}

/// What the configured meters can do at the place.
#[derive(Debug)]
pub(super) struct Fit {
    place: String,
    meters: Vec<(String, Verdict)>,
}

#[derive(Clone, Debug, PartialEq)]
enum Verdict {
    Can,
    Cannot(String),
    /// Nobody said what the probe can.
    Unknown(&'static str),
}

impl Expected {
    pub(super) fn find(&self) -> anyhow::Result<Option<Fit>> {
        let (Some(file), Some(temperature), Some(velocity)) =
            (&self.config, self.temperature, self.velocity)
        else {
            return Ok(None);
        };
        let config = match check::read(file)? {
            Ok(checked) => checked.config,
            Err(faults) => {
                check::say_faults(&faults);
                bail!("{} has mistakes; `zonda check` shows them", file.display());
            }
        };
        let speed = velocity.si(Quantity::Velocity)?;
        let meters = config
            .meters
            .iter()
            .map(|meter| {
                (
                    meter.name.to_string(),
                    verdict(&config, meter, temperature.si(), speed),
                )
            })
            .collect();
        Ok(Some(Fit {
            place: format!(
                "{} °C and {} {}",
                temperature.si(),
                velocity.value,
                velocity.unit
            ),
            meters,
        }))
    }
}

fn verdict(config: &Config, meter: &MeterPlan, celsius: f64, speed: f64) -> Verdict {
    let Some(probe) = &meter.probe else {
        return Verdict::Unknown("no probe is described");
    };
    if let Some(limit) = probe.cable_limit.filter(|limit| celsius > *limit) {
        return Verdict::Cannot(format!("its cable holds {limit} °C"));
    }
    let envelope = probe.envelope.and_then(|index| config.envelopes.get(index));
    match envelope {
        None => Verdict::Unknown("its probe has no envelope"),
        Some(plan) => within(&plan.envelope, celsius, speed),
    }
}

fn within(envelope: &Envelope, celsius: f64, speed: f64) -> Verdict {
    let Some(band) = envelope.band_at(celsius) else {
        let bands = envelope.bands();
        let (from, to) = (
            bands.first().map_or(0.0, |band| band.from),
            bands.last().map_or(0.0, |band| band.to),
        );
        return Verdict::Cannot(format!("its velocity is believed from {from} to {to} °C"));
    };
    let (min, max) = (band.velocity_min, band.velocity_max);
    if speed < min {
        Verdict::Cannot(format!("at that temperature it begins at {min:.3} m/s"))
    } else if speed > max {
        Verdict::Cannot(format!("at that temperature it ends at {max:.3} m/s"))
    } else {
        Verdict::Can
    }
}

impl Fit {
    pub(super) fn text(&self) -> String {
        let mut text = format!("Meters at {}", self.place);
        if self.meters.is_empty() {
            text.push_str("\n- the configuration has none");
        }
        for (name, verdict) in &self.meters {
            let words = match verdict {
                Verdict::Can => "can measure there".to_owned(),
                Verdict::Cannot(why) => format!("cannot: {why}"),
                Verdict::Unknown(why) => format!("unknown: {why}"),
            };
            text = format!("{text}\n- {name} {words}");
        }
        text
    }

    pub(super) fn json(&self) -> Value {
        let one = |(name, verdict): &(String, Verdict)| {
            let (can, why) = match verdict {
                Verdict::Can => (json!(true), None),
                Verdict::Cannot(why) => (json!(false), Some(why.clone())),
                Verdict::Unknown(why) => (Value::Null, Some((*why).to_owned())),
            };
            json!({ "meter": name, "can": can, "why": why })
        };
        self.meters.iter().map(one).collect()
    }
}
