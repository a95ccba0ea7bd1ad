//! A channel's budget against GTC's figures for a typical hot-air channel, and against what must hold of any.

#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use support::{assert_rel, second, series, white};
use zonda_evaluate::doubt::{
    BadDoubts, CertificateDoubt, ChannelDoubts, ConverterDoubt, DensityDoubt, Doubt, ShuntDoubt,
    row, scatter,
};
use zonda_evaluate::effective::StandardError;
use zonda_evaluate::uncertainty::{Budget, Common, Evaluation, law};
use zonda_evaluate::{Averaging, Mean, MeanRule, Stretch};
use zonda_model::{Period, Quantity, Unit};

/// The rows of a typical hot-air channel at 5 m/s, 0-1 V for 0-50 m/s.
fn velocity(channel: &str) -> ChannelDoubts {
    ChannelDoubts {
        certificate: Doubt::Stated(CertificateDoubt {
            number: "C-104".to_owned(),
            expanded: 0.2,
            k: 2.0,
            common: Common::Unknown,
        }),
        drift: Doubt::Stated(0.05),
        output: Doubt::Stated(0.125),
        converter: Doubt::Stated(ConverterDoubt {
            name: "A".to_owned(),
            accuracy: 0.5e-3,
            unit: Unit::Volt,
            slope: 50.0,
            common: Common::Unknown,
        }),
        step: Doubt::Stated(0.3125e-3 * 50.0),
        position: Doubt::Stated(0.05),
        yaw_deg: Doubt::Stated(5.0),
        ..ChannelDoubts::new(channel, Quantity::Velocity)
    }
}

fn mean_of(values: &[f64]) -> Mean {
    let stretch = Stretch::new(second(0.0), second(support::float(values.len()))).unwrap();
    let mut averaging = Averaging::new(stretch, MeanRule::every(Period::SECOND));
    for reading in series(values, 1.0) {
        averaging.push(&reading).unwrap();
    }
    averaging.finish().unwrap()
}

/// 60 readings of s = 0.15 m/s that are worth 15: GTC 1.5.1 and uncertainties 3.2.3 give u = 0.136836 m/s for these rows
/// (with 0.019 m/s for the yaw, which is 0.01903 m/s unrounded).
#[test]
fn a_typical_velocity_is_as_two_libraries_have_it() {
    let mut mean = mean_of(&[5.0; 60]);
    mean.standard_error = Some(StandardError {
        u: 0.15 / 15f64.sqrt(),
        n_eff: 15.0,
    });
    let budget = velocity("Z1.velocity").of_mean(&mean).unwrap();
    let expected = [
        (row::CERTIFICATE, 0.1),
        (row::DRIFT, 0.028_868),
        (row::OUTPUT, 0.072_169),
        (row::CONVERTER, 0.014_434),
        (row::STEP, 0.004_511),
        (row::POSITION, 0.028_868),
        (row::YAW, 0.010_985),
    ];
    for ((name, contribution), found) in expected.iter().zip(budget.rows()) {
        assert_eq!(found.influence().origin.what, *name);
        assert_rel(found.contribution(), *contribution, 1e-4);
    }
    let last = budget.rows().last().unwrap();
    assert_eq!(last.influence().spread.evaluation(), Evaluation::A);
    assert_rel(last.contribution(), 0.038_730, 1e-4);
    assert_rel(budget.u(), 0.136_836, 2e-5);
    assert!(budget.omitted().is_empty(), "{:?}", budget.omitted());
    // Welch and Satterthwaite: only the scatter's degrees of freedom are finite.
    assert_rel(
        budget.dof().value(),
        14.0 * (0.136_836f64 / 0.038_730).powi(4),
        2e-4,
    );
}

/// Per cent of full scale: 0.25 % of 50 m/s is 2.5 % of 5 m/s and 62 % of 0.2 m/s.
#[test]
fn per_cent_of_the_span_do_not_shrink_with_the_reading() {
    let half_width = |reading| {
        let budget = velocity("Z1.velocity").at(reading).unwrap();
        let output = budget
            .rows()
            .iter()
            .find(|found| found.influence().origin.what == row::OUTPUT);
        output.unwrap().influence().spread.half_width().unwrap() / reading
    };
    assert_rel(half_width(5.0), 0.025, 1e-12);
    assert_rel(half_width(0.2), 0.625, 1e-12);
}

/// I = V/R in closed form: a shunt of 0.1 % moves 12 mA of 4-20 mA for 0-50 m/s by 12 µA, which are 0.0375 m/s.
#[test]
fn a_shunt_moves_the_whole_current_live_zero_included() {
    let doubts = ChannelDoubts {
        shunt: Doubt::Stated(ShuntDoubt {
            tolerance: 1e-3,
            current: 12e-3,
            slope: 50.0 / 16e-3,
        }),
        ..velocity("Z1.velocity")
    };
    let budget = doubts.at(25.0).unwrap();
    let shunt = budget
        .rows()
        .iter()
        .find(|found| found.influence().origin.what == row::SHUNT)
        .unwrap();
    assert_rel(shunt.contribution(), 0.0375 / 3f64.sqrt(), 1e-12);
    assert_eq!(shunt.sensitivity_unit(budget.unit()), "m/s");
}

/// v ∝ T/p: 2 K of 473.15 K and 300 Pa of 95 kPa.
#[test]
fn a_meters_own_density_correction_is_that_of_the_ideal_gas() {
    let doubts = ChannelDoubts {
        density: Doubt::Stated(DensityDoubt {
            kelvin: 473.15,
            kelvin_off: 2.0,
            pascal: 95e3,
            pascal_off: 300.0,
        }),
        ..velocity("Z1.velocity")
    };
    let budget = doubts.at(8.574_898).unwrap();
    let contribution = |name| {
        budget
            .rows()
            .iter()
            .find(|found| found.influence().origin.what == name)
            .unwrap()
            .contribution()
    };
    assert_rel(
        contribution(row::DENSITY_TEMPERATURE) * 3f64.sqrt(),
        0.036_246,
        1e-4,
    );
    assert_rel(
        contribution(row::DENSITY_PRESSURE) * 3f64.sqrt(),
        0.027_079,
        1e-4,
    );
}

#[test]
fn what_nobody_stated_is_named() {
    let names = |budget: &Budget| {
        budget
            .omitted()
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
    };
    let doubts = ChannelDoubts {
        instrument: Doubt::Stated(2.2),
        ..ChannelDoubts::new("Z1.temperature", Quantity::Temperature)
    };
    let budget = doubts.at(200.0).unwrap();
    assert_eq!(
        names(&budget),
        [
            "certificate",
            "analog output",
            "converter",
            "steps",
            "position",
            "radiation and conduction"
        ]
        .map(|what| format!("Z1.temperature: {what}"))
    );
    assert_rel(budget.u(), 2.2 / 3f64.sqrt(), 1e-12);
    // What goes on from here does not forget it.
    let zone = law::mean("zone", &[(1.0, &budget)]).unwrap();
    assert_eq!(names(&zone), names(&budget));
    // A certificate supersedes the maker's word.
    let certified = ChannelDoubts {
        instrument: Doubt::Stated(9.0),
        ..velocity("Z1.velocity")
    };
    assert_rel(
        certified.at(5.0).unwrap().u(),
        velocity("Z1.velocity").at(5.0).unwrap().u(),
        1e-15,
    );
}

/// Two channels on one converter and one certificate: what they share does not average out, and nobody may claim that it
/// cancels.
#[test]
fn shared_errors_are_taken_at_their_worse() {
    let (a, b) = (
        velocity("Z1.velocity").at(5.0).unwrap(),
        velocity("Z2.velocity").at(5.0).unwrap(),
    );
    let shared = (0.1f64.powi(2) + 0.014_433_756f64.powi(2)).sqrt();
    let own = (a.u().powi(2) - shared.powi(2)).sqrt();
    let mean = law::mean("mean", &[(1.0, &a), (1.0, &b)]).unwrap();
    assert_rel(mean.u(), (own * own / 2.0 + shared * shared).sqrt(), 1e-7);
    let difference = law::difference("difference", &a, &b).unwrap();
    assert_rel(difference.u(), 2f64.sqrt() * a.u(), 1e-7);
}

#[test]
fn means_of_one_channel_share_all_but_their_scatter() {
    let noise = white();
    let values: Vec<f64> = noise.iter().map(|z| 5.0 + 0.1 * z).collect();
    let doubts = velocity("Z1.velocity");
    let (first, second) = (mean_of(&values[..100]), mean_of(&values));
    let (one, other) = (
        doubts.of_mean(&first).unwrap(),
        doubts.of_mean(&second).unwrap(),
    );
    let change = law::difference("change", &one, &other).unwrap();
    let scatters = first
        .standard_error
        .unwrap()
        .u
        .hypot(second.standard_error.unwrap().u);
    // The yaw's row grows with the reading and leaves next to nothing.
    assert_rel(change.u(), scatters, 1e-3);
}

#[test]
fn a_still_channel_scatters_by_nothing_and_keeps_its_steps() {
    let budget = velocity("Z1.velocity")
        .of_mean(&mean_of(&[5.0; 60]))
        .unwrap();
    assert_rel(
        budget.u(),
        velocity("Z1.velocity").at(5.0).unwrap().u(),
        1e-12,
    );
    assert!(
        budget
            .expanded(zonda_evaluate::uncertainty::Level::K2)
            .is_ok()
    );
}

#[test]
fn what_cannot_be_is_refused_with_a_sentence() {
    let doubts = ChannelDoubts {
        drift: Doubt::Stated(-0.1),
        ..velocity("Z1.velocity")
    };
    assert_eq!(
        doubts.at(5.0).unwrap_err().to_string(),
        "Z1.velocity, drift since calibration: -0.1 cannot be an uncertainty or half-width: it is zero or more"
    );
    let few = mean_of(&[5.0, 5.1, 4.9]);
    let error = scatter("Z1.velocity", Quantity::Velocity, &few).unwrap_err();
    assert_eq!(error, BadDoubts::NoScatter("Z1.velocity".to_owned()));
    assert_eq!(
        error.to_string(),
        "Z1.velocity: there are too few readings to tell how much they scatter; take a longer stretch, at least 8 readings"
    );
}
