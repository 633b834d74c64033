//! Tiles of the frame coloured by how sharp the air let them be.

use super::Placed;
use crate::colour_map::ColourMap;
use crate::theme::{Light, Tokens, small};
use egui::{
    Align2, Color32, ColorImage, Painter, Pos2, Rect, TextureHandle, TextureOptions, Ui, pos2, vec2,
};
use std::sync::Arc;
use stillwright_night::session::{Entry, Graded};

/// How much of the picture shows through.
const OPACITY: f32 = 0.5;

/// The last overlay, and what it was made of.
#[derive(Default)]
pub struct OverlayCache {
    made: Option<Made>,
}

struct Made {
    graded: Arc<Graded>,
    index: usize,
    light: Light,
    texture: TextureHandle,
}

/// Grade of a cell against its own mean over the capture as a share of the map: a third of the
/// mean is 0, the mean one half, three times the mean 1.
fn share_of(grade: f32) -> f32 {
    0.5 * (grade.max(1e-3).log(3.0) + 1.0)
}

impl OverlayCache {
    /// Draw the cells of frame `index`.
    pub fn draw(
        &mut self,
        painter: &Painter,
        placed: &Placed,
        entry: &Entry,
        index: usize,
        light: Light,
    ) {
        let Some(graded) = &entry.graded else { return };
        let cells = graded.survey.cells;
        let n = cells.len();
        let Some(grades) = graded.survey.cell_grades.get(index * n..(index + 1) * n) else {
            return;
        };
        let fits = self.made.as_ref().is_some_and(|made| {
            Arc::ptr_eq(&made.graded, graded) && made.index == index && made.light == light
        });
        if !fits {
            let map = ColourMap::new(light);
            let colour = |grade: &f32| {
                if grade.is_finite() {
                    map.at(share_of(*grade)).gamma_multiply(OPACITY)
                } else {
                    Color32::TRANSPARENT
                }
            };
            let pixels = grades.iter().map(colour).collect();
            let image = ColorImage::new([cells.columns, cells.rows], pixels);
            let texture = painter.ctx().load_texture("tiles", image, TextureOptions::NEAREST);
            self.made = Some(Made { graded: Arc::clone(graded), index, light, texture });
        }
        let Some(made) = &self.made else { return };
        let side = cells.cell_px as f32;
        let size = vec2(cells.columns as f32, cells.rows as f32) * side;
        let place = placed.rect_to_screen(Rect::from_min_size(Pos2::ZERO, size));
        let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
        painter.image(made.texture.id(), place, whole, Color32::WHITE);
    }
}

/// What the colours mean.
pub fn legend(ui: &Ui, area: Rect, tokens: &Tokens, light: Light) {
    const WIDTH: f32 = 192.0;
    let map = ColourMap::new(light);
    let frame =
        Rect::from_min_size(pos2(area.left() + 16.0, area.top() + 48.0), vec2(WIDTH + 24.0, 64.0));
    let painter = ui.painter();
    painter.rect_filled(frame, 6.0, tokens.veil);
    let words = "How sharp the air was here";
    painter.text(frame.min + vec2(12.0, 8.0), Align2::LEFT_TOP, words, small(), tokens.on_veil);
    let bar = Rect::from_min_size(frame.min + vec2(12.0, 26.0), vec2(WIDTH, 8.0));
    let steps = 56;
    for step in 0..steps {
        let x = bar.left() + WIDTH * step as f32 / steps as f32;
        let part = Rect::from_min_size(pos2(x, bar.top()), vec2(WIDTH / steps as f32 + 0.5, 8.0));
        painter.rect_filled(part, 0, map.at(step as f32 / (steps - 1) as f32));
    }
    let y = bar.bottom() + 4.0;
    for (x, align, words) in [
        (bar.left(), Align2::LEFT_TOP, "a third"),
        (bar.center().x, Align2::CENTER_TOP, "as usual"),
        (bar.right(), Align2::RIGHT_TOP, "three times"),
    ] {
        painter.text(pos2(x, y), align, words, small(), tokens.on_veil_quiet);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_usual_and_three_times_are_ends_and_middle() {
        for (grade, share) in [(1.0 / 3.0, 0.0), (1.0, 0.5), (3.0, 1.0)] {
            assert!((share_of(grade) - share).abs() < 1e-6);
        }
        assert!(share_of(0.0).is_finite() && share_of(-3.0).is_finite());
    }
}
