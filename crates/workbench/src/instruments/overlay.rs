//! Marks, readings, meridians and names, drawn over the pictures.

use super::hand::{cursor, ground_of};
use super::{Handle, Mode, Tool};
use crate::lightbox::{Placed, Side};
use crate::state::ViewState;
use crate::theme::{Tokens, small};
use egui::{Align2, Color32, Painter, Pos2, Shape, Stroke, vec2};
use stillwright_night::moon::fix::Px;
use stillwright_night::moon::measure::GraticuleOf;
use stillwright_night::session::Entry;
use stillwright_night::sheet::{Findings, outlines};

/// Draw what belongs over one lightbox. `focus`: keys go to it.
pub fn draw(
    painter: &Painter,
    placed: &Placed,
    side: Side,
    tokens: &Tokens,
    view: &ViewState,
    entry: &Entry,
    focus: bool,
) {
    let state = &view.measure;
    if state.mode == Mode::Finish && !state.graticule && !state.names {
        return;
    }
    let brush = Brush { painter, placed, tokens };
    if let Some(findings) = &entry.findings {
        if state.graticule {
            graticule(&brush, findings);
        }
        if state.names {
            names(&brush, findings);
        }
        if state.mode == Mode::Measure && side == Side::Still {
            measurements(&brush, view, entry, findings);
        }
    }
    if state.mode == Mode::Measure && side == Side::Still {
        for (i, mark) in entry.sheet.places.iter().enumerate() {
            let held = holds(view, entry, Handle::Place(i));
            brush.cross(mark.px, held);
            brush.words(mark.px, vec2(9.0, -9.0), Align2::LEFT_BOTTOM, &mark.name, tokens.chosen);
        }
        for (i, px) in entry.sheet.limb.iter().enumerate() {
            brush.dot(*px, holds(view, entry, Handle::Limb(i)));
        }
    }
    if state.mode == Mode::Compare {
        pairs(&brush, side, view, entry);
    }
    let pairing = state.tool == Some(Tool::Pair);
    if state.tool.is_some() && focus && state.held.is_none() && (side == Side::Still || pairing) {
        brush.aim(cursor(view, entry, placed));
    }
}

fn holds(view: &ViewState, entry: &Entry, handle: Handle) -> bool {
    view.measure.held == Some((entry.id, handle))
}

struct Brush<'a> {
    painter: &'a Painter,
    placed: &'a Placed,
    tokens: &'a Tokens,
}

impl Brush<'_> {
    fn at(&self, px: Px) -> Pos2 {
        self.placed.to_screen(ground_of(px))
    }

    /// A line with a dark one under it, so that it is seen on any ground.
    fn path(&self, points: &[Px], colour: Color32, width: f32) {
        let points: Vec<Pos2> = points.iter().map(|px| self.at(*px)).collect();
        let under = Stroke::new(width + 2.0, Color32::from_black_alpha(150));
        self.painter.add(Shape::line(points.clone(), under));
        self.painter.add(Shape::line(points, Stroke::new(width, colour)));
    }

    fn cross(&self, px: Px, held: bool) {
        let at = self.at(px);
        let arm = if held { 9.0 } else { 6.0 };
        let stroke = |stroke: Stroke| {
            self.painter.line_segment([at - vec2(arm, 0.0), at + vec2(arm, 0.0)], stroke);
            self.painter.line_segment([at - vec2(0.0, arm), at + vec2(0.0, arm)], stroke);
        };
        stroke(Stroke::new(3.0, Color32::from_black_alpha(150)));
        stroke(Stroke::new(1.0, self.tokens.chosen));
        if held {
            self.painter.circle_stroke(at, 11.0, Stroke::new(1.5, self.tokens.chosen));
        }
    }

    fn dot(&self, px: Px, held: bool) {
        let at = self.at(px);
        self.painter.circle_filled(at, 3.5, Color32::from_black_alpha(150));
        self.painter.circle_filled(at, 2.0, self.tokens.chosen);
        if held {
            self.painter.circle_stroke(at, 8.0, Stroke::new(1.5, self.tokens.chosen));
        }
    }

    /// Where keys would put a mark: a ring with four short arms, open in the middle.
    fn aim(&self, px: Px) {
        let at = self.at(px);
        for stroke in
            [Stroke::new(3.0, Color32::from_black_alpha(160)), Stroke::new(1.0, self.tokens.chosen)]
        {
            self.painter.circle_stroke(at, 10.0, stroke);
            for (dx, dy) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
                let way = vec2(dx, dy);
                self.painter.line_segment([at + 4.0 * way, at + 16.0 * way], stroke);
            }
        }
    }

    fn words(&self, px: Px, off: egui::Vec2, align: Align2, text: &str, colour: Color32) {
        let at = self.at(px) + off;
        let galley = self.painter.layout_no_wrap(text.into(), small(), colour);
        let rect = align.anchor_size(at, galley.size());
        let clip = self.painter.clip_rect().shrink(6.0);
        if clip.contains(self.at(px)) {
            // Whole words where there is room for them.
            let right = (rect.right() - clip.right()).max(0.0);
            let left = (clip.left() - rect.left()).max(0.0);
            let rect = rect.translate(vec2(left - right, 0.0));
            self.painter.rect_filled(rect.expand2(vec2(5.0, 2.0)), 4.0, self.tokens.veil);
            self.painter.galley(rect.min, galley, colour);
        }
    }
}

fn graticule(brush: &Brush<'_>, findings: &Findings) {
    let colour = brush.tokens.measured.gamma_multiply(0.7);
    for line in findings.graticule.iter() {
        let points: Vec<Pos2> = line.points.iter().map(|px| brush.at(*px)).collect();
        let clip = brush.painter.clip_rect();
        let seen = points.iter().find(|at| clip.shrink(14.0).contains(**at)).copied();
        brush.painter.add(Shape::line(points, Stroke::new(1.0, colour)));
        let Some(at) = seen else { continue };
        let number = |deg: f64| {
            let text = format!("{deg:.1}");
            text.trim_end_matches('0').trim_end_matches('.').replace('-', "−")
        };
        let words = match line.of {
            GraticuleOf::Meridian(deg) if deg < 0.0 => format!("{}° W", number(-deg)),
            GraticuleOf::Meridian(deg) => format!("{}° E", number(deg)),
            GraticuleOf::Parallel(deg) if deg < 0.0 => format!("{}° S", number(-deg)),
            GraticuleOf::Parallel(deg) => format!("{}° N", number(deg)),
        };
        let galley = brush.painter.layout_no_wrap(words, small(), brush.tokens.measured);
        let rect = Align2::LEFT_CENTER.anchor_size(at + vec2(4.0, 0.0), galley.size());
        brush.painter.rect_filled(rect.expand(2.0), 3.0, brush.tokens.veil);
        brush.painter.galley(rect.min, galley, brush.tokens.measured);
    }
}

/// Names, the widest places first; a name that would cover another is left out.
fn names(brush: &Brush<'_>, findings: &Findings) {
    let clip = brush.painter.clip_rect();
    let mut taken: Vec<egui::Rect> = Vec::new();
    for label in findings.labels.iter() {
        let at = brush.at(label.px);
        if !clip.contains(at) {
            continue;
        }
        let galley =
            brush.painter.layout_no_wrap(label.name.clone(), small(), brush.tokens.on_veil);
        let rect = Align2::CENTER_CENTER.anchor_size(at, galley.size()).expand2(vec2(5.0, 2.0));
        if taken.iter().any(|other| other.intersects(rect)) {
            continue;
        }
        taken.push(rect);
        brush.painter.rect_filled(rect, 4.0, brush.tokens.veil.gamma_multiply(0.8));
        brush.painter.galley(rect.min + vec2(5.0, 2.0), galley, brush.tokens.on_veil);
    }
}

fn measurements(brush: &Brush<'_>, view: &ViewState, entry: &Entry, findings: &Findings) {
    let tokens = brush.tokens;
    for measurement in &entry.sheet.measurements {
        let now = view.measure.current == Some((entry.id, measurement.number));
        for outline in outlines(measurement, findings) {
            brush.path(&outline, tokens.measured, if now { 1.8 } else { 1.2 });
        }
        for (i, px) in measurement.points.iter().enumerate() {
            brush.cross(*px, holds(view, entry, Handle::Point(measurement.number, i)));
        }
        let lowest = measurement.points.iter().max_by(|a, b| a.y.total_cmp(&b.y));
        if let (Some(Ok(reading)), Some(px)) = (findings.reading(measurement.number), lowest) {
            let words = format!("{}: {}", measurement.name, reading.headline());
            brush.words(*px, vec2(0.0, 12.0), Align2::CENTER_TOP, &words, tokens.on_veil);
        }
    }
}

fn pairs(brush: &Brush<'_>, side: Side, view: &ViewState, entry: &Entry) {
    let Some(choice) = &entry.sheet.reference else { return };
    for (i, pair) in choice.pairs.iter().enumerate() {
        let (px, handle) = match side {
            Side::Still => (Some(pair[0]), Handle::PairStill(i)),
            Side::Frame => (super::reference::capture_px(entry, pair[1]), Handle::PairReference(i)),
        };
        let Some(px) = px else { continue };
        brush.cross(px, holds(view, entry, handle));
        let number = format!("{}", i + 1);
        brush.words(px, vec2(9.0, -9.0), Align2::LEFT_BOTTOM, &number, brush.tokens.chosen);
    }
    let half = match side {
        Side::Still => view.measure.half.0,
        Side::Frame => view.measure.half.1.and_then(|px| super::reference::capture_px(entry, px)),
    };
    if let Some(px) = half {
        brush.cross(px, true);
    }
}
