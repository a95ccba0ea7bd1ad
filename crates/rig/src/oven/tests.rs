//! Plausibility of the oven: balance, signs, the controller, the door, the fans.

use super::*;

fn soaking() -> (Oven, Dice) {
    let mut dice = Dice::new(3);
    (Oven::soaking(200.0, &mut dice), dice)
}

/// First law of thermodynamics: what came in less what went out is what is stored.
#[test]
fn heat_is_neither_made_nor_lost() {
    let (mut oven, mut dice) = soaking();
    let mut demands = Demands::curing(200.0);
    let before = oven.stored_heat();
    let (mut net, mut moved) = (0.0, 0.0);
    for step in 0..6_000 {
        demands.door = f64::from(u8::from((1_000..2_000).contains(&step)));
        demands.fans[2] = step < 4_000;
        oven.step(0.1, &demands, &mut dice);
        let HeatFlows {
            burner,
            walls,
            exhaust,
            door,
        } = oven.flows();
        net += (burner - walls - exhaust - door) * 0.1;
        moved += (burner + walls + exhaust + door) * 0.1;
    }
    assert!(moved > 1e7, "nothing happened: {moved}");
    let missing = oven.stored_heat() - before - net;
    assert!(missing.abs() < 1e-6 * moved, "{missing} of {moved}");
}

#[test]
fn hot_air_loses_heat_and_cold_air_does_not() {
    let (mut oven, mut dice) = soaking();
    let mut demands = Demands::curing(200.0);
    demands.door = 1.0;
    oven.step(10.0, &demands, &mut dice);
    let flows = oven.flows();
    assert!(
        flows.walls > 0.0 && flows.exhaust > 0.0 && flows.door > 0.0,
        "{flows:?}"
    );

    let mut cold = Oven::cold(&mut dice);
    demands.setpoint = 0.0;
    cold.step(10.0, &demands, &mut dice);
    let flows = cold.flows();
    // The room may have drifted by hundredths of a kelvin; at 0.3 kg/s that is a few watts.
    assert!(
        flows.burner == 0.0 && flows.door.abs() < 50.0 && flows.exhaust.abs() < 50.0,
        "{flows:?}"
    );
}

#[test]
fn a_cold_oven_reaches_its_setpoint_and_holds_it() {
    let mut dice = Dice::new(5);
    let mut oven = Oven::cold(&mut dice);
    let demands = Demands::curing(200.0);
    let mut reached = None;
    for second in 0..3_600 {
        oven.step(1.0, &demands, &mut dice);
        if reached.is_none() && oven.truth().zone_temperatures[1] > 197.0 {
            reached = Some(second);
        }
    }
    let reached = reached.unwrap();
    assert!((500..1_800).contains(&reached), "{reached} s");
    let (mut lowest, mut highest, mut lit, mut off) = (f64::MAX, f64::MIN, 0, 0);
    for _ in 0..1_800 {
        oven.step(1.0, &demands, &mut dice);
        let truth = oven.truth();
        lowest = truth.zone_temperatures[1].min(lowest);
        highest = truth.zone_temperatures[1].max(highest);
        lit += i32::from(truth.firing > 0.25);
        off += i32::from(truth.firing < 0.05);
    }
    assert!(lowest > 193.0 && highest < 207.0, "{lowest} to {highest}");
    assert!(
        lit > 100 && off > 100,
        "the burner does not cycle: {lit} s on, {off} s off"
    );
}

#[test]
fn an_open_door_chills_the_zone_behind_it_most_and_stops_the_burner() {
    let (mut oven, mut dice) = soaking();
    let before = oven.truth();
    let mut demands = Demands::curing(200.0);
    demands.door = 1.0;
    oven.step(60.0, &demands, &mut dice);
    let opened = oven.truth();
    let dips: Vec<f64> = (0..3)
        .map(|i| before.zone_temperatures[i] - opened.zone_temperatures[i])
        .collect();
    assert!(
        dips[0] > 25.0 && dips[0] > dips[1] && dips[1] > dips[2] && dips[2] > 0.0,
        "{dips:?}"
    );
    assert!(
        opened.ware_temperatures[0] > opened.zone_temperatures[0],
        "the ware stays hotter than the air"
    );
    assert!(opened.firing < 0.01 && opened.oven_pressure > -1.0);
    oven.step(900.0, &Demands::curing(200.0), &mut dice);
    let after = oven.truth();
    assert!(
        (after.zone_temperatures[1] - 200.0).abs() < 8.0,
        "{after:?}"
    );
}

#[test]
fn a_stopped_fan_starves_its_zone_of_heat() {
    let (mut oven, mut dice) = soaking();
    let mut demands = Demands::curing(200.0);
    demands.fans[2] = false;
    oven.step(600.0, &demands, &mut dice);
    let truth = oven.truth();
    assert!(truth.fan_speeds[2] < 1e-6 && truth.fan_speeds[0] > 0.99);
    assert!(
        truth.zone_temperatures[2] < truth.zone_temperatures[1] - 3.0,
        "{truth:?}"
    );
}

#[test]
fn the_duct_agrees_with_continuity_and_the_pitot_equation() {
    let (oven, _) = soaking();
    let truth = oven.truth();
    let area = std::f64::consts::PI * 0.25f64.powi(2) / 4.0;
    let density = truth.exhaust_mass_flow / (truth.exhaust_velocity * area);
    // Dry air at 190 to 195 °C and 100.7 kPa by the ideal gas law: 0.749 to 0.757 kg/m³.
    assert!((0.74..0.765).contains(&density), "{density}");
    let axis = (2.0 * truth.exhaust_dynamic_pressure / density).sqrt();
    assert!((axis / truth.exhaust_velocity - velocity_profile(0.0)).abs() < 1e-9);
}

/// The mean of the one-seventh power law over the section is 0.8167 of the axis (textbook).
#[test]
fn the_profile_has_mean_one() {
    let rings = 200_000;
    let mean = (0..rings)
        .map(|ring| (f64::from(ring) + 0.5) / f64::from(rings))
        .map(|radius| velocity_profile(radius) * 2.0 * radius / f64::from(rings))
        .sum::<f64>();
    assert!((mean - 1.0).abs() < 1e-4, "{mean}");
}
