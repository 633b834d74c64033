//! The sums against their definitions, and frames whose fine waves lie elsewhere than the coarse ones.

use super::*;
use stillwright_picture::Silent;

const SIZE: (usize, usize) = (160, 128);

/// Far below the power that fine waves have in their rings, and farther below that of coarse ones.
const NOISE: f32 = 1e-4;

/// Waves of many ways, `fine` ones of 5 to 7 px and coarse ones of 18 to 40.
fn waves(x: f32, y: f32, fine: bool) -> f32 {
    (0..24)
        .map(|k| {
            let angle = k as f32 * 2.399;
            let share = (k * 7 % 24) as f32 / 24.0;
            let length = if fine { 5.0 + 2.0 * share } else { 18.0 + 22.0 * share };
            let along = x * angle.cos() + y * angle.sin();
            (std::f32::consts::TAU * along / length + k as f32 * 1.7).sin()
        })
        .sum()
}

fn raster(value: impl Fn(f32, f32) -> f32) -> Raster {
    let mut out = Raster::zeros(SIZE.0, SIZE.1);
    for (i, v) in out.values.iter_mut().enumerate() {
        *v = value((i % SIZE.0) as f32, (i / SIZE.0) as f32);
    }
    out
}

fn scene() -> Raster {
    raster(|x, y| 0.5 + 0.004 * waves(x, y, true) + 0.03 * waves(x, y, false))
}

/// Every cell is as like as can be.
fn alike(keen: &Keen) -> Vec<Likeness> {
    vec![Likeness { contrast: 1.0, softness: 0.0, scatter: 1e-5 }; keen.cells.len()]
}

fn followed(frame: &Raster, rounds: usize) -> Field {
    followed_from(frame, Field::constant(SIZE.0, SIZE.1, 16, 0.0, 0.0), rounds)
}

fn followed_from(frame: &Raster, mut field: Field, rounds: usize) -> Field {
    let reference = scene();
    let keen = Keen::new(&reference, &Fine::new(&reference, 16), NOISE, 16.0);
    let (light, likeness) = (LightRows::Light(frame), alike(&keen));
    let (mut work, told) = (KeenWork::default(), (None, &likeness[..], rounds));
    keen.follow(&light, &mut field, told, &mut work, &Silent).unwrap();
    field
}

#[test]
fn a_frame_is_laid_by_its_fine_waves() {
    // Fine waves lie 0.4 px to the right and 0.25 up of where they should, coarse ones 0.1 to the left.
    let frame = raster(|x, y| {
        0.5 + 0.004 * waves(x - 0.4, y + 0.25, true) + 0.03 * waves(x + 0.1, y, false)
    });
    let field = followed(&frame, 3);
    // On the whole; single cells are told less well, for they hold few waves.
    let told = |d: &[f32], true_px: f32| {
        let mean = d.iter().sum::<f32>() / d.len() as f32;
        let scatter = d.iter().map(|d| (d - mean).powi(2)).sum::<f32>() / d.len() as f32;
        assert!((mean - true_px).abs() < 0.06 && scatter.sqrt() < 0.12, "{mean} {scatter} {d:?}");
    };
    told(&field.x_px, 0.4);
    told(&field.y_px, -0.25);
}

#[test]
fn a_frame_goes_to_where_most_of_the_fine_waves_are_shown() {
    let reference = scene();
    let keen = Keen::new(&reference, &Fine::new(&reference, 16), NOISE, 20.0);
    let gone = |frame: &Raster| {
        let mut field = Field::constant(SIZE.0, SIZE.1, 16, 0.0, 0.0);
        let KeenWork { piece, peak, .. } = &mut KeenWork::default();
        let light = LightRows::Light(frame);
        keen.go_to_peak(&light, &mut field, None, (piece, peak), &Silent).unwrap();
        // Cells that reach beyond the frame by a px say nothing, and those beside them less.
        let columns = field.columns;
        let inner = |d: &[f32]| {
            let cell = |i: usize, j: usize| d[j * columns + i];
            let all = (3..6).flat_map(|j| (3..7).map(move |i| (i, j)));
            all.map(|(i, j)| cell(i, j)).sum::<f32>() / 12.0
        };
        (inner(&field.x_px), inner(&field.y_px))
    };
    // Two specks, of which the fainter lies where the frame is thought to lie.
    let specks = |bright: (f32, f32)| {
        raster(|x, y| {
            let fine = 0.35 * waves(x, y, true) + 0.65 * waves(x - bright.0, y - bright.1, true);
            0.5 + 0.004 * fine + 0.03 * waves(x, y, false)
        })
    };
    for bright in [(1.0, 0.0), (0.0, -1.0), (-1.0, 1.0)] {
        let (x, y) = gone(&specks(bright));
        assert!((x - bright.0).abs() < 0.35 && (y - bright.1).abs() < 0.35, "{bright:?} {x} {y}");
    }
    let (x, y) = gone(&reference);
    assert!(x.hypot(y) < 0.05, "{x} {y}");
}

/// A bend of the frame with its one wave over the height, px.
fn bend(y: f32, px: f32) -> f32 {
    px * (std::f32::consts::TAU * y / SIZE.1 as f32).sin()
}

#[test]
fn fine_waves_bend_a_restless_frame_and_coarse_ones_do_not() {
    // The air bends all by `all` px, fine and coarse waves by some more.
    let apart = |all: f32, fine: f32, coarse: f32| {
        raster(|x, y| {
            let (fine, coarse) = (bend(y, all + fine), bend(y, all + coarse));
            0.5 + 0.004 * waves(x - fine, y, true) + 0.03 * waves(x - coarse, y, false)
        })
    };
    // How many px of bend a field that holds `all` gains, by least squares.
    let gained = |all: f32, frame: &Raster| {
        let mut start = Field::constant(SIZE.0, SIZE.1, 16, 0.0, 0.0);
        let centre = |cell: usize, columns: usize| (cell / columns * 16) as f32 + 7.5;
        for cell in 0..start.len() {
            start.x_px[cell] = bend(centre(cell, start.columns), all);
        }
        let field = followed_from(frame, start, 3);
        let unit = |cell: usize| bend(centre(cell, field.columns), 1.0);
        let along: f32 = field.x_px.iter().enumerate().map(|(k, d)| d * unit(k)).sum();
        along / (0..field.len()).map(|k| unit(k).powi(2)).sum::<f32>() - all
    };
    let fine = gained(3.5, &apart(3.5, 0.3, 0.0));
    let coarse = gained(3.5, &apart(3.5, 0.0, 0.3));
    assert!((0.2..0.35).contains(&fine), "{fine}");
    assert!(coarse.abs() < 0.3 * fine, "{coarse}");
    // In calm air it is expected to be next to none.
    assert!(bend_expected(0.5).slope < 0.1 * bend_expected(2.5).slope);
    let field = Field { x_px: vec![1.0, 3.0, 9.0], ..Field::constant(48, 16, 16, 0.0, 4.0) };
    assert_eq!(ripple_px(&field, Some(&[true, true, false])), 1.0);
}

#[test]
fn a_frame_that_lies_right_stays() {
    let field = followed(&scene(), 3);
    assert!(field.x_px[0].hypot(field.y_px[0]) < 0.01, "{} {}", field.x_px[0], field.y_px[0]);
}

#[test]
fn nothing_alike_says_nothing() {
    let reference = scene();
    let keen = Keen::new(&reference, &Fine::new(&reference, 16), NOISE, 16.0);
    let mut field = Field::constant(SIZE.0, SIZE.1, 16, 3.0, -2.0);
    let before = field.clone();
    let nothing = vec![Likeness::default(); keen.cells.len()];
    let frame = LightRows::Light(&reference);
    let told = (None, &nothing[..], 3);
    keen.follow(&frame, &mut field, told, &mut KeenWork::default(), &Silent).unwrap();
    assert_eq!(field, before);
}

#[test]
fn whitened_waves_weigh_alike_and_noise_stays_noise() {
    let fine = raster(|x, y| 0.004 * waves(x, y, true));
    let both = scene();
    // Coarse waves hold 56 times the power, and less than a hundredth of it afterwards.
    let power = |r: &Raster| {
        let mean = r.mean();
        r.values.iter().map(|v| f64::from((v - mean).powi(2))).sum::<f64>()
    };
    let white = whitened(&both, NOISE);
    assert!(power(&both) > 30.0 * power(&fine));
    let coarse = raster(|x, y| 0.03 * waves(x, y, false));
    let along = |a: &Raster, b: &Raster| -> f64 {
        let (ma, mb) = (a.mean(), b.mean());
        let products = a.values.iter().zip(&b.values).map(|(a, b)| f64::from((a - ma) * (b - mb)));
        products.sum::<f64>().powi(2) / power(a) / power(b)
    };
    assert!(along(&white, &fine) > 4.0 * along(&white, &coarse));
    // Where noise is far above the scene nothing is held back.
    let as_it_is = whitened(&both, 1e3);
    let worst = as_it_is.values.iter().zip(&both.values);
    let worst = worst.map(|(a, b)| (a + both.mean() - b).abs()).fold(0.0, f32::max);
    assert!(worst < 1e-4, "{worst}");
}

/// How far `frame` agrees with the scene where it is thought to lie right.
fn agreement(frame: &Raster, wanted: Option<&[bool]>) -> Vec<f32> {
    let reference = scene();
    let keen = Keen::new(&reference, &Fine::new(&reference, 16), NOISE, 16.0);
    let mut field = Field::constant(SIZE.0, SIZE.1, 16, 0.0, 0.0);
    let likeness = alike(&keen);
    let mut work = KeenWork::default();
    let told = (wanted, &likeness[..], 1);
    keen.follow(&LightRows::Light(frame), &mut field, told, &mut work, &Silent).unwrap();
    work.agreement().to_vec()
}

#[test]
fn a_frame_agrees_by_the_share_of_the_fine_waves_that_it_shows() {
    let shown = |share: f32| {
        let frame =
            raster(|x, y| 0.5 + 0.004 * share * waves(x, y, true) + 0.03 * waves(x, y, false));
        let all = agreement(&frame, None);
        all.iter().sum::<f32>() / all.len() as f32
    };
    let (all, half, none) = (shown(1.0), shown(0.5), shown(0.0));
    assert!((all - 1.0).abs() < 0.02, "{all}");
    // Coarse waves, which it shows in full, count a little.
    assert!(none < 0.3 && (half - 0.5 * (all + none)).abs() < 0.02, "{all} {half} {none}");
}

#[test]
fn agreement_is_told_place_by_place_and_steadied_by_the_whole() {
    // The left half lies 2 px, a third of a fine wave, beside where it is thought to lie.
    let frame = raster(|x, y| {
        let off = if x < 80.0 { 2.0 } else { 0.0 };
        0.5 + 0.004 * waves(x - off, y, true) + 0.03 * waves(x, y, false)
    });
    let told = agreement(&frame, None);
    let mean = |columns: Range<usize>| {
        let rows = told.chunks_exact(10).flat_map(|row| &row[columns.clone()]);
        rows.sum::<f32>() / (8 * columns.len()) as f32
    };
    let (left, right) = (mean(0..3), mean(7..10));
    assert!(left < 0.4 && right > 0.75 && right < 1.0, "{left} {right}");
}

#[test]
fn agreement_is_not_told_where_nothing_was_compared() {
    // Beyond the Gaussian's reach of what is wanted, the whole frame speaks.
    let wanted: Vec<bool> = (0..80).map(|cell| cell % 10 < 2).collect();
    let told = agreement(&scene(), Some(&wanted));
    assert!(told.iter().all(|a| (a - 1.0).abs() < 0.05), "{told:?}");
    let nothing = agreement(&scene(), Some(&[false; 80]));
    assert!(nothing.iter().all(|a| a.is_nan()), "{nothing:?}");
    // Nor where the reference shows nothing.
    let blank = raster(|_, _| 0.5);
    let keen = Keen::new(&blank, &Fine::new(&blank, 16), NOISE, 16.0);
    let mut work = KeenWork::default();
    let mut field = Field::constant(SIZE.0, SIZE.1, 16, 0.0, 0.0);
    let likeness = alike(&keen);
    let told = (None, &likeness[..], 1);
    keen.follow(&LightRows::Light(&scene()), &mut field, told, &mut work, &Silent).unwrap();
    assert!(work.agreement().iter().all(|a| a.is_nan() || *a >= 0.0), "{:?}", work.agreement());
    work.forget();
    assert!(work.agreement().is_empty());
}
