//! A small night whose truth is a formula.
#![allow(dead_code)]

use std::borrow::Borrow;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Layout, RawFrame, SampleType, Samples,
};

pub const WIDTH: usize = 160;
pub const HEIGHT: usize = 128;

/// Ground of waves of 6 to 40 px, rippled differently in every frame, with noise, and with one
/// satellite, one stuck pixel, one blank and one unreadable frame.
pub struct Night {
    pub frames: usize,
    pub satellite: Option<usize>,
    pub blank: Option<usize>,
    pub broken: Option<usize>,
    pub stuck: Option<(usize, usize)>,
}

impl Default for Night {
    fn default() -> Self {
        Night { frames: 60, satellite: None, blank: None, broken: None, stuck: None }
    }
}

/// The ground's light at a place of the scene.
pub fn ground(x: f32, y: f32) -> f32 {
    let mut v = 0.45;
    for k in 0..30u32 {
        let angle = k as f32 * 2.399;
        let length = 6.0 + 34.0 * ((k * 11 % 30) as f32 / 30.0);
        let along = x * angle.cos() + y * angle.sin();
        v += 0.016 * (std::f32::consts::TAU * along / length + k as f32 * 1.7).sin();
    }
    v
}

/// Where the ground at (x, y) lies in frame `i`, minus (x, y).
pub fn displacement(i: usize, x: f32, y: f32) -> (f32, f32) {
    let t = i as f32;
    let whole = (4.0 * (t * 0.9).sin(), 3.0 * (t * 1.3).cos());
    let ripple = (
        1.5 * (x / 23.0 + t * 2.1).sin() * (y / 29.0 + t).cos(),
        1.5 * (x / 31.0 - t).cos() * (y / 21.0 + t * 1.7).sin(),
    );
    (whole.0 + ripple.0, whole.1 + ripple.1)
}

fn noise(i: usize, pixel: usize) -> f32 {
    let mut s = ((i * WIDTH * HEIGHT + pixel) as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    s = (s ^ (s >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    s = (s ^ (s >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((s >> 40) as f32 / (1u64 << 24) as f32 - 0.5) * 12f32.sqrt()
}

/// The sixty frames without any trouble, full scale 1.0.
fn clean_frames() -> &'static Vec<Vec<f32>> {
    static FRAMES: OnceLock<Vec<Vec<f32>>> = OnceLock::new();
    let frame = |index: usize| -> Vec<f32> {
        (0..WIDTH * HEIGHT)
            .map(|pixel| {
                let (u, v) = ((pixel % WIDTH) as f32, (pixel / WIDTH) as f32);
                let (mut x, mut y) = (u, v);
                for _ in 0..8 {
                    let (dx, dy) = displacement(index, x, y);
                    (x, y) = (u - dx, v - dy);
                }
                ground(x, y) + 0.01 * noise(index, pixel)
            })
            .collect()
    };
    FRAMES.get_or_init(|| (0..60).map(frame).collect())
}

impl FrameSource for Night {
    fn format(&self) -> FrameFormat {
        FrameFormat {
            width: WIDTH,
            height: HEIGHT,
            layout: Layout::Mono,
            sample_type: SampleType::U16,
            white: 4095.0,
        }
    }

    fn frame_count(&self) -> usize {
        self.frames
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        if self.broken == Some(index) {
            return Err(FrameError { index, reason: "its bytes are gone".into() });
        }
        frame.reshape(self.format());
        let Samples::U16(samples) = &mut frame.samples else { return Ok(()) };
        for (pixel, (s, clean)) in samples.iter_mut().zip(&clean_frames()[index]).enumerate() {
            let (u, v) = ((pixel % WIDTH) as f32, (pixel / WIDTH) as f32);
            let mut light = *clean;
            if self.satellite == Some(index) && (v - 0.4 * u - 20.0).abs() < 1.5 {
                light += 0.5;
            }
            if self.blank == Some(index) {
                light = 0.001 * (1.0 + noise(index, pixel));
            }
            *s = (light * 4095.0).clamp(0.0, 4095.0).round() as u16;
        }
        if let Some((x, y)) = self.stuck {
            samples[y * WIDTH + x] = 4095;
        }
        Ok(())
    }
}

/// Counts the frames that are read of a night.
pub struct Read<N>(pub N, pub AtomicUsize);

impl<N: Borrow<Night> + Send + Sync> FrameSource for Read<N> {
    fn format(&self) -> FrameFormat {
        self.0.borrow().format()
    }

    fn frame_count(&self) -> usize {
        self.0.borrow().frame_count()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        self.1.fetch_add(1, Ordering::SeqCst);
        self.0.borrow().read_frame(index, frame)
    }
}
