//! Sunlight on the ground: who lies in shadow, and how bright the rest is.

use crate::terrain::Terrain;
use rayon::prelude::*;
use std::f32::consts::PI;

/// Apparent diameter of the Sun, rad (0.533 degrees).
const SUN_ACROSS: f32 = 0.0093;
/// Share of Lommel-Seeliger in the mixture with Lambert (the lunar-Lambert law of McEwen 1991,
/// whose share falls from 1 at full phase to about 0.3 to 0.5 at half phase).
const LOMMEL_SEELIGER: f32 = 0.45;

/// The Sun low over the left edge of the picture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sun {
    /// Altitude at the left edge, rad; the terminator lies off to the right.
    pub altitude_left: f32,
    /// Altitude at the right edge, rad.
    pub altitude_right: f32,
    /// How far the Sun stands above the row direction, rad: light falls to the right and, where
    /// this is positive, down.
    pub azimuth: f32,
}

impl Sun {
    fn altitude(&self, column: usize, columns: usize) -> f32 {
        let t = column as f32 / columns as f32;
        self.altitude_left + (self.altitude_right - self.altitude_left) * t
    }
}

/// Brightness of each grid point seen from straight above: 0 in shadow, about 0.1 to 1 in light.
///
/// Shadows are marched along the Sun's direction: the height below which a place is dark is
/// carried from column to column, falling by the tangent of the altitude; its edge is as wide
/// as the Sun's disc makes it. Light scattered by lit ground into the shadows is left out.
pub(crate) fn light(terrain: &Terrain, sun: Sun) -> Vec<f32> {
    let lit = lit_share(terrain, sun);
    let (columns, rows) = (terrain.columns, terrain.rows);
    let height = &terrain.height;
    let half_step = 0.5 * terrain.fine as f32;
    let (sin_azimuth, cos_azimuth) = sun.azimuth.sin_cos();
    let mut out = vec![0.0f32; columns * rows];
    out.par_chunks_mut(columns).enumerate().for_each(|(y, row)| {
        let above = y.saturating_sub(1) * columns;
        let below = (y + 1).min(rows - 1) * columns;
        for (x, value) in row.iter_mut().enumerate() {
            let at = y * columns + x;
            let share = lit[at];
            if share <= 0.0 {
                continue;
            }
            let left = y * columns + x.saturating_sub(1);
            let right = y * columns + (x + 1).min(columns - 1);
            let slope_x = (height[right] - height[left]) * half_step;
            let slope_y = (height[below + x] - height[above + x]) * half_step;
            let (sin, cos) = sun.altitude(x, columns).sin_cos();
            let emission = 1.0 / (1.0 + slope_x * slope_x + slope_y * slope_y).sqrt();
            let across = slope_x * cos_azimuth + slope_y * sin_azimuth;
            let incidence = (sin + across * cos) * emission;
            if incidence > 0.0 {
                let seeliger = 2.0 * incidence / (incidence + emission);
                let law = LOMMEL_SEELIGER * seeliger + (1.0 - LOMMEL_SEELIGER) * incidence;
                *value = terrain.albedo[at] * law * share;
            }
        }
    });
    out
}

/// Share of the Sun's disc that each grid point sees over the ground towards the Sun, 0 to 1
/// (the slope of the point itself aside).
fn lit_share(terrain: &Terrain, sun: Sun) -> Vec<f32> {
    let (columns, rows) = (terrain.columns, terrain.rows);
    let step = 1.0 / terrain.fine as f32;
    let slant = sun.azimuth.clamp(-PI / 4.0, PI / 4.0).tan();
    let path = step * (1.0 + slant * slant).sqrt();
    let mut lit = vec![1.0f32; columns * rows];
    // Per row: height of the shadow's upper edge, and the way from what casts it.
    let mut edge: Vec<f32> = (0..rows).map(|y| terrain.height[y * columns]).collect();
    let mut way = vec![0.0f32; rows];
    let (mut old_edge, mut old_way) = (edge.clone(), way.clone());
    let back = slant.floor() as isize;
    let part = slant - slant.floor();
    for x in 1..columns {
        std::mem::swap(&mut edge, &mut old_edge);
        std::mem::swap(&mut way, &mut old_way);
        // The ray from the Sun's lower limb touches a place first; when a Sun's width more is
        // covered, the place is dark.
        let fall = path * (sun.altitude(x, columns) - SUN_ACROSS / 2.0).tan();
        for y in 0..rows {
            // Where the ray that reaches this point was one column before.
            let near = (y as isize - back).clamp(0, rows as isize - 1) as usize;
            let far = (y as isize - back - 1).clamp(0, rows as isize - 1) as usize;
            let came = old_edge[near] * (1.0 - part) + old_edge[far] * part - fall;
            let ground = terrain.height[y * columns + x];
            if ground >= came {
                (edge[y], way[y]) = (ground, 0.0);
                continue;
            }
            let gone = old_way[near] * (1.0 - part) + old_way[far] * part + path;
            (edge[y], way[y]) = (came, gone);
            let blur = SUN_ACROSS * gone + 0.25 * fall;
            lit[y * columns + x] = (1.0 - (came - ground) / blur).max(0.0);
        }
    }
    lit
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wall of height 4 px at column 20 px on flat ground.
    fn wall() -> Terrain {
        let (fine, columns, rows) = (3, 300, 90);
        let mut height = vec![0.0; columns * rows];
        for row in height.chunks_mut(columns) {
            row[60..63].fill(4.0);
        }
        Terrain { columns, rows, fine, height, albedo: vec![1.0; columns * rows] }
    }

    #[test]
    fn a_shadow_is_as_long_as_the_wall_over_the_tangent() {
        for (degrees, azimuth) in [(8.0f32, 0.0f32), (8.0, 0.3), (15.0, -0.3), (25.0, 0.0)] {
            let altitude = degrees.to_radians();
            let sun = Sun { altitude_left: altitude, altitude_right: altitude, azimuth };
            let light = light(&wall(), sun);
            let row = &light[45 * 300..46 * 300];
            let dark = row[63..].iter().take_while(|v| **v < 0.5 * row[299]).count();
            // Along the row, a ray at an azimuth covers cos(azimuth) of its way.
            let expected = 4.0 / altitude.tan() * azimuth.cos();
            let found = dark as f32 / 3.0;
            assert!((found - expected).abs() < 0.7, "{degrees}: {found} for {expected} px");
        }
    }

    #[test]
    fn flat_ground_follows_the_law() {
        let altitude = 0.2f32;
        let sun = Sun { altitude_left: altitude, altitude_right: altitude, azimuth: 0.1 };
        let mu = altitude.sin();
        let law = LOMMEL_SEELIGER * 2.0 * mu / (1.0 + mu) + (1.0 - LOMMEL_SEELIGER) * mu;
        let light = light(&wall(), sun);
        assert!((light[45 * 300 + 30] - law).abs() < 1e-5);
    }
}
