//! May the traverse be used? What to look at, what was found, and whether it is enough.
//!
//! A finding never changes a number; it stands beside the flow in the report.

use std::fmt;

use super::shape::Shape;
use super::site::Site;
use super::traverse::Traverse;
use crate::velocity::{Velocity, VelocityError};

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Criterion {
    /// Share of points whose velocity pressure exceeds a tenth of the highest (velocity above 31.6 % of the highest): at
    /// least 75 %. AMCA 203 and ASHRAE 111; 75 % and 10 % are confirmed in public text, that they speak of the
    /// pressure is from memory.
    VelocityPressure,
    /// Points with reversed flow: none (common practice, no source).
    ReversedFlow,
    /// Greatest angle between flow and axis, degrees: at most 15 (from memory; US EPA Method 1 means 20 by
    /// its null-angle average).
    FlowAngle,
    /// Greatest difference of the means of two lines of a round or annular duct: at most 5 % (common practice,
    /// no source).
    LinesAgree,
    /// Change of a reference point's velocity from the start to the end of the traverse: at most 5 % (common
    /// practice, no source).
    Repeat,
    /// Diameters of straight duct upstream: at least 7.5 (AMCA 203).
    Upstream,
    /// Diameters of straight duct downstream: at least 3 (AMCA 203).
    Downstream,
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Finding {
    /// What was looked at.
    pub criterion: Criterion,
    /// What was found: a ratio, a count, degrees or diameters, as the criterion says.
    pub found: f64,
    /// What is asked for, in the same unit.
    pub limit: f64,
    /// Whether it is enough.
    pub met: bool,
}

/// What was measured beside the velocities; leave out what was not.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observations {
    /// Flow angles to the axis, degrees, in any order.
    pub angles_deg: Vec<f64>,
    /// A reference point's velocity at the start and at the end.
    pub repeat: Option<(Velocity, Velocity)>,
    /// Straight duct around the plane.
    pub site: Option<Site>,
}

/// Why nothing can be judged.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AcceptanceError {
    /// Not one velocity a point.
    #[error(
        "the layout has {points} points but there are {velocities} velocities; a point that was not measured must be measured, not left out"
    )]
    Count {
        /// Points of the layout.
        points: usize,
        /// Velocities given.
        velocities: usize,
    },
    /// Velocities of different bases.
    #[error(transparent)]
    Velocity(#[from] VelocityError),
}

impl Criterion {
    /// What is asked for, and whether it is a least (true) or a most.
    const fn limit(self) -> (f64, bool) {
        match self {
            Self::VelocityPressure => (0.75, true),
            Self::ReversedFlow => (0.0, false),
            Self::FlowAngle => (15.0, false),
            Self::LinesAgree | Self::Repeat => (0.05, false),
            Self::Upstream => (7.5, true),
            Self::Downstream => (3.0, true),
        }
    }

    fn judge(self, found: f64) -> Finding {
        let (limit, at_least) = self.limit();
        let met = if at_least {
            found >= limit
        } else {
            found <= limit
        };
        Finding {
            criterion: self,
            found,
            limit,
            met,
        }
    }
}

/// Looks at everything that was measured. Velocities stand in the order of the traverse's points and have one basis; the
/// density over the plane is taken as even where pressures are compared.
///
/// # Errors
/// [`AcceptanceError`].
pub fn judge(
    traverse: &Traverse,
    velocities: &[Velocity],
    observations: &Observations,
) -> Result<Vec<Finding>, AcceptanceError> {
    if velocities.len() != traverse.points().len() {
        return Err(AcceptanceError::Count {
            points: traverse.points().len(),
            velocities: velocities.len(),
        });
    }
    Velocity::mean(velocities)?;
    let values: Vec<f64> = velocities.iter().map(|velocity| velocity.si()).collect();
    let mut findings = vec![
        Criterion::VelocityPressure.judge(share_of_strong(&values)),
        Criterion::ReversedFlow.judge(count_as_f64(values.iter().filter(|v| **v < 0.0))),
    ];
    findings
        .extend(lines_differ(traverse, &values).map(|found| Criterion::LinesAgree.judge(found)));
    let angles = observations.angles_deg.iter().map(|angle| angle.abs());
    findings.extend(
        angles
            .reduce(f64::max)
            .map(|found| Criterion::FlowAngle.judge(found)),
    );
    if let Some((start, end)) = observations.repeat {
        findings.push(Criterion::Repeat.judge((end.ratio(start)? - 1.0).abs()));
    }
    if let Some(site) = observations.site {
        findings.push(Criterion::Upstream.judge(site.upstream()));
        findings.push(Criterion::Downstream.judge(site.downstream()));
    }
    Ok(findings)
}

/// Share of points with v > 0 and v² > v_max²/10.
fn share_of_strong(values: &[f64]) -> f64 {
    let highest = values.iter().copied().fold(0.0, f64::max);
    let strong = values
        .iter()
        .filter(|v| **v > 0.0 && v.powi(2) > highest.powi(2) / 10.0);
    count_as_f64(strong) / count_as_f64(values.iter())
}

/// Greatest difference of line means over the mean of all; `None` with one line, and in a rectangle, where columns may
/// differ.
fn lines_differ(traverse: &Traverse, values: &[f64]) -> Option<f64> {
    if matches!(traverse.shape(), Shape::Rectangular(_)) || traverse.grid().lines < 2 {
        return None;
    }
    let per_line = traverse.grid().per_line;
    let means: Vec<f64> = values
        .chunks(per_line)
        .map(|line| line.iter().sum::<f64>() / count_as_f64(line.iter()))
        .collect();
    let (low, high) = means
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mean| {
            (low.min(*mean), high.max(*mean))
        });
    let mean = means.iter().sum::<f64>() / count_as_f64(means.iter());
    Some((high - low) / mean.abs())
}

fn count_as_f64<T>(items: impl Iterator<Item = T>) -> f64 {
    super::rule::as_f64(items.count())
}

impl fmt::Display for Finding {
    /// `velocity pressure above a tenth of the highest at 95 % of the points (at least 75 %): met`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            criterion,
            found,
            limit,
            met,
        } = self;
        let percent = |ratio: &f64| ratio * 100.0;
        match criterion {
            Criterion::VelocityPressure => write!(
                f,
                "velocity pressure above a tenth of the highest at {:.0} % of the points (at least {:.0} %)",
                percent(found),
                percent(limit)
            )?,
            Criterion::ReversedFlow => write!(f, "{found} points with reversed flow (none)")?,
            Criterion::FlowAngle => write!(
                f,
                "flow at most {found:.0}° off the axis (at most {limit:.0}°)"
            )?,
            Criterion::LinesAgree => {
                write!(
                    f,
                    "means of the lines differ by {:.1} % (at most {:.0} %)",
                    percent(found),
                    percent(limit)
                )?;
            }
            Criterion::Repeat => write!(
                f,
                "reference point changed by {:.1} % during the traverse (at most {:.0} %)",
                percent(found),
                percent(limit)
            )?,
            Criterion::Upstream => write!(
                f,
                "{found:.1} diameters straight upstream (at least {limit})"
            )?,
            Criterion::Downstream => write!(
                f,
                "{found:.1} diameters straight downstream (at least {limit})"
            )?,
        }
        f.write_str(if *met { ": met" } else { ": not met" })
    }
}
