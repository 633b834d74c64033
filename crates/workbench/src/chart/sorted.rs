//! The same grades from best to worst: the keep is dragged here.

use super::time::pointer_down;
use super::{ChartAct, ChartData, Heights};
use crate::theme::{CORNER, GRID, Tokens, body, small};
use crate::words;
use egui::accesskit::{Action, ActionData};
use egui::{
    Align2, CursorIcon, EventFilter, Key, Modifiers, Rect, Response, Sense, Shape, Stroke, Ui,
    WidgetInfo, pos2,
};

/// What the handle is called.
pub const NAME: &str = "Keep";

/// Least keep that can be chosen here, percent: below, a stack is a few frames.
const LEAST: f32 = 0.5;

pub(super) fn show(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    data: &ChartData<'_>,
    acts: &mut Vec<ChartAct>,
) {
    let plot = Rect::from_min_max(
        pos2(area.left(), area.top() + 6.0 * GRID),
        pos2(area.right(), area.bottom() - 6.0 * GRID),
    );
    // The handle hangs below the plot.
    let reach = Rect::from_min_max(plot.min, area.max);
    let response = ui.interact(reach, ui.scope_id().with(NAME), Sense::click_and_drag());
    act(ui, &response, plot, data, acts);

    let painter = ui.painter();
    painter.text(area.left_top(), Align2::LEFT_TOP, "Best to worst", body(), tokens.quiet);
    painter.hline(plot.x_range(), plot.bottom() + 0.5, Stroke::new(1.0, tokens.line));
    if data.chart.sorted.is_empty() {
        describe(ui, &response, data);
        return;
    }
    let keep = data.chart.keep_percent;
    if let Some(percent) = keep {
        let kept = Rect::from_min_max(plot.min, pos2(x_of(plot, percent), plot.bottom()));
        painter.rect_filled(kept, 0, tokens.chosen.gamma_multiply(0.12));
    }
    curve(painter, plot, tokens, data);
    advice(painter, area, plot, tokens, data);
    handle(ui, &response, plot, tokens, data);
    if response.has_focus() {
        let around = plot.expand(2.0);
        let stroke = Stroke::new(1.0, tokens.chosen);
        painter.rect_stroke(around, CORNER, stroke, egui::StrokeKind::Inside);
    }
    describe(ui, &response, data);
}

fn x_of(plot: Rect, percent: f32) -> f32 {
    plot.left() + percent / 100.0 * plot.width()
}

fn percent_at(plot: Rect, x: f32) -> f32 {
    let percent = 100.0 * (x - plot.left()) / plot.width().max(1.0);
    let percent = if percent < 10.0 { (percent * 2.0).round() / 2.0 } else { percent.round() };
    percent.clamp(LEAST, 100.0)
}

fn act(ui: &Ui, response: &Response, plot: Rect, data: &ChartData<'_>, acts: &mut Vec<ChartAct>) {
    if data.chart.sorted.is_empty() {
        return;
    }
    let now = data.chart.keep_percent.unwrap_or(20.0);
    let mut keep = |percent: f32, settled: bool| {
        acts.push(ChartAct::Keep { percent: percent.clamp(LEAST, 100.0), settled });
    };
    if response.double_clicked() {
        acts.push(ChartAct::KeepAdvised);
        return;
    }
    let pointer = ui.input(|i| i.pointer.interact_pos());
    if let Some(at) = pointer {
        if response.drag_stopped() {
            keep(percent_at(plot, at.x), true);
        } else if response.dragged() {
            keep(percent_at(plot, at.x), false);
        } else if response.clicked() {
            response.request_focus();
            keep(percent_at(plot, at.x), true);
        }
    }
    if response.hovered() || response.dragged() {
        ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
    }
    let asked = ui.input(|input| {
        let count = |action| input.num_accesskit_action_requests(response.id, action) as f32;
        let set = input.accesskit_action_requests(response.id, Action::SetValue).find_map(|r| {
            if let Some(ActionData::NumericValue(value)) = r.data {
                Some(value as f32)
            } else {
                None
            }
        });
        (count(Action::Increment) - count(Action::Decrement), set)
    });
    if let Some(set) = asked.1.filter(|value| value.is_finite()) {
        keep(set, true);
    } else if asked.0 != 0.0 {
        keep(now + asked.0, true);
    }
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        let pressed =
            |key: Key| ui.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key)) as f32;
        let steps = pressed(Key::ArrowRight) - pressed(Key::ArrowLeft)
            + 10.0 * (pressed(Key::PageUp) - pressed(Key::PageDown));
        if steps != 0.0 {
            keep((now + steps).round(), true);
        }
        if pressed(Key::Home) > 0.0 {
            keep(1.0, true);
        }
        if pressed(Key::End) > 0.0 {
            keep(100.0, true);
        }
        if pressed(Key::Backspace) > 0.0 {
            acts.push(ChartAct::KeepAdvised);
        }
    }
}

/// Grades, sorted: at most one point of the line for each px.
fn curve(painter: &egui::Painter, plot: Rect, tokens: &Tokens, data: &ChartData<'_>) {
    let heights = Heights::of(data.chart);
    let sorted = &data.chart.sorted;
    let steps = (plot.width() as usize).clamp(2, sorted.len().max(2));
    let line: Vec<_> = (0..steps)
        .filter_map(|step| {
            let share = step as f32 / (steps - 1) as f32;
            let at = (share * (sorted.len() - 1) as f32).round() as usize;
            let point = data.chart.points.get(*sorted.get(at)?)?;
            Some(pos2(plot.left() + share * plot.width(), heights.y(plot, point.grade)))
        })
        .collect();
    painter.line(line, Stroke::new(1.25, tokens.text));
}

/// The detail that a stack of each keep would hold, and the keep that is advised.
fn advice(painter: &egui::Painter, area: Rect, plot: Rect, tokens: &Tokens, data: &ChartData<'_>) {
    let Some(advice) = data.advice else { return };
    let bits = || advice.ladder.iter().map(|rung| rung.information_bits);
    let most = bits().fold(f64::MIN, f64::max);
    // Differences of a few per cent must not look like more.
    let least = bits().fold(f64::MAX, f64::min).min(0.85 * most);
    if most > least {
        let line: Vec<_> = advice
            .ladder
            .iter()
            .map(|rung| {
                let share = ((rung.information_bits - least) / (most - least)) as f32;
                let y = plot.bottom() - (0.12 + 0.7 * share) * plot.height();
                pos2(x_of(plot, rung.percent), y)
            })
            .collect();
        // Dashed, so that it is not told from the grades by colour alone.
        painter.extend(Shape::dashed_line(&line, Stroke::new(1.5, tokens.measured), 5.0, 3.0));
        let words = "- - detail in the still";
        painter.text(area.right_top(), Align2::RIGHT_TOP, words, small(), tokens.measured);
    }
    let tip = pos2(x_of(plot, advice.percent).round(), plot.top() + 1.0);
    painter.add(pointer_down(tip, 4.0, tokens.measured));
    painter.vline(tip.x, plot.top()..=plot.top() + 10.0, Stroke::new(1.0, tokens.measured));
    let words = format!("advised {}", words::percent(f64::from(advice.percent)));
    let galley = painter.layout_no_wrap(words, small(), tokens.measured);
    // Beside the line, never on it: on the left where the right has no room.
    let (gap, wide) = (8.0, galley.size().x);
    let fits = tip.x + gap + wide <= plot.right();
    let x = if fits { tip.x + gap } else { tip.x - gap - wide };
    painter.galley(pos2(x, plot.top() + 2.0), galley, tokens.measured);
}

fn handle(ui: &Ui, response: &Response, plot: Rect, tokens: &Tokens, data: &ChartData<'_>) {
    let painter = ui.painter();
    let Some(percent) = data.chart.keep_percent else {
        let words = "keep: found while stacking, or drag here";
        let at = pos2(plot.left(), plot.bottom() + 2.0 * GRID);
        painter.text(at, Align2::LEFT_TOP, words, small(), tokens.quiet);
        return;
    };
    let x = x_of(plot, percent).round();
    let bottom = plot.bottom();
    painter.vline(x, plot.top()..=bottom + 4.0, Stroke::new(2.0, tokens.chosen));
    let half = if response.hovered() || response.dragged() { 7.0 } else { 6.0 };
    let grip = vec![
        pos2(x - half, bottom + 3.0),
        pos2(x + half, bottom + 3.0),
        pos2(x + half, bottom + 12.0),
        pos2(x, bottom + 18.0),
        pos2(x - half, bottom + 12.0),
    ];
    painter.add(Shape::convex_polygon(grip, tokens.chosen, Stroke::NONE));
    let by = if data.automatic { " as advised" } else { "" };
    let words = format!("keep {}{by}", words::percent(f64::from(percent)));
    let galley = painter.layout_no_wrap(words, small(), tokens.chosen);
    let after = x + half + 6.0;
    let fits = after + galley.size().x <= plot.right() + 4.0 * GRID;
    let at = if fits { after } else { (x - half - 6.0 - galley.size().x).max(plot.left()) };
    painter.galley(pos2(at, bottom + 2.0 * GRID - 1.0), galley, tokens.chosen);
}

fn describe(ui: &Ui, response: &Response, data: &ChartData<'_>) {
    let percent = data.chart.keep_percent.map(f64::from);
    response.widget_info(|| WidgetInfo::slider(ui.is_enabled(), percent.unwrap_or(0.0), NAME));
    let words = match percent {
        Some(percent) => format!("{percent} percent of {} frames", data.chart.sorted.len()),
        None => "not decided yet".to_string(),
    };
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(words);
        node.set_min_numeric_value(f64::from(LEAST));
        node.set_max_numeric_value(100.0);
        for action in [Action::SetValue, Action::Increment, Action::Decrement] {
            node.add_action(action);
        }
        node.set_description("Backspace returns to the advised keep.");
    });
}
