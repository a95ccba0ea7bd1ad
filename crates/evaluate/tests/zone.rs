//! Layouts of work zones, what their probes read together, and the evenness of velocities.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use std::time::Duration;

use proptest::prelude::*;
use support::{assert_abs, assert_rel, check_value, number, numbers, rows, second};
use zonda_evaluate::zone::evenness::{EvennessError, Velocity, weights};
use zonda_evaluate::zone::{
    Class, Clearance, Column, Evenness, Flow, Layout, Place, Survey, SurveyError, SurveyRule,
    Uniformity, WorkZone, suggestions,
};
use zonda_evaluate::{Band, MeanRule, Reading, Stretch};
use zonda_model::{Period, Quality, Quantity};

fn oven() -> WorkZone {
    WorkZone::block(1.2, 1.5, 1.0).unwrap()
}

fn nine() -> Layout {
    Layout::corners_and_centre(oven(), Clearance::Tenth).unwrap()
}

fn rule() -> SurveyRule {
    SurveyRule {
        mean: MeanRule::every(Period::SECOND),
        band: Some(Band::around(180.0, 3.0).unwrap()),
    }
}

fn minute() -> Stretch {
    Stretch::new(second(0.0), second(60.0)).unwrap()
}

/// A scan a second, all places at once.
fn survey(layout: Layout, rule: SurveyRule, scans: &[Vec<f64>]) -> Survey {
    let stretch = Stretch::new(second(0.0), second(support::float(scans.len()))).unwrap();
    let mut survey = Survey::new(layout, &[Quantity::Temperature; 9], stretch, rule).unwrap();
    for (k, scan) in scans.iter().enumerate() {
        survey.push(&readings(support::float(k), scan)).unwrap();
    }
    survey
}

fn readings(at: f64, values: &[f64]) -> Vec<Reading> {
    values
        .iter()
        .map(|value| Reading::good(second(at), *value))
        .collect()
}

fn worked_example() -> (Vec<Vec<f64>>, serde_json::Value) {
    let check = check_value("temperature_9pt");
    let scans = rows(&check["inputs"]["scans"])
        .iter()
        .map(numbers)
        .collect();
    (scans, check["expected"].clone())
}

/// Check value `temperature_9pt` (numpy): every definition on one data set.
#[test]
fn a_worked_example_is_as_numpy_says() {
    let (scans, expected) = worked_example();
    let found = survey(nine(), rule(), &scans).finish().unwrap();
    for (place, mean) in found.places.iter().zip(numbers(&expected["sensor_mean"])) {
        assert_rel(place.mean, mean, 1e-9);
    }
    for (place, sd) in found.places.iter().zip(numbers(&expected["sensor_sd"])) {
        assert_rel(place.sd.unwrap(), sd, 1e-9);
    }
    assert_rel(found.mean, number(&expected, "grand_mean"), 1e-9);
    assert_rel(found.overall, number(&expected, "overall_spread"), 1e-9);
    assert_rel(
        found.gradient,
        number(&expected, "gradient_max_pair_of_means"),
        1e-9,
    );
    assert_rel(
        found.fluctuation.value,
        number(&expected, "worst_fluctuation"),
        1e-9,
    );
    let spread = found.spread.unwrap();
    assert_rel(
        spread.value,
        number(&expected, "worst_instant_spread"),
        1e-9,
    );
    let spreads = numbers(&expected["spread_each_scan"]);
    let mean_spread = spreads.iter().sum::<f64>() / 6.0;
    assert_rel(found.spread_mean.unwrap(), mean_spread, 1e-9);
    let centre = found.from_centre.unwrap();
    assert_rel(
        centre.value,
        number(&expected, "variation_in_space_vs_centre"),
        1e-9,
    );
    assert_eq!((found.warmest, found.coldest, centre.place), (2, 6, 6));
    assert_eq!((found.complete, found.incomplete), (6, 0));

    let deviation = found.deviation.unwrap();
    let highest = number(&expected, "max_pos_deviation_from_setpoint");
    assert_rel(deviation.highest.value, highest, 1e-9);
    let lowest = number(&expected, "max_neg_deviation_from_setpoint");
    assert_rel(deviation.lowest.value, lowest, 1e-9);
    let half_width = deviation.half_width();
    assert_rel(
        half_width,
        number(&expected, "survey_half_width_needed"),
        1e-9,
    );
    assert_eq!(deviation.within.total, Duration::from_secs(5));
    let class = |half_width| Class::of(half_width, Column::Celsius).unwrap().number();
    // A guard band of 1.1 K changes the class of the same data: the decision rule must be asked for beforehand.
    assert_eq!((class(half_width), class(half_width + 1.1)), (1, 2));
}

#[test]
fn every_figure_goes_with_its_definition() {
    let (scans, expected) = worked_example();
    let figures = survey(nine(), rule(), &scans).finish().unwrap().figures();
    assert_eq!(figures.len(), 9);
    assert!(figures.iter().all(|figure| !figure.definition.is_empty()));
    let sd = figures
        .iter()
        .find(|figure| figure.name == "standard deviation in space");
    assert_rel(
        sd.unwrap().value,
        number(&expected, "sd_of_sensor_means_sample"),
        1e-9,
    );
}

/// One channel after the other, 0.1 s apart, on a ramp of 6 K/min: nothing but the reading order makes a spread of 0.08 K.
#[test]
fn a_ramp_read_place_by_place_makes_a_spread_that_is_told() {
    let mut survey = Survey::new(nine(), &[Quantity::Temperature; 9], minute(), rule()).unwrap();
    for k in 0..59 {
        let scan: Vec<Reading> = (0..9)
            .map(|place| {
                let at = f64::from(k) + 0.1 * f64::from(place);
                Reading::good(second(at), 180.0 + 0.1 * at)
            })
            .collect();
        survey.push(&scan).unwrap();
    }
    let found = survey.finish().unwrap();
    assert_eq!(found.skew, Duration::from_millis(800));
    assert_rel(found.skew_spread, 0.08, 1e-6);
    assert_rel(found.gradient, 0.08, 1e-6);
}

#[test]
fn a_place_that_fails_is_named_and_not_dropped() {
    let mut survey = Survey::new(nine(), &[Quantity::Temperature; 9], minute(), rule()).unwrap();
    for k in 0..60 {
        let mut scan = readings(f64::from(k), &[180.0; 9]);
        if k >= 30 {
            scan[3].quality = Quality::OPEN_LOOP;
        }
        survey.push(&scan).unwrap();
    }
    assert_eq!(
        survey.finish().unwrap_err().to_string(),
        "1 of 9 places lack good readings (`right back bottom`: 49.2 % covered, 30 used, 30 left out: open_loop 30); \
         measure again, or evaluate a layout without them and say so"
    );
}

/// Time within tolerance: a missing place leaves it open, but one that is outside settles it.
#[test]
fn a_scan_with_a_hole_is_not_within_tolerance() {
    let lenient = SurveyRule {
        mean: MeanRule {
            coverage_min: zonda_evaluate::coverage::CoverageMin::new(0.5).unwrap(),
            ..rule().mean
        },
        ..rule()
    };
    let mut survey = Survey::new(nine(), &[Quantity::Temperature; 9], minute(), lenient).unwrap();
    for k in 0..60 {
        let mut scan = readings(f64::from(k), &[180.0; 9]);
        match k {
            10 => scan[0].value = None,
            20 => scan[0].value = Some(184.0),
            30 => (scan[0].value, scan[1].value) = (None, Some(184.0)),
            _ => {}
        }
        survey.push(&scan).unwrap();
    }
    let found = survey.finish().unwrap();
    assert_eq!((found.complete, found.incomplete), (58, 2));
    let within = found.deviation.unwrap().within;
    assert_eq!(within.excursions, 2);
    assert_eq!(within.unknown, Duration::from_secs(2));
    assert_eq!(within.total, Duration::from_secs(59 - 6));
    assert_eq!(within.longest.unwrap().length(), Duration::from_secs(28));
}

#[test]
fn scans_that_are_none_are_refused_with_a_sentence_and_change_nothing() {
    let mut survey = Survey::new(nine(), &[Quantity::Temperature; 9], minute(), rule()).unwrap();
    survey.push(&readings(1.0, &[180.0; 9])).unwrap();
    let short = survey.push(&readings(2.0, &[180.0; 8])).unwrap_err();
    assert_eq!(
        short.to_string(),
        "a scan has 8 readings for 9 places; give one for each, in their order, without a value where there is none"
    );
    let mut skewed = readings(2.0, &[180.0; 9]);
    skewed[8].at = second(4.0);
    let skewed = survey.push(&skewed).unwrap_err();
    assert!(matches!(skewed, SurveyError::Skew { .. }), "{skewed}");
    let early = survey.push(&readings(0.0, &[180.0; 9])).unwrap_err();
    assert!(matches!(early, SurveyError::Time(_)), "{early}");
    let one = Layout::grid(oven(), [1, 1, 1]).unwrap();
    assert_eq!(
        Survey::new(one, &[Quantity::Temperature], minute(), rule()).unwrap_err(),
        SurveyError::TooFewPlaces(1)
    );
}

#[test]
fn places_that_measure_different_things_are_refused_with_a_sentence() {
    let mut quantities = [Quantity::Temperature; 9];
    quantities[4] = Quantity::Velocity;
    let mixed = Survey::new(nine(), &quantities, minute(), rule()).unwrap_err();
    assert_eq!(
        mixed.to_string(),
        "the place `left front top` measures velocity and `left front bottom` temperature; \
         all places of a survey measure the same quantity: evaluate each by itself"
    );
    let few = Survey::new(nine(), &quantities[..4], minute(), rule()).unwrap_err();
    assert_eq!(
        few.to_string(),
        "4 channels cannot stand at 9 places; give one for each, in their order"
    );
}

#[test]
fn layouts_stand_off_the_walls() {
    let places = nine();
    assert_eq!(places.places().len(), 9);
    assert_eq!(places.centre(), Some(8));
    let first = &places.places()[0];
    assert_eq!(first.name, "left front bottom");
    for (at, expected) in first.at.iter().zip([-0.48, -0.6, -0.4]) {
        assert_abs(*at, expected, 1e-12);
    }
    let fifteen = Layout::corners_walls_and_centre(oven(), Clearance::Tenth).unwrap();
    assert_eq!(fifteen.places().len(), 15);
    // A tenth of 0.3 m is too near: 50 mm at least.
    let small = WorkZone::block(0.3, 0.3, 0.3).unwrap();
    let corner = Layout::corners_and_centre(small, Clearance::Tenth).unwrap();
    assert_abs(corner.places()[0].at[0], -0.1, 1e-12);
    let grid = Layout::grid(oven(), [3, 3, 3]).unwrap();
    assert_eq!((grid.places().len(), grid.centre()), (27, Some(13)));
    let drum = WorkZone::drum(0.8, 1.0).unwrap();
    assert_rel(drum.volume(), std::f64::consts::PI * 0.16, 1e-12);
    let rings = Layout::rings(drum, 4, Clearance::Of(0.1)).unwrap();
    assert_eq!(rings.places().len(), 13);
    assert_abs(rings.places()[0].at[0], 0.3, 1e-12);
    assert!(Layout::grid(drum, [4, 4, 1]).unwrap().places().len() < 16);
}

#[test]
fn layouts_that_cannot_be_are_refused_with_a_sentence() {
    assert_eq!(
        WorkZone::block(1.0, -2.0, 1.0).unwrap_err().to_string(),
        "a work zone cannot be -2 m wide, deep or high: each size is above 0 and below 1000 m"
    );
    assert_eq!(
        Layout::corners_and_centre(oven(), Clearance::Of(0.5))
            .unwrap_err()
            .to_string(),
        "places cannot keep 0.5 m from the boundary of a zone that measures 1 m there; they would meet in the middle"
    );
    let outside = Place {
        name: "flue".into(),
        at: [0.0, 0.0, 0.9],
    };
    assert_eq!(
        Layout::own(oven(), vec![outside]).unwrap_err().to_string(),
        "the place `flue` at (0, 0, 0.9) m is outside the zone (1.2 m wide, 1.5 m deep, 1 m high); coordinates run from its middle"
    );
    let twin = |name: &str| Place {
        name: name.into(),
        at: [0.1, 0.0, 0.0],
    };
    assert!(Layout::own(oven(), vec![twin("a"), twin("b")]).is_err());
    assert!(Layout::own(oven(), vec![]).is_err());
    assert!(Layout::grid(oven(), [0, 1, 1]).is_err());
}

/// Check values `tus_sensor_count_memory` and `ams2750_classes_…` (public text and memory, as marked).
#[test]
fn counts_and_classes_are_those_remembered_of_the_standards() {
    let check = check_value("tus_sensor_count_memory")["expected"].clone();
    let (feet, tight, wide) = (
        numbers(&check["work_zone_ft3_upto"]),
        numbers(&check["class_1_2"]),
        numbers(&check["class_3_6"]),
    );
    for ((feet, tight), wide) in feet.iter().zip(tight).zip(wide) {
        let found = suggestions(feet * 0.028_316_846 - 1e-6);
        assert_abs(support::float(found[1].count), tight, 1e-9);
        assert_abs(support::float(found[2].count), wide, 1e-9);
    }
    assert_eq!(
        (suggestions(2.0)[0].count, suggestions(2.1)[0].count),
        (9, 15)
    );
    assert_eq!(suggestions(500.0).len(), 1);

    for (id, column) in [
        ("ams2750_classes_celsius", Column::Celsius),
        ("ams2750_classes_fahrenheit", Column::Fahrenheit),
    ] {
        let expected = check_value(id)["expected"].clone();
        for class in Class::all(column) {
            assert_rel(
                class.tolerance(),
                number(&expected, &class.number().to_string()),
                1e-12,
            );
        }
    }
    // 13 °F is class 3 in its own column; by conversion of 8 °C it would be, too, but 14.5 °F would not.
    assert_eq!(Class::of(14.5, Column::Fahrenheit).unwrap().number(), 3);
    assert_eq!(Class::of(8.05, Column::Celsius).unwrap().number(), 4);
    assert_eq!(Class::of(28.1, Column::Celsius), None);
    let words: Vec<String> = Class::all(Column::Fahrenheit)
        .map(|class| class.to_string())
        .collect();
    assert_eq!(words[2], "AMS2750 class 3 (±15 °F)");
}

fn flows(velocities: &[f64], areas: &[f64]) -> Vec<Flow> {
    let flow = |(v, area): (&f64, &f64)| Flow {
        velocity: Velocity::At(*v),
        area: *area,
    };
    velocities.iter().zip(areas).map(flow).collect()
}

/// Check values `velocity_9pt`, `gamma_limits`, `gamma_one_cell_check`.
#[test]
fn evenness_is_as_analysed() {
    let check = check_value("velocity_9pt");
    let (v, areas) = (
        numbers(&check["inputs"]["v"]),
        numbers(&check["inputs"]["area"]),
    );
    let expected = &check["expected"];
    let found = Evenness::of(&flows(&v, &areas)).unwrap();
    let equal = Evenness::of(&flows(&v, &[1.0; 9])).unwrap();
    for (found, key, factor) in [
        (found.plain_mean, "mean_unweighted", 1.0),
        (found.cv, "cov_sample_percent", 100.0),
        (found.cv_population, "cov_population_percent", 100.0),
        (found.max_over_min.unwrap(), "max_over_min", 1.0),
        (found.largest_deviation, "max_dev_from_mean_percent", 100.0),
        (found.half_range, "half_range_over_mean_percent", 100.0),
        (found.mean, "mean_area_weighted", 1.0),
        (found.index, "gamma_area_weighted", 1.0),
        (found.cv_weighted, "cov_area_weighted_percent", 100.0),
        (equal.index, "gamma_equal_area", 1.0),
    ] {
        assert_rel(factor * found, number(expected, key), 1e-9);
    }
    for n in [2usize, 4, 9] {
        let one = std::iter::once(7.0)
            .chain(std::iter::repeat_n(0.0, n - 1))
            .collect::<Vec<_>>();
        let dead = std::iter::once(0.0)
            .chain(std::iter::repeat_n(7.0, n - 1))
            .collect::<Vec<_>>();
        let areas = vec![0.3; n];
        let (one, dead) = (
            Evenness::of(&flows(&one, &areas)).unwrap(),
            Evenness::of(&flows(&dead, &areas)).unwrap(),
        );
        assert_rel(one.index, 1.0 / support::float(n), 1e-12);
        assert_rel(dead.index, 1.0 - 1.0 / support::float(n), 1e-12);
        assert_eq!(one.max_over_min, None);
    }
}

#[test]
fn velocities_below_the_meters_least_give_bounds() {
    let mut points = flows(&[2.0, 2.2, 1.8, 2.1], &[1.0; 4]);
    points[3].velocity = Velocity::Below(0.2);
    assert_eq!(Evenness::of(&points), Err(EvennessError::Censored(1)));
    let bounds = Evenness::bounds(&points).unwrap();
    for v in [0.0, 0.05, 0.1, 0.2] {
        points[3].velocity = Velocity::At(v);
        let true_one = Evenness::of(&points).unwrap();
        let inside = |low: f64, x: f64, high: f64| low <= x + 1e-12 && x <= high + 1e-12;
        assert!(inside(
            bounds.worst.index,
            true_one.index,
            bounds.best.index
        ));
        assert!(inside(bounds.best.cv, true_one.cv, bounds.worst.cv));
        assert!(inside(
            bounds.best.largest_deviation,
            true_one.largest_deviation,
            bounds.worst.largest_deviation
        ));
    }
    points[3].velocity = Velocity::Below(5.0);
    assert!(matches!(
        Evenness::bounds(&points),
        Err(EvennessError::Blind { .. })
    ));
}

#[test]
fn velocities_that_cannot_be_are_refused_with_a_sentence() {
    let refusal =
        |v: &[f64], areas: &[f64]| Evenness::of(&flows(v, areas)).unwrap_err().to_string();
    assert_eq!(
        refusal(&[1.0, -0.5], &[1.0, 1.0]),
        "a velocity of -0.5 m/s has no place here: it is a number of 0 or more; turn the probe, or leave the point out and say so"
    );
    assert_eq!(
        refusal(&[1.0, 1.0], &[1.0, 0.0]),
        "an area of 0 cannot be: it is above 0"
    );
    assert_eq!(
        refusal(&[1.0], &[1.0]),
        "evenness needs two points at least, and there are 1"
    );
    assert_eq!(
        refusal(&[0.0, 0.0], &[1.0, 1.0]),
        "no point has a velocity above 0, and still air has no evenness"
    );
}

fn scans() -> impl Strategy<Value = Vec<Vec<f64>>> {
    prop::collection::vec(prop::collection::vec(170.0..190.0f64, 9), 10..60)
}

/// What does not depend on the order of places.
fn ordered(found: &Uniformity) -> Vec<f64> {
    let mut figures: Vec<f64> = found.figures().iter().map(|figure| figure.value).collect();
    figures.extend([found.mean, found.skew_spread, found.spread_mean.unwrap()]);
    figures
}

proptest! {
    #[test]
    fn it_does_not_matter_how_the_stream_was_cut(scans in scans(), cut in 1usize..59) {
        let whole = survey(nine(), rule(), &scans);
        let cut = cut.min(scans.len() - 1);
        let end = second(support::float(scans.len()));
        let middle = second(support::float(cut));
        let mut parts = [(second(0.0), middle, 0..cut), (middle, end, cut..scans.len())].map(|(from, to, range)| {
            let mut part = Survey::new(nine(), &[Quantity::Temperature; 9], Stretch::new(from, to).unwrap(), rule()).unwrap();
            for k in range {
                part.push(&readings(support::float(k), &scans[k])).unwrap();
            }
            Some(part)
        });
        let mut joined = parts[0].take().unwrap();
        joined.join(parts[1].take().unwrap()).unwrap();
        prop_assert_eq!(joined.finish(), whole.finish());
    }

    #[test]
    fn it_does_not_matter_in_which_order_the_places_come(scans in scans(), turn in 1usize..9) {
        let turned: Vec<Vec<f64>> = scans.iter().map(|scan| {
            let mut scan = scan.clone();
            scan.rotate_left(turn);
            scan
        }).collect();
        let mut places = nine().places().to_vec();
        places.rotate_left(turn);
        let layout = Layout::own(oven(), places).unwrap();
        let (one, two) = (
            survey(nine(), rule(), &scans).finish().unwrap(),
            survey(layout, rule(), &turned).finish().unwrap(),
        );
        prop_assert_eq!((one.warmest + 9 - turn) % 9, two.warmest);
        prop_assert_eq!((one.coldest + 9 - turn) % 9, two.coldest);
        for (a, b) in ordered(&one).iter().zip(ordered(&two)) {
            prop_assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }

    /// In °F: every difference is 1.8 times as large.
    #[test]
    fn another_unit_scales_every_difference(scans in scans()) {
        let fahrenheit: Vec<Vec<f64>> = scans.iter().map(|scan| scan.iter().map(|t| 1.8 * t + 32.0).collect()).collect();
        let band = Some(Band::around(356.0, 5.4).unwrap());
        let (one, two) = (
            survey(nine(), rule(), &scans).finish().unwrap(),
            survey(nine(), SurveyRule { band, ..rule() }, &fahrenheit).finish().unwrap(),
        );
        prop_assert_eq!((one.warmest, one.coldest), (two.warmest, two.coldest));
        for (a, b) in one.figures().iter().zip(two.figures()) {
            prop_assert!((1.8 * a.value - b.value).abs() < 1e-9, "{} {} {}", a.name, a.value, b.value);
        }
    }

    #[test]
    fn weights_sum_to_one_and_evenness_has_no_unit(
        points in prop::collection::vec((0.1..30.0f64, 0.01..5.0f64), 2..40),
        factor in 0.01..100.0f64,
    ) {
        let (v, areas): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
        let here = flows(&v, &areas);
        let total: f64 = weights(&here).iter().sum();
        prop_assert!((total - 1.0).abs() < 1e-12);
        let faster: Vec<f64> = v.iter().map(|v| factor * v).collect();
        let larger: Vec<f64> = areas.iter().map(|area| factor * area).collect();
        let (one, two) = (Evenness::of(&here).unwrap(), Evenness::of(&flows(&faster, &larger)).unwrap());
        prop_assert!((one.index - two.index).abs() < 1e-9 && (one.cv - two.cv).abs() < 1e-9);
        prop_assert!(one.index <= 1.0 && one.index >= 0.0);
        prop_assert!((two.mean / one.mean / factor - 1.0).abs() < 1e-9);
    }
}
