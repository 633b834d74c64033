//! What the pixels of a few frames say about how samples are stored.

use crate::bytes::{Bytes, read_up_to};
use crate::facts::ByteOrder;

/// Frames looked at in one round; more rounds follow while these were blank.
const FRAMES_A_ROUND: u64 = 8;

/// Rounds at most. Blank frames (cloud, a closed shutter) are common at either end of a
/// capture, hardly ever in 32 places spread over all of it.
const ROUNDS: u64 = 4;

/// Frames that show something, with which a round is enough.
const ENOUGH_FRAMES: u32 = 3;

/// Rows looked at in a frame, spread over its height.
const ROWS: u64 = 32;

/// Bytes looked at in a row, around its middle: a planet is there.
const ROW_BYTES: u64 = 32 * 1024;

/// Where the samples of a capture stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Raster {
    pub(super) offset: u64,
    pub(super) frames: u64,
    pub(super) row_bytes: u64,
    pub(super) rows: u64,
    /// Bytes of a pixel: sample bytes times samples per pixel.
    pub(super) pixel_bytes: u64,
    /// Whether samples take two bytes.
    pub(super) wide: bool,
    /// Distance of two samples of the same colour in a row, in samples.
    pub(super) same_colour: usize,
}

/// What was seen. Sample values as read low byte first, unless said otherwise.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Evidence {
    /// Every bit that any sample sets.
    pub(super) bits: u16,
    /// Sum of the differences of neighbours, read low byte first.
    pub(super) little: u64,
    /// Sum of the differences of neighbours, read high byte first.
    pub(super) big: u64,
    /// Neighbours compared.
    pub(super) pairs: u64,
    /// Samples whose two bytes differ: those to which the order matters.
    pub(super) lopsided: u64,
}

impl Evidence {
    /// Every bit that any sample sets when it is read in `order`.
    pub(super) fn bits_in(&self, order: ByteOrder) -> u16 {
        match order {
            ByteOrder::Little => self.bits,
            ByteOrder::Big => self.bits.swap_bytes(),
        }
    }

    /// Look at a row of two-byte samples; whether they are not all the same.
    pub(super) fn look_wide(&mut self, row: &[u8], same_colour: usize) -> bool {
        let sample = |pair: &[u8]| u16::from_le_bytes([pair[0], pair[1]]);
        let first = row.chunks_exact(2).next().map(sample);
        let mut varied = false;
        for pair in row.chunks_exact(2) {
            let value = sample(pair);
            self.bits |= value;
            self.lopsided += u64::from(value != value.swap_bytes());
            varied |= Some(value) != first;
        }
        let ahead = row.get(2 * same_colour..).unwrap_or(&[]);
        for (a, b) in row.chunks_exact(2).map(sample).zip(ahead.chunks_exact(2).map(sample)) {
            self.little += u64::from(a.abs_diff(b));
            self.big += u64::from(a.swap_bytes().abs_diff(b.swap_bytes()));
            self.pairs += 1;
        }
        varied
    }

    /// Look at a row of one-byte samples; whether they are not all the same.
    fn look_narrow(&mut self, row: &[u8]) -> bool {
        self.bits |= u16::from(row.iter().fold(0, |bits, byte| bits | byte));
        row.iter().any(|byte| Some(byte) != row.first())
    }
}

/// Look at frames spread over the capture. What cannot be read is passed over: reading it
/// later will tell.
pub(super) fn gather(bytes: &dyn Bytes, raster: &Raster) -> Evidence {
    let mut evidence = Evidence::default();
    let mut seen = Vec::with_capacity((FRAMES_A_ROUND * ROUNDS) as usize);
    let part = raster.row_bytes.min(ROW_BYTES - ROW_BYTES % raster.pixel_bytes.max(1));
    let skipped_pixels = (raster.row_bytes - part) / 2 / raster.pixel_bytes.max(1);
    let mut row = vec![0; part as usize];
    let rows = raster.rows.min(ROWS);
    let mut telling = 0;
    for round in 0..ROUNDS {
        for i in 0..FRAMES_A_ROUND {
            let place = u128::from(i * ROUNDS + round) * u128::from(raster.frames);
            let index = (place / u128::from(FRAMES_A_ROUND * ROUNDS)) as u64;
            if seen.contains(&index) {
                continue;
            }
            seen.push(index);
            let mut varied = false;
            for r in 0..rows {
                let line = index * raster.rows + r * raster.rows / rows;
                let at =
                    raster.offset + line * raster.row_bytes + skipped_pixels * raster.pixel_bytes;
                if !matches!(read_up_to(bytes, at, &mut row), Ok(n) if n == row.len()) {
                    break;
                }
                varied |= if raster.wide {
                    evidence.look_wide(&row, raster.same_colour)
                } else {
                    evidence.look_narrow(&row)
                };
            }
            telling += u32::from(varied);
        }
        if telling >= ENOUGH_FRAMES {
            break;
        }
    }
    evidence
}
