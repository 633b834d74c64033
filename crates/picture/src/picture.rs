//! A picture: linear light in planes.

use ndarray::{Array2, Array3, ArrayView2, ArrayViewMut2, Axis};

/// One channel: rows, columns; linear light, full scale of the camera at 1.0.
pub type Plane = Array2<f32>;

/// Linear light, ordered channel, row, column.
///
/// Channels are 1 (light) or 3 (red, green, blue). Values are in units of the camera's full
/// scale: 0.0 to 1.0 for what a frame can hold, though sums and sharpened pictures may leave
/// that range. Rows run from top to bottom, columns from left to right; the centre of the
/// first pixel is at (0, 0).
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// The samples, in standard (row-major) order.
    pub planes: Array3<f32>,
}

impl Picture {
    /// A black picture.
    pub fn black(channels: usize, height: usize, width: usize) -> Picture {
        Picture { planes: Array3::zeros((channels, height, width)) }
    }

    /// A picture of one channel.
    pub fn from_plane(plane: Plane) -> Picture {
        Picture { planes: plane.insert_axis(Axis(0)) }
    }

    /// Number of channels.
    pub fn channels(&self) -> usize {
        self.planes.len_of(Axis(0))
    }

    /// Number of rows.
    pub fn height(&self) -> usize {
        self.planes.len_of(Axis(1))
    }

    /// Number of columns.
    pub fn width(&self) -> usize {
        self.planes.len_of(Axis(2))
    }

    /// One channel. Panics when there is no such channel, like any index.
    pub fn plane(&self, channel: usize) -> ArrayView2<'_, f32> {
        self.planes.index_axis(Axis(0), channel)
    }

    /// One channel, to write to. Panics when there is no such channel, like any index.
    pub fn plane_mut(&mut self, channel: usize) -> ArrayViewMut2<'_, f32> {
        self.planes.index_axis_mut(Axis(0), channel)
    }

    /// Light of the picture: the channel itself, or (red + 2 green + blue) / 4, the mean over
    /// the samples of a Bayer cell.
    pub fn luminance(&self) -> Plane {
        if self.channels() == 3 {
            let mut light = self.plane(1).mapv(|v| 0.5 * v);
            light.scaled_add(0.25, &self.plane(0));
            light.scaled_add(0.25, &self.plane(2));
            light
        } else {
            self.plane(0).to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn luminance_weighs_as_a_bayer_cell_does() {
        let mut picture = Picture::black(3, 1, 2);
        picture.plane_mut(0).fill(0.4);
        picture.plane_mut(1).fill(0.2);
        picture.plane_mut(2).fill(0.8);
        assert!(picture.luminance().iter().all(|v| (v - 0.4).abs() < 1e-6));
        let mono = Picture::from_plane(Plane::from_elem((2, 3), 0.7));
        assert_eq!((mono.channels(), mono.height(), mono.width()), (1, 2, 3));
        assert_eq!(mono.luminance(), mono.plane(0));
    }
}
