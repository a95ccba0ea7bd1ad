//! The air at one point: the zone's or duct's flow, the point's place in its profile, turbulence.

use crate::noise::{Dice, Drift};
use crate::oven::{Oven, velocity_profile};

/// Slow buoyant currents that remain when every fan stands, m/s (invented, plausible).
const STILL_AIR: f64 = 0.12;
/// Share of the turbulence's variance that all points of one zone or duct have in common.
const COMMON: f64 = 0.3;

/// Where a point is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Region {
    /// A zone, counted from 0.
    Zone(usize),
    /// The exhaust duct.
    Duct,
}

impl Region {
    /// Every region, by [`Region::index`].
    pub const ALL: [Self; 4] = [Self::Zone(0), Self::Zone(1), Self::Zone(2), Self::Duct];

    /// 0 to 3.
    pub const fn index(self) -> usize {
        match self {
            Self::Zone(zone) => zone,
            Self::Duct => 3,
        }
    }
}

/// A point and what is particular to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    /// Where it is.
    pub region: Region,
    /// Local mean velocity: in a zone m/s at nominal fan speed, in the duct a ratio to the area mean.
    pub velocity: f64,
    /// Standard deviation of the velocity as a share of the local mean.
    pub intensity: f64,
    /// Time scale of the turbulence, s.
    pub time_scale_s: f64,
    /// Local mean temperature: its excess over the room's as a share of the region's.
    pub warmth: f64,
    /// Standard deviation of the temperature as a share of its excess over the room's.
    pub flicker: f64,
}

const fn zone(region: usize, velocity: f64, intensity: f64, warmth: f64) -> Site {
    Site {
        region: Region::Zone(region),
        velocity,
        intensity,
        time_scale_s: 0.9,
        warmth,
        flicker: 0.002,
    }
}

fn duct(radius_share: f64, skew: f64, warmth: f64) -> Site {
    Site {
        region: Region::Duct,
        velocity: velocity_profile(radius_share) * skew,
        intensity: 0.06,
        time_scale_s: 0.4,
        warmth,
        flicker: 0.001,
    }
}

/// The radius within which half of a round duct's area lies: where the equal-area rule puts the two points of one diameter.
const MIDDLE_OF_AREA: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// The twelve points: left, middle and right of each zone, then of the duct. A bend before the
/// measuring section pushes the duct's profile to the right.
pub fn sites() -> [Site; 12] {
    [
        zone(0, 1.9, 0.22, 0.984),
        zone(0, 2.6, 0.18, 1.004),
        zone(0, 2.1, 0.21, 0.990),
        zone(1, 2.5, 0.18, 0.993),
        zone(1, 3.2, 0.15, 1.006),
        zone(1, 2.7, 0.17, 0.998),
        zone(2, 2.2, 0.20, 0.988),
        zone(2, 2.9, 0.16, 1.003),
        zone(2, 2.4, 0.19, 0.994),
        duct(MIDDLE_OF_AREA, 0.97, 0.985),
        duct(0.0, 1.0, 1.0),
        duct(MIDDLE_OF_AREA, 1.03, 0.988),
    ]
}

/// What the air does at a point at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breath {
    /// Velocity with its turbulence, m/s, never below 0.
    pub velocity: f64,
    /// Velocity without it, m/s.
    pub velocity_mean: f64,
    /// Temperature with its turbulence, °C.
    pub temperature: f64,
    /// Temperature without it, °C.
    pub temperature_mean: f64,
}

/// The turbulence of all points.
#[derive(Clone, Debug)]
pub struct Turbulence {
    common: [Drift; 4],
    own: Vec<(Site, Drift, Drift)>,
}

impl Turbulence {
    /// Turbulence that is already under way at these points.
    pub fn new(sites: &[Site], dice: &mut Dice) -> Self {
        let scale = |region: Region| {
            let site = sites.iter().find(|site| site.region == region);
            site.map_or(1.0, |site| site.time_scale_s)
        };
        Self {
            common: Region::ALL.map(|region| Drift::new(scale(region), dice)),
            own: sites
                .iter()
                .map(|site| {
                    let velocity = Drift::new(site.time_scale_s, dice);
                    (*site, velocity, Drift::new(site.time_scale_s, dice))
                })
                .collect(),
        }
    }

    /// Moves on by `dt_s` seconds and says what the air does at each point.
    pub fn step(&mut self, dt_s: f64, oven: &Oven, dice: &mut Dice) -> Vec<Breath> {
        for common in &mut self.common {
            common.step(dt_s, dice);
        }
        let common = &self.common;
        let own = self.own.iter_mut();
        own.map(|(site, velocity, temperature)| {
            let own = velocity.step(dt_s, dice);
            let shared = common[site.region.index()].value();
            let swing = (1.0 - COMMON).sqrt() * own + COMMON.sqrt() * shared;
            breath(site, oven, swing, temperature.step(dt_s, dice))
        })
        .collect()
    }
}

fn breath(site: &Site, oven: &Oven, swing: f64, flicker: f64) -> Breath {
    let truth = oven.truth();
    let (forced, temperature, door) = match site.region {
        Region::Zone(zone) => {
            let door = oven.door_influence(zone);
            let forced = site.velocity * truth.fan_speeds[zone] * (1.0 - 0.45 * door);
            (forced, truth.zone_temperatures[zone], door)
        }
        Region::Duct => (
            site.velocity * truth.exhaust_velocity,
            truth.exhaust_temperature,
            0.0,
        ),
    };
    let velocity_mean = forced.hypot(STILL_AIR);
    let excess = temperature - truth.room_temperature;
    let temperature_mean = truth.room_temperature + site.warmth * excess;
    // Cold air that rolls in at the door makes the flow rough.
    let intensity = site.intensity * (1.0 + 1.2 * door);
    let flickering = site.flicker * (1.0 + 10.0 * door);
    Breath {
        velocity: (velocity_mean * (1.0 + intensity * swing)).max(0.0),
        velocity_mean,
        temperature: temperature_mean + flickering * excess * flicker,
        temperature_mean,
    }
}
