//! From stored bytes to samples: byte order, justification, colour order, row order.
//!
//! Plain loops over slices that the compiler turns into vector instructions; no allocation.

use crate::facts::ByteOrder;

/// Decode two-byte samples: `bytes` holds two for each of `samples`. Each is moved down by
/// `shift` bits and limited to `white`.
pub(crate) fn decode_u16(
    bytes: &[u8],
    order: ByteOrder,
    shift: u32,
    white: u16,
    samples: &mut [u16],
) {
    let shift = shift.min(15);
    let pairs = bytes.chunks_exact(2);
    match order {
        ByteOrder::Little => {
            for (sample, pair) in samples.iter_mut().zip(pairs) {
                *sample = (u16::from_le_bytes([pair[0], pair[1]]) >> shift).min(white);
            }
        }
        ByteOrder::Big => {
            for (sample, pair) in samples.iter_mut().zip(pairs) {
                *sample = (u16::from_be_bytes([pair[0], pair[1]]) >> shift).min(white);
            }
        }
    }
}

/// Swap the first and third of every three samples: blue, green, red to red, green, blue.
pub(crate) fn swap_red_and_blue<T: Copy>(samples: &mut [T]) {
    // Blocks of fixed size turn into byte shuffles.
    let (blocks, rest) = samples.as_chunks_mut::<48>();
    for block in blocks {
        let stored = *block;
        for i in 0..16 {
            block[3 * i] = stored[3 * i + 2];
            block[3 * i + 2] = stored[3 * i];
        }
    }
    for pixel in rest.chunks_exact_mut(3) {
        pixel.swap(0, 2);
    }
}

/// Turn rows that run from the bottom up into rows from the top down.
pub(crate) fn flip_rows(samples: &mut [u8], row_len: usize) {
    if row_len == 0 {
        return;
    }
    let rows = samples.len() / row_len;
    let (upper, lower) = samples.split_at_mut(rows / 2 * row_len);
    for (a, b) in upper.chunks_exact_mut(row_len).zip(lower.rchunks_exact_mut(row_len)) {
        a.swap_with_slice(b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_flip_for_odd_and_even_heights() {
        for rows in 0..6_u8 {
            let mut samples: Vec<u8> = (0..rows).flat_map(|r| [r, r + 100]).collect();
            flip_rows(&mut samples, 2);
            let want: Vec<u8> = (0..rows).rev().flat_map(|r| [r, r + 100]).collect();
            assert_eq!(samples, want);
        }
    }

    #[test]
    fn samples_decode_in_both_orders() {
        let bytes = [0x12, 0x30, 0xff, 0xf0];
        let mut samples = [0; 2];
        decode_u16(&bytes, ByteOrder::Big, 4, 4095, &mut samples);
        assert_eq!(samples, [0x123, 0xfff]);
        decode_u16(&bytes, ByteOrder::Little, 0, 0xffff, &mut samples);
        assert_eq!(samples, [0x3012, 0xf0ff]);
        decode_u16(&bytes, ByteOrder::Little, 0, 4095, &mut samples);
        assert_eq!(samples, [4095, 4095], "limited to full scale");
    }
}
