//! The reference picture in the left lightbox: laid upon the still's ground once it matches, as large
//! as the ground before.

use egui::{Pos2, Rect, vec2};
use std::sync::Arc;
use stillwright_night::beside::{Mapped, MatchedBy};
use stillwright_night::moon::fix::Px;
use stillwright_night::pyramid::Pyramid;
use stillwright_night::screen::Screen;
use stillwright_night::seeing::beside::{Homography, Mapping};
use stillwright_night::session::Entry;

/// A picture and its place on the ground.
pub struct ReferenceLayer {
    /// Ready to draw.
    pub pyramid: Arc<Pyramid>,
    /// Where it lies.
    pub ground: Rect,
}

fn ground_size(entry: &Entry) -> egui::Vec2 {
    entry.facts.as_ref().map_or(vec2(1.0, 1.0), |f| vec2(f.width as f32, f.height as f32))
}

/// The reference to draw for `entry`, once it is ready.
pub fn layer(entry: &Entry, screen: &Screen) -> Option<ReferenceLayer> {
    let beside = &entry.beside;
    if let Some(laid) = &beside.laid {
        let ground = Rect::from_min_size(Pos2::ZERO, ground_size(entry));
        return Some(ReferenceLayer { pyramid: screen.get(laid)?, ground });
    }
    let loaded = beside.loaded.as_ref()?;
    let ground = unmatched_place(entry)?;
    Some(ReferenceLayer { pyramid: screen.get(&loaded.shown)?, ground })
}

/// Where a reference that is not matched is drawn: in the middle of the ground, as large as it fits.
fn unmatched_place(entry: &Entry) -> Option<Rect> {
    let picture = &entry.beside.loaded.as_ref()?.shown.picture;
    let size = vec2(picture.width() as f32, picture.height() as f32);
    let ground = ground_size(entry);
    let fit = (ground.x / size.x).min(ground.y / size.y);
    Some(Rect::from_center_size((ground / 2.0).to_pos2(), size * fit))
}

/// From capture px to reference px as the reference is drawn now.
fn reference_from_capture(entry: &Entry) -> Option<Mapped> {
    if entry.beside.laid.is_some() {
        return Some(entry.beside.set.as_ref()?.matched.map.clone());
    }
    let picture = &entry.beside.loaded.as_ref()?.shown.picture;
    let place = unmatched_place(entry)?;
    let scale = picture.width() as f64 / f64::from(place.width());
    let corner = [f64::from(place.left()) - 0.5, f64::from(place.top()) - 0.5];
    Some(Mapped::Flat(Homography::similarity(scale, 0.0, corner, [-0.5, -0.5])))
}

/// The position in the reference picture that is drawn at a position of the capture.
pub fn reference_px(entry: &Entry, px: Px) -> Option<Px> {
    let [x, y] = reference_from_capture(entry)?.apply([px.x, px.y]);
    (x.is_finite() && y.is_finite()).then_some(Px { x, y })
}

/// Where a position of the reference picture is drawn, px of the capture.
pub fn capture_px(entry: &Entry, px: Px) -> Option<Px> {
    let [x, y] = reference_from_capture(entry)?.back([px.x, px.y]);
    (x.is_finite() && y.is_finite()).then_some(Px { x, y })
}

/// What stands over the reference: its name, and how it was matched.
pub fn caption(entry: &Entry) -> (String, String) {
    let beside = &entry.beside;
    let name = beside.loaded.as_ref().map_or("", |loaded| loaded.name.as_str());
    let words = match (&beside.set, &beside.laid) {
        (Some(set), Some(_)) => {
            let by = match set.matched.by {
                MatchedBy::Pictures => "matched by itself".to_string(),
                MatchedBy::MarksAndPictures(n) => format!("matched by {n} marks and the pictures"),
                MatchedBy::Marks(n) => format!("matched by {n} marks"),
            };
            let rms = crate::words::with_unit(set.matched.rms_px, "px rms");
            let through = match set.matched.map {
                Mapped::Flat(_) => "",
                Mapped::Sphere(_) => " through the sphere",
            };
            format!("{name} · {by}{through}, {rms}")
        }
        _ if beside.trouble.is_some() => format!("{name} · not matched"),
        _ => format!("{name} · being matched…"),
    };
    ("Reference".into(), words)
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::pos2;

    #[test]
    fn positions_go_to_and_fro() {
        let place = Rect::from_min_size(pos2(10.0, 20.0), vec2(100.0, 50.0));
        let at = place.min;
        let map = Homography::similarity(
            4.0,
            0.0,
            [f64::from(at.x) - 0.5, f64::from(at.y) - 0.5],
            [-0.5, -0.5],
        );
        // The middle of the place is the middle of a picture of 400 x 200 px.
        let there = map.apply([59.5, 44.5]);
        assert!((there[0] - 199.5).abs() < 1e-9 && (there[1] - 99.5).abs() < 1e-9);
    }
}
