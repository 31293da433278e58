//! Small square matrices: the covariance of a few dozen changes.
//!
//! Purpose: products, traces and triangular factors for `attribution` and `verdict`. Must not know
//! what the numbers stand for. The one invariant: indices are the caller's; a matrix of size n has
//! n rows and n columns.

/// A pivot below this share of the largest diagonal entry counts as zero.
const PIVOT_SHARE: f64 = 1e-12;

/// Rounds of rotations; each squares what is left off the diagonal, from the third on.
const SWEEPS: usize = 12;

/// A square matrix, row after row.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Matrix {
    size: usize,
    cells: Vec<f64>,
}

impl Matrix {
    /// All zeros.
    pub(crate) fn zeros(size: usize) -> Self {
        Self {
            size,
            cells: vec![0.0; size * size],
        }
    }

    /// A matrix whose entries follow from row and column.
    pub(crate) fn from_fn(size: usize, entry: impl Fn(usize, usize) -> f64) -> Self {
        let cells = (0..size * size).map(|i| entry(i / size, i % size));
        Self {
            size,
            cells: cells.collect(),
        }
    }

    /// The entry of a row and a column.
    pub(crate) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * self.size + column]
    }

    /// Replaces an entry.
    fn set(&mut self, row: usize, column: usize, value: f64) {
        self.cells[row * self.size + column] = value;
    }

    /// Adds to an entry.
    pub(crate) fn add(&mut self, row: usize, column: usize, value: f64) {
        self.cells[row * self.size + column] += value;
    }

    /// The sum of two matrices of one size, entry by entry.
    pub(crate) fn plus(&self, other: &Self) -> Self {
        Self::from_fn(self.size, |i, j| self.at(i, j) + other.at(i, j))
    }

    /// The product of two matrices of one size.
    pub(crate) fn times(&self, other: &Self) -> Self {
        let mut product = Self::zeros(self.size);
        for i in 0..self.size {
            for k in 0..self.size {
                let factor = self.at(i, k);
                for j in 0..self.size {
                    product.add(i, j, factor * other.at(k, j));
                }
            }
        }
        product
    }

    /// The product with a vector.
    pub(crate) fn times_vector(&self, vector: &[f64]) -> Vec<f64> {
        let row = |i: usize| (0..self.size).map(|j| self.at(i, j) * vector[j]).sum();
        (0..self.size).map(row).collect()
    }

    /// v' M v.
    pub(crate) fn quadratic(&self, vector: &[f64]) -> f64 {
        dot(&self.times_vector(vector), vector)
    }

    /// The sum of the diagonal.
    pub(crate) fn trace(&self) -> f64 {
        (0..self.size).map(|i| self.at(i, i)).sum()
    }

    /// The trace of the square.
    pub(crate) fn trace_of_square(&self) -> f64 {
        let row = |i| (0..self.size).map(move |j| (i, j));
        let pairs = (0..self.size).flat_map(row);
        pairs.map(|(i, j)| self.at(i, j) * self.at(j, i)).sum()
    }

    /// The sum of squared entries, each times the weights of its row and column.
    pub(crate) fn squared_entries(&self, weights: &[f64]) -> f64 {
        let entry = |i: usize, j: usize| weights[i] * weights[j] * self.at(i, j).powi(2);
        let row = |i: usize| (0..self.size).map(|j| entry(i, j)).sum::<f64>();
        (0..self.size).map(row).sum()
    }

    /// The lower triangle L with L L' = M of a symmetric matrix without negative eigenvalues.
    /// A direction without variance gets a column of zeros.
    pub(crate) fn root(&self) -> Self {
        let largest = (0..self.size).map(|i| self.at(i, i)).fold(0.0, f64::max);
        let mut root = Self::zeros(self.size);
        for j in 0..self.size {
            let taken: f64 = (0..j).map(|k| root.at(j, k).powi(2)).sum();
            let pivot = self.at(j, j) - taken;
            if pivot <= PIVOT_SHARE * largest {
                continue;
            }
            let pivot = pivot.sqrt();
            root.add(j, j, pivot);
            for i in j + 1..self.size {
                let taken: f64 = (0..j).map(|k| root.at(i, k) * root.at(j, k)).sum();
                root.add(i, j, (self.at(i, j) - taken) / pivot);
            }
        }
        root
    }

    /// L^-1 v where this is a lower triangle L. An entry without variance comes out as zero.
    pub(crate) fn solve_lower(&self, vector: &[f64]) -> Vec<f64> {
        let mut solved: Vec<f64> = Vec::with_capacity(self.size);
        for (i, value) in vector.iter().enumerate() {
            let pivot = self.at(i, i);
            let known: f64 = (0..i).map(|k| self.at(i, k) * solved[k]).sum();
            let rest = value - known;
            solved.push(if pivot > 0.0 { rest / pivot } else { 0.0 });
        }
        solved
    }

    /// Whether a lower triangle has an inverse.
    pub(crate) fn has_full_rank(&self) -> bool {
        (0..self.size).all(|i| self.at(i, i) > 0.0)
    }

    /// The eigenvalues of a symmetric matrix, and the products of its eigenvectors with a vector,
    /// in the same order: by C. G. J. Jacobi's rotations (1846), row by row.
    pub(crate) fn principal(&self, vector: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (mut left, mut turned) = (self.clone(), vector.to_vec());
        let size = self.size;
        for _ in 0..SWEEPS {
            let pairs = (0..size).flat_map(|i| (i + 1..size).map(move |j| (i, j)));
            for (i, j) in pairs {
                let (off, gap) = (left.at(i, j), left.at(j, j) - left.at(i, i));
                if off.abs() < f64::MIN_POSITIVE {
                    continue;
                }
                // The smaller root of t^2 + 2 ratio t - 1 turns by at most 45 degrees.
                let ratio = gap / (2.0 * off);
                let tangent = ratio.signum() / (ratio.abs() + ratio.hypot(1.0));
                let cosine = tangent.hypot(1.0).recip();
                let sine = tangent * cosine;
                let turn = |a: f64, b: f64| (cosine * a - sine * b, sine * a + cosine * b);
                (turned[i], turned[j]) = turn(turned[i], turned[j]);
                for k in 0..size {
                    let (a, b) = turn(left.at(i, k), left.at(j, k));
                    left.set(i, k, a);
                    left.set(j, k, b);
                }
                for k in 0..size {
                    let (a, b) = turn(left.at(k, i), left.at(k, j));
                    left.set(k, i, a);
                    left.set(k, j, b);
                }
            }
        }
        ((0..size).map(|i| left.at(i, i)).collect(), turned)
    }

    /// L'^-1 v where this is a lower triangle L of full rank.
    pub(crate) fn solve_upper(&self, vector: &[f64]) -> Vec<f64> {
        let mut solved = vector.to_vec();
        for i in (0..self.size).rev() {
            let known: f64 = (i + 1..self.size).map(|k| self.at(k, i) * solved[k]).sum();
            solved[i] = (solved[i] - known) / self.at(i, i);
        }
        solved
    }
}

/// The inner product.
pub(crate) fn dot(left: &[f64], right: &[f64]) -> f64 {
    left.iter().zip(right).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Matrix {
        let rows = [[4.0, 2.0, 0.6], [2.0, 5.0, 1.0], [0.6, 1.0, 3.0]];
        Matrix::from_fn(3, |i, j| rows[i][j])
    }

    #[test]
    fn the_root_times_itself_is_the_matrix() {
        let (whole, root) = (sample(), sample().root());
        let again = root.times(&Matrix::from_fn(3, |i, j| root.at(j, i)));
        for (i, j) in (0..3).flat_map(|i| (0..3).map(move |j| (i, j))) {
            assert!((again.at(i, j) - whole.at(i, j)).abs() < 1e-12);
        }
        let solved = root.solve_upper(&root.solve_lower(&[1.0, -2.0, 0.5]));
        let back = whole.times_vector(&solved);
        for (value, expected) in back.iter().zip([1.0, -2.0, 0.5]) {
            assert!((value - expected).abs() < 1e-12);
        }
        assert!((whole.trace_of_square() - whole.times(&whole).trace()).abs() < 1e-12);
    }

    #[test]
    fn the_principal_axes_keep_trace_length_and_quadratic_form() {
        let (whole, vector) = (sample(), [1.0, -2.0, 0.5]);
        let (values, turned) = whole.principal(&vector);
        assert!((values.iter().sum::<f64>() - whole.trace()).abs() < 1e-12);
        let squares: f64 = values.iter().map(|value| value * value).sum();
        assert!((squares - whole.trace_of_square()).abs() < 1e-10);
        assert!((dot(&turned, &turned) - dot(&vector, &vector)).abs() < 1e-12);
        let form: f64 = values.iter().zip(&turned).map(|(l, t)| l * t * t).sum();
        assert!((form - whole.quadratic(&vector)).abs() < 1e-10);
        // A matrix of equal diagonal and a diagonal one.
        let (values, _) =
            Matrix::from_fn(2, |i, j| if i == j { 2.0 } else { 1.0 }).principal(&[0.0, 0.0]);
        assert!((values[0] - 1.0).abs() < 1e-12 && (values[1] - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_direction_without_variance_is_left_out() {
        let root = Matrix::from_fn(2, |_, _| 1.0).root();
        assert!(!root.has_full_rank());
        assert!((root.at(1, 0) - 1.0).abs() < 1e-12 && root.at(1, 1).abs() < 1e-12);
    }
}
