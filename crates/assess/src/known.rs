//! How well means are known: a channel's doubts by its configuration and the scatter of what was read; a derived channel's by
//! those of its inputs.

use std::collections::BTreeMap;

use jiff::civil::Date;
use zonda_config::derived::Constant;
use zonda_config::{Config, DerivedPlan};
use zonda_evaluate::doubt::{self, BadDoubts, ChannelDoubts};
use zonda_evaluate::uncertainty::{BadBudget, Budget, Influence, Origin, Spread};
use zonda_evaluate::{Doubt, Mean};

use crate::doubts;
use crate::intake::Feed;
use crate::work::Scene;

/// What a mean came to: with its budget, or without where too few readings tell their scatter.
pub(crate) enum Known {
    /// With its uncertainty.
    Well(Budget),
    /// Without, and why.
    Barely(String),
}

/// Means by channel, for derived ones.
pub(crate) type Means<'a> = BTreeMap<&'a str, f64>;

/// What the configuration says of a channel that reads `value`.
pub(crate) fn doubts_of(scene: &Scene<'_>, feed: &Feed, value: f64) -> ChannelDoubts {
    let found = scene.past.channel(feed.name.as_str());
    let said = found.and_then(|(config, index)| doubts::of(config, index, value, scene.day()));
    said.unwrap_or_else(|| unknown(feed))
}

/// Nothing is known of it: its certificate stands for all that is not.
fn unknown(feed: &Feed) -> ChannelDoubts {
    ChannelDoubts {
        drift: Doubt::Absent,
        output: Doubt::Absent,
        converter: Doubt::Absent,
        step: Doubt::Absent,
        ..ChannelDoubts::new(feed.name.to_string(), feed.quantity)
    }
}

/// The mean of a channel, with what is known of it.
pub(crate) fn of_mean(scene: &Scene<'_>, feed: &Feed, mean: &Mean, means: &Means<'_>) -> Known {
    let found = scene.past.channel(feed.name.as_str());
    let derived = found.and_then(|(config, index)| Some((config, law(config, index)?)));
    let budget = match derived {
        Some((config, plan)) => derived_mean((config, scene.day()), plan, feed, mean, means),
        None => doubts_of(scene, feed, mean.mean).of_mean(mean),
    };
    match budget {
        Ok(budget) => Known::Well(budget),
        Err(why) => Known::Barely(why.to_string()),
    }
}

fn law(config: &Config, channel: usize) -> Option<&DerivedPlan> {
    config.derived.iter().find(|plan| plan.channel == channel)
}

/// The channels that a channel is worked out from, down to the measured ones.
pub(crate) fn sources(scene: &Scene<'_>, feed: &Feed) -> Vec<String> {
    let mut names = Vec::new();
    if let Some((config, index)) = scene.past.channel(feed.name.as_str()) {
        gather(config, index, &mut names);
    }
    names
}

fn gather(config: &Config, channel: usize, names: &mut Vec<String>) {
    let Some(plan) = law(config, channel) else {
        return;
    };
    for input in &plan.inputs {
        if let Some(channel) = config.channels.get(*input) {
            let name = channel.name.to_string();
            if !names.contains(&name) {
                names.push(name);
            }
            gather(config, *input, names);
        }
    }
}

/// The derived channel's own scatter, and what is doubtful about its inputs at their means.
fn derived_mean(
    (config, day): (&Config, Date),
    plan: &DerivedPlan,
    feed: &Feed,
    mean: &Mean,
    means: &Means<'_>,
) -> Result<Budget, BadDoubts> {
    let what = format!("mean of {}", feed.name);
    let of_inputs = through_law((config, day), plan, feed.name.as_str(), means)?;
    let scatter = doubt::scatter(feed.name.as_str(), feed.quantity, mean)?;
    let draft = Budget::draft(what, mean.mean, feed.quantity.si()).row(scatter, 1.0);
    let draft = match &of_inputs {
        Some(budget) => draft.through(budget, 1.0),
        None => draft.omitting(Origin::new(feed.name.to_string(), "its inputs")),
    };
    Ok(draft.finish()?)
}

/// The budget of what a channel (an index into [`Config::channels`]) reads on a day, where the channels read `values` (SI), by name.
///
/// A measured channel's is that of its own doubts; a derived one's is its law's at the inputs' readings, with the doubts of each input
/// through the law's slope there. What inputs share, such as a converter or a certificate, is one cause in it. A single reading's own
/// noise is not in it, nor is the error of the model of air.
///
/// # Errors
/// [`BadDoubts`] for a figure that cannot be; `None` where there is no such channel, an input has no reading, or the law no value.
pub fn of_reading(
    config: &Config,
    channel: usize,
    values: &BTreeMap<&str, f64>,
    on: Date,
) -> Result<Option<Budget>, BadDoubts> {
    let Some(plan) = config.channels.get(channel) else {
        return Ok(None);
    };
    let name = plan.name.as_str();
    if let Some(law) = law(config, channel) {
        return through_law((config, on), law, name, values);
    }
    let read = values.get(name).copied();
    let doubts = read.and_then(|value| Some((value, doubts::of(config, channel, value, on)?)));
    doubts.map(|(value, doubts)| doubts.at(value)).transpose()
}

/// The law at the means of its inputs; `None` where one has no mean or the law no value there.
fn through_law(
    (config, day): (&Config, Date),
    plan: &DerivedPlan,
    name: &str,
    means: &Means<'_>,
) -> Result<Option<Budget>, BadDoubts> {
    let mut inputs = Vec::new();
    let mut values = Vec::new();
    for index in &plan.inputs {
        let Some(channel) = config.channels.get(*index) else {
            return Ok(None);
        };
        let Some(value) = means.get(channel.name.as_str()).copied() else {
            return Ok(None);
        };
        let deeper = match law(config, *index) {
            Some(inner) => through_law((config, day), inner, channel.name.as_str(), means)?,
            None => match doubts::of(config, *index, value, day) {
                Some(doubts) => Some(doubts.at(value)?),
                None => None,
            },
        };
        let Some(budget) = deeper else {
            return Ok(None);
        };
        inputs.push(budget);
        values.push(value);
    }
    let Ok(value) = plan.law.value(&values) else {
        return Ok(None);
    };
    let unit = config.channels[plan.channel].quantity.si();
    let mut draft = Budget::draft(name, value, unit);
    for (index, input) in inputs.iter().enumerate() {
        let Some(slope) = slope(plan, &values, index, input.u()) else {
            return Ok(None);
        };
        draft = draft.through(input, slope);
    }
    for (constant, by) in &plan.limits {
        let Ok(half_width) = plan.law.half_width(&values, *constant, *by) else {
            return Ok(None);
        };
        let row = stated(*constant);
        let spread = Spread::rectangular(half_width).map_err(|why| BadDoubts::Spread {
            channel: name.to_owned(),
            row,
            why,
        })?;
        let origin = Origin::new(name, row);
        draft = draft.row(Influence::new(origin, unit, spread), 1.0);
    }
    Ok(Some(draft.finish()?))
}

/// What a number of a law is called in a budget; its limits are those of a rectangular distribution (JCGM 100:2008, 4.3.7).
const fn stated(constant: Constant) -> &'static str {
    match constant {
        Constant::Temperature => "temperature as stated",
        Constant::Pressure => "pressure as stated",
        Constant::Gauge => "static pressure as stated",
        Constant::Humidity => "humidity as stated",
        Constant::Inlet => "inlet temperature as stated",
    }
}

/// ∂f/∂xᵢ by its difference over ±u(xᵢ) (JCGM 100:2008, 5.1.3, note 2), or over a millionth where nothing is in doubt.
fn slope(plan: &DerivedPlan, values: &[f64], index: usize, u: f64) -> Option<f64> {
    let step = if u > 0.0 {
        u
    } else {
        1e-6 * values[index].abs().max(1.0)
    };
    let at = |value: f64| {
        let mut moved = values.to_vec();
        moved[index] = value;
        plan.law.value(&moved).ok()
    };
    let (above, below) = (at(values[index] + step)?, at(values[index] - step)?);
    Some((above - below) / (2.0 * step))
}

impl From<BadBudget> for Known {
    fn from(why: BadBudget) -> Self {
        Self::Barely(why.to_string())
    }
}

/// U at the level of k = 2.
pub(crate) fn expanded(budget: &Budget) -> Option<f64> {
    let expanded = budget
        .expanded(zonda_evaluate::uncertainty::Level::K2)
        .ok()?;
    Some(expanded.expanded)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENCH: &str = r#"
[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-3"
code = "uint16"
count = "1 mV"
[meter.Exhaust]
velocity = { input = "A.1", signal = "0-10 V", range = "0-20 m/s" }
temperature = { input = "A.2", signal = "0-10 V", range = "0-500 °C" }
[derived.actual]
law = "actual velocity"
velocity = "Exhaust.velocity"
basis = "standard 20 °C"
temperature = "Exhaust.temperature"
pressure = "100 kPa"
pressure_accuracy = "3 kPa"
humidity = "10 g/kg"
humidity_accuracy = "10 g/kg"
"#;

    /// By hand: v goes with 1/p of the ideal gas and p may be 3 % off, a rectangle (JCGM 100:2008, 4.3.7); ±10 g/kg about 10 g/kg of water
    /// moves v by (1 + 1.6078 W)/(1 + W), 0.592 % each way.
    #[test]
    fn what_a_law_takes_for_granted_has_its_rows() {
        let config = zonda_config::check("bench.toml", BENCH)
            .unwrap_or_else(|faults| panic!("{faults:?}"))
            .config;
        let channel = config.derived[0].channel;
        let values = BTreeMap::from([("Exhaust.velocity", 5.0), ("Exhaust.temperature", 200.0)]);
        let on = "2027-03-02".parse().unwrap();
        let budget = of_reading(&config, channel, &values, on).unwrap().unwrap();
        let share = |what: &str| {
            let mut rows = budget.rows().iter();
            let row = rows.find(|row| row.influence().origin.what == what);
            row.unwrap().contribution() / budget.value() * 3f64.sqrt()
        };
        let pressure = share(stated(Constant::Pressure));
        assert!((pressure - 0.03).abs() < 1e-4, "{pressure}");
        let humidity = share(stated(Constant::Humidity));
        assert!((humidity - 0.005_92).abs() < 5e-5, "{humidity}");
    }
}
