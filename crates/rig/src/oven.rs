//! The oven: heat and air of a batch curing oven for powder coating, three zones in a row.
//!
//! Each zone has three stores of heat: its air with the light sheet metal in it, the ware with the
//! racks, and the walls' inner skin. A recirculating fan per zone moves the air past them; how well
//! it carries heat goes with flow^0.8 (textbook: turbulent forced convection). One burner, led by
//! a controller, heats the air; air is drawn out through the exhaust duct and as much comes in from
//! the room; an open door exchanges air by buoyancy; walls leak heat to the room. All the numbers
//! are invented for a plausible oven of some 25 m³.
//!
//! Pure: state, a step, random numbers handed in. What the air does at one point, turbulence
//! included, is in [`crate::air`]; what instruments make of it in [`crate::instruments`].

mod burner;
mod duct;
mod room;

use crate::noise::{Dice, lag};
use crate::truth::OvenTruth;
use burner::Burner;
use duct::Duct;
use room::Room;

pub use duct::velocity_profile;

/// The longest step of the heat balance, s. A tenth of the air's shortest time constant.
pub const STEP_MAX_S: f64 = 0.1;

/// Specific heat capacity of air, J/(kg K); textbook value between 20 and 200 °C, mean.
pub(crate) const CP: f64 = 1010.0;

/// Density of dry air by the ideal gas law, kg/m³; gas constant 287.05 J/(kg K), textbook.
pub(crate) fn density(temperature_c: f64, pressure_pa: f64) -> f64 {
    pressure_pa / (287.05 * (temperature_c + 273.15))
}

/// Heat that the air of one zone and its sheet metal hold, J/K.
const AIR_J_K: f64 = 40e3;
/// Heat that ware and racks of one zone hold, J/K: some 400 kg of steel.
const WARE_J_K: f64 = 190e3;
/// Heat that the walls' inner skin of one zone holds, J/K.
const WALL_J_K: f64 = 80e3;
/// From air to ware at nominal flow, W/K.
const AIR_TO_WARE_W_K: f64 = 2_500.0;
/// From air to walls at nominal flow, W/K.
const AIR_TO_WALL_W_K: f64 = 500.0;
/// From one zone's walls through the insulation to the room, W/K: 30 m² at 0.4 W/(m² K).
const WALL_TO_ROOM_W_K: f64 = 12.0;
/// Air that neighbouring zones exchange at nominal flow, kg/s.
const MIXED_KG_S: f64 = 0.6;
/// How convection goes down with the fan, and what natural convection leaves of it.
const CONVECTION_EXPONENT: f64 = 0.8;
const CONVECTION_LEAST: f64 = 0.06;
/// Shares of the burner's heat by zone; the door's end gets more.
const BURNER_SHARES: [f64; 3] = [0.37, 0.32, 0.31];
/// Shares of the exhaust air by zone.
pub(crate) const EXHAUST_SHARES: [f64; 3] = [0.40, 0.25, 0.35];
/// Shares of the door's air exchange by zone; the door is at zone 1.
const DOOR_SHARES: [f64; 3] = [0.75, 0.20, 0.05];
/// Width and height of the open door, m.
const DOOR_WIDTH_M: f64 = 1.8;
const DOOR_HEIGHT_M: f64 = 2.0;
/// Contraction of the flow through it (textbook: sharp-edged opening).
const DOOR_DISCHARGE: f64 = 0.6;
/// Time in which the door travels its whole way, s.
const DOOR_TRAVEL_S: f64 = 8.0;
/// Time constant of a fan that runs up or down, s.
const FAN_S: f64 = 4.0;
/// Suction in the shut oven, Pa.
const SUCTION_PA: f64 = -12.0;

/// What the people at the oven want of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demands {
    /// Setpoint of the burner's controller, °C.
    pub setpoint: f64,
    /// How wide the door is to stand, 0 to 1.
    pub door: f64,
    /// Which zones' fans are switched on.
    pub fans: [bool; 3],
}

impl Demands {
    /// Production: the door shut, all fans on.
    pub const fn curing(setpoint: f64) -> Self {
        Self {
            setpoint,
            door: 0.0,
            fans: [true; 3],
        }
    }
}

/// Where heat went in the last step, W; positive in the direction of the name.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HeatFlows {
    /// From the burner into the air.
    pub burner: f64,
    /// Through the walls into the room.
    pub walls: f64,
    /// With the exhaust air out, against room air coming in.
    pub exhaust: f64,
    /// Through the open door.
    pub door: f64,
}

/// The heat of one zone, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Zone {
    air: f64,
    ware: f64,
    wall: f64,
}

/// The oven's state.
#[derive(Clone, Debug)]
pub struct Oven {
    zones: [Zone; 3],
    fans: [f64; 3],
    door: f64,
    burner: Burner,
    duct: Duct,
    room: Room,
    setpoint: f64,
    flows: HeatFlows,
}

impl Oven {
    /// An oven that has stood overnight: everything at room temperature, the fans at rest.
    pub fn cold(dice: &mut Dice) -> Self {
        let room = Room::new(dice);
        let zone = Zone {
            air: room.temperature(),
            ware: room.temperature(),
            wall: room.temperature(),
        };
        Self {
            zones: [zone; 3],
            fans: [0.0; 3],
            door: 0.0,
            burner: Burner::new(),
            duct: Duct::new(room.temperature()),
            room,
            setpoint: 0.0,
            flows: HeatFlows::default(),
        }
    }

    /// An oven that has been curing at its setpoint for long.
    pub fn soaking(setpoint: f64, dice: &mut Dice) -> Self {
        const SETTLING_S: f64 = 1_800.0;
        let zone = Zone {
            air: setpoint,
            ware: setpoint,
            wall: setpoint - 4.0,
        };
        let mut oven = Self {
            zones: [zone; 3],
            fans: [1.0; 3],
            duct: Duct::new(setpoint),
            ..Self::cold(dice)
        };
        oven.step(SETTLING_S, &Demands::curing(setpoint), dice);
        oven
    }

    /// Moves on by `dt_s` seconds.
    pub fn step(&mut self, dt_s: f64, demands: &Demands, dice: &mut Dice) {
        let mut left = dt_s;
        while left > 1e-9 {
            let dt_s = left.min(STEP_MAX_S);
            self.substep(dt_s, demands, dice);
            left -= dt_s;
        }
    }

    fn substep(&mut self, dt_s: f64, demands: &Demands, dice: &mut Dice) {
        self.setpoint = demands.setpoint;
        self.room.step(dt_s, dice);
        let way = dt_s / DOOR_TRAVEL_S;
        self.door += (demands.door.clamp(0.0, 1.0) - self.door).clamp(-way, way);
        for (speed, on) in self.fans.iter_mut().zip(demands.fans) {
            lag(speed, f64::from(u8::from(on)), FAN_S, dt_s);
        }
        // The controller's thermocouple sits in the middle zone.
        let permitted = self.may_fire();
        self.burner
            .step(dt_s, demands.setpoint, self.zones[1].air, permitted);
        self.duct
            .step(dt_s, self.mixed_exhaust(), &self.room, self.door);
        self.exchange_heat(dt_s);
    }

    /// Interlock: no fire without air flow or with the door open (common practice, no source).
    fn may_fire(&self) -> bool {
        self.fans.iter().sum::<f64>() > 1.2 && self.door < 0.2
    }

    fn mixed_exhaust(&self) -> f64 {
        (0..3).map(|i| EXHAUST_SHARES[i] * self.zones[i].air).sum()
    }

    fn exchange_heat(&mut self, dt_s: f64) {
        let room = self.room.temperature();
        let exhaust_w_k = self.duct.mass_flow(&self.room) * CP;
        let door_w_k = self.door_mass_flow() * CP;
        let delivery = self.burner_delivery();
        let mut flows = HeatFlows {
            burner: self.burner.heat(),
            ..HeatFlows::default()
        };
        let mut into_air = [0.0; 3];
        for i in 0..3 {
            let convection = self.fans[i].powf(CONVECTION_EXPONENT).max(CONVECTION_LEAST);
            let zone = &mut self.zones[i];
            let to_ware = AIR_TO_WARE_W_K * convection * (zone.air - zone.ware);
            let to_wall = AIR_TO_WALL_W_K * convection * (zone.air - zone.wall);
            let to_room = WALL_TO_ROOM_W_K * (zone.wall - room);
            let to_exhaust = EXHAUST_SHARES[i] * exhaust_w_k * (zone.air - room);
            let to_door = DOOR_SHARES[i] * door_w_k * (zone.air - room);
            into_air[i] += flows.burner * delivery[i] - to_ware - to_wall - to_exhaust - to_door;
            zone.ware += to_ware * dt_s / WARE_J_K;
            zone.wall += (to_wall - to_room) * dt_s / WALL_J_K;
            flows.walls += to_room;
            flows.exhaust += to_exhaust;
            flows.door += to_door;
        }
        for i in 0..2 {
            let stirred = f64::midpoint(self.fans[i], self.fans[i + 1]).max(0.05);
            let across = MIXED_KG_S * CP * stirred * (self.zones[i].air - self.zones[i + 1].air);
            into_air[i] -= across;
            into_air[i + 1] += across;
        }
        for (zone, heat) in self.zones.iter_mut().zip(into_air) {
            zone.air += heat * dt_s / AIR_J_K;
        }
        self.flows = flows;
    }

    /// A fan that stands still takes no hot air from the burner; the others get its share.
    fn burner_delivery(&self) -> [f64; 3] {
        let drawn: [f64; 3] = std::array::from_fn(|i| BURNER_SHARES[i] * (0.02 + self.fans[i]));
        let sum: f64 = drawn.iter().sum();
        drawn.map(|share| share / sum)
    }

    /// Hot air that leaves through the door, kg/s; as much cold air comes in below it.
    ///
    /// One-way volume flow through a tall opening between air of two densities:
    /// Cd·W/3·√(g·H³·Δρ/ρ) (textbook: buoyancy-driven exchange flow).
    fn door_mass_flow(&self) -> f64 {
        let pressure = self.room.pressure();
        let inside = density(self.zones[0].air, pressure);
        let outside = density(self.room.temperature(), pressure);
        let contrast = ((outside - inside) / f64::midpoint(outside, inside)).max(0.0);
        let speed = (9.81 * DOOR_HEIGHT_M.powi(3) * contrast).sqrt();
        DOOR_DISCHARGE * DOOR_WIDTH_M * self.door / 3.0 * speed * inside
    }

    /// Heat stored in the oven against 0 °C, J.
    pub fn stored_heat(&self) -> f64 {
        let zones = self.zones.iter();
        zones
            .map(|zone| AIR_J_K * zone.air + WARE_J_K * zone.ware + WALL_J_K * zone.wall)
            .sum()
    }

    /// Where heat went in the last step.
    pub const fn flows(&self) -> HeatFlows {
        self.flows
    }

    /// What the door does to the flow in this zone, 0 (nothing) to 1.
    pub(crate) fn door_influence(&self, zone: usize) -> f64 {
        self.door * DOOR_SHARES[zone]
    }

    /// What is true now.
    pub fn truth(&self) -> OvenTruth {
        OvenTruth {
            zone_temperatures: self.zones.map(|zone| zone.air),
            ware_temperatures: self.zones.map(|zone| zone.ware),
            setpoint: self.setpoint,
            firing: self.burner.firing(),
            door: self.door,
            fan_speeds: self.fans,
            oven_pressure: SUCTION_PA * (-6.0 * self.door).exp(),
            exhaust_temperature: self.duct.temperature(),
            exhaust_velocity: self.duct.velocity(),
            exhaust_dynamic_pressure: self.duct.dynamic_pressure(&self.room),
            exhaust_mass_flow: self.duct.mass_flow(&self.room),
            room_temperature: self.room.temperature(),
            room_humidity: self.room.humidity(),
            barometric_pressure: self.room.pressure(),
        }
    }
}

#[cfg(test)]
mod tests;
