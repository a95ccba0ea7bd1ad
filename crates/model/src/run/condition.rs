//! Conditions on live values, as people write them: `Z1-left.temperature above 180 °C for 5 min`.

use std::fmt;
use std::str::FromStr;
use std::time::Duration;

use super::limits::{duration, spelled};
use crate::name::{BadName, ChannelName};
use crate::quantity::Quantity;
use crate::unit::Unit;
use crate::written::{Amount, BadWriting};

/// How a value has to stand to its limit, or to pass it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// It is above, whatever it was before.
    Above,
    /// It is below, whatever it was before.
    Below,
    /// It was not above and then is.
    RisesAbove,
    /// It was not below and then is.
    FallsBelow,
}

impl Turn {
    /// Every one, longest words first, so that none is taken for another.
    const ALL: [Self; 4] = [Self::RisesAbove, Self::FallsBelow, Self::Above, Self::Below];

    /// The words between channel and limit.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Above => "above",
            Self::Below => "below",
            Self::RisesAbove => "rises above",
            Self::FallsBelow => "falls below",
        }
    }

    /// True where `value` is on the side of `limit` that is waited for.
    pub fn is_met(self, value: f64, limit: f64) -> bool {
        match self {
            Self::Above | Self::RisesAbove => value > limit,
            Self::Below | Self::FallsBelow => value < limit,
        }
    }

    /// True where the value has to be seen on the other side first.
    pub const fn must_pass(self) -> bool {
        matches!(self, Self::RisesAbove | Self::FallsBelow)
    }
}

/// What live values have to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// A channel's value stands above or below a limit, or passes it, and stays there.
    Passes {
        /// The channel.
        channel: ChannelName,
        /// Which way.
        turn: Turn,
        /// The limit, in the unit in which it was written.
        limit: Amount,
        /// How long it has to stay; zero: its first sample is enough.
        stay: Duration,
    },
    /// The zone is steady: none of a group of channels moves by more than a band.
    Steady {
        /// The channels, all of one quantity.
        channels: Vec<ChannelName>,
        /// The width of the band, a difference of their quantity.
        within: Amount,
        /// Over how long.
        over: Duration,
    },
}

/// Why a text is no condition.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadCondition {
    /// It has another shape.
    #[error(
        "`{0}` is not a condition; write `CHANNEL above 180 °C for 5 min` (or `below`, `rises above`, `falls below`), or `CHANNEL, CHANNEL steady within 2 K over 10 min`"
    )]
    Shape(String),
    /// Not a channel's name.
    #[error("`{0}` is not the name of a channel: {1}")]
    Channel(String, BadName),
    /// Not an amount.
    #[error("the limit: {0}")]
    Limit(#[from] BadWriting),
    /// Not a length of time.
    #[error("`{0}` is not a length of time; write it as `20 s`, `5 min` or `1 h 30 min`")]
    Duration(String),
    /// Nobody records such a channel.
    #[error("there is no channel `{0}`")]
    Unknown(ChannelName),
    /// The limit has a unit of something else.
    #[error("{channel} is a {quantity}, and {unit} is none of its units")]
    Unit {
        /// The channel.
        channel: ChannelName,
        /// What it measures.
        quantity: Quantity,
        /// The unit written.
        unit: Unit,
    },
    /// A band or stretch that nothing could ever keep to.
    #[error("the band and the time of `steady` must be greater than zero")]
    Nothing,
}

impl Condition {
    /// The channels that it looks at.
    pub fn channels(&self) -> &[ChannelName] {
        match self {
            Self::Passes { channel, .. } => std::slice::from_ref(channel),
            Self::Steady { channels, .. } => channels,
        }
    }

    /// Checks it against the channels there are.
    ///
    /// # Errors
    /// A channel is unknown, or the limit has a unit of something else.
    pub fn check(
        &self,
        quantity_of: impl Fn(&ChannelName) -> Option<Quantity>,
    ) -> Result<(), BadCondition> {
        let unit = match self {
            Self::Passes { limit, .. } => limit.unit,
            Self::Steady { within, .. } => within.unit,
        };
        for channel in self.channels() {
            let quantity =
                quantity_of(channel).ok_or_else(|| BadCondition::Unknown(channel.clone()))?;
            let fits = match self {
                Self::Passes { .. } => quantity.accepts(unit),
                Self::Steady { .. } => accepts_difference(quantity, unit),
            };
            if !fits {
                return Err(BadCondition::Unit {
                    channel: channel.clone(),
                    quantity,
                    unit,
                });
            }
        }
        Ok(())
    }
}

/// Temperatures differ by K; of other quantities a difference has the same units.
fn accepts_difference(quantity: Quantity, unit: Unit) -> bool {
    match quantity {
        Quantity::Temperature => {
            quantity.accepts(unit) || Quantity::TemperatureDifference.accepts(unit)
        }
        other => other.accepts(unit),
    }
}

impl FromStr for Condition {
    type Err = BadCondition;

    fn from_str(text: &str) -> Result<Self, BadCondition> {
        if let Some((channels, rest)) = text.split_once(" steady within ") {
            return steady(text, channels, rest);
        }
        let found = Turn::ALL
            .iter()
            .find_map(|turn| Some((*turn, text.split_once(&format!(" {} ", turn.words()))?)));
        let Some((turn, (channel, rest))) = found else {
            return Err(BadCondition::Shape(text.to_owned()));
        };
        let (limit, stay) = match rest.split_once(" for ") {
            Some((limit, stay)) => (limit, span(stay)?),
            None => (rest, Duration::ZERO),
        };
        Ok(Self::Passes {
            channel: name(channel)?,
            turn,
            limit: limit.trim().parse()?,
            stay,
        })
    }
}

fn steady(text: &str, channels: &str, rest: &str) -> Result<Condition, BadCondition> {
    let shape = || BadCondition::Shape(text.to_owned());
    let (within, over) = rest.split_once(" over ").ok_or_else(shape)?;
    let within: Amount = within.trim().parse()?;
    let over = span(over)?;
    if within.value <= 0.0 || over.is_zero() {
        return Err(BadCondition::Nothing);
    }
    let channels = channels.split(',').map(name).collect::<Result<_, _>>()?;
    Ok(Condition::Steady {
        channels,
        within,
        over,
    })
}

fn name(text: &str) -> Result<ChannelName, BadCondition> {
    let text = text.trim();
    text.parse()
        .map_err(|error| BadCondition::Channel(text.to_owned(), error))
}

fn span(text: &str) -> Result<Duration, BadCondition> {
    duration(text).ok_or_else(|| BadCondition::Duration(text.trim().to_owned()))
}

impl fmt::Display for Condition {
    /// As it is read.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Passes {
                channel,
                turn,
                limit,
                stay,
            } => {
                write!(
                    f,
                    "{channel} {} {} {}",
                    turn.words(),
                    limit.value,
                    limit.unit
                )?;
                if stay.is_zero() {
                    return Ok(());
                }
                write!(f, " for {}", spelled(*stay))
            }
            Self::Steady {
                channels,
                within,
                over,
            } => {
                let names: Vec<_> = channels.iter().map(ChannelName::as_str).collect();
                write!(
                    f,
                    "{} steady within {} {} over {}",
                    names.join(", "),
                    within.value,
                    within.unit,
                    spelled(*over)
                )
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Condition, String> {
        text.parse::<Condition>().map_err(|error| error.to_string())
    }

    #[test]
    fn a_condition_is_written_as_it_is_read() {
        for text in [
            "Z1-left.temperature above 180 °C for 5 min",
            "Z1-left.temperature falls below 60 °C",
            "exhaust.velocity rises above 400 ft/min for 20 s",
            "Z1-left.temperature, Z1-right.temperature steady within 2 K over 10 min",
        ] {
            assert_eq!(read(text).unwrap().to_string(), text);
        }
    }

    #[test]
    fn what_is_wrong_is_said() {
        let said = |text| read(text).unwrap_err();
        assert!(said("Z1 hot").contains("not a condition"));
        assert!(said("Z1 above 180").contains("unit is missing"));
        assert!(said("Z1 above 180 °C for ever").contains("`ever` is not a length of time"));
        assert!(said("=1 above 180 °C").contains("not the name of a channel"));
        assert!(said("Z1 steady within 0 K over 5 min").contains("greater than zero"));
    }

    #[test]
    fn a_limit_must_be_of_the_channels_quantity() {
        let temperature = |_: &ChannelName| Some(Quantity::Temperature);
        let check = |text| read(text).unwrap().check(temperature);
        assert_eq!(check("Z1 above 356 °F"), Ok(()));
        assert_eq!(check("Z1 steady within 2 K over 5 min"), Ok(()));
        assert!(matches!(
            check("Z1 above 3 m/s"),
            Err(BadCondition::Unit { .. })
        ));
        let nobody = read("Z9 above 3 m/s").unwrap().check(|_| None);
        assert!(matches!(nobody, Err(BadCondition::Unknown(_))));
    }
}
