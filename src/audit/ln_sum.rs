//! Sums of numbers too small to be written down, by their logarithms.

/// Natural logarithm of the sum of the numbers whose natural logarithms these are; minus infinity for the sum of none.
pub fn ln_sum(ln: &[f64]) -> f64 {
    let peak = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if peak == f64::NEG_INFINITY {
        return peak;
    }
    peak + ln.iter().map(|ln| (ln - peak).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_that_vanish_by_themselves_are_summed() {
        assert!((ln_sum(&[-2000.0, -2000.0]) - (2f64.ln() - 2000.0)).abs() < 1e-12);
        assert!((ln_sum(&[3f64.ln(), f64::NEG_INFINITY, 4f64.ln()]) - 7f64.ln()).abs() < 1e-12);
        assert_eq!(ln_sum(&[]), f64::NEG_INFINITY);
    }
}
