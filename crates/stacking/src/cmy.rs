//! Mosaics of cyan, magenta and yellow.
//!
//! Their cell has two yellow samples where a Bayer cell has two green ones, so they are stacked as
//! Bayer mosaics are, each colour from its own samples; red, green and blue are worked out of the stack, not of
//! frames, for the step is linear and noise has sunk by then.
//!
//! Ideal filters let two of three primaries through each: cyan green and blue, magenta red and blue, yellow
//! red and green. With each as the mean of its two, `red = magenta + yellow - cyan`,
//! `green = cyan + yellow - magenta`, `blue = cyan + magenta - yellow`; grey stays what it is, and noise of
//! equal size in all three grows by the square root of 3. Common practice, no source: real filters leak, and what
//! the matrix leaves of that, the colour balance has to mend.

use crate::dispersion::{channel_offsets, laid_together};
use crate::stack::Stack;
use stillwright_picture::{
    BayerOrder, CmyOrder, FrameError, FrameFormat, FrameSource, Layout, Picture, RawFrame,
};

/// The Bayer order with cyan for red, yellow for green, magenta for blue.
fn bayer_like(order: CmyOrder) -> BayerOrder {
    match order {
        CmyOrder::Cyym => BayerOrder::Rggb,
        CmyOrder::Ycmy => BayerOrder::Grbg,
        CmyOrder::Ymcy => BayerOrder::Gbrg,
        CmyOrder::Myyc => BayerOrder::Bggr,
    }
}

/// Frames of a cyan, magenta, yellow mosaic under the name of the Bayer mosaic with the same cell.
pub(crate) struct AsBayer<'a> {
    source: &'a dyn FrameSource,
    layout: Layout,
}

impl<'a> AsBayer<'a> {
    /// `None` where the frames have other colours.
    pub(crate) fn of(source: &'a dyn FrameSource) -> Option<AsBayer<'a>> {
        match source.format().layout {
            Layout::Cmy(order) => {
                Some(AsBayer { source, layout: Layout::Bayer(bayer_like(order)) })
            }
            _ => None,
        }
    }
}

impl FrameSource for AsBayer<'_> {
    fn format(&self) -> FrameFormat {
        FrameFormat { layout: self.layout, ..self.source.format() }
    }

    fn frame_count(&self) -> usize {
        self.source.frame_count()
    }

    fn read_frame(&self, index: usize, frame: &mut RawFrame) -> Result<(), FrameError> {
        self.source.read_frame(index, frame)?;
        frame.format.layout = self.layout;
        Ok(())
    }
}

/// Cyan, yellow, magenta to red, green, blue.
pub(crate) fn to_rgb(mut picture: Picture) -> Picture {
    for mut pixel in picture.planes.lanes_mut(ndarray::Axis(0)) {
        if pixel.len() == 3 {
            let (cyan, yellow, magenta) = (pixel[0], pixel[1], pixel[2]);
            pixel[0] = magenta + yellow - cyan;
            pixel[1] = cyan + yellow - magenta;
            pixel[2] = cyan + magenta - yellow;
        }
    }
    picture
}

/// Noise of red, green and blue, each of which is a sum and difference of all three.
fn noise_to_rgb(mut noise: Picture) -> Picture {
    for mut pixel in noise.planes.lanes_mut(ndarray::Axis(0)) {
        let all = pixel.iter().map(|v| v * v).sum::<f32>().sqrt();
        pixel.fill(all);
    }
    noise
}

/// A stack of cyan, yellow and magenta as one of red, green and blue, laid back on one another where the air
/// drew them apart. That could not be done before: each sample holds two primaries.
pub(crate) fn stack_to_rgb(stack: Stack) -> Stack {
    let Stack { picture, halves, noise, scale, .. } = stack;
    let picture = to_rgb(picture);
    let halves = halves.map(to_rgb);
    let offsets = channel_offsets(&picture, &halves);
    Stack {
        picture: laid_together(&picture, &offsets),
        halves: halves.map(|half| laid_together(&half, &offsets)),
        noise: noise_to_rgb(noise),
        channel_offsets_px: offsets.map(|(x, y)| (x / scale, y / scale)),
        ..stack
    }
}
