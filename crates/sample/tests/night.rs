//! Whole captures: what the frames show against what the truth says.

use stillwright_picture::{Cancelled, FrameSource, Progress, RawFrame, Samples, Silent, Stage};
use stillwright_sample::{
    AirLayer, SampleCapture, SampleError, SampleSettings, Scene, Simulation, simulate,
};

/// A camera without noise worth speaking of, a mount that stands still.
fn clean(seed: u64) -> SampleSettings {
    let mut night = SampleSettings::small(seed);
    night.camera.bit_depth = 16;
    night.camera.electrons_at_white = 1e6;
    night.camera.read_noise_e = 0.0;
    (night.mount.drift_x_px_s, night.mount.drift_y_px_s, night.mount.wander_px) = (0.0, 0.0, 0.0);
    night
}

/// Light of a 16-bit frame above the black level, share of full scale.
fn light(frame: &RawFrame, night: &SampleSettings) -> Vec<f64> {
    let Samples::U16(samples) = &frame.samples else { panic!("expected two bytes a sample") };
    samples.iter().map(|v| f64::from(*v) / 65535.0 - night.camera.black_level).collect()
}

/// Rms of frame minus truth displaced by a whole shift, over the inner part, and the truth's
/// own rms about its mean there.
fn mismatch(found: &[f64], capture: &SampleCapture, shift: [i64; 2]) -> (f64, f64) {
    let night = capture.settings();
    let truth = capture.picture().plane(0);
    let edge = 8;
    let (mut square, mut sum, mut squares, mut count) = (0.0, 0.0, 0.0, 0.0);
    for y in edge..night.height - edge {
        for x in edge..night.width - edge {
            let at = |v: usize, s: i64| (v as i64 - s + night.margin_px as i64) as usize;
            let expected = f64::from(truth[(at(y, shift[1]), at(x, shift[0]))]);
            square += (found[y * night.width + x] - expected).powi(2);
            (sum, squares, count) = (sum + expected, squares + expected * expected, count + 1.0);
        }
    }
    ((square / count).sqrt(), (squares / count - (sum / count).powi(2)).sqrt())
}

#[test]
fn without_air_a_frame_is_the_truth() {
    for (scene, obstruction) in [(Scene::Ground, 0.35), (Scene::Ground, 0.0), (Scene::Disc, 0.35)] {
        let mut night = clean(11);
        night.scene = scene;
        night.telescope.obstruction = obstruction;
        night.air.d_over_r0 = 0.0;
        let capture = SampleCapture::prepare(&night).expect("allowed settings");
        let mut frame = RawFrame::black(capture.format());
        let truth = capture.render(0, &mut frame).expect("a frame");
        let (off, contrast) = mismatch(&light(&frame, &night), &capture, [0, 0]);
        println!("{scene:?}: rms {off:.5} of contrast {contrast:.4}, Strehl {}", truth.mean_strehl);
        // Shot noise of 0.0005 to 0.001; measured in all 0.0005 (disc) to 0.0007. With what the pupil's grid and the folding of the point-spread
        // function do to coarse structure it was 0.0024 on the disc.
        assert!(off < 0.001, "{scene:?}: {off} of {contrast}");
        assert!((truth.mean_strehl - 1.0).abs() < 1e-3);
        assert!(truth.blur_rad2 < 1e-6 && truth.ripple_rms_px < 1e-3);
    }
}

#[test]
fn shifts_have_the_sign_they_say() {
    let mut night = clean(12);
    night.air.d_over_r0 = 0.0;
    // 3 px right and 2 px up from frame to frame.
    (night.mount.drift_x_px_s, night.mount.drift_y_px_s) = (3.0 * night.fps, -2.0 * night.fps);
    let capture = SampleCapture::prepare(&night).expect("allowed settings");
    let mut frame = RawFrame::black(capture.format());
    for index in [1usize, 4] {
        let truth = capture.render(index, &mut frame).expect("a frame");
        let shift = [3 * index as i64, -2 * index as i64];
        assert!((truth.shift.x_px - shift[0] as f32).abs() < 1e-3);
        assert!((truth.shift.y_px - shift[1] as f32).abs() < 1e-3);
        let (off, contrast) = mismatch(&light(&frame, &night), &capture, shift);
        assert!(off < 0.01 * contrast + 0.001, "frame {index}: {off} of {contrast}");
    }
}

#[test]
fn air_moves_the_picture_as_the_truth_says() {
    // Under ground air only, all places see the same: the picture is moved and blurred as a
    // whole. Where does it fit best?
    let mut night = clean(13);
    night.air.d_over_r0 = 1.5;
    night.air.layers =
        vec![AirLayer { height_m: 0.0, share: 1.0, wind_x_m_s: 9.0, wind_y_m_s: 2.0 }];
    night.fps = 2.0;
    for steps in [1, 3] {
        night.camera.exposure_steps = steps;
        let capture = SampleCapture::prepare(&night).expect("allowed settings");
        let mut frame = RawFrame::black(capture.format());
        for index in 0..6 {
            let truth = capture.render(index, &mut frame).expect("a frame");
            assert!(truth.ripple_rms_px < 1e-3, "{}", truth.ripple_rms_px);
            let found = light(&frame, &night);
            let at = |x: i64, y: i64| mismatch(&found, &capture, [x, y]).0.powi(2);
            let (mut best, mut place) = (f64::MAX, [0, 0]);
            for y in -12..=12 {
                for x in -12..=12 {
                    if at(x, y) < best {
                        (best, place) = (at(x, y), [x, y]);
                    }
                }
            }
            let [x, y] = place;
            // Vertex of the parabola through three points.
            let vertex = |a: f64, c: f64| 0.5 * (a - c) / (a - 2.0 * best + c);
            let fx = x as f64 + vertex(at(x - 1, y), at(x + 1, y));
            let fy = y as f64 + vertex(at(x, y - 1), at(x, y + 1));
            let off = (fx - f64::from(truth.shift.x_px)).hypot(fy - f64::from(truth.shift.y_px));
            println!("{steps} steps, frame {index}: {:?}, off by {off:.3} px", truth.shift);
            // Coma shifts the best fit by a fraction of a pixel; a wrong sign would by pixels.
            assert!(off < 0.5, "frame {index}: {fx} {fy} for {:?}", truth.shift);
        }
    }
}

/// Independent frames of a small field under ground air.
fn independent(d_over_r0: f64, obstruction: f64, frames: usize) -> Simulation {
    let mut night = clean(14);
    (night.width, night.height, night.margin_px) = (32, 32, 8);
    night.air.d_over_r0 = d_over_r0;
    night.air.r0_swing = 0.0;
    night.air.layers =
        vec![AirLayer { height_m: 0.0, share: 1.0, wind_x_m_s: 7.3, wind_y_m_s: 2.9 }];
    night.telescope.obstruction = obstruction;
    (night.frames, night.fps) = (frames, 3.0);
    simulate(&night, &Silent).expect("allowed settings")
}

#[test]
fn short_exposures_are_as_sharp_as_elsewhere() {
    // Strehl ratio of short exposures, obstruction 0.25, from an independent simulation with
    // Karhunen-Loeve screens (400 to 600 frames; +-0.03): mean, and mean of the best 10 %.
    for (d_over_r0, mean, best) in [(2.5, 0.54, 0.73), (4.0, 0.32, 0.53), (6.0, 0.18, 0.32)] {
        let night = independent(d_over_r0, 0.25, 600);
        let mut strehl: Vec<f32> = night.truth.frames.iter().map(|f| f.place_strehl[4]).collect();
        strehl.sort_by(|a, b| b.total_cmp(a));
        let average = |s: &[f32]| f64::from(s.iter().sum::<f32>()) / s.len() as f64;
        let (found, top) = (average(&strehl), average(&strehl[..60]));
        println!("D/r0 {d_over_r0}: Strehl {found:.3}, best tenth {top:.3}");
        assert!((found - mean).abs() < 0.03, "{d_over_r0}: mean {found} for {mean}");
        assert!((top - best).abs() < 0.04, "{d_over_r0}: best {top} for {best}");
    }
}

#[test]
fn frames_wander_in_pixels_as_the_law_says() {
    // Noll (1976): one-axis Zernike tilt of a clear aperture, 0.18192 (lambda / D)²
    // (D / r0)^(5/3). 1500 frames, some 1000 of them independent, two axes: 3 % rms in the
    // variance, and the slow part beyond that.
    let night = independent(5.0, 0.0, 1500);
    let cutoff = night.truth.cutoff_cycles_per_px[0];
    let expected = 0.181_92 / (cutoff * cutoff) * 5f64.powf(5.0 / 3.0);
    let frames = &night.truth.frames;
    let square = |f: &stillwright_sample::TrueFrame| f64::from(f.shift.length_px()).powi(2);
    let found = frames.iter().map(square).sum::<f64>() / frames.len() as f64 / 2.0;
    println!("image motion: {:.4} of the law's variance ({found:.2} px²)", found / expected);
    assert!((found / expected - 1.0).abs() < 0.2, "{found} for {expected}");
}

#[test]
fn places_in_the_field_differ_under_high_air_only() {
    let mut night = clean(15);
    night.width = 256;
    night.frames = 8;
    let high = simulate(&night, &Silent).expect("allowed settings");
    night.air.layers.iter_mut().for_each(|layer| layer.height_m = 0.0);
    let low = simulate(&night, &Silent).expect("allowed settings");
    let ripple = |s: &Simulation| s.truth.frames.iter().map(|f| f.ripple_rms_px).sum::<f32>() / 8.0;
    assert!(ripple(&high) > 1.0, "{}", ripple(&high));
    assert!(ripple(&low) < 1e-3, "{}", ripple(&low));
    let blur = &high.truth.frames[0].place_blur_rad2;
    let spread =
        blur.iter().copied().fold(0.0, f32::max) / blur.iter().copied().fold(99.0, f32::min);
    assert!(spread > 1.2, "{blur:?}");
}

#[test]
fn the_same_settings_give_the_same_bytes_in_one_thread_and_in_many() {
    for mut night in [SampleSettings::small(16), SampleSettings::disc(16)] {
        (night.width, night.height, night.frames) = (64, 48, 5);
        night.camera.hot_pixels = 9;
        night.camera.blank_frames = 1;
        let run = |threads: usize| {
            let pool =
                rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
            pool.install(|| simulate(&night, &Silent).expect("allowed settings"))
        };
        let (one, three) = (run(1), run(3));
        assert_eq!(one.frames, three.frames);
        assert_eq!(one.truth, three.truth);
        assert_eq!(one.picture, three.picture);
        // Asked for singly and out of order, a frame is the same again.
        let capture = SampleCapture::prepare(&night).expect("allowed settings");
        let mut frame = RawFrame::black(capture.format());
        for index in [3, 0] {
            capture.read_frame(index, &mut frame).expect("a frame");
            assert_eq!(frame.samples, one.frames[index].samples);
        }
        assert!(capture.read_frame(5, &mut frame).is_err());
        let mut other = night.clone();
        other.seed += 1;
        assert_ne!(simulate(&other, &Silent).expect("allowed settings").frames, one.frames);
    }
}

#[test]
fn colour_is_mosaicked_and_dispersed() {
    let mut night = SampleSettings::disc(17);
    (night.width, night.height, night.frames) = (160, 144, 1);
    night.air.d_over_r0 = 0.0;
    night.camera.electrons_at_white = 1e6;
    night.camera.bit_depth = 16;
    night.mount = stillwright_sample::Mount { wander_px: 0.0, bumps: 0, ..night.mount };
    let made = simulate(&night, &Silent).expect("allowed settings");
    assert_eq!(made.picture.channels(), 3);
    let found = light(&made.frames[0], &night);
    // Centre of light, down the frame, of each colour's own samples.
    let stillwright_picture::Layout::Bayer(order) = night.camera.layout else {
        panic!("no mosaic")
    };
    let mut sums = [[0.0f64; 2]; 3];
    for (i, v) in found.iter().enumerate() {
        let (x, y) = (i % night.width, i / night.width);
        let channel = order.channel_at(x, y);
        let weight = v * if channel == 1 { 2.0 } else { 4.0 };
        sums[channel][0] += weight;
        sums[channel][1] += weight * y as f64;
    }
    for (channel, [sum, moment]) in sums.into_iter().enumerate() {
        let truth = made.picture.plane(channel);
        let total = truth.sum() as f64;
        let middle = truth.indexed_iter().map(|((y, _), v)| y as f64 * f64::from(*v)).sum::<f64>();
        let expected = middle / total - night.margin_px as f64
            + f64::from(made.truth.channel_shift_y_px[channel]);
        assert!((sum / total - 1.0).abs() < 0.02, "channel {channel}: {sum} of {total}");
        assert!((moment / sum - expected).abs() < 0.2, "{channel}: {} {expected}", moment / sum);
    }
    let shifts = &made.truth.channel_shift_y_px;
    assert!((shifts[2] - shifts[0] - 2.0).abs() < 1e-5 && shifts[1] == 0.0, "{shifts:?}");
}

#[test]
fn a_simulation_can_be_stopped() {
    struct Stop;
    impl Progress for Stop {
        fn advance(&self, _: Stage, done: usize, _: usize) -> Result<(), Cancelled> {
            if done > 0 { Err(Cancelled) } else { Ok(()) }
        }
    }
    let stopped = simulate(&SampleSettings::small(18), &Stop);
    assert_eq!(stopped.err(), Some(SampleError::Cancelled(Cancelled)));
}

#[test]
fn truth_survives_being_written_down() {
    let mut night = SampleSettings::small(19);
    night.frames = 3;
    let truth = simulate(&night, &Silent).expect("allowed settings").truth;
    let text = serde_json::to_string(&truth).expect("plain data");
    let back: stillwright_sample::Truth = serde_json::from_str(&text).expect("what was written");
    assert_eq!(back, truth);
    let step = truth.frames[2].ticks_utc - truth.frames[1].ticks_utc;
    assert_eq!(step, (1e7 / night.fps) as u64);
}
