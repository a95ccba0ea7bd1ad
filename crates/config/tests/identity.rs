//! Who a device must be: what the file says of that, and the mistakes in it.

use zonda_config::{Checked, DriverPlan, IdentityQuestion};
use zonda_protocol::modbus::Table;

const BENCH: &str = r#"
[line.bench]
every = "1 s"
modbus-rtu = { port = "/dev/serial/by-id/usb-adapter-A1", serial = "19200 8E1" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-1"
code = "int16"
count = "1 mV"
MODULE
[line.display]
every = "1 s"
[line.display.text]
port = "/dev/serial/by-id/usb-adapter-P7"
serial = "9600 8N1"
fields = ["velocity"]
TEXT
[meter.Inlet]
serial = "M-4711"
temperature = { input = "A.1", signal = "0-10 V", range = "0-500 °C" }
velocity = { input = "display.velocity", unit = "m/s" }
"#;

fn check(module: &str, text: &str) -> Result<Checked, String> {
    let file = BENCH.replace("MODULE", module).replace("TEXT", text);
    zonda_config::check("bench.toml", &file).map_err(|faults| faults.to_string())
}

const ASKED: &str = r#"ask = "V?\r"
identity = { ask = "I\r", is = "M-4711" }"#;

#[test]
fn devices_are_known_by_registers_objects_or_an_answer() {
    let config = check(
        r#"identity = { registers = "holding 200-201", is = "123456" }"#,
        ASKED,
    )
    .expect("it is well")
    .config;
    let DriverPlan::ModbusRtu(rtu) = &config.lines[0].driver else {
        panic!("{:?}", config.lines[0])
    };
    let identity = rtu.modules[0].identity.as_ref().expect("it has one");
    assert!(matches!(
        identity.question,
        IdentityQuestion::Registers(Table::Holding, _)
    ));
    assert!(identity.expected.fits_registers(&[1, 57_920]));
    let DriverPlan::Text(text) = &config.lines[1].driver else {
        panic!("{:?}", config.lines[1])
    };
    assert_eq!(
        text.identity
            .as_ref()
            .map(|identity| identity.ask.as_slice()),
        Some(&b"I\r"[..])
    );
    check(r#"identity = { object = "128", is = "A-1" }"#, ASKED).expect("it is well");
}

fn mistake(module: &str, text: &str, expected: &str) {
    let found = check(module, text).expect_err("it has a mistake");
    let first = found.lines().next().and_then(|line| line.split_once(": "));
    assert_eq!(first.map(|(_, said)| said), Some(expected));
}

#[test]
fn mistakes_are_said_with_the_way_out() {
    mistake(
        r#"identity = { is = "4711" }"#,
        ASKED,
        "it is not said what the unit is asked; add `registers = \"holding 200-201\"`, or `object = \"product\"` where it has a device identification",
    );
    mistake(
        r#"identity = { object = "product", registers = "holding 1", is = "4711" }"#,
        ASKED,
        "a unit is known by an object or by registers, not by both; leave one of them out",
    );
    mistake(
        r#"identity = { object = "colour", is = "4711" }"#,
        ASKED,
        "`colour` is no object of a device's identification; use vendor, product, revision, url, product_name, model, application, or a number from 128 to 255; such as `object = \"product\"`",
    );
    mistake(
        r#"identity = { registers = "holding 200", is = " " }"#,
        ASKED,
        "`is` is empty: every device would fit; write what only this device says, such as its serial number",
    );
    mistake(
        "",
        r#"identity = { ask = "I\r", is = "M-4711" }"#,
        "a meter that is only listened to cannot be asked who it is; add `ask`; or, where every line carries its number, write that into `prefix` or as a `'text'` among `fields`",
    );
}

#[test]
fn a_meters_number_that_is_not_its_lines_is_remarked() {
    let other = ASKED.replace("M-4711", "M-4712");
    let warnings = check("", &other).expect("it is well").warnings.to_string();
    assert!(
        warnings.contains("the meter `Inlet` has the number M-4711, and its line `display` expects M-4712; which of the two is on the bench?"),
        "{warnings}"
    );
    let warnings = check("", ASKED).expect("it is well").warnings.to_string();
    assert!(!warnings.contains("expects"), "{warnings}");
}
