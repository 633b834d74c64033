//! A still with its measurements drawn into it: a further picture, for showing.

use super::findings::Findings;
use super::measurement::{Instrument, Measurement};
use crate::canvas::{Anchor, Canvas, MARKED, MEASURED, WHITE};
use stillwright_moon::fix::{Fix, Px};
use stillwright_moon::vector::{cross, scale, unit};
use stillwright_moon::{LunarPoint, MOON_RADIUS_KM};
use stillwright_picture::Picture;

/// `still` (0 black, 1 white; `still_scale` pixels per pixel of the capture) with marks, values,
/// and a scale bar.
pub fn measured_picture(still: &Picture, still_scale: f64, findings: &Findings) -> Picture {
    let mut canvas = Canvas::new(still.width(), still.height(), [0.0; 3]);
    canvas.lay(still, 0, 0, (0.0, 1.0));
    // Letters as large as one reads on a whole page.
    let size = (still.width().max(still.height()) as f64 / 70.0).clamp(12.0, 48.0);
    let thick = (size / 10.0).max(1.2);
    let on_still = |px: Px| ((px.x + 0.5) * still_scale - 0.5, (px.y + 0.5) * still_scale - 0.5);
    for measurement in &findings.sheet.measurements {
        for outline in outlines(measurement, findings) {
            let points: Vec<(f64, f64)> = outline.iter().map(|px| on_still(*px)).collect();
            canvas.path(&points, false, thick, MEASURED);
        }
        for point in &measurement.points {
            canvas.cross(on_still(*point), 0.5 * size, thick, MARKED);
        }
        let Some(Ok(reading)) = findings.reading(measurement.number) else { continue };
        let Some(lowest) = measurement.points.iter().copied().max_by(|a, b| a.y.total_cmp(&b.y))
        else {
            continue;
        };
        let (x, y) = on_still(lowest);
        let words = format!("{}: {}", measurement.name, reading.headline());
        let half = 0.5 * canvas.words_width(&words, size) + size;
        let x = x
            .clamp(half.min(0.5 * canvas.width() as f64), (canvas.width() as f64 - half).max(half));
        let y = (y + 1.6 * size).min(canvas.height() as f64 - size);
        canvas.veiled(&words, (x, y), size, Anchor::Middle, WHITE);
    }
    let longest = 0.25 * still.width() as f64 / still_scale;
    if let Some(bar) = findings.scale_bar(longest) {
        let at = (1.5 * size, canvas.height() as f64 - 1.2 * size);
        let words = format!("{} km", bar.km);
        canvas.scale_bar(at, bar.px * still_scale, &words, size);
    }
    canvas.into_picture()
}

/// Lines that show a measurement, px of the capture: the line itself, the fitted circle, the fitted
/// ellipse.
pub fn outlines(measurement: &Measurement, findings: &Findings) -> Vec<Vec<Px>> {
    use super::reading::Reading;
    let line = || vec![measurement.points.clone()];
    match (measurement.instrument, findings.reading(measurement.number), &findings.fix) {
        (Instrument::Crater, Some(Ok(Reading::Crater(crater))), Some(fix)) => {
            vec![rim(fix, crater.centre, 0.5 * crater.diameter_km.value)]
        }
        (Instrument::Disc, Some(Ok(Reading::Disc { disc, .. })), _) => {
            // The short axis, from up counter-clockwise.
            let turn = disc.polar_axis_deg.to_radians();
            let short = [-turn.sin(), -turn.cos()];
            let long = [turn.cos(), -turn.sin()];
            let (a, b) = (0.5 * disc.equatorial_px.value, 0.5 * disc.polar_px.value);
            let at = |i: usize| {
                let (sin, cos) = (i as f64 / 96.0 * std::f64::consts::TAU).sin_cos();
                Px {
                    x: disc.centre.x + a * cos * long[0] + b * sin * short[0],
                    y: disc.centre.y + a * cos * long[1] + b * sin * short[1],
                }
            };
            vec![(0..=96).map(at).collect()]
        }
        (Instrument::Crater | Instrument::Disc, ..) => Vec::new(),
        _ => line(),
    }
}

/// A circle on the ground as it appears in the picture.
fn rim(fix: &Fix, centre: LunarPoint, radius_km: f64) -> Vec<Px> {
    let up = centre.direction();
    let east = unit(cross([0.0, 0.0, 1.0], up));
    let north = cross(up, east);
    let (sin_r, cos_r) = (radius_km / MOON_RADIUS_KM).sin_cos();
    (0..=96)
        .filter_map(|i| {
            let (sin, cos) = (f64::from(i) / 96.0 * std::f64::consts::TAU).sin_cos();
            let across = [0, 1, 2].map(|k| east[k] * cos + north[k] * sin);
            let point = [0, 1, 2].map(|k| up[k] * cos_r + scale(across, sin_r)[k]);
            fix.projection.px_of(LunarPoint::of(point))
        })
        .collect()
}
