//! The first directory of a TIFF file, looked through before a decoder is let at it: decoders make room for as many
//! values as an entry promises.
//!
//! | bytes | meaning |
//! |---|---|
//! | 2 + 2 (+ 4) + 4 or 8 | byte order (`II`, `MM`), 42 or 43 (BigTIFF), offset of the directory |
//! | 2 or 8 | number of entries |
//! | 12 or 20 each | tag, type, count, value or its offset |
//!
//! Source: TIFF Revision 6.0 (1992), section 2; the wider fields of BigTIFF from memory.

use crate::bytes::{Bytes, read_up_to};

/// Bytes of a value of each type, from type 1 on (byte, text, short, long, rational, their signed kin, float, double,
/// directory; from 16 on the 8-byte ones of BigTIFF); 0 for types that are none.
const TYPE_BYTES: [u64; 18] = [1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4, 0, 0, 8, 8, 8];

/// Most entries that are looked at: the standard has some 200 tags.
const MOST_ENTRIES: u64 = 4096;

/// Whether every entry's values lie in the file of `len` bytes. Files that are no TIFF at all, or cut within their
/// directory, pass: the decoder will say so.
pub(super) fn is_honest(bytes: &dyn Bytes, len: u64) -> bool {
    let number = |at: u64, width: usize, little: bool| -> Option<u64> {
        let mut own = [0u8; 8];
        let n = read_up_to(bytes, at, &mut own[..width]).ok()?;
        if n < width {
            return None;
        }
        let digits = own[..width].iter();
        let add = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        Some(if little { digits.rev().fold(0, add) } else { digits.fold(0, add) })
    };
    let mut head = [0u8; 2];
    let little = match read_up_to(bytes, 0, &mut head) {
        Ok(2) => head == *b"II",
        _ => return true,
    };
    let look = || -> Option<bool> {
        let big = number(2, 2, little)? == 43;
        let (word, entry_bytes) = if big { (8, 20) } else { (4, 12) };
        let directory = number(if big { 8 } else { 4 }, word, little)?;
        let counted = if big { 8 } else { 2 };
        let count = number(directory, counted, little)?;
        if count > MOST_ENTRIES {
            return Some(false);
        }
        for i in 0..count {
            let at = directory.checked_add(counted as u64 + i * entry_bytes)?;
            let kind = number(at.checked_add(2)?, 2, little)?;
            let values = number(at.checked_add(4)?, word, little)?;
            let size = kind.checked_sub(1).and_then(|k| TYPE_BYTES.get(usize::try_from(k).ok()?));
            let Some(size) = size.filter(|size| **size > 0) else { continue };
            let Some(size) = values.checked_mul(*size) else { return Some(false) };
            if size > word as u64 {
                let offset = number(at.checked_add(4 + word as u64)?, word, little)?;
                if offset.checked_add(size).is_none_or(|end| end > len) {
                    return Some(false);
                }
            }
        }
        Some(true)
    };
    look().unwrap_or(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(count: u32, offset: u32) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0\x01\0\x11\x01\x04\0".to_vec();
        bytes.extend(count.to_le_bytes());
        bytes.extend(offset.to_le_bytes());
        bytes.resize(64, 0);
        bytes
    }

    #[test]
    fn values_must_lie_in_the_file() {
        for (count, offset, honest) in [
            (1, 4_000_000_000, true),
            (2, 30, true),
            (8, 32, true),
            (9, 32, false),
            (0x40_0001, 32, false),
            (u32::MAX, u32::MAX, false),
        ] {
            let bytes = file(count, offset);
            assert_eq!(is_honest(&bytes, bytes.len() as u64), honest, "{count} {offset}");
        }
        for cut in 0..20 {
            assert!(is_honest(&file(1, 8)[..cut].to_vec(), cut as u64), "{cut}");
        }
    }
}
