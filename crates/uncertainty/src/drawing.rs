//! The draws of a trial: errors by their causes, inputs by their errors, results by the law.

use crate::budget::{BadBudget, Budget};
use crate::causes::Causes;
use crate::draw::{Chance, Urn};
use crate::influence::Influence;
use crate::matrix::Correlations;
use crate::trial::BadTrial;

/// The draws in progress.
pub(crate) struct Drawing<'a, F> {
    inputs: &'a [&'a Budget],
    rows: &'a [(Influence, f64)],
    /// Which cause a row belongs to.
    of: &'a [usize],
    groups: Vec<Group>,
    /// Cause by cause, of the present draw.
    errors: Vec<Error>,
    law: F,
    values: Vec<f64>,
}

/// The present draw of one cause.
#[derive(Clone, Copy)]
enum Error {
    /// By its own shape.
    Drawn(Chance),
    /// In units of u.
    Standard(f64),
}

/// Causes that are drawn together.
enum Group {
    /// As one.
    One(Vec<usize>),
    /// As correlated normals, with the root of their correlations.
    Several(Vec<usize>, Vec<Vec<f64>>),
}

fn groups(correlations: &Correlations) -> Result<Vec<Group>, BadTrial> {
    let group = |members: Vec<usize>| {
        let among = correlations.among(&members);
        if among.is_one() {
            return Ok(Group::One(members));
        }
        let root = among.root().ok_or(BadBudget::Impossible)?;
        Ok(Group::Several(members, root))
    };
    correlations.groups().into_iter().map(group).collect()
}

impl<'a, F: Fn(&[f64]) -> f64> Drawing<'a, F> {
    /// Prepares the draws of the causes behind `rows`, which are the rows of `inputs` in their order.
    pub(crate) fn new(
        inputs: &'a [&'a Budget],
        rows: &'a [(Influence, f64)],
        causes: &'a Causes<'a>,
        law: F,
    ) -> Result<Self, BadTrial> {
        let mut drawing = Self {
            inputs,
            rows,
            of: &causes.of,
            groups: Vec::new(),
            errors: vec![Error::Standard(0.0); causes.len()],
            law,
            values: vec![0.0; inputs.len()],
        };
        let signed = drawing.contributions();
        drawing.groups = groups(&causes.correlations(&signed))?;
        Ok(drawing)
    }

    /// By how much the result moves with one u of each cause, signed.
    fn contributions(&mut self) -> Vec<f64> {
        let causes = self.errors.len();
        let mut contributions = Vec::with_capacity(causes);
        for cause in 0..causes {
            let mut at = |error| {
                self.errors.fill(Error::Standard(0.0));
                self.errors[cause] = Error::Standard(error);
                self.result()
            };
            contributions.push((at(1.0) - at(-1.0)) / 2.0);
        }
        contributions
    }

    /// The law at the present draw.
    fn result(&mut self) -> f64 {
        let mut row = 0;
        for (value, input) in self.values.iter_mut().zip(self.inputs) {
            *value = input.value();
            for _ in input.rows() {
                let (influence, sensitivity) = &self.rows[row];
                let error = match self.errors[self.of[row]] {
                    Error::Drawn(chance) => chance.of(influence.spread),
                    Error::Standard(error) => error * influence.spread.u(),
                };
                *value += sensitivity * error;
                row += 1;
            }
        }
        (self.law)(&self.values)
    }

    fn draw(&mut self, urn: &mut Urn) -> Result<f64, BadTrial> {
        for group in &self.groups {
            match group {
                Group::One(members) => {
                    let chance = urn.draw();
                    for cause in members {
                        self.errors[*cause] = Error::Drawn(chance);
                    }
                }
                Group::Several(members, root) => {
                    let normal: Vec<f64> = members.iter().map(|_| urn.draw().normal()).collect();
                    for (cause, row) in members.iter().zip(root) {
                        let error = row.iter().zip(&normal).map(|(l, z)| l * z).sum();
                        self.errors[*cause] = Error::Standard(error);
                    }
                }
            }
        }
        let result = self.result();
        if result.is_finite() {
            Ok(result)
        } else {
            Err(BadTrial::Broken(result))
        }
    }

    pub(crate) fn draw_into(
        &mut self,
        results: &mut Vec<f64>,
        count: usize,
        urn: &mut Urn,
    ) -> Result<(), BadTrial> {
        results.reserve(count);
        for _ in 0..count {
            results.push(self.draw(urn)?);
        }
        Ok(())
    }
}
