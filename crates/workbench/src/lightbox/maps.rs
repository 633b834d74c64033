//! A map of the stack over the still: a few steps of one hue, the lighter the better, thin lines where one step ends
//! and the next begins, and a scale that names the values at these lines.
//!
//! Rank is lightness alone, so it can be told by eyes that see few colours, and in red light.

use super::{Placed, Scene, Side};
use crate::colour_map::tint;
use crate::theme::{Light, Tokens, small, title};
use crate::words;
use egui::{
    Align2, Color32, ColorImage, Painter, Pos2, Rect, Role, Sense, Stroke, TextureHandle,
    TextureOptions, Ui, WidgetInfo, pos2, vec2,
};
use std::sync::Arc;
use stillwright_night::session::{Entry, LaidMap, MapKind};

/// How much of the picture a tint hides.
const OPACITY: f32 = 0.45;
/// The same of the lines between steps.
const LINE_OPACITY: f32 = 0.7;
/// Width of the scale, px.
const WIDTH: f32 = 224.0;
/// Height of a step on it, px.
const STEP: f32 = 18.0;

/// What can be laid over the still: with its name, and what it is.
pub const KINDS: [(Option<MapKind>, &str, &str); 3] = [
    (None, "nothing", ""),
    (
        Some(MapKind::Detail),
        "detail",
        "The finest period (a bright and a dark line together) that two halves of the stack still agree on, place by place. Smaller is finer.",
    ),
    (
        Some(MapKind::Noise),
        "noise",
        "How much each place of the stack is left to chance: the standard deviation, in percent of the camera's full scale, before the finish. Sharpening makes it stronger; what Finish holds back is told in the same percent.",
    ),
];

/// Name and meaning of what is laid.
pub fn words_of(kind: Option<MapKind>) -> (&'static str, &'static str) {
    let found = KINDS.iter().find(|(of, _, _)| *of == kind);
    found.map_or(("", ""), |(_, name, tip)| (*name, *tip))
}

/// The last texture, and what it was made of.
#[derive(Default)]
pub struct MapCache {
    made: Option<(Arc<LaidMap>, Light, TextureHandle)>,
}

impl MapCache {
    /// Draw `map` over `ground`, all of the still.
    pub fn draw(&mut self, painter: &Painter, place: Rect, map: &Arc<LaidMap>, light: Light) {
        let fits =
            |made: &(Arc<LaidMap>, Light, TextureHandle)| made.0.id == map.id && made.1 == light;
        if !self.made.as_ref().is_some_and(fits) {
            let image = image(map, light);
            let texture = painter.ctx().load_texture("map", image, TextureOptions::LINEAR);
            self.made = Some((Arc::clone(map), light, texture));
        }
        let Some((_, _, texture)) = &self.made else { return };
        let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
        painter.image(texture.id(), place, whole, Color32::WHITE);
    }
}

/// Between the tints of two steps at most, share of all lightness: where steps are few, places differ little, and are not
/// to look as different as light and dark.
const WIDEST: f32 = 0.25;

/// The tint of a step, 0 the least value.
fn tint_of(map: &LaidMap, step: usize, light: Light) -> Color32 {
    let last = map.bounds.len() as f32;
    tint(light, 0.5 + (0.5 * last - step as f32) * WIDEST.min(1.0 / last.max(1.0)))
}

/// The steps as a picture: bare where nothing can be told.
fn image(map: &LaidMap, light: Light) -> ColorImage {
    let line = tint(light, 0.0).gamma_multiply(LINE_OPACITY);
    let mut tints = vec![Color32::TRANSPARENT];
    for step in 0..=map.bounds.len() {
        tints.push(tint_of(map, step, light).gamma_multiply(OPACITY));
    }
    let (width, height) = map.size;
    let mut pixels = Vec::with_capacity(width * height);
    for (y, row) in map.steps.chunks(width.max(1)).enumerate() {
        let below = map.steps.get((y + 1) * width..(y + 2) * width).unwrap_or(row);
        for (x, step) in row.iter().enumerate() {
            let next = row.get(x + 1).unwrap_or(step);
            let ends = next != step || below.get(x).is_some_and(|other| other != step);
            let found = tints.get(usize::from(*step)).copied().unwrap_or_default();
            pixels.push(if ends { line } else { found });
        }
    }
    ColorImage::new([width, height], pixels)
}

/// What lengths in the picture are on the sky and on the ground.
struct Lengths {
    /// Px of the still to the px of the capture.
    scale: f64,
    arcsec_per_px: Option<f64>,
    km_per_px: Option<f64>,
}

impl Lengths {
    fn of(entry: &Entry) -> Lengths {
        let bar = entry.findings.as_ref().and_then(|findings| findings.scale_bar(100.0));
        Lengths {
            scale: f64::from(entry.stacked.as_ref().map_or(1.0, |s| s.stack.scale.max(0.1))),
            arcsec_per_px: entry.optics.map(|optics| optics.pixel_arcsec),
            km_per_px: bar.map(|bar| bar.km / bar.px),
        }
    }

    /// `3.2 px · 0.39″ · 0.71 km`.
    fn words(&self, px: f32) -> String {
        let mut parts = vec![words::with_unit(f64::from(px), "px")];
        let px = f64::from(px) / self.scale;
        parts.extend(self.arcsec_per_px.map(|arcsec| words::arcsec(px * arcsec)));
        parts.extend(self.km_per_px.map(|km| words::with_unit(px * km, "km")));
        parts.join(" · ")
    }
}

/// A share of full scale: `0.12 %`.
fn share_words(share: f32) -> String {
    words::with_unit(100.0 * f64::from(share), "%")
}

/// A value as the scale has it.
fn value_words(kind: MapKind, value: f32, lengths: &Lengths) -> String {
    match kind {
        MapKind::Detail => lengths.words(value),
        MapKind::Noise => share_words(value),
    }
}

/// What the map says of `ground`, in a few words.
pub fn readout(scene: &Scene<'_>, side: Side, ground: Pos2) -> Option<String> {
    let kind = scene.laid.filter(|_| side == Side::Still)?;
    let entry = scene.entry;
    let map = entry.map(kind)?;
    let at = ground.to_vec2() / scene.ground;
    let Some(value) = map.value(at.x, at.y) else {
        return Some(format!("{} cannot be told here", words_of(Some(kind)).0));
    };
    Some(match kind {
        MapKind::Detail => {
            let mut lengths = Lengths::of(entry);
            let px = crate::instruments::px_of(ground);
            let here = entry.findings.as_ref().and_then(|findings| findings.readout(px));
            lengths.km_per_px = here.map(|here| here.km_per_px).or(lengths.km_per_px);
            format!("detail to {}", lengths.words(value))
        }
        MapKind::Noise => {
            let times = map.light_over_noise(at.x, at.y).filter(|times| *times >= 1.0);
            let light = times.map_or_else(String::new, |times| {
                format!(", light {} times that", words::count(times.round() as u64))
            });
            format!("noise {} of full scale{light}", share_words(value))
        }
    })
}

/// The scale, in the upper right of the still's lightbox, or why there is no map yet.
pub fn scale(ui: &Ui, area: Rect, tokens: &Tokens, scene: &Scene<'_>) {
    let Some(kind) = scene.laid else { return };
    let (name, tip) = words_of(scene.laid);
    let entry = scene.entry;
    let head = match kind {
        MapKind::Detail => "Detail of the stack",
        MapKind::Noise => "Noise of the stack",
    };
    let map = entry.map(kind);
    let lengths = Lengths::of(entry);
    let steps = map.filter(|map| map.median.is_some()).map_or(0, |map| map.bounds.len() + 1);
    let mut notes: Vec<&str> = Vec::new();
    match map {
        None if entry.stacked.is_none() => notes.push("comes with the stack"),
        None => notes.push("being worked out…"),
        Some(map) if map.median.is_none() => notes.push("too little structure to tell"),
        Some(map) => {
            notes.push(match kind {
                MapKind::Detail => "finest period both halves show",
                MapKind::Noise => "% of full scale, before the finish",
            });
            notes.push(match kind {
                MapKind::Detail => "lighter is finer",
                MapKind::Noise => "lighter is quieter",
            });
            if map.gaps {
                notes.push("left bare: cannot be told");
            }
        }
    }
    let height =
        34.0 + 15.0 * notes.len() as f32 + if steps > 0 { STEP * steps as f32 + 8.0 } else { 0.0 };
    let width = WIDTH.min(area.width() - 32.0);
    let corner = pos2(area.right() - 16.0 - width, area.top() + 48.0);
    let frame = Rect::from_min_size(corner, vec2(width, height));
    let painter = ui.painter().with_clip_rect(area);
    painter.rect_filled(frame, 6.0, tokens.veil);
    let left = frame.left() + 12.0;
    painter.text(pos2(left, frame.top() + 8.0), Align2::LEFT_TOP, head, title(), tokens.on_veil);
    let mut y = frame.top() + 28.0;
    for (i, note) in notes.iter().enumerate() {
        // What the values are stands above them, how to read the tints below.
        if i == 1 {
            y += draw_steps(&painter, pos2(left, y), tokens, map, &lengths, scene.light);
        }
        painter.text(pos2(left, y), Align2::LEFT_TOP, *note, small(), tokens.on_veil_quiet);
        y += 15.0;
    }
    let all = map.map(|map| {
        let values = map.bounds.iter().map(|value| value_words(kind, *value, &lengths));
        values.collect::<Vec<_>>().join(", ")
    });
    let told =
        format!("Scale of the map of {name}: {}. {}", notes.join(", "), all.unwrap_or_default());
    let response = ui.interact(frame, ui.scope_id().with("scale of the map"), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, told.trim_end()));
    response.on_hover_text(tip);
}

/// The tints below each other, least value first, and the values at the lines between; the height taken.
fn draw_steps(
    painter: &Painter,
    at: Pos2,
    tokens: &Tokens,
    map: Option<&Arc<LaidMap>>,
    lengths: &Lengths,
    light: Light,
) -> f32 {
    let Some(map) = map.filter(|map| map.median.is_some()) else { return 0.0 };
    let at = at + vec2(0.0, 4.0);
    for step in 0..=map.bounds.len() {
        let top = at.y + STEP * step as f32;
        let swatch = Rect::from_min_size(pos2(at.x, top), vec2(28.0, STEP));
        painter.rect_filled(swatch, 0, tint_of(map, step, light));
        if let Some(bound) = map.bounds.get(step) {
            let y = swatch.bottom();
            painter.hline(at.x..=at.x + 34.0, y, Stroke::new(1.0, tokens.on_veil));
            let words = value_words(map.kind, *bound, lengths);
            painter.text(pos2(at.x + 40.0, y), Align2::LEFT_CENTER, words, small(), tokens.on_veil);
        }
    }
    // The darkest tint would be lost on the veil.
    let all = Rect::from_min_size(at, vec2(28.0, STEP * (map.bounds.len() + 1) as f32));
    let edge = Stroke::new(1.0, tokens.on_veil_quiet);
    painter.rect_stroke(all, 0, edge, egui::StrokeKind::Outside);
    if let (true, Some(median)) = (map.bounds.is_empty(), map.median) {
        let words = format!("{} everywhere", value_words(map.kind, median, lengths));
        let y = at.y + STEP / 2.0;
        painter.text(pos2(at.x + 40.0, y), Align2::LEFT_CENTER, words, small(), tokens.on_veil);
    }
    STEP * (map.bounds.len() + 1) as f32 + 8.0
}

/// Draw the map over the still.
pub fn draw(painter: &Painter, placed: &Placed, cache: &mut MapCache, scene: &Scene<'_>) {
    if let Some(map) = scene.laid.and_then(|kind| scene.entry.map(kind)) {
        let ground = Rect::from_min_size(Pos2::ZERO, scene.ground);
        cache.draw(painter, placed.rect_to_screen(ground), map, scene.light);
    }
}
