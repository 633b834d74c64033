//! Words upon the pictures: what is seen, how large, and how it is set out.

use super::{Arrangement, GroundView, Placed, Scene, Side};
use crate::actions::Act;
use crate::chart::{ChartData, frame_words};
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, small, title};
use crate::words;
use egui::{
    Align2, Button, Color32, CornerRadius, Rect, RichText, Stroke, Ui, UiBuilder, pos2, vec2,
};
use stillwright_night::session::{CaptureState, Command, Entry};
use stillwright_night::stacking::Keep;

/// What lies in a lightbox, in its upper corner.
#[allow(clippy::too_many_arguments)]
pub fn caption(
    ui: &Ui,
    area: Rect,
    tokens: &Tokens,
    desk: &Desk<'_>,
    view: &ViewState,
    scene: &Scene<'_>,
    side: Side,
    on_the_right: bool,
) {
    if scene.entry.facts.is_none() {
        return;
    }
    let (name, rest) = match side {
        Side::Frame if scene.compares => crate::instruments::caption(scene.entry),
        Side::Frame => frame_caption(desk, view, scene),
        Side::Still => still_caption(scene.entry),
    };
    let painter = ui.painter().with_clip_rect(area);
    let first = painter.layout_no_wrap(name, title(), tokens.on_veil);
    let room = (area.width() - first.size().x - 64.0).max(40.0);
    let mut job = egui::text::LayoutJob::simple_singleline(rest, body(), tokens.on_veil_quiet);
    job.wrap = egui::text::TextWrapping::truncate_at_width(room);
    let second = painter.layout_job(job);
    let gap = if second.size().x > 0.0 { 8.0 } else { 0.0 };
    let width = first.size().x + gap + second.size().x + 24.0;
    let x = if on_the_right { area.right() - 12.0 - width } else { area.left() + 12.0 };
    let pill = Rect::from_min_size(pos2(x, area.top() + 12.0), vec2(width, 28.0));
    painter.rect_filled(pill, 6.0, tokens.veil);
    let y = pill.center().y - first.size().y / 2.0;
    let after = pill.left() + 12.0 + first.size().x + gap;
    painter.galley(pos2(pill.left() + 12.0, y), first, tokens.on_veil);
    painter.galley(
        pos2(after, pill.center().y - second.size().y / 2.0),
        second,
        tokens.on_veil_quiet,
    );
}

fn frame_caption(desk: &Desk<'_>, view: &ViewState, scene: &Scene<'_>) -> (String, String) {
    let entry = scene.entry;
    let index = view.frame_of(entry);
    let name = format!("Frame {}", words::count(index as u64 + 1));
    let shown = desk.session.frame().filter(|frame| frame.capture == entry.id);
    let words = match (&entry.chart, &entry.facts) {
        (Some(chart), facts) => {
            let data = ChartData {
                chart,
                advice: None,
                automatic: false,
                excluded: &[],
                cursor: index,
                start_utc: facts.as_ref().and_then(|facts| facts.start_utc.as_deref()),
                timed: facts.as_ref().is_some_and(|facts| facts.frame_rate_hz.is_some()),
                light: view.light,
            };
            frame_words(&data, index)
        }
        (None, _) => String::new(),
    };
    let loading = shown.is_none() && entry.facts.is_some();
    let toned = shown.is_some_and(|frame| frame.in_tone_of_still);
    let tone = if toned { " · still’s tone" } else { "" };
    (name, if loading { "being read…".into() } else { format!("{words}{tone}") })
}

fn still_caption(entry: &Entry) -> (String, String) {
    let current = entry.still_is_current();
    if let (Some(stacked), Some(_)) = (&entry.stacked, &entry.still) {
        let mut parts = vec![
            format!("best {}", words::percent(f64::from(stacked.stack.keep_percent))),
            words::counted(stacked.stack.frames_per_place, "frame", "frames"),
        ];
        if let Some(measures) = &entry.measures {
            parts.extend(detail_words(&measures.resolution));
        }
        if !current && entry.recipe.stack.keep != Keep::Auto && !entry.stack_is_current() {
            parts.push("being made anew".into());
        }
        return ("Still".into(), parts.join(" · "));
    }
    if let Some(partial) = &entry.partial {
        let words = if partial.frames == 0 {
            "the first few frames".to_string()
        } else {
            format!(
                "coming together: {} of {} frames",
                words::count(partial.frames as u64),
                words::count(partial.total as u64)
            )
        };
        return ("Stack".into(), words);
    }
    ("Still".into(), String::new())
}

/// `detail to 0.71″ (telescope 0.68″)`.
pub fn detail_words(resolution: &stillwright_night::record::Resolution) -> Option<String> {
    match (resolution.detail_arcsec, resolution.telescope_limit_arcsec, resolution.detail_px) {
        (Some(detail), Some(limit), _) => Some(format!(
            "detail to {} (telescope {})",
            words::arcsec(detail),
            words::arcsec(limit)
        )),
        (_, _, Some(px)) => Some(format!("detail to {}", words::with_unit(px, "px"))),
        _ => None,
    }
}

/// Where there is no still yet: why, and what can be done.
pub fn still_state(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    scene: &Scene<'_>,
) {
    let entry = scene.entry;
    let (head, more, retry) = match &entry.state {
        CaptureState::Failed { words } => ("This went wrong".to_string(), words::told(words), true),
        CaptureState::Gone => (
            "The file is gone".to_string(),
            format!(
                "It was at {}\nConnect its disk again, or take the capture off the night.",
                entry.path.display()
            ),
            false,
        ),
        _ if scene.still.is_some() => return,
        CaptureState::Growing => (
            "Still being recorded".to_string(),
            "The file is growing. Grading begins when it is whole.".to_string(),
            false,
        ),
        CaptureState::Stopped => {
            ("Stopped".to_string(), "Nothing more is done until you ask.".to_string(), true)
        }
        CaptureState::Waiting => ("Waiting".to_string(), "Its turn comes.".to_string(), false),
        CaptureState::Opening => ("Opening".to_string(), String::new(), false),
        CaptureState::Serving => (
            "Serves as a dark or flat".to_string(),
            "Other captures of this night are calibrated with it.".to_string(),
            false,
        ),
        CaptureState::Grading(_) => (
            "Grading".to_string(),
            "Every frame is looked at. The still is made from the best of them.".to_string(),
            false,
        ),
        CaptureState::Graded => ("Graded".to_string(), "Stacking begins.".to_string(), false),
        CaptureState::Stacking(advance) => {
            ("Stacking".to_string(), advance.stage.words().to_string(), false)
        }
        CaptureState::Finishing => ("Finishing".to_string(), String::new(), false),
        CaptureState::Done => return,
    };
    let advance = match &entry.state {
        CaptureState::Grading(advance) | CaptureState::Stacking(advance) => Some(*advance),
        _ => None,
    };
    let trouble = matches!(entry.state, CaptureState::Failed { .. } | CaptureState::Gone);
    let width = (area.width() - 48.0).clamp(80.0, 360.0);
    let place = Rect::from_center_size(area.center(), vec2(width, 200.0));
    let mut child = ui.new_child(UiBuilder::new().max_rect(place));
    let ui = &mut child;
    egui::Frame::NONE.fill(tokens.veil).corner_radius(CornerRadius::same(6)).inner_margin(16).show(
        ui,
        |ui| {
            ui.set_width(width - 32.0);
            let colour = if trouble { tokens.trouble } else { tokens.on_veil };
            ui.label(RichText::new(head).font(title()).color(colour));
            if !more.is_empty() {
                ui.label(RichText::new(more).font(body()).color(tokens.on_veil));
            }
            if let Some(advance) = advance {
                ui.add_space(8.0);
                crate::shelf::bar(
                    ui,
                    tokens,
                    advance.share(),
                    &format!("Progress of {}", entry.name),
                );
                if let Some(left) = advance.seconds_left {
                    let left =
                        words::left(std::time::Duration::from_secs_f64(left.clamp(0.0, 1e7)));
                    ui.label(RichText::new(left).font(small()).color(tokens.on_veil_quiet));
                }
            }
            if retry {
                ui.add_space(8.0);
                ui.horizontal(|ui| {
                    if ui.button("Try again").clicked() {
                        let id = entry.id;
                        desk.send.push(if entry.graded.is_some() {
                            Command::Stack(id)
                        } else {
                            Command::Grade(id)
                        });
                    }
                });
            }
        },
    );
}

/// A length of a round number of arcseconds, or of pixels while the scale is not known.
pub fn scale_bar(ui: &Ui, placed: &Placed, tokens: &Tokens, entry: &Entry) {
    const LONGEST: f32 = 140.0;
    if entry.facts.is_none() {
        return;
    }
    let findings = entry.findings.as_ref();
    let km = findings.and_then(|f| f.scale_bar(f64::from(LONGEST / placed.zoom.max(1e-6))));
    let (unit, px_per_unit) = match entry.optics {
        _ if km.is_some() => ("km", km.map_or(1.0, |bar| (bar.px / bar.km) as f32)),
        Some(optics) => ("″", (1.0 / optics.pixel_arcsec) as f32),
        None => ("px", 1.0),
    };
    let points_per_unit = px_per_unit * placed.zoom;
    if !(points_per_unit.is_finite() && points_per_unit > 0.0) {
        return;
    }
    let length = round_below(f64::from(LONGEST / points_per_unit));
    let width = length as f32 * points_per_unit;
    let from = pos2(placed.area.left() + 24.0, placed.area.bottom() - 24.0);
    let painter = ui.painter();
    let words = if unit == "″" { words::arcsec(length) } else { words::with_unit(length, unit) };
    let frame = Rect::from_min_max(from + vec2(-12.0, -24.0), from + vec2(width + 12.0, 12.0));
    painter.rect_filled(frame, 6.0, tokens.veil);
    let stroke = Stroke::new(1.0, tokens.on_veil);
    let to = from + vec2(width, 0.0);
    painter.line_segment([from, to], stroke);
    for end in [from, to] {
        painter.vline(end.x, end.y - 4.0..=end.y + 1.0, stroke);
    }
    painter.text(
        pos2(from.x + width / 2.0, from.y - 5.0),
        Align2::CENTER_BOTTOM,
        words,
        small(),
        tokens.on_veil,
    );
}

/// The ground under a point, in words: where it is, how large a pixel is there, how high the Sun
/// stands.
pub fn place_readout(entry: &Entry, ground: egui::Pos2) -> Vec<String> {
    let px = crate::instruments::px_of(ground);
    let Some(found) = entry.findings.as_ref().and_then(|f| f.readout(px)) else {
        return Vec::new();
    };
    let part = |deg: f64, plus: char, minus: char| {
        format!("{:.2}° {}", deg.abs(), if deg < 0.0 { minus } else { plus })
    };
    let place = found.place;
    let mut words = format!("{}, {}", part(place.lat_deg, 'N', 'S'), part(place.lon_deg, 'E', 'W'));
    if let Some(km) = found.uncertainty_km {
        words.push_str(&format!(" ± {}", words::with_unit(km, "km")));
    }
    vec![
        words,
        format!("{} per px", words::with_unit(found.km_per_px, "km")),
        format!("Sun {:.1}°", found.sun_altitude_deg),
    ]
}

/// The largest of 1, 2, 5, 10, 20 ... that is not above `most`.
fn round_below(most: f64) -> f64 {
    let ten = 10f64.powf(most.max(1e-12).log10().floor());
    [5.0, 2.0, 1.0].map(|n| n * ten).into_iter().find(|n| *n <= most * 1.000_001).unwrap_or(ten)
}

/// How the pictures are set out, and how near they are.
pub fn controls(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
) {
    let Some(entry) = desk.session.selected() else { return };
    let zoom = {
        let ground = view.ground.get(&entry.id).copied().unwrap_or_default();
        let (w, h) = entry.facts.as_ref().map_or((1, 1), |facts| (facts.width, facts.height));
        let rect = match view.arrangement {
            Arrangement::SideBySide => {
                Rect::from_min_size(area.min, vec2(area.width() / 2.0, area.height()))
            }
            _ => area,
        };
        GroundView::place(&ground, rect, vec2(w as f32, h as f32)).zoom * ui.pixels_per_point()
    };
    let width = 502.0f32.min(area.width() - 24.0);
    let place =
        Rect::from_center_size(pos2(area.center().x, area.bottom() - 32.0), vec2(width, 36.0));
    // Beside the scale bar where both do not fit.
    let overlap = (area.left() + 204.0 - place.left()).max(0.0);
    let place =
        place.translate(vec2(overlap.min((area.right() - 12.0 - place.right()).max(0.0)), 0.0));
    ui.painter().rect_filled(place, 18.0, tokens.veil);
    let mut child = ui.new_child(
        UiBuilder::new()
            .max_rect(place.shrink2(vec2(12.0, 4.0)))
            .layout(egui::Layout::left_to_right(egui::Align::Center)),
    );
    let ui = &mut child;
    ui.spacing_mut().item_spacing.x = 4.0;
    ui.visuals_mut().widgets.inactive.weak_bg_fill = Color32::TRANSPARENT;
    ui.visuals_mut().widgets.inactive.bg_stroke = Stroke::NONE;
    for (arrangement, words, tip) in Arrangement::ALL {
        let on = view.arrangement == arrangement;
        if ui.add(pill_button(words, on, tokens)).on_hover_text(tip).clicked() {
            view.arrangement = arrangement;
        }
    }
    divider(ui, tokens);
    let tip = "The whole picture, as large as it fits. Double-click a picture for the same.";
    let fit = view.ground.get(&entry.id).is_none_or(|ground| ground.zoom.is_none());
    if ui.add(pill_button("Fit", fit, tokens)).on_hover_text(tip).clicked() {
        desk.acts.push(Act::Fit);
    }
    let one = !fit && (zoom - 1.0).abs() < 1e-3;
    let tip = "One pixel of the capture is one pixel of the screen.";
    if ui.add(pill_button("1:1", one, tokens)).on_hover_text(tip).clicked() {
        desk.acts.push(Act::OneToOne);
    }
    let percent = words::percent(f64::from(100.0 * zoom));
    ui.add_sized(
        [48.0, 20.0],
        egui::Label::new(RichText::new(percent).font(small()).color(tokens.on_veil_quiet)),
    )
    .on_hover_text("How large a pixel of the capture is on the screen. Turn the wheel over a picture to change it.");
    divider(ui, tokens);
    let tip = "Colours the frame by how sharp the air let each place be in it.";
    let tiles = ui.add_enabled(entry.graded.is_some(), pill_button("Tiles", view.tiles, tokens));
    if tiles.on_hover_text(tip).clicked() {
        desk.acts.push(Act::Tiles);
    }
    let laid = desk.session.laid();
    let (name, _) = super::maps::words_of(laid);
    let words = if laid.is_some() { format!("Map: {name}") } else { "Map".into() };
    let tip = "Lays over the still how fine its detail is, then how noisy it is, then nothing. Keys K and J.";
    let map = ui.add_enabled(entry.stacked.is_some(), pill_button(&words, laid.is_some(), tokens));
    if map.on_hover_text(tip).clicked() {
        let kinds = super::maps::KINDS.map(|(kind, _, _)| kind);
        let now = kinds.iter().position(|kind| *kind == laid).unwrap_or(0);
        desk.send.push(Command::Lay(kinds[(now + 1) % kinds.len()]));
    }
}

fn pill_button<'a>(words: &'a str, on: bool, tokens: &Tokens) -> Button<'a> {
    let colour = if on { tokens.on_veil } else { tokens.on_veil_quiet };
    let font = if on { title() } else { body() };
    Button::selectable(on, RichText::new(words).font(font).color(colour)).corner_radius(14)
}

fn divider(ui: &mut Ui, tokens: &Tokens) {
    let (rect, _) = ui.allocate_exact_size(vec2(9.0, 20.0), egui::Sense::hover());
    ui.painter().vline(rect.center().x, rect.y_range(), Stroke::new(1.0, tokens.edge));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_bars_have_round_lengths() {
        for (most, length) in
            [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (49.0, 20.0), (50.0, 50.0), (0.7, 0.5)]
        {
            assert!((round_below(most) - length).abs() < 1e-9, "{most}");
        }
    }
}
