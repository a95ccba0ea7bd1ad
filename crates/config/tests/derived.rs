//! Derived channels in the file: what is read, and the sentence for every mistake.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

use std::fmt::Write as _;

use zonda_air::law::{Constant, Law, Term};
use zonda_air::{Basis, Reference};
use zonda_config::derived::recall;
use zonda_config::{Config, check};
use zonda_model::{Quantity, Unit};

const BENCH: &str = r#"
[line.fast]
every = "250 ms"
simulated = true
modbus-tcp = { address = "192.0.2.10" }
[line.slow]
every = "1 s"
modbus-tcp = { address = "192.0.2.11" }
[module.A]
line = "fast"
unit = 1
registers = "input 0-3"
code = "uint16"
count = "1 µA"
[module.B]
line = "slow"
unit = 1
registers = "input 0-3"
code = "uint16"
count = "1 µA"
[meter.Exhaust]
velocity = { input = "A.1", signal = "4-20 mA", range = "0-50 m/s" }
temperature = { input = "B.1", signal = "4-20 mA", range = "0-500 °C" }
[meter.Z1]
temperature = { input = "A.2", signal = "4-20 mA", range = "32-932 °F" }
velocity = { input = "A.3", signal = "4-20 mA", range = "0-50 m/s" }
"#;

fn config(derived: &str) -> Config {
    match check("oven.toml", &format!("{BENCH}{derived}")) {
        Ok(checked) => checked.config,
        Err(faults) => panic!("{}", faults.report(false, 100)),
    }
}

fn says(derived: &str) -> String {
    let Err(faults) = check("oven.toml", &format!("{BENCH}{derived}")) else {
        panic!("nothing is wrong with {derived}");
    };
    let one = |fault: &zonda_config::Fault| {
        format!(
            "{} | {}\n",
            fault.what,
            fault.help.clone().unwrap_or_default()
        )
    };
    faults.list().iter().map(one).collect()
}

const ACTUAL: &str = r#"
[derived."Exhaust.actual"]
law = "actual velocity"
velocity = "Exhaust.velocity"
basis = "standard 70 °F"
temperature = "Exhaust.temperature"
pressure = "98.2 kPa"
humidity = "50 % at 23 °C"
unit = "ft/min"
"#;

#[test]
fn a_derived_channel_has_the_tick_of_its_slowest_input_and_says_its_basis() {
    let config = config(ACTUAL);
    let plan = &config.derived[0];
    let channel = &config.channels[plan.channel];
    assert_eq!(channel.name.as_str(), "Exhaust.actual");
    assert_eq!(
        (channel.quantity, channel.unit),
        (Quantity::Velocity, Unit::FootPerMinute)
    );
    assert_eq!(plan.inputs, [0, 1]);
    assert_eq!(plan.basis, Some(Basis::Actual));
    let source = &config.sources[channel.source.0];
    assert_eq!(
        (source.name.as_str(), source.line, source.simulated),
        ("derived", 1, true)
    );
    assert_eq!(
        plan.text,
        r#"{"basis":"actual","derived":"actual velocity","every_us":1000000,"terms":{"basis":"standard: 21.11111111111111 °C, 101325 Pa, dry","humidity":"50 % at 23 °C","pressure":"98.2 kPa","temperature":"Exhaust.temperature","velocity":"Exhaust.velocity"},"version":1}"#
    );
}

#[test]
fn derived_channels_feed_those_below_and_pass_their_basis_on() {
    let config = config(&format!(
        "{ACTUAL}\n[derived.flow]\nlaw = \"volume flow\"\nvelocity = \"Exhaust.actual\"\ndiameter = \"400 mm\"\nunit = \"m³/h\"\n"
    ));
    let flow = &config.derived[1];
    assert_eq!(flow.inputs, [config.derived[0].channel]);
    let Law::VolumeFlow(stream) = &flow.law else {
        panic!("{:?}", flow.law)
    };
    assert_eq!((stream.shown.basis, stream.state), (Basis::Actual, None));
    assert!((stream.area.si() - 0.125_664).abs() < 1e-6);
    assert_eq!(flow.basis, Some(Basis::Actual));
}

/// What is stated of a number's accuracy is the law's business alone: the record's text of it stays as it is.
#[test]
fn a_number_may_say_how_far_it_is_off() {
    let plain = config(ACTUAL);
    let stated = config(&format!(
        "{ACTUAL}pressure_accuracy = \"2 kPa\"\nhumidity_accuracy = \"10 %\"\n"
    ));
    let (plain, stated) = (&plain.derived[0], &stated.derived[0]);
    assert_eq!(
        stated.limits,
        [(Constant::Pressure, 2000.0), (Constant::Humidity, 0.1)]
    );
    assert_eq!((plain.limits.len(), &plain.text), (0, &stated.text));
    let said = says(&format!("{ACTUAL}temperature_accuracy = \"2 K\"\n"));
    assert!(said.contains("goes with a number"), "{said}");
    let said = says(&format!("{ACTUAL}humidity_accuracy = \"2 g/kg\"\n"));
    assert!(said.contains("in the same terms"), "{said}");
}

#[test]
fn groups_share_quantity_and_unit() {
    let config = config(
        "[derived.mean]\nlaw = \"mean\"\nof = [\"Z1.temperature\", \"Exhaust.temperature\"]\n[derived.apart]\nlaw = \"difference\"\nof = [\"Z1.temperature\", \"Exhaust.temperature\"]\n",
    );
    let units: Vec<_> = config
        .derived
        .iter()
        .map(|plan| config.channels[plan.channel].unit)
        .collect();
    assert_eq!(units, [Unit::DegreeFahrenheit, Unit::Kelvin]);
    assert_eq!(
        config.derived[1].law,
        Law::Difference(Term::Input(0), Term::Input(1))
    );
}

#[test]
fn a_standard_flow_of_a_thermal_meter_needs_no_temperature() {
    let config = config(
        "[derived.flow]\nlaw = \"standard flow\"\nvelocity = \"Exhaust.velocity\"\nbasis = \"standard 70 °F\"\narea = \"0.125 m²\"\nreference = \"normal\"\n",
    );
    assert_eq!(
        config.derived[0].basis,
        Some(Basis::Standard(Reference::NORMAL))
    );
    assert_eq!(config.derived[0].inputs, [0]);
}

#[test]
fn mistakes_are_told_with_the_way_out() {
    let law = "[derived.x]\nlaw = \"velocity\"\n";
    assert!(says(law).contains("`velocity` is not a law | the laws are `actual velocity`"));
    let basis = ACTUAL.replace("basis = \"standard 70 °F\"\n", "");
    assert!(
        says(&basis).contains("this law needs `basis`"),
        "{}",
        says(&basis)
    );
    let bare = ACTUAL.replace("standard 70 °F", "standard");
    assert!(says(&bare).contains("standard at which temperature?"));
    let missing = ACTUAL.replace("Exhaust.temperature", "Exhaust.temp");
    assert!(
        says(&missing).contains("there is no channel `Exhaust.temp`"),
        "{}",
        says(&missing)
    );
    let other = ACTUAL.replace("\"Exhaust.temperature\"", "\"Exhaust.velocity\"");
    assert!(says(&other).contains("`Exhaust.velocity` reads velocity, expected temperature"));
    let gauge = ACTUAL.replace("98.2 kPa", "98.2");
    assert!(
        says(&gauge).contains("the unit is missing"),
        "{}",
        says(&gauge)
    );
    let idle = format!("{ACTUAL}area = \"1 m²\"\n");
    assert!(says(&idle).contains("`area` says nothing beside this law"));
    let wet = ACTUAL.replace("50 % at 23 °C", "wet");
    assert!(says(&wet).contains("`wet` is no humidity"));
    let unit = ACTUAL.replace("ft/min", "m³/h");
    assert!(says(&unit).contains("m³/h is a unit of volume_flow, expected a unit of velocity"));
    let flow =
        "[derived.x]\nlaw = \"mass flow\"\nvelocity = \"Exhaust.velocity\"\nbasis = \"normal\"\n";
    assert!(says(flow).contains("a flow needs the area"));
    let group = "[derived.x]\nlaw = \"mean\"\nof = [\"Z1.temperature\", \"Z1.velocity\"]\n";
    assert!(
        says(group)
            .contains("`Z1.velocity` reads velocity, but `Z1.temperature` reads temperature")
    );
    let mixed = format!(
        "{ACTUAL}[derived.x]\nlaw = \"mean\"\nof = [\"Exhaust.actual\", \"Z1.velocity\"]\n"
    );
    assert!(
        says(&mixed).contains("as its meter shows it, but `Exhaust.actual` is actual"),
        "{}",
        says(&mixed)
    );
    let itself = "[derived.x]\nlaw = \"mean\"\nof = [\"x\"]\n";
    assert!(says(itself).contains("there is no channel `x`"));
    let twin = "[derived.\"Z1.velocity\"]\nlaw = \"mean\"\nof = [\"Z1.velocity\"]\n";
    assert!(says(twin).contains("the channel `Z1.velocity` exists already"));
}

#[test]
fn a_channel_with_a_fault_of_its_own_is_not_also_missing() {
    let text = format!("{BENCH}{ACTUAL}").replace("range = \"0-500 °C\"", "range = \"0-500 m/s\"");
    let faults = check("oven.toml", &text).unwrap_err();
    assert_eq!(faults.list().len(), 1, "{}", faults.report(false, 100));
}

/// What stands in the record is enough to work every value out again: the law to the last digit, its inputs, its tick.
#[test]
fn the_text_of_every_law_reads_back() {
    let air = "temperature = \"Exhaust.temperature\"\npressure = \"98.2 kPa\"\n";
    let stream =
        "velocity = \"Exhaust.velocity\"\nbasis = \"standard 70 °F\"\ndiameter = \"400 mm\"\n";
    let group = "of = [\"Z1.velocity\", \"Exhaust.velocity\"]\n";
    let laws = [
        (
            "density",
            format!("{air}static = \"-120 Pa\"\nhumidity = \"dew point 12 °C\"\n"),
        ),
        ("dew point", format!("{air}humidity = \"8 g/kg\"\n")),
        (
            "standard velocity",
            format!("{air}velocity = \"Exhaust.actual\"\nreference = \"1.2 kg/m³\"\n"),
        ),
        ("volume flow", format!("{stream}{air}")),
        ("mass flow", stream.to_owned()),
        ("standard flow", format!("{stream}reference = \"normal\"\n")),
        ("exhaust heat", format!("{stream}{air}inlet = \"23 °C\"\n")),
        ("mean", group.to_owned()),
        ("spread", group.to_owned()),
        ("uniformity", group.to_owned()),
        ("difference", group.to_owned()),
    ];
    let mut text = ACTUAL.to_owned();
    for (number, (law, terms)) in laws.iter().enumerate() {
        write!(text, "[derived.d{number}]\nlaw = \"{law}\"\n{terms}").unwrap();
    }
    let config = config(&text);
    assert_eq!(config.derived.len(), laws.len() + 1);
    for plan in &config.derived {
        let channels = config.channels.iter();
        let channels = channels.map(|channel| (&channel.name, channel.quantity, channel.unit));
        let back = recall(&plan.text, channels).unwrap_or_else(|| panic!("{}", plan.text));
        assert_eq!(
            (&back.law, &back.inputs),
            (&plan.law, &plan.inputs),
            "{}",
            plan.text
        );
        let line = config.sources[config.channels[plan.channel].source.0].line;
        assert_eq!(back.every_us, config.lines[line].every.micros());
    }
}

/// Nothing is made of a text that says something else, or says it for another version.
#[test]
fn what_is_no_law_of_this_version_is_not_made_one() {
    let config = config(ACTUAL);
    let text = &config.derived[0].text;
    let channels = || {
        config
            .channels
            .iter()
            .map(|channel| (&channel.name, channel.quantity, channel.unit))
    };
    let mapping = config.channels[0].mapping.describe().to_string();
    let older = text.replace("\"version\":1", "\"version\":0");
    let gone = text.replace("Exhaust.temperature", "Exhaust.gone");
    let tickless = text.replace("1000000", "0");
    for text in [
        mapping,
        older,
        gone,
        tickless,
        "[]".to_owned(),
        String::new(),
    ] {
        assert_eq!(recall(&text, channels()), None, "{text}");
    }
    assert!(recall(text, channels()).is_some());
}

/// The same bench, its exhaust meter's papers read.
fn stated(basis: &str, derived: &str) -> String {
    let velocity = "velocity = { input = \"A.1\", signal = \"4-20 mA\", range = \"0-50 m/s\"";
    assert!(BENCH.contains(velocity));
    let bench = BENCH.replace(velocity, &format!("{velocity}, basis = \"{basis}\""));
    format!("{bench}{derived}")
}

#[test]
fn a_channel_says_its_basis_once_for_all_that_is_derived_from_it() {
    let without = ACTUAL.replace("basis = \"standard 70 °F\"\n", "");
    let text = stated("standard 70 °F", &without);
    let config = check("oven.toml", &text).unwrap().config;
    let by_basis = |name: &str| {
        let named = |plan: &&zonda_config::ChannelPlan| plan.name.as_str() == name;
        config.channels.iter().find(named).unwrap().basis_words()
    };
    assert_eq!(
        by_basis("Exhaust.velocity").as_deref(),
        Some("standard: 21.1 °C, 101.325 kPa, dry")
    );
    assert_eq!(by_basis("Exhaust.actual").as_deref(), Some("actual"));
    assert_eq!(by_basis("Z1.velocity").as_deref(), Some("basis not stated"));
    assert_eq!(by_basis("Z1.temperature"), None);
    let Law::Velocity(shown, ..) = &config.derived[0].law else {
        panic!("{:?}", config.derived[0].law)
    };
    assert_eq!(shown.basis, Basis::Standard(Reference::FAHRENHEIT_70));
}

#[test]
fn a_basis_that_contradicts_the_channels_own_is_refused() {
    let report = |text: &str| check("oven.toml", text).unwrap_err().report(false, 100);
    let contradicted = report(&stated("actual", ACTUAL));
    assert!(
        contradicted.contains("that velocity is actual, not standard: 21.1 °C, 101.325 kPa, dry"),
        "{contradicted}"
    );
    // 21.1 °C and 70 °F are one reference.
    check("oven.toml", &stated("standard 21.1 °C", ACTUAL)).unwrap();
    let of_temperature = BENCH.replace(
        "range = \"0-500 °C\"",
        "range = \"0-500 °C\", basis = \"actual\"",
    );
    assert!(report(&of_temperature).contains("only a velocity or a volume flow has a basis"));
    let bare = report(&stated("standard", ""));
    assert!(bare.contains("standard at which temperature?"), "{bare}");
}

/// The record keeps it with the mapping: another basis is another mapping, and it reads back.
#[test]
fn the_basis_stands_in_the_description_of_the_mapping() {
    let of = |basis: &str| {
        let config = check("oven.toml", &stated(basis, "")).unwrap().config;
        config.channels[0].mapping.describe()
    };
    let description = of("standard 25 °C");
    assert!(
        description
            .to_string()
            .contains(r#""basis":"standard: 25 °C, 101.325 kPa, dry""#)
    );
    assert_ne!(description, of("actual"));
    let mapping = description.rebuild().unwrap();
    assert_eq!(mapping.basis(), Some("standard: 25 °C, 101.325 kPa, dry"));
}
