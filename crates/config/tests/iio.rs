//! Converters that the kernel reads: what the file says of them, and the mistakes in it.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use zonda_config::{Config, DriverPlan, IioPlan, IioReading};
use zonda_model::{Code, Quality};

const BOARD: &str = r#"
[line.board]
every = "250 ms"
iio = { IIO }
[channel.Inlet-pressure]
quantity = "pressure"
input = "board.voltage2"
signal = "0-1 V"
range = "0-500 Pa"
[channel.Cold-end]
quantity = "temperature"
input = "board.temp"
"#;

fn check(iio: &str) -> Result<Config, String> {
    let text = BOARD.replace("IIO", iio);
    zonda_config::check("board.toml", &text)
        .map(|checked| checked.config)
        .map_err(|faults| faults.to_string())
}

fn plan(config: &Config) -> &IioPlan {
    match &config.lines[0].driver {
        DriverPlan::Iio(plan) => plan,
        other => panic!("{other:?}"),
    }
}

const GOOD: &str = r#"name = "adc12-4", channels = { voltage0 = "3 mV", voltage2 = "0.5 mV", temp = "0.0625 °C" }, offsets = { temp = "-40" }"#;

#[test]
fn only_the_channels_in_use_are_read_and_their_values_come_out() {
    let config = check(GOOD).unwrap();
    let plan = plan(&config);
    let names: Vec<_> = plan
        .channels
        .iter()
        .map(|channel| channel.name.as_str())
        .collect();
    assert_eq!(names, ["voltage2", "temp"]);
    // The kernel's units: millivolt and millidegree (Documentation/ABI/testing/sysfs-bus-iio).
    assert_eq!(
        plan.channels
            .iter()
            .map(|channel| channel.reading)
            .collect::<Vec<_>>(),
        [
            IioReading::Raw {
                scale: 0.5,
                offset: 0.0
            },
            IioReading::Raw {
                scale: 62.5,
                offset: -40.0
            }
        ]
    );
    assert_eq!(plan.root.to_str(), Some("/sys/bus/iio/devices"));
    let value = |channel: usize, count| {
        config.channels[channel]
            .mapping
            .map(Some(Code::Count(count)))
    };
    // 1000 counts of 0.5 mV are half of the signal's span.
    assert_eq!(value(0, 1000), (Some(250.0), Quality::empty()));
    assert_eq!(config.channels[0].input, 0);
    // (400 − 40) · 62.5 m°C
    assert_eq!(value(1, 400), (Some(22.5), Quality::empty()));
    assert_eq!(config.channels[1].input, 1);
}

#[test]
fn a_processed_channel_is_in_the_kernels_unit() {
    let config =
        check(r#"label = "inlet board", channels = { voltage2 = "1 mV", temp = "processed" }"#)
            .unwrap();
    assert_eq!(plan(&config).channels[1].reading, IioReading::Processed);
    let (value, _) = config.channels[1].mapping.map(Some(Code::Number(22_500.0)));
    assert_eq!(value, Some(22.5));
}

fn mistake(iio: &str, expected: &str) {
    let found = check(iio).unwrap_err();
    let first = found.lines().next().unwrap();
    let (_, first) = first.split_once(": ").unwrap();
    assert_eq!(first, expected);
}

#[test]
fn mistakes_are_said_with_the_way_out() {
    mistake(
        r#"channels = { voltage2 = "1 mV", temp = "1 °C" }"#,
        "it is not said which converter this is; add `name = \"adc12-4\"`, its kind of chip, or `label`; `zonda discover` shows them",
    );
    mistake(
        r#"name = "iio:device0", channels = { voltage2 = "1 mV", temp = "1 °C" }"#,
        "`iio:device0` does not say which converter it is; numbers such as iio:device0 are the order of finding and move; `zonda discover` shows each converter's name, label and bus address",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "1 mA", temp = "1 °C" }"#,
        "`voltage2` is measured in mV, not in mA; such as `voltage2 = \"0.1875 mV\"`",
    );
    mistake(
        r#"name = "adc12-4", channels = { in_voltage2_raw = "1 mV", voltage2 = "1 mV", temp = "1 °C" }"#,
        "`in_voltage2_raw` is the name of a file, not of a channel; write `voltage2`",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "3", temp = "1 °C" }"#,
        "the unit is missing; write it after the number, such as `3 m/s`; what one count stands for, such as `0.1875 mV` or `6144 mV / 32768`, or `processed`",
    );
    mistake(
        r#"name = "adc12-4", channels = { accel_x = "3 mV", voltage2 = "1 mV", temp = "1 °C" }"#,
        "`accel_x` is no kind of channel that is read here; the kernel's names begin with one of voltage, current, resistance, temp, humidityrelative, pressure",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "1 mV", temp = "1 °C" }, offsets = { temp = "a few" }"#,
        "`a few` is not a number of counts; write what the kernel's offset says, such as \"-1024\"",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "1 mV", temp = "processed" }, offsets = { temp = "1" }"#,
        "the kernel has already put a processed channel right; leave its offset out",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "1 mV", temp = "1 °C" }, settle = "2 ms""#,
        "`settle` says nothing here: each channel is read once; add `discard_first = true`, or leave it out",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage2 = "1 mV", temp = "1 °C" }, discard_first = true, settle = "80 ms""#,
        "settling 2 times takes longer than the 125 ms that a tick's readings may take; shorten `settle`, or raise `timeout`",
    );
    mistake(
        r#"name = "adc12-4", channels = { voltage0 = "1 mV", temp = "1 °C" }"#,
        "`board` has no input `voltage2`; its channels are voltage0, temp",
    );
}

#[test]
fn two_lines_do_not_share_a_converter_and_modules_are_on_none() {
    let text = format!(
        "{}{}",
        BOARD.replace("IIO", GOOD),
        r#"
[line.again]
every = "1 s"
iio = { name = "adc12-4", channels = { voltage0 = "3 mV" } }
[module.A]
line = "board"
unit = 1
registers = "input 0-7"
code = "int16"
"#
    );
    let faults = zonda_config::check("board.toml", &text)
        .unwrap_err()
        .to_string();
    assert!(
        faults.contains("the lines `board` and `again` share the converter adc12-4"),
        "{faults}"
    );
    assert!(
        faults.contains("the line `board` is a converter by itself; a module needs a Modbus line"),
        "{faults}"
    );
}
