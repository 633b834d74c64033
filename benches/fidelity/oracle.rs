//! What alignment could reach at best: the true warp undone.

use stillwright_night::picture::Plane;
use stillwright_night::sample::TrueWarp;
use stillwright_night::seeing::interpolate::{cubic, cubic_taps};
use stillwright_night::seeing::raster::Raster;

/// Motion at the pixel (x, y) of the frame: Catmull-Rom between the nodes, as the simulation does;
/// clamped at the outermost nodes.
pub fn motion(warp: &TrueWarp, x: f32, y: f32) -> [f32; 2] {
    let along = |v: f32, n: usize| {
        let at = (v / warp.spacing_px as f32).clamp(0.0, (n - 1) as f32);
        let whole = at.floor();
        (whole as isize, cubic_taps(at - whole))
    };
    let ((x0, tx), (y0, ty)) = (along(x, warp.columns), along(y, warp.rows));
    let clamped = |k: isize, n: usize| k.clamp(0, n as isize - 1) as usize;
    let mut sum = [0.0; 2];
    for (j, wy) in ty.iter().enumerate() {
        let row = clamped(y0 + j as isize - 1, warp.rows);
        for (i, wx) in tx.iter().enumerate() {
            let node =
                warp.motion_px[row * warp.columns + clamped(x0 + i as isize - 1, warp.columns)];
            sum[0] += wx * wy * node[0];
            sum[1] += wx * wy * node[1];
        }
    }
    sum
}

/// A frame carried onto the unshifted scene, of which pixel (0, 0) of the result shows the point
/// `origin`: the scene's point s is seen at p with p - motion(p) = s.
pub fn undone(frame: &Plane, warp: &TrueWarp, origin: (f32, f32)) -> Plane {
    let source = Raster::of_plane(frame.view());
    Plane::from_shape_fn(frame.dim(), |(y, x)| {
        let (sx, sy) = (x as f32 + origin.0, y as f32 + origin.1);
        let (mut px, mut py) = (sx, sy);
        // The motion changes by a few hundredths a pixel, so this converges at once.
        for _ in 0..4 {
            let [dx, dy] = motion(warp, px, py);
            (px, py) = (sx + dx, sy + dy);
        }
        cubic(&source, f64::from(px), f64::from(py))
    })
}
