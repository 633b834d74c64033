//! A picture made ready for the screen: 8 bits, at full size and at a half, a quarter, an eighth.
//!
//! Whoever draws takes small tiles from the level that fits the zoom, so that a picture of any
//! size can be shown without waiting. All of it is computed here, off the window's thread, and on one
//! thread: among the workers that stack, it would wait behind whole frames.

use std::sync::atomic::{AtomicU64, Ordering};
use stillwright_picture::Picture;
use stillwright_stacking::finish::Bend;

/// The coarsest level fits into a square of this side, px: one tile of the screen.
const COARSEST_PX: usize = 512;

/// Which light becomes black and which white on the screen; linear in between.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Light shown as black, share of the camera's full scale.
    pub black: f32,
    /// Light shown as white; above `black`.
    pub white: f32,
    /// How it runs between them.
    pub bend: Bend,
    /// Gains of red, green and blue before; those of a grey picture are not used.
    pub gains: [f32; 3],
}

impl Stretch {
    /// Values as they are: a still after its tone.
    pub const NONE: Stretch = Stretch::linear(0.0, 1.0);

    /// Evenly from `black` to `white`.
    pub const fn linear(black: f32, white: f32) -> Stretch {
        Stretch { black, white, bend: Bend::Linear, gains: [1.0; 3] }
    }

    /// The byte of a value times its gain.
    fn byte(self, value: f32) -> u8 {
        let span = (self.white - self.black).max(1e-9);
        let share = (value - self.black) / span;
        let share = match self.bend {
            Bend::Linear => share,
            Bend::Gamma(gamma) => share.clamp(0.0, 1.0).powf(1.0 / gamma.clamp(0.1, 10.0)),
            Bend::Asinh(k) => {
                (k * share.clamp(0.0, 1.0)).asinh() / k.asinh().max(f32::MIN_POSITIVE)
            }
        };
        // A value that is not a number becomes 0 in the conversion.
        (share * 255.0 + 0.5).clamp(0.0, 255.0) as u8
    }
}

/// One size of the picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Level {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// 1 (grey) or 3 (red, green, blue, interleaved).
    pub channels: usize,
    /// Row-major samples, black 0 to white 255.
    pub bytes: Vec<u8>,
}

/// A picture ready for the screen.
#[derive(Debug)]
pub struct Pyramid {
    key: u64,
    levels: Vec<Level>,
}

impl Pyramid {
    /// Make `picture` ready, shown as `stretch` says. Costs a few ns a sample.
    pub fn of(picture: &Picture, stretch: Stretch) -> Pyramid {
        let (width, height) = (picture.width(), picture.height());
        let channels = if picture.channels() == 3 { 3 } else { 1 };
        let mut bytes = vec![0u8; width * height * channels];
        if width > 0 && picture.channels() > 0 {
            let planes: Vec<_> = (0..channels).map(|c| picture.plane(c)).collect();
            bytes.chunks_mut(width * channels).enumerate().for_each(|(y, line)| {
                for (c, plane) in planes.iter().enumerate() {
                    let row = plane.row(y);
                    let gain = if channels == 3 { stretch.gains[c] } else { 1.0 };
                    line.iter_mut()
                        .skip(c)
                        .step_by(channels)
                        .zip(row)
                        .for_each(|(out, value)| *out = stretch.byte(gain * *value));
                }
            });
        }
        Pyramid::from_level(Level { width, height, channels, bytes })
    }

    /// From the full size alone.
    pub fn from_level(full: Level) -> Pyramid {
        static NEXT: AtomicU64 = AtomicU64::new(1);
        let mut levels = vec![full];
        while let Some(last) = levels.last()
            && last.width.max(last.height) > COARSEST_PX
        {
            levels.push(half(last));
        }
        Pyramid { key: NEXT.fetch_add(1, Ordering::Relaxed), levels }
    }

    /// Tells this picture from all others of this run of the program.
    pub fn key(&self) -> u64 {
        self.key
    }

    /// Columns at full size.
    pub fn width(&self) -> usize {
        self.levels.first().map_or(0, |level| level.width)
    }

    /// Rows at full size.
    pub fn height(&self) -> usize {
        self.levels.first().map_or(0, |level| level.height)
    }

    /// Full size first, each next half as large; the last fits into one tile.
    pub fn levels(&self) -> &[Level] {
        &self.levels
    }
}

/// Half the size, each sample the mean of four; sides are rounded up.
fn half(level: &Level) -> Level {
    let (width, height) = (level.width.div_ceil(2), level.height.div_ceil(2));
    let channels = level.channels;
    let mut bytes = vec![0u8; width * height * channels];
    let stride = level.width * channels;
    bytes.chunks_mut(width * channels).enumerate().for_each(|(y, line)| {
        let rows = [2 * y, (2 * y + 1).min(level.height - 1)]
            .map(|row| &level.bytes[row * stride..(row + 1) * stride]);
        for (x, pixel) in line.chunks_mut(channels).enumerate() {
            let columns = [2 * x, (2 * x + 1).min(level.width - 1)];
            for (c, out) in pixel.iter_mut().enumerate() {
                let sum: u32 = rows
                    .iter()
                    .flat_map(|row| columns.map(|column| u32::from(row[column * channels + c])))
                    .sum();
                *out = ((sum + 2) / 4) as u8;
            }
        }
    });
    Level { width, height, channels, bytes }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Plane;

    #[test]
    fn levels_halve_until_one_tile_is_left() {
        let picture = Picture::black(1, 700, 2049);
        let pyramid = Pyramid::of(&picture, Stretch::NONE);
        let sizes: Vec<_> = pyramid.levels().iter().map(|l| (l.width, l.height)).collect();
        assert_eq!(sizes, [(2049, 700), (1025, 350), (513, 175), (257, 88)]);
        assert_ne!(pyramid.key(), Pyramid::of(&picture, Stretch::NONE).key());
    }

    #[test]
    fn light_is_stretched_and_averaged() {
        let plane = Plane::from_shape_fn((2, 1024), |(_, x)| if x % 2 == 0 { 0.2 } else { 0.6 });
        let stretch = Stretch::linear(0.2, 0.6);
        let pyramid = Pyramid::of(&Picture::from_plane(plane), stretch);
        assert_eq!(pyramid.levels()[0].bytes[..4], [0, 255, 0, 255]);
        assert!(pyramid.levels()[1].bytes.iter().all(|v| *v == 128));
    }

    #[test]
    fn a_bend_and_gains_are_those_of_the_finish() {
        let stretch = Stretch { bend: Bend::Gamma(2.0), gains: [1.0, 2.0, 0.5], ..Stretch::NONE };
        let mut picture = Picture::black(3, 1, 1);
        picture.planes.fill(0.25);
        let bytes = |stretch| Pyramid::of(&picture, stretch).levels()[0].bytes.clone();
        // 255 times the root of 0.25, 0.5, 0.125.
        assert_eq!(bytes(stretch), [128, 180, 90]);
        let asinh = Stretch { bend: Bend::Asinh(30.0), ..Stretch::NONE };
        // asinh 7.5 / asinh 30 = 2.712465 / 4.094622.
        assert_eq!(bytes(asinh), [169, 169, 169]);
    }

    #[test]
    fn colours_stay_apart_and_nonsense_is_black() {
        let mut picture = Picture::black(3, 1, 2);
        picture.plane_mut(0).fill(1.0);
        picture.plane_mut(2).fill(0.5);
        picture.plane_mut(1)[(0, 1)] = f32::NAN;
        let pyramid = Pyramid::of(&picture, Stretch::NONE);
        assert_eq!(pyramid.levels()[0].bytes, [255, 0, 128, 255, 0, 128]);
        let empty = Pyramid::of(&Picture::black(1, 0, 0), Stretch::NONE);
        assert_eq!((empty.width(), empty.height()), (0, 0));
    }
}
