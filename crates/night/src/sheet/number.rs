//! Measured values as people write them: as many digits as are sure.

use stillwright_moon::fix::Measured;

/// `value` with `decimals`, never "-0".
pub fn rounded(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.into(),
        _ => text,
    }
}

/// Decimals with which `uncertainty` has two digits, 0 to 6.
fn decimals_of(uncertainty: f64) -> usize {
    if uncertainty.is_nan() || uncertainty <= 0.0 {
        return 3;
    }
    let digits = 1.0 - uncertainty.log10().floor();
    digits.clamp(0.0, 6.0) as usize
}

/// `94.3 ± 1.2 km`: the uncertainty with two digits, the value with as many decimals.
pub fn plus_minus(measured: Measured, unit: &str) -> String {
    let decimals = decimals_of(measured.uncertainty);
    let (value, off) = (rounded(measured.value, decimals), rounded(measured.uncertainty, decimals));
    let text = format!("{value} ± {off}");
    if unit.is_empty() { text } else { format!("{text}\u{2006}{unit}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn as_many_digits_as_are_sure() {
        for (value, uncertainty, words) in [
            (94.345, 1.23, "94.3 ± 1.2\u{2006}km"),
            (1234.5, 45.0, "1234 ± 45\u{2006}km"),
            (2.25, 0.034, "2.250 ± 0.034\u{2006}km"),
            (-0.001, 2.0, "0.0 ± 2.0\u{2006}km"),
            (5.0, 0.0, "5.000 ± 0.000\u{2006}km"),
        ] {
            assert_eq!(plus_minus(Measured { value, uncertainty }, "km"), words);
        }
        assert_eq!(rounded(f64::NAN, 1), "NaN");
    }
}
