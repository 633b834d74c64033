//! Cyan, magenta, yellow mosaics: red, green and blue of a known scene come back from the stack.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use stillwright_picture::{
    BayerOrder, CmyOrder, FrameError, FrameFormat, FrameSource, Layout, RawFrame, SampleType,
    Samples, Silent,
};
use stillwright_seeing::{SurveySettings, survey};
use stillwright_stacking::{Keep, StackSettings, stack};

const SIDE: usize = 128;
const FRAMES: usize = 48;

/// A scene of three colours that wanders, seen through a mosaic, with noise.
struct Scene(Layout);

/// Red, green, blue at a place of the scene: waves in all directions, most of them common to the three.
fn light(x: f32, y: f32) -> [f32; 3] {
    let mut common = 0.0;
    for k in 0..24 {
        let t = k as f32;
        // Periods from 9 to 60 px; the golden angle spreads the directions.
        let (sin, cos) = (2.399_963 * t).sin_cos();
        let size = 0.1 + 0.6 * (t * 0.618_034).fract();
        common += 0.02 * (size * (cos * x + sin * y) + 1.7 * t).sin();
    }
    let own = |a: f32, b: f32| 0.03 * (a * x + b * y).sin();
    [0.42 + common + own(0.21, 0.05), 0.34 + common, 0.30 + common + own(0.07, -0.26)]
}

fn shift(index: usize) -> (f32, f32) {
    let t = index as f32;
    (2.5 * (0.7 * t).sin() + 0.3, 2.0 * (1.1 * t).cos() - 0.2)
}

impl FrameSource for Scene {
    fn format(&self) -> FrameFormat {
        FrameFormat {
            width: SIDE,
            height: SIDE,
            layout: self.0,
            sample_type: SampleType::U16,
            white: 4095.0,
        }
    }

    fn frame_count(&self) -> usize {
        FRAMES
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        frame.reshape(self.format());
        // The definition: the name gives the cell at (0, 0) in reading order.
        let cell: Vec<char> = self.0.name().chars().collect();
        let (dx, dy) = shift(index);
        let mut state = index as u32 * 7919 + 17;
        let Samples::U16(v) = &mut frame.samples else { return Ok(()) };
        for (i, sample) in v.iter_mut().enumerate() {
            let (x, y) = (i % SIDE, i / SIDE);
            let [r, g, b] = light(x as f32 - dx, y as f32 - dy);
            let value = match cell[y % 2 * 2 + x % 2] {
                'c' => 0.5 * (g + b),
                'm' => 0.5 * (r + b),
                'y' => 0.5 * (r + g),
                'r' => r,
                'g' => g,
                _ => b,
            };
            let mut noise = 0.0;
            for _ in 0..4 {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                noise += (state >> 8) as f32 / (1 << 24) as f32 - 0.5;
            }
            *sample = (4095.0 * (value + 0.01 * noise)).round() as u16;
        }
        Ok(())
    }
}

/// Error of each channel of the stack as a share of the scene's contrast, at the best place within 3 px, and its
/// level.
fn errors(layout: Layout) -> [(f64, f64); 3] {
    let scene = Scene(layout);
    let survey = survey(&scene, &SurveySettings::default(), &Silent).unwrap();
    let settings = StackSettings { keep: Keep::Percent(100.0), ..StackSettings::default() };
    let stack = stack(&scene, &survey, &settings, &Silent).unwrap();
    assert_eq!(stack.picture.channels(), 3);
    let home = shift(survey.reference_index);
    let at = |channel: usize, (u, v): (f32, f32)| {
        let (mut off, mut square, mut sum, mut sum_true, mut n) =
            (0.0f64, 0.0f64, 0.0f64, 0.0f64, 0.0);
        for y in (16..SIDE - 16).step_by(4) {
            for x in (16..SIDE - 16).step_by(3) {
                let truth = light(x as f32 - home.0 - u, y as f32 - home.1 - v)[channel];
                let (truth, found) =
                    (f64::from(truth), f64::from(stack.picture.planes[(channel, y, x)]));
                off += (found - truth).powi(2);
                square += truth * truth;
                sum += found;
                sum_true += truth;
                n += 1.0;
            }
        }
        let contrast = (square / n - (sum_true / n).powi(2)).sqrt();
        ((off / n).sqrt() / contrast, sum / sum_true)
    };
    [0, 1, 2].map(|channel| {
        // Coarse steps first, then fine ones about the best.
        let mut best = (0.0, 0.0);
        for step in [0.5, 0.1] {
            let (u, v) = best;
            let places = (-6..=6).flat_map(|i| (-6..=6).map(move |j| (i as f32, j as f32)));
            let places = places.map(|(i, j)| (u + step * i, v + step * j));
            let error = |place: &(f32, f32)| at(channel, *place).0;
            best = places.min_by(|a, b| error(a).total_cmp(&error(b))).unwrap();
        }
        at(channel, best)
    })
}

#[test]
fn the_primaries_come_back_from_all_four_orders() {
    let bayer = errors(Layout::Bayer(BayerOrder::Rggb));
    println!("rggb: {bayer:.3?}");
    for order in [CmyOrder::Cyym, CmyOrder::Ycmy, CmyOrder::Ymcy, CmyOrder::Myyc] {
        let found = errors(Layout::Cmy(order));
        println!("{order:?}: {found:.3?}");
        for ((error, level), (of_bayer, _)) in found.iter().zip(&bayer) {
            assert!((level - 1.0).abs() < 0.005, "{order:?}: {level}");
            // A primary is a sum of three samples instead of one: their noise is added to Bayer's error, their blur is not.
            let added = (error.powi(2) - of_bayer.powi(2)).max(0.0).sqrt();
            assert!(added < 0.052 && *error < 0.07, "{order:?}: {error}, {of_bayer}");
        }
    }
}
