//! The shelf: one card a capture.
//!
//! A card says what the capture is and where it stands: waiting, grading with a bar and the time
//! left, graded, stacking, done, or what is wrong, in words.

use crate::actions::Act;
use crate::state::{Desk, ViewState};
use crate::theme::{CORNER, Light, Tokens, body, small, title};
use crate::words;
use egui::{
    Align2, Color32, ColorImage, CornerRadius, Key, Modifiers, Painter, Rect, Response, Role,
    Sense, Shape, Stroke, StrokeKind, TextureHandle, TextureOptions, Ui, Vec2, WidgetInfo, pos2,
    vec2,
};
use std::collections::HashMap;
use std::path::Path;
use std::time::Duration;
use stillwright_night::session::{CaptureId, CaptureState, Command, Entry, PictureId};

/// Pictures of the cards.
#[derive(Default)]
pub struct Thumbnails {
    textures: HashMap<CaptureId, (PictureId, bool, TextureHandle)>,
}

/// Draw the shelf.
pub fn show(
    ui: &mut Ui,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    thumbnails: &mut Thumbnails,
) {
    ui.add_space(12.0);
    ui.horizontal(|ui| {
        ui.add_space(4.0);
        ui.label(egui::RichText::new("Captures").font(body()).color(tokens.quiet));
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            let open = egui::Button::new(egui::RichText::new("Open…").color(tokens.text));
            let tip = "Take captures, or folders with captures, into the night. Nothing is copied or changed.";
            if ui.add(open).on_hover_text(tip).clicked() {
                desk.acts.push(Act::Open);
            }
        });
    });
    ui.add_space(4.0);
    let selected = desk.session.selected().map(|entry| entry.id);
    thumbnails.textures.retain(|id, _| desk.session.entry(*id).is_some());
    egui::ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 8.0;
        for entry in desk.session.entries() {
            let response = card(ui, tokens, entry, selected == Some(entry.id), view, thumbnails);
            if response.clicked() || (response.has_focus() && space(ui)) {
                desk.send.push(Command::Select(Some(entry.id)));
            }
            response.context_menu(|ui| card_menu(ui, desk, view, entry));
            if let Some(words) = advice(entry) {
                response.on_hover_text(words);
            }
        }
        drop_hint(ui, tokens, view.hovering);
        if desk.session.entries().len() > 1 {
            all_stills(ui, tokens, desk);
        }
        ui.add_space(8.0);
    });
}

/// All that is wrong with a capture, and what to do about it next time; the card has room for a few words only.
fn advice(entry: &Entry) -> Option<String> {
    let facts = entry.facts.as_ref()?;
    let sampling = entry.sampling_words();
    let all = facts.warnings.iter().chain(&sampling).map(|words| words::sentence(words));
    let all: Vec<String> = all.collect();
    (!all.is_empty()).then(|| all.join("\n\n"))
}

/// The whole night, unattended.
fn all_stills(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>) {
    let busy = desk.session.queue().is_some();
    let words = if busy { "Making all stills…" } else { "Make all stills" };
    let text = egui::RichText::new(words).color(tokens.text);
    let tip = "Makes and writes the still of every capture, one after the other, and says at the end what came out.";
    ui.vertical_centered(|ui| {
        let button = egui::Button::new(text).min_size(vec2(ui.available_width(), 28.0));
        if ui.add_enabled(!busy, button).on_hover_text(tip).clicked() {
            desk.acts.push(Act::MakeAll);
        }
    });
}

fn space(ui: &Ui) -> bool {
    ui.input_mut(|i| i.consume_key(Modifiers::NONE, Key::Space))
}

fn card_menu(ui: &mut Ui, desk: &mut Desk<'_>, view: &mut ViewState, entry: &Entry) {
    ui.set_min_width(220.0);
    let id = entry.id;
    if ui.button("Grade again").clicked() {
        desk.send.push(Command::Grade(id));
    }
    if ui.button("Stack again").clicked() {
        desk.send.push(Command::Stack(id));
    }
    ui.separator();
    if ui.button("Copy its recipe").clicked() {
        view.copied = Some(id);
    }
    if let Some(from) = view.copied.filter(|from| *from != id)
        && ui.button("Paste the recipe").clicked()
    {
        desk.send.push(Command::CopyRecipe { from, to: vec![id] });
    }
    ui.separator();
    if ui.button("Take off the night (the file stays)").clicked() {
        desk.send.push(Command::Remove(id));
    }
}

/// What a card is called: its file without the ending, of a sequence the first and the last one.
pub fn name_of(entry: &Entry) -> String {
    let stem = |name: &Path| name.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let first = stem(&entry.path);
    match entry.facts.as_ref().and_then(|facts| facts.last_file.as_ref()) {
        Some(last) => format!("{first} to {}", own_part(&first, &stem(Path::new(last)))),
        None => first,
    }
}

/// What `last` does not share with `first` at its beginning, its number whole.
fn own_part<'a>(first: &str, last: &'a str) -> &'a str {
    let shared = first.chars().zip(last.chars()).take_while(|(a, b)| a == b);
    let shared: String = shared.map(|(a, _)| a).collect();
    let before_number = shared.trim_end_matches(|c: char| c.is_ascii_digit());
    last.strip_prefix(before_number).filter(|rest| !rest.is_empty()).unwrap_or(last)
}

/// Where a capture stands, in words, and whether it is trouble.
pub fn state_words(entry: &Entry) -> (String, bool) {
    let with_time = |words: &str, seconds: Option<f64>| match seconds {
        Some(s) => {
            format!("{words} · {}", words::left(Duration::from_secs_f64(s.clamp(0.0, 1e7))))
        }
        None => words.to_string(),
    };
    match &entry.state {
        CaptureState::Waiting => ("Waiting".into(), false),
        CaptureState::Opening => ("Opening".into(), false),
        CaptureState::Grading(advance) => (with_time("Grading", advance.seconds_left), false),
        CaptureState::Graded => match &entry.chart {
            Some(chart) if !chart.sorted.is_empty() => {
                let used = words::counted(chart.sorted.len(), "usable frame", "usable frames");
                (format!("Graded · {used}"), false)
            }
            _ => ("Graded".into(), false),
        },
        CaptureState::Stacking(advance) => {
            (with_time(&words::sentence(advance.stage.words()), advance.seconds_left), false)
        }
        CaptureState::Finishing => ("Finishing".into(), false),
        CaptureState::Done => {
            let keep = entry.stacked.as_ref().map(|s| f64::from(s.stack.keep_percent));
            let best =
                keep.map_or(String::new(), |keep| format!(" · best {}", words::percent(keep)));
            let made = if entry.written.is_some() { "Still written" } else { "Still made" };
            (format!("{made}{best}"), false)
        }
        CaptureState::Stopped => ("Stopped".into(), false),
        CaptureState::Serving => ("Serves as a dark or flat".into(), false),
        CaptureState::Growing => ("Still being recorded".into(), false),
        CaptureState::Gone => ("The file is gone".into(), true),
        CaptureState::Failed { words } => {
            // What was expected and what to do stands in the lightbox and in the message.
            let line = words::gist(words);
            (words::sentence(if line.is_empty() { "it could not be done" } else { line }), true)
        }
    }
}

fn facts_words(entry: &Entry) -> String {
    let Some(facts) = &entry.facts else {
        return entry.stamp.map_or(String::new(), |stamp| words::bytes(stamp.bytes));
    };
    // The pictures of a sequence are its frames.
    let one = if facts.files > 1 { ("picture", "pictures") } else { ("frame", "frames") };
    let frames = words::counted(facts.frames, one.0, one.1);
    let length = facts.duration_s.map_or(String::new(), |s| format!(" · {}", words::seconds(s)));
    format!("{}\n{frames}{length}", words::size(facts.width, facts.height))
}

fn card(
    ui: &mut Ui,
    tokens: &Tokens,
    entry: &Entry,
    selected: bool,
    view: &ViewState,
    thumbnails: &mut Thumbnails,
) -> Response {
    let (state, trouble) = state_words(entry);
    // In a few words here; the inspector has the details.
    let headline = entry.facts.as_ref().and_then(|facts| facts.headline.as_ref());
    // A dark is meant to be dark.
    let serves = entry.state == CaptureState::Serving;
    let warning = headline.filter(|_| !trouble && !serves);
    let width = ui.available_width();
    let colour = if trouble { tokens.trouble } else { tokens.quiet };
    let wrap = |ui: &Ui, text: &str, colour: Color32| {
        let mut job = egui::text::LayoutJob::simple(text.into(), small(), colour, width - 24.0);
        job.wrap.max_rows = 3;
        ui.painter().layout_job(job)
    };
    let state_galley = wrap(ui, &state, colour);
    let warning_galley = warning.map(|text| wrap(ui, text, tokens.trouble));
    let warning_height = warning_galley.as_ref().map_or(0.0, |galley| galley.size().y + 4.0);
    let progress = match &entry.state {
        CaptureState::Grading(advance) | CaptureState::Stacking(advance) => Some(advance.share()),
        _ => None,
    };
    let bar_height = if progress.is_some() { 8.0 } else { 0.0 };
    let height = (84.0 + state_galley.size().y + warning_height + bar_height + 10.0).ceil();
    let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::click());
    let words = format!("{}: {state}", name_of(entry));
    response.widget_info(|| WidgetInfo::selected(Role::ListBoxOption, true, selected, &words));
    if !ui.is_rect_visible(rect) {
        return response;
    }
    let painter = ui.painter();
    let fill = if response.hovered() { tokens.card_hover } else { tokens.card };
    let edge = if selected || response.has_focus() { tokens.chosen } else { tokens.line };
    painter.rect(rect, CORNER, fill, Stroke::new(1.0, edge), StrokeKind::Inside);
    if selected {
        // Not by colour alone: a bar at the edge.
        let side = Rect::from_min_size(rect.min + vec2(0.0, 8.0), vec2(3.0, rect.height() - 16.0));
        painter.rect_filled(side, 1.5, tokens.chosen);
    }
    let inner = rect.shrink2(vec2(12.0, 10.0));
    let picture = Rect::from_min_size(inner.min, vec2(56.0, 44.0));
    thumbnail(ui, picture, tokens, entry, view.light, thumbnails);
    let x = picture.right() + 10.0;
    let clipped =
        painter.with_clip_rect(Rect::from_min_max(pos2(x, rect.top()), rect.max - vec2(8.0, 0.0)));
    let mut job = egui::text::LayoutJob::simple_singleline(name_of(entry), title(), tokens.text);
    job.wrap = egui::text::TextWrapping::truncate_at_width(inner.right() - x);
    clipped.galley(pos2(x, inner.top() - 2.0), painter.layout_job(job), tokens.text);
    clipped.text(
        pos2(x, inner.top() + 16.0),
        Align2::LEFT_TOP,
        facts_words(entry),
        small(),
        tokens.quiet,
    );
    let strip_area =
        Rect::from_min_size(pos2(inner.left(), picture.bottom() + 8.0), vec2(inner.width(), 14.0));
    strip(painter, strip_area, tokens, entry);
    let mut y = strip_area.bottom() + 6.0;
    painter.galley(pos2(inner.left(), y), state_galley.clone(), colour);
    y += state_galley.size().y + 4.0;
    if let Some(galley) = warning_galley {
        let height = galley.size().y;
        painter.galley(pos2(inner.left(), y), galley, tokens.trouble);
        y += height + 4.0;
    }
    if let Some(share) = progress {
        let track = Rect::from_min_size(pos2(inner.left(), y + 1.0), vec2(inner.width(), 3.0));
        paint_bar(painter, track, tokens, share);
    }
    response
}

fn thumbnail(
    ui: &Ui,
    area: Rect,
    tokens: &Tokens,
    entry: &Entry,
    light: Light,
    thumbnails: &mut Thumbnails,
) {
    ui.painter().rect_filled(area, 3.0, tokens.surround);
    let Some(picture) = &entry.thumbnail else { return };
    let red = light == Light::Red;
    let known = thumbnails.textures.get(&entry.id);
    if known.is_none_or(|(id, was_red, _)| *id != picture.id || *was_red != red) {
        let pixels = picture
            .grey
            .iter()
            .map(|v| if red { Color32::from_rgb(*v, 0, 0) } else { Color32::from_gray(*v) })
            .collect();
        let image = ColorImage::new([picture.width, picture.height], pixels);
        let texture = ui.ctx().load_texture("thumbnail", image, TextureOptions::LINEAR);
        thumbnails.textures.insert(entry.id, (picture.id, red, texture));
    }
    let Some((_, _, texture)) = thumbnails.textures.get(&entry.id) else { return };
    // The middle of the picture, cut to the shape of the place.
    let (w, h) = (picture.width as f32, picture.height as f32);
    let fill = (area.width() / w).max(area.height() / h);
    let seen: Vec2 = vec2(area.width() / (w * fill), area.height() / (h * fill));
    let uv = Rect::from_center_size(pos2(0.5, 0.5), seen);
    let shape = egui::epaint::RectShape::filled(area, CornerRadius::same(3), Color32::WHITE)
        .with_texture(texture.id(), uv);
    ui.painter().add(Shape::Rect(shape));
}

/// Grade over time as a line, as wide as the card.
fn strip(painter: &Painter, area: Rect, tokens: &Tokens, entry: &Entry) {
    let Some(chart) = &entry.chart else {
        let y = area.bottom() - 1.0;
        painter.hline(area.x_range(), y, Stroke::new(1.0, tokens.line));
        return;
    };
    let grade = |i: Option<&usize>| i.and_then(|i| chart.points.get(*i)).map(|p| p.grade);
    let (Some(most), Some(least)) = (grade(chart.sorted.first()), grade(chart.sorted.last()))
    else {
        return;
    };
    let span = (most - least).max(1e-9);
    let columns = (area.width() / 2.0) as usize;
    let count = chart.frames;
    let mut line = Vec::with_capacity(columns);
    for column in 0..columns {
        let from = column * count / columns;
        let to = ((column + 1) * count / columns).max(from + 1).min(count);
        let graded = chart.points.len();
        let best = chart.points[from.min(graded)..to.min(graded)]
            .iter()
            .filter(|point| point.rejected.is_none())
            .map(|point| point.grade)
            .fold(f32::NAN, f32::max);
        if best.is_finite() {
            let share = ((best - least) / span).clamp(0.0, 1.0);
            let x = area.left() + column as f32 * area.width() / columns as f32;
            line.push(pos2(x, area.bottom() - share * area.height()));
        }
    }
    painter.line(line, Stroke::new(1.0, tokens.quiet));
}

fn paint_bar(painter: &Painter, track: Rect, tokens: &Tokens, share: f32) {
    painter.rect_filled(track, 1.5, tokens.line.lerp_to_gamma(tokens.edge, 0.35));
    let mut done = track;
    done.set_width(track.width() * share.clamp(0.0, 1.0));
    painter.rect_filled(done, 1.5, tokens.chosen);
}

/// A bar of progress as wide as there is room.
pub fn bar(ui: &mut Ui, tokens: &Tokens, share: f32, name: &str) -> Response {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 4.0), Sense::hover());
    paint_bar(ui.painter(), rect, tokens, share);
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::ProgressIndicator, true, name);
        info.value = Some(f64::from(100.0 * share).round());
        info
    });
    response
}

fn drop_hint(ui: &mut Ui, tokens: &Tokens, hovering: bool) {
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 56.0), Sense::hover());
    let colour = if hovering { tokens.chosen } else { tokens.edge };
    let corners = rect.shrink(0.5);
    let path = [
        corners.left_top(),
        corners.right_top(),
        corners.right_bottom(),
        corners.left_bottom(),
        corners.left_top(),
    ];
    ui.painter().extend(Shape::dashed_line(&path, Stroke::new(1.0, colour), 3.0, 3.0));
    let text = "Drop captures or a folder\nanywhere on the window";
    let mut job = egui::text::LayoutJob::simple(text.into(), body(), tokens.quiet, f32::INFINITY);
    job.halign = egui::Align::Center;
    let words = ui.painter().layout_job(job);
    let top = rect.center().y - words.size().y / 2.0;
    ui.painter().galley(pos2(rect.center().x, top), words, tokens.quiet);
}

#[cfg(test)]
mod tests {
    use super::own_part;

    #[test]
    fn a_sequence_ends_with_its_number() {
        for (first, last, part) in [
            ("moon_001", "moon_012", "012"),
            ("r1", "r10", "10"),
            ("7a", "12a", "12a"),
            ("same", "same", "same"),
            ("n\u{b0}1", "n\u{b0}2", "2"),
        ] {
            assert_eq!(own_part(first, last), part);
        }
    }
}
