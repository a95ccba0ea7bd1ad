//! What the desk's commands answer: air against `CoolProp` and psychrolib, plans against printed tables, and the
//! sentences with which the impossible is refused.

use std::ffi::OsStr;

use anyhow::{Context, Result, ensure};
use libtest_mimic::Trial;
use serde_json::Value;
use zonda_tests::bench::Bench;
use zonda_tests::suite::{Need, test};
use zonda_tests::{daemon, peer};

pub(crate) fn tests() -> Vec<Trial> {
    vec![
        test(
            "desk::air_is_that_of_two_libraries",
            &[Need::Peers],
            libraries,
        ),
        test("desk::marks_are_those_of_the_printed_tables", &[], marks),
        test("desk::points_follow_the_straight_lengths", &[], points),
        test(
            "desk::drawings_are_whole_and_show_every_point",
            &[],
            drawings,
        ),
        test(
            "desk::probes_are_held_against_their_envelopes",
            &[],
            envelopes,
        ),
        test(
            "desk::the_impossible_is_refused_in_a_sentence",
            &[],
            refusals,
        ),
        test("desk::a_reader_may_have_seen_enough", &[], enough),
    ]
}

/// As where the output goes to `head`: that is no fault, and nothing is said of it.
fn enough(_: &Bench) -> Result<()> {
    let (reader, writer) = std::io::pipe()?;
    drop(reader);
    let output = std::process::Command::new(daemon::binary())
        .arg("check")
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../config/converter-on-a-board.toml"
        ))
        .stdout(writer)
        .output()?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(
        output.status.success() && !said.contains("panicked"),
        "{output:?}"
    );
    Ok(())
}

fn libraries(_: &Bench) -> Result<()> {
    let said = peer::run("air.py", &[daemon::binary().as_os_str()])?;
    println!("desk: CoolProp and psychrolib compared {}", said.trim());
    Ok(())
}

fn answer(arguments: &[&str]) -> Result<Value> {
    let arguments: Vec<&OsStr> = arguments.iter().map(OsStr::new).collect();
    let output = daemon::run(&arguments)?;
    ensure!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Ok(serde_json::from_slice(&output.stdout)?)
}

fn column(plan: &Value, key: &str) -> Result<Vec<f64>> {
    let points = plan["points"].as_array().context("the points")?;
    points
        .iter()
        .map(|point| point[key].as_f64().context("a number"))
        .collect()
}

/// Percent of the diameter. Equal area: US EPA Method 1, table 1-2, six points. Log-linear: ISO 3966, six points on a diameter.
/// Log-Tchebycheff along a side: EN 12599, five points.
fn marks(_: &Bench) -> Result<()> {
    let tables: [(&[&str], &str, &[f64], f64); 3] = [
        (
            &[
                "--diameter",
                "1 m",
                "--rule",
                "equal-area",
                "--lines",
                "2",
                "--per-line",
                "6",
            ],
            "inside",
            &[4.4, 14.6, 29.6, 70.4, 85.4, 95.6],
            0.06,
        ),
        (
            &[
                "--diameter",
                "1 m",
                "--rule",
                "log-linear",
                "--lines",
                "2",
                "--per-line",
                "6",
            ],
            "inside",
            &[3.2, 13.5, 32.1, 67.9, 86.5, 96.8],
            0.06,
        ),
        (
            &[
                "--width",
                "1 m",
                "--height",
                "1 m",
                "--lines",
                "5",
                "--per-line",
                "5",
            ],
            "inside",
            &[7.4, 28.8, 50.0, 71.2, 92.6],
            0.06,
        ),
    ];
    for (arguments, key, printed, tolerance) in tables {
        let plan = answer(&[&["plan", "duct", "--json"], arguments].concat())?;
        let found = column(&plan, key)?;
        for (found, printed) in found.iter().zip(printed) {
            ensure!(
                (found / 10.0 - printed).abs() < tolerance,
                "{arguments:?}: {found} mm of 1 m, printed {printed} %"
            );
        }
        let weights: f64 = column(&plan, "weight")?.iter().sum();
        ensure!((weights - 1.0).abs() < 1e-12, "weights sum to {weights}");
    }
    Ok(())
}

/// US EPA Method 1, figure 1-2: 8 and 2 diameters allow 8 points up to 0.61 m, and 12 above; 2 and 0.5 are the least.
fn points(_: &Bench) -> Result<()> {
    let least = |diameter: &str, upstream: &str, downstream: &str| -> Result<Option<u64>> {
        let plan = answer(&[
            "plan",
            "duct",
            "--json",
            "--rule",
            "equal-area",
            "--diameter",
            diameter,
            "--upstream",
            upstream,
            "--downstream",
            downstream,
        ])?;
        ensure!(column(&plan, "x")?.len() as u64 >= plan["points_min"].as_u64().unwrap_or(0));
        Ok(plan["points_min"].as_u64())
    };
    ensure!(least("0.5 m", "8 D", "2 D")? == Some(8));
    ensure!(
        least("0.5 m", "4 m", "1 m")? == Some(8),
        "lengths are divided by the diameter"
    );
    ensure!(least("0.8 m", "8 D", "2 D")? == Some(12));
    ensure!(least("0.8 m", "2 D", "0.5 D")? == Some(16));
    Ok(())
}

fn drawings(bench: &Bench) -> Result<()> {
    let cases: [(&str, &[&str], usize); 2] = [
        ("duct", &["--outer", "600 mm", "--inner", "300 mm"], 2 + 24),
        (
            "zone",
            &["--width", "1.2 m", "--depth", "0.9 m", "--height", "1 m"],
            10,
        ),
    ];
    for (what, arguments, circles) in cases {
        let (svg, csv) = (bench.path(what), bench.path(&format!("{what}.csv")));
        let (svg_name, csv_name) = (svg.to_string_lossy(), csv.to_string_lossy());
        let files = [
            "plan", what, "--json", "--svg", &svg_name, "--csv", &csv_name,
        ];
        let plan = answer(&[&files, arguments].concat())?;
        let drawn = std::fs::read_to_string(&svg)?;
        ensure!(drawn.starts_with("<svg") && drawn.trim_end().ends_with("</svg>"));
        ensure!(
            drawn.matches("<circle").count() == circles,
            "{what}: {} circles",
            drawn.matches("<circle").count()
        );
        let rows = std::fs::read_to_string(&csv)?.lines().count();
        let points = plan["points"]
            .as_array()
            .or(plan["places"].as_array())
            .context("points")?;
        ensure!(rows == points.len() + 1, "{rows} rows");
    }
    Ok(())
}

const OVEN: &str = r#"
[line.bench]
every = "1 s"
modbus-tcp = { address = "192.0.2.10" }
[module.A]
line = "bench"
unit = 1
registers = "input 0-3"
code = "uint16"
count = "1 µA"
[envelope.hot]
velocity = ["0-100 °C: 0.2-50 m/s", "100-250 °C: 0.5-30 m/s"]
[meter.Near]
velocity = { input = "A.1", signal = "4-20 mA", range = "0-50 m/s" }
temperature = { input = "A.2", signal = "4-20 mA", range = "0-500 °C" }
probe = { envelope = "hot" }
[meter.Far]
velocity = { input = "A.3", signal = "4-20 mA", range = "0-50 m/s" }
"#;

fn envelopes(bench: &Bench) -> Result<()> {
    let config = bench.write("oven.toml", OVEN)?;
    let config = config.to_string_lossy();
    let can = |temperature: &str, velocity: &str| -> Result<Vec<Value>> {
        let plan = answer(&[
            "plan",
            "duct",
            "--json",
            "--diameter",
            "400 mm",
            "--config",
            &config,
            "--temperature",
            temperature,
            "--velocity",
            velocity,
        ])?;
        let meters = plan["meters"].as_array().context("meters")?;
        Ok(meters.iter().map(|meter| meter["can"].clone()).collect())
    };
    ensure!(can("180 °C", "8 m/s")? == [Value::from(true), Value::Null]);
    ensure!(can("180 °C", "40 m/s")?[0] == false, "above its band");
    ensure!(can("180 °C", "60 ft/min")?[0] == false, "below its band");
    ensure!(can("300 °C", "8 m/s")?[0] == false, "hotter than its bands");
    Ok(())
}

fn refusals(_: &Bench) -> Result<()> {
    let refused: [(&[&str], &str); 11] = [
        (
            &["air", "properties", "20 °C", "--humidity", "120 %"],
            "between 0 and 100 %",
        ),
        (
            &["air", "properties", "-300 °C"],
            "absolute zero is -273.15 °C",
        ),
        (
            &[
                "air",
                "properties",
                "20 °C",
                "--humidity",
                "dew point 25 °C",
            ],
            "water would be falling out",
        ),
        (
            &["air", "properties", "150 °C", "--humidity", "50 %"],
            "at the room's temperature",
        ),
        (&["air", "properties", "20"], "the unit is missing"),
        (
            &[
                "air",
                "flow",
                "6 m/s actual",
                "--area",
                "-0.5 m²",
                "-t",
                "20 °C",
            ],
            "an area of -0.5 m² cannot be",
        ),
        (
            &[
                "air",
                "flow",
                "6 m/s actual",
                "5 m/s normal",
                "--diameter",
                "0.4 m",
                "-t",
                "20 °C",
            ],
            "convert them to one basis first",
        ),
        (
            &["air", "velocity", "6 m/s", "-t", "20 °C"],
            "does not say what it is",
        ),
        (&["air", "convert", "3 m/s", "°C"], "no factor leads"),
        (
            &[
                "plan",
                "duct",
                "--diameter",
                "400 mm",
                "--probe",
                "8 mm",
                "--reach",
                "200 mm",
            ],
            "use a longer probe",
        ),
        (
            &[
                "plan",
                "duct",
                "--diameter",
                "400 mm",
                "--upstream",
                "1 D",
                "--downstream",
                "1 D",
            ],
            "look for another plane",
        ),
    ];
    for (arguments, words) in refused {
        let arguments: Vec<&OsStr> = arguments.iter().map(OsStr::new).collect();
        let output = daemon::run(&arguments)?;
        let said = String::from_utf8_lossy(&output.stderr);
        ensure!(
            output.status.code() == Some(2),
            "{arguments:?} ended with {:?}",
            output.status
        );
        ensure!(said.contains(words), "{arguments:?} said: {said}");
        ensure!(
            output.stdout.is_empty(),
            "{arguments:?} answered all the same"
        );
    }
    Ok(())
}
