//! What part of the ground is seen, and how large: shared by both lightboxes.
//!
//! Ground is measured in pixels of the capture's reference frame, edges at whole numbers: the
//! still of scale 2 has twice the pixels and fills the same ground.

use egui::{Pos2, Rect, Vec2, vec2};

/// Most screen pixels for one pixel of the capture.
const MOST_ZOOM: f32 = 32.0;

/// The part of the ground that is seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GroundView {
    /// The ground in the middle of the lightbox; meaningless while `zoom` is `None`.
    pub centre: Pos2,
    /// Points of the screen for one pixel of the capture; `None`: as large as fits.
    pub zoom: Option<f32>,
}

impl Default for GroundView {
    fn default() -> Self {
        GroundView { centre: Pos2::ZERO, zoom: None }
    }
}

/// The view made definite for a lightbox and a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Where the lightbox is on the screen.
    pub area: Rect,
    /// The ground in its middle.
    pub centre: Pos2,
    /// Points of the screen for one pixel of the capture.
    pub zoom: f32,
}

impl Placed {
    /// Where `ground` lies on the screen.
    pub fn to_screen(self, ground: Pos2) -> Pos2 {
        self.area.center() + (ground - self.centre) * self.zoom
    }

    /// Which ground lies at `screen`.
    pub fn to_ground(self, screen: Pos2) -> Pos2 {
        self.centre + (screen - self.area.center()) / self.zoom
    }

    /// A part of the ground on the screen.
    pub fn rect_to_screen(&self, ground: Rect) -> Rect {
        Rect::from_min_max(self.to_screen(ground.min), self.to_screen(ground.max))
    }

    /// The ground that is seen.
    pub fn seen(&self) -> Rect {
        Rect::from_min_max(self.to_ground(self.area.min), self.to_ground(self.area.max))
    }
}

impl GroundView {
    /// The zoom at which `ground` fits into `area`.
    fn fitting(area: Rect, ground: Vec2) -> f32 {
        let zoom = (area.width() / ground.x.max(1.0)).min(area.height() / ground.y.max(1.0));
        zoom.max(1e-4)
    }

    /// The view in a lightbox at `area` of a picture that is `ground` large.
    pub fn place(&self, area: Rect, ground: Vec2) -> Placed {
        match self.zoom {
            None => {
                Placed { area, centre: (ground / 2.0).to_pos2(), zoom: Self::fitting(area, ground) }
            }
            Some(zoom) => Placed { area, centre: self.centre, zoom },
        }
    }

    /// Make `zoom` the zoom, `fixed` on the screen staying where it is.
    pub fn zoom_to(&mut self, placed: &Placed, ground: Vec2, zoom: f32, fixed: Pos2) {
        let least = 0.5 * Self::fitting(placed.area, ground);
        let zoom = zoom.clamp(least.min(MOST_ZOOM), MOST_ZOOM.max(least));
        let under = placed.to_ground(fixed);
        self.centre = under - (fixed - placed.area.center()) / zoom;
        self.zoom = Some(zoom);
        self.hold(ground);
    }

    /// Drag the ground by `by` points.
    pub fn pan(&mut self, placed: &Placed, ground: Vec2, by: Vec2) {
        self.centre = placed.centre - by / placed.zoom;
        self.zoom = Some(placed.zoom);
        self.hold(ground);
    }

    /// The middle of the lightbox stays on the picture, so that it cannot be lost.
    fn hold(&mut self, ground: Vec2) {
        self.centre = self.centre.clamp(Pos2::ZERO, vec2(ground.x, ground.y).to_pos2());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::pos2;

    const AREA: Rect = Rect { min: pos2(100.0, 50.0), max: pos2(500.0, 350.0) };
    const GROUND: Vec2 = vec2(800.0, 400.0);

    #[test]
    fn the_whole_picture_fits_at_first() {
        let placed = GroundView::default().place(AREA, GROUND);
        assert_eq!(placed.zoom, 0.5);
        assert_eq!(placed.to_screen(pos2(400.0, 200.0)), AREA.center());
        assert!(placed.seen().contains_rect(Rect::from_min_size(Pos2::ZERO, GROUND)));
    }

    #[test]
    fn zooming_keeps_what_is_under_the_pointer() {
        let mut view = GroundView::default();
        let pointer = pos2(180.0, 220.0);
        let before = view.place(AREA, GROUND).to_ground(pointer);
        for factor in [1.5, 2.0, 3.0, 0.7] {
            let placed = view.place(AREA, GROUND);
            view.zoom_to(&placed, GROUND, placed.zoom * factor, pointer);
            let after = view.place(AREA, GROUND).to_ground(pointer);
            assert!((after - before).length() < 0.01, "{after:?} {before:?}");
        }
        let placed = view.place(AREA, GROUND);
        view.zoom_to(&placed, GROUND, 1e9, pointer);
        assert_eq!(view.zoom, Some(MOST_ZOOM));
    }

    #[test]
    fn the_picture_cannot_be_lost() {
        let mut view = GroundView::default();
        for by in [vec2(1e6, 0.0), vec2(-1e6, 1e6), vec2(0.0, -1e7)] {
            let placed = view.place(AREA, GROUND);
            view.pan(&placed, GROUND, by);
            let middle = view.place(AREA, GROUND).centre;
            assert!(Rect::from_min_size(Pos2::ZERO, GROUND).contains(middle));
        }
    }

    #[test]
    fn screen_and_ground_are_inverse() {
        let placed = Placed { area: AREA, centre: pos2(17.0, 31.0), zoom: 3.0 };
        let there = placed.to_screen(pos2(5.0, 6.0));
        assert!((placed.to_ground(there) - pos2(5.0, 6.0)).length() < 1e-4);
    }
}
