//! The times behind the frames: one 64-bit count of 100-ns ticks (UTC) for each frame.
//!
//! Camera programs leave the trailer out, fill it with zeros, or write it from clocks that jump.
//! It is read through once in pieces when the capture is opened and never held in memory.

use crate::bytes::{Bytes, read_up_to};
use crate::time::Ticks;
use byteorder::{ByteOrder as _, LittleEndian};

/// How many times are checked one by one; of a longer trailer, the last is checked as well.
const CHECKED: u64 = 1 << 20;

/// Steps back in time that are still a clock being set right, not nonsense: one in so many.
const FORWARD_FOR_EACH_BACKWARD: u64 = 100;

/// Longest believable mean interval of frames, s.
const MAX_INTERVAL_S: f64 = 3600.0;

/// A trailer that has room for all times.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trailer {
    pub(super) offset: u64,
    pub(super) frames: u64,
}

/// What the times say, taken together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Span {
    pub(super) first: Ticks,
    pub(super) last: Ticks,
}

impl Trailer {
    /// The time of frame `index` < `frames`, as it stands.
    pub(super) fn time(&self, bytes: &dyn Bytes, index: u64) -> Option<Ticks> {
        if index >= self.frames {
            return None;
        }
        let mut entry = [0; 8];
        let n = read_up_to(bytes, self.offset + 8 * index, &mut entry).ok()?;
        (n == 8)
            .then(|| Ticks::from_file(LittleEndian::read_u64(&entry)))
            .filter(|ticks| ticks.is_plausible())
    }

    /// Whether what stands here looks like times at all, from a few samples: all plausible,
    /// none before the one before it, and the last after the first.
    pub(super) fn looks_real(&self, bytes: &dyn Bytes) -> bool {
        let last = self.frames.saturating_sub(1);
        let picks = last.min(15);
        let mut before = None;
        for pick in 0..=picks {
            let index =
                if picks == 0 { 0 } else { (last as u128 * pick as u128 / picks as u128) as u64 };
            let Some(time) = self.time(bytes, index) else { return false };
            if before.is_some_and(|before| time < before) {
                return false;
            }
            before = Some(time);
        }
        let first = self.time(bytes, 0);
        self.frames == 1 || first < before
    }

    /// Read the times through; what they say, or why they cannot be believed.
    pub(super) fn check(&self, bytes: &dyn Bytes) -> Result<Span, String> {
        let mut piece = [0; 8 * 1024];
        let (mut first, mut before, mut backward) = (None, None, 0);
        let checked = self.frames.min(CHECKED);
        let mut index = 0;
        while index < checked {
            let n = (checked - index).min(1024);
            let part = &mut piece[..8 * n as usize];
            match read_up_to(bytes, self.offset + 8 * index, part) {
                Ok(read) if read == part.len() => {}
                Ok(_) => {
                    return Err(format!("they end before that of frame {index} or soon after"));
                }
                Err(e) => return Err(format!("they cannot be read ({e})")),
            }
            for entry in part.chunks_exact(8) {
                let time = Ticks::from_file(LittleEndian::read_u64(entry));
                if !time.is_plausible() {
                    let what = if time.0 == 0 { "zero".to_string() } else { time.to_string() };
                    return Err(format!("that of frame {index} is {what}"));
                }
                backward += u64::from(before.is_some_and(|before| time < before));
                first = first.or(Some(time));
                before = Some(time);
                index += 1;
            }
        }
        if checked < self.frames {
            before = self.time(bytes, self.frames - 1);
        }
        let (Some(first), Some(last)) = (first, before) else {
            return Err("the last one makes no sense".to_string());
        };
        if backward > (checked / FORWARD_FOR_EACH_BACKWARD).max(1) || last < first {
            return Err(format!("they run backwards ({backward} times)"));
        }
        if self.frames > 1 && last == first {
            return Err("they are all the same".to_string());
        }
        if self.frames > 1 && last.seconds_since(first) > MAX_INTERVAL_S * (self.frames - 1) as f64
        {
            return Err(format!("they run from {first} to {last}"));
        }
        Ok(Span { first, last })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const T: u64 = 638_673_030_000_000_000;

    fn check(times: &[u64]) -> Result<Span, String> {
        let mut bytes = vec![7; 5];
        bytes.extend(times.iter().flat_map(|t| t.to_le_bytes()));
        Trailer { offset: 5, frames: times.len() as u64 }.check(&bytes)
    }

    #[test]
    fn honest_times_are_believed() {
        let times: Vec<u64> = (0..5000).map(|i| (T + 333_333 * i) | (1 << 62)).collect();
        let span = check(&times).unwrap();
        assert_eq!((span.first, span.last), (Ticks(T), Ticks(T + 333_333 * 4999)));
        let mut one_set_back = times;
        one_set_back[70] -= 600_000;
        assert!(check(&one_set_back).is_ok());
        assert!(check(&[T]).is_ok());
    }

    #[test]
    fn senseless_times_are_not() {
        for (times, why) in [
            (vec![0, 0, 0], "zero"),
            (vec![T, T + 9, 0], "frame 2 is zero"),
            (vec![T, T, T], "the same"),
            (vec![T + 9, T + 5, T], "backwards"),
            (vec![T, 5 * 31_536_000 * 10_000_000 + T], "run from"),
            (vec![T, u64::MAX], "frame 1 is"),
        ] {
            let words = check(&times).unwrap_err();
            assert!(words.contains(why), "{words}");
        }
        let short = Trailer { offset: 0, frames: 3 }.check(&vec![0; 20]).unwrap_err();
        assert!(short.contains("end before"), "{short}");
    }
}
