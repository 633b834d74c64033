//! Putting and moving marks, by pointer and by keys.

use super::{Handle, Tool, current};
use crate::lightbox::{Arrangement, Placed, Side};
use crate::state::{Desk, ViewState};
use egui::{CursorIcon, EventFilter, Key, Modifiers, Pos2, Response, Ui, pos2};
use stillwright_night::moon::fix::Px;
use stillwright_night::session::{Command, Entry};
use stillwright_night::sheet::SheetChange;

/// How near to a mark the pointer must be to take it, points.
const NEAR: f32 = 9.0;

/// What became of pointer and keys.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Worked {
    /// The drag belongs to a mark: the ground stays.
    pub drags: bool,
    /// Clicks and arrow keys belong to the instrument.
    pub takes: bool,
}

/// A position of the capture as ground of the lightbox, whose pixels have their edges at whole
/// numbers.
pub fn ground_of(px: Px) -> Pos2 {
    pos2(px.x as f32 + 0.5, px.y as f32 + 0.5)
}

/// Ground of the lightbox as a position of the capture.
pub fn px_of(ground: Pos2) -> Px {
    Px { x: f64::from(ground.x) - 0.5, y: f64::from(ground.y) - 0.5 }
}

/// Marks that can be moved with the tool in hand, in this lightbox, px of the capture.
fn handles(view: &ViewState, entry: &Entry, side: Side) -> Vec<(Handle, Px)> {
    let sheet = &entry.sheet;
    let pairs = sheet.reference.iter().flat_map(|r| r.pairs.iter().enumerate());
    match view.measure.tool {
        None => Vec::new(),
        Some(Tool::Pair) if side == Side::Frame => pairs
            .filter_map(|(i, pair)| {
                Some((Handle::PairReference(i), super::reference::capture_px(entry, pair[1])?))
            })
            .collect(),
        Some(Tool::Pair) => pairs.map(|(i, pair)| (Handle::PairStill(i), pair[0])).collect(),
        Some(Tool::Place) => {
            sheet.places.iter().enumerate().map(|(i, m)| (Handle::Place(i), m.px)).collect()
        }
        Some(Tool::Limb) => {
            sheet.limb.iter().enumerate().map(|(i, px)| (Handle::Limb(i), *px)).collect()
        }
        Some(Tool::Instrument(instrument)) => sheet
            .measurements
            .iter()
            .filter(|m| m.instrument == instrument)
            .flat_map(|m| {
                m.points.iter().enumerate().map(|(i, px)| (Handle::Point(m.number, i), *px))
            })
            .collect(),
    }
}

fn moved(entry: &Entry, handle: Handle, to: Px) -> Option<SheetChange> {
    Some(match handle {
        Handle::Place(index) => SheetChange::MovePlace { index, px: to },
        Handle::Limb(index) => SheetChange::MoveLimb { index, px: to },
        Handle::Point(number, index) => SheetChange::MovePoint { number, index, px: to },
        Handle::PairStill(index) | Handle::PairReference(index) => {
            let pair = *entry.sheet.reference.as_ref()?.pairs.get(index)?;
            let pair = match handle {
                Handle::PairStill(_) => [to, pair[1]],
                _ => [pair[0], super::reference::reference_px(entry, to)?],
            };
            SheetChange::MovePair { index, pair }
        }
    })
}

/// Pointer and keys over a lightbox while an instrument is in the hand.
pub fn work(
    ui: &Ui,
    response: &Response,
    placed: &Placed,
    side: Side,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    entry: &Entry,
) -> Worked {
    let Some(tool) = view.measure.tool else { return Worked::default() };
    if side == Side::Frame && tool != Tool::Pair {
        return Worked::default();
    }
    // Under the wiper both pictures share a lightbox: the line parts them.
    let pointer = response.interact_pointer_pos().or(response.hover_pos());
    let line = placed.area.left() + view.boxes.wiper * placed.area.width();
    let wiped = tool == Tool::Pair && view.arrangement == Arrangement::Wiper;
    let side = if wiped && pointer.is_some_and(|at| at.x < line) { Side::Frame } else { side };
    let id = entry.id;
    let at = |screen: Pos2| px_of(placed.to_ground(screen));
    let near = |view: &ViewState, screen: Pos2| {
        handles(view, entry, side)
            .into_iter()
            .map(|(handle, px)| (handle, placed.to_screen(ground_of(px)).distance(screen)))
            .filter(|(_, away)| *away <= NEAR)
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(handle, _)| handle)
    };

    if let Some(hover) = response.hover_pos() {
        let over = near(view, hover).is_some();
        ui.ctx().set_cursor_icon(if over { CursorIcon::Move } else { CursorIcon::Crosshair });
    }
    if response.drag_started() {
        let from = ui.input(|i| i.pointer.press_origin());
        view.measure.dragged = from.and_then(|from| near(view, from));
    }
    let drags = view.measure.dragged.is_some() && response.dragged();
    if let (Some(handle), Some(pointer)) = (view.measure.dragged, response.interact_pointer_pos())
        && drags
        && let Some(change) = moved(entry, handle, at(pointer))
    {
        desk.send.push(Command::PreviewSheet { id, change });
    }
    if response.drag_stopped() && view.measure.dragged.take().is_some() {
        desk.send.push(Command::Commit);
    }
    if response.clicked() {
        // Enter and Space click where the cross is.
        let px = match response.interact_pointer_pos() {
            Some(pointer) => at(pointer),
            None => cursor(view, entry, placed),
        };
        let ends = response.interact_pointer_pos().is_none()
            && ui.input(|i| i.key_pressed(Key::Enter))
            && current(view, entry).is_some_and(|m| m.points.len() >= m.instrument.fewest());
        if ends {
            view.measure.current = None;
        } else {
            view.measure.cursor.insert(id, px);
            mark(tool, side, px, desk, view, entry);
        }
    }
    if response.has_focus() {
        keys(ui, response, placed, side, desk, view, entry);
    }
    Worked { drags, takes: true }
}

/// Where the cross is; at first in the middle of what is seen.
pub fn cursor(view: &ViewState, entry: &Entry, placed: &Placed) -> Px {
    let middle = || px_of(placed.to_ground(placed.area.center()));
    view.measure.cursor.get(&entry.id).copied().unwrap_or_else(middle)
}

/// Put a mark.
fn mark(tool: Tool, side: Side, px: Px, desk: &mut Desk<'_>, view: &mut ViewState, entry: &Entry) {
    let id = entry.id;
    let change = match tool {
        Tool::Place => SheetChange::AddPlace { px, name: String::new(), place: None },
        Tool::Limb => SheetChange::AddLimb(px),
        Tool::Pair => {
            if side == Side::Frame {
                view.measure.half.1 = super::reference::reference_px(entry, px);
            } else {
                view.measure.half.0 = Some(px);
            }
            let (Some(still), Some(reference)) = view.measure.half else { return };
            view.measure.half = (None, None);
            SheetChange::AddPair([still, reference])
        }
        Tool::Instrument(instrument) => match current(view, entry) {
            Some(measurement) => SheetChange::AddPoint { number: measurement.number, px },
            None => {
                view.measure.current = Some((id, entry.sheet.next_number()));
                SheetChange::Begin { instrument, px }
            }
        },
    };
    desk.send.push(Command::Sheet { id, change });
}

fn keys(
    ui: &Ui,
    response: &Response,
    placed: &Placed,
    side: Side,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    entry: &Entry,
) {
    let filter = EventFilter {
        horizontal_arrows: true,
        vertical_arrows: true,
        escape: true,
        ..EventFilter::default()
    };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    let count = |modifiers, key| ui.input_mut(|i| i.count_and_consume_key(modifiers, key)) as f64;
    let mut by = [0.0, 0.0];
    for (modifiers, points) in [(Modifiers::SHIFT, 10.0), (Modifiers::NONE, 1.0)] {
        by[0] += points * (count(modifiers, Key::ArrowRight) - count(modifiers, Key::ArrowLeft));
        by[1] += points * (count(modifiers, Key::ArrowDown) - count(modifiers, Key::ArrowUp));
    }
    let all = handles(view, entry, side);
    let step = (count(Modifiers::NONE, Key::Period) - count(Modifiers::NONE, Key::Comma)) as i64;
    if step != 0 && !all.is_empty() {
        let held = view.measure.held.filter(|(of, _)| *of == entry.id).map(|(_, handle)| handle);
        let now = held.and_then(|held| all.iter().position(|(handle, _)| *handle == held));
        let n = all.len() as i64;
        let next = match now {
            Some(now) => (now as i64 + step).rem_euclid(n),
            None => {
                if step > 0 {
                    0
                } else {
                    n - 1
                }
            }
        };
        view.measure.held = Some((entry.id, all[next as usize].0));
    }
    let held = view
        .measure
        .held
        .filter(|(of, _)| *of == entry.id)
        .and_then(|(_, handle)| all.iter().find(|(known, _)| *known == handle).copied());
    if by != [0.0, 0.0] {
        // One screen point is what an eye can tell apart.
        let px_per_point = 1.0 / f64::from(placed.zoom.max(1e-6));
        let off = |px: Px| Px { x: px.x + by[0] * px_per_point, y: px.y + by[1] * px_per_point };
        match held {
            Some((handle, px)) => {
                if let Some(change) = moved(entry, handle, off(px)) {
                    desk.send.push(Command::Sheet { id: entry.id, change });
                }
            }
            None => {
                let px = off(cursor(view, entry, placed));
                view.measure.cursor.insert(entry.id, px);
            }
        }
    }
    if count(Modifiers::NONE, Key::Backspace) > 0.0 {
        take_back(desk, view, entry, held.map(|(handle, _)| handle));
    }
    if count(Modifiers::NONE, Key::Escape) > 0.0 && view.measure.held.take().is_none() {
        view.measure.put_away();
    }
}

/// Take the held mark away, or the last one.
fn take_back(desk: &mut Desk<'_>, view: &mut ViewState, entry: &Entry, held: Option<Handle>) {
    let sheet = &entry.sheet;
    let last = || match view.measure.tool? {
        Tool::Place => Some(Handle::Place(sheet.places.len().checked_sub(1)?)),
        Tool::Limb => Some(Handle::Limb(sheet.limb.len().checked_sub(1)?)),
        Tool::Pair => {
            let pairs = &sheet.reference.as_ref()?.pairs;
            Some(Handle::PairStill(pairs.len().checked_sub(1)?))
        }
        Tool::Instrument(instrument) => {
            let of = sheet.measurements.iter().rev().find(|m| m.instrument == instrument)?;
            Some(Handle::Point(of.number, of.points.len().checked_sub(1)?))
        }
    };
    let Some(handle) = held.or_else(last) else { return };
    let change = match handle {
        Handle::Place(index) => SheetChange::RemovePlace(index),
        Handle::Limb(index) => {
            let mut limb = sheet.limb.clone();
            if index < limb.len() {
                limb.remove(index);
            }
            SheetChange::Limb(limb)
        }
        Handle::Point(number, index) => SheetChange::RemovePoint { number, index },
        Handle::PairStill(index) | Handle::PairReference(index) => SheetChange::RemovePair(index),
    };
    view.measure.held = None;
    desk.send.push(Command::Sheet { id: entry.id, change });
}
