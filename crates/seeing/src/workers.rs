//! Buffers of those who look at frames, lent and given back: memory that is warm is not asked for anew.

use crate::hot::HotPixels;
use crate::luminance::{Level, LightRows, Luminance, level, own_smoothing};
use crate::raster::Raster;
use crate::scene::TrackerWork;
use crate::sharpness::SharpnessMeter;
use std::sync::Mutex;
use stillwright_picture::{FrameError, FrameSource, RawFrame};

/// Things that are used again. The one that was given back last is lent first; where there is none, a new one is made.
#[derive(Debug)]
pub(crate) struct Pool<T> {
    idle: Mutex<Vec<T>>,
}

impl<T> Default for Pool<T> {
    fn default() -> Self {
        Pool { idle: Mutex::default() }
    }
}

impl<T: Default> Pool<T> {
    /// Borrow one; its contents mean nothing.
    pub fn take(&self) -> T {
        self.idle.lock().ok().and_then(|mut idle| idle.pop()).unwrap_or_default()
    }

    /// Give it back.
    pub fn give(&self, one: T) {
        if let Ok(mut idle) = self.idle.lock() {
            idle.push(one);
        }
    }
}

/// Buffers of one worker.
#[derive(Default)]
pub(crate) struct Worker {
    frame: Option<RawFrame>,
    luminance: Luminance,
    pub reduced: Raster,
    /// What the scene is looked for in, where that is made of the frame itself.
    pub compared: Raster,
    pub tracker: TrackerWork,
    meter: Option<SharpnessMeter>,
}

impl Worker {
    /// Read frame `index` and mend it.
    pub fn load(
        &mut self,
        source: &dyn FrameSource,
        index: usize,
        hot: &HotPixels,
    ) -> Result<(), FrameError> {
        let frame = self.frame.get_or_insert_with(|| RawFrame::black(source.format()));
        source.read_frame(index, frame)?;
        hot.mend(frame);
        Ok(())
    }

    /// Leave the reduced light of the frame that was loaded last in `reduced`.
    pub fn reduce(&mut self, factor: usize) {
        if let Some(frame) = &self.frame {
            self.luminance.reduced(frame, factor, &mut self.reduced);
        }
    }

    /// The same, in `compared`.
    pub fn reduce_to_compare(&mut self, factor: usize) {
        if let Some(frame) = &self.frame {
            self.luminance.reduced(frame, factor, &mut self.compared);
        }
    }

    /// Level of the frame that was loaded last, and its meter, ready to measure it.
    pub fn meter(&mut self) -> Option<(Level, LightRows<'_>, &mut SharpnessMeter)> {
        let frame = self.frame.as_ref()?;
        let layout = frame.format.layout;
        let rows = self.luminance.rows(frame);
        let meter = self.meter.get_or_insert_with(|| SharpnessMeter::new(&own_smoothing(layout)));
        Some((level(frame, &rows), rows, meter))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_given_back_is_lent_again() {
        let pool: Pool<Vec<u8>> = Pool::default();
        let mut one = pool.take();
        one.extend([1, 2, 3]);
        let memory = one.as_ptr();
        pool.give(one);
        let (again, other) = (pool.take(), pool.take());
        assert_eq!(again.as_ptr(), memory);
        assert_eq!(other.capacity(), 0);
    }
}
