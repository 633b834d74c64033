//! The sums against their definitions, and frames as they come.

use super::*;
use stillwright_picture::Silent;

fn scene(x: f32, y: f32) -> f32 {
    0.5 + 0.1 * (x * 0.61).sin() * (y * 0.53).cos() + 0.05 * (x * 0.17 - y * 0.29).sin()
}

fn raster(width: usize, height: usize, value: impl Fn(f32, f32) -> f32) -> Raster {
    let mut out = Raster::zeros(width, height);
    for (i, v) in out.values.iter_mut().enumerate() {
        *v = value((i % width) as f32, (i / width) as f32);
    }
    out
}

/// `values` over the compared px of a cell, its best plane taken off by elimination.
fn without_plane(values: &[(f32, f32, f32)]) -> Vec<f32> {
    let mut m = [[0.0f64; 4]; 3];
    for (x, y, v) in values {
        let basis = [1.0, f64::from(*x), f64::from(*y)];
        for (row, b) in m.iter_mut().zip(basis) {
            for (cell, c) in row.iter_mut().zip(basis) {
                *cell += b * c;
            }
            row[3] += b * f64::from(*v);
        }
    }
    for k in 0..3 {
        let pivot = m[k];
        for (i, row) in m.iter_mut().enumerate() {
            if i != k {
                let share = row[k] / pivot[k];
                row.iter_mut().zip(pivot).for_each(|(r, p)| *r -= share * p);
            }
        }
    }
    let [a, b, c] = [0, 1, 2].map(|k| (m[k][3] / m[k][k]) as f32);
    values.iter().map(|(x, y, v)| v - a - b * x - c * y).collect()
}

#[test]
fn sums_are_those_of_what_lost_its_plane_in_cells_cut_by_the_edge_too() {
    let (width, height, cell) = (76, 50, 16);
    let reference = raster(width, height, scene);
    // Larger than the reference, and moved, so that cells at its edges lie inside.
    let frame = raster(width + 24, height + 20, |x, y| 0.9 * scene(x - 8.3, y - 6.5) + 0.002 * x);
    let mut field = Field::constant(width, height, cell, 8.7, 6.2);
    field.x_px.iter_mut().enumerate().for_each(|(k, d)| *d += 0.5 * (k as f32).sin());
    let fine = Fine::new(&reference, cell);
    let mut work = FineWork::default();
    fine.compare(&LightRows::Light(&frame), &field, None, &mut work, &Silent).unwrap();
    let spline = crate::spline::b_spline_taps;
    let at = |from: &Raster, x: f32, y: f32| {
        let (i, j) = (x.floor(), y.floor());
        let (wx, wy) = (spline(x - i), spline(y - j));
        let mut sum = 0.0;
        for (v, wy) in wy.iter().enumerate() {
            for (u, wx) in wx.iter().enumerate() {
                let clamp = |k: f32, n: usize| k.clamp(0.0, (n - 1) as f32) as usize;
                let (x, y) = (i + u as f32 - 1.0, j + v as f32 - 1.0);
                sum += wx * wy * from.row(clamp(y, from.height))[clamp(x, from.width)];
            }
        }
        sum
    };
    for (index, found) in work.sums.iter().enumerate() {
        let (i, j) = (index % field.columns, index / field.columns);
        let (mut f, mut r, mut gx) = (vec![], vec![], vec![]);
        for y in (j * cell..((j + 1) * cell).min(height)).filter(|y| y % cell % STEP == STEP / 2) {
            for x in i * cell..((i + 1) * cell).min(width) {
                let (u, v) = (x as f32, y as f32);
                let (dx, dy) = field.at(u, v);
                f.push((u, v, at(&frame, u + dx, v + dy)));
                r.push((u, v, at(&reference, u, v)));
                let t = 0.01;
                let slope = at(&reference, u + t, v) - at(&reference, u - t, v);
                gx.push((u, v, slope / (2.0 * t)));
            }
        }
        assert_eq!(found.n, f.len() as f32);
        let [f, r, gx] = [f, r, gx].map(|v| without_plane(&v));
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f32>();
        let inner = i > 0 && j > 0 && i + 1 < field.columns && j + 1 < field.rows;
        let close = |found: f32, expected: f32, of: f32| {
            // The derivative by differences is good to a per cent.
            assert!((found - expected).abs() <= 0.02 * of, "cell {index}: {found} {expected}");
        };
        if f.is_empty() {
            // None of the last two rows is compared.
            assert_eq!(j + 1, field.rows);
            continue;
        }
        close(found.fr, dot(&f, &r), dot(&r, &r));
        close(found.ff, dot(&f, &f), dot(&f, &f));
        if inner {
            close(found.xf, dot(&f, &gx), dot(&gx, &gx));
        }
    }
}

#[test]
fn cells_beyond_the_frame_say_nothing() {
    let (width, height, cell) = (80, 64, 16);
    let reference = raster(width, height, scene);
    let field = Field::constant(width, height, cell, -5.0, 0.0);
    let mut work = FineWork::default();
    let rows = LightRows::Light(&reference);
    Fine::new(&reference, cell).compare(&rows, &field, None, &mut work, &Silent).unwrap();
    for (index, sums) in work.sums.iter().enumerate() {
        let (i, j) = (index % 5, index / 5);
        // The lowest row that is compared needs one more below than there is.
        assert_eq!(sums.n == 0.0, i == 0 || j == 3, "cell ({i}, {j})");
    }
}

#[test]
fn stored_samples_give_what_their_light_gives() {
    let (width, height) = (80, 64);
    let reference = raster(width, height, scene);
    let fine = Fine::new(&reference, 16);
    let field = Field::constant(width, height, 16, 0.3, -0.6);
    let bytes: Vec<u8> = reference.values.iter().map(|v| (v * 255.0).round() as u8).collect();
    let words: Vec<u16> = bytes.iter().map(|v| u16::from(*v) * 16).collect();
    let light =
        raster(width, height, |x, y| f32::from(bytes[y as usize * width + x as usize]) / 255.0);
    let sums = |rows: &LightRows<'_>| {
        let mut work = FineWork::default();
        fine.compare(rows, &field, None, &mut work, &Silent).unwrap();
        work.sums
    };
    let expected = sums(&LightRows::Light(&light));
    for rows in [
        LightRows::U8(&bytes, width, 1.0 / 255.0),
        LightRows::U16(&words, width, 1.0 / (16.0 * 255.0)),
    ] {
        for (a, b) in sums(&rows).iter().zip(&expected) {
            assert!((a.fr - b.fr).abs() < 1e-4 * b.rr.max(1e-3), "{a:?} {b:?}");
            assert!((a.ff - b.ff).abs() < 1e-3 * b.ff.max(1e-3), "{a:?} {b:?}");
        }
    }
}
