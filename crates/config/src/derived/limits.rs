//! How far the numbers that stand for ever in a law may be off.

use zonda_air::Humidity;
use zonda_air::law::{Constant, Law, Moisture, State};
use zonda_air::written::StatedHumidity;
use zonda_model::Quantity;

use super::reader::Reader;
use crate::accuracy;
use crate::fault::Fault;

/// The keys, what each is about, and of what quantity; the humidity is read in its own terms.
const KEYS: [(&str, Constant, Quantity); 4] = [
    (
        "temperature_accuracy",
        Constant::Temperature,
        Quantity::Temperature,
    ),
    ("pressure_accuracy", Constant::Pressure, Quantity::Pressure),
    ("static_accuracy", Constant::Gauge, Quantity::Pressure),
    ("inlet_accuracy", Constant::Inlet, Quantity::Temperature),
];
const HUMIDITY: &str = "humidity_accuracy";

impl Reader<'_, '_, '_> {
    /// Every limit that is stated; one of a number that is none, or is not there, is refused.
    pub(super) fn limits(&mut self, law: &Law) -> Vec<(Constant, f64)> {
        let mut limits = Vec::new();
        for (key, constant, quantity) in KEYS {
            let read = |text: &str| accuracy::difference(text, quantity);
            if let Some(at) = self.section.read(key, read, self.faults)
                && self.is_a_number(key, law, constant)
            {
                limits.push((constant, at.value));
            }
        }
        let stated = state(law).and_then(|state| match state.moisture {
            Moisture::Stated(stated) => Some(stated.humidity),
            Moisture::Relative { .. } => None,
        });
        let read = |text: &str| humidity(text, stated);
        if let Some(at) = self.section.read(HUMIDITY, read, self.faults)
            && self.is_a_number(HUMIDITY, law, Constant::Humidity)
        {
            limits.push((Constant::Humidity, at.value));
        }
        limits
    }

    fn is_a_number(&mut self, key: &str, law: &Law, constant: Constant) -> bool {
        if law.moved(constant, 0.0).is_some() {
            return true;
        }
        let what = format!("`{key}` goes with a number, and there is none here");
        let help = "leave it out: how well a channel is known stands with that channel";
        self.faults
            .push(Fault::new(self.section.place(key), what).help(help));
        false
    }
}

const fn state(law: &Law) -> Option<&State> {
    match law {
        Law::Velocity(_, state, _) | Law::Density(state) | Law::DewPoint(state) => Some(state),
        Law::VolumeFlow(stream)
        | Law::StandardFlow(stream, _)
        | Law::MassFlow(stream)
        | Law::Heat(stream, _) => stream.state.as_ref(),
        _ => None,
    }
}

/// A limit in the terms of the humidity that it is of.
fn humidity(text: &str, stated: Option<Humidity>) -> Result<f64, String> {
    if let Some(Humidity::DewPoint(_)) = stated {
        return accuracy::difference(text, Quantity::Temperature);
    }
    let read = text.parse::<StatedHumidity>().ok();
    let limit = match (stated, read.map(|read| (read.humidity, read.at))) {
        (Some(Humidity::Relative(_)) | None, Some((Humidity::Relative(limit), None)))
        | (Some(Humidity::Ratio(_) | Humidity::Dry) | None, Some((Humidity::Ratio(limit), None))) => {
            Some(limit)
        }
        _ => None,
    };
    limit.filter(|limit| *limit >= 0.0).ok_or_else(|| {
        format!(
            "`{text}` is no limit of that humidity; say it in the same terms, such as `10 %` of a relative one or `2 g/kg`"
        )
    })
}
