//! Frames of a video in any order, each checked against the index.

use super::child::{Failure, Watched, decoding};
use super::index::{Index, checksum};
use super::{Input, Output, format_of};
use std::collections::VecDeque;
use std::io::{self, Read};
use std::process::ChildStdout;
use std::sync::{Arc, Mutex};
use stillwright_capture::{Capture, Facts, Ticks};
use stillwright_picture::{
    FrameError, FrameFormat, FrameSource, Progress, RawFrame, Samples, Stage,
};

/// Decoders that may run at once. Each holds the codec's own memory.
const MOST_DECODERS: usize = 3;

/// Frames that are decoded and thrown away rather than starting anew nearer to the wanted one.
const WORTH_STARTING: usize = 100;

/// Bytes of recent frames that are kept: frames are asked for out of order by a few at a time.
const RECENT_BYTES: usize = 192 << 20;

/// Frames looked at for colour, from the beginning.
const LOOKED_AT: usize = 8;

/// How far red, green and blue may differ in a picture without colour: coding of the colour
/// differences leaves a step or two.
const NEUTRAL: u8 = 3;

/// A decoder that is on its way through the video.
struct Decoder {
    watched: Watched,
    /// Frame that comes next.
    next: usize,
}

struct State {
    decoders: Vec<Decoder>,
    recent: VecDeque<(usize, Arc<Vec<u8>>)>,
    /// Whether taking up in the midst has given a wrong frame: then decoding begins at the start.
    from_start: bool,
}

/// An open video.
pub(super) struct VideoCapture {
    input: Input,
    output: Output,
    index: Index,
    facts: Facts,
    state: Mutex<State>,
}

/// Cut frames of `bytes` out of what a decoder writes; a last part of one is dropped.
fn frame_by_frame(
    bytes: usize,
) -> impl FnMut(&mut ChildStdout) -> io::Result<Option<Vec<u8>>> + Send + 'static {
    move |stdout| {
        let mut frame = vec![0; bytes];
        match stdout.read_exact(&mut frame) {
            Ok(()) => Ok(Some(frame)),
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(None),
            Err(error) => Err(error),
        }
    }
}

fn start(input: &Input, output: Output, from_s: Option<f64>) -> Result<Watched, Failure> {
    let mut arguments = decoding(input, output, from_s);
    arguments.extend(["-f", "rawvideo", "pipe:1"].map(Into::into));
    Watched::start("ffmpeg", arguments, 2, frame_by_frame(output.frame_bytes()))
}

/// Whether any of the first frames has colour.
pub(super) fn has_colour(
    input: &Input,
    output: Output,
    progress: &dyn Progress,
) -> Result<bool, Failure> {
    let eight = Output { colour: true, wide: false, ..output };
    let mut decoder = start(input, eight, None)?;
    for _ in 0..LOOKED_AT {
        let glance = || progress.advance(Stage::Opening, 0, 0);
        let Some(frame) = decoder.next(glance)? else { break };
        let differ = |c: &[u8]| c[0].max(c[1]).max(c[2]) - c[0].min(c[1]).min(c[2]);
        if frame.chunks_exact(3).any(|c| differ(c) > NEUTRAL) {
            return Ok(true);
        }
    }
    Ok(false)
}

impl VideoCapture {
    pub(super) fn new(input: Input, output: Output, index: Index, facts: Facts) -> VideoCapture {
        let state = State { decoders: Vec::new(), recent: VecDeque::new(), from_start: false };
        VideoCapture { input, output, index, facts, state: Mutex::new(state) }
    }

    /// The stored bytes of a frame.
    fn fetch(&self, state: &mut State, index: usize) -> Result<Arc<Vec<u8>>, String> {
        if let Some((_, frame)) = state.recent.iter().find(|(known, _)| *known == index) {
            return Ok(Arc::clone(frame));
        }
        // Once more from the start, when taking up in the midst went wrong.
        for _ in 0..2 {
            let mut decoder = match self.nearest(state, index) {
                Some(decoder) => decoder,
                None => self.begin(state, index)?,
            };
            match self.forward(state, &mut decoder, index) {
                Ok(frame) => {
                    state.decoders.push(decoder);
                    return Ok(frame);
                }
                Err(words) if state.from_start => return Err(words),
                Err(_) => {
                    state.from_start = true;
                    state.decoders.clear();
                }
            }
        }
        Err("the decoder gives other frames than before; has the file changed?".into())
    }

    /// A decoder that is shortly before `index`.
    fn nearest(&self, state: &mut State, index: usize) -> Option<Decoder> {
        let reach = if state.from_start { usize::MAX } else { WORTH_STARTING };
        let before =
            |decoder: &Decoder| index.checked_sub(decoder.next).filter(|gap| *gap <= reach);
        let (place, _) = state
            .decoders
            .iter()
            .enumerate()
            .filter_map(|(place, decoder)| Some((place, before(decoder)?)))
            .min_by_key(|(_, gap)| *gap)?;
        Some(state.decoders.remove(place))
    }

    /// A new decoder at `index`, or at the start.
    fn begin(&self, state: &mut State, index: usize) -> Result<Decoder, String> {
        while state.decoders.len() >= MOST_DECODERS {
            // The one that was used longest ago stands first.
            state.decoders.remove(0);
        }
        let times = &self.index.frames;
        let midst = (index > 0 && !state.from_start).then(|| {
            // Half way from the frame before, so that rounding tips it neither way.
            (times[index - 1].time_s + times[index].time_s) / 2.0 - times[0].time_s
        });
        let from_s = midst.filter(|seconds| *seconds > 0.0);
        let watched = start(&self.input, self.output, from_s).map_err(|failure| match failure {
            Failure::Missing(what) => format!("{what} is not installed any more"),
            Failure::Said(words) => words,
            Failure::Cancelled => "stopped".into(),
        })?;
        Ok(Decoder { watched, next: if from_s.is_some() { index } else { 0 } })
    }

    /// Decode up to `index`, checking and keeping what comes on the way.
    fn forward(
        &self,
        state: &mut State,
        decoder: &mut Decoder,
        index: usize,
    ) -> Result<Arc<Vec<u8>>, String> {
        loop {
            let frame = match decoder.watched.next(|| Ok(())) {
                Ok(Some(frame)) => frame,
                Ok(None) => return Err("the decoder ended before this frame".into()),
                Err(Failure::Said(words)) => return Err(words),
                Err(_) => return Err("the decoder was stopped".into()),
            };
            let at = decoder.next;
            decoder.next += 1;
            let known = self.index.frames.get(at).map(|indexed| indexed.sum);
            if known != Some(checksum(&frame)) {
                return Err("the decoder gave another frame than when the video was opened; has \
                            the file changed?"
                    .into());
            }
            let frame = Arc::new(frame);
            let room = (RECENT_BYTES / self.output.frame_bytes().max(1)).clamp(2, 256);
            while state.recent.len() >= room {
                state.recent.pop_front();
            }
            state.recent.push_back((at, Arc::clone(&frame)));
            if at == index {
                return Ok(frame);
            }
        }
    }
}

impl FrameSource for VideoCapture {
    fn format(&self) -> FrameFormat {
        format_of(self.output)
    }

    fn frame_count(&self) -> usize {
        self.index.frames.len()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        let count = self.frame_count();
        if index >= count {
            let reason = format!("the capture holds {count} whole frames, counted from 0");
            return Err(FrameError { index, reason });
        }
        let stored = {
            let mut state = self.state.lock().unwrap_or_else(|broken| broken.into_inner());
            self.fetch(&mut state, index).map_err(|reason| FrameError { index, reason })?
        };
        frame.reshape(self.format());
        match &mut frame.samples {
            Samples::U8(samples) => samples.copy_from_slice(&stored),
            Samples::U16(samples) => {
                for (sample, pair) in samples.iter_mut().zip(stored.as_chunks::<2>().0) {
                    *sample = u16::from_le_bytes(*pair);
                }
            }
            Samples::F32(_) => {}
        }
        Ok(())
    }
}

impl Capture for VideoCapture {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn time_utc(&self, _index: usize) -> Option<Ticks> {
        None
    }
}
