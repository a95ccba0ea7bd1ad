//! What the configuration says of a channel's errors, at one reading: the rows of its budget.
//!
//! The rows themselves, and what they mean, are [`ChannelDoubts`]; this only fills them in. What the file
//! does not say stays unstated, and every result names it.

use jiff::civil::Date;
use zonda_config::{Accuracy, ChannelPlan, Config, Way};
use zonda_evaluate::doubt::{
    CertificateDoubt, ChannelDoubts, ConverterDoubt, DensityDoubt, Doubt, ShuntDoubt,
};
use zonda_evaluate::uncertainty::Common;
use zonda_signal::Slope;

/// The doubts of a channel (an index into [`Config::channels`]) about a reading of `value` (SI) on a day; `None` where
/// there is no such channel.
pub fn of(config: &Config, channel: usize, value: f64, on: Date) -> Option<ChannelDoubts> {
    let plan = config.channels.get(channel)?;
    let source = config.sources.get(plan.source.0)?;
    let mut doubts = ChannelDoubts::new(plan.name.to_string(), plan.quantity);
    by_certificate(config, plan, value, on, &mut doubts);
    by_way(plan, &source.name.to_string(), value, &mut doubts);
    doubts.instrument = limit(plan.accuracy.instrument, value, width(plan));
    by_place(plan, value, &mut doubts);
    doubts.step = plan
        .mapping
        .resolution()
        .map_or(Doubt::Unstated, Doubt::Stated);
    Some(doubts)
}

/// What is stated of the probe in its air; of what is not, the quantity says whether it is there at all.
fn by_place(plan: &ChannelPlan, value: f64, doubts: &mut ChannelDoubts) {
    let stated = &plan.accuracy;
    doubts.position = limit(stated.place, value, width(plan));
    if let Some(degrees) = stated.yaw_deg {
        doubts.yaw_deg = Doubt::Stated(degrees);
    }
    if stated.radiation.is_some() {
        doubts.radiation = limit(stated.radiation, value, width(plan));
    }
    if let Some(air) = stated.density {
        doubts.density = Doubt::Stated(DensityDoubt {
            kelvin: air.temperature + ICE_POINT,
            kelvin_off: air.temperature_accuracy,
            pascal: air.pressure,
            pascal_off: air.pressure_accuracy,
        });
    }
}

fn by_certificate(
    config: &Config,
    plan: &ChannelPlan,
    value: f64,
    on: Date,
    doubts: &mut ChannelDoubts,
) {
    let Some(certified) = plan
        .certificate
        .and_then(|index| config.certificates.get(index))
    else {
        return;
    };
    let certificate = &certified.certificate;
    doubts.certificate = Doubt::Stated(CertificateDoubt {
        number: certificate.heading().number.clone(),
        expanded: certificate.correct(value).uncertainty,
        k: 1.0,
        common: Common::Unknown,
    });
    let range = certificate.range();
    let range = certificate.unit().difference_to_si(range.to - range.from);
    let years = years_between(certificate.heading().date, on);
    doubts.drift = match limit(certified.drift_per_year, value, Some(range)) {
        Doubt::Stated(a_year) => Doubt::Stated(a_year * years),
        other => other,
    };
}

/// An instrument that drifts by some amount a year has drifted by no more than that times the years.
fn years_between(from: Date, to: Date) -> f64 {
    let days = from.until(to).map_or(0, |span| span.get_days());
    f64::from(days.max(0)) / 365.25
}

/// What stands between the instrument and the code. What is stated of the signal becomes the value's by the slope at that value;
/// where the value does not follow the signal, as at the 0 below a root's cut-off, nothing can be stated and nothing is.
fn by_way(plan: &ChannelPlan, module: &str, value: f64, doubts: &mut ChannelDoubts) {
    if plan.way != Way::Analog {
        doubts.output = Doubt::Absent;
        doubts.converter = Doubt::Absent;
        return;
    }
    doubts.output = limit(plan.accuracy.output, value, width(plan));
    let signal = plan.mapping.signal();
    let shunt = signal.and_then(zonda_signal::Signal::shunt);
    if shunt.is_some() {
        doubts.shunt = Doubt::Unstated;
    }
    let Some(Slope { signal: now, slope }) = plan.mapping.slope_at(value) else {
        return;
    };
    if let (Some(_), Some(tolerance)) = (shunt, plan.accuracy.shunt) {
        doubts.shunt = Doubt::Stated(ShuntDoubt {
            tolerance,
            current: now,
            slope,
        });
    }
    let ohm = shunt.map_or(1.0, |shunt| shunt.unit.to_si(shunt.value));
    let span = signal.map(|signal| {
        let span = signal.span();
        span.unit.difference_to_si((span.to - span.from).abs()) * ohm
    });
    let measured = limit(plan.accuracy.module, now * ohm, span);
    if let Doubt::Stated(accuracy) = measured {
        doubts.converter = Doubt::Stated(ConverterDoubt {
            name: module.to_owned(),
            accuracy,
            unit: plan.mapping.scale().unit().quantity().si(),
            slope: slope / ohm,
            common: Common::Unknown,
        });
    }
}

/// The width of the range that a channel's signal stands for, where there is one: as written where it is the value's own, else
/// what the characteristic makes of the signal's ends.
fn width(plan: &ChannelPlan) -> Option<f64> {
    let straight = plan.loop_check.filter(|way| way.is_straight);
    let (low, high) = straight
        .map(|way| way.value_si())
        .or_else(|| plan.mapping.ends())?;
    Some((high - low).abs())
}

/// 0 °C in K (ITS-90).
const ICE_POINT: f64 = 273.15;

/// An accuracy at a value; a share of a span that is not known is as good as not stated.
fn limit(accuracy: Option<Accuracy>, value: f64, span: Option<f64>) -> Doubt<f64> {
    match accuracy {
        Some(accuracy) if span.is_some() || accuracy.of_span <= 0.0 => {
            Doubt::Stated(accuracy.limit(value, span.unwrap_or(0.0)))
        }
        _ => Doubt::Unstated,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use zonda_evaluate::doubt::row;
    use zonda_evaluate::uncertainty::Budget;

    const BENCH: &str = r#"
[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }

[module.A]
line = "bench"
unit = 1
registers = "input 0-7"
code = "uint16"
count = "1 mV"
accuracy = "0.1 % of 10 V"

[line.m7]
every = "1 s"
text = { port = "/dev/serial/by-id/usb-adapter-M7", serial = "9600 8N1", fields = ["velocity", "temperature"] }

[certificate.K-2041]
number = "K-2041"
laboratory = "accredited laboratory 12"
date = "2026-03-02"
due = "2027-03-02"
quantity = "velocity"
range = "0-20 m/s"
points = ["1: 1.1 ± 0.04", "5: 5.0 ± 0.1", "18: 18.4 ± 0.3"]
drift_per_year = "0.5 % of reading"

[meter.Exhaust]
certificates = ["K-2041"]
output_accuracy = "0.25 % of span"
velocity = { input = "A.1", signal = "4-20 mA", shunt = "250 Ω", shunt_tolerance = "0.1 %", range = "0-20 m/s" }
temperature-text = { input = "m7.temperature", unit = "°C" }

[meter.Stack]
velocity = { input = "A.3", signal = "0-10 V", range = "0-20 m/s", basis = "actual", place = "2 % of reading", yaw = "10°", density_correction = { temperature = "200 °C", temperature_accuracy = "2 K", pressure = "100 kPa", pressure_accuracy = "2 kPa" } }
temperature = { input = "A.4", signal = "0-10 V", range = "0-500 °C", radiation = "3 K" }

[channel.duct]
quantity = "velocity"
input = "A.2"
signal = "4-20 mA"
shunt = "250 Ω"
shunt_tolerance = "0.1 %"
range = "0-250 Pa"
pitot = { coefficient = 0.84, density = "0.78 kg/m³" }
output_accuracy = "0.2 % of span"
"#;

    fn budget(channel: &str, value: f64) -> Budget {
        let config = zonda_config::check("bench.toml", BENCH)
            .unwrap_or_else(|faults| panic!("{faults:?}"))
            .config;
        let index = config
            .channels
            .iter()
            .position(|plan| plan.name.to_string() == channel)
            .unwrap();
        let on = "2027-03-02".parse().unwrap();
        of(&config, index, value, on).unwrap().at(value).unwrap()
    }

    fn contribution(budget: &Budget, what: &str) -> f64 {
        let row = budget
            .rows()
            .iter()
            .find(|row| row.influence().origin.what == what);
        row.unwrap_or_else(|| panic!("no row {what}"))
            .contribution()
    }

    fn near(found: f64, expected: f64) {
        assert!(
            (found / expected - 1.0).abs() < 1e-3,
            "{found}, expected {expected}"
        );
    }

    /// By hand at 5 m/s, 8 mA, 2 V of a converter with 1 mV steps: 0.1/2; 0.5 % of 5 m/s in 365 of 365.25 days; 0.25 % of
    /// 20 m/s; 0.1 % of 10 V at 5 m/s a volt; 1 mV; 0.1 % of 8 mA at 1250 m/s an ampere.
    #[test]
    fn an_analog_velocity_is_as_by_hand() {
        let budget = budget("Exhaust.velocity", 5.0);
        let rectangle = 3f64.sqrt();
        near(contribution(&budget, row::CERTIFICATE), 0.05);
        near(
            contribution(&budget, row::DRIFT),
            0.025 * 365.0 / 365.25 / rectangle,
        );
        near(contribution(&budget, row::OUTPUT), 0.05 / rectangle);
        // What comes through the signal is put right by the certificate, too, whose chords have these slopes about 5 m/s.
        let chords = 13.0 / 13.4..4.0 / 3.9;
        let through = |row, plain: f64| {
            let share = contribution(&budget, row) / plain;
            assert!(chords.contains(&share), "{row}: {share}");
        };
        through(row::CONVERTER, 0.01 * 5.0 / rectangle);
        through(row::STEP, 0.005 / 12f64.sqrt());
        through(row::SHUNT, 8e-6 * 1250.0 / rectangle);
        let omitted: Vec<&str> = budget
            .omitted()
            .iter()
            .map(|origin| origin.what.as_str())
            .collect();
        assert_eq!(omitted, [row::POSITION, row::YAW]);
    }

    /// By hand: 50 Pa of 250 Pa is 4 + 0.2·16 = 7.2 mA, 1.8 V at 250 Ω; v = 0.84·√(2·50/0.78) = 9.511 m/s, and dv/dp = v/(2 p) makes
    /// 0.09511 m/s a pascal, times 62.5 Pa a volt.
    #[test]
    fn a_curved_way_states_its_rows_by_its_slope() {
        let duct = budget("duct", 0.84 * (100.0_f64 / 0.78).sqrt());
        let rectangle = 3f64.sqrt();
        let by_volt = 0.84 * (100.0_f64 / 0.78).sqrt() / 100.0 * 62.5;
        near(
            contribution(&duct, row::CONVERTER),
            0.01 * by_volt / rectangle,
        );
        near(
            contribution(&duct, row::SHUNT),
            0.001 * 1.8 * by_volt / rectangle,
        );
        let full = 0.84 * (500.0_f64 / 0.78).sqrt();
        near(contribution(&duct, row::OUTPUT), 0.002 * full / rectangle);
        // Below the cut-off the value stands still whatever the signal does.
        let cut = budget("duct", 0.0);
        for row in [row::CONVERTER, row::SHUNT] {
            assert!(
                cut.omitted().iter().any(|origin| origin.what == row),
                "{row}"
            );
        }
    }

    /// By hand at 10 m/s: 2 %; 1 − cos 10° = 0.01519; 2 K of 473.15 K; 2 kPa of 100 kPa. Of a temperature: 3 K.
    #[test]
    fn what_is_stated_of_the_place_has_its_rows() {
        let velocity = budget("Stack.velocity", 10.0);
        let rectangle = 3f64.sqrt();
        for (row, half_width) in [
            (row::POSITION, 0.2),
            (row::YAW, 0.1519),
            (row::DENSITY_TEMPERATURE, 10.0 * 2.0 / 473.15),
            (row::DENSITY_PRESSURE, 10.0 * 2.0 / 100.0),
        ] {
            near(contribution(&velocity, row), half_width / rectangle);
        }
        let temperature = budget("Stack.temperature", 200.0);
        near(contribution(&temperature, row::RADIATION), 3.0 / rectangle);
    }

    #[test]
    fn a_text_line_has_no_converter_and_says_what_is_missing() {
        let budget = budget("Exhaust.temperature-text", 200.0);
        assert!(budget.rows().is_empty());
        let omitted: Vec<&str> = budget
            .omitted()
            .iter()
            .map(|origin| origin.what.as_str())
            .collect();
        assert_eq!(
            omitted,
            [
                row::CERTIFICATE,
                row::INSTRUMENT,
                row::STEP,
                row::POSITION,
                row::RADIATION
            ]
        );
    }
}
