//! The bench's layout: which meter sits where, which loop goes to which input, in one place.

use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use zonda_model::written::{Amount, Span};
use zonda_model::{ChannelName, Name, Quantity, Unit};

use crate::air::Breath;
use crate::instruments::Converter;
use crate::options::RigOptions;
use crate::truth::OvenTruth;
use crate::wiring::{
    LineWiring, LoopWiring, MeterWiring, ModuleWiring, RegisterCode, Talk, TextField, TextWiring,
    Wire, Wiring,
};

/// A meter: name, module, first of its two inputs, signal, ranges. In the order of [`crate::air::sites`].
struct MeterPlan(
    &'static str,
    &'static str,
    u16,
    &'static str,
    &'static str,
    &'static str,
);

const METERS: [MeterPlan; 12] = [
    MeterPlan("Z1-left", "A", 1, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z1-middle", "A", 3, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z1-right", "A", 5, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z2-left", "A", 7, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z2-middle", "A", 9, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z2-right", "A", 11, "4-20 mA", "0-10 m/s", "0-300 °C"),
    MeterPlan("Z3-left", "A", 13, "4-20 mA", "0-20 m/s", "0-500 °C"),
    MeterPlan("Z3-middle", "A", 15, "4-20 mA", "0-20 m/s", "0-500 °C"),
    MeterPlan("Z3-right", "B", 1, "0-1 V", "0-10 m/s", "0-300 °C"),
    MeterPlan("exhaust-left", "B", 3, "0-10 V", "0-20 m/s", "0-300 °C"),
    MeterPlan("exhaust-centre", "B", 5, "0-10 V", "0-20 m/s", "0-300 °C"),
    MeterPlan("exhaust-right", "B", 7, "0-10 V", "0-20 m/s", "0-300 °C"),
];

/// Meters that are heard as text too.
const STREAMING: &str = "Z2-middle";
const ASKED: &str = "exhaust-centre";
/// Where the duct's axis is among the points.
const DUCT_AXIS: usize = 10;

/// What a transmitter measures, from the oven and the air at the points; SI.
pub(crate) type Source = fn(&OvenTruth, &[Breath]) -> f64;

/// A loop of module U, with what its transmitter measures.
struct OvenLoop(&'static str, Quantity, &'static str, Source);

const OVEN_LOOPS: [OvenLoop; 8] = [
    OvenLoop(
        "exhaust-pressure",
        Quantity::Pressure,
        "0-50 Pa",
        exhaust_pressure,
    ),
    OvenLoop("burner-firing", Quantity::Ratio, "0-100 %", |oven, _| {
        oven.firing
    }),
    OvenLoop(
        "room-temperature",
        Quantity::Temperature,
        "-20 to 80 °C",
        |oven, _| oven.room_temperature,
    ),
    OvenLoop("room-humidity", Quantity::Humidity, "0-100 %", |oven, _| {
        oven.room_humidity
    }),
    OvenLoop(
        "barometer",
        Quantity::Pressure,
        "800-1100 hPa",
        |oven, _| oven.barometric_pressure,
    ),
    OvenLoop("fan-current", Quantity::Current, "0-20 A", fan_current),
    OvenLoop(
        "oven-pressure",
        Quantity::Pressure,
        "-50 to 50 Pa",
        |oven, _| oven.oven_pressure,
    ),
    OvenLoop("door-position", Quantity::Ratio, "0-100 %", |oven, _| {
        oven.door
    }),
];

/// The pitot tube on the duct's axis feels its turbulence.
fn exhaust_pressure(oven: &OvenTruth, air: &[Breath]) -> f64 {
    let swing = air
        .get(DUCT_AXIS)
        .map_or(1.0, |axis| axis.velocity / axis.velocity_mean);
    oven.exhaust_dynamic_pressure * swing * swing
}

/// Current of zone 1's fan motor: what it takes idle, and what the air takes, which is less the
/// hotter and thinner it is (fan laws, textbook: power ∝ density · speed³).
fn fan_current(oven: &OvenTruth, _: &[Breath]) -> f64 {
    let speed = oven.fan_speeds[0];
    let density = crate::oven::density(oven.zone_temperatures[0], oven.barometric_pressure);
    if speed < 0.02 {
        0.0
    } else {
        3.2 + 9.0 * density / 1.2 * speed.powi(3)
    }
}

/// What the loop of this name measures, if it is one of module U's.
pub(crate) fn source(name: &ChannelName) -> Option<Source> {
    let found = OVEN_LOOPS.iter().find(|planned| planned.0 == name.as_str());
    found.map(|OvenLoop(.., source)| *source)
}

/// The converter of a module.
pub(crate) fn converter(module: &ModuleWiring) -> Converter {
    let count = module.count.unit.to_si(module.count.value);
    let (scale, noise) = match module.count.unit {
        Unit::Microampere => ((0.0, 25e-3), 1.5e-6),
        _ => ((-10.24, 10.24), 0.7e-3),
    };
    Converter {
        scale,
        bits: 16,
        noise,
        count,
        code: module.code,
    }
}

/// What is wired to what, with the links in the options' directory and the TCP module at `tcp`.
pub fn wiring(options: &RigOptions, tcp: SocketAddr) -> Wiring {
    Wiring {
        lines: vec![
            rtu_line(options),
            tcp_line(tcp),
            text_line(
                options,
                "display-1",
                STREAMING,
                Talk::Streams(Duration::from_secs(1)),
                ';',
            ),
            text_line(
                options,
                "display-2",
                ASKED,
                Talk::Answers("D\r".to_owned()),
                ',',
            ),
        ],
        meters: METERS.iter().map(meter).collect(),
        loops: (1..).zip(&OVEN_LOOPS).map(oven_loop).collect(),
    }
}

fn rtu_line(options: &RigOptions) -> LineWiring {
    LineWiring {
        name: name("bench"),
        wire: Wire::ModbusRtu {
            port: port(&options.dir, "bench"),
            serial: options.rtu_serial,
            modules: vec![
                module(
                    "A",
                    1,
                    16,
                    RegisterCode::Uint16,
                    amount(1.0, Unit::Microampere),
                ),
                module(
                    "B",
                    2,
                    16,
                    RegisterCode::Int16,
                    amount(0.3125, Unit::Millivolt),
                ),
            ],
        },
    }
}

fn tcp_line(address: SocketAddr) -> LineWiring {
    let modules = vec![module(
        "U",
        1,
        8,
        RegisterCode::Int16,
        amount(1.0, Unit::Millivolt),
    )];
    LineWiring {
        name: name("utilities"),
        wire: Wire::ModbusTcp { address, modules },
    }
}

fn text_line(
    options: &RigOptions,
    line: &str,
    meter: &str,
    talk: Talk,
    delimiter: char,
) -> LineWiring {
    LineWiring {
        name: name(line),
        wire: Wire::Text {
            port: port(&options.dir, line),
            serial: options.text_serial,
            text: TextWiring {
                meter: name(meter),
                talk,
                fields: vec![
                    TextField {
                        quantity: Quantity::Velocity,
                        unit: Unit::MetrePerSecond,
                        decimals: 2,
                    },
                    TextField {
                        quantity: Quantity::Temperature,
                        unit: Unit::DegreeCelsius,
                        decimals: 1,
                    },
                ],
                delimiter,
            },
        },
    }
}

fn port(dir: &Path, line: &str) -> std::path::PathBuf {
    dir.join(line)
}

fn module(module: &str, unit: u8, inputs: u16, code: RegisterCode, count: Amount) -> ModuleWiring {
    ModuleWiring {
        name: name(module),
        unit,
        inputs,
        code,
        count,
    }
}

fn meter(plan: &MeterPlan) -> MeterWiring {
    let MeterPlan(meter, module, input, signal, velocity, temperature) = *plan;
    let wired = |quantity: Quantity, input, range| LoopWiring {
        name: channel(&format!("{meter}.{quantity}")),
        quantity,
        module: name(module),
        input,
        signal: span(signal),
        range: span(range),
    };
    MeterWiring {
        name: name(meter),
        velocity: wired(Quantity::Velocity, input, velocity),
        temperature: wired(Quantity::Temperature, input + 1, temperature),
    }
}

fn oven_loop((input, plan): (u16, &OvenLoop)) -> LoopWiring {
    let OvenLoop(planned, quantity, range, _) = plan;
    LoopWiring {
        name: channel(planned),
        quantity: *quantity,
        module: name("U"),
        input,
        signal: span("0-10 V"),
        range: span(range),
    }
}

const CONSTANT: &str = "the layout is made of constants, and a test builds it";

fn amount(value: f64, unit: Unit) -> Amount {
    Amount { value, unit }
}

fn name(text: &str) -> Name {
    text.parse().expect(CONSTANT)
}

fn channel(text: &str) -> ChannelName {
    text.parse().expect(CONSTANT)
}

fn span(text: &str) -> Span {
    text.parse().expect(CONSTANT)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn every_loop_has_an_input_of_its_own_on_a_module_that_has_it() {
        let wiring = wiring(
            &RigOptions::new("/nowhere"),
            SocketAddr::from(([127, 0, 0, 1], 1502)),
        );
        let mut taken = HashSet::new();
        for wired in wiring.all_loops() {
            let module = wiring
                .modules()
                .find(|module| module.name == wired.module)
                .unwrap();
            assert!((1..=module.inputs).contains(&wired.input), "{}", wired.name);
            assert!(taken.insert((&wired.module, wired.input)), "{}", wired.name);
            assert_eq!(module.count.unit.quantity(), wired.signal.unit.quantity());
            assert!(wired.quantity.accepts(wired.range.unit), "{}", wired.name);
        }
        assert_eq!(taken.len(), 32);
        assert_eq!(wiring.meters.len(), crate::air::sites().len());
        for text in [STREAMING, ASKED] {
            assert!(
                wiring
                    .meters
                    .iter()
                    .any(|meter| meter.name.as_str() == text)
            );
        }
        assert_eq!(wiring.meters[DUCT_AXIS].name.as_str(), ASKED);
    }
}
