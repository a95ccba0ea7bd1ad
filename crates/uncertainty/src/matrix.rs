//! Correlations between errors, as a small symmetric matrix.

/// A matrix of correlations: ones on its diagonal.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Correlations {
    size: usize,
    cells: Vec<f64>,
}

/// Rounding may make a correlation of exactly 1 look like more by so much.
const ROUNDING: f64 = 1e-9;

impl Correlations {
    /// All independent.
    pub(crate) fn none(size: usize) -> Self {
        let mut cells = vec![0.0; size * size];
        cells
            .iter_mut()
            .step_by(size + 1)
            .for_each(|cell| *cell = 1.0);
        Self { size, cells }
    }

    pub(crate) fn set(&mut self, i: usize, j: usize, r: f64) {
        self.cells[i * self.size + j] = r;
        self.cells[j * self.size + i] = r;
    }

    pub(crate) fn get(&self, i: usize, j: usize) -> f64 {
        self.cells[i * self.size + j]
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.cells[i * self.size..(i + 1) * self.size]
    }

    /// Σ_j r_ij·x_j.
    pub(crate) fn row_times(&self, i: usize, x: &[f64]) -> f64 {
        self.row(i).iter().zip(x).map(|(r, x)| r * x).sum()
    }

    /// Errors that are correlated with each other, directly or through others; in ascending order.
    pub(crate) fn groups(&self) -> Vec<Vec<usize>> {
        let mut group_of: Vec<usize> = (0..self.size).collect();
        for i in 0..self.size {
            for j in 0..i {
                if self.get(i, j) != 0.0 && group_of[i] != group_of[j] {
                    let (keep, drop) = (group_of[j], group_of[i]);
                    group_of
                        .iter_mut()
                        .filter(|group| **group == drop)
                        .for_each(|group| *group = keep);
                }
            }
        }
        let mut groups: Vec<Vec<usize>> = vec![Vec::new(); self.size];
        for (i, group) in group_of.into_iter().enumerate() {
            groups[group].push(i);
        }
        groups.retain(|group| !group.is_empty());
        groups
    }

    /// Those of some errors alone.
    pub(crate) fn among(&self, group: &[usize]) -> Self {
        let cells = group
            .iter()
            .flat_map(|i| group.iter().map(|j| self.get(*i, *j)));
        Self {
            size: group.len(),
            cells: cells.collect(),
        }
    }

    /// True where all are one and the same error.
    pub(crate) fn is_one(&self) -> bool {
        self.cells.iter().all(|r| *r > 1.0 - ROUNDING)
    }

    /// The lower triangle L with L·Lᵀ = this (Cholesky), row by row; `None` where no errors can be correlated like this.
    pub(crate) fn root(&self) -> Option<Vec<Vec<f64>>> {
        let mut root: Vec<Vec<f64>> = Vec::with_capacity(self.size);
        for i in 0..self.size {
            let mut row: Vec<f64> = Vec::with_capacity(i + 1);
            for (j, above) in root.iter().enumerate() {
                let rest = self.get(i, j) - dot(&row, above);
                let pivot = above[j];
                if pivot > 0.0 {
                    row.push(rest / pivot);
                } else if rest.abs() < ROUNDING.sqrt() {
                    row.push(0.0);
                } else {
                    return None;
                }
            }
            let rest = self.get(i, i) - dot(&row, &row);
            if rest < -ROUNDING {
                return None;
            }
            row.push(if rest > ROUNDING { rest.sqrt() } else { 0.0 });
            root.push(row);
        }
        Some(root)
    }
}

/// Over the shorter of the two.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
