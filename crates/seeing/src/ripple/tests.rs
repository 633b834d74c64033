//! Frames of known ripple are followed.

use super::*;
use stillwright_picture::Silent;

const SETTINGS: RippleSettings = RippleSettings {
    tile_px: 64,
    spacing_px: 32,
    cell_px: 16,
    factor: 1,
    band_px: (1.2, 8.0),
    rounds: 3,
    fine_rounds: 0,
    keen_rounds: 0,
    smoothness: Smoothness { slope: 0.1, curvature: 0.01, spread_px: 6.0 },
    steady_px: 20.0,
};

fn rough(x: f32, y: f32) -> f32 {
    // Waves of many directions and lengths: 5 to 40 px.
    let mut v = 0.5;
    for k in 0..24 {
        let angle = k as f32 * 2.399;
        let length = 5.0 + 35.0 * ((k * 7 % 24) as f32 / 24.0);
        let phase = k as f32 * 1.7;
        let along = x * angle.cos() + y * angle.sin();
        v += 0.02 * (std::f32::consts::TAU * along / length + phase).sin();
    }
    v
}

fn ripple(x: f32, y: f32) -> (f32, f32) {
    (3.0 * (x / 45.0).sin() * (y / 38.0).cos(), 2.5 * (x / 50.0 + y / 41.0).sin())
}

#[test]
fn a_rippled_frame_is_straightened_to_a_tenth_of_a_pixel() {
    let (width, height) = (256, 224);
    let mut reference = Raster::zeros(width, height);
    let mut frame = Raster::zeros(width, height);
    for y in 0..height {
        for x in 0..width {
            let (u, v) = (x as f32, y as f32);
            reference.values[y * width + x] = rough(u, v);
            // frame(p + d(p)) = reference(p): invert by fixed point.
            let (mut p, mut q) = (u, v);
            for _ in 0..30 {
                let (dx, dy) = ripple(p, q);
                (p, q) = (u - 4.0 - dx, v + 3.0 - dy);
            }
            frame.values[y * width + x] = rough(p, q);
        }
    }
    for (factor, rounds, fine_rounds, limit) in
        [(1, 3, 0, 0.1), (2, 3, 0, 0.12), (2, 1, 1, 0.1), (2, 1, 3, 0.1)]
    {
        let settings = RippleSettings { factor, rounds, fine_rounds, ..SETTINGS };
        let aligner = Aligner::new(&reference, settings, 1e-5);
        let mut work = RippleWork::default();
        let found = aligner
            .align(&LightRows::Light(&frame), (4.0, -3.0), None, &mut work, &Silent)
            .unwrap();
        let (mut sum, mut n) = (0.0, 0.0);
        for y in (32..height - 32).step_by(5) {
            for x in (32..width - 32).step_by(5) {
                let (ex, ey) = ripple(x as f32, y as f32);
                let (dx, dy) = found.at(x as f32, y as f32);
                sum += (dx - ex - 4.0).powi(2) + (dy - ey + 3.0).powi(2);
                n += 1.0;
            }
        }
        let rms = f32::sqrt(sum / n);
        println!("factor {factor}, {rounds} and {fine_rounds} rounds: {rms} px");
        assert!(rms < limit, "factor {factor}, {rounds} and {fine_rounds} rounds: {rms} px");
    }
}

#[test]
fn a_softer_frame_is_not_taken_for_a_displaced_one() {
    let (width, height) = (256, 224);
    let mut reference = Raster::zeros(width, height);
    for (i, v) in reference.values.iter_mut().enumerate() {
        let (x, y) = ((i % width) as f32, (i / width) as f32);
        // Stripes of unequal width: their edges are not symmetrical.
        let wave = ((x + 0.3 * y) / 9.0).sin() + 0.6 * (x / 5.3).cos();
        *v = rough(x, y) + if wave > 0.5 { 0.5 } else { 0.0 };
    }
    let mut frame = Raster::default();
    let kernel = crate::raster::Kernel::gaussian(1.5);
    crate::raster::smooth(&reference, &kernel, &mut Raster::default(), &mut frame);
    for (factor, rounds, fine_rounds, limit) in [(1, 3, 0, 0.05), (2, 1, 1, 0.06)] {
        let band_px = (0.6, 4.0);
        let settings = RippleSettings { band_px, factor, rounds, fine_rounds, ..SETTINGS };
        let aligner = Aligner::new(&reference, settings, 1e-5);
        let mut work = RippleWork::default();
        let found =
            aligner.align(&LightRows::Light(&frame), (0.0, 0.0), None, &mut work, &Silent).unwrap();
        let (mut sum, mut n) = (0.0, 0.0);
        for y in (32..height - 32).step_by(5) {
            for x in (32..width - 32).step_by(5) {
                let (dx, dy) = found.at(x as f32, y as f32);
                sum += dx * dx + dy * dy;
                n += 1.0;
            }
        }
        let rms = f32::sqrt(sum / n);
        println!("softer, factor {factor}: {rms}");
        assert!(rms < limit, "factor {factor}: {rms} px");
    }
}

#[test]
fn a_piece_of_a_frame_is_aligned_like_the_whole() {
    let (width, height) = (512, 448);
    let mut reference = Raster::zeros(width, height);
    let mut frame = Raster::zeros(width, height);
    for (i, v) in reference.values.iter_mut().enumerate() {
        let (x, y) = ((i % width) as f32, (i / width) as f32);
        *v = rough(x, y);
        let (dx, dy) = ripple(x, y);
        frame.values[i] = rough(x - 7.0 - dx, y + 5.0 - dy);
    }
    let settings = RippleSettings { factor: 2, ..SETTINGS };
    let aligner = Aligner::new(&reference, settings, 1e-5);
    let (columns, rows, cell) = aligner.cells();
    let asked = |i: usize, j: usize| (14..22).contains(&i) && (9..16).contains(&j);
    let wanted: Vec<bool> = (0..columns * rows).map(|c| asked(c % columns, c / columns)).collect();
    let size = (width / 2, height / 2);
    let (across, down) = aligner.piece(&wanted, (3.5, -2.5), size).unwrap();
    assert!(across.len() * down.len() * 2 < size.0 * size.1);
    let mut work = RippleWork::default();
    let mut align = |wanted: &[bool]| {
        aligner
            .align(&LightRows::Light(&frame), (7.0, -5.0), Some(wanted), &mut work, &Silent)
            .unwrap()
    };
    // With its corners asked for, too, the whole frame is looked at.
    let mut with_corners = wanted.clone();
    for corner in [0, columns - 1, columns * (rows - 1), columns * rows - 1] {
        with_corners[corner] = true;
    }
    assert!(aligner.piece(&with_corners, (3.5, -2.5), size).is_none());
    let (piece, whole) = (align(&wanted), align(&with_corners));
    for (i, j) in (14..22).flat_map(|i| (9..16).map(move |j| (i, j))) {
        let at = ((i * cell) as f32 + 7.5, (j * cell) as f32 + 7.5);
        let (a, b) = (piece.at(at.0, at.1), whole.at(at.0, at.1));
        assert!((a.0 - b.0).hypot(a.1 - b.1) < 0.02, "{at:?}: {a:?} {b:?}");
    }
}

#[test]
fn a_blank_frame_yields_the_whole_frame_shift() {
    let mut reference = Raster::zeros(128, 96);
    for (i, v) in reference.values.iter_mut().enumerate() {
        *v = rough((i % 128) as f32, (i / 128) as f32);
    }
    let aligner = Aligner::new(&reference, SETTINGS, 1e-5);
    let blank = Raster::zeros(128, 96);
    let mut work = RippleWork::default();
    let found =
        aligner.align(&LightRows::Light(&blank), (2.0, 1.0), None, &mut work, &Silent).unwrap();
    for (x, y) in found.x_px.iter().zip(&found.y_px) {
        assert!(x.is_finite() && y.is_finite());
    }
}

#[test]
fn rounds_at_full_size_end_when_they_move_nothing() {
    let (width, height) = (192, 160);
    let picture = |x: f32, y: f32| {
        let mut out = Raster::zeros(width, height);
        for (k, v) in out.values.iter_mut().enumerate() {
            *v = rough((k % width) as f32 + x, (k / width) as f32 + y);
        }
        out
    };
    let reference = picture(0.0, 0.0);
    let found = |frame: &Raster, fine_rounds: usize| {
        let settings = RippleSettings { factor: 2, rounds: 1, fine_rounds, ..SETTINGS };
        let aligner = Aligner::new(&reference, settings, 1e-5);
        let mut work = RippleWork::default();
        aligner.align(&LightRows::Light(frame), (1.0, 0.0), None, &mut work, &Silent).unwrap()
    };
    // A steady frame is found by the first round: more are allowed, none is made.
    let steady = picture(-1.2, 0.4);
    assert_eq!(found(&steady, 1), found(&steady, 3));
    // What no field can follow keeps moving it.
    let mut torn = picture(-1.2, 0.4);
    for (k, v) in torn.values.iter_mut().enumerate() {
        let (x, y) = ((k % width) as f32, (k / width) as f32);
        *v = rough(x - 1.2 + 2.5 * (x / 9.0).sin(), y + 0.4 + 2.5 * (y / 8.0).cos());
    }
    assert_ne!(found(&torn, 1), found(&torn, 3));
}

#[test]
fn how_far_a_round_moved_is_told_over_what_is_wanted() {
    let last = Field::constant(64, 32, 16, 1.0, 2.0);
    let mut field = last.clone();
    (field.x_px[0], field.y_px[0], field.x_px[5]) = (4.0, 6.0, 100.0);
    let mut wanted = vec![false; 8];
    (wanted[0], wanted[1]) = (true, true);
    // (9 + 16) over two cells of two axes.
    assert!((moved_px(&field, &last, Some(&wanted)) - 2.5).abs() < 1e-6);
    assert_eq!(moved_px(&field, &last, Some(&[false; 8])), 0.0);
    assert!(moved_px(&field, &last, None) > 24.0);
}
