//! The way back through a function that rises or falls throughout.

/// Where a function that rises or falls throughout `[low, high]` reaches `target`, by halving alone; its nearer end where it
/// does not.
pub(crate) fn halve(
    function: impl Fn(f64) -> f64,
    (mut low, mut high): (f64, f64),
    target: f64,
) -> f64 {
    /// A double has 52 bits behind its first.
    const STEPS: usize = 60;
    let rises = function(high) > function(low);
    for _ in 0..STEPS {
        let middle = f64::midpoint(low, high);
        if (function(middle) > target) == rises {
            high = middle;
        } else {
            low = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Where a rising function of `[low, high]` reaches `target`; its nearer end where it does not.
///
/// By Newton's steps, kept inside a bracket: `function` gives value and slope. A Newton step that would leave the bracket is replaced by
/// halving it, so that the search always ends (as in Press et al., *Numerical Recipes*, `rtsafe`).
pub(crate) fn invert(
    function: impl Fn(f64) -> (f64, f64),
    (mut low, mut high): (f64, f64),
    target: f64,
) -> f64 {
    /// Newton alone needs about five, halving alone some sixty.
    const STEPS_MAX: usize = 100;
    let (at_low, at_high) = (function(low).0, function(high).0);
    let share = ((target - at_low) / (at_high - at_low)).clamp(0.0, 1.0);
    let mut x = low + share * (high - low);
    for _ in 0..STEPS_MAX {
        let (value, slope) = function(x);
        let newton = x - (value - target) / slope;
        if value > target {
            high = x;
        } else {
            low = x;
        }
        let next = if (low..=high).contains(&newton) {
            newton
        } else {
            f64::midpoint(low, high)
        };
        if (next - x).abs() < 1e-11 {
            return next;
        }
        x = next;
    }
    x
}
