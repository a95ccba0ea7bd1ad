//! Budgets of a survey's figures: slopes against the figures by differences, and what must hold of a mean and a gradient.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use proptest::prelude::*;
use support::{assert_rel, second, white};
use zonda_evaluate::doubt::{CertificateDoubt, ConverterDoubt};
use zonda_evaluate::uncertainty::slope::gradient;
use zonda_evaluate::uncertainty::{Budget, Common, Influence, Origin, Row, Spread};
use zonda_evaluate::worth::{BadWorth, EvennessBudgets, UniformityBudgets};
use zonda_evaluate::zone::evenness::Velocity;
use zonda_evaluate::zone::{
    Clearance, Evenness, Flow, Layout, Survey, SurveyRule, Uniformity, WorkZone,
};
use zonda_evaluate::{Band, ChannelDoubts, Doubt, MeanRule, Reading, Stretch};
use zonda_model::{Period, Quantity, Unit};

/// Nine places about 180 °C, the last the coldest and the first the warmest, with noise of 0.2 K.
fn survey() -> Uniformity {
    let zone = WorkZone::block(1.2, 1.5, 1.0).unwrap();
    let layout = Layout::corners_and_centre(zone, Clearance::Tenth).unwrap();
    let rule = SurveyRule {
        mean: MeanRule::every(Period::SECOND),
        band: Some(Band::around(180.0, 3.0).unwrap()),
    };
    let stretch = Stretch::new(second(0.0), second(20.0)).unwrap();
    let mut survey = Survey::new(layout, &[Quantity::Temperature; 9], stretch, rule).unwrap();
    let noise = white();
    for k in 0..20 {
        let value = |place: usize| 180.0 - 0.5 * support::float(place) + 0.2 * noise[9 * k + place];
        let scan: Vec<Reading> = (0..9)
            .map(|place| Reading::good(second(support::float(k)), value(place)))
            .collect();
        survey.push(&scan).unwrap();
    }
    survey.finish().unwrap()
}

fn channels(common: Common) -> Vec<ChannelDoubts> {
    let channel = |place: u32| ChannelDoubts {
        certificate: Doubt::Stated(CertificateDoubt {
            number: format!("T-{place}"),
            expanded: 0.6,
            k: 2.0,
            common: Common::Wholly,
        }),
        drift: Doubt::Absent,
        output: Doubt::Absent,
        converter: Doubt::Stated(ConverterDoubt {
            name: "A".to_owned(),
            accuracy: 4e-3,
            unit: Unit::Volt,
            slope: 100.0,
            common,
        }),
        step: Doubt::Absent,
        position: Doubt::Absent,
        radiation: Doubt::Stated(1.0),
        ..ChannelDoubts::new(format!("P{place}.temperature"), Quantity::Temperature)
    };
    (1..=9).map(channel).collect()
}

/// In closed form: what is each probe's own shrinks by nine in the mean and doubles in the gradient; the converter stays in
/// the one and leaves the other.
#[test]
fn a_shared_converter_stays_in_the_mean_and_leaves_the_gradient() {
    let uniformity = survey();
    let budgets = UniformityBudgets::of(&uniformity, &channels(Common::Wholly)).unwrap();
    let scatter = |place: usize| uniformity.places[place].standard_error.unwrap().u;
    let (own, converter) = (0.09 + 1.0 / 3.0, 0.16 / 3.0);
    let scatters: f64 = (0..9).map(|place| scatter(place).powi(2)).sum();
    assert_rel(budgets.mean.value(), uniformity.mean, 1e-12);
    assert_rel(
        budgets.mean.u().powi(2),
        own / 9.0 + converter + scatters / 81.0,
        1e-9,
    );
    assert_rel(budgets.gradient.value(), uniformity.gradient, 1e-12);
    assert_eq!(budgets.gradient.unit(), Unit::Kelvin);
    let (warmest, coldest) = (scatter(uniformity.warmest), scatter(uniformity.coldest));
    let expected = 2.0 * own + warmest * warmest + coldest * coldest;
    assert_rel(budgets.gradient.u().powi(2), expected, 1e-9);
    let sd = budgets.sd_of_means.unwrap();
    assert_rel(sd.value(), uniformity.sd_of_means, 1e-12);
    // Where nobody knows, the gradient keeps it as well.
    let unknown = UniformityBudgets::of(&uniformity, &channels(Common::Unknown)).unwrap();
    assert_rel(unknown.mean.u(), budgets.mean.u(), 1e-9);
    assert_rel(
        unknown.gradient.u().powi(2),
        expected + 2.0 * converter,
        1e-9,
    );
}

/// The deviation is of one reading, whose own scatter is what is measured.
#[test]
fn deviations_carry_what_their_place_is_worth() {
    let uniformity = survey();
    let budgets = UniformityBudgets::of(&uniformity, &channels(Common::Wholly)).unwrap();
    let deviation = uniformity.deviation.unwrap();
    let lowest = budgets.lowest.unwrap();
    assert_rel(lowest.value(), deviation.lowest.value, 1e-12);
    assert_rel(lowest.u().powi(2), 0.09 + 1.0 / 3.0 + 0.16 / 3.0, 1e-9);
    assert_eq!(lowest.unit(), Unit::Kelvin);
    assert_rel(
        budgets.highest.unwrap().value(),
        deviation.highest.value,
        1e-12,
    );
}

#[test]
fn a_place_without_a_channel_is_refused_with_a_sentence() {
    let few = &channels(Common::Wholly)[..8];
    let error = UniformityBudgets::of(&survey(), few).unwrap_err();
    assert_eq!(
        error,
        BadWorth::Count {
            places: 9,
            channels: 8
        }
    );
    assert_eq!(
        error.to_string(),
        "the survey has 9 places, and doubts are stated for 8 channels"
    );
}

fn evenness(values: &[f64], areas: &[f64]) -> Evenness {
    let flow = |(v, area): (&f64, &f64)| Flow {
        velocity: Velocity::At(*v),
        area: *area,
    };
    Evenness::of(&values.iter().zip(areas).map(flow).collect::<Vec<_>>()).unwrap()
}

proptest! {
    #[test]
    fn slopes_are_those_of_the_figures(values in prop::collection::vec(1.0..9.0f64, 3..8), areas in prop::collection::vec(0.1..1.0f64, 8)) {
        let areas = &areas[..values.len()];
        let figures = evenness(&values, areas);
        // The index has an edge where a velocity is the mean.
        prop_assume!(values.iter().all(|v| (v - figures.mean).abs() > 0.01) && figures.cv > 0.05);
        let velocity = |(index, v): (usize, &f64)| {
            let influence = Influence::new(Origin::new(index.to_string(), "all"), Unit::MetrePerSecond, Spread::normal(0.1).unwrap());
            Budget::input(*v, Unit::MetrePerSecond, influence).unwrap()
        };
        let velocities: Vec<(Budget, f64)> = values.iter().enumerate().map(velocity).zip(areas.iter().copied()).collect();
        let budgets = EvennessBudgets::of(&velocities).unwrap();
        let steps = vec![1e-3; values.len()];
        for (budget, figure) in [
            (&budgets.mean, (|e: &Evenness| e.mean) as fn(&Evenness) -> f64),
            (budgets.cv.as_ref().unwrap(), |e| e.cv),
            (&budgets.index, |e| e.index),
        ] {
            prop_assert!((budget.value() - figure(&figures)).abs() < 1e-12);
            let expected = gradient(|x| figure(&evenness(x, areas)), &values, &steps);
            for (found, expected) in budget.rows().iter().map(Row::sensitivity).zip(expected) {
                prop_assert!((found - expected).abs() < 1e-6, "{}: {found} {expected}", budget.what());
            }
        }
    }
}
