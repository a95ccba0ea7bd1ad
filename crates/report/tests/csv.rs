//! CSV against its golden files and against the `csv` crate, which knows RFC 4180 from elsewhere.

#![allow(clippy::unwrap_used, reason = "a test says by panicking")]

use std::time::Duration;

use jiff::tz::TimeZone;
use proptest::prelude::*;
use zonda_model::{Cause, Code, Period, Quality, Quantity, Sample, Stamp, Unit};
use zonda_report::TrueUtc;
use zonda_report::csv::{BOM, Dialect, Form, GapRow, Gaps, Long, Wide, Zone};
use zonda_report::grid::{Cells, Grid, Missing};
use zonda_report::table::Column;

fn column(name: &str, quantity: Quantity, unit: Unit) -> Column {
    Column {
        name: name.parse().unwrap(),
        quantity,
        unit,
        basis: quantity.basis_words(None),
    }
}

/// Two channels of a curing oven's zone, one of them shown in °F.
fn columns() -> Vec<Column> {
    vec![
        column("Z1-left.velocity", Quantity::Velocity, Unit::MetrePerSecond),
        column(
            "Z1-left.temperature",
            Quantity::Temperature,
            Unit::DegreeFahrenheit,
        ),
    ]
}

/// A quarter of an hour before the clocks go back in Berlin, 2026-10-25.
const START: i64 = 1_792_889_100_000_000;

fn sample(channel: usize, at: i64, value: Option<f64>, quality: Quality) -> Sample<usize> {
    Sample {
        channel,
        at: Stamp::from_micros(START + at),
        code: Some(Code::Count(at / 1000)),
        value,
        quality,
    }
}

fn samples() -> Vec<Sample<usize>> {
    vec![
        sample(0, 1_250, Some(1.25), Quality::empty()),
        sample(1, 1_250, Some(100.0), Quality::SIMULATED),
        sample(0, 251_250, Some(1.5), Quality::LATE | Quality::UNDER_RANGE),
        sample(0, 420_000, Some(2.5), Quality::STUCK),
        Sample {
            code: None,
            ..sample(1, 251_250, None, Quality::NO_NUMBER)
        },
        Sample {
            code: Some(Code::Number(-0.25)),
            ..sample(0, 751_250, Some(-99.0), Quality::OPEN_LOOP)
        },
    ]
}

fn form(dialect: Dialect, zone: Zone) -> Form {
    Form { dialect, zone }
}

fn berlin() -> Zone {
    Zone::Local(TimeZone::get("Europe/Berlin").unwrap())
}

fn long(columns: &[Column], form: &Form, utc: &TrueUtc, samples: &[Sample<usize>]) -> String {
    let mut writer = Long::new(columns, form);
    let mut out = Vec::new();
    writer.head(&mut out);
    for sample in samples {
        writer.sample(utc.of(sample.at), sample, &mut out);
    }
    String::from_utf8(out).unwrap()
}

fn wide(
    form: &Form,
    utc: &TrueUtc,
    samples: &[Sample<usize>],
    gaps: &[Missing],
    end: i64,
) -> String {
    let step = Period::new(Duration::from_millis(250)).unwrap();
    written((step, Cells::Mean), form, utc, samples, gaps, end)
}

fn written(
    (step, cells): (Period, Cells),
    form: &Form,
    utc: &TrueUtc,
    samples: &[Sample<usize>],
    gaps: &[Missing],
    end: i64,
) -> String {
    let mut grid = Grid::new(&columns(), step, cells);
    let mut writer = Wide::new(&columns(), form, cells);
    grid.go_on(samples[0].at);
    let mut out = Vec::new();
    writer.head(&mut out);
    for gap in gaps {
        grid.gap(*gap);
    }
    let mut settle = |grid: &mut Grid, until| {
        let (_, is_all) = grid.settle(until, |row| {
            writer.row(utc.of(row.time), row, &mut out);
            true
        });
        assert!(is_all);
    };
    for sample in samples {
        settle(&mut grid, sample.at);
        grid.sample(sample);
    }
    settle(&mut grid, Stamp::from_micros(START + end));
    String::from_utf8(out).unwrap()
}

fn silence() -> Missing {
    Missing {
        column: 1,
        from: Stamp::from_micros(START + 500_000),
        to: Some(Stamp::from_micros(START + 1_000_000)),
        cause: Cause::NoAnswer,
    }
}

#[track_caller]
fn golden(name: &str, text: &str) {
    let path = format!("{}/tests/golden/{name}", env!("CARGO_MANIFEST_DIR"));
    if std::env::var_os("UPDATE_GOLDEN").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap();
    assert_eq!(text, expected, "{name}: set UPDATE_GOLDEN=1 to accept");
}

#[test]
fn the_long_layout_is_as_reviewed() {
    let text = long(
        &columns(),
        &Form::default(),
        &TrueUtc::default(),
        &samples(),
    );
    golden("long.csv", &text);
}

#[test]
fn the_long_layout_for_a_continental_spreadsheet_is_as_reviewed() {
    let form = form(Dialect::Semicolon, berlin());
    // The board learned the time 300 ms after the first sample: until then it was 20 min slow.
    let utc = TrueUtc::new(vec![
        (Stamp::from_micros(START), -1_200_000_000),
        (Stamp::from_micros(START + 300_000), 0),
    ]);
    golden(
        "long.semicolon.csv",
        &long(&columns(), &form, &utc, &samples()),
    );
}

#[test]
fn the_wide_layout_is_as_reviewed() {
    let mut samples = samples();
    samples.sort_by_key(|sample| sample.at);
    let text = wide(
        &Form::default(),
        &TrueUtc::default(),
        &samples,
        &[silence()],
        1_250_000,
    );
    golden("wide.csv", &text);
    let form = form(Dialect::Semicolon, berlin());
    let text = wide(
        &form,
        &TrueUtc::default(),
        &samples,
        &[silence()],
        1_250_000,
    );
    golden("wide.semicolon.csv", &text);
}

/// Steps of half a second, so that more than one sample falls into one.
#[test]
fn the_other_cells_are_as_reviewed() {
    let mut samples = samples();
    samples.sort_by_key(|sample| sample.at);
    let step = Period::new(Duration::from_millis(500)).unwrap();
    for (cells, name) in [
        (Cells::Summary, "wide.summary.csv"),
        (Cells::Nearest, "wide.nearest.csv"),
    ] {
        let (form, utc) = (Form::default(), TrueUtc::default());
        let text = written(
            (step, cells),
            &form,
            &utc,
            &samples,
            &[silence()],
            1_250_000,
        );
        golden(name, &text);
    }
}

#[test]
fn the_gaps_layout_is_as_reviewed_and_runs_nothing() {
    let gap = |to, detail| GapRow {
        channel: "Z1-left.velocity",
        from: Stamp::from_micros(START),
        to,
        cause: Cause::Timeout,
        missed: 3,
        detail,
    };
    let mut writer = Gaps::new(&Form::default());
    let mut out = Vec::new();
    writer.head(&mut out);
    let end = Some(Stamp::from_micros(START + 750_000));
    writer.gap(&gap(end, "no answer within 200 ms, \"unit 3\""), &mut out);
    writer.gap(&gap(None, "=HYPERLINK(1)"), &mut out);
    golden("gaps.csv", std::str::from_utf8(&out).unwrap());
}

#[test]
fn the_byte_order_mark_is_utf_8s() {
    assert_eq!(BOM, [0xef, 0xbb, 0xbf]);
}

fn any_sample() -> impl Strategy<Value = Sample<usize>> {
    let code = prop_oneof![
        any::<i64>().prop_map(Code::Count),
        (-1e9f64..1e9).prop_map(Code::Number)
    ];
    (
        0usize..2,
        0i64..5_000_000,
        prop::option::of(code),
        prop::option::of(-1e6f64..1e6),
        any::<u32>(),
    )
        .prop_map(|(channel, at, code, value, bits)| Sample {
            channel,
            at: Stamp::from_micros(START + at),
            code,
            value,
            quality: Quality::from_bits_truncate(bits),
        })
}

fn quality_of(cell: &str) -> Quality {
    cell.split(' ')
        .filter(|word| *word != "good" && !word.is_empty())
        .map(|word| Quality::from_word(word).expect(word))
        .collect()
}

proptest! {
    #[test]
    fn every_sample_reads_back_from_the_long_layout(samples in prop::collection::vec(any_sample(), 1..40)) {
        let columns = [columns()[0].clone(), column("Z1-left.temperature", Quantity::Temperature, Unit::DegreeCelsius)];
        let text = long(&columns, &Form::default(), &TrueUtc::default(), &samples);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let records: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
        prop_assert_eq!(records.len(), samples.len());
        for (record, sample) in records.iter().zip(&samples) {
            let at: jiff::Timestamp = record[0].parse().unwrap();
            prop_assert_eq!(at.as_microsecond(), sample.at.micros());
            prop_assert_eq!(&record[1], columns[sample.channel].name.as_str());
            prop_assert_eq!(record[2].parse().ok(), sample.value);
            prop_assert_eq!(&record[3], columns[sample.channel].unit.symbol());
            prop_assert_eq!(quality_of(&record[4]), sample.quality);
            let code = match sample.code {
                Some(Code::Count(_)) => record[5].parse().ok().map(Code::Count),
                _ => record[5].parse().ok().map(Code::Number),
            };
            prop_assert_eq!(code, sample.code);
        }
    }

    #[test]
    fn no_sample_is_lost_between_the_steps_of_the_wide_layout(mut samples in prop::collection::vec(any_sample(), 1..40)) {
        samples.sort_by_key(|sample| sample.at);
        let text = wide(&Form::default(), &TrueUtc::default(), &samples, &[], 5_250_000);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let records: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
        let step = Period::new(Duration::from_millis(250)).unwrap();
        for (index, record) in records.iter().enumerate() {
            let at: jiff::Timestamp = record[0].parse().unwrap();
            let at = Stamp::from_micros(at.as_microsecond());
            prop_assert_eq!(at, samples[0].at.floor(step).plus(step.duration() * u32::try_from(index).unwrap()));
            for channel in 0..2 {
                let flags = samples.iter().filter(|it| it.channel == channel && it.at.floor(step) == at)
                    .map(|it| it.quality).reduce(|a, b| a | b);
                prop_assert_eq!(&record[4 + channel], &flags.map_or(String::new(), |it| it.to_string()));
            }
        }
    }

    /// Against a search through all samples.
    #[test]
    fn the_nearest_sample_is_the_nearest(offsets in prop::collection::btree_set(0i64..3_000_000, 1..40)) {
        let step = Period::new(Duration::from_millis(250)).unwrap();
        let begin = Stamp::from_micros(START).floor(step);
        let samples: Vec<_> = offsets.iter().map(|offset| Sample {
            channel: 0,
            at: Stamp::from_micros(begin.micros() + offset),
            code: None,
            #[allow(clippy::cast_precision_loss, reason = "small numbers")]
            value: Some(*offset as f64),
            quality: Quality::empty(),
        }).collect();
        let mut grid = Grid::new(&columns()[..1], step, Cells::Nearest);
        grid.go_on(begin);
        let mut found = Vec::new();
        let mut settle = |grid: &mut Grid, until| grid.settle(until, |row| {
            found.push(row.tallies[0].value());
            true
        });
        for sample in &samples {
            settle(&mut grid, sample.at);
            grid.sample(sample);
        }
        settle(&mut grid, Stamp::from_micros(begin.micros() + 3_125_000));
        for (index, found) in found.into_iter().enumerate() {
            let time = i64::try_from(index).unwrap() * 250_000;
            let near = offsets.iter().copied().filter(|offset| (time - 125_000..time + 125_000).contains(offset));
            let nearest = near.min_by_key(|offset| (offset - time).abs());
            #[allow(clippy::cast_precision_loss, reason = "small numbers")]
            let expected = nearest.map(|offset| offset as f64);
            prop_assert_eq!(found, expected, "step {}", index);
        }
    }
}
