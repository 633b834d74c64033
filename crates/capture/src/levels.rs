//! What sample values mean: where black and white lie in numbers that came with no such word.
//!
//! Two-byte samples may hold fewer bits; floats and 32-bit integers may run to 1, or be counts of
//! some camera. What some frames show decides, and the person's word goes before it.

use crate::error::{CaptureError, Fault};
use crate::facts::{Justification, Overrides, Remark, RemarkCode};
use crate::ser::decide::decide_bits;
use stillwright_picture::{SampleType, Samples};

/// Frames looked at.
const FRAMES: usize = 12;

/// Two-byte samples from which bits that none of them sets say something: fewer may all be even by chance or design.
const FEWEST_TELLING: usize = 1000;

/// Floats up to this are taken to run from 0 to 1: a little overshoot is common.
const ABOUT_ONE: f32 = 1.5;

/// What some frames, spread over the capture, show.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Seen {
    /// Every bit that any two-byte sample sets.
    bits: u16,
    /// Two-byte samples looked at.
    samples: usize,
    /// Largest float; with three frames or more, that of the second brightest: one damaged file must not decide
    /// how bright all others are.
    max: f32,
    /// Frames that could be read.
    frames: usize,
}

/// Look at some of `count` frames, as `read` gives them. What cannot be read is passed over:
/// reading it later will tell.
pub(crate) fn look(count: usize, mut read: impl FnMut(usize) -> Option<Samples>) -> Seen {
    let mut seen = Seen::default();
    let mut brightest = Vec::new();
    let looked_at = count.min(FRAMES);
    for i in 0..looked_at {
        match read(i * count / looked_at) {
            Some(Samples::U16(v)) => {
                seen.bits = v.iter().fold(seen.bits, |bits, s| bits | s);
                seen.samples += v.len();
            }
            // Infinity is no brightness.
            Some(Samples::F32(v)) => {
                let finite = v.iter().filter(|s| s.is_finite());
                brightest.push(finite.fold(0.0f32, |max, s| max.max(*s)));
            }
            Some(Samples::U8(_)) => {}
            None => continue,
        }
        seen.frames += 1;
    }
    brightest.sort_by(f32::total_cmp);
    let aside = usize::from(brightest.len() >= 3);
    seen.max = brightest.iter().rev().nth(aside).copied().unwrap_or(0.0);
    seen
}

/// How stored numbers become samples.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Levels {
    /// Bits of a sample; of floats, those of the counts that they hold.
    pub(crate) bit_depth: u8,
    /// Where the bits stand in two-byte samples.
    pub(crate) justification: Option<Justification>,
    /// Full scale of what comes out.
    pub(crate) white: f32,
    shift: u32,
    factor: f32,
    pub(crate) warnings: Vec<Remark>,
    pub(crate) notes: Vec<Remark>,
}

impl Levels {
    /// Decide, for samples of `kind` that are said to have `depth` bits.
    ///
    /// # Errors
    /// When an override does not fit.
    pub(crate) fn decide(
        kind: SampleType,
        depth: u8,
        seen: Seen,
        overrides: &Overrides,
    ) -> Result<Levels, CaptureError> {
        let mut levels = Levels {
            bit_depth: depth,
            justification: None,
            white: 1.0,
            shift: 0,
            factor: 1.0,
            warnings: Vec::new(),
            notes: Vec::new(),
        };
        let fits = overrides.byte_order.is_none()
            && match kind {
                SampleType::U8 => {
                    overrides.bit_depth.is_none_or(|depth| depth == 8)
                        && overrides.justification.is_none()
                }
                SampleType::U16 => overrides.bit_depth.is_none_or(|depth| depth > 8),
                SampleType::F32 => overrides.justification.is_none(),
            };
        if !fits {
            return Err(CaptureError::Parameter(Fault::new(
                match kind {
                    SampleType::U8 => "samples of 8 bits",
                    SampleType::U16 => "samples of two bytes, 9 to 16 bits, in the format's order",
                    SampleType::F32 => "samples of four bytes, in the format's order",
                },
                "settings for others",
                None,
                "leave bit depth, byte order and justification out for this capture",
            )));
        }
        match kind {
            SampleType::U8 => levels.white = 255.0,
            SampleType::U16 => {
                let telling = seen.samples >= FEWEST_TELLING;
                let storage = decide_bits(seen.bits, depth, telling, overrides);
                levels.bit_depth = storage.depth;
                levels.justification = Some(storage.justification);
                levels.white = f32::from(storage.white());
                levels.shift = storage.shift();
                if overrides.justification.is_none() {
                    // Found, not said: the samples stay as they are stored, and full scale is where they end.
                    levels.white = f32::from(storage.white() << storage.shift());
                    levels.shift = 0;
                }
                levels.warnings = storage.warnings;
                levels.notes = storage.notes;
            }
            SampleType::F32 => levels.settle_floats(seen, overrides),
        }
        Ok(levels)
    }

    fn settle_floats(&mut self, seen: Seen, overrides: &Overrides) {
        let counts = |depth: u8| ((1_u32 << depth) - 1) as f32;
        let said = overrides.bit_depth;
        let depth = said.or_else(|| {
            let usual = [8, 10, 12, 14, 16].into_iter();
            usual.filter(|_| seen.max > ABOUT_ONE).find(|depth| seen.max <= counts(*depth))
        });
        let full = match depth {
            Some(depth) => {
                self.bit_depth = depth;
                counts(depth)
            }
            None if seen.max > ABOUT_ONE => seen.max,
            None => 1.0,
        };
        self.factor = 1.0 / full;
        if said.is_none() && seen.max > ABOUT_ONE {
            self.notes.push(Remark::new(
                RemarkCode::FullScale,
                format!(
                    "values go up to {}, and full scale was taken to be {full}; set the bit depth \
                     if the camera gave another",
                    seen.max
                ),
            ));
        }
    }

    /// Turn stored numbers into samples.
    pub(crate) fn apply(&self, samples: &mut Samples) {
        match samples {
            Samples::U8(_) => {}
            Samples::U16(v) => {
                let white = self.white as u16;
                if self.shift > 0 || white < u16::MAX {
                    v.iter_mut().for_each(|s| *s = (*s >> self.shift).min(white));
                }
            }
            Samples::F32(v) => v.iter_mut().for_each(|s| {
                let value = *s * self.factor;
                *s = if value.is_finite() { value } else { 0.0 };
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floats_are_counts_or_shares_by_their_size() {
        let auto = Overrides::default();
        for (max, depth, factor) in [
            (0.8, 16, 1.0),
            (1.2, 16, 1.0),
            (200.0, 8, 1.0 / 255.0),
            (3000.0, 12, 1.0 / 4095.0),
            (65_535.0, 16, 1.0 / 65_535.0),
            (1e6, 16, 1e-6),
        ] {
            let seen = look(3, |_| Some(Samples::F32(vec![0.0, f32::NAN, max])));
            let levels = Levels::decide(SampleType::F32, 16, seen, &auto).unwrap();
            assert_eq!((levels.bit_depth, levels.factor), (depth, factor), "{max}");
            let mut samples = Samples::F32(vec![max, f32::NAN, f32::INFINITY]);
            levels.apply(&mut samples);
            assert_eq!(samples, Samples::F32(vec![max * factor, 0.0, 0.0]));
        }
        // One of them spoilt.
        for spoilt in [1e30, f32::INFINITY, f32::NAN, 4.0] {
            let frame = |i| if i == 1 { vec![spoilt, 0.3] } else { vec![0.9, 0.3] };
            let levels = Levels::decide(
                SampleType::F32,
                16,
                look(3, |i| Some(Samples::F32(frame(i)))),
                &auto,
            );
            assert_eq!(levels.unwrap().factor, 1.0, "{spoilt}");
        }
        let said = Overrides { bit_depth: Some(14), ..auto };
        let levels = Levels::decide(SampleType::F32, 16, Seen::default(), &said).unwrap();
        assert_eq!(levels.factor, 1.0 / 16_383.0);
        for kind in [SampleType::U8, SampleType::U16] {
            let odd = Overrides { bit_depth: Some(4), ..auto };
            assert!(Levels::decide(kind, 8, Seen::default(), &odd).is_err());
        }
    }
}
