//! One frame as the camera gave it, and the promise of a reader to fetch it.

use crate::layout::Layout;

/// Width of the stored samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SampleType {
    /// One byte a sample.
    U8,
    /// Two bytes a sample.
    U16,
    /// Four bytes a sample, IEEE float.
    F32,
}

/// What all frames of a capture have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FrameFormat {
    /// Columns, at least 1.
    pub width: usize,
    /// Rows, at least 1.
    pub height: usize,
    /// Colour of the samples as handed out (never [`Layout::Bgr`]).
    pub layout: Layout,
    /// Type of the samples as handed out.
    pub sample_type: SampleType,
    /// The sample value of full scale: 255 for 8 bits, 4095 for 12 bits, 1.0 for floats.
    pub white: f32,
}

impl FrameFormat {
    /// Samples of one frame: width x height x samples per pixel.
    pub fn sample_count(&self) -> usize {
        self.width * self.height * self.layout.samples_per_pixel()
    }
}

/// The samples of a frame, rows from top to bottom, pixels from left to right, colours
/// interleaved (red, green, blue) where a pixel has three. 16-bit samples are in the machine's
/// byte order and right-justified: 0 to [`FrameFormat::white`].
#[derive(Clone, Debug, PartialEq)]
pub enum Samples {
    /// 8-bit samples.
    U8(Vec<u8>),
    /// 9 to 16-bit samples.
    U16(Vec<u16>),
    /// Float samples, full scale 1.0.
    F32(Vec<f32>),
}

impl Samples {
    /// Number of samples.
    pub fn len(&self) -> usize {
        match self {
            Samples::U8(v) => v.len(),
            Samples::U16(v) => v.len(),
            Samples::F32(v) => v.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// One frame: its format and samples. Made once and filled again and again.
#[derive(Clone, Debug, PartialEq)]
pub struct RawFrame {
    /// Format of the samples; always that of the source that filled the frame last.
    pub format: FrameFormat,
    /// The samples, `format.sample_count()` of them.
    pub samples: Samples,
    /// Scratch for readers that decode: contents mean nothing between calls.
    pub bytes: Vec<u8>,
}

impl RawFrame {
    /// A black frame of the given format.
    pub fn black(format: FrameFormat) -> RawFrame {
        let n = format.sample_count();
        let samples = match format.sample_type {
            SampleType::U8 => Samples::U8(vec![0; n]),
            SampleType::U16 => Samples::U16(vec![0; n]),
            SampleType::F32 => Samples::F32(vec![0.0; n]),
        };
        RawFrame { format, samples, bytes: Vec::new() }
    }

    /// Make the samples fit `format`, keeping the allocation where type and size agree.
    /// The contents are unspecified afterwards.
    pub fn reshape(&mut self, format: FrameFormat) {
        let n = format.sample_count();
        match (&mut self.samples, format.sample_type) {
            (Samples::U8(v), SampleType::U8) => v.resize(n, 0),
            (Samples::U16(v), SampleType::U16) => v.resize(n, 0),
            (Samples::F32(v), SampleType::F32) => v.resize(n, 0.0),
            _ => self.samples = RawFrame::black(format).samples,
        }
        self.format = format;
    }
}

/// A frame that could not be had, and why.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("frame {index}: {reason}")]
pub struct FrameError {
    /// Index of the frame, from 0.
    pub index: usize,
    /// What was expected, what was found, where, and what to do.
    pub reason: String,
}

/// Something that hands out frames: a capture file, or a simulation of one.
///
/// Frames can be read in any order and from several threads at once.
pub trait FrameSource: Send + Sync {
    /// Format of every frame.
    fn format(&self) -> FrameFormat;

    /// Number of frames that can be asked for.
    fn frame_count(&self) -> usize;

    /// Read frame `index` (from 0) into `frame`, which is reshaped as needed.
    ///
    /// # Errors
    /// When there is no such frame or its bytes cannot be read; `frame` is then unspecified.
    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reshaping_keeps_the_sample_count_true() {
        let mut format = FrameFormat {
            width: 5,
            height: 3,
            layout: Layout::Rgb,
            sample_type: SampleType::U8,
            white: 255.0,
        };
        let mut frame = RawFrame::black(format);
        assert_eq!(frame.samples.len(), 45);
        format.layout = Layout::Mono;
        format.sample_type = SampleType::U16;
        frame.reshape(format);
        assert_eq!(frame.samples.len(), 15);
        assert!(matches!(frame.samples, Samples::U16(_)));
    }
}
