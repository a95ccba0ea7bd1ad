//! What a plot of a zone shows: the course of each place, and of the spread between them.

use zonda_evaluate::{Reading, Stretch};

use super::Zone;
use crate::figure::{Course, of_differences};
use crate::outcome::Series;
use crate::work::Scene;

/// Courses for the plot: each place, and the spread.
pub(super) struct Plots {
    pub(super) places: Vec<Course>,
    spread: Course,
}

impl Plots {
    pub(super) fn over(stretch: Stretch, places: usize) -> Self {
        Self {
            places: vec![Course::over(stretch); places],
            spread: Course::over(stretch),
        }
    }

    pub(super) fn note(&mut self, scan: &[Reading], scene: &Scene<'_>) {
        let mut scratch = zonda_evaluate::Tally::default();
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for reading in scan {
            let Some(value) = scene.using.sieve.admit(reading, &mut scratch) else {
                return;
            };
            (low, high) = (low.min(value), high.max(value));
        }
        if let Some(first) = scan.first() {
            self.spread.push(first.at, high - low);
        }
    }

    pub(super) fn series(&self, scene: &Scene<'_>, zone: &Zone, stretch: Stretch) -> Vec<Series> {
        let from = scene.time(stretch.from());
        let unit = zone.quantity.si();
        let places = self.places.iter().zip(zone.names());
        let mut series: Vec<Series> = places
            .map(|(course, name)| course.series("mean", Some(name), unit, from.clone()))
            .collect();
        let difference = of_differences(zone.quantity);
        series.push(self.spread.series("spread", None, difference, from));
        series
    }
}
