//! The frames that the person left out by hand.
//!
//! The choice belongs to the recipe, so that the window and the command line honour it alike, and
//! it is applied after the survey: leaving frames out never grades anything anew. Frames that the
//! survey itself refused (blank, clouded, bumped) stay refused.

use serde::{Deserialize, Serialize};
use stillwright_seeing::{Rejection, Survey};

/// Frames `first` to `last`, both included, counted from 0. Written as `[first, last]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(from = "(usize, usize)", into = "(usize, usize)")]
pub struct FrameRange {
    /// First frame.
    pub first: usize,
    /// Last frame.
    pub last: usize,
}

impl FrameRange {
    /// The frames between `a` and `b`, both included, whichever comes first.
    pub fn new(a: usize, b: usize) -> FrameRange {
        FrameRange { first: a.min(b), last: a.max(b) }
    }

    /// One frame.
    pub fn one(index: usize) -> FrameRange {
        FrameRange { first: index, last: index }
    }
}

impl From<(usize, usize)> for FrameRange {
    fn from((first, last): (usize, usize)) -> FrameRange {
        FrameRange { first, last }
    }
}

impl From<FrameRange> for (usize, usize) {
    fn from(range: FrameRange) -> (usize, usize) {
        (range.first, range.last)
    }
}

/// Which frames the person left out: ranges, ascending, none touching another.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FrameChoice {
    /// The ranges left out.
    #[serde(deserialize_with = "tidied")]
    exclude: Vec<FrameRange>,
}

fn tidied<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Vec<FrameRange>, D::Error> {
    let mut choice = FrameChoice::default();
    for range in Vec::<FrameRange>::deserialize(from)? {
        if range.first > range.last {
            return Err(serde::de::Error::custom(format!(
                "frames {} to {} were to be left out: the first must not come after the last",
                range.first, range.last
            )));
        }
        choice.exclude(range);
    }
    Ok(choice.exclude)
}

impl FrameChoice {
    /// The ranges left out, ascending.
    pub fn excluded(&self) -> &[FrameRange] {
        &self.exclude
    }

    /// Whether nothing was left out.
    pub fn is_empty(&self) -> bool {
        self.exclude.is_empty()
    }

    /// Whether the person left frame `index` out.
    pub fn leaves_out(&self, index: usize) -> bool {
        let after = self.exclude.partition_point(|range| range.first <= index);
        after > 0 && self.exclude[after - 1].last >= index
    }

    /// Leave frames out.
    pub fn exclude(&mut self, range: FrameRange) {
        let touches = |r: &FrameRange| {
            r.first <= range.last.saturating_add(1) && range.first <= r.last.saturating_add(1)
        };
        let mut whole = range;
        for r in self.exclude.iter().filter(|r| touches(r)) {
            whole = FrameRange { first: whole.first.min(r.first), last: whole.last.max(r.last) };
        }
        self.exclude.retain(|r| !touches(r));
        let at = self.exclude.partition_point(|r| r.first < whole.first);
        self.exclude.insert(at, whole);
    }

    /// Take frames back in.
    pub fn include(&mut self, range: FrameRange) {
        let mut kept = Vec::with_capacity(self.exclude.len() + 1);
        for r in &self.exclude {
            if r.last < range.first || r.first > range.last {
                kept.push(*r);
                continue;
            }
            if r.first < range.first {
                kept.push(FrameRange { first: r.first, last: range.first - 1 });
            }
            if r.last > range.last {
                kept.push(FrameRange { first: range.last + 1, last: r.last });
            }
        }
        self.exclude = kept;
    }

    /// Mark the frames left out in `survey`; frames that were refused already keep their reason.
    pub fn apply(&self, survey: &mut Survey) {
        let count = survey.frames.len();
        for range in &self.exclude {
            let end = range.last.saturating_add(1).min(count);
            for frame in survey.frames.get_mut(range.first.min(end)..end).unwrap_or_default() {
                frame.rejected.get_or_insert(Rejection::Excluded);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pairs(choice: &FrameChoice) -> Vec<(usize, usize)> {
        choice.excluded().iter().map(|r| (r.first, r.last)).collect()
    }

    #[test]
    fn ranges_merge_when_they_touch_and_part_when_frames_come_back() {
        let mut choice = FrameChoice::default();
        for (a, b) in [(30, 20), (5, 5), (31, 40), (7, 8), (6, 6)] {
            choice.exclude(FrameRange::new(a, b));
        }
        assert_eq!(pairs(&choice), [(5, 8), (20, 40)]);
        choice.include(FrameRange::new(25, 27));
        choice.include(FrameRange::one(5));
        assert_eq!(pairs(&choice), [(6, 8), (20, 24), (28, 40)]);
        for (index, out) in [(5, false), (6, true), (8, true), (9, false), (26, false), (40, true)]
        {
            assert_eq!(choice.leaves_out(index), out, "{index}");
        }
        choice.include(FrameRange::new(0, usize::MAX));
        assert!(choice.is_empty());
        choice.exclude(FrameRange::new(3, usize::MAX));
        choice.exclude(FrameRange::new(0, 2));
        assert_eq!(pairs(&choice), [(0, usize::MAX)]);
    }

    #[test]
    fn what_is_read_is_tidied_and_nonsense_is_named() {
        let choice: FrameChoice = toml::from_str("exclude = [[9, 12], [3, 4], [5, 8]]").unwrap();
        assert_eq!(pairs(&choice), [(3, 12)]);
        let wrong = toml::from_str::<FrameChoice>("exclude = [[9, 2]]").unwrap_err();
        assert!(wrong.to_string().contains("frames 9 to 2"), "{wrong}");
    }
}
