use super::*;
use crate::spline::{interpolate, taps};
use crate::window::STRIDE;
use stillwright_picture::{FrameFormat, Layout, RawFrame, SampleType, Samples};
use stillwright_seeing::spline::Between;

/// The definition: filter and B-spline together, sample by sample.
fn naive(at: &dyn Fn(isize, isize) -> f32, u: f32, v: f32) -> f32 {
    let (i, j) = (u.floor(), v.floor());
    let (kx, ky) = (taps(u - i), taps(v - j));
    let mut sum = 0.0;
    for (k, wy) in ky.iter().enumerate() {
        for (l, wx) in kx.iter().enumerate() {
            sum += wy * wx * at(i as isize + l as isize - 3, j as isize + k as isize - 3);
        }
    }
    sum
}

#[test]
fn a_row_is_resampled_as_the_definition_says_up_to_the_frames_edge() {
    let format = FrameFormat {
        width: 90,
        height: 40,
        layout: Layout::Mono,
        sample_type: SampleType::U8,
        white: 255.0,
    };
    let mut frame = RawFrame::black(format);
    if let Samples::U8(v) = &mut frame.samples {
        v.iter_mut().enumerate().for_each(|(i, s)| *s = (i * 7919 % 251) as u8);
    }
    let at = |x: isize, y: isize| {
        let Samples::U8(v) = &frame.samples else { return 0.0 };
        let m = stillwright_seeing::raster::mirror;
        f32::from(v[m(y, 40) * 90 + m(x, 90)])
    };
    let dx: Vec<f32> = (0..90).map(|i| 1.3 * (i as f32 * 0.3).sin()).collect();
    let dy: Vec<f32> = (0..90).map(|i| 2.0 * (i as f32 * 0.2).cos()).collect();
    for position_y in [0.4f32, 17.0, 38.7] {
        let row = RowPlace {
            dx: &dx,
            dy: &dy,
            weight: &[1.0; 90],
            first_column: 0,
            scale: 1.0,
            offset_x: 0.0,
            position_y,
            size: (90, 40),
        };
        let mut places = Places::default();
        let extent = places.of_row(&row);
        let corner = (extent.left as isize - 2, extent.top as isize - 2);
        let mut window = Window::default();
        window.load_filtered(&frame, 0, 1.0, corner, (STRIDE, 16));
        let mut out = [0.0; 90];
        interpolate(&window, &places, &mut Between::default(), &mut out);
        let mut seen = 0;
        for x in 0..90 {
            let (u, v) = (x as f32 + dx[x], position_y + dy[x]);
            let inside = (0.0..=89.0).contains(&u) && (0.0..=39.0).contains(&v);
            assert_eq!(places.weight[x] > 0.0, inside, "{x}");
            if inside {
                seen += 1;
                assert!((places.u[x] - u).abs() < 1e-4 && (places.v[x] - v).abs() < 1e-4);
                let expected = naive(&at, places.u[x], places.v[x]);
                assert!((out[x] - expected).abs() < 1e-3, "{x}: {} {expected}", out[x]);
            }
        }
        assert!(seen > 30);
    }
}

#[test]
fn places_that_are_no_numbers_count_for_nothing() {
    let row = RowPlace {
        dx: &[f32::NAN, 0.0, f32::INFINITY],
        dy: &[0.0, f32::NAN, 0.0],
        weight: &[1.0; 3],
        first_column: 0,
        scale: 1.0,
        offset_x: 0.0,
        position_y: 3.0,
        size: (20, 20),
    };
    let mut places = Places::default();
    assert!(places.of_row(&row).is_empty());
    assert_eq!(places.weight[..3], [0.0; 3]);
}

#[test]
fn places_of_a_block_inside_the_frame_are_those_of_its_rows() {
    let dx: Vec<f32> = (0..70).map(|i| 1.3 * (i as f32 * 0.3).sin()).collect();
    let dy: Vec<f32> = (0..70).map(|i| 2.0 * (i as f32 * 0.2).cos()).collect();
    let bent = [35, 62].map(|at| {
        let mut bent = dy.clone();
        bent[at] = -40.0;
        bent
    });
    let weight: Vec<f32> = (0..70).map(|i| (i % 7) as f32).collect();
    let size = (200, 100);
    let row = |k: usize, position_y: f32| {
        let span = 3 * k..70 - k;
        RowPlace {
            dx: &dx[span.clone()],
            dy: &dy[span.clone()],
            weight: &weight[span],
            first_column: 60 + 3 * k,
            scale: 1.0,
            offset_x: 0.2,
            position_y,
            size,
        }
    };
    let mut rows: Vec<RowPlace<'_>> = (0..9).map(|k| row(k, 30.0 + k as f32)).collect();
    // A row without any px.
    rows.push(RowPlace::default());
    let mut found = vec![Places::default(); rows.len()];
    let extent = places_inside(&mut found, &rows).unwrap();
    let mut expected = Extent::EMPTY;
    for (found, row) in found.iter().zip(&rows[..9]) {
        let mut places = Places::default();
        let touched = places.of_row(row);
        let n = row.dx.len();
        assert_eq!(found.u[..n], places.u[..n]);
        assert_eq!(found.v[..n], places.v[..n]);
        assert_eq!(found.weight[..n], places.weight[..n]);
        expected = expected.with(touched);
    }
    // Rows tell of px of weight only.
    assert!(extent.left <= expected.left && extent.right >= expected.right);
    assert!(extent.left > expected.left - 4.0 && extent.right < expected.right + 4.0);
    assert!((extent.top, extent.bottom) == (expected.top, expected.bottom));
    // One row that comes near the edge.
    rows[4] = row(4, 9.0);
    assert!(places_inside(&mut found, &rows).is_none());
    // One whose ends lie inside, but not what is between them: in a lane, and after the last whole one.
    for bent in &bent {
        rows[4] = RowPlace { dy: &bent[12..66], ..row(4, 34.0) };
        assert!(places_inside(&mut found, &rows).is_none());
    }
    rows[4] = row(4, 34.0);
    assert!(places_inside(&mut found, &rows).is_some());
}
