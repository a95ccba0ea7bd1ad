//! What the check says of files that people write.

use super::*;
use proptest::prelude::*;
use zonda_model::{Code, Quality, Unit};

const BENCH: &str = r#"
[line.bench]
every = "250 ms"
modbus-rtu = { port = "/dev/serial/by-id/usb-adapter-A1", serial = "19200 8E1" }

[module.A]
line = "bench"
unit = 1
registers = "input 0-15"
code = "int16"
count = "1 mV"

[meter.Z1-left]
temperature = { input = "A.9", signal = "1-5 V", range = "500-0 °C" }
velocity = { input = "A.2", signal = "0-10 V", range = "0-9840 ft/min" }
"#;

fn checked(text: &str) -> Checked {
    check("oven.toml", text).unwrap_or_else(|faults| panic!("{faults}"))
}

fn said(text: &str) -> String {
    check("oven.toml", text)
        .map(|_| ())
        .unwrap_err()
        .to_string()
}

#[test]
fn a_meter_yields_its_channels_in_the_order_of_the_file() {
    let config = checked(BENCH).config;
    let names: Vec<_> = config
        .channels
        .iter()
        .map(|channel| channel.name.as_str())
        .collect();
    assert_eq!(names, ["Z1-left.temperature", "Z1-left.velocity"]);
    assert_eq!(config.channels[1].unit, Unit::FootPerMinute);
    // Only inputs in use are asked for, by ascending register; each channel knows its place among them.
    let crate::DriverPlan::ModbusRtu(line) = &config.lines[0].driver else {
        panic!("not an RTU line")
    };
    let registers: Vec<_> = line.modules[0]
        .inputs
        .iter()
        .map(|input| input.register())
        .collect();
    assert_eq!(registers, [1, 8]);
    assert_eq!(
        config
            .channels
            .iter()
            .map(|channel| channel.input)
            .collect::<Vec<_>>(),
        [1, 0]
    );
}

#[test]
fn an_answer_is_waited_for_no_longer_than_the_tick_allows() {
    let timeout = |every: &str| {
        let config = checked(&BENCH.replace("250 ms", every)).config;
        match &config.lines[0].driver {
            crate::DriverPlan::ModbusRtu(line) => line.modules[0].timeout,
            _ => panic!("not an RTU line"),
        }
    };
    assert_eq!(timeout("10 s"), Duration::from_millis(300));
    assert_eq!(timeout("250 ms"), Duration::from_millis(125));
}

#[test]
fn a_reversed_range_maps_from_its_upper_end() {
    let config = checked(BENCH).config;
    let mapping = &config.channels[0].mapping;
    assert_eq!(
        mapping.map(Some(Code::Count(1000))),
        (Some(500.0), Quality::empty())
    );
    assert_eq!(
        mapping.map(Some(Code::Count(5000))),
        (Some(0.0), Quality::empty())
    );
}

#[test]
fn every_mistake_is_said_at_once_with_its_place() {
    let faults = check("oven.toml", include_str!("data/wrong.toml"))
        .map(|_| ())
        .unwrap_err();
    insta::assert_snapshot!("wrong_lines", faults.to_string());
    insta::assert_snapshot!("wrong_report", faults.report(false, 100));
}

#[test]
fn a_twin_and_a_shared_port_name_both_places() {
    let text = format!(
        "{BENCH}\n[channel.\"Z1-left.velocity\"]\nquantity = \"velocity\"\ninput = \"A.3\"\nsignal = \"0-10 V\"\nrange = \"0-50 m/s\"\n[line.other]\nevery = \"1 s\"\ntext = {{ port = \"/dev/serial/by-id/usb-adapter-A1\", serial = \"9600 8N1\", fields = [\"v\"] }}\n"
    );
    insta::assert_snapshot!(said(&text), @r"
    oven.toml:17:10: the channel `Z1-left.velocity` exists already; give one of them another name
    oven.toml:22:7: the lines `bench` and `other` share the port /dev/serial/by-id/usb-adapter-A1; a port or connection belongs to one line; put its modules on that line
    ");
}

#[test]
fn a_line_that_cannot_keep_up_is_refused() {
    let text = BENCH.replace("250 ms", "15 ms");
    insta::assert_snapshot!(said(&text), @"oven.toml:2:7: the line `bench` needs 21 ms at 19200 8E1 for what is asked every 15 ms; ask less often, raise the speed, or split the modules over two lines");
}

#[test]
fn a_text_line_says_how_it_is_taken_apart() {
    let text = "[line.p7]\nevery = \"1 s\"\nsimulated = true\ntext = { port = \"/dev/serial/by-id/usb-adapter-P7\", serial = \"9600 8N1\", fields = [\"-\", \"velocity\", \"temperature\"], delimiter = \";\", units = { velocity = \"m/s\" }, status = { \"----\" = \"no_number\" } }\n[meter.P7]\nvelocity = { input = \"p7.velocity\", unit = \"m/s\" }\n";
    let config = checked(text).config;
    assert!(config.sources[0].simulated);
    assert_eq!(
        config.channels[0].mapping.map(Some(Code::Number(3.25))),
        (Some(3.25), Quality::empty())
    );
}

#[test]
fn a_line_of_text_may_have_one_length_only() {
    let length = |key: &str| {
        let text = format!(
            "[line.p7]\nevery = \"1 s\"\ntext = {{ address = \"192.0.2.11:4001\", fields = [\"v\"], {key} }}\n\
             [meter.P7]\nvelocity = {{ input = \"p7.v\", unit = \"m/s\" }}\n"
        );
        match &checked(&text).config.lines[0].driver {
            crate::DriverPlan::Text(plan) => plan.format.spec().length.clone(),
            _ => panic!("not a line of text"),
        }
    };
    assert_eq!(length("line_length = 24"), 24..=24);
    assert_eq!(length("line_max = 24"), 1..=24);
}

#[test]
fn the_station_can_be_reached_by_its_names_too() {
    let text =
        format!("{BENCH}\n[http]\nlisten = \"0.0.0.0:7360\"\nhosts = [\"oven3.lab.example\"]\n");
    let http = checked(&text).config.http;
    assert!(!http.listen.ip().is_loopback());
    assert_eq!(http.hosts, ["oven3.lab.example"]);
}

#[test]
fn an_empty_file_says_what_is_missing() {
    assert!(said("").contains("nothing to record"));
}

#[test]
fn the_example_of_every_key_has_its_kind() {
    fn walk(keys: &[keys::Key]) {
        for key in keys {
            let text = format!("it = {}", key.example);
            let table =
                DeTable::parse(&text).unwrap_or_else(|error| panic!("{}: {error}", key.name));
            let value = &table.get_ref()["it"];
            let fits = match key.kind {
                keys::Kind::Text | keys::Kind::Amount => value.get_ref().is_str(),
                keys::Kind::Whole => value.get_ref().is_integer(),
                keys::Kind::Number => value.get_ref().is_integer() || value.get_ref().is_float(),
                keys::Kind::Flag => value.get_ref().is_bool(),
                keys::Kind::Texts | keys::Kind::Numbers => value.get_ref().is_array(),
                keys::Kind::Pairs => value.get_ref().is_table(),
                keys::Kind::Table(inner) => {
                    walk(inner);
                    value.get_ref().is_table()
                }
            };
            assert!(fits, "{}", key.name);
        }
    }
    for top in TOPS {
        walk(top.keys);
    }
}

proptest! {
    #[test]
    fn no_text_panics(text in "\\PC{0,200}") {
        let _ = check("any.toml", &text).map(|_| ()).map_err(|faults| faults.report(false, 80));
    }

    #[test]
    fn no_damage_to_a_good_file_panics(at in 0..BENCH.len(), with in "\\PC{0,3}") {
        let at = (0..=at).rev().find(|at| BENCH.is_char_boundary(*at)).unwrap_or(0);
        let text = format!("{}{with}{}", &BENCH[..at], &BENCH[at..]);
        let _ = check("any.toml", &text).map(|_| ()).map_err(|faults| faults.report(false, 80));
    }
}

#[test]
fn a_report_says_what_the_laboratory_said() {
    let text = format!(
        "[report]\nlaboratory = \"Hall 3\"\naddress = \"  \"\npaper = \"Letter\"\nlogo = \"logo.svg\"\n{BENCH}"
    );
    let report = checked(&text).config.report;
    assert_eq!(report.laboratory.as_deref(), Some("Hall 3"));
    assert_eq!((report.address, report.paper), (None, crate::Paper::Letter));
    insta::assert_snapshot!(said(&text.replace("Letter", "A3")), @r#"oven.toml:4:9: `A3` is no paper known here; write `A4` or `Letter`; such as `paper = "Letter"`"#);
}
