//! One pass over the whole video: how many frames, when each is shown, and a checksum of each.
//!
//! The checksum is Adler-32 begun with 0 (RFC 1950 begins with 1), over the frame as the decoder
//! gives it; lines are `stream, decoding time, time, duration, bytes, checksum`, times in units of
//! the header line `#tb 0: NUMERATOR/DENOMINATOR`.

use super::child::{Failure, Watched, decoding};
use super::{Input, Output};
use std::io::Read;
use stillwright_picture::{Progress, Stage};

/// Most frames that are indexed: a day at 100 frames a second.
const MOST_FRAMES: usize = 8_640_000;

/// Longest line.
const LONGEST_LINE: usize = 1024;

/// One frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Indexed {
    pub(super) time_s: f64,
    pub(super) sum: u32,
}

/// All frames in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Index {
    pub(super) frames: Vec<Indexed>,
    /// What the decoder complained about first.
    pub(super) complaints: Option<String>,
    /// Seconds of a unit of the times.
    unit_s: f64,
}

impl Index {
    /// Decode everything once. `expected` is for the progress only.
    pub(super) fn of(
        input: &Input,
        output: Output,
        expected: Option<u64>,
        progress: &dyn Progress,
    ) -> Result<Index, Failure> {
        let mut arguments = decoding(input, output, None);
        arguments.extend(["-flush_packets", "1", "-f", "framecrc", "pipe:1"].map(Into::into));
        let mut rest: Vec<u8> = Vec::new();
        let mut ffmpeg = Watched::start("ffmpeg", arguments, 16, move |stdout| {
            // Whole lines, as many as have come.
            let mut block = [0; 4096];
            loop {
                let n = stdout.read(&mut block)?;
                if n == 0 {
                    let last = std::mem::take(&mut rest);
                    return Ok((!last.is_empty()).then_some(last));
                }
                rest.extend(&block[..n]);
                if let Some(end) = rest.iter().rposition(|c| *c == b'\n') {
                    let after = rest.split_off(end + 1);
                    return Ok(Some(std::mem::replace(&mut rest, after)));
                }
                if rest.len() > LONGEST_LINE {
                    return Err(std::io::ErrorKind::InvalidData.into());
                }
            }
        })?;
        let mut index = Index::default();
        let total = expected.and_then(|n| usize::try_from(n).ok()).unwrap_or(0);
        loop {
            let done = index.frames.len();
            let glance = || progress.advance(Stage::Opening, done.min(total), total);
            glance()?;
            let Some(lines) = ffmpeg.next(glance)? else { break };
            index.take(&lines, output.frame_bytes());
            if index.frames.len() > MOST_FRAMES {
                return Err(Failure::Said(format!("more than {MOST_FRAMES} frames")));
            }
        }
        let (well, words) = ffmpeg.finish();
        if index.frames.is_empty() {
            let words = words.unwrap_or_else(|| "no picture that can be decoded".into());
            return Err(Failure::Said(words));
        }
        index.complaints = words.or_else(|| (!well).then(|| "it broke off".to_string()));
        Ok(index)
    }

    /// Take in whole lines of the decoder's.
    fn take(&mut self, lines: &[u8], frame_bytes: usize) {
        for line in String::from_utf8_lossy(lines).lines() {
            if let Some(ratio) = line.strip_prefix("#tb 0:") {
                self.unit_s = ratio_of(ratio).unwrap_or(0.0);
            } else if !line.starts_with('#') {
                self.frames.extend(frame_of(line, self.unit_s, frame_bytes));
            }
        }
    }

    /// Mean rate of frames, 1/s, by their times.
    pub(super) fn rate_hz(&self) -> Option<f64> {
        let (first, last) = (self.frames.first()?, self.frames.last()?);
        let rate = (self.frames.len() - 1) as f64 / (last.time_s - first.time_s);
        (rate.is_finite() && rate > 0.0).then_some(rate)
    }

    /// Words on gaps between the times of frames, where there are any: intervals that are longer
    /// than one and a half times the usual one.
    pub(super) fn gaps(&self) -> Option<String> {
        let steps: Vec<f64> =
            self.frames.windows(2).map(|pair| pair[1].time_s - pair[0].time_s).collect();
        let mut sorted = steps.clone();
        sorted.sort_by(f64::total_cmp);
        let usual = *sorted.get(sorted.len() / 2)?;
        let long: Vec<&f64> = steps.iter().filter(|step| **step > 1.5 * usual).collect();
        if long.is_empty() || usual <= 0.0 {
            return None;
        }
        let lost: f64 = long.iter().map(|step| (*step / usual).round() - 1.0).sum();
        Some(format!(
            "{} gaps between the times of frames, as if {lost:.0} frames had been dropped or the \
             camera had changed its rate: next time set it to a fixed rate, and let nothing else write \
             to its card or disk",
            long.len()
        ))
    }
}

fn ratio_of(text: &str) -> Option<f64> {
    let (numerator, denominator) = text.trim().split_once('/')?;
    let ratio = numerator.parse::<f64>().ok()? / denominator.parse::<f64>().ok()?;
    ratio.is_finite().then_some(ratio)
}

fn frame_of(line: &str, unit_s: f64, bytes: usize) -> Option<Indexed> {
    let fields: Vec<&str> = line.split(',').map(str::trim).collect();
    let [stream, _, time, _, size, sum, ..] = fields[..] else { return None };
    if stream != "0" || size.parse() != Ok(bytes) {
        return None;
    }
    let sum = u32::from_str_radix(sum.strip_prefix("0x")?, 16).ok()?;
    Some(Indexed { time_s: time.parse::<i64>().ok()? as f64 * unit_s, sum })
}

/// Adler-32 begun with 0.
pub(super) fn checksum(bytes: &[u8]) -> u32 {
    const MODULUS: u32 = 65_521;
    let (mut a, mut b) = (0_u32, 0_u32);
    // As many as fit before the sums must be brought down.
    for block in bytes.chunks(5552) {
        for byte in block {
            a += u32::from(*byte);
            b += a;
        }
        a %= MODULUS;
        b %= MODULUS;
    }
    b << 16 | a
}

/// Whether `lines` of a decoder of frames of `frame_bytes` tell of any frame.
pub(crate) fn tells_of_frames(lines: &[u8], frame_bytes: usize) -> bool {
    let mut index = Index::default();
    index.take(lines, frame_bytes);
    let _ = (index.rate_hz(), index.gaps());
    !index.frames.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_checksums_are_understood() {
        // RFC 1950's sum of "Wikipedia" is 11e60398 from 1; from 0, a is one less and b nine less.
        assert_eq!(checksum(b"Wikipedia"), 0x11dd_0397);
        let line = "0,          3,          3,        1,    81920, 0x5bbd4a1f";
        let frame = frame_of(line, 0.04, 81_920).unwrap();
        assert!((frame.time_s - 0.12).abs() < 1e-12 && frame.sum == 0x5bbd_4a1f);
        for odd in
            ["", "0,1,2", "0, 1, 1, 1, 7, 0x1", "1, 1, 1, 1, 81920, 0x1", "0,1,x,1,81920,0x1"]
        {
            assert_eq!(frame_of(odd, 0.04, 81_920), None, "{odd}");
        }
        assert_eq!(ratio_of(" 1/0"), None);
        let at = |times: &[f64]| Index {
            frames: times.iter().map(|t| Indexed { time_s: *t, sum: 0 }).collect(),
            ..Index::default()
        };
        assert_eq!(at(&[0.0, 0.1, 0.2, 0.3]).gaps(), None);
        assert!(at(&[0.0, 0.1, 0.2, 0.5, 0.6]).gaps().unwrap().contains("2 frames"));
        assert_eq!(at(&[0.0]).rate_hz(), None);
    }
}
