//! Compressed video, decoded by an installed ffmpeg in child processes.
//!
//! ffmpeg is started with arguments and never through a shell; it may read the one file and
//! nothing else (`-protocol_whitelist file`, a container told by the file's own first bytes,
//! `-nostdin`), gets limits of size, and is stopped when it says nothing for a while. First it
//! decodes the video once from end to end and gives a checksum and a time for each frame: so the
//! number of frames is known, and every frame that is read later is proven to be the right one,
//! wherever decoding was taken up. Memory: a few frames for each of at most three decoders, and
//! a bounded number of recent ones.

mod child;
mod frames;
mod index;
mod probe;

pub(crate) use index::tells_of_frames;
pub(crate) use probe::is_answer;

use crate::error::NightError;
use crate::sequence::head_of;
use frames::VideoCapture;
use index::Index;
use probe::Probe;
use std::path::{Path, PathBuf};
use stillwright_capture::{
    Capture, CaptureError, Facts, Fault, Overrides, Remark, RemarkCode, demuxer,
};
use stillwright_picture::{FrameFormat, Layout, Progress, SampleType};

/// Codecs that lose nothing.
const LOSSLESS: [&str; 11] = [
    "ffv1", "huffyuv", "ffvhuff", "utvideo", "magicyuv", "rawvideo", "png", "qtrle", "lagarith",
    "zlib", "mszh",
];

/// How frames come out of the decoder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Output {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) colour: bool,
    pub(crate) wide: bool,
}

impl Output {
    /// Name of the pixel format, as ffmpeg has it.
    fn pixel_format(self) -> &'static str {
        match (self.colour, self.wide) {
            (false, false) => "gray",
            (false, true) => "gray16le",
            (true, false) => "rgb24",
            (true, true) => "rgb48le",
        }
    }

    /// Bytes of a frame.
    pub(crate) fn frame_bytes(self) -> usize {
        let samples = self.width * self.height * if self.colour { 3 } else { 1 };
        samples * if self.wide { 2 } else { 1 }
    }
}

/// A file and the container that it is, for the decoder's arguments.
#[derive(Clone, Debug)]
pub(crate) struct Input {
    path: PathBuf,
    container: &'static str,
}

/// Open the video at `path`; `fault` says why it cannot be read without a decoder.
pub(crate) fn open(
    path: &Path,
    fault: Fault,
    overrides: &Overrides,
    progress: &dyn Progress,
) -> Result<Box<dyn Capture>, NightError> {
    let trouble = |source| NightError::Capture { path: path.into(), source };
    let head = head_of(path).map_err(|e| NightError::read(path, e))?;
    let container =
        demuxer(&head).ok_or_else(|| trouble(CaptureError::NeedsDecoder(fault.clone())))?;
    let whole = std::path::absolute(path).map_err(|e| NightError::read(path, e))?;
    let input = Input { path: whole, container };
    let settings = overrides.bit_depth.is_some()
        || overrides.byte_order.is_some()
        || overrides.justification.is_some()
        || overrides.layout.is_some_and(|l| !matches!(l, Layout::Mono | Layout::Rgb));
    if settings {
        return Err(trouble(CaptureError::Parameter(Fault::new(
            "settings that fit compressed video: no bit depth, byte order or justification, and a \
             layout of mono or rgb",
            "others",
            None,
            "leave them out for this capture",
        ))));
    }
    let failed = |words: child::Failure| match words {
        child::Failure::Cancelled => NightError::Cancelled,
        child::Failure::Missing(what) => trouble(CaptureError::NeedsDecoder(Fault::new(
            format!("{what}, which decodes such video, among the installed programs"),
            "none",
            None,
            "install ffmpeg (on Debian and Ubuntu: apt install ffmpeg; elsewhere from your system's \
             collection of programs), or record uncompressed, best as SER",
        ))),
        child::Failure::Said(words) => trouble(CaptureError::Damaged(Fault::new(
            "video that ffmpeg can decode",
            words,
            None,
            "if a copy of the file exists elsewhere, use that; if the camera offers another format, \
             record uncompressed",
        ))),
    };
    let probe = Probe::of(&input).map_err(failed)?;
    let mut output = probe.output();
    match overrides.layout {
        Some(layout) => output.colour = layout != Layout::Mono,
        None if output.colour => {
            output.colour = frames::has_colour(&input, output, progress).map_err(failed)?;
        }
        None => {}
    }
    let index = Index::of(&input, output, probe.frames, progress).map_err(failed)?;
    let facts = facts(&probe, output, &index);
    Ok(Box::new(VideoCapture::new(input, output, index, facts)))
}

fn facts(probe: &Probe, output: Output, index: &Index) -> Facts {
    let frames = index.frames.len();
    let mut warnings = Vec::new();
    let mut notes = Vec::new();
    if let Some(words) = &index.complaints {
        warnings.push(Remark::new(
            RemarkCode::BrokenChunk,
            format!("the decoder found damage ({words}); {frames} frames can be used"),
        ));
    }
    if let Some(gaps) = index.gaps() {
        warnings.push(Remark::new(RemarkCode::Times, gaps));
    }
    let seen = if output.colour || !probe.output().colour {
        ""
    } else {
        "; no picture looked at has any colour, so that only light is read"
    };
    let lossless = LOSSLESS.contains(&probe.codec.as_str());
    notes.push(Remark::new(
        RemarkCode::Lossy,
        if lossless {
            format!("compressed without loss ({}), decoded by ffmpeg{seen}", probe.codec)
        } else {
            format!(
                "compressed with loss ({}), decoded by ffmpeg{seen}; fine detail is gone for good: \
                 record uncompressed next time",
                probe.codec
            )
        },
    ));
    if probe.turned {
        notes.push(Remark::new(
            RemarkCode::OtherStreams,
            "the video asks to be turned when it is shown; frames are used as the sensor gave them",
        ));
    }
    let rate = index.rate_hz();
    Facts {
        format: "video",
        width: output.width,
        height: output.height,
        frames,
        declared_frames: probe.frames.and_then(|n| i64::try_from(n).ok()),
        bit_depth: if output.wide { 16 } else { 8 },
        layout: if output.colour { Layout::Rgb } else { Layout::Mono },
        byte_order: None,
        justification: None,
        duration_s: rate.map(|rate| frames as f64 / rate),
        frame_rate_hz: rate,
        has_times: false,
        start_utc: None,
        start_local: None,
        observer: String::new(),
        instrument: String::new(),
        telescope: String::new(),
        exposure_s: None,
        gain: None,
        warnings,
        notes,
    }
}

fn format_of(output: Output) -> FrameFormat {
    FrameFormat {
        width: output.width,
        height: output.height,
        layout: if output.colour { Layout::Rgb } else { Layout::Mono },
        sample_type: if output.wide { SampleType::U16 } else { SampleType::U8 },
        white: if output.wide { 65_535.0 } else { 255.0 },
    }
}
