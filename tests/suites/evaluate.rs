//! Means, steadiness, zones and transients against numpy, scipy and pandas, on problems that are posed anew for every seed.

use std::collections::BTreeMap;
use std::sync::OnceLock;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use libtest_mimic::Trial;
use serde::Deserialize;
use zonda_evaluate::coverage::CoverageMin;
use zonda_evaluate::moving::Moving;
use zonda_evaluate::robust::Ordered;
use zonda_evaluate::transient::{CourseRule, Settling, Step, Way};
use zonda_evaluate::windows::{Start, WindowPlan, Windowing};
use zonda_evaluate::zone::evenness::Velocity;
use zonda_evaluate::zone::{Evenness, Flow, Layout, Place, Survey, SurveyRule, WorkZone};
use zonda_evaluate::{Averaging, Band, Course, MeanRule, Reading, Steadiness, SteadyRule, Stretch};
use zonda_model::{Period, Quantity, Stamp};
use zonda_tests::bench::Bench;
use zonda_tests::peer;
use zonda_tests::suite::{Need, test};

const SEEDS: [&str; 2] = ["1", "7360"];

pub(crate) fn tests() -> Vec<Trial> {
    let needs = [Need::Peers];
    vec![
        test(
            "evaluate::means_are_those_of_numpy_and_scipy",
            &needs,
            series,
        ),
        test("evaluate::windows_are_those_of_pandas", &needs, over_time),
        test(
            "evaluate::steadiness_is_judged_as_by_scipy",
            &needs,
            windows,
        ),
        test("evaluate::zones_are_surveyed_as_by_numpy", &needs, zones),
        test("evaluate::evenness_is_that_of_numpy", &needs, evenness),
        test(
            "evaluate::transients_are_those_of_scipy",
            &needs,
            transients,
        ),
    ]
}

#[derive(Deserialize)]
struct Problems {
    series: Vec<Series>,
    over_time: Vec<OverTime>,
    windows: Vec<Window>,
    zones: Vec<Zone>,
    evenness: Vec<Even>,
    transients: Vec<Transient>,
}

#[derive(Deserialize)]
struct Series {
    values: Vec<f64>,
    mean: f64,
    sd: f64,
    lag_one: f64,
    median: f64,
    mad: f64,
    trimmed: f64,
}

#[derive(Deserialize)]
struct OverTime {
    seconds: Vec<f64>,
    values: Vec<f64>,
    moving_mean: Vec<f64>,
    moving_count: Vec<f64>,
    fixed_mean: Vec<f64>,
    fixed_sd: Vec<f64>,
    fixed_count: Vec<f64>,
}

#[derive(Deserialize)]
struct Window {
    values: Vec<f64>,
    mean: f64,
    climb: f64,
    u_climb: f64,
    is_steady: bool,
}

#[derive(Deserialize)]
struct Zone {
    at: Vec<[f64; 3]>,
    scans: Vec<Vec<f64>>,
    mean: f64,
    sd_of_means: f64,
    gradient: f64,
    warmest: usize,
    coldest: usize,
    steepest: f64,
    spread: f64,
    spread_mean: f64,
    overall: f64,
    fluctuation: f64,
    highest: f64,
    lowest: f64,
    within: u64,
    excursions: u64,
    drift: f64,
}

#[derive(Deserialize)]
struct Even {
    v: Vec<f64>,
    area: Vec<f64>,
    mean: f64,
    cv: f64,
    cv_weighted: f64,
    max_over_min: f64,
    index: f64,
}

#[derive(Deserialize)]
struct Transient {
    seconds: Vec<f64>,
    values: Vec<f64>,
    passed: BTreeMap<String, Option<f64>>,
    overshoot: f64,
    peak_at: f64,
    settled_by: f64,
    steepest: f64,
}

/// Posed once, as an interpreter and its libraries take seconds to start.
fn problems() -> Result<&'static [Problems]> {
    static POSED: OnceLock<Result<Vec<Problems>>> = OnceLock::new();
    let pose = |seed: &&str| {
        let said = peer::run("evaluate.py", &[seed.as_ref()])?;
        serde_json::from_str(&said).context("not the problems that were expected")
    };
    match POSED.get_or_init(|| SEEDS.iter().map(pose).collect()) {
        Ok(posed) => Ok(posed),
        Err(error) => bail!("{error:#}"),
    }
}

fn expect(what: &str, found: f64, expected: f64, tolerance: f64) -> Result<()> {
    let off = (found - expected).abs();
    ensure!(
        off <= tolerance * expected.abs().max(1e-3),
        "{what}: {found}, expected {expected}"
    );
    Ok(())
}

fn second(seconds: f64) -> Stamp {
    Stamp::from_millis(0).plus(Duration::from_secs_f64(seconds))
}

fn until(seconds: usize) -> Result<Stretch> {
    let to = Duration::from_secs(u64::try_from(seconds)?);
    Ok(Stretch::new(second(0.0), second(0.0).plus(to))?)
}

/// One reading a second.
fn every_second(values: &[f64]) -> impl Iterator<Item = Reading> {
    let at = (0..).map(|k: i64| Stamp::from_millis(1000 * k));
    at.zip(values).map(|(at, value)| Reading::good(at, *value))
}

fn at_seconds(seconds: &[f64], values: &[f64]) -> Vec<Reading> {
    let pairs = seconds.iter().zip(values);
    pairs
        .map(|(at, value)| Reading::good(second(*at), *value))
        .collect()
}

/// Of whatever there is.
fn lenient() -> Result<MeanRule> {
    Ok(MeanRule {
        coverage_min: CoverageMin::new(1e-6)?,
        ..MeanRule::every(Period::SECOND)
    })
}

fn series(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for series in problems()?.iter().flat_map(|posed| &posed.series) {
        let stretch = until(series.values.len())?;
        let mut averaging = Averaging::new(stretch, MeanRule::every(Period::SECOND));
        for reading in every_second(&series.values) {
            averaging.push(&reading)?;
        }
        let found = averaging.finish()?;
        expect("mean", found.mean, series.mean, 1e-15)?;
        expect(
            "standard deviation",
            found.sd.context("no sd")?,
            series.sd,
            1e-12,
        )?;
        expect(
            "lag one",
            found.lag_one.context("no lag one")?,
            series.lag_one,
            1e-6,
        )?;
        let ordered = Ordered::new(series.values.clone())?;
        expect("median", ordered.median(), series.median, 1e-15)?;
        expect("MAD", ordered.median_absolute_deviation(), series.mad, 1e-9)?;
        expect(
            "trimmed mean",
            ordered.trimmed_mean(0.1)?,
            series.trimmed,
            1e-14,
        )?;
        count += 1;
    }
    println!("evaluate: {count} series agree");
    Ok(())
}

fn over_time(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()?.iter().flat_map(|posed| &posed.over_time) {
        let readings = at_seconds(&posed.seconds, &posed.values);
        let mut moving = Moving::new(Duration::from_secs(30), lenient()?)?;
        let expected = posed.moving_mean.iter().zip(&posed.moving_count);
        for (reading, (mean, held)) in readings.iter().zip(expected) {
            let found = moving.push(reading)?;
            expect("moving mean", found.mean.context("no mean")?, *mean, 1e-12)?;
            expect(
                "readings in it",
                f64::from(u32::try_from(found.count)?),
                *held,
                1e-12,
            )?;
        }

        let whole = until(1200)?;
        let length = Duration::from_mins(2);
        let plan = WindowPlan::new(whole, length, length)?.starting(Start::OnTheClock);
        let mut windowing = Windowing::new(plan, lenient()?);
        let mut found = Vec::new();
        for reading in &readings {
            found.extend(windowing.push(reading)?);
        }
        found.extend(windowing.finish());
        ensure!(
            found.len() == posed.fixed_mean.len(),
            "{} windows",
            found.len()
        );
        for (k, window) in found.into_iter().enumerate() {
            let window = window?;
            expect("window's mean", window.mean, posed.fixed_mean[k], 1e-12)?;
            expect(
                "window's sd",
                window.sd.context("no sd")?,
                posed.fixed_sd[k],
                1e-9,
            )?;
            let used = f64::from(u32::try_from(window.tally.used())?);
            expect("window's readings", used, posed.fixed_count[k], 1e-12)?;
            count += 1;
        }
    }
    println!("evaluate: {count} windows agree");
    Ok(())
}

fn windows(_bench: &Bench) -> Result<()> {
    let (mut steady, mut moving) = (0, 0);
    for posed in problems()?.iter().flat_map(|posed| &posed.windows) {
        let rule = SteadyRule::over(Duration::from_secs(640), Period::SECOND);
        let mut steadiness = Steadiness::new(rule)?;
        for reading in every_second(&posed.values) {
            steadiness.push(&reading)?;
        }
        let state = steadiness.reach(second(640.0))?;
        let window = steadiness.window().context("no window")?;
        expect("mean", window.mean, posed.mean, 1e-9)?;
        expect("climb", window.climb, posed.climb, 1e-9)?;
        expect("u(climb)", window.u_climb, posed.u_climb, 1e-9)?;
        ensure!(
            state.is_steady() == posed.is_steady,
            "{state:?}, scipy: {}",
            posed.is_steady
        );
        *(if posed.is_steady {
            &mut steady
        } else {
            &mut moving
        }) += 1;
    }
    ensure!(
        steady > 20 && moving > 20,
        "{steady} steady and {moving} moving windows show little"
    );
    println!("evaluate: {steady} steady and {moving} moving windows agree");
    Ok(())
}

fn zones(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()?.iter().flat_map(|posed| &posed.zones) {
        let place = |(k, at): (usize, &[f64; 3])| Place {
            name: format!("P{k}"),
            at: *at,
        };
        let places = posed.at.iter().enumerate().map(place).collect();
        let layout = Layout::own(WorkZone::block(1.0, 1.0, 1.0)?, places)?;
        let quantities = vec![Quantity::Temperature; posed.at.len()];
        let rule = SurveyRule {
            mean: MeanRule::every(Period::SECOND),
            band: Some(Band::around(180.0, 2.5)?),
        };
        let mut survey = Survey::new(layout, &quantities, until(posed.scans.len())?, rule)?;
        for (k, scan) in (0..).zip(&posed.scans) {
            let at = Stamp::from_millis(1000 * k);
            let scan: Vec<Reading> = scan.iter().map(|value| Reading::good(at, *value)).collect();
            survey.push(&scan)?;
        }
        let found = survey.finish()?;
        let deviation = found.deviation.context("no deviation")?;
        for (what, found, expected) in [
            ("mean", found.mean, posed.mean),
            ("sd of means", found.sd_of_means, posed.sd_of_means),
            ("gradient", found.gradient, posed.gradient),
            ("steepest", found.steepest, posed.steepest),
            (
                "spread",
                found.spread.context("no spread")?.value,
                posed.spread,
            ),
            (
                "mean spread",
                found.spread_mean.context("no spread")?,
                posed.spread_mean,
            ),
            ("overall", found.overall, posed.overall),
            ("fluctuation", found.fluctuation.value, posed.fluctuation),
            ("highest", deviation.highest.value, posed.highest),
            ("lowest", deviation.lowest.value, posed.lowest),
            ("drift", found.drift, posed.drift),
        ] {
            expect(what, found, expected, 1e-9)?;
        }
        ensure!(
            (found.warmest, found.coldest) == (posed.warmest, posed.coldest),
            "warmest and coldest"
        );
        ensure!(
            deviation.within.total == Duration::from_secs(posed.within),
            "{:?}",
            deviation.within
        );
        ensure!(
            deviation.within.excursions == posed.excursions,
            "{:?}",
            deviation.within
        );
        count += 1;
    }
    println!("evaluate: {count} zones agree");
    Ok(())
}

fn evenness(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()?.iter().flat_map(|posed| &posed.evenness) {
        let flow = |(v, area): (&f64, &f64)| Flow {
            velocity: Velocity::At(*v),
            area: *area,
        };
        let flows: Vec<Flow> = posed.v.iter().zip(&posed.area).map(flow).collect();
        let found = Evenness::of(&flows)?;
        expect("mean", found.mean, posed.mean, 1e-12)?;
        expect("CV", found.cv, posed.cv, 1e-12)?;
        expect("weighted CV", found.cv_weighted, posed.cv_weighted, 1e-12)?;
        expect(
            "max/min",
            found.max_over_min.context("no ratio")?,
            posed.max_over_min,
            1e-12,
        )?;
        expect("index", found.index, posed.index, 1e-12)?;
        count += 1;
    }
    println!("evaluate: {count} rows of velocities agree");
    Ok(())
}

fn transients(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()?.iter().flat_map(|posed| &posed.transients) {
        let rule = CourseRule {
            smoothing: Duration::from_secs(20),
            ..CourseRule::every(Period::SECOND)
        };
        let course = Course::new(rule, at_seconds(&posed.seconds, &posed.values))?;
        let start = second(0.0);
        for (level, expected) in &posed.passed {
            let crossing = course
                .crossing(level.parse()?, Way::Up, start)
                .context("never passed")?;
            ensure!(
                crossing.at.is_some() == expected.is_some(),
                "{level}: {crossing:?}, {expected:?}"
            );
            if let Some((found, expected)) = crossing.at.zip(*expected) {
                // Stamps are whole microseconds.
                expect("crossing", found.seconds(), expected, 1e-7)?;
            }
        }
        let to = Band::around(200.0, 5.0)?;
        let peak = course
            .overshoot(Step { from: 25.0, to }, start)
            .context("no overshoot")?;
        expect("overshoot", peak.value, posed.overshoot, 1e-8)?;
        expect("its time", peak.at.seconds(), posed.peak_at, 1e-12)?;
        let Settling::Settled(stay) = course.settling(to, Duration::from_mins(5), start) else {
            bail!("does not settle");
        };
        expect(
            "settled by",
            stay.since.by.seconds(),
            posed.settled_by,
            1e-12,
        )?;
        let steepest = course
            .steepest(Duration::from_mins(1), Way::Up)
            .context("no rate")?;
        expect("steepest", steepest.per_second, posed.steepest, 1e-8)?;
        count += 1;
    }
    println!("evaluate: {count} transients agree");
    Ok(())
}
