//! From which moment on a zone is surveyed: when it is steady, or soaked, at all its places.

use std::time::Duration;

use zonda_evaluate::soak::InBand;
use zonda_evaluate::steadiness::State;
use zonda_evaluate::{Band, Reading, Steadiness, SteadyRule};
use zonda_model::{Period, Stamp};

use super::Zone;
use crate::error::AssessError;
use crate::work::Scene;

/// Opens when a zone is steady or soaked.
pub(super) struct Gate {
    pub(super) open: Option<Stamp>,
    watch: GateWatch,
    using: crate::intake::Use,
}

enum GateWatch {
    Steady(Vec<Steadiness>),
    Soaked {
        band: Band,
        period: Period,
        dwell: Duration,
        /// The first and the last scan of the stay in tolerance.
        stay: Option<(Stamp, Stamp)>,
    },
}

impl Gate {
    pub(super) fn steady(
        zone: &Zone,
        scene: &Scene<'_>,
        window: Duration,
    ) -> Result<Self, AssessError> {
        let rule = SteadyRule {
            sieve: scene.using.sieve,
            ..SteadyRule::over(window, zone.period)
        };
        let one = Steadiness::new(rule).map_err(|why| AssessError::ask(&why))?;
        Ok(Self {
            open: None,
            watch: GateWatch::Steady(vec![one; zone.feeds.len()]),
            using: scene.using,
        })
    }

    pub(super) fn soaked(
        zone: &Zone,
        scene: &Scene<'_>,
        dwell: Duration,
    ) -> Result<Self, AssessError> {
        let missing = || AssessError::Ask("`setpoint` and `tolerance` are missing".to_owned());
        Ok(Self {
            open: None,
            watch: GateWatch::Soaked {
                band: zone.band.ok_or_else(missing)?,
                period: zone.period,
                dwell,
                stay: None,
            },
            using: scene.using,
        })
    }

    pub(super) fn note(&mut self, scan: &[Reading]) -> Result<(), AssessError> {
        let using = self.using;
        match &mut self.watch {
            GateWatch::Steady(places) => {
                let mut since = Vec::with_capacity(places.len());
                for (place, reading) in places.iter_mut().zip(scan) {
                    if let State::Steady { since: at, .. } = place.push(reading)? {
                        since.push(at);
                    }
                }
                if since.len() == places.len() {
                    self.open = since.into_iter().max();
                }
            }
            GateWatch::Soaked {
                band,
                period,
                dwell,
                stay,
            } => {
                let at = scan
                    .iter()
                    .map(|reading| reading.at)
                    .min()
                    .unwrap_or_default();
                let inside = in_band(scan, *band, using);
                let follows = stay.is_some_and(|(_, last)| {
                    zonda_evaluate::coverage::is_unbroken(at.since(last), *period)
                });
                *stay = match (inside, *stay) {
                    (InBand::Yes, Some((first, _))) if follows => Some((first, at)),
                    (InBand::Yes, _) => Some((at, at)),
                    _ => None,
                };
                if let Some((first, last)) = *stay
                    && last.since(first) >= *dwell
                {
                    self.open = Some(first);
                }
            }
        }
        Ok(())
    }

    pub(super) fn refusal(&self, zone: &Zone, dwell: Duration) -> AssessError {
        let over = zonda_model::run::spelled(dwell);
        let names = zone.names();
        AssessError::Refused(match &self.watch {
            GateWatch::Steady(places) => {
                let moving: Vec<&str> = places
                    .iter()
                    .zip(&names)
                    .filter(|(place, _)| !place.state().is_steady())
                    .map(|(_, name)| *name)
                    .collect();
                format!(
                    "the zone was never steady over {over} at all places at once (at the end not at `{}`); ask for a shorter `dwell`, another stretch, or survey it from its beginning",
                    moving.join("`, `")
                )
            }
            GateWatch::Soaked { band, .. } => format!(
                "the zone was never within tolerance of {} {} at all places for {over} without a gap; ask for a shorter `dwell`, a wider tolerance or another stretch",
                band.setpoint(),
                zone.quantity.si()
            ),
        })
    }
}

fn in_band(scan: &[Reading], band: Band, using: crate::intake::Use) -> InBand {
    let mut scratch = zonda_evaluate::Tally::default();
    let mut values = scan
        .iter()
        .map(|reading| using.sieve.admit(reading, &mut scratch));
    let all: Vec<Option<f64>> = values.by_ref().collect();
    if all.iter().flatten().any(|value| !band.contains(*value)) {
        InBand::No
    } else if all.iter().all(Option::is_some) {
        InBand::Yes
    } else {
        InBand::Unknown
    }
}
