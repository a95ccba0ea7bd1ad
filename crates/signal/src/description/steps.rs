//! The text of each step.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{BadDescription, SpanText};
use crate::certificate::{Certificate, Heading, Method, Point};
use crate::curve::Interpolation;
use crate::line::Line;
use crate::platinum::Platinum;
use crate::root::{Pitot, SquareRoot};
use crate::step::{ColdJunction, Step};
use crate::table::{Polynomial, Table};

words!(InterpolationText = Interpolation { Linear, Cubic });
words!(
    MethodText = Method {
        Interpolation,
        LeastSquares
    }
);

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "step", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum StepText {
    Line {
        from: SpanText,
        to: SpanText,
    },
    SquareRoot {
        from: SpanText,
        to: SpanText,
        cut_off: f64,
    },
    Pitot {
        coefficient: f64,
        density_kg_m3: f64,
        cut_off_pa: f64,
    },
    Table {
        from: String,
        to: String,
        interpolation: InterpolationText,
        points: Vec<(f64, f64)>,
    },
    Polynomial {
        domain: SpanText,
        to: String,
        coefficients: Vec<f64>,
    },
    Platinum {
        r0_ohm: f64,
        a: f64,
        b: f64,
        c: f64,
    },
    Thermocouple {
        letter: String,
        /// Absent where another channel measures it.
        #[serde(skip_serializing_if = "Option::is_none")]
        cold_junction_celsius: Option<f64>,
    },
    Certificate(CertificateText),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CertificateText {
    number: String,
    laboratory: String,
    date: String,
    due: String,
    quantity: String,
    range: SpanText,
    method: MethodText,
    /// Reference, reading, expanded uncertainty, coverage factor.
    points: Vec<(f64, f64, f64, f64)>,
}

impl From<&Step> for StepText {
    fn from(step: &Step) -> Self {
        match step {
            Step::Line(line) => Self::Line {
                from: line.from().into(),
                to: line.to().into(),
            },
            Step::SquareRoot(root) => Self::SquareRoot {
                from: root.from().into(),
                to: root.to().into(),
                cut_off: root.cut_off(),
            },
            Step::Pitot(pitot) => Self::Pitot {
                coefficient: pitot.coefficient(),
                density_kg_m3: pitot.density(),
                cut_off_pa: pitot.cut_off(),
            },
            Step::Table(table) => Self::Table {
                from: table.from().symbol().to_owned(),
                to: table.to().symbol().to_owned(),
                interpolation: table.curve().interpolation().into(),
                points: table.curve().points().to_vec(),
            },
            Step::Polynomial(polynomial) => Self::Polynomial {
                domain: polynomial.domain().into(),
                to: polynomial.to().symbol().to_owned(),
                coefficients: polynomial.coefficients().to_vec(),
            },
            Step::Platinum(platinum) => {
                let (r0_ohm, a, b, c) = platinum.coefficients();
                Self::Platinum { r0_ohm, a, b, c }
            }
            Step::Thermocouple(kind, junction) => Self::Thermocouple {
                letter: kind.letter().to_owned(),
                cold_junction_celsius: match junction {
                    ColdJunction::At(celsius) => Some(*celsius),
                    ColdJunction::Measured => None,
                },
            },
            Step::Certificate(certificate) => Self::Certificate(certificate.as_ref().into()),
        }
    }
}

impl From<&Certificate> for CertificateText {
    fn from(certificate: &Certificate) -> Self {
        let Heading {
            number,
            laboratory,
            date,
            due,
        } = certificate.heading().clone();
        Self {
            number,
            laboratory,
            date: date.to_string(),
            due: due.to_string(),
            quantity: certificate.quantity().word().to_owned(),
            range: certificate.range().into(),
            method: certificate.method().into(),
            points: certificate
                .points()
                .iter()
                .map(|p| (p.reference, p.reading, p.uncertainty, p.k))
                .collect(),
        }
    }
}

impl StepText {
    pub(super) fn rebuild(&self) -> Result<Step, BadDescription> {
        Ok(match self {
            Self::Line { from, to } => Step::Line(Line::new(from.rebuild()?, to.rebuild()?)?),
            Self::SquareRoot { from, to, cut_off } => {
                Step::SquareRoot(SquareRoot::new(from.rebuild()?, to.rebuild()?, *cut_off)?)
            }
            Self::Pitot {
                coefficient,
                density_kg_m3,
                cut_off_pa,
            } => Step::Pitot(Pitot::new(*coefficient, *density_kg_m3, *cut_off_pa)?),
            Self::Table {
                from,
                to,
                interpolation,
                points,
            } => {
                let (from, to) = (from.parse()?, to.parse()?);
                Step::Table(Table::new(
                    from,
                    to,
                    points.clone(),
                    (*interpolation).into(),
                )?)
            }
            Self::Polynomial {
                domain,
                to,
                coefficients,
            } => {
                let (domain, to) = (domain.rebuild()?, to.parse()?);
                Step::Polynomial(Polynomial::new(domain, to, coefficients.clone())?)
            }
            Self::Platinum { r0_ohm, a, b, c } => {
                Step::Platinum(Platinum::new(*r0_ohm, *a, *b, *c)?)
            }
            Self::Thermocouple {
                letter,
                cold_junction_celsius,
            } => {
                let junction =
                    cold_junction_celsius.map_or(ColdJunction::Measured, ColdJunction::At);
                Step::Thermocouple(letter.parse()?, junction)
            }
            Self::Certificate(certificate) => Step::Certificate(Box::new(certificate.rebuild()?)),
        })
    }
}

impl CertificateText {
    fn rebuild(&self) -> Result<Certificate, BadDescription> {
        let date = |text: &String| {
            text.parse::<Date>()
                .map_err(|_| BadDescription::Date(text.clone()))
        };
        let heading = Heading {
            number: self.number.clone(),
            laboratory: self.laboratory.clone(),
            date: date(&self.date)?,
            due: date(&self.due)?,
        };
        let points = self
            .points
            .iter()
            .map(|&(reference, reading, uncertainty, k)| Point {
                reference,
                reading,
                uncertainty,
                k,
            })
            .collect();
        let quantity = self.quantity.parse()?;
        let range = self.range.rebuild()?;
        Ok(Certificate::new(
            heading,
            quantity,
            range,
            points,
            self.method.into(),
        )?)
    }
}
