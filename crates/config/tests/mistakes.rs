//! Mistakes that people make, each with all that is said about it.
//!
//! A case changes one thing in a file that is well, and pins the whole answer: nothing beside the
//! mistake itself may be said.
#![allow(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write;

use zonda_config::check;

const WELL: &str = r#"
[station]
time_zone = "Europe/Berlin"

[line.bench]
every = "1 s"
modbus-rtu = { port = "/dev/serial/by-id/usb-adapter-A1", serial = "19200 8E1" }

[module.A]
line = "bench"
unit = 1
registers = "input 0-7"
code = "int16"
count = "1 mV"

[line.p7]
every = "1 s"
text = { port = "/dev/serial/by-id/usb-adapter-P7", serial = "9600 8N1", ask = "D\r", fields = ["velocity", "temperature"], units = { velocity = "m/s" }, status = { "OVER" = "over_range" } }

[meter.Z1]
velocity = { input = "A.1", signal = "0-10 V", range = "0-50 m/s" }
temperature = { input = "p7.temperature", unit = "°C" }
"#;

/// What is said of each text, case by case.
fn answers(texts: impl IntoIterator<Item = (String, String)>) -> String {
    let mut all = String::new();
    for (title, text) in texts {
        let said = match check("oven.toml", &text) {
            Ok(checked) if checked.warnings.list().is_empty() => "well".to_owned(),
            Ok(checked) => format!("well, but {}", checked.warnings),
            Err(faults) => faults.to_string(),
        };
        writeln!(all, "{title}\n    {}\n", said.replace('\n', "\n    ")).unwrap();
    }
    all
}

/// What is said where the first is written as the second.
fn changed(cases: &[(&str, &str)]) -> String {
    answers(cases.iter().map(|(right, wrong)| {
        assert!(WELL.contains(right), "`{right}` is not in the file");
        (
            format!("{right:?} as {wrong:?}"),
            WELL.replacen(right, wrong, 1),
        )
    }))
}

#[test]
fn the_file_itself_is_well() {
    assert_eq!(
        answers([(String::new(), WELL.to_owned())]),
        "\n    well\n\n"
    );
}

#[test]
fn mistakes_in_the_station() {
    let said = changed(&[
        ("Europe/Berlin", "CET+1"),
        ("[station]", "[http]\nlisten = \"0.0.0.0:7360\"\n[station]"),
        (
            "[station]",
            "[http]\nlisten = \"localhost:7360\"\n[station]",
        ),
        ("[station]", "[[station]]"),
    ]);
    insta::assert_snapshot!(said);
}

#[test]
fn mistakes_in_lines() {
    let said = changed(&[
        ("[line.bench]", "[line.\"bench 1\"]"),
        ("every = \"1 s\"", ""),
        ("every = \"1 s\"", "every = 1"),
        ("every = \"1 s\"", "every = \"1\""),
        ("every = \"1 s\"", "every = \"0.1 ms\""),
        ("port = \"/dev/serial/by-id/usb-adapter-A1\", ", ""),
        ("/dev/serial/by-id/usb-adapter-A1", ""),
        (", serial = \"19200 8E1\"", ""),
        ("19200 8E1", "19200"),
        ("modbus-rtu = {", "modbus = {"),
        ("modbus-rtu = {", "modbus-tcp = {"),
        ("modbus-rtu = {", "text = {}\nmodbus-rtu = {"),
        (
            "serial = \"19200 8E1\"",
            "serial = \"19200 8E1\", echo = true",
        ),
        ("[line.p7]", "[line.A]"),
    ]);
    insta::assert_snapshot!(said);
}

#[test]
fn mistakes_in_modules() {
    let said = changed(&[
        ("line = \"bench\"", "line = \"p7\""),
        ("line = \"bench\"", "line = \"bank\""),
        ("unit = 1", "unit = 0"),
        ("unit = 1", "unit = \"1\""),
        ("input 0-7", "0-7"),
        ("input 0-7", "input 30001-30008x"),
        ("\"int16\"", "\"float32\"\nbits = 16"),
        ("\"int16\"", "\"int16\"\nword_order = \"low first\""),
        ("\"int16\"", "\"int16\"\nbits = 17"),
        ("count = \"1 mV\"", "zero = 4"),
        ("count = \"1 mV\"", ""),
        ("count = \"1 mV\"", "count = \"1 mv\""),
        ("count = \"1 mV\"", "count = \"1 mV\"\ntimeout = \"1 s\""),
        ("count = \"1 mV\"", "count = \"1 mV\"\nretries = 9"),
    ]);
    insta::assert_snapshot!(said);
}

#[test]
fn mistakes_in_lines_of_text() {
    let said = changed(&[
        ("ask = \"D\\r\"", "ask = \"\""),
        ("ask = \"D\\r\"", "ask = \"D\\r\", timeout = \"2 s\""),
        ("ask = \"D\\r\"", "timeout = \"100 ms\""),
        ("ask = \"D\\r\"", "pattern = 'V=(?<velocity>.*)'"),
        (
            "fields = [\"velocity\", \"temperature\"], units",
            "pattern = '(?<velocity>\\S+', units",
        ),
        (
            "fields = [\"velocity\", \"temperature\"], units",
            "pattern = '(?<v>\\S+) (?<temperature>\\S+)', delimiter = \";\", units",
        ),
        ("fields = [\"velocity\", \"temperature\"], ", ""),
        (
            "\"velocity\", \"temperature\"]",
            "\"velocity\", 7, \"temperature\"]",
        ),
        (
            "\"velocity\", \"temperature\"]",
            "\"-\", \"'a b'\", \"velocity\", \"temperature\"]",
        ),
        ("velocity = \"m/s\" }", "velocty = \"m/s\" }"),
        ("velocity = \"m/s\" }", "velocity = \" m/s\" }"),
        (
            "velocity = \"m/s\" }",
            "velocity = \"m/s\" }, decimals = { velocity = 2 }",
        ),
        (
            "velocity = \"m/s\" }",
            "velocity = \"m/s\" }, decimals = { velocity = \"two\" }",
        ),
        ("over_range\" }", "too_much\" }"),
        ("over_range\" }", "simulated\" }"),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", delimiter = \",\", decimal_comma = true",
        ),
        ("ask = \"D\\r\"", "ask = \"D\\r\", terminator = \"END\""),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", terminator = \"CR\", prefix = \"a\\rb\"",
        ),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", checksum = { computes = \"crc\", separator = \"*\" }",
        ),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", checksum = { computes = \"xor\", separator = \"\" }",
        ),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", checksum = { computes = \"xor\", separator = \"\" }, line_length = 20",
        ),
        (
            "ask = \"D\\r\"",
            "ask = \"D\\r\", line_length = 20, line_max = 30",
        ),
        ("ask = \"D\\r\"", "ask = \"D\\r\", line_max = 9999"),
        (
            "port = \"/dev/serial/by-id/usb-adapter-P7\"",
            "address = \"192.0.2.11:4001\"",
        ),
        (
            "port = \"/dev/serial/by-id/usb-adapter-P7\", serial = \"9600 8N1\"",
            "address = \"192.0.2.11\"",
        ),
        (
            "port = \"/dev/serial/by-id/usb-adapter-P7\", serial = \"9600 8N1\", ",
            "",
        ),
        (
            "\"velocity\", \"temperature\"]",
            "\"velocity\", \"temperature\", \"velocity\"]",
        ),
    ]);
    insta::assert_snapshot!(said);
}

#[test]
fn mistakes_in_meters() {
    let said = changed(&[
        ("input = \"A.1\"", "input = \"C.1\""),
        ("input = \"A.1\"", "input = \"A.0\""),
        ("input = \"A.1\"", "input = \"A.9\""),
        ("input = \"A.1\"", "input = \"A\""),
        ("input = \"A.1\", ", ""),
        ("p7.temperature", "p7.temp"),
        ("range = \"0-50 m/s\"", "range = \"0-50 m\""),
        ("range = \"0-50 m/s\"", "range = \"0-50m/s\""),
        ("range = \"0-50 m/s\"", "range = \"0-50 m/\u{200b}s\""),
        ("range = \"0-50 m/s\"", "rnge = \"0-50 m/s\""),
        ("signal = \"0-10 V\"", "signal = \"0-10 v\""),
        (
            "signal = \"0-10 V\"",
            "signal = \"4-20 mA\", shunt = \"250 Ω\", margin = \"0.1 mA\"",
        ),
        (
            "signal = \"0-10 V\"",
            "signal = \"4-20 mA\", shunt = \"250 Ω\", margin = \"0.1 mA\", fault_bands = \"off\"",
        ),
        (
            "signal = \"0-10 V\"",
            "signal = \"0-10 V\", fault_bands = \"ne43\"",
        ),
        (
            "signal = \"0-10 V\"",
            "signal = \"0-10 V\", margin = \"1 m/s\"",
        ),
        ("signal = \"0-10 V\", range", "margin = \"10 mV\", range"),
        ("unit = \"°C\"", "unit = \"m/s\""),
        (", unit = \"°C\"", ""),
        ("[meter.Z1]", "[meter.=Z1]"),
        ("[meter.Z1]", "[meter.\"=Z1\"]"),
        ("velocity = { input = \"A.1\"", "speed = { input = \"A.1\""),
        ("velocity = { input = \"A.1\"", "velocity = \"A.1\" #"),
    ]);
    insta::assert_snapshot!(said);
}

#[test]
fn files_that_are_something_else() {
    let texts = [
        "",
        "\u{feff}",
        "\n\n",
        "# nothing\r\n",
        "[station]\n",
        "\u{feff}nam = 1\n",
        "Zonda\n",
        "{ \"line\": {} }",
        "line = 3\n",
        "[line]\n",
        "[line.a]\n",
        "[meter.Z1]\n",
        "[line]\nevery = \"1 s\"\n",
        "unit = 1\nunit = 2\n[line.a]\n[line.a]\n",
        "[meter.Z1\nvelocity = 1\n",
        "name = Oven 3\n",
        "name = \"Oven 3\n",
        "[station]\nname = \"a\\qb\"\n",
    ];
    let texts = texts.map(|text| (format!("{text:?}"), text.to_owned()));
    let said = answers(texts);
    insta::assert_snapshot!(said);
}
