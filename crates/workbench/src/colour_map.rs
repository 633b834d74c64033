//! A map from a number to a colour in which equal steps look equal.
//!
//! The path runs through OKLab (Ottosson 2020, "A perceptual color space for image processing")
//! from a dim blue through green to a light yellow, lightness rising evenly, so that it can be
//! read by people who see few colours, too. Red light has a map of its own: red only, the same
//! lightness steps as far as red reaches.

use crate::theme::Light;
use egui::Color32;

/// Colours of the table.
const STEPS: usize = 256;

/// A table of colours, from the least to the greatest value.
#[derive(Clone, Debug)]
pub struct ColourMap {
    table: Vec<Color32>,
}

impl ColourMap {
    /// The map for a light.
    pub fn new(light: Light) -> ColourMap {
        let table = if light == Light::Red {
            (0..STEPS).map(|i| red_at(i as f32 / (STEPS - 1) as f32)).collect()
        } else {
            even_table()
        };
        ColourMap { table }
    }

    /// Colour of `t`, 0 to 1; beyond, the end's.
    pub fn at(&self, t: f32) -> Color32 {
        let index = (t.clamp(0.0, 1.0) * (STEPS - 1) as f32).round() as usize;
        self.table.get(index).copied().unwrap_or(Color32::TRANSPARENT)
    }
}

/// A tint of one hue whose lightness alone tells `t`, 0 (dark) to 1 (light): teal, as what was measured is, and red
/// in red light.
pub fn tint(light: Light, t: f32) -> Color32 {
    let t = if t.is_finite() { t.clamp(0.0, 1.0) } else { 0.0 };
    if light == Light::Red {
        return red_at(t);
    }
    // As much colour as the darkest tint can show.
    from_oklab([0.26 + 0.68 * t, -0.05, -0.012])
}

/// Points of the path: OKLab lightness, a, b at equal distances along it.
const PATH: [[f32; 3]; 5] = [
    [0.32, 0.01, -0.08],
    [0.46, -0.03, -0.05],
    [0.61, -0.06, 0.01],
    [0.77, -0.06, 0.075],
    [0.93, -0.025, 0.12],
];

/// The path as a smooth curve (uniform cubic B-spline through its neighbourhood), at `u` from 0
/// to 1; evenly spaced in `u`, not in distance.
fn curve_at(u: f32) -> [f32; 3] {
    let spans = (PATH.len() - 1) as f32;
    let along = u.clamp(0.0, 1.0) * spans;
    let first = (along.floor() as usize).min(PATH.len() - 2);
    let t = along - first as f32;
    // Ends are doubled by reflection, so that the curve begins and ends on them.
    let point = |i: isize| -> [f32; 3] {
        let last = PATH.len() as isize - 1;
        let inside = |i: isize| PATH[i.clamp(0, last) as usize];
        match i {
            i if i < 0 => mirror(inside(0), inside(1)),
            i if i > last => mirror(inside(last), inside(last - 1)),
            i => inside(i),
        }
    };
    let weights = [
        (1.0 - t).powi(3) / 6.0,
        (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
        (-3.0 * t * t * t + 3.0 * t * t + 3.0 * t + 1.0) / 6.0,
        t * t * t / 6.0,
    ];
    let mut sum = [0.0; 3];
    for (k, weight) in weights.iter().enumerate() {
        let at = point(first as isize + k as isize - 1);
        sum.iter_mut().zip(at).for_each(|(s, v)| *s += weight * v);
    }
    sum
}

/// `beyond` on the other side of `end`.
fn mirror(end: [f32; 3], beyond: [f32; 3]) -> [f32; 3] {
    [0, 1, 2].map(|i: usize| 2.0 * end[i] - beyond[i])
}

/// Colours at equal distances along the curve.
fn even_table() -> Vec<Color32> {
    const FINE: usize = 4096;
    let points: Vec<[f32; 3]> = (0..=FINE).map(|i| curve_at(i as f32 / FINE as f32)).collect();
    let mut lengths = vec![0.0f32];
    for ends in points.windows(2) {
        lengths.push(lengths.last().copied().unwrap_or(0.0) + distance(ends[0], ends[1]));
    }
    let total = lengths.last().copied().unwrap_or(1.0);
    (0..STEPS)
        .map(|i| {
            let along = total * i as f32 / (STEPS - 1) as f32;
            let at = lengths.partition_point(|length| *length < along).min(FINE);
            from_oklab(points[at])
        })
        .collect()
}

fn distance(a: [f32; 3], b: [f32; 3]) -> f32 {
    a.iter().zip(&b).map(|(p, q)| (p - q).powi(2)).sum::<f32>().sqrt()
}

/// Red only; a grey's OKLab lightness is the cube root of its light.
fn red_at(t: f32) -> Color32 {
    let lightness = 0.2 + 0.8 * t;
    Color32::from_rgb(encode(lightness.powi(3)), 0, 0)
}

/// OKLab to 8-bit sRGB, by the matrices of the publication.
fn from_oklab([l, a, b]: [f32; 3]) -> Color32 {
    let cone = [
        l + 0.396_337_78 * a + 0.215_803_76 * b,
        l - 0.105_561_346 * a - 0.063_854_17 * b,
        l - 0.089_484_18 * a - 1.291_485_5 * b,
    ]
    .map(|v| v * v * v);
    let row = |m: [f32; 3]| encode(m[0] * cone[0] + m[1] * cone[1] + m[2] * cone[2]);
    Color32::from_rgb(
        row([4.076_741_7, -3.307_711_6, 0.230_969_94]),
        row([-1.268_438, 2.609_757_4, -0.341_319_38]),
        row([-0.004_196_086_3, -0.703_418_6, 1.707_614_7]),
    )
}

/// Linear light to an 8-bit sRGB sample.
fn encode(v: f32) -> u8 {
    let v = v.clamp(0.0, 1.0);
    let v = if v <= 0.003_130_8 { 12.92 * v } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
    (v * 255.0).round() as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(v: u8) -> f32 {
        let v = f32::from(v) / 255.0;
        if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
    }

    /// 8-bit sRGB to OKLab, by the publication.
    fn to_oklab(c: Color32) -> [f32; 3] {
        let [r, g, b] = [linear(c.r()), linear(c.g()), linear(c.b())];
        let l = (0.412_221_46 * r + 0.536_332_55 * g + 0.051_445_995 * b).cbrt();
        let m = (0.211_903_5 * r + 0.680_699_5 * g + 0.107_396_96 * b).cbrt();
        let s = (0.088_302_46 * r + 0.281_718_85 * g + 0.629_978_7 * b).cbrt();
        [
            0.210_454_26 * l + 0.793_617_8 * m - 0.004_072_047 * s,
            1.977_998_5 * l - 2.428_592_2 * m + 0.450_593_7 * s,
            0.025_904_037 * l + 0.782_771_77 * m - 0.808_675_77 * s,
        ]
    }

    #[test]
    fn equal_steps_look_equal() {
        let map = ColourMap::new(Light::Dark);
        // Steps of 17 entries of the table exactly.
        let points: Vec<[f32; 3]> = (0..=15).map(|i| to_oklab(map.at(i as f32 / 15.0))).collect();
        let steps: Vec<f32> = points.windows(2).map(|p| distance(p[0], p[1])).collect();
        let (least, most) = steps.iter().fold((f32::MAX, 0f32), |(a, b), s| (a.min(*s), b.max(*s)));
        assert!(most / least < 1.12, "steps from {least} to {most}");
        assert!(points.windows(2).all(|p| p[1][0] > p[0][0]), "lightness must rise");
    }

    #[test]
    fn tints_have_one_hue_and_even_steps_of_lightness() {
        let lightness = |light, i: usize| to_oklab(tint(light, i as f32 / 6.0))[0];
        for light in Light::ALL {
            let steps: Vec<f32> =
                (0..6).map(|i| lightness(light, i + 1) - lightness(light, i)).collect();
            let (least, most) =
                steps.iter().fold((f32::MAX, 0f32), |(a, b), s| (a.min(*s), b.max(*s)));
            assert!(least > 0.05 && most / least < 1.15, "{light:?}: {steps:?}");
        }
        for i in 0..=6 {
            let [_, a, b] = to_oklab(tint(Light::Dark, i as f32 / 6.0));
            assert!((a + 0.05).abs() < 0.012 && (b + 0.012).abs() < 0.012, "{i}: {a} {b}");
            let red = tint(Light::Red, i as f32 / 6.0);
            assert_eq!((red.g(), red.b()), (0, 0));
        }
        assert_eq!(tint(Light::Dark, f32::NAN), tint(Light::Dark, -3.0));
    }

    #[test]
    fn the_ends_hold_beyond_them() {
        for light in Light::ALL {
            let map = ColourMap::new(light);
            assert_eq!(map.at(-1.0), map.at(0.0));
            assert_eq!(map.at(f32::NAN), map.at(0.0));
            assert_eq!(map.at(7.0), map.at(1.0));
        }
        let red = ColourMap::new(Light::Red);
        assert!((0..=10).all(|i| red.at(i as f32 / 10.0).g() == 0));
    }
}
