//! The telescope against published figures.

use stillwright_sample::annular_mtf;

#[test]
fn transfer_of_an_annulus_is_as_published() {
    // O'Neill, J. Opt. Soc. Am. 46, 285 (1956), evaluated at nu = 0.1 .. 0.9 to four places; the
    // row of epsilon = 0 is Goodman, Introduction to Fourier Optics, eq. 6-32.
    let table: [(f64, [f64; 9]); 8] = [
        (0.00, [0.8729, 0.7471, 0.6238, 0.5046, 0.3910, 0.2848, 0.1881, 0.1041, 0.0374]),
        (0.20, [0.8422, 0.6949, 0.5665, 0.4423, 0.3674, 0.2966, 0.1960, 0.1084, 0.0389]),
        (0.25, [0.8314, 0.6705, 0.5321, 0.4128, 0.3539, 0.2975, 0.2007, 0.1110, 0.0399]),
        (0.30, [0.8191, 0.6448, 0.4877, 0.3815, 0.3371, 0.2935, 0.2067, 0.1144, 0.0411]),
        (0.33, [0.8109, 0.6280, 0.4596, 0.3610, 0.3252, 0.2893, 0.2111, 0.1168, 0.0420]),
        (0.35, [0.8051, 0.6160, 0.4406, 0.3465, 0.3164, 0.2856, 0.2144, 0.1186, 0.0426]),
        (0.40, [0.7887, 0.5829, 0.3892, 0.3067, 0.2912, 0.2737, 0.2240, 0.1239, 0.0445]),
        (0.50, [0.7462, 0.4976, 0.3059, 0.2414, 0.2236, 0.2353, 0.2221, 0.1388, 0.0498]),
    ];
    for (epsilon, row) in table {
        assert!((annular_mtf(0.0, epsilon) - 1.0).abs() < 1e-12);
        assert_eq!(annular_mtf(1.0, epsilon), 0.0);
        for (i, expected) in row.into_iter().enumerate() {
            let nu = (i + 1) as f64 / 10.0;
            let found = annular_mtf(nu, epsilon);
            assert!((found - expected).abs() < 5.1e-5, "{epsilon} {nu}: {found} {expected}");
        }
    }
}

#[test]
fn the_overlap_form_equals_the_printed_form() {
    // O'Neill's closed form as it is usually printed, with its three branches.
    use std::f64::consts::PI;
    let printed = |nu: f64, e: f64| {
        let circle = |x: f64| x.acos() - x * (1.0 - x * x).sqrt();
        let a = 2.0 / PI * circle(nu);
        let b = if nu < e { 2.0 * e * e / PI * circle(nu / e) } else { 0.0 };
        let c = if nu <= (1.0 - e) / 2.0 {
            -2.0 * e * e
        } else if nu < (1.0 + e) / 2.0 {
            let phi = ((1.0 + e * e - 4.0 * nu * nu) / (2.0 * e)).acos();
            2.0 * e / PI * phi.sin() + (1.0 + e * e) / PI * phi
                - 2.0 * (1.0 - e * e) / PI * ((1.0 + e) / (1.0 - e) * (phi / 2.0).tan()).atan()
                - 2.0 * e * e
        } else {
            0.0
        };
        (a + b + c) / (1.0 - e * e)
    };
    for e in [0.1, 0.25, 0.35, 0.5, 0.7] {
        for i in 0..1000 {
            let nu = (f64::from(i) + 0.37) / 1000.0;
            let difference = (annular_mtf(nu, e) - printed(nu, e)).abs();
            assert!(difference < 1e-8, "{e} {nu}: {difference}");
        }
    }
}
