//! Grade over time: hover to see a frame, drag to leave a stretch out.

use super::points::{PointColours, index_at, x_of};
use super::{ChartAct, ChartData, ChartState, Heights, frame_words};
use crate::theme::{CORNER, GRID, Light, Tokens, body, small};
use crate::words;
use egui::{
    Align2, Color32, CursorIcon, EventFilter, Key, Modifiers, Pos2, Rect, Response, Role, Sense,
    Shape, Stroke, Ui, WidgetInfo, pos2,
};
use stillwright_night::choice::FrameRange;
use stillwright_night::seeing::Rejection;

/// What the chart is called.
pub const NAME: &str = "Grade over time";

pub(super) fn show(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    data: &ChartData<'_>,
    state: &mut ChartState,
    acts: &mut Vec<ChartAct>,
) {
    let plot = Rect::from_min_max(
        pos2(area.left(), area.top() + 6.0 * GRID),
        pos2(area.right(), area.bottom() - 6.0 * GRID),
    );
    let id = ui.scope_id().with(NAME);
    let response = ui.interact(plot, id, Sense::click_and_drag());
    let count = data.chart.frames;
    let hovered = response.hover_pos().map(|at| index_at(plot, at.x, count));
    pointer(ui, &response, plot, data, state, hovered, acts);
    keyboard(ui, &response, data, state, acts);

    let painter = ui.painter().with_clip_rect(area.expand(2.0));
    painter.hline(plot.x_range(), plot.bottom() + 0.5, Stroke::new(1.0, tokens.line));
    bands(&painter, plot, tokens, data);
    let colours = PointColours {
        kept: tokens.chosen,
        other: if data.light == Light::Red { Color32::from_rgb(0x90, 0, 0) } else { tokens.edge },
        out: tokens.line.lerp_to_gamma(tokens.edge, 0.5),
    };
    painter.add(state.points.shape(data.chart, plot, data.light, colours));
    if let Some(first) = state.brush
        && let Some(now) = hovered.or_else(|| pointer_index(ui, plot, count))
    {
        brushed(&painter, plot, tokens, data, FrameRange::new(first, now));
    } else if let Some(end) = state.marked {
        brushed(&painter, plot, tokens, data, FrameRange::new(data.cursor, end));
    }
    cursor(&painter, plot, tokens, data);
    captions(&painter, area, plot, tokens, data, state.brush.is_some(), hovered);
    if response.has_focus() {
        let around = plot.expand(2.0);
        painter.rect_stroke(
            around,
            CORNER,
            Stroke::new(1.0, tokens.chosen),
            egui::StrokeKind::Inside,
        );
    }
    describe(ui, &response, data);
}

fn pointer_index(ui: &Ui, plot: Rect, count: usize) -> Option<usize> {
    ui.input(|i| i.pointer.interact_pos()).map(|at| index_at(plot, at.x, count))
}

fn band_at<'a>(data: &ChartData<'a>, index: usize) -> Option<&'a FrameRange> {
    data.excluded.iter().find(|range| (range.first..=range.last).contains(&index))
}

fn pointer(
    ui: &Ui,
    response: &Response,
    plot: Rect,
    data: &ChartData<'_>,
    state: &mut ChartState,
    hovered: Option<usize>,
    acts: &mut Vec<ChartAct>,
) {
    let count = data.chart.frames;
    if count == 0 {
        state.brush = None;
        return;
    }
    if let Some(index) = hovered
        && index != data.cursor
        && ui.input(|i| i.pointer.delta() != egui::Vec2::ZERO)
        && state.brush.is_none()
    {
        state.marked = None;
        acts.push(ChartAct::Frame(index));
    }
    if response.drag_started() {
        let origin = ui.input(|i| i.pointer.press_origin());
        state.brush = origin.map(|at| index_at(plot, at.x, count));
        state.marked = None;
    }
    if ui.input(|i| i.key_pressed(Key::Escape)) {
        state.brush = None;
        state.marked = None;
    }
    if response.drag_stopped()
        && let Some(first) = state.brush.take()
        && let Some(last) = pointer_index(ui, plot, count)
    {
        let range = FrameRange::new(first, last);
        acts.push(match band_at(data, first) {
            Some(_) => ChartAct::Include(range),
            None => ChartAct::Exclude(range),
        });
    }
    if response.clicked()
        && let Some(index) = hovered
    {
        response.request_focus();
        match band_at(data, index) {
            Some(band) => acts.push(ChartAct::Include(*band)),
            None => acts.push(ChartAct::Frame(index)),
        }
    }
    if hovered.is_some() {
        ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
    }
}

fn keyboard(
    ui: &Ui,
    response: &Response,
    data: &ChartData<'_>,
    state: &mut ChartState,
    acts: &mut Vec<ChartAct>,
) {
    let last = data.chart.frames.saturating_sub(1);
    if !response.has_focus() || data.chart.points.is_empty() {
        return;
    }
    let filter = EventFilter { horizontal_arrows: true, ..EventFilter::default() };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    let pressed = |modifiers: Modifiers, key: Key| {
        ui.input_mut(|i| i.count_and_consume_key(modifiers, key)) as i64
    };
    let stride = (last as i64 / 40).max(1);
    let step = |modifiers: Modifiers| {
        pressed(modifiers, Key::ArrowRight) - pressed(modifiers, Key::ArrowLeft)
            + stride * (pressed(modifiers, Key::PageDown) - pressed(modifiers, Key::PageUp))
    };
    let marking = step(Modifiers::SHIFT);
    let moving = step(Modifiers::NONE);
    let to = |from: usize, by: i64| (from as i64 + by).clamp(0, last as i64) as usize;
    if marking != 0 {
        // The far end stays; the cursor, whose frame is seen, moves.
        state.marked.get_or_insert(data.cursor);
        acts.push(ChartAct::Frame(to(data.cursor, marking)));
    } else if moving != 0 {
        state.marked = None;
        acts.push(ChartAct::Frame(to(data.cursor, moving)));
    }
    if pressed(Modifiers::NONE, Key::Home) > 0 {
        acts.push(ChartAct::Frame(0));
    }
    if pressed(Modifiers::NONE, Key::End) > 0 {
        acts.push(ChartAct::Frame(last));
    }
    let range = FrameRange::new(data.cursor, state.marked.unwrap_or(data.cursor));
    if pressed(Modifiers::NONE, Key::Delete) > 0 {
        acts.push(ChartAct::Exclude(range));
        state.marked = None;
    }
    if pressed(Modifiers::NONE, Key::Insert) > 0 {
        acts.push(ChartAct::Include(range));
        state.marked = None;
    }
}

/// Where a stretch lies; a single frame is still wide enough to be seen.
fn span(plot: Rect, range: &FrameRange, count: usize) -> Rect {
    let last = count.saturating_sub(1);
    let left = x_of(plot, range.first.min(last), count) - 2.0;
    let right = x_of(plot, range.last.min(last), count) + 2.0;
    Rect::from_min_max(pos2(left, plot.top()), pos2(right, plot.bottom()))
}

/// Stretches that the person left out, and longer ones that the survey refused.
fn bands(painter: &egui::Painter, plot: Rect, tokens: &Tokens, data: &ChartData<'_>) {
    let count = data.chart.frames;
    let wash = tokens.card_hover.lerp_to_gamma(tokens.edge, 0.18);
    let mut labelled = f32::MIN;
    let mut label = |rect: Rect, words: &str| {
        let galley = painter.layout_no_wrap(words.into(), small(), tokens.quiet);
        // Beside the stretch, or before it where there is no room.
        let beside = rect.right() + 6.0;
        let x = if beside + galley.size().x < plot.right() {
            beside
        } else {
            rect.left() - 6.0 - galley.size().x
        };
        if x > labelled {
            labelled = x + galley.size().x;
            painter.galley(pos2(x, plot.top()), galley, tokens.quiet);
        }
    };
    for range in data.excluded {
        let rect = span(plot, range, count);
        painter.rect_filled(rect, 0, wash);
        label(rect, "left out");
    }
    for (range, reason) in refused(data) {
        let rect = span(plot, &range, count);
        let foot = Rect::from_min_max(pos2(rect.left(), plot.bottom() - 3.0), rect.max);
        painter.rect_filled(foot, 0, tokens.trouble);
        if range.last - range.first > count / 50 {
            label(rect, reason_word(reason));
        }
    }
}

fn reason_word(reason: Rejection) -> &'static str {
    match reason {
        Rejection::Blank => "blank",
        Rejection::Cloud => "cloud: not used",
        Rejection::Bumped => "bumped: not used",
        Rejection::Unreadable => "unreadable",
        Rejection::Excluded => "left out",
    }
}

/// Stretches that the survey refused, with the reason.
fn refused(data: &ChartData<'_>) -> Vec<(FrameRange, Rejection)> {
    let mut found: Vec<(FrameRange, Rejection)> = Vec::new();
    for point in &data.chart.points {
        let Some(reason) = point.rejected.filter(|reason| *reason != Rejection::Excluded) else {
            continue;
        };
        match found.last_mut() {
            Some((range, known)) if *known == reason && range.last + 1 == point.index => {
                range.last = point.index;
            }
            _ => found.push((FrameRange::one(point.index), reason)),
        }
    }
    found
}

fn brushed(
    painter: &egui::Painter,
    plot: Rect,
    tokens: &Tokens,
    data: &ChartData<'_>,
    range: FrameRange,
) {
    let count = data.chart.frames;
    let rect = span(plot, &range, count);
    painter.rect_filled(rect, 0, tokens.chosen.gamma_multiply(0.18));
    painter.vline(rect.left(), rect.y_range(), Stroke::new(1.0, tokens.chosen));
    painter.vline(rect.right(), rect.y_range(), Stroke::new(1.0, tokens.chosen));
}

fn cursor(painter: &egui::Painter, plot: Rect, tokens: &Tokens, data: &ChartData<'_>) {
    let Some(point) = data.chart.points.get(data.cursor) else { return };
    let at = pos2(
        x_of(plot, data.cursor, data.chart.frames),
        Heights::of(data.chart).y(plot, point.grade),
    );
    painter.vline(at.x, plot.y_range(), Stroke::new(1.0, tokens.edge));
    painter.circle_stroke(at, 4.5, Stroke::new(1.5, tokens.text));
}

fn captions(
    painter: &egui::Painter,
    area: Rect,
    plot: Rect,
    tokens: &Tokens,
    data: &ChartData<'_>,
    brushing: bool,
    hovered: Option<usize>,
) {
    let top = area.top() + 2.0;
    let title = painter.text(area.left_top(), Align2::LEFT_TOP, NAME, body(), tokens.quiet);
    let words = if brushing {
        "let go to leave this stretch out, Esc to forget it".to_string()
    } else if hovered.is_some_and(|index| band_at(data, index).is_some()) {
        "left out by you: click to take it back in".to_string()
    } else {
        match data.chart.points.get(data.cursor) {
            Some(_) => format!(
                "frame {} · {}",
                words::count(data.cursor as u64 + 1),
                frame_words(data, data.cursor)
            ),
            None => String::new(),
        }
    };
    let galley = painter.layout_no_wrap(words, small(), tokens.quiet);
    let x = (area.right() - galley.size().x).max(title.right() + 4.0 * GRID);
    painter.galley(pos2(x, top), galley, tokens.quiet);
    let count = data.chart.frames;
    if count == 0 {
        return;
    }
    let last = data.chart.end_s();
    let (from, to) = if data.timed {
        (time_words(data, 0.0, 0), time_words(data, last, 0))
    } else {
        ("frame 1".to_string(), format!("frame {}", words::count(count as u64)))
    };
    let y = plot.bottom() + 2.0 * GRID;
    painter.text(pos2(area.left(), y), Align2::LEFT_TOP, from, small(), tokens.quiet);
    painter.text(pos2(area.right(), y), Align2::RIGHT_TOP, to, small(), tokens.quiet);
    let hint = if data.chart.is_whole() {
        "hover to see a frame, drag to leave a stretch out".to_string()
    } else {
        let graded = words::count(data.chart.points.len() as u64);
        format!("{graded} of {} frames graded", words::count(count as u64))
    };
    painter.text(pos2(area.center().x, y), Align2::CENTER_TOP, hint, small(), tokens.quiet);
}

/// A time on the axis: of day where the start is known, else since the start.
pub(super) fn time_words(data: &ChartData<'_>, time_s: f32, decimals: usize) -> String {
    match data.start_utc.and_then(|start| words::clock(start, f64::from(time_s), decimals)) {
        Some(clock) => clock,
        None => words::seconds(f64::from(time_s)),
    }
}

fn describe(ui: &Ui, response: &Response, data: &ChartData<'_>) {
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::Slider, ui.is_enabled(), NAME);
        info.value = Some(data.cursor as f64 + 1.0);
        info
    });
    let value = format!("frame {}, {}", data.cursor + 1, frame_words(data, data.cursor));
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(value);
        node.set_min_numeric_value(1.0);
        node.set_max_numeric_value(data.chart.frames as f64);
        node.set_description(
            "Arrow keys move from frame to frame, with Shift they mark a stretch; Delete leaves \
             it out, Insert takes it back in.",
        );
    });
}

/// A mark that points down upon `tip`.
pub(super) fn pointer_down(tip: Pos2, size: f32, colour: Color32) -> Shape {
    let points =
        vec![tip, tip + egui::vec2(-size, -1.4 * size), tip + egui::vec2(size, -1.4 * size)];
    Shape::convex_polygon(points, colour, Stroke::NONE)
}
