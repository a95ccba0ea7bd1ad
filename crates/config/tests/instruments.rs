//! Meters, probes, envelopes, certificates and characteristics: what the file says and what comes of it.
#![allow(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write;
use std::time::Duration;

use zonda_config::{BothWays, ChannelPlan, Checked, Config, Way, check, check_with};
use zonda_model::{Code, Quality, Quantity, Unit};
use zonda_signal::{Companion, Step};

/// Temperature bands of hot-air probes (common practice, no source).
const BENCH: &str = r#"
[station]
needs_certificate = ["velocity"]
loop_tolerance = "0.25 %"
loop_check_days = 180

[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }

[module.A]
line = "bench"
unit = 1
registers = "input 0-7"
code = "uint16"
count = "1 µA"
accuracy = "0.05 % of 20 mA"

[line.m7]
every = "1 s"
text = { port = "/dev/serial/by-id/usb-adapter-M7", serial = "9600 8N1", fields = ["velocity", "temperature"] }

[envelope.hot-probe]
velocity = ["0-100 °C: 0.2-50 m/s", "100-200 °C: 0.4-50 m/s", "200-300 °C: 0.7-50 m/s"]
temperature = "0-500 °C"

[certificate.K-2041]
number = "K-2041"
laboratory = "accredited laboratory 12"
date = "2026-03-02"
due = "2027-03-02"
quantity = "velocity"
range = "0-20 m/s"
points = ["1: 1.1 ± 0.04", "5: 5.2 ± 0.1", "18: 18.4 ± 0.3"]
drift_per_year = "0.5 % of reading"

[meter.Exhaust]
serial = "M-4711"
probe_number = "23"
probe = { serial = "P-0815", number = "23", envelope = "hot-probe", cable_limit = "392 °F" }
certificates = ["K-2041"]
output_accuracy = "0.1 % of span"
velocity = { input = "A.1", signal = "4-20 mA", range = "0-20 m/s", accuracy = "1.5 % of reading + 0.02 m/s" }
temperature = { input = "A.2", signal = "4-20 mA", range = "0-500 °C", stuck_after = "off" }
velocity-text = { input = "m7.velocity", unit = "m/s" }
temperature-text = { input = "m7.temperature", unit = "°C" }
"#;

fn checked(text: &str) -> Checked {
    check("oven.toml", text).unwrap_or_else(|faults| panic!("{faults}"))
}

fn channel<'a>(config: &'a Config, name: &str) -> &'a ChannelPlan {
    let found = config.channels.iter().find(|c| c.name.as_str() == name);
    found.unwrap_or_else(|| panic!("no channel {name}"))
}

fn name(config: &Config, index: Option<usize>) -> &str {
    config.channels[index.unwrap()].name.as_str()
}

#[test]
fn a_meter_is_one_table_and_yields_all_that_is_known_of_it() {
    let checked = checked(BENCH);
    assert_eq!(checked.warnings.list(), [], "{}", checked.warnings);
    let config = &checked.config;
    let meter = &config.meters[0];
    assert_eq!(meter.serial.as_deref(), Some("M-4711"));
    assert_eq!(meter.wrong_probe(), None);
    let probe = meter.probe.as_ref().unwrap();
    assert!((probe.cable_limit.unwrap() - 200.0).abs() < 1e-9);
    assert_eq!(
        config.envelopes[probe.envelope.unwrap()].name.as_str(),
        "hot-probe"
    );
    let both: Vec<_> = meter.both_ways().collect();
    let named = |BothWays { analog, text, .. }: &BothWays| {
        (name(config, Some(*analog)), name(config, Some(*text)))
    };
    assert_eq!(
        both.iter().map(named).collect::<Vec<_>>(),
        [
            ("Exhaust.velocity", "Exhaust.velocity-text"),
            ("Exhaust.temperature", "Exhaust.temperature-text")
        ]
    );
    assert_eq!(meter.channel(Quantity::Velocity, Way::Register), None);
}

#[test]
fn a_velocity_is_read_beside_the_temperature_of_its_own_scan() {
    let config = checked(BENCH).config;
    let beside = |of: &str| name(&config, channel(&config, of).companion);
    assert_eq!(beside("Exhaust.velocity"), "Exhaust.temperature");
    assert_eq!(beside("Exhaust.velocity-text"), "Exhaust.temperature-text");
    assert_eq!(channel(&config, "Exhaust.temperature").companion, None);
    let mixed = BENCH.replace("temperature-text = {", "# {");
    let config = checked(&mixed).config;
    let velocity = channel(&config, "Exhaust.velocity-text");
    assert_eq!(name(&config, velocity.companion), "Exhaust.temperature");
    // 12 mA are 10 m/s, too slow for nothing at 150 °C; 4.2 mA are 0.25 m/s, too slow there.
    let velocity = &channel(&config, "Exhaust.velocity").mapping;
    let judged = |code, celsius| {
        let (_, quality) = velocity.map_with(Some(Code::Count(code)), Companion::good(celsius));
        quality - Quality::UNCALIBRATED
    };
    assert_eq!(judged(12_000, 150.0), Quality::empty());
    assert_eq!(judged(4_200, 150.0), Quality::BELOW_THRESHOLD);
    assert_eq!(judged(12_000, 350.0), Quality::OUTSIDE_ENVELOPE);
}

#[test]
fn a_certificate_puts_every_output_of_its_quantity_right() {
    let config = checked(BENCH).config;
    for of in ["Exhaust.velocity", "Exhaust.velocity-text"] {
        let channel = channel(&config, of);
        assert_eq!(channel.certificate, Some(0));
        assert_eq!(
            channel.mapping.certificate().unwrap().heading().number,
            "K-2041"
        );
    }
    let text = &channel(&config, "Exhaust.velocity-text").mapping;
    let (value, _) = text.map_with(Some(Code::Number(5.2)), Companion::good(50.0));
    assert!((value.unwrap() - 5.0).abs() < 1e-12);
    assert_eq!(channel(&config, "Exhaust.temperature").certificate, None);
    assert!(
        !channel(&config, "Exhaust.temperature")
            .mapping
            .lacks_certificate()
    );
    let without = BENCH.replace("certificates = [\"K-2041\"]", "");
    let config = checked(&without).config;
    let lacks = |of| channel(&config, of).mapping.lacks_certificate();
    assert!(lacks("Exhaust.velocity") && lacks("Exhaust.velocity-text"));
    assert!(!lacks("Exhaust.temperature"));
    let own = without.replace("serial = \"M-4711\"", "needs_certificate = []");
    let config = checked(&own).config;
    assert!(
        !channel(&config, "Exhaust.velocity")
            .mapping
            .lacks_certificate()
    );
}

#[test]
fn what_is_known_of_the_way_stands_with_the_channel() {
    let config = checked(BENCH).config;
    let velocity = channel(&config, "Exhaust.velocity");
    let known = velocity.accuracy;
    let close = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-15, "{found}");
    close(known.instrument.unwrap().limit(10.0, 20.0), 0.17);
    close(known.output.unwrap().limit(10.0, 20.0), 0.02);
    close(known.module.unwrap().limit(0.012, 0.016), 1e-5);
    assert_eq!(known.shunt, None);
    let check = velocity.loop_check.unwrap();
    assert_eq!(
        (check.signal_si(), check.value_si()),
        ((0.004, 0.02), (0.0, 20.0))
    );
    assert!(check.is_straight);
    close(check.tolerance, 0.0025);
    assert_eq!(check.age_max, Duration::from_hours(180 * 24));
    let stuck = velocity.stuck.unwrap();
    assert_eq!(stuck.after, Duration::from_mins(10));
    close(stuck.band, 16e-6);
    assert_eq!(channel(&config, "Exhaust.temperature").stuck, None);
    let text = channel(&config, "Exhaust.velocity-text");
    assert_eq!((text.loop_check, text.accuracy.output), (None, None));
    close(text.stuck.unwrap().band, 0.0);
}

#[test]
fn a_certificate_in_a_table_of_its_own_is_part_of_the_revision() {
    let table = "certificate,K-2041\ndate,2026-03-02\ndue,2027-03-02\nquantity,velocity\nrange,0-20 m/s\n\
                 reference,reading,uncertainty,k\n1,1.1,0.04,2\n5,5.2,0.1,2\n18,18.4,0.3,2\n";
    let start = BENCH.find("number = \"K-2041\"").unwrap();
    let end = BENCH.find("drift_per_year").unwrap();
    let text = format!(
        "{}table = \"K-2041.csv\"\n{}",
        &BENCH[..start],
        &BENCH[end..]
    );
    let read = |table: String| {
        let read = move |path: &str| {
            assert_eq!(path, "K-2041.csv");
            Ok(table.clone())
        };
        check_with("oven.toml", &text, &read)
    };
    let config = read(table.to_owned()).unwrap().config;
    let inline = checked(BENCH).config;
    let points = |config: &Config| config.certificates[0].certificate.points().to_vec();
    assert_eq!(points(&config), points(&inline));
    assert!(config.revision.text.starts_with(&text));
    assert!(config.revision.text.contains("\n#   5,5.2,0.1,2\n"));
    let again = check_with(
        "oven.toml",
        &config.revision.text,
        &|_| Ok(table.to_owned()),
    );
    assert_eq!(again.unwrap().config.channels, config.channels);
    let other = read(table.replace("5.2", "5.3")).unwrap().config;
    assert_ne!(other.revision.hash, config.revision.hash);
    let wrong = read(
        table
            .replace("18,18.4", "18,4.9")
            .replace("due,2027", "due,2O27"),
    );
    insta::assert_snapshot!(wrong.map(|_| ()).unwrap_err().to_string());
    let missing = check("oven.toml", &text)
        .map(|_| ())
        .unwrap_err()
        .to_string();
    assert!(
        missing.contains("the table `K-2041.csv` cannot be read"),
        "{missing}"
    );
}

/// A file with one channel whose source measures in this unit.
fn one(count: &str, channel: &str) -> String {
    format!(
        "[line.bench]\nevery = \"1 s\"\nmodbus-tcp = {{ address = \"192.0.2.10\" }}\n\
         [module.A]\nline = \"bench\"\nunit = 1\nregisters = \"input 0-3\"\ncode = \"int16\"\ncount = \"{count}\"\n\
         [channel.it]\ninput = \"A.1\"\n{channel}\n"
    )
}

fn value(text: &str, code: i64) -> (f64, Unit) {
    let config = checked(text).config;
    let it = channel(&config, "it");
    let (value, quality) = it.mapping.map(Some(Code::Count(code)));
    assert_eq!(quality, Quality::empty(), "{text}");
    let text = it.mapping.describe().to_string();
    let again = text.parse::<zonda_signal::Description>().unwrap();
    assert_eq!(again.rebuild().unwrap(), it.mapping, "{text}");
    (value.unwrap(), it.unit)
}

#[test]
fn every_characteristic_is_reached_from_the_file() {
    let close = |(found, unit): (f64, Unit), expected: f64, shown: Unit| {
        // The tables round to 0.01 Ω, which is 0.026 K of a Pt100.
        let within = if unit.quantity() == Quantity::Temperature {
            0.013
        } else {
            1e-9
        };
        assert!(
            (found - expected).abs() < within,
            "{found}, expected {expected}"
        );
        assert_eq!(unit, shown);
    };
    // IEC 60751:2008, table 1: 138.51 Ω at 100 °C; five times that for Pt500.
    let pt = |more| one("0.01 Ω", &format!("quantity = \"temperature\"\n{more}"));
    close(
        value(&pt("platinum = { type = \"Pt100\" }"), 13_851),
        100.0,
        Unit::DegreeCelsius,
    );
    let pt500 = "platinum = { type = \"Pt500\" }\nshown_in = \"°F\"";
    let (celsius, unit) = value(&pt(pt500).replace("0.01 Ω", "0.05 Ω"), 13_851);
    close((celsius, unit), 100.0, Unit::DegreeFahrenheit);
    let own = "platinum = { r0 = \"100 Ω\", a = 3.9083e-3, b = -5.775e-7 }";
    close(value(&pt(own), 13_851), 100.0, Unit::DegreeCelsius);
    // IEC 60584-1 (NIST SRD 60): type K gives 4.096 mV at 100 °C, the other end at 0 °C.
    let couple =
        "quantity = \"temperature\"\nthermocouple = { type = \"K\", cold_junction = \"0 °C\" }";
    let (celsius, _) = value(&one("1 µV", couple), 4_096);
    assert!((celsius - 100.0).abs() < 0.02, "{celsius}");
    // Closed forms: √(8/16) of 20 m/s at 12 mA; √(2 · 50 Pa / 0.8 kg/m³).
    let root =
        "quantity = \"velocity\"\nsignal = \"4-20 mA\"\nrange = \"0-20 m/s\"\nsquare_root = true";
    close(
        value(&one("1 µA", root), 12_000),
        20.0 * 0.5_f64.sqrt(),
        Unit::MetrePerSecond,
    );
    let pitot = "quantity = \"velocity\"\nsignal = \"4-20 mA\"\nrange = \"0-100 Pa\"\npitot = { density = \"0.8 kg/m³\" }";
    close(
        value(&one("1 µA", pitot), 12_000),
        125.0_f64.sqrt(),
        Unit::MetrePerSecond,
    );
    let table = "quantity = \"velocity\"\ntable = { points = [\"0 V: 0 ft/min\", \"1 V: 100 ft/min\", \"5 V: 900 ft/min\"] }";
    close(
        value(&one("1 mV", table), 3_000),
        500.0 * 0.3048 / 60.0,
        Unit::FootPerMinute,
    );
    let polynomial = "quantity = \"velocity\"\npolynomial = { domain = \"0-5 V\", unit = \"m/s\", coefficients = [0, 4.2, 0.3] }";
    close(
        value(&one("1 mV", polynomial), 2_000),
        9.6,
        Unit::MetrePerSecond,
    );
}

#[test]
fn a_cold_junction_is_another_channel() {
    let text = one(
        "1 µV",
        "quantity = \"temperature\"\nthermocouple = { type = \"K\", cold_junction = \"terminals\" }\n\
         [module.T]\nline = \"bench\"\nunit = 2\nregisters = \"input 0\"\ncode = \"int16\"\ncount = \"0.1 °C\"\n\
         [channel.terminals]\nquantity = \"temperature\"\ninput = \"T.1\"",
    );
    let config = checked(&text).config;
    let it = channel(&config, "it");
    assert_eq!(name(&config, it.companion), "terminals");
    assert_eq!(it.mapping.companion().unwrap().as_str(), "terminals");
    assert!(matches!(it.mapping.steps()[0], Step::Thermocouple(..)));
}

/// What is said where the first is written as the second.
fn changed(cases: &[(&str, &str)]) -> String {
    let mut all = String::new();
    for (right, wrong) in cases {
        assert!(BENCH.contains(right), "`{right}` is not in the file");
        let said = match check("oven.toml", &BENCH.replacen(right, wrong, 1)) {
            Ok(checked) if checked.warnings.list().is_empty() => "well".to_owned(),
            Ok(checked) => format!("well, but {}", checked.warnings),
            Err(faults) => faults.to_string(),
        };
        let said = said.replace('\n', "\n    ");
        writeln!(all, "{right:?} as {wrong:?}\n    {said}\n").unwrap();
    }
    all
}

#[test]
fn mistakes_in_envelopes() {
    insta::assert_snapshot!(changed(&[
        ("100-200 °C: 0.4", "120-200 °C: 0.4"),
        ("100-200 °C: 0.4", "90-200 °C: 0.4"),
        ("\"100-200 °C: 0.4-50 m/s\", ", ""),
        ("0-100 °C: 0.2-50 m/s", "100-0 °C: 0.2-50 m/s"),
        ("0-100 °C: 0.2-50 m/s", "0-100 °C: 50-0.2 m/s"),
        ("0-100 °C: 0.2-50 m/s", "0-100 °C: 0.2-50 °C"),
        ("0-100 °C: 0.2-50 m/s", "0-100 °C: 0.2-50"),
        ("0-100 °C: 0.2-50 m/s", "0-100 °C 0.2-50 m/s"),
        ("temperature = \"0-500 °C\"", "temperature = \"0-250 °C\""),
        ("velocity = [\"0-100", "velocity = [] #"),
        ("envelope = \"hot-probe\"", "envelope = \"cold-probe\""),
        ("envelope = \"hot-probe\", ", ""),
        ("[envelope.hot-probe]", "[envelope.\"hot probe\"]"),
    ]));
}

#[test]
fn mistakes_in_certificates() {
    insta::assert_snapshot!(changed(&[
        ("due = \"2027-03-02\"", "due = \"2025-03-02\""),
        ("due = \"2027-03-02\"", "due = \"2027-02-30\""),
        ("due = \"2027-03-02\"", "due = 2027-03-02"),
        ("due = \"2027-03-02\"", ""),
        ("5: 5.2 ± 0.1", "5: 0.9 ± 0.1"),
        ("5: 5.2 ± 0.1", "25: 25.2 ± 0.1"),
        ("5: 5.2 ± 0.1", "5: 5.2 ± 0"),
        ("5: 5.2 ± 0.1", "5: 5.2"),
        ("\"5: 5.2 ± 0.1\"", "5.2"),
        ("\"5: 5.2 ± 0.1\", \"18: 18.4 ± 0.3\"", ""),
        (
            "\"1: 1.1 ± 0.04\", \"5: 5.2 ± 0.1\", \"18: 18.4 ± 0.3\"]",
            "\"1: 1.1 ± 0.04\", \"18: 18.4 ± 0.3\"]\nmethod = \"least squares\""
        ),
        ("drift_per_year", "k = 0.5\ndrift_per_year"),
        ("drift_per_year", "method = \"spline\"\ndrift_per_year"),
        ("0.5 % of reading", "0.5 %"),
        (
            "number = \"K-2041\"",
            "table = \"K-2041.csv\"\nnumber = \"K-2041\""
        ),
        ("number = \"K-2041\"", "number = \" \""),
        (
            "quantity = \"velocity\"\nrange = \"0-20 m/s\"",
            "quantity = \"temperature\"\nrange = \"0-20 m/s\""
        ),
        (
            "certificates = [\"K-2041\"]",
            "certificates = [\"K-2041\", \"K-2041\"]"
        ),
        ("certificates = [\"K-2041\"]", "certificates = [\"K-2042\"]"),
        ("certificates = [\"K-2041\"]", ""),
        (
            "quantity = \"velocity\"\nrange = \"0-20 m/s\"",
            "quantity = \"pressure\"\nrange = \"0-20 Pa\""
        ),
    ]));
}

#[test]
fn mistakes_in_meters_with_probes() {
    insta::assert_snapshot!(changed(&[
        ("probe_number = \"23\"", "probe_number = \"24\""),
        ("cable_limit = \"392 °F\"", "cable_limit = \"200 m\""),
        (
            "temperature = { input = \"A.2\", signal = \"4-20 mA\", range = \"0-500 °C\", stuck_after = \"off\" }\n",
            "# \n"
        ),
        (
            "input = \"m7.velocity\", unit = \"m/s\"",
            "input = \"A.3\", signal = \"4-20 mA\", range = \"0-20 m/s\""
        ),
        ("[\"velocity\"]\nloop", "[\"pressure\"]\nloop"),
        ("\"0.25 %\"", "\"0 %\""),
        ("\"0.25 %\"", "\"0.25 mA\""),
        ("loop_check_days = 180", "loop_check_days = 0"),
        ("stuck_after = \"off\"", "stuck_after = \"1 s\""),
        ("stuck_after = \"off\"", "stuck_after = \"soon\""),
        (
            "stuck_after = \"off\"",
            "stuck_after = \"off\", stuck_band = \"5 µA\""
        ),
        ("stuck_after = \"off\"", "stuck_band = \"5 mV\""),
        ("stuck_after = \"off\"", "shunt_tolerance = \"0.1 %\""),
        (
            "output_accuracy = \"0.1 % of span\"",
            "output_accuracy = \"0.1 %\""
        ),
        (
            "accuracy = \"0.05 % of 20 mA\"",
            "accuracy = \"0.05 % of 10 V\""
        ),
        (
            "accuracy = \"1.5 % of reading",
            "accuracy = \"1.5 of reading"
        ),
    ]));
}

#[test]
fn mistakes_in_characteristics() {
    let mut all = String::new();
    for (count, channel) in [
        (
            "1 µV",
            "thermocouple = { type = \"X\", cold_junction = \"0 °C\" }",
        ),
        ("1 µV", "thermocouple = { type = \"K\" }"),
        (
            "1 µV",
            "thermocouple = { type = \"K\", cold_junction = \"9000 °C\" }",
        ),
        (
            "1 µV",
            "thermocouple = { type = \"K\", cold_junction = \"nowhere\" }",
        ),
        (
            "1 µV",
            "thermocouple = { type = \"K\", cold_junction = \"it\" }",
        ),
        (
            "1 Ω",
            "thermocouple = { type = \"K\", cold_junction = \"0 °C\" }",
        ),
        ("1 mV", "platinum = { type = \"Pt100\" }"),
        ("1 Ω", "platinum = { type = \"Pt200\" }"),
        ("1 Ω", "platinum = {}"),
        ("1 Ω", "platinum = { type = \"Pt100\", a = 0.004 }"),
        ("1 Ω", "platinum = { r0 = \"100 Ω\", b = -0.9 }"),
        ("1 Ω", "platinum = { type = \"Pt100\" }\nshown_in = \"m/s\""),
        ("1 mV", "square_root = true"),
        ("1 mV", "cut_off = \"1 %\""),
        (
            "1 mV",
            "signal = \"0-10 V\"\nrange = \"20-100 °C\"\nsquare_root = true",
        ),
        ("1 mV", "pitot = { density = \"0.8 kg/m³\" }"),
        (
            "1 mV",
            "signal = \"0-10 V\"\nrange = \"0-100 Pa\"\npitot = {}",
        ),
        (
            "1 mV",
            "table = { points = [\"0 V: 0 °C\", \"1 V: 50 °C\", \"2 V: 40 °C\"] }",
        ),
        (
            "1 mV",
            "table = { points = [\"0 V: 0 °C\", \"100 mV: 50 °C\"] }",
        ),
        ("1 mV", "table = { points = [\"0 V, 0 °C\"] }"),
        (
            "1 mV",
            "table = { points = [\"0 V: 0 °C\", \"1 V: 50 °C\"], interpolation = \"spline\" }",
        ),
        (
            "1 mV",
            "polynomial = { domain = \"0-5 V\", unit = \"°C\", coefficients = [0, 4, -1] }",
        ),
        (
            "1 mV",
            "polynomial = { domain = \"0-5 V\", unit = \"°C\", coefficients = [0, \"4\"] }",
        ),
        (
            "1 mV",
            "polynomial = { domain = \"0-5 V\", unit = \"m/s\", coefficients = [0, 4] }",
        ),
        (
            "1 mV",
            "polynomial = { domain = \"0-5 V\", unit = \"°C\", coefficients = [0, 4] }\nplatinum = { type = \"Pt100\" }",
        ),
    ] {
        let text = one(count, &format!("quantity = \"temperature\"\n{channel}"));
        let said = check("oven.toml", &text)
            .map(|_| ())
            .map_err(|faults| faults.to_string());
        let said = said.expect_err(channel).replace('\n', "\n    ");
        writeln!(all, "{count}, {channel:?}\n    {said}\n").unwrap();
    }
    insta::assert_snapshot!(all);
}

#[test]
fn an_envelope_needs_a_temperature_beside_the_velocity() {
    let is_other = |line: &&str| {
        !(line.starts_with("temperature = {") || line.starts_with("temperature-text"))
    };
    let lines: Vec<_> = BENCH.lines().filter(is_other).collect();
    let without = lines.join("\n");
    let said = check("oven.toml", &without).map(|_| ()).unwrap_err();
    assert_eq!(
        said.to_string(),
        "oven.toml:40:9: the probe's envelope judges a velocity by the temperature, and the meter has none; \
         add the meter's `temperature`, or leave the envelope out"
    );
}

/// Hot-air probes in the units of their makers (common practice, no source): from 40 ft/min (0.2 m/s)
/// up to 212 °F, 80 ft/min (0.4 m/s) to 392 °F, 138 ft/min (0.7 m/s) to 752 °F (400 °C), always up to
/// 9840 ft/min (50 m/s); temperatures up to 932 °F (500 °C); cables to 392 °F (200 °C).
#[test]
fn an_envelope_holds_in_feet_per_minute_and_fahrenheit() {
    let config = checked(include_str!("../../../config/twenty-four-meters.toml")).config;
    let probe = config.meters[0].probe.as_ref().unwrap();
    assert!((probe.cable_limit.unwrap() - 200.0).abs() < 1e-9);
    let envelope = &config.envelopes[0].envelope;
    let fahrenheit = |value| Unit::DegreeFahrenheit.to_si(value);
    for (speed, temperature, expected) in [
        (39.0, 211.0, Quality::BELOW_THRESHOLD),
        (40.0, 211.0, Quality::empty()),
        (40.0, 212.0, Quality::BELOW_THRESHOLD),
        (80.0, 212.0, Quality::empty()),
        (137.0, 392.0, Quality::BELOW_THRESHOLD),
        (138.0, 752.0, Quality::empty()),
        (9840.0, 752.0, Quality::empty()),
        (9841.0, 100.0, Quality::ABOVE_ENVELOPE),
        (1000.0, 753.0, Quality::OUTSIDE_ENVELOPE),
        (1000.0, 31.0, Quality::OUTSIDE_ENVELOPE),
    ] {
        let beside = Companion::good(fahrenheit(temperature));
        let found = envelope.judge_velocity(Unit::FootPerMinute.to_si(speed), beside);
        assert_eq!(found, expected, "{speed} ft/min at {temperature} °F");
    }
    let hot = |value| envelope.judge_temperature(fahrenheit(value));
    assert_eq!(hot(932.0), Quality::empty());
    assert_eq!(hot(933.0), Quality::OUTSIDE_ENVELOPE);
}

#[test]
fn a_bench_of_24_meters_stays_readable() {
    let text = include_str!("../../../config/twenty-four-meters.toml");
    let config = checked(text).config;
    assert_eq!((config.meters.len(), config.channels.len()), (24, 48));
    let lengths = text.split("\n\n").filter(|table| table.contains("[meter."));
    assert!(
        lengths
            .clone()
            .all(|table| table.trim().lines().count() <= 8)
    );
    assert!(config.channels.iter().all(|channel| {
        (channel.companion.is_some()) == (channel.quantity == Quantity::Velocity)
    }));
}
