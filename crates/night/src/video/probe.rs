//! What the container says of the video: size, codec, kind of pixels.

use super::child::{Failure, Watched, reading};
use super::{Input, Output};
use serde::Deserialize;
use std::io::Read;

/// Most that is read of the answer, bytes.
const MOST_ANSWER: u64 = 1 << 20;

/// Longest side and most samples, as for all captures.
const MOST_SIDE: usize = stillwright_capture::MAX_SIDE as usize;
const MOST_SAMPLES: usize = stillwright_capture::MAX_FRAME_SAMPLES as usize;

/// The first video stream.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Probe {
    pub(super) codec: String,
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) pixels: String,
    pub(super) frames: Option<u64>,
    pub(super) turned: bool,
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    streams: Vec<Stream>,
}

#[derive(Deserialize)]
struct Stream {
    #[serde(default)]
    codec_name: String,
    #[serde(default)]
    width: usize,
    #[serde(default)]
    height: usize,
    #[serde(default)]
    pix_fmt: String,
    nb_frames: Option<String>,
    #[serde(default)]
    side_data_list: Vec<SideData>,
}

#[derive(Deserialize)]
struct SideData {
    rotation: Option<f64>,
}

impl Probe {
    /// Ask ffprobe.
    pub(super) fn of(input: &Input) -> Result<Probe, Failure> {
        let mut arguments = reading(input, &[]);
        let wanted = "stream=codec_name,width,height,pix_fmt,nb_frames:stream_side_data=rotation";
        arguments.extend(
            ["-select_streams", "v:0", "-show_entries", wanted, "-of", "json"].map(Into::into),
        );
        let mut asked = false;
        let mut ffprobe = Watched::start("ffprobe", arguments, 1, move |stdout| {
            if std::mem::replace(&mut asked, true) {
                return Ok(None);
            }
            let mut answer = Vec::new();
            stdout.take(MOST_ANSWER).read_to_end(&mut answer)?;
            Ok(Some(answer))
        })?;
        let answer = ffprobe.next(|| Ok(()))?.unwrap_or_default();
        let (_, words) = ffprobe.finish();
        let none = || Failure::Said(words.unwrap_or("no video in the file".into()));
        Probe::parse(&answer).ok_or_else(none)?
    }

    /// The answer taken apart; `None` where it tells of no video.
    fn parse(answer: &[u8]) -> Option<Result<Probe, Failure>> {
        let answer: Answer = serde_json::from_slice(answer).ok()?;
        let stream = answer.streams.into_iter().next()?;
        let (width, height) = (stream.width, stream.height);
        let sound = (1..=MOST_SIDE).contains(&width)
            && (1..=MOST_SIDE).contains(&height)
            && 3 * width * height <= MOST_SAMPLES;
        if !sound {
            return Some(Err(Failure::Said(format!("pictures of {width} x {height} px"))));
        }
        Some(Ok(Probe {
            codec: stream.codec_name,
            width,
            height,
            pixels: stream.pix_fmt,
            frames: stream.nb_frames.and_then(|n| n.parse().ok()),
            turned: stream.side_data_list.iter().any(|data| data.rotation.unwrap_or(0.0) != 0.0),
        }))
    }

    /// What to ask the decoder for: as many bits as there are, colour where there may be some.
    pub(super) fn output(&self) -> Output {
        let deep = ["9", "10", "12", "14", "16", "48", "64"];
        let digits = self.pixels.trim_end_matches("le").trim_end_matches("be");
        let wide = digits != self.pixels && deep.iter().any(|bits| digits.ends_with(bits));
        let colour = !self.pixels.starts_with("gray") && !self.pixels.starts_with("mono");
        Output { width: self.width, height: self.height, colour, wide }
    }
}

/// Whether `answer` is one of ffprobe's from which a video would be read.
pub(crate) fn is_answer(answer: &[u8]) -> bool {
    matches!(Probe::parse(answer), Some(Ok(probe)) if probe.output().frame_bytes() > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pixels_are_decoded_with_all_their_bits() {
        for (pixels, colour, wide) in [
            ("yuv420p", true, false),
            ("yuvj422p", true, false),
            ("yuv420p10le", true, true),
            ("p010le", true, true),
            ("gray", false, false),
            ("gray12le", false, true),
            ("rgb48be", true, true),
            ("pal8", true, false),
            ("nv12", true, false),
        ] {
            let probe = Probe {
                codec: String::new(),
                width: 4,
                height: 2,
                pixels: pixels.into(),
                frames: None,
                turned: false,
            };
            let output = probe.output();
            assert_eq!((output.colour, output.wide), (colour, wide), "{pixels}");
        }
    }
}
