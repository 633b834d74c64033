//! Luma and colour differences (YUV, properly Y'CbCr) to light or to red, green and blue.
//!
//! Two pixels (4:2:2) or four (4:2:0) share their colour differences. Orders in the file:
//!
//! | code | order |
//! |---|---|
//! | `YUY2`, `YUYV`, `YUNV`, `V422` | Y0 U Y1 V for every two pixels |
//! | `UYVY`, `UYNV`, `2VUY`, `HDYC` | U Y0 V Y1; `HDYC` with the colours of BT.709 |
//! | `YVYU` / `VYUY` | Y0 V Y1 U / V Y0 U Y1 |
//! | `I420`, `IYUV`, `YU12` / `YV12` | all Y, then U and V of half width and height / V and U |
//! | `NV12` / `NV21` | all Y, then U V U V ... / V U V U ... |
//!
//! Equations: ITU-R BT.601-7, 2.5 and BT.709-6, 3.5. Luma runs from 16 (black) to 235, colour
//! differences from 16 to 240 about 128; or, with full range, both from 0 to 255. Colour
//! differences between stored ones are interpolated: sited with the left of two pixels, and
//! between two rows (4:2:0).

use std::ops::Range;

/// White of what comes out: 16 steps for each of the 255, so that scaling costs nothing.
pub(crate) const WHITE: u16 = 255 * 16;

/// How luma and colour differences are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Packing {
    /// Four bytes for two pixels: where the first luma stands, where U does, and whether the
    /// colours are those of BT.709.
    Pairs { luma: usize, u: usize, bt709: bool },
    /// A plane of luma and two of colour differences; whether V comes first.
    Planes { v_first: bool },
    /// A plane of luma and one of both differences; whether V comes first.
    TwoPlanes { v_first: bool },
}

/// How large the numbers get.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Range255 {
    /// 16 to 235 and 16 to 240.
    Studio,
    /// 0 to 255.
    Full,
}

impl Packing {
    /// The packing that a code in upper case stands for.
    pub(crate) fn from_code(code: &[u8; 4]) -> Option<Packing> {
        Some(match code {
            b"YUY2" | b"YUYV" | b"YUNV" | b"V422" => Packing::Pairs { luma: 0, u: 1, bt709: false },
            b"YVYU" => Packing::Pairs { luma: 0, u: 3, bt709: false },
            b"UYVY" | b"UYNV" | b"2VUY" => Packing::Pairs { luma: 1, u: 0, bt709: false },
            b"HDYC" => Packing::Pairs { luma: 1, u: 0, bt709: true },
            b"VYUY" => Packing::Pairs { luma: 1, u: 2, bt709: false },
            b"I420" | b"IYUV" | b"YU12" => Packing::Planes { v_first: false },
            b"YV12" => Packing::Planes { v_first: true },
            b"NV12" => Packing::TwoPlanes { v_first: false },
            b"NV21" => Packing::TwoPlanes { v_first: true },
            _ => return None,
        })
    }

    /// Bytes of a row of luma (with its colours, where they are packed together).
    pub(crate) fn row_bytes(self, width: usize) -> usize {
        match self {
            Packing::Pairs { .. } => 4 * width.div_ceil(2),
            _ => width,
        }
    }

    /// Bytes of a picture.
    pub(crate) fn picture_bytes(self, width: usize, height: usize) -> usize {
        match self {
            Packing::Pairs { .. } => self.row_bytes(width) * height,
            _ => width * height + 2 * width.div_ceil(2) * height.div_ceil(2),
        }
    }

    /// Where row `y` of luma stands, and the step from one sample to the next.
    fn luma_row(self, y: usize, width: usize) -> (Range<usize>, usize) {
        match self {
            Packing::Pairs { luma, .. } => {
                let row = self.row_bytes(width);
                (y * row + luma..(y + 1) * row, 2)
            }
            _ => (y * width..(y + 1) * width, 1),
        }
    }

    /// Offsets of the first U and V of stored row `y` of colour differences, and the step.
    fn colours(self, y: usize, width: usize, height: usize) -> (usize, usize, usize) {
        let (half_width, half_height) = (width.div_ceil(2), height.div_ceil(2));
        let luma = width * height;
        match self {
            Packing::Pairs { u, .. } => {
                let row = y * self.row_bytes(width);
                (row + u, row + (u + 2) % 4, 4)
            }
            Packing::Planes { v_first } => {
                let first = luma + y * half_width;
                let second = first + half_width * half_height;
                if v_first { (second, first, 1) } else { (first, second, 1) }
            }
            Packing::TwoPlanes { v_first } => {
                let row = luma + 2 * y * half_width;
                if v_first { (row + 1, row, 2) } else { (row, row + 1, 2) }
            }
        }
    }

    /// Whether colour differences have half the rows.
    fn halves_rows(self) -> bool {
        !matches!(self, Packing::Pairs { .. })
    }

    /// Every luma sample of a picture.
    pub(crate) fn each_luma(
        self,
        picture: &[u8],
        width: usize,
        height: usize,
        mut f: impl FnMut(u8),
    ) {
        for y in 0..height {
            let (span, step) = self.luma_row(y, width);
            picture[span].iter().step_by(step).take(width).for_each(|luma| f(*luma));
        }
    }

    /// Every colour difference of a picture, U and V alike.
    pub(crate) fn each_difference(
        self,
        picture: &[u8],
        width: usize,
        height: usize,
        mut f: impl FnMut(u8),
    ) {
        let rows = if self.halves_rows() { height.div_ceil(2) } else { height };
        for y in 0..rows {
            let (u, v, step) = self.colours(y, width, height);
            for x in 0..width.div_ceil(2) {
                f(picture[u + x * step]);
                f(picture[v + x * step]);
            }
        }
    }

    /// The light of a picture; full scale [`WHITE`].
    pub(crate) fn light(self, range: Range255, picture: &[u8], width: usize, out: &mut [u16]) {
        let levels = Levels::new(range, false);
        for (y, row) in out.chunks_exact_mut(width).enumerate() {
            let (span, step) = self.luma_row(y, width);
            for (out, luma) in row.iter_mut().zip(picture[span].iter().step_by(step)) {
                *out = limited(levels.luma(*luma) + HALF);
            }
        }
    }

    /// Red, green and blue of a picture; full scale [`WHITE`].
    pub(crate) fn colour(
        self,
        range: Range255,
        picture: &[u8],
        (width, height): (usize, usize),
        out: &mut [u16],
    ) {
        let bt709 = matches!(self, Packing::Pairs { bt709: true, .. });
        let levels = Levels::new(range, bt709);
        let halves = self.halves_rows();
        let stored_rows = if halves { height.div_ceil(2) } else { height };
        for (y, row) in out.chunks_exact_mut(3 * width).enumerate() {
            let (span, luma_step) = self.luma_row(y, width);
            // Stored row nearest, and the next one on the other side: three parts and one.
            let (near, far) = if halves {
                let near = y / 2;
                let far = if y % 2 == 0 { near.saturating_sub(1) } else { near + 1 };
                (near, far.min(stored_rows - 1))
            } else {
                (y, y)
            };
            let (u, v, step) = self.colours(near, width, height);
            let (u_far, v_far, _) = self.colours(far, width, height);
            // Eighths: four of rows times two of columns, about zero.
            let difference = |at: usize, at_far: usize, x: usize| {
                let column = |x: usize| {
                    let near = i32::from(picture[at + x * step]);
                    let far = i32::from(picture[at_far + x * step]);
                    3 * near + far - 4 * 128
                };
                let left = column(x / 2);
                if x.is_multiple_of(2) {
                    2 * left
                } else {
                    left + column((x / 2 + 1).min(width.div_ceil(2) - 1))
                }
            };
            let lumas = picture[span].iter().step_by(luma_step);
            for (x, (pixel, luma)) in row.chunks_exact_mut(3).zip(lumas).enumerate() {
                let light = levels.luma(*luma) + HALF;
                let (u, v) = (difference(u, u_far, x), difference(v, v_far, x));
                pixel[0] = limited(light + levels.red_of_v * v);
                pixel[1] = limited(light - levels.green_of_u * u - levels.green_of_v * v);
                pixel[2] = limited(light + levels.blue_of_u * u);
            }
        }
    }
}

/// Fixed point: so many parts of one step of [`WHITE`].
const ONE: f64 = 4096.0;
const HALF: i32 = 2048;

fn limited(value: i32) -> u16 {
    (value >> 12).clamp(0, i32::from(WHITE)) as u16
}

/// The equations in whole numbers.
struct Levels {
    black: i32,
    luma: i32,
    red_of_v: i32,
    green_of_u: i32,
    green_of_v: i32,
    blue_of_u: i32,
}

impl Levels {
    fn new(range: Range255, bt709: bool) -> Levels {
        // Weights of red and blue in luma.
        let (red, blue) = if bt709 { (0.2126, 0.0722) } else { (0.299, 0.114) };
        let green = 1.0 - red - blue;
        let (black, luma, difference) = match range {
            Range255::Studio => (16, 255.0 / 219.0, 255.0 / 224.0),
            Range255::Full => (0, 1.0, 1.0),
        };
        // Differences come in eighths, luma in ones; both leave in sixteenths.
        let of = |factor: f64| (factor * difference * 16.0 / 8.0 * ONE).round() as i32;
        Levels {
            black,
            luma: (luma * 16.0 * ONE).round() as i32,
            red_of_v: of(2.0 * (1.0 - red)),
            green_of_u: of(2.0 * blue * (1.0 - blue) / green),
            green_of_v: of(2.0 * red * (1.0 - red) / green),
            blue_of_u: of(2.0 * (1.0 - blue)),
        }
    }

    fn luma(&self, luma: u8) -> i32 {
        (i32::from(luma) - self.black) * self.luma
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn greys_stay_grey_and_colours_of_the_standard_come_out() {
        // BT.601-7, 75 % and 100 % colour bars in studio range, (Y, Cb, Cr) to red, green, blue:
        // the numbers of the 100/0/100/0 bars as rounded in the standard's tables (from memory,
        // and checked against the equations by hand).
        let bars = [
            ([235, 128, 128], [255, 255, 255]),
            ([210, 16, 146], [255, 255, 0]),
            ([170, 166, 16], [0, 255, 255]),
            ([145, 54, 34], [0, 255, 0]),
            ([106, 202, 222], [255, 0, 255]),
            ([81, 90, 240], [255, 0, 0]),
            ([41, 240, 110], [0, 0, 255]),
            ([16, 128, 128], [0, 0, 0]),
        ];
        // Where Y, U and V stand in the four bytes of two pixels.
        for (code, order) in [
            (b"YUY2", [0, 1, 0, 2]),
            (b"UYVY", [1, 0, 2, 0]),
            (b"VYUY", [2, 0, 1, 0]),
            (b"YVYU", [0, 2, 0, 1]),
        ] {
            let packing = Packing::from_code(code).unwrap();
            for (yuv, rgb) in bars {
                let picture = order.map(|i: usize| yuv[i]);
                let mut out = [0; 6];
                packing.colour(Range255::Studio, &picture, (2, 1), &mut out);
                for (got, want) in out.iter().zip(rgb.iter().cycle()) {
                    let off = i32::from(*got) - 16 * want;
                    // Rounding of the table to whole numbers: up to about a step and a half.
                    assert!(off.abs() <= 26, "{yuv:?} gives {out:?}, not {rgb:?}");
                }
            }
        }
    }

    #[test]
    fn planes_and_pairs_of_one_picture_agree() {
        // 4 x 4 pixels whose colours are the same in every two rows.
        let luma: Vec<u8> = (0..16).map(|i| 40 + 10 * i).collect();
        let (u, v) = ([100, 140, 110, 150], [90, 160, 80, 170]);
        let i420 = [&luma[..], &u, &v].concat();
        let yv12 = [&luma[..], &v, &u].concat();
        let pairs =
            |a: &[u8; 4], b: &[u8; 4]| (0..4).flat_map(|i| [a[i], b[i]]).collect::<Vec<_>>();
        let nv12 = [&luma[..], &pairs(&u, &v)].concat();
        let nv21 = [&luma[..], &pairs(&v, &u)].concat();
        let decode = |code: &[u8; 4], picture: &[u8]| {
            let packing = Packing::from_code(code).unwrap();
            assert_eq!(packing.picture_bytes(4, 4), picture.len());
            let mut out = vec![0; 48];
            packing.colour(Range255::Full, picture, (4, 4), &mut out);
            let mut light = vec![0; 16];
            packing.light(Range255::Full, picture, 4, &mut light);
            assert!(light.iter().zip(&luma).all(|(out, luma)| *out == 16 * u16::from(*luma)));
            out
        };
        let want = decode(b"I420", &i420);
        assert_eq!(decode(b"YV12", &yv12), want);
        assert_eq!(decode(b"NV12", &nv12), want);
        assert_eq!(decode(b"NV21", &nv21), want);
        // The top row takes its colours from the first stored row alone: those of a pair.
        let yuy2: Vec<u8> = [[luma[0], u[0], luma[1], v[0], luma[2], u[1], luma[3], v[1]]].concat();
        let mut row = vec![0; 12];
        Packing::from_code(b"YUY2").unwrap().colour(Range255::Full, &yuy2, (4, 1), &mut row);
        assert_eq!(row, want[..12]);
    }
}
