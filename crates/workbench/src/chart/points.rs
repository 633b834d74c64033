//! Many points as one mesh, made anew only when something about them changes.

use super::Heights;
use crate::theme::Light;
use egui::epaint::{Vertex, WHITE_UV};
use egui::{Color32, Mesh, Pos2, Rect, Shape, pos2, vec2};
use std::sync::Arc;
use stillwright_night::session::Chart;

/// Above this number points are squares: they lie so close that nobody sees their shape.
const MOST_ROUND: usize = 4000;

/// Colours of the points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointColours {
    /// Kept frames.
    pub kept: Color32,
    /// Usable frames that are not kept.
    pub other: Color32,
    /// Frames that take no part.
    pub out: Color32,
}

/// The last mesh, and what it was made of.
#[derive(Default)]
pub struct PointsCache {
    made: Option<Made>,
}

struct Made {
    chart: Arc<Chart>,
    plot: Rect,
    light: Light,
    mesh: Arc<Mesh>,
}

impl PointsCache {
    /// The points of `chart` in `plot`.
    pub(super) fn shape(
        &mut self,
        chart: &Arc<Chart>,
        plot: Rect,
        light: Light,
        colours: PointColours,
    ) -> Shape {
        if let Some(made) = &self.made
            && Arc::ptr_eq(&made.chart, chart)
            && made.plot == plot
            && made.light == light
        {
            return Shape::Mesh(Arc::clone(&made.mesh));
        }
        let mesh = Arc::new(mesh_of(chart, plot, colours));
        self.made = Some(Made { chart: Arc::clone(chart), plot, light, mesh: Arc::clone(&mesh) });
        Shape::Mesh(mesh)
    }
}

/// Where frame `index` of `count` stands along the time axis.
pub(super) fn x_of(plot: Rect, index: usize, count: usize) -> f32 {
    let last = count.saturating_sub(1).max(1) as f32;
    plot.left() + 3.0 + index as f32 / last * (plot.width() - 6.0)
}

/// Which of `count` frames stands at `x`.
pub(super) fn index_at(plot: Rect, x: f32, count: usize) -> usize {
    let last = count.saturating_sub(1);
    let share = ((x - plot.left() - 3.0) / (plot.width() - 6.0).max(1.0)).clamp(0.0, 1.0);
    ((share * last as f32).round() as usize).min(last)
}

fn mesh_of(chart: &Chart, plot: Rect, colours: PointColours) -> Mesh {
    let heights = Heights::of(chart);
    let count = chart.frames;
    let round = count <= MOST_ROUND;
    let mut mesh = Mesh::default();
    // The kept last, so that they lie on top.
    for kept in [false, true] {
        for point in chart.points.iter().filter(|point| point.kept == kept) {
            let (radius, colour) = match (point.rejected, kept) {
                (Some(_), _) => (1.2, colours.out),
                (None, true) => (1.9, colours.kept),
                (None, false) => (1.5, colours.other),
            };
            let at = pos2(x_of(plot, point.index, count), heights.y(plot, point.grade));
            if round {
                disc(&mut mesh, at, radius, colour);
            } else {
                let rect = Rect::from_center_size(at, vec2(radius, radius));
                mesh.add_colored_rect(rect, colour);
            }
        }
    }
    mesh
}

/// An eight-sided disc with a soft rim of 1 px.
fn disc(mesh: &mut Mesh, at: Pos2, radius: f32, colour: Color32) {
    const SIDES: u32 = 8;
    let first = mesh.vertices.len() as u32;
    for side in 0..SIDES {
        let (sin, cos) = (side as f32 * std::f32::consts::TAU / SIDES as f32).sin_cos();
        for (r, color) in [(radius - 0.5, colour), (radius + 0.5, Color32::TRANSPARENT)] {
            mesh.vertices.push(Vertex { pos: at + r * vec2(cos, sin), uv: WHITE_UV, color });
        }
    }
    for side in 0..SIDES {
        let here = first + 2 * side;
        let next = first + 2 * ((side + 1) % SIDES);
        mesh.add_triangle(here, here + 1, next);
        mesh.add_triangle(here + 1, next + 1, next);
        if side > 0 && side + 1 < SIDES {
            mesh.add_triangle(first, here, next);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_and_places_agree() {
        let plot = Rect::from_min_size(pos2(10.0, 0.0), vec2(500.0, 100.0));
        for count in [1, 2, 7, 300] {
            for index in 0..count {
                assert_eq!(index_at(plot, x_of(plot, index, count), count), index);
            }
        }
        assert_eq!(index_at(plot, -1e9, 300), 0);
        assert_eq!(index_at(plot, 1e9, 300), 299);
        assert_eq!(index_at(plot, 100.0, 0), 0);
    }
}
