//! Flow, its uncertainty, exhaust heat, air changes and dilution against the check values
//! (`data/check_values.json`: closed forms, GTC, CoolProp, PsychroLib).

#![expect(clippy::doc_markdown, reason = "names of libraries and formulae")]
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

mod support;

use proptest::prelude::*;
use support::{celsius, check_value, dry, moist, number, pascal, rows};
use zonda_air::air_change::{AirChange, AirChangeError};
use zonda_air::budget::{self, BadFlowInputs, Figure, FlowInputs, of_flow};
use zonda_air::constants::MOLAR_MASS_RATIO;
use zonda_air::dilution::{
    DilutionError, DilutionEstimate, NOTICE, SolventLoad, Target, share_of_limit,
};
use zonda_air::duct::{Grid, Rule, Shape, Traverse};
use zonda_air::exhaust::ExhaustHeat;
use zonda_air::flow::{FlowError, PointReading, Vapour, mass_from_standard, without_drift};
use zonda_air::{Air, Basis, Flow, Length, MassFlow, Reference, Velocity, Volume};
use zonda_model::Unit;

fn metres(l: f64) -> Length {
    Length::from_si(l).unwrap()
}

fn reading(v: f64, air: Air) -> PointReading {
    PointReading {
        velocity: Velocity::actual(v).unwrap(),
        air,
    }
}

/// D = 0.4 m, 8 m/s, 200 °C, 95 kPa by the ideal gas: actual volume exactly, the others within the real gas's 0.07 %.
#[test]
fn one_flow_in_all_its_units() {
    let expected = check_value("flow_conversion");
    let area = Shape::circular(metres(0.4)).area();
    let flow = Flow::of(reading(8.0, dry(200.0, 95_000.0)), area);
    let near = |found: f64, key: &str, tolerance: f64| {
        assert!(
            (found / number(&expected, key) - 1.0).abs() < tolerance,
            "{key}: {found}"
        );
    };
    near(area.si(), "A_m2", 1e-9);
    near(
        Unit::CubicMetrePerHour.from_si(flow.actual().si()),
        "Q_act_m3_h",
        1e-9,
    );
    near(
        Unit::CubicFootPerMinute.from_si(flow.actual().si()),
        "Q_act_cfm",
        1e-9,
    );
    near(flow.mass().si(), "m_kg_s", 4e-4);
    near(
        Unit::CubicMetrePerHour.from_si(flow.standard(Reference::NORMAL).si()),
        "Q_norm_0C_m3_h",
        1e-3,
    );
    near(
        Unit::CubicFootPerMinute.from_si(flow.standard(Reference::FAHRENHEIT_70).si()),
        "Q_std_70F_scfm",
        1e-3,
    );
    let gas = flow
        .standard_gas(Reference::NORMAL, Vapour::Counted)
        .unwrap();
    assert!((gas.si() / flow.standard(Reference::NORMAL).si() - 1.0).abs() < 1e-12);
    assert!(matches!(
        flow.standard_gas(Reference::STANDARD_AIR, Vapour::Counted),
        Err(FlowError::NoState(_))
    ));
}

/// Four cells with their own temperatures: Σ ρ v A, not mean times mean [closed form].
#[test]
fn mass_flow_is_summed_point_by_point() {
    let expected = check_value("mass_flow_covariance");
    let layout = Traverse::plan(
        Shape::rectangular(metres(0.5), metres(0.5)),
        Rule::EqualArea,
        Grid {
            lines: 2,
            per_line: 2,
        },
    )
    .unwrap();
    let cells = [(8.0, 220.0), (9.0, 210.0), (10.0, 200.0), (7.0, 150.0)];
    let readings = cells.map(|(v, t)| reading(v, dry(t, 95_000.0)));
    let flow = Flow::from_points(&layout, &readings).unwrap();
    let right = number(&expected, "m_pointwise");
    assert!((flow.mass().si() / right - 1.0).abs() < 4e-4, "{flow:?}");
    assert!((flow.mass().si() / number(&expected, "m_mean_rho_mean_v") - 1.0).abs() > 4e-3);
    assert!((flow.velocity().si() - 8.5).abs() < 1e-12);
    let error = Flow::from_points(&layout, &readings[..3])
        .unwrap_err()
        .to_string();
    assert!(error.contains("cannot be filled in"), "{error}");
}

/// ρ_ref v_std A needs no temperature [closed form].
#[test]
fn a_thermal_meter_knows_mass_without_temperature() {
    let layout = Traverse::plan(
        Shape::circular(metres(0.4)),
        Rule::LogTchebycheff,
        Grid {
            lines: 2,
            per_line: 6,
        },
    )
    .unwrap();
    let standard = vec![Velocity::standard(6.0, Reference::FAHRENHEIT_70).unwrap(); 12];
    let mass = mass_from_standard(&layout, &standard).unwrap().si();
    assert!(
        (mass / number(&check_value("thermal_meter_shortcut"), "m_kg_s") - 1.0).abs() < 4e-4,
        "{mass}"
    );
    let hot: Vec<PointReading> = standard
        .iter()
        .map(|velocity| PointReading {
            velocity: *velocity,
            air: dry(300.0, 90_000.0),
        })
        .collect();
    assert!((Flow::from_points(&layout, &hot).unwrap().mass().si() / mass - 1.0).abs() < 1e-12);
    let actual = vec![Velocity::actual(6.0).unwrap(); 12];
    assert_eq!(
        mass_from_standard(&layout, &actual),
        Err(FlowError::NotStandard(Basis::Actual))
    );
    let mut mixed = standard;
    mixed[3] = Velocity::actual(6.0).unwrap();
    assert!(matches!(
        mass_from_standard(&layout, &mixed),
        Err(FlowError::Velocity(_))
    ));
}

/// Moist: wet and dry standard volumes differ by the vapour's mole fraction; mass over dry density lies between.
#[test]
fn moist_standard_volumes_say_what_they_count() {
    let air = moist(200.0, 101_325.0, 0.05);
    let flow = Flow::of(reading(10.0, air), Shape::circular(metres(0.5)).area());
    let gas = |vapour| {
        flow.standard_gas(Reference::CELSIUS_20, vapour)
            .unwrap()
            .si()
    };
    let x = air.vapour_fraction();
    assert!((gas(Vapour::LeftOut) / gas(Vapour::Counted) - (1.0 - x)).abs() < 1e-12);
    // Wet: T_ref/T but for the real gas.
    assert!((gas(Vapour::Counted) / flow.actual().si() / (293.15 / 473.15) - 1.0).abs() < 1e-3);
    let by_mass = flow.standard(Reference::CELSIUS_20).si();
    assert!((by_mass / gas(Vapour::Counted) - (1.0 - x * (1.0 - MOLAR_MASS_RATIO))).abs() < 1e-9);
    assert!((flow.mass_dry().si() * 1.05 / flow.mass().si() - 1.0).abs() < 1e-12);
}

#[test]
fn drift_is_taken_out_by_a_probe_that_stands_still() {
    let v = |v| Velocity::actual(v).unwrap();
    assert!((without_drift(v(9.0), v(10.0), v(9.0)).unwrap().si() - 10.0).abs() < 1e-12);
    assert!(without_drift(v(9.0), v(10.0), v(0.0)).is_err());
    assert!(
        without_drift(
            v(9.0),
            v(10.0),
            Velocity::standard(9.0, Reference::NORMAL).unwrap()
        )
        .is_err()
    );
}

fn inputs() -> FlowInputs {
    FlowInputs {
        dimensions_m: [0.001, 0.0],
        calibration_rel: 0.015,
        integration_rel: 0.01,
        position_rel: 0.005,
        repeat_rel: 0.004,
        repeat_dof: 19.0,
        temperature_k: 2.0,
        pressure_pa: 300.0,
        humidity_ratio: 0.0,
    }
}

/// GTC 1.5.1, which knows nothing of the density model; that adds 0.0001 %.
#[test]
fn budget_is_that_of_an_uncertainty_library() {
    let expected = check_value("flow_uncertainty");
    let budget = |figure, basis| {
        of_flow(
            (1.0, Unit::One),
            figure,
            basis,
            Shape::circular(metres(0.4)),
            dry(200.0, 95_000.0),
            inputs(),
        )
        .unwrap()
    };
    let volume = budget(Figure::ActualVolume, Basis::Actual);
    let mass = budget(Figure::Mass, Basis::Actual);
    assert!((volume.u_rel() * 100.0 / number(&expected, "u_Q_rel_percent") - 1.0).abs() < 1e-9);
    assert!(
        (volume.dof().value() / number(&expected, "dof") - 1.0).abs() < 1e-6,
        "{}",
        volume.dof()
    );
    assert!((mass.u_rel() * 100.0 / number(&expected, "u_m_rel_percent") - 1.0).abs() < 1e-5);
    // The two kinds of meter change places.
    let thermal = Basis::Standard(Reference::CELSIUS_20);
    assert!((budget(Figure::Mass, thermal).u_rel() - volume.u_rel()).abs() < 1e-15);
    assert!((budget(Figure::ActualVolume, thermal).u_rel() - mass.u_rel()).abs() < 1e-15);
    assert_eq!(volume.rows().len(), 5);
}

#[test]
fn budget_refuses_what_is_no_uncertainty() {
    let bad = FlowInputs {
        calibration_rel: -0.01,
        ..inputs()
    };
    let error = of_flow(
        (1.0, Unit::One),
        Figure::Mass,
        Basis::Actual,
        Shape::circular(metres(0.4)),
        dry(20.0, 95_000.0),
        bad,
    )
    .unwrap_err();
    assert!(matches!(
        error,
        BadFlowInputs::Spread {
            row: budget::CALIBRATION,
            ..
        }
    ));
    assert!(error.to_string().contains("calibration of the probe"));
    let bad = FlowInputs {
        repeat_dof: 0.0,
        ..inputs()
    };
    assert!(
        of_flow(
            (1.0, Unit::One),
            Figure::Mass,
            Basis::Actual,
            Shape::circular(metres(0.4)),
            dry(20.0, 95_000.0),
            bad
        )
        .is_err()
    );
}

/// Humidity enters the budget with the slope of density.
#[test]
fn humidity_counts_by_the_slope_of_density() {
    let air = moist(200.0, 95_000.0, 0.03);
    let slope = (moist(200.0, 95_000.0, 0.031).density().value.ln()
        - moist(200.0, 95_000.0, 0.029).density().value.ln())
        / 0.002;
    let budget = of_flow(
        (1.0, Unit::One),
        Figure::Mass,
        Basis::Actual,
        Shape::circular(metres(0.4)),
        air,
        FlowInputs {
            humidity_ratio: 0.004,
            ..inputs()
        },
    )
    .unwrap();
    let humidity = budget
        .rows()
        .iter()
        .find(|row| row.influence().origin.what == budget::HUMIDITY)
        .unwrap();
    let ratio = humidity.contribution() / (slope.abs() * 0.004);
    assert!((ratio - 1.0).abs() < 4e-3, "{ratio}");
}

/// CoolProp 8.0.0.
#[test]
fn exhaust_carries_the_enthalpy_of_dry_air() {
    for row in rows(&check_value("sensible_heat"), "rows") {
        let mass = MassFlow::from_si(number(row, "m_kg_s")).unwrap();
        let (inlet, outlet) = (
            dry(number(row, "t_ambient_C"), 101_325.0),
            dry(number(row, "t_exhaust_C"), 101_325.0),
        );
        let heat = ExhaustHeat::of(mass, inlet, outlet).unwrap();
        assert!(
            (heat.total.value / number(row, "kW_enthalpy") / 1000.0 - 1.0).abs() < 2e-5,
            "{heat:?} in {row}"
        );
        assert!(heat.moisture.abs() < 1e-9 && heat.water.abs() < 1e-12);
        assert!((0.001..0.004).contains(&heat.total.u_rel()));
    }
}

/// PsychroLib 2.5.0 takes constant heat capacities, 0.5 % low at 150 °C; the split is what matters: dry air alone would
/// miss a third.
#[test]
fn a_dryer_carries_mostly_moisture() {
    let expected = check_value("moist_heat");
    let mass = MassFlow::from_si(0.5).unwrap();
    let heat = ExhaustHeat::of(
        mass,
        moist(20.0, 101_325.0, 0.008),
        moist(150.0, 101_325.0, 0.03),
    )
    .unwrap();
    assert!(
        (heat.total.value / 1000.0 / number(&expected, "kW_psychrolib") - 1.0).abs() < 6e-3,
        "{heat:?}"
    );
    assert!((heat.water * 3600.0 / number(&expected, "water_evaporated_kg_h") - 1.0).abs() < 1e-9);
    assert!((heat.sensible + heat.moisture - heat.total.value).abs() < 1e-6);
    assert!((0.29..0.34).contains(&(heat.moisture / heat.total.value)));
    assert!(
        ExhaustHeat::of(
            MassFlow::from_si(-0.1).unwrap(),
            dry(20.0, 95e3),
            dry(90.0, 95e3)
        )
        .is_err()
    );
}

/// Perfect mixing by the ideal gas [closed form].
#[test]
fn air_changes_are_counted_at_the_ovens_temperature() {
    let expected = check_value("air_changes");
    let fresh = Flow::of(
        reading(0.25, dry(20.0, 101_325.0)),
        zonda_air::Area::from_si(1.0).unwrap(),
    )
    .mass();
    let volume = Volume::from_si(6.0).unwrap();
    let inside = |t| AirChange::of(fresh, volume, dry(t, 101_325.0)).unwrap();
    let near = |found: f64, key: &str, tolerance: f64| {
        assert!(
            (found / number(&expected, key) - 1.0).abs() < tolerance,
            "{key}: {found}"
        );
    };
    near(inside(20.0).per_hour(), "ACH_at_20C", 1e-9);
    near(inside(180.0).per_hour(), "ACH_at_oven_T", 1e-3);
    near(inside(180.0).residence_s(), "residence_s_at_oven_T", 1e-3);
    near(
        inside(180.0).decay_s(0.01).unwrap(),
        "decay_1_percent_time_s",
        1e-3,
    );
    assert_eq!(inside(20.0).decay_s(0.0), Err(AirChangeError::Share(0.0)));
    assert!(
        AirChange::of(MassFlow::from_si(0.0).unwrap(), volume, dry(20.0, 95e3))
            .unwrap_err()
            .to_string()
            .contains("not recirculated")
    );
}

const TOLUENE: SolventLoad = SolventLoad {
    liquid_m3_s: 1e-3 / 3600.0,
    density: 867.0,
    molar_mass: 0.092_14,
    lower_explosive_limit: 0.011,
};

/// Toluene, 1 l/h [closed form; solvent data from memory].
#[test]
fn dilution_is_an_estimate_and_says_so() {
    let expected = check_value("lel_dilution_toluene_example");
    let reference = Reference::at(celsius(21.11), pascal(101_325.0)).unwrap();
    let of = |heat_factor| {
        DilutionEstimate::of(
            TOLUENE,
            Target {
                share_of_limit: 0.25,
                heat_factor,
            },
            reference,
        )
        .unwrap()
    };
    let near = |found: f64, key: &str| {
        assert!(
            (found * 3600.0 / number(&expected, key) - 1.0).abs() < 1e-6,
            "{key}: {found}"
        );
    };
    near(of(1.0).vapour, "vapour_m3_h");
    near(of(1.0).air_at_limit, "air_at_LEL_m3_h");
    near(of(1.0).air_at_target, "air_at_25_percent_LEL_m3_h");
    near(
        of(1.4).air_at_target,
        "air_with_LEL_temperature_factor_1p4_m3_h",
    );
    let text = of(1.0).to_string();
    assert!(
        text.contains(NOTICE)
            && text.contains("local code")
            && !text.to_lowercase().contains("safe "),
        "{text}"
    );
    // The printed 75 m³/l rule exceeds a quarter of the limit for this solvent.
    let share = share_of_limit(0.2271 / 3600.0, 75.0 / 3600.0, 0.011).unwrap();
    assert!(
        (share * 100.0 / number(&check_value("concentration_from_flow"), "percent_LEL") - 1.0)
            .abs()
            < 1e-9
    );
}

#[test]
fn dilution_refuses_what_cannot_be() {
    let target = Target {
        share_of_limit: 0.25,
        heat_factor: 1.0,
    };
    let bad = SolventLoad {
        lower_explosive_limit: 1.1,
        ..TOLUENE
    };
    let error = DilutionEstimate::of(bad, target, Reference::CELSIUS_20)
        .unwrap_err()
        .to_string();
    assert!(
        error.starts_with("a lower explosive limit as a fraction of 1.1 cannot be"),
        "{error}"
    );
    let reckless = Target {
        share_of_limit: 1.0,
        ..target
    };
    assert!(DilutionEstimate::of(TOLUENE, reckless, Reference::CELSIUS_20).is_err());
    assert_eq!(
        DilutionEstimate::of(TOLUENE, target, Reference::STANDARD_AIR),
        Err(DilutionError::NoState)
    );
}

proptest! {
    #[test]
    fn parts_of_a_budget_sum_to_one_and_more_doubt_is_more(calibration in 0.0..0.1f64, t in 0.0..500.0f64) {
        let of = |calibration_rel| of_flow(
            (1.0, Unit::One), Figure::Mass, Basis::Actual, Shape::rectangular(metres(1.2), metres(0.8)), dry(t, 95_000.0),
            FlowInputs { calibration_rel, dimensions_m: [0.002, 0.003], ..inputs() },
        ).unwrap();
        let budget = of(calibration);
        let parts: f64 = budget.rows().iter().map(zonda_uncertainty::Row::share).sum();
        prop_assert!((parts - 1.0).abs() < 1e-12);
        prop_assert!(of(calibration + 0.001).u_rel() > budget.u_rel());
    }

    #[test]
    fn areas_and_their_uncertainty_follow_the_dimensions(outer in 0.2..2.0f64, share in 0.05..0.9f64, u in 1e-4..1e-3f64) {
        let area = |outer: f64, inner: f64| Shape::annular(metres(outer), metres(inner)).unwrap().area().si();
        let inner = outer * share;
        let slopes = [(area(outer + u, inner) - area(outer - u, inner)) / 2.0, (area(outer, inner + u) - area(outer, inner - u)) / 2.0];
        let expected = slopes[0].hypot(slopes[1]) / area(outer, inner);
        let found = Shape::annular(metres(outer), metres(inner)).unwrap().area_u_rel([u, u]);
        prop_assert!((found / expected - 1.0).abs() < 1e-6);
    }

    #[test]
    fn standard_volume_does_not_know_the_ducts_temperature(v in 0.5..30.0f64, t in 0.0..600.0f64) {
        let area = zonda_air::Area::from_si(0.1).unwrap();
        let standard = Velocity::standard(v, Reference::NORMAL).unwrap();
        let flow = Flow::of(PointReading { velocity: standard, air: dry(t, 90_000.0) }, area);
        prop_assert!((flow.standard(Reference::NORMAL).si() / (v * 0.1) - 1.0).abs() < 1e-12);
        prop_assert!((flow.density() / dry(t, 90_000.0).density().value - 1.0).abs() < 1e-12);
    }
}
