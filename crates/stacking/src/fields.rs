//! Where the frames of a survey lie, remembered from one stack to the next.
//!
//! A frame is only aligned where a keep asks for it, so its field depends on the keep that it was aligned for. A stack of
//! a smaller keep can be laid along the same fields: then nothing is aligned anew. Fields are rounded on the way
//! into the memory, and rounded alike where nothing is remembered: what comes of them is the same.

use crate::align::{needed_cells, wanted_cells};
use crate::keep::Ranks;
use std::collections::HashMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use stillwright_seeing::field::Field;
use stillwright_seeing::sharpness::CellGrid;

/// Steps of a remembered displacement to the px. Fewer show: a frame is laid to some hundredths of a px. With more, a
/// displacement of 64 px against the whole frame would not go into two bytes.
const STEPS: f32 = 512.0;

/// Steps of a remembered agreement to 1, and what stands for one that is not known.
const AGREEMENT_STEPS: f32 = 80.0;
const UNKNOWN: u8 = u8::MAX;

/// How a frame lies on the reference.
#[derive(Clone, Debug)]
pub(crate) struct Laid {
    pub field: Field,
    /// How far it agrees with the reference, for each cell of the field (see
    /// [`stillwright_seeing::ripple::RippleWork::agreement`]); empty where nothing is known of it.
    pub agreement: Vec<f32>,
}

/// How one frame lies, where it was asked for.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Noted {
    /// Cells that hold something, a bit each.
    there: Vec<u64>,
    /// What they are displaced by beside the frame as a whole, x and y, in steps.
    steps: Vec<[i16; 2]>,
    /// How far they agree, in steps.
    agreement: Vec<u8>,
}

/// Columns, rows and side (px) of the cells of a field.
type Grid = (usize, usize, usize);

impl Noted {
    /// Note how a frame lies in the cells that are `needed`, told from its shift as a whole. A displacement of more than 64 px
    /// beside that, and an agreement of more than 3, are cut.
    pub fn of(Laid { field, agreement }: &Laid, home: (f32, f32), needed: &[bool]) -> Noted {
        let mut there = vec![0u64; needed.len().div_ceil(64)];
        let (mut steps, mut agrees) = (Vec::new(), Vec::new());
        let step = |d: f32, home: f32| ((d - home) * STEPS).round() as i16;
        for (cell, _) in needed.iter().enumerate().filter(|(_, needed)| **needed) {
            there[cell / 64] |= 1 << (cell % 64);
            steps.push([step(field.x_px[cell], home.0), step(field.y_px[cell], home.1)]);
            agrees.push(match agreement.get(cell) {
                Some(a) if !a.is_nan() => (a * AGREEMENT_STEPS).round().min(240.0) as u8,
                _ => UNKNOWN,
            });
        }
        steps.shrink_to_fit();
        agrees.shrink_to_fit();
        Noted { there, steps, agreement: agrees }
    }

    /// How it lies; cells that were not needed lie where the frame as a whole does, and nothing is known of their agreement.
    pub fn laid(&self, home: (f32, f32), (columns, rows, cell_px): Grid) -> Laid {
        let n = columns * rows;
        let (mut x_px, mut y_px) = (vec![home.0; n], vec![home.1; n]);
        let mut agreement = vec![f32::NAN; n];
        let mut steps = self.steps.iter().zip(&self.agreement);
        for (block, bits) in self.there.iter().enumerate() {
            let mut bits = *bits;
            while bits != 0 {
                let cell = block * 64 + bits.trailing_zeros() as usize;
                bits &= bits - 1;
                if let (Some(([x, y], agrees)), true) = (steps.next(), cell < n) {
                    x_px[cell] = home.0 + f32::from(*x) / STEPS;
                    y_px[cell] = home.1 + f32::from(*y) / STEPS;
                    if *agrees != UNKNOWN {
                        agreement[cell] = f32::from(*agrees) / AGREEMENT_STEPS;
                    }
                }
            }
        }
        Laid { field: Field { cell_px, columns, rows, x_px, y_px }, agreement }
    }

    fn bytes(&self) -> usize {
        let held = size_of_val(&*self.there) + size_of_val(&*self.steps);
        size_of::<Noted>() + held + size_of_val(&*self.agreement)
    }
}

/// Fields of the frames of one survey, of one or several keeps that they were aligned for.
#[derive(Debug)]
pub(crate) struct Fields {
    limit_bytes: usize,
    sets: Mutex<Vec<Set>>,
    found: AtomicUsize,
}

/// Fields of one keep.
#[derive(Debug, Default)]
struct Set {
    /// Frames that each place has at that keep.
    per_place: usize,
    bytes: usize,
    of_frame: HashMap<usize, Arc<Noted>>,
}

impl Fields {
    /// None yet, and never more than `limit_bytes`.
    pub fn new(limit_bytes: usize) -> Fields {
        Fields { limit_bytes, sets: Mutex::default(), found: AtomicUsize::new(0) }
    }

    fn sets(&self) -> MutexGuard<'_, Vec<Set>> {
        self.sets.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Fields that were not known, and found.
    pub fn found(&self) -> usize {
        self.found.load(Ordering::Relaxed)
    }

    /// Whether there are any for `per_place` frames a place.
    pub fn are_there(&self, per_place: usize) -> bool {
        self.sets().iter().any(|set| set.per_place == per_place && !set.of_frame.is_empty())
    }

    /// Turn to those for `per_place` frames a place: they go last when memory runs out.
    fn turn_to(&self, per_place: usize) {
        let mut sets = self.sets();
        let at = sets.iter().position(|set| set.per_place == per_place);
        let set = at.map_or(Set { per_place, ..Set::default() }, |at| sets.remove(at));
        sets.retain(|set| !set.of_frame.is_empty());
        sets.push(set);
    }

    fn get(&self, per_place: usize, index: usize) -> Option<Arc<Noted>> {
        let sets = self.sets();
        let set = sets.iter().find(|set| set.per_place == per_place)?;
        set.of_frame.get(&index).cloned()
    }

    fn put(&self, per_place: usize, index: usize, noted: Arc<Noted>) {
        let mut sets = self.sets();
        let all = |sets: &[Set]| sets.iter().map(|set| set.bytes).sum::<usize>();
        while all(&sets) + noted.bytes() > self.limit_bytes {
            // The one turned to last is the last.
            if sets.len() < 2 {
                return;
            }
            sets.remove(0);
        }
        if let Some(set) = sets.iter_mut().find(|set| set.per_place == per_place) {
            set.bytes += noted.bytes();
            if let Some(before) = set.of_frame.insert(index, noted) {
                set.bytes -= before.bytes();
            }
        }
    }
}

/// How the frames of a stack come by their fields.
pub(crate) struct Laying<'a> {
    fields: &'a Fields,
    ranks: &'a Ranks<'a>,
    per_place: usize,
}

impl<'a> Laying<'a> {
    /// Frames are aligned where any of the bands of `ranks` asks for them, of which each place has `per_place` frames
    /// in all.
    pub fn new(fields: &'a Fields, ranks: &'a Ranks<'a>, per_place: usize) -> Laying<'a> {
        fields.turn_to(per_place);
        Laying { fields, ranks, per_place }
    }

    /// How frame `index` lies, where that is remembered; its scene as a whole lies at `home`.
    pub fn known(&self, index: usize, home: (f32, f32), grid: Grid) -> Option<Laid> {
        self.fields.get(self.per_place, index).map(|noted| noted.laid(home, grid))
    }

    /// How it lies as `align` finds in the cells that are wanted, rounded and remembered.
    ///
    /// # Errors
    /// Those of `align`.
    pub fn found<E>(
        &self,
        index: usize,
        home: (f32, f32),
        cells: &CellGrid,
        grid: Grid,
        align: impl FnOnce(&[bool]) -> Result<Laid, E>,
    ) -> Result<Laid, E> {
        let weights = self.ranks.weights_of_all(index);
        let blank = self.ranks.blank();
        let wanted = wanted_cells(std::slice::from_ref(&weights), cells, blank, grid);
        let laid = align(&wanted)?;
        self.fields.found.fetch_add(1, Ordering::Relaxed);
        let noted = Noted::of(&laid, home, &needed_cells(&weights, cells, grid));
        let laid = noted.laid(home, grid);
        self.fields.put(self.per_place, index, Arc::new(noted));
        Ok(laid)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blend::weight_row;

    /// A field that no rule foretells, near `home`.
    fn field(home: (f32, f32), (columns, rows, cell_px): Grid) -> Field {
        let mut field = Field::constant(columns * cell_px, rows * cell_px, cell_px, home.0, home.1);
        for (cell, (x, y)) in field.x_px.iter_mut().zip(&mut field.y_px).enumerate() {
            *x += 5.0 * ((cell * 7919 % 101) as f32 / 50.0 - 1.0);
            *y += 5.0 * ((cell * 104_729 % 97) as f32 / 48.0 - 1.0);
        }
        field
    }

    #[test]
    fn a_noted_field_is_the_field_wherever_there_is_weight() {
        let home = (31.3, -17.9);
        for (cell_px, side) in [(32, 16), (16, 16), (24, 16), (16, 8), (48, 16)] {
            let (width, height) = (240, 192);
            let grid = (width / side, height / side, side);
            let (columns, rows) = (width / cell_px, height / cell_px);
            let cells = CellGrid { cell_px, columns, rows };
            let weights: Vec<f32> =
                (0..columns * rows).map(|cell| f32::from(u8::from(cell * 37 % 11 < 2))).collect();
            let whole = field(home, grid);
            let needed = needed_cells(&weights, &cells, grid);
            let agreement: Vec<f32> = (0..whole.len()).map(|cell| cell as f32 * 0.01).collect();
            let laid = Laid { field: whole.clone(), agreement };
            let noted = Noted::of(&laid, home, &needed);
            let Laid { field: known, agreement } = noted.laid(home, grid);
            assert_eq!(noted.steps.len(), needed.iter().filter(|needed| **needed).count());
            for (cell, (needed, found)) in needed.iter().zip(&agreement).enumerate() {
                let off = (found - (cell as f32 * 0.01).min(3.0)).abs();
                assert!(if *needed { off <= 0.51 / AGREEMENT_STEPS } else { found.is_nan() });
            }
            let mut seen = 0;
            for scale in [0.5f32, 1.0, 2.0] {
                let (w, h) = ((240.0 * scale) as usize, (192.0 * scale) as usize);
                let mut row = vec![0.0; w];
                for y in 0..h {
                    let at = |i: usize| (i as f32 + 0.5) / scale - 0.5;
                    row.fill(0.0);
                    weight_row(&weights, &cells, at(y), scale, 0, &mut row);
                    for x in (0..w).filter(|x| row[*x] > 0.0) {
                        let (a, b) = (whole.at(at(x), at(y)), known.at(at(x), at(y)));
                        let apart = (a.0 - b.0).abs().max((a.1 - b.1).abs());
                        // Half a step, times what a cubic between two centres can make of it.
                        assert!(
                            apart < 0.8 / STEPS * 1.6,
                            "{cell_px} {side} {scale} ({x}, {y}): {apart}"
                        );
                        seen += 1;
                    }
                }
            }
            assert!(seen > 5000, "{seen}");
        }
    }

    #[test]
    fn displacements_out_of_reach_are_cut() {
        let grid = (2, 1, 16);
        let field =
            Field { x_px: vec![500.0, f32::NAN], ..Field::constant(32, 16, 16, 0.0, -900.0) };
        let laid = Laid { field, agreement: vec![1e9, f32::NAN] };
        let back = Noted::of(&laid, (0.0, 0.0), &[true; 2]).laid((0.0, 0.0), grid);
        assert!(back.agreement[0] == 3.0 && back.agreement[1].is_nan());
        let back = back.field;
        assert_eq!(back.x_px, [i16::MAX as f32 / STEPS, 0.0]);
        assert_eq!(back.y_px, [i16::MIN as f32 / STEPS; 2]);
    }

    #[test]
    fn what_was_turned_to_last_stays_longest() {
        let noted = || {
            let field = Field::constant(64, 64, 16, 0.0, 0.0);
            let laid = Laid { field, agreement: Vec::new() };
            Arc::new(Noted::of(&laid, (0.0, 0.0), &[true; 16]))
        };
        let fields = Fields::new(4 * noted().bytes());
        let known = |per_place| (0..9).filter(|i| fields.get(per_place, *i).is_some()).count();
        fields.turn_to(10);
        (0..2).for_each(|i| fields.put(10, i, noted()));
        fields.turn_to(20);
        (0..2).for_each(|i| fields.put(20, i, noted()));
        assert_eq!((known(10), known(20)), (2, 2));
        fields.turn_to(10);
        (2..6).for_each(|i| fields.put(10, i, noted()));
        assert_eq!((known(10), known(20)), (4, 0));
        assert!(fields.are_there(10) && !fields.are_there(20));
        // Once more of the same frame takes no more room; a set that is not there takes nothing.
        fields.put(10, 0, noted());
        fields.put(20, 0, noted());
        assert_eq!((known(10), known(20)), (4, 0));
        let none = Fields::new(0);
        none.turn_to(5);
        none.put(5, 0, noted());
        assert!(none.get(5, 0).is_none() && !none.are_there(5));
    }
}
