//! How long our own code holds the window up, frame by frame.

use std::time::{Duration, Instant};
use stillwright_night::memory::thread_time;

/// Upper ends of the bins, ms; the last bin has none.
const BINS_MS: [f64; 9] = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 33.0, 50.0, 100.0];

/// Times of frames: what is spent in taking results in and in drawing, without the graphics
/// driver's part.
#[derive(Clone, Debug, Default)]
pub struct Pace {
    counts: [u64; BINS_MS.len() + 1],
    worst: Duration,
    total: Duration,
    frames: u64,
    logic: Duration,
    /// Whether processor time is looked at too, what it was when the frame began, and the most of a frame.
    busy: Option<Busy>,
}

/// Processor time of frames: what others on a busy machine take is not in it.
#[derive(Clone, Copy, Debug, Default)]
struct Busy {
    begun: Option<Duration>,
    worst: Duration,
}

impl Pace {
    /// Look at processor time, too.
    pub fn watch_processor(&mut self) {
        self.busy = Some(Busy::default());
    }

    /// A frame begins.
    pub fn begin(&mut self) {
        if let Some(busy) = &mut self.busy {
            busy.begun = thread_time();
        }
    }

    /// The part of a frame before drawing took this long.
    pub fn logic(&mut self, since: Instant) {
        self.logic += since.elapsed();
    }

    /// A frame was drawn, begun at `since`.
    pub fn frame(&mut self, since: Instant) {
        let took = since.elapsed() + std::mem::take(&mut self.logic);
        let ms = took.as_secs_f64() * 1e3;
        let bin = BINS_MS.iter().position(|end| ms < *end).unwrap_or(BINS_MS.len());
        self.counts[bin] += 1;
        self.worst = self.worst.max(took);
        self.total += took;
        self.frames += 1;
        if let Some(busy) = &mut self.busy
            && let (Some(begun), Some(now)) = (busy.begun.take(), thread_time())
        {
            busy.worst = busy.worst.max(now.saturating_sub(begun));
        }
    }

    /// Frames so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The longest.
    pub fn worst(&self) -> Duration {
        self.worst
    }

    /// The histogram as text.
    pub fn report(&self) -> String {
        let ms = |time: Duration| time.as_secs_f64() * 1e3;
        let mean = if self.frames == 0 { 0.0 } else { ms(self.total) / self.frames as f64 };
        let mut text = format!(
            "{} frames, our own code: mean {mean:.2} ms, worst {:.2} ms\n",
            self.frames,
            ms(self.worst)
        );
        if let Some(busy) = self.busy {
            let worst = ms(busy.worst);
            text.push_str(&format!("processor time of one frame: at most {worst:.0} ms\n"));
        }
        let mut from = 0.0;
        for (bin, count) in self.counts.iter().enumerate() {
            let range = match BINS_MS.get(bin) {
                Some(to) => format!("{from:>5} to {to:>5} ms"),
                None => format!("{from:>5} ms and more"),
            };
            text.push_str(&format!("{range:<18} {count}\n"));
            from = BINS_MS.get(bin).copied().unwrap_or(from);
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_are_counted_where_they_belong() {
        let mut pace = Pace::default();
        let now = Instant::now();
        pace.frame(now);
        pace.frame(now.checked_sub(Duration::from_millis(40)).unwrap_or(now));
        assert_eq!(pace.frames(), 2);
        assert!(pace.worst() >= Duration::from_millis(40));
        let report = pace.report();
        assert!(report.starts_with("2 frames"), "{report}");
        assert!(report.contains("   33 to    50 ms  1"), "{report}");
    }
}
