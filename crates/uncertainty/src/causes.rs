//! Rows of a budget gathered by origin, and how those go together.

use crate::budget::{BadBudget, Tie};
use crate::dof::Dof;
use crate::influence::{Common, Influence, Origin, Shared};
use crate::matrix::Correlations;

/// Rows gathered by origin: each is one error.
pub(crate) struct Causes<'a> {
    origins: Vec<&'a Origin>,
    shared: Vec<Option<&'a Shared>>,
    /// The fewest degrees of freedom with which each is stated.
    pub(crate) dof: Vec<Dof>,
    /// Which cause a row belongs to.
    pub(crate) of: Vec<usize>,
    ties: Vec<(usize, usize, f64)>,
}

impl<'a> Causes<'a> {
    pub(crate) fn new(rows: &'a [(Influence, f64)], ties: &'a [Tie]) -> Result<Self, BadBudget> {
        let mut causes = Self {
            origins: Vec::new(),
            shared: Vec::new(),
            dof: Vec::new(),
            of: Vec::new(),
            ties: Vec::new(),
        };
        for (influence, _) in rows {
            causes.add(influence)?;
        }
        for tie in ties {
            let tie = causes.tie(tie)?;
            causes.ties.push(tie);
        }
        if !causes.ties.is_empty() {
            let ones = vec![1.0; causes.origins.len()];
            causes
                .correlations(&ones)
                .root()
                .ok_or(BadBudget::Impossible)?;
        }
        Ok(causes)
    }

    fn add(&mut self, influence: &'a Influence) -> Result<(), BadBudget> {
        let (origin, dof) = (&influence.origin, influence.spread.dof());
        let shared = influence.shared.as_ref();
        if let Some(Common::Partly(r)) = shared.map(|shared| shared.common)
            && !(0.0..=1.0).contains(&r)
        {
            let origin = origin.clone();
            return Err(BadBudget::Correlation { origin, r });
        }
        let known = self.origins.iter().position(|known| *known == origin);
        let index = known.unwrap_or(self.origins.len());
        if known.is_none() {
            self.origins.push(origin);
            self.shared.push(shared);
            self.dof.push(dof);
        }
        if self.shared[index] != shared {
            return Err(BadBudget::TwoCauses(origin.clone()));
        }
        self.dof[index] = self.dof[index].min(dof);
        self.of.push(index);
        Ok(())
    }

    fn tie(&self, tie: &Tie) -> Result<(usize, usize, f64), BadBudget> {
        let Tie { a, b, r } = tie;
        if !(-1.0..=1.0).contains(r) {
            return Err(BadBudget::Correlation {
                origin: a.clone(),
                r: *r,
            });
        }
        let find = |origin: &Origin| self.origins.iter().position(|known| *known == origin);
        match (find(a), find(b)) {
            (Some(i), Some(j)) if i != j && self.by_cause(i, j, 1.0) == 0.0 => Ok((i, j, *r)),
            _ => Err(BadBudget::NoTie {
                a: a.clone(),
                b: b.clone(),
            }),
        }
    }

    /// How many different errors there are.
    pub(crate) fn len(&self) -> usize {
        self.origins.len()
    }

    /// Row by row numbers added up by cause: what is one error adds up linearly.
    pub(crate) fn summed(&self, rows: &[f64]) -> Vec<f64> {
        let mut summed = vec![0.0; self.len()];
        for (cause, row) in self.of.iter().zip(rows) {
            summed[*cause] += row;
        }
        summed
    }

    /// Correlations between the causes; their signed contributions decide what the worse of an unknown one is.
    pub(crate) fn correlations(&self, signed: &[f64]) -> Correlations {
        let mut correlations = Correlations::none(self.len());
        for i in 0..self.len() {
            for j in 0..i {
                correlations.set(i, j, self.by_cause(i, j, signed[i] * signed[j]));
            }
        }
        for (i, j, r) in &self.ties {
            correlations.set(*i, *j, *r);
        }
        correlations
    }

    fn by_cause(&self, i: usize, j: usize, product: f64) -> f64 {
        let (Some(one), Some(other)) = (self.shared[i], self.shared[j]) else {
            return 0.0;
        };
        if one.by != other.by {
            return 0.0;
        }
        match (one.common.share(), other.common.share()) {
            (Some(share), Some(others)) => (share * others).sqrt(),
            _ if product > 0.0 => 1.0,
            _ => 0.0,
        }
    }
}

impl Common {
    fn share(self) -> Option<f64> {
        match self {
            Self::Wholly => Some(1.0),
            Self::Partly(r) => Some(r),
            Self::Unknown => None,
        }
    }
}
