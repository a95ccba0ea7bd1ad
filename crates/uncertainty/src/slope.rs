//! Sensitivities by numbers: for laws without a derivative in closed form, and to check those that have one.

/// ∂f/∂x_i for every input by central differences, D = (f(x + h) − f(x − h))/2h, with one step of Richardson's
/// extrapolation, (4·D(h/2) − D(h))/3; the error is of the fourth order in h.
///
/// `steps` are h, one for each input and above zero; half a standard uncertainty is a good one (JCGM 100:2008, 5.1.3,
/// note 2). They are never made from the values, which may be nought.
pub fn gradient(law: impl Fn(&[f64]) -> f64, at: &[f64], steps: &[f64]) -> Vec<f64> {
    let mut values = at.to_vec();
    let mut sensitivities = Vec::with_capacity(at.len());
    for (input, step) in (0..at.len()).zip(steps) {
        let mut difference = |step: f64| {
            values[input] = at[input] + step;
            let above = law(&values);
            values[input] = at[input] - step;
            let below = law(&values);
            values[input] = at[input];
            (above - below) / (2.0 * step)
        };
        let (whole, half) = (difference(*step), difference(step / 2.0));
        sensitivities.push((4.0 * half - whole) / 3.0);
    }
    sensitivities
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The end gauge of JCGM 100:2008, H.1: two sensitivities are exactly nought, and one input's value is.
    #[test]
    fn a_sensitivity_of_nought_is_nought() {
        let law = |x: &[f64]| x[0] + x[1] - x[0] * (x[2] * x[3] + x[4] * x[5]);
        let at = [50.000_623, 215e-6, 0.0, -0.1, 11.5e-6, 0.0];
        let steps = [1e-4, 1e-6, 1e-6, 0.1, 1e-6, 0.01];
        let found = gradient(law, &at, &steps);
        let expected = [1.0, 1.0, 5.000_062_3, 0.0, 0.0, -50.000_623 * 11.5e-6];
        for (found, expected) in found.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-7, "{found} {expected}");
        }
    }

    #[test]
    fn a_cubic_is_exact() {
        let [slope] = gradient(|x| x[0].powi(3), &[2.0], &[0.5])[..] else {
            panic!("one input, one slope");
        };
        assert!((slope - 12.0).abs() < 1e-12);
    }
}
