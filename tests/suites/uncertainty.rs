//! Straight lines, budgets, the laws that carry them and their cross-check by drawing, against GTC, scipy and numpy on
//! problems that are posed anew for every seed.

use std::sync::OnceLock;

use anyhow::{Context, Result, bail, ensure};
use libtest_mimic::Trial as Test;
use serde::Deserialize;
use zonda_model::Unit;
use zonda_tests::bench::Bench;
use zonda_tests::peer;
use zonda_tests::suite::{Need, test};
use zonda_uncertainty::trial::Count;
use zonda_uncertainty::{
    Budget, Common, Dof, Influence, Level, Line, NoisyPoint, Origin, Spread, Trial, law,
};

const SEEDS: [&str; 2] = ["1", "7360"];

pub(crate) fn tests() -> Vec<Test> {
    let needs = [Need::Peers];
    vec![
        test(
            "uncertainty::lines_are_those_of_three_libraries",
            &needs,
            lines,
        ),
        test("uncertainty::budgets_are_those_of_gtc", &needs, budgets),
        test("uncertainty::laws_are_those_of_gtc", &needs, laws),
        test("uncertainty::draws_are_those_of_numpy", &needs, draws),
    ]
}

#[derive(Deserialize)]
struct Problems {
    ordinary: Vec<Points>,
    weighted: Vec<Points>,
    both_noisy: Vec<Points>,
    budget: Vec<Sum>,
    correlated: Vec<Sum>,
    laws: Vec<Laws>,
    drawn: Vec<Drawn>,
}

#[derive(Debug, Deserialize)]
struct Points {
    x: Vec<f64>,
    y: Vec<f64>,
    u_x: Vec<f64>,
    u_y: Vec<f64>,
    intercept: f64,
    slope: f64,
    intercept_u: f64,
    slope_u: f64,
    correlation: Option<f64>,
    dof: Option<f64>,
    birge: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Freedom {
    Finite(f64),
    Infinite(String),
}

#[derive(Debug, Deserialize)]
struct Sum {
    u: Vec<f64>,
    c: Vec<f64>,
    #[serde(default)]
    dof: Vec<Freedom>,
    #[serde(default)]
    r: Vec<f64>,
    combined: f64,
    effective: Option<Freedom>,
    p: Option<f64>,
    k: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct Laws {
    values: Vec<f64>,
    own: Vec<f64>,
    gain: Vec<f64>,
    results: std::collections::BTreeMap<String, (f64, f64)>,
}

#[derive(Debug, Deserialize)]
struct Drawn {
    rectangle: f64,
    wave: f64,
    u: f64,
    dof: f64,
    sd: f64,
    low: f64,
    high: f64,
}

/// Posed once, as an interpreter and its libraries take seconds to start.
fn problems() -> Result<&'static [Problems]> {
    static POSED: OnceLock<Result<Vec<Problems>>> = OnceLock::new();
    let pose = |seed: &&str| {
        let said = peer::run("uncertainty.py", &[seed.as_ref()])?;
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
        off <= tolerance * expected.abs().max(1e-12),
        "{what}: {found}, expected {expected}"
    );
    Ok(())
}

fn lines(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()? {
        for points in &posed.ordinary {
            let pairs: Vec<_> = points
                .x
                .iter()
                .copied()
                .zip(points.y.iter().copied())
                .collect();
            check_line(points, &Line::ordinary(&pairs)?, 1e-9)?;
            // Where x is hardly noisy, both are one line.
            let nearly = Line::deming(&pairs, 1e12)?;
            expect(
                "slope with next to no noise in x",
                nearly.slope(),
                points.slope,
                1e-6,
            )?;
        }
        for points in &posed.weighted {
            let triples: Vec<_> = points
                .noisy()
                .map(|point| (point.x, point.y, point.u_y))
                .collect();
            check_line(points, &Line::weighted(&triples)?, 1e-9)?;
        }
        for points in &posed.both_noisy {
            // Their uncertainties are two approximations of the same thing.
            let line = Line::york(&points.noisy().collect::<Vec<_>>())?;
            expect("slope", line.slope(), points.slope, 1e-7)?;
            expect("intercept", line.intercept(), points.intercept, 1e-5)?;
            expect("u(slope)", line.slope_u(), points.slope_u, 0.03)?;
            expect("u(intercept)", line.intercept_u(), points.intercept_u, 0.03)?;
            let birge = line.birge().zip(points.birge).context("no scatter")?;
            expect("Birge's ratio", birge.0, birge.1, 1e-6)?;
        }
        count += posed.ordinary.len() + posed.weighted.len() + posed.both_noisy.len();
    }
    println!("uncertainty: {count} lines agree");
    Ok(())
}

impl Points {
    fn noisy(&self) -> impl Iterator<Item = NoisyPoint> {
        let coordinates = self.x.iter().zip(&self.y);
        coordinates
            .zip(self.u_x.iter().zip(&self.u_y))
            .map(|((x, y), (u_x, u_y))| NoisyPoint {
                u_x: *u_x,
                ..NoisyPoint::in_y(*x, *y, *u_y)
            })
    }
}

fn check_line(points: &Points, line: &Line, tolerance: f64) -> Result<()> {
    expect("slope", line.slope(), points.slope, tolerance)?;
    expect("intercept", line.intercept(), points.intercept, tolerance)?;
    expect("u(slope)", line.slope_u(), points.slope_u, tolerance)?;
    expect(
        "u(intercept)",
        line.intercept_u(),
        points.intercept_u,
        tolerance,
    )?;
    let correlation = points.correlation.context("no correlation")?;
    expect("correlation", line.correlation(), correlation, tolerance)?;
    points.dof.map_or(Ok(()), |dof| {
        expect("degrees of freedom", line.dof(), dof, 1e-12)
    })
}

fn budgets(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for posed in problems()? {
        for sum in posed.budget.iter().chain(&posed.correlated) {
            let budget = sum.budget()?;
            expect("u", budget.u(), sum.combined, 1e-9)?;
            if let Some(effective) = &sum.effective {
                expect_dof(budget.dof(), effective)?;
            }
            if let (Some(p), Some(k)) = (sum.p, sum.k) {
                expect("k", budget.expanded(Level::new(p)?)?.k, k, 1e-8)?;
            }
            count += 1;
        }
    }
    println!("uncertainty: {count} budgets agree");
    Ok(())
}

fn expect_dof(found: Dof, expected: &Freedom) -> Result<()> {
    match expected {
        Freedom::Finite(expected) => expect("degrees of freedom", found.value(), *expected, 1e-9),
        Freedom::Infinite(word) => {
            ensure!(found == Dof::INFINITE, "{found}, expected {word}");
            Ok(())
        }
    }
}

impl Sum {
    fn budget(&self) -> Result<Budget> {
        let origin = |index: usize| Origin::new("input", index.to_string());
        let mut draft = Budget::draft("sum", 0.0, Unit::Metre);
        for (index, (u, c)) in self.u.iter().zip(&self.c).enumerate() {
            let dof = match self.dof.get(index) {
                Some(Freedom::Finite(dof)) => Dof::new(*dof)?,
                _ => Dof::INFINITE,
            };
            let spread = Spread::normal(*u)?.with_dof(dof);
            draft.add(Influence::new(origin(index), Unit::Metre, spread), *c);
        }
        for ((i, j), r) in [(0, 1), (0, 2), (1, 2)].into_iter().zip(&self.r) {
            draft = draft.tied(origin(i), origin(j), *r);
        }
        Ok(draft.finish()?)
    }
}

fn laws(_bench: &Bench) -> Result<()> {
    let mut count = 0;
    for problem in problems()?.iter().flat_map(|posed| &posed.laws) {
        let channels: Vec<Budget> = (0..problem.values.len())
            .map(|index| problem.channel(index))
            .collect::<Result<_>>()?;
        let all: Vec<&Budget> = channels.iter().collect();
        let weighted: Vec<(f64, &Budget)> = all.iter().map(|channel| (1.0, *channel)).collect();
        for (name, (value, u)) in &problem.results {
            let result = match name.as_str() {
                "mean" => law::mean(name, &weighted)?,
                "difference" => law::difference(name, all[0], all[1])?,
                "sum" => law::sum(name, &all)?,
                "product" => law::product(name, all[0], all[1], Unit::One)?,
                "ratio" => law::ratio(name, all[2], all[3])?,
                "range" => law::range(name, &all)?,
                "spread" => law::spread(name, &all)?,
                other => bail!("no such law here: {other}"),
            };
            expect(name, result.value(), *value, 1e-9)?;
            expect(&format!("u of the {name}"), result.u(), *u, 1e-9)?;
            count += 1;
        }
    }
    println!("uncertainty: {count} results of laws agree");
    Ok(())
}

impl Laws {
    fn channel(&self, index: usize) -> Result<Budget> {
        let name = format!("channel {index}");
        let influence = |what: &str, u: f64| -> Result<Influence> {
            let origin = Origin::new(&name, what);
            Ok(Influence::new(
                origin,
                Unit::MetrePerSecond,
                Spread::normal(u)?,
            ))
        };
        let gain = influence("converter", self.gain[index])?.shared("converter A", Common::Wholly);
        Ok(
            Budget::draft(&name, self.values[index], Unit::MetrePerSecond)
                .row(influence("own", self.own[index])?, 1.0)
                .row(gain, 1.0)
                .finish()?,
        )
    }
}

/// Two sets of some 10⁵ draws differ by some 0.3 % of u.
const BY_CHANCE: f64 = 0.01;

fn draws(_bench: &Bench) -> Result<()> {
    let trial = Trial {
        count: Count::Fixed(100_000),
        ..Trial::DEFAULT
    };
    let mut count = 0;
    for problem in problems()?.iter().flat_map(|posed| &posed.drawn) {
        let influence = |what: &str, spread: Spread| {
            Influence::new(Origin::new("sum", what), Unit::Metre, spread)
        };
        let budget = Budget::draft("sum", 0.0, Unit::Metre)
            .row(
                influence("rectangle", Spread::rectangular(problem.rectangle)?),
                1.0,
            )
            .row(influence("wave", Spread::u_shaped(problem.wave)?), 1.0)
            .row(
                influence(
                    "scatter",
                    Spread::scatter(problem.u, Dof::new(problem.dof)?)?,
                ),
                1.0,
            )
            .finish()?;
        let outcome = budget.tried(trial)?;
        expect("standard deviation", outcome.u, problem.sd, BY_CHANCE)?;
        expect(
            "lower end",
            outcome.symmetric.low,
            problem.low,
            2.0 * BY_CHANCE,
        )?;
        expect(
            "upper end",
            outcome.symmetric.high,
            problem.high,
            2.0 * BY_CHANCE,
        )?;
        count += 1;
    }
    println!("uncertainty: {count} drawn sums agree");
    Ok(())
}
