//! A stack that is added up in parts, the best moments of each place first: a smaller keep takes the parts that lie within it as they
//! are, and adds what is left.
//!
//! Weights are linear, so parts of a ranking add up to the whole. To the last bit they do so only if they are always parted alike: the
//! parts are those of what frames are *aligned* for ([`crate::StackSettings::aligned_for`]), whether anything of them is
//! remembered or not. A keep within that is made of whole parts and one that is cut short.

use crate::accumulate::Accumulator;
use crate::drizzle::Drop;
use crate::keep::Ranks;
use crate::stack::StackError;
use crate::watched::{Kept, Watched};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The most that the sums of all parts may take, bytes. Two parts of the usual capture take 65 MiB, of a mosaic of that size 194.
const MOST_BYTES: usize = 256 << 20;

/// Into how many parts a stack of so many samples is divided: 2, or 1 where memory does not allow more. Px on the border of two parts are added
/// to both: processor time of a stack of the usual size at keeps of 20 and 40 % rises by 2 and 4 % with two parts, by 4 and 11 % with four.
pub(crate) fn parts_of(samples: usize) -> usize {
    // Sums and weights of two halves.
    let bytes = samples.saturating_mul(4 * size_of::<f32>());
    if bytes.saturating_mul(2) <= MOST_BYTES { 2 } else { 1 }
}

/// How the ranking of every place is divided: into parts, and at the keep.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Division {
    /// Where bands end, in frames a place; for [`crate::keep::Worth::ranks`].
    pub ends: Vec<usize>,
    /// How many bands are kept.
    pub kept: usize,
    /// The bands of each part.
    parts: Vec<Range<usize>>,
    /// How many parts lie within the keep.
    whole: usize,
    /// Bands that are kept beyond them.
    rest: Range<usize>,
}

impl Division {
    /// Into parts that end at so many frames a place (`edges`, ascending from 1 at least), where `per_place` are kept; no more than the last
    /// part ends at.
    pub fn new(per_place: usize, edges: &[usize]) -> Division {
        let mut ends = edges.to_vec();
        if !edges.contains(&per_place) {
            ends.push(per_place);
            ends.sort_unstable();
        }
        let mut begun = 0;
        let bands = |edge: &usize| {
            let end = ends.iter().filter(|end| **end <= *edge).count();
            begun = end.max(begun);
            begun
        };
        let bands: Vec<usize> = edges.iter().map(bands).collect();
        let from = |part: usize| part.checked_sub(1).map_or(0, |before| bands[before]);
        let parts = (0..edges.len()).map(|part| from(part)..bands[part]).collect();
        let whole = edges.iter().filter(|edge| **edge <= per_place).count();
        let kept = ends.iter().filter(|end| **end <= per_place).count();
        Division { kept, parts, whole, rest: from(whole)..kept, ends }
    }

    /// The frames that are aligned anywhere, in order, each with its half: dealt in turn, those of the first part first, so that its halves are as
    /// even as those of the whole.
    pub fn dealt(&self, ranks: &Ranks<'_>) -> Vec<(usize, usize)> {
        let mut halves = BTreeMap::new();
        for part in &self.parts {
            for index in ranks.used_in(part.clone()) {
                let half = halves.len() % 2;
                halves.entry(index).or_insert(half);
            }
        }
        halves.into_iter().collect()
    }
}

/// What the sums of parts depend on, beside the reference: frames a place at which parts end (the last: what is aligned for), and how samples
/// fall on the output.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Asked {
    pub edges: Vec<usize>,
    pub scale: f32,
    pub drop: Option<Drop>,
}

/// The sums of the parts of the last stack.
#[derive(Default)]
pub(crate) struct Remembered {
    held: Mutex<Option<(Asked, Arc<Vec<Accumulator>>)>>,
    wanted: bool,
}

impl Remembered {
    /// Nothing yet; the sums of the next stack will be.
    pub fn wanted() -> Remembered {
        Remembered { held: Mutex::default(), wanted: true }
    }

    fn held(&self) -> MutexGuard<'_, Option<(Asked, Arc<Vec<Accumulator>>)>> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Those that were asked for like this; others are forgotten.
    fn turn_to(&self, asked: &Asked) -> Option<Arc<Vec<Accumulator>>> {
        let mut held = self.held();
        held.take_if(|(of, _)| of != asked);
        held.as_ref().map(|(_, parts)| Arc::clone(parts))
    }
}

/// Those frames of `dealt` that count in some of the `bands`.
fn frames_in(
    bands: Range<usize>,
    ranks: &Ranks<'_>,
    dealt: &[(usize, usize)],
) -> Vec<(usize, usize)> {
    // Both ascend.
    let mut wanted = ranks.used_in(bands).peekable();
    let there = |(index, _): &&(usize, usize)| wanted.next_if_eq(index).is_some();
    dealt.iter().filter(there).copied().collect()
}

/// What comes of the frames of all parts.
pub(crate) struct Added {
    pub sums: Accumulator,
    /// Kept frames that could not be read.
    pub lost: Vec<usize>,
}

/// Add up what is kept by `division`, from `empty` sums on; frames of either half are those of `dealt`, which has all that were
/// aligned for.
///
/// # Errors
/// When cancelled.
pub(crate) fn add_up(
    division: &Division,
    (ranks, dealt): (&Ranks<'_>, &[(usize, usize)]),
    empty: &dyn Fn() -> Accumulator,
    (remembered, asked): (&Remembered, Asked),
    watched: Watched<'_>,
) -> Result<Added, StackError> {
    let of = |bands| frames_in(bands, ranks, dealt);
    let Division { parts, whole, rest, .. } = division;
    let known = remembered.turn_to(&asked).filter(|known| known.len() == parts.len());
    let first = match (whole, &known) {
        (0, _) | (_, Some(_)) => Vec::new(),
        _ => of(0..division.ends.len()),
    };
    let last = of(rest.clone());
    let steps = first.len() + last.len();
    let watched = Watched { frames: steps, total: steps, ..watched };
    let mut lost = Vec::new();
    let mut sums = match known {
        _ if *whole == 0 => empty(),
        Some(known) => Accumulator::together(&known[..*whole]).unwrap_or_else(empty),
        None => {
            let mut sums: Vec<Accumulator> = parts.iter().map(|_| empty()).collect();
            let chosen = Kept { ranks, parts, frames: &first };
            lost = watched.add(chosen, 0, &mut sums, *whole)?;
            if remembered.wanted && lost.is_empty() && parts.len() > 1 {
                let all = Accumulator::together(&sums[..*whole]).unwrap_or_else(empty);
                *remembered.held() = Some((asked, Arc::new(sums)));
                all
            } else {
                sums.truncate(*whole);
                let mut sums = sums.into_iter();
                let mut all = sums.next().unwrap_or_else(empty);
                sums.for_each(|part| all.absorb(&part));
                all
            }
        }
    };
    if !last.is_empty() {
        let chosen = Kept { ranks, parts: std::slice::from_ref(rest), frames: &last };
        lost.extend(watched.add(chosen, first.len(), std::slice::from_mut(&mut sums), 1)?);
    }
    // Others are of the part that is not kept.
    let kept: Vec<usize> = ranks.used().collect();
    lost.retain(|index| kept.binary_search(index).is_ok());
    Ok(Added { sums, lost })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_keep_is_whole_parts_and_one_cut_short() {
        const EDGES: [usize; 4] = [20, 40, 60, 80];
        let all = Division::new(80, &EDGES);
        assert_eq!((&all.ends[..], all.kept, all.whole), (&EDGES[..], 4, 4));
        assert_eq!((&all.parts[..], &all.rest), (&[0..1, 1..2, 2..3, 3..4][..], &(4..4)));
        let some = Division::new(50, &EDGES);
        assert_eq!((&some.ends[..], some.kept, some.whole), (&[20, 40, 50, 60, 80][..], 3, 2));
        assert_eq!((&some.parts[..], &some.rest), (&[0..1, 1..2, 2..4, 4..5][..], &(2..3)));
        let half = Division::new(40, &EDGES);
        assert_eq!((half.kept, half.whole, half.rest.is_empty()), (2, 2, true));
        let few = Division::new(7, &EDGES);
        assert_eq!((&few.ends[..], few.whole, &few.rest), (&[7, 20, 40, 60, 80][..], 0, &(0..1)));
        let one = Division::new(7, &[80]);
        assert_eq!((&one.ends[..], one.whole, &one.rest), (&[7, 80][..], 0, &(0..1)));
    }

    #[test]
    fn every_division_keeps_each_frame_once() {
        for aligned_for in 1..24 {
            for per_place in 1..=aligned_for {
                for parts in [1, 2, 4] {
                    let edge = |part: usize| (aligned_for * part / parts).max(1);
                    let edges: Vec<usize> = (1..=parts).map(edge).collect();
                    let division = Division::new(per_place, &edges);
                    let Division { ends, kept, parts, whole, rest } = &division;
                    assert!(ends.is_sorted() && ends[0] >= 1, "{division:?}");
                    assert_eq!((ends[kept - 1], ends.last()), (per_place, Some(&aligned_for)));
                    // Parts follow one another, to the end; whole ones and the rest are what is kept.
                    let mut end = 0;
                    for part in parts {
                        assert!(part.start == end && part.end >= part.start, "{division:?}");
                        end = part.end;
                    }
                    assert_eq!(end, ends.len());
                    let before = whole.checked_sub(1).map_or(0, |last| parts[last].end);
                    assert!(rest.end == *kept && rest.start == before.min(*kept), "{division:?}");
                    assert!(before <= *kept, "{division:?}");
                }
            }
        }
    }

    #[test]
    fn large_pictures_are_not_parted() {
        let parts = |width: usize, height: usize, channels| parts_of(width * height * channels);
        assert_eq!((parts(640, 480, 1), parts(1936, 1096, 3)), (2, 2));
        assert_eq!((parts(4144, 2822, 1), parts(usize::MAX, 1, 1)), (1, 1));
    }
}
