//! What some pictures, spread over the file, show: bits in use, the range of luma, colours.

use super::pixels::{Coding, Pixels};
use crate::bytes::{Bytes, read_up_to};
use crate::facts::{ByteOrder, Remark, RemarkCode};
use crate::jpeg;
use crate::yuv::Range255;
use byteorder::{BigEndian, ByteOrder as _, LittleEndian};
use stillwright_picture::Layout;

/// Pictures looked at.
const PICTURES: usize = 12;

/// Luma outside of 16 to 235 by more than this is no overshoot of a sharpening camera.
const OVERSHOOT: u8 = 8;

/// Share of luma outside of the studio range that says that the range is full. Larger, and a dark
/// full-range sky with a small disc in it might be missed; smaller, and a few wild pixels decide.
const TELLING_SHARE: f64 = 0.002;

/// How far colour differences may stray before a picture has colours, steps.
const NEUTRAL: u8 = 1;

/// What was seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Look {
    /// Every bit that any two-byte sample sets.
    pub(super) bits: u16,
    /// How luma runs.
    pub(super) range: Range255,
    /// Whether no picture has any colour, although it could.
    pub(super) colourless: bool,
}

impl Look {
    /// Look at pictures; what cannot be read is passed over, for reading it later will tell.
    pub(super) fn at(
        bytes: &dyn Bytes,
        pictures: &[(u64, u32)],
        pixels: &Pixels,
        pitch: usize,
    ) -> Look {
        let mut look = Look { bits: 0, range: Range255::Studio, colourless: false };
        let (width, height) = (pixels.width, pixels.height);
        let (mut outside, mut lumas) = (0_u64, 0_u64);
        let (mut seen, mut colours) = (0, 0);
        let mut stored = Vec::new();
        let mut decoded = Vec::new();
        let looked_at = pictures.len().min(PICTURES);
        for i in 0..looked_at {
            let (offset, size) = pictures[i * pictures.len() / looked_at];
            let wanted = match pixels.coding {
                Coding::Words(..) => pitch * height,
                Coding::Yuv(packing) => packing.picture_bytes(width, height),
                Coding::Jpeg => size as usize,
                _ => break,
            };
            stored.resize(wanted, 0);
            if read_up_to(bytes, offset, &mut stored).ok() != Some(wanted) {
                continue;
            }
            match pixels.coding {
                Coding::Words(order, _) => {
                    let read = match order {
                        ByteOrder::Little => LittleEndian::read_u16,
                        ByteOrder::Big => BigEndian::read_u16,
                    };
                    for row in stored.chunks_exact(pitch) {
                        let samples = row[..2 * width].chunks_exact(2).map(read);
                        look.bits = samples.fold(look.bits, |bits, sample| bits | sample);
                    }
                }
                Coding::Yuv(packing) => {
                    packing.each_luma(&stored, width, height, |luma| {
                        let beyond = !(16 - OVERSHOOT..=235 + OVERSHOOT).contains(&luma);
                        outside += u64::from(beyond);
                        lumas += 1;
                    });
                    let mut any = false;
                    packing.each_difference(&stored, width, height, |difference| {
                        any |= difference.abs_diff(128) > NEUTRAL;
                    });
                    seen += 1;
                    colours += usize::from(any);
                }
                Coding::Jpeg => {
                    decoded.resize(3 * width * height, 0);
                    if jpeg::decode(&stored, width, height, &mut decoded).is_ok() {
                        let coloured =
                            |c: &[u8]| c[0].max(c[1]).max(c[2]) - c[0].min(c[1]).min(c[2]);
                        let any = decoded.chunks_exact(3).any(|c| coloured(c) > 2 * NEUTRAL);
                        seen += 1;
                        colours += usize::from(any);
                    }
                }
                _ => {}
            }
        }
        if lumas > 0 && outside as f64 > TELLING_SHARE * lumas as f64 {
            look.range = Range255::Full;
        }
        look.colourless = seen > 0 && colours == 0;
        look
    }

    /// What was made of it.
    pub(super) fn notes(&self, pixels: &Pixels) -> Vec<Remark> {
        let mut notes = Vec::new();
        let light = pixels.layout == Layout::Mono && self.colourless;
        let colours = if light {
            "; no picture looked at has any colour, so that only light is read"
        } else {
            ""
        };
        match pixels.coding {
            Coding::Yuv(_) => {
                let range = match self.range {
                    Range255::Studio => "16 (black) to 235 (white)",
                    Range255::Full => "0 (black) to 255 (white)",
                };
                notes.push(Remark::new(
                    RemarkCode::LumaRange,
                    format!("luma runs from {range}, by the pixels{colours}"),
                ));
            }
            Coding::Jpeg => notes.push(Remark::new(
                RemarkCode::Lossy,
                format!(
                    "the frames are JPEG pictures, which have lost fine detail for good{colours}; \
                     record uncompressed next time"
                ),
            )),
            _ => {}
        }
        notes
    }
}
