//! Which pictures lie in the lightboxes, and where on the ground.
//!
//! A new picture takes a moment to be made ready; until then the last one of the same capture stays,
//! so that nothing flickers.

use egui::{Pos2, Rect, Vec2, pos2, vec2};
use std::sync::Arc;
use stillwright_night::discard::later;
use stillwright_night::picture::Picture;
use stillwright_night::pyramid::Pyramid;
use stillwright_night::screen::Screen;
use stillwright_night::session::{CaptureId, Entry, Session, Shown};

/// A frame in its place.
#[derive(Clone)]
pub struct FrameLayer {
    /// The capture and frame.
    pub frame: (CaptureId, usize),
    /// Ready to draw.
    pub pyramid: Arc<Pyramid>,
    /// Where it lies.
    pub ground: Rect,
    picture: Arc<Picture>,
}

/// The still, and what lies over it.
#[derive(Clone)]
pub struct StillLayer {
    /// Pictures and places, the lowest first.
    pub parts: Vec<(Arc<Pyramid>, Rect)>,
    pictures: Vec<(Arc<Picture>, Rect)>,
}

/// What was drawn last.
#[derive(Default)]
pub struct Layers {
    frame: Option<FrameLayer>,
    base: Option<(CaptureId, Part)>,
    preview: Option<(CaptureId, Part)>,
}

#[derive(Clone)]
struct Part {
    pyramid: Arc<Pyramid>,
    ground: Rect,
    picture: Arc<Picture>,
}

impl Layers {
    /// The frame to draw for `entry`.
    pub fn frame(
        &mut self,
        session: &Session,
        entry: &Entry,
        screen: &Screen,
    ) -> Option<FrameLayer> {
        if let Some(shown) = session.frame()
            && shown.capture == entry.id
            && let Some(pyramid) = screen.get(&shown.shown)
        {
            let size = vec2(pyramid.width() as f32, pyramid.height() as f32);
            let corner = pos2(-shown.shift.x_px, -shown.shift.y_px);
            let layer = FrameLayer {
                frame: (shown.capture, shown.index),
                pyramid,
                ground: Rect::from_min_size(corner, size),
                picture: Arc::clone(&shown.shown.picture),
            };
            // Asked at every frame of the window; most are the picture that is there.
            if self.frame.as_ref().is_none_or(|now| !Arc::ptr_eq(&now.pyramid, &layer.pyramid)) {
                later(self.frame.replace(layer));
            } else {
                self.frame = Some(layer);
            }
        }
        self.frame.clone().filter(|layer| layer.frame.0 == entry.id)
    }

    /// The still to draw for `entry`: the preview over the last whole one, or a stack that is
    /// coming together.
    pub fn still(&mut self, entry: &Entry, screen: &Screen) -> Option<StillLayer> {
        let whole = entry.still.as_ref().map(|still| &still.shown);
        let base = whole.or(entry.partial.as_ref().map(|partial| &partial.shown));
        match base {
            None => let_go(&mut self.base),
            Some(shown) => {
                if let Some(part) = whole_part(shown, entry, screen) {
                    lay(&mut self.base, entry.id, part);
                }
            }
        }
        let preview = entry.preview.as_ref().filter(|preview| preview.is_current(entry));
        match preview {
            None => let_go(&mut self.preview),
            Some(preview) => {
                if let Some(pyramid) = screen.get(&preview.shown) {
                    let scale = entry.recipe.stack.scale.max(0.1);
                    let region = preview.region;
                    let corner = pos2(region.left as f32, region.top as f32) / scale;
                    let size = vec2(region.width as f32, region.height as f32) / scale;
                    let ground = Rect::from_min_size(corner, size);
                    let picture = Arc::clone(&preview.shown.picture);
                    lay(&mut self.preview, entry.id, Part { pyramid, ground, picture });
                }
            }
        }
        let own = |part: &Option<(CaptureId, Part)>| {
            part.as_ref().filter(|(id, _)| *id == entry.id).map(|(_, part)| part.clone())
        };
        let parts: Vec<Part> =
            [own(&self.base), own(&self.preview)].into_iter().flatten().collect();
        if parts.is_empty() {
            return None;
        }
        Some(StillLayer {
            parts: parts.iter().map(|part| (Arc::clone(&part.pyramid), part.ground)).collect(),
            pictures: parts.into_iter().map(|part| (part.picture, part.ground)).collect(),
        })
    }
}

/// Lay a part in its place; one that it takes the place of is let go of elsewhere.
fn lay(place: &mut Option<(CaptureId, Part)>, id: CaptureId, part: Part) {
    if place.as_ref().is_some_and(|(_, now)| Arc::ptr_eq(&now.pyramid, &part.pyramid)) {
        *place = Some((id, part));
    } else {
        later(place.replace((id, part)));
    }
}

fn let_go(place: &mut Option<(CaptureId, Part)>) {
    if let Some(part) = place.take() {
        later(part);
    }
}

/// A picture that covers the whole ground, whatever its scale.
fn whole_part(shown: &Shown, entry: &Entry, screen: &Screen) -> Option<Part> {
    let pyramid = screen.get(shown)?;
    let facts = entry.facts.as_ref()?;
    let ground = Rect::from_min_size(Pos2::ZERO, vec2(facts.width as f32, facts.height as f32));
    Some(Part { pyramid, ground, picture: Arc::clone(&shown.picture) })
}

/// Values of `picture`, which covers `place`, at a point of the ground.
fn values_at(picture: &Picture, place: Rect, ground: Pos2) -> Option<Vec<f32>> {
    let share: Vec2 = (ground - place.min) / place.size();
    let column = (share.x * picture.width() as f32).floor();
    let row = (share.y * picture.height() as f32).floor();
    if column < 0.0 || row < 0.0 {
        return None;
    }
    let at = (row as usize, column as usize);
    (0..picture.channels()).map(|channel| picture.plane(channel).get(at).copied()).collect()
}

impl FrameLayer {
    /// Values at a point of the ground; none where the frame does not reach.
    pub fn values(&self, ground: Pos2) -> Vec<f32> {
        values_at(&self.picture, self.ground, ground).unwrap_or_default()
    }
}

impl StillLayer {
    /// Values at a point of the ground, of the uppermost picture there.
    pub fn values(&self, ground: Pos2) -> Vec<f32> {
        let uppermost = self.pictures.iter().rev();
        uppermost
            .filter(|(_, place)| place.contains(ground))
            .find_map(|(picture, place)| values_at(picture, *place, ground))
            .unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_night::picture::Plane;

    #[test]
    fn the_readout_finds_the_pixel() {
        let plane = Plane::from_shape_fn((4, 8), |(y, x)| (10 * y + x) as f32);
        let picture = Picture::from_plane(plane);
        // Twice the pixels of the ground, shifted by half a pixel of it.
        let place = Rect::from_min_size(pos2(0.5, 0.0), vec2(4.0, 2.0));
        assert_eq!(values_at(&picture, place, pos2(0.6, 0.1)), Some(vec![0.0]));
        assert_eq!(values_at(&picture, place, pos2(1.1, 0.6)), Some(vec![11.0]));
        assert_eq!(values_at(&picture, place, pos2(0.2, 0.1)), None);
        assert_eq!(values_at(&picture, place, pos2(4.6, 0.1)), None);
    }
}
