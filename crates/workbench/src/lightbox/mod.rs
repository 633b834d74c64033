//! The two lightboxes: the frame under the chart's cursor, and the still.
//!
//! They show the same ground at the same scale, and share zoom and pan. Side by side, with a line
//! between them that is dragged, or in turn.

mod captions;
mod layers;
mod maps;
mod overlay;
mod tiles;
mod view;

pub use captions::detail_words;
use layers::Layers;
pub use maps::{KINDS as MAP_KINDS, words_of as map_words};
pub use tiles::TileStore;
pub use view::{GroundView, Placed};

use crate::instruments;
use crate::state::{Desk, ViewState};
use crate::theme::{Light, Tokens};
use egui::{
    CursorIcon, EventFilter, Key, Modifiers, Pos2, Rect, Role, Sense, Stroke, Ui, Vec2, WidgetInfo,
    pos2, vec2,
};
use layers::{FrameLayer, StillLayer};
use overlay::OverlayCache;
use std::time::Duration;
use stillwright_night::screen::Screen;
use stillwright_night::session::{CaptureId, Command, Entry, MapKind};
use stillwright_night::stacking::halves::Region;

/// How frame and still are set out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrangement {
    /// Beside each other.
    SideBySide,
    /// One over the other, parted by a line.
    Wiper,
    /// In turn.
    Blink,
}

impl Arrangement {
    /// All, with their names.
    pub const ALL: [(Arrangement, &'static str, &'static str); 3] = [
        (
            Arrangement::SideBySide,
            "Side by side",
            "The frame on the left, the still on the right, the same ground in both.",
        ),
        (Arrangement::Wiper, "Wiper", "One over the other: drag the line across."),
        (Arrangement::Blink, "Blink", "One after the other, twice in three seconds."),
    ];
}

/// Time that each picture is shown while blinking.
const BLINK: Duration = Duration::from_millis(750);

/// Which of the two pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The frame.
    Frame,
    /// The still.
    Still,
}

/// What is under the pointer.
#[derive(Clone, Debug, PartialEq)]
pub struct Readout {
    /// In which picture.
    pub side: Side,
    /// Column and row, px of the capture.
    pub at: (i64, i64),
    /// Value or values, share of full scale.
    pub values: Vec<f32>,
    /// Distance from the picture's middle on the sky.
    pub arcsec: Option<f64>,
    /// The ground there, a few words each; none without a fix.
    pub more: Vec<String>,
}

/// What the lightboxes remember.
pub struct BoxState {
    layers: Layers,
    overlay: OverlayCache,
    maps: maps::MapCache,
    /// Where the wiper's line is, share of the width.
    pub wiper: f32,
    /// Where the lightbox (the left one of two) was drawn last.
    pub area: Option<Rect>,
}

impl Default for BoxState {
    fn default() -> Self {
        BoxState {
            layers: Layers::default(),
            overlay: OverlayCache::default(),
            maps: maps::MapCache::default(),
            wiper: 0.5,
            area: None,
        }
    }
}

/// What draws pictures.
pub struct Easel<'a> {
    /// Makes pictures ready.
    pub screen: &'a Screen,
    /// Keeps them as textures.
    pub tiles: &'a mut TileStore,
}

/// Everything about the capture that is drawn.
struct Scene<'a> {
    entry: &'a Entry,
    frame: Option<FrameLayer>,
    still: Option<StillLayer>,
    reference: Option<instruments::ReferenceLayer>,
    /// Whether the reference takes the frame's place.
    compares: bool,
    ground: Vec2,
    light: Light,
    /// What is laid over the still.
    laid: Option<MapKind>,
}

/// Draw the lightboxes into `area`.
pub fn show(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    easel: &mut Easel<'_>,
) {
    ui.painter().rect_filled(area, 0, tokens.surround);
    view.readout = None;
    let session = desk.session;
    let Some(entry) = session.selected() else { return };
    let (width, height) = entry.facts.as_ref().map_or((0, 0), |facts| (facts.width, facts.height));
    let scene = Scene {
        entry,
        frame: view.boxes.layers.frame(session, entry, easel.screen),
        still: view.boxes.layers.still(entry, easel.screen),
        reference: instruments::layer(entry, easel.screen),
        compares: view.measure.compares(entry),
        ground: vec2(width as f32, height as f32),
        light: view.light,
        laid: session.laid(),
    };
    match view.arrangement {
        Arrangement::SideBySide => {
            let middle = area.center().x.round();
            let left = Rect::from_min_max(area.min, pos2(middle - 1.0, area.bottom()));
            let right = Rect::from_min_max(pos2(middle, area.top()), area.max);
            for (side, rect) in [(Side::Frame, left), (Side::Still, right)] {
                let (placed, focus) = interact(ui, rect, side, desk, view, &scene);
                draw(ui, &placed, rect, side, view, easel, &scene);
                let painter = ui.painter().with_clip_rect(rect);
                instruments::draw(&painter, &placed, side, tokens, view, entry, focus);
                focus_ring(ui, rect, tokens, focus);
                captions::caption(ui, rect, tokens, desk, view, &scene, side, false);
                if side == Side::Still {
                    maps::scale(ui, rect, tokens, &scene);
                    captions::still_state(ui, rect, tokens, desk, &scene);
                }
                if side == Side::Frame {
                    captions::scale_bar(ui, &placed, tokens, entry);
                }
            }
            let line = if tokens.dark { tokens.line } else { tokens.edge };
            ui.painter().vline(middle - 0.5, area.y_range(), Stroke::new(1.0, line));
        }
        Arrangement::Wiper => {
            let (placed, focus) = interact(ui, area, Side::Still, desk, view, &scene);
            let x = (area.left() + view.boxes.wiper * area.width()).round();
            let left = Rect::from_min_max(area.min, pos2(x, area.bottom()));
            let right = Rect::from_min_max(pos2(x, area.top()), area.max);
            draw(ui, &placed, left, Side::Frame, view, easel, &scene);
            draw(ui, &placed, right, Side::Still, view, easel, &scene);
            for (side, part) in [(Side::Frame, left), (Side::Still, right)] {
                let painter = ui.painter().with_clip_rect(part);
                instruments::draw(&painter, &placed, side, tokens, view, entry, focus);
            }
            captions::caption(ui, area, tokens, desk, view, &scene, Side::Frame, false);
            captions::caption(ui, area, tokens, desk, view, &scene, Side::Still, true);
            captions::scale_bar(ui, &placed, tokens, entry);
            wiper(ui, area, x, tokens, view);
            focus_ring(ui, area, tokens, focus);
            maps::scale(ui, area, tokens, &scene);
            captions::still_state(ui, area, tokens, desk, &scene);
        }
        Arrangement::Blink => {
            let (placed, focus) = interact(ui, area, Side::Still, desk, view, &scene);
            let turn = (ui.input(|i| i.time) / BLINK.as_secs_f64()) as u64;
            let side = if turn.is_multiple_of(2) { Side::Frame } else { Side::Still };
            draw(ui, &placed, area, side, view, easel, &scene);
            let painter = ui.painter().with_clip_rect(area);
            instruments::draw(&painter, &placed, side, tokens, view, entry, focus);
            captions::caption(ui, area, tokens, desk, view, &scene, side, false);
            captions::scale_bar(ui, &placed, tokens, entry);
            maps::scale(ui, area, tokens, &scene);
            captions::still_state(ui, area, tokens, desk, &scene);
            focus_ring(ui, area, tokens, focus);
            ui.ctx().request_repaint_after(BLINK / 4);
        }
    }
    if entry.facts.is_none() {
        return;
    }
    if view.tiles {
        overlay::legend(ui, area, tokens, view.light);
    }
    captions::controls(ui, area, tokens, desk, view);
}

/// The part of the still that lies in `seen` ground, px of the still.
fn region_of(seen: Rect, ground: Vec2, scale: f32) -> Option<Region> {
    let seen = seen.intersect(Rect::from_min_size(Pos2::ZERO, ground));
    if !seen.is_positive() {
        return None;
    }
    let first = |v: f32| (v * scale).floor().max(0.0) as usize;
    let (left, top) = (first(seen.left()), first(seen.top()));
    let most = ground * scale;
    let end = |v: f32, most: f32| ((v * scale).ceil().min(most.round())) as usize;
    let width = end(seen.right(), most.x).saturating_sub(left);
    let height = end(seen.bottom(), most.y).saturating_sub(top);
    (width > 0 && height > 0).then_some(Region { left, top, width, height })
}

/// Zoom, pan, readout; tells the session which part of the still is looked at. Also whether keys
/// go to this picture.
fn interact(
    ui: &mut Ui,
    rect: Rect,
    side: Side,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    scene: &Scene<'_>,
) -> (Placed, bool) {
    let name = match side {
        Side::Frame => "Frame",
        Side::Still => "Still",
    };
    let id: CaptureId = scene.entry.id;
    let response =
        ui.interact(rect, ui.scope_id().with(("lightbox", name)), Sense::click_and_drag());
    let ground = scene.ground;
    let mut seen = view.ground.get(&id).copied().unwrap_or_default();
    let mut placed = seen.place(rect, ground);
    let worked = instruments::work(ui, &response, &placed, side, desk, view, scene.entry);
    if response.dragged() && !worked.drags {
        seen.pan(&placed, ground, response.drag_delta());
    }
    let pixel = 1.0 / ui.pixels_per_point();
    if response.double_clicked() && !worked.takes {
        let at = response.interact_pointer_pos().unwrap_or(rect.center());
        if seen.zoom.is_some() {
            seen = GroundView::default();
        } else {
            seen.zoom_to(&placed, ground, pixel, at);
        }
    }
    if response.contains_pointer() {
        let (scroll, pinch) = ui.input(|i| (i.smooth_scroll_delta().y, i.zoom_delta()));
        let factor = (scroll / 240.0).exp() * pinch;
        if (factor - 1.0).abs() > 1e-4 {
            placed = seen.place(rect, ground);
            let at = ui.input(|i| i.pointer.hover_pos()).unwrap_or(rect.center());
            seen.zoom_to(&placed, ground, placed.zoom * factor, at);
        }
    }
    if response.has_focus() && !worked.takes {
        let filter = EventFilter {
            horizontal_arrows: true,
            vertical_arrows: true,
            ..EventFilter::default()
        };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        let key = |key| ui.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key)) as f32;
        let step = vec2(
            key(Key::ArrowLeft) - key(Key::ArrowRight),
            key(Key::ArrowUp) - key(Key::ArrowDown),
        );
        if step != Vec2::ZERO {
            placed = seen.place(rect, ground);
            seen.pan(&placed, ground, 48.0 * step);
        }
    }
    view.ground.insert(id, seen);
    view.boxes.area = Some(rect);
    placed = seen.place(rect, ground);
    if response.dragged() && !worked.drags {
        ui.ctx().set_cursor_icon(CursorIcon::Grabbing);
    }
    if let Some(at) = response.hover_pos() {
        view.readout = read(&placed, at, side, view, scene);
    }
    if side == Side::Still {
        let scale = scene.entry.recipe.stack.scale;
        let look = (id, region_of(placed.seen(), ground, scale));
        if view.looked_at != Some(look) && scene.entry.stacked.is_some() {
            view.looked_at = Some(look);
            desk.send.push(Command::LookAt { id, region: look.1 });
        }
    }
    let words = match side {
        Side::Frame => format!("Frame {} of {}", view.frame_of(scene.entry) + 1, scene.entry.name),
        Side::Still => format!("Still of {}", scene.entry.name),
    };
    let words = match side {
        Side::Frame if scene.compares => format!("Reference beside {}", scene.entry.name),
        _ => words,
    };
    response.widget_info(|| WidgetInfo::labeled(Role::Image, ui.is_enabled(), &words));
    (placed, response.has_focus())
}

/// Shows that keys go to this picture.
fn focus_ring(ui: &Ui, rect: Rect, tokens: &Tokens, focus: bool) {
    if focus {
        let stroke = Stroke::new(1.0, tokens.chosen);
        ui.painter().rect_stroke(rect.shrink(1.0), 2, stroke, egui::StrokeKind::Inside);
    }
}

fn read(
    placed: &Placed,
    at: Pos2,
    side: Side,
    view: &ViewState,
    scene: &Scene<'_>,
) -> Option<Readout> {
    // Over the wiper and while blinking it is told which picture is under the pointer.
    let side = match view.arrangement {
        Arrangement::Wiper => {
            let share = (at.x - placed.area.left()) / placed.area.width();
            if share < view.boxes.wiper { Side::Frame } else { Side::Still }
        }
        _ => side,
    };
    let ground = placed.to_ground(at);
    if !Rect::from_min_size(Pos2::ZERO, scene.ground).contains(ground) {
        return None;
    }
    let values = match side {
        Side::Frame => scene.frame.as_ref().map(|layer| layer.values(ground)),
        Side::Still => scene.still.as_ref().map(|layer| layer.values(ground)),
    };
    let scale = scene.entry.optics.map(|optics| optics.pixel_arcsec);
    let off = ground - (scene.ground / 2.0).to_pos2();
    Some(Readout {
        side,
        at: (ground.x.floor() as i64, ground.y.floor() as i64),
        values: values.unwrap_or_default(),
        arcsec: scale.map(|scale| f64::from(off.length()) * scale),
        more: maps::readout(scene, side, ground)
            .into_iter()
            .chain(captions::place_readout(scene.entry, ground))
            .collect(),
    })
}

fn draw(
    ui: &Ui,
    placed: &Placed,
    clip: Rect,
    side: Side,
    view: &mut ViewState,
    easel: &mut Easel<'_>,
    scene: &Scene<'_>,
) {
    let painter = ui.painter().with_clip_rect(clip.intersect(ui.clip_rect()));
    let red = scene.light == Light::Red;
    match side {
        Side::Frame if scene.compares => {
            if let Some(layer) = &scene.reference {
                let place = placed.rect_to_screen(layer.ground);
                easel.tiles.draw(&painter, &layer.pyramid, place, red);
            }
        }
        Side::Frame => {
            if let Some(layer) = &scene.frame {
                let place = placed.rect_to_screen(layer.ground);
                easel.tiles.draw(&painter, &layer.pyramid, place, red);
            }
            if view.tiles {
                let index = view.frame_of(scene.entry);
                view.boxes.overlay.draw(&painter, placed, scene.entry, index, scene.light);
            }
        }
        Side::Still => {
            let Some(layer) = &scene.still else { return };
            for (pyramid, ground) in &layer.parts {
                easel.tiles.draw(&painter, pyramid, placed.rect_to_screen(*ground), red);
            }
            maps::draw(&painter, placed, &mut view.boxes.maps, scene);
        }
    }
}

/// The line between frame and still.
fn wiper(ui: &mut Ui, area: Rect, x: f32, tokens: &Tokens, view: &mut ViewState) {
    let grip = Rect::from_center_size(pos2(x, area.center().y), vec2(16.0, area.height()));
    let response = ui.interact(grip, ui.scope_id().with("wiper"), Sense::click_and_drag());
    let mut share = view.boxes.wiper;
    if let Some(at) = response.interact_pointer_pos()
        && response.dragged()
    {
        share = (at.x - area.left()) / area.width();
    }
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        let key = |key| ui.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key)) as f32;
        share += 0.02 * (key(Key::ArrowRight) - key(Key::ArrowLeft));
    }
    view.boxes.wiper = share.clamp(0.02, 0.98);
    if response.hovered() || response.dragged() {
        ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
    }
    let painter = ui.painter();
    let active = response.hovered() || response.dragged() || response.has_focus();
    painter.vline(x, area.y_range(), Stroke::new(if active { 2.0 } else { 1.0 }, tokens.chosen));
    let knob = Rect::from_center_size(pos2(x, area.center().y), vec2(8.0, 32.0));
    painter.rect_filled(knob, 4.0, tokens.chosen);
    let percent = f64::from(100.0 * view.boxes.wiper).round();
    response.widget_info(|| WidgetInfo::slider(true, percent, "Wiper between frame and still"));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_part_looked_at_is_cut_to_the_still() {
        let ground = vec2(300.0, 200.0);
        let all = Rect::from_min_size(pos2(-50.0, -50.0), vec2(1000.0, 1000.0));
        assert_eq!(
            region_of(all, ground, 1.5),
            Some(Region { left: 0, top: 0, width: 450, height: 300 })
        );
        let part = Rect::from_min_max(pos2(10.2, 20.7), pos2(30.1, 40.0));
        assert_eq!(
            region_of(part, ground, 1.0),
            Some(Region { left: 10, top: 20, width: 21, height: 20 })
        );
        let beside = Rect::from_min_max(pos2(400.0, 0.0), pos2(500.0, 10.0));
        assert_eq!(region_of(beside, ground, 1.0), None);
    }
}
