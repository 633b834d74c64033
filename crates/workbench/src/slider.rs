//! A slider that knows its rest position.
//!
//! A teal mark stands where the program's estimate put the value; double-click, or Backspace,
//! returns to it. The number beside it can be typed. What is changed is told while it moves and
//! once more, for undo, when it is let go.

use crate::theme::Tokens;
use egui::accesskit::{Action, ActionData};
use egui::{
    DragValue, EventFilter, Key, Modifiers, Pos2, Rect, Response, Sense, Stroke, Ui, Vec2,
    WidgetInfo,
};
use std::ops::RangeInclusive;

/// What became of the value.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moved {
    /// It changed just now.
    pub changed: bool,
    /// The person let it go (or typed, or pressed a key): the moment for undo to remember.
    pub settled: bool,
    /// Back to the estimate, whatever that is.
    pub reset: bool,
}

impl Moved {
    /// Both of two.
    pub fn or(self, other: Moved) -> Moved {
        Moved {
            changed: self.changed || other.changed,
            settled: self.settled || other.settled,
            reset: self.reset || other.reset,
        }
    }
}

/// How far a value can go, and how it is told.
#[derive(Clone, Debug)]
pub struct Scale {
    /// Least and greatest.
    pub range: RangeInclusive<f64>,
    /// 1 spreads values evenly along the rail, 2 gives the lower ones more room.
    pub power: f64,
    /// Where the estimate put it.
    pub rest: Option<f64>,
    /// Digits after the point.
    pub decimals: usize,
    /// Before the number.
    pub prefix: &'static str,
    /// After the number.
    pub unit: &'static str,
    /// Whether 0 stands for "not known".
    pub unknown_at_zero: bool,
}

impl Scale {
    /// An even scale.
    pub fn new(range: RangeInclusive<f64>, rest: Option<f64>) -> Scale {
        Scale { range, power: 1.0, rest, decimals: 1, prefix: "", unit: "", unknown_at_zero: false }
    }

    fn share(&self, value: f64) -> f32 {
        let (low, high) = (*self.range.start(), *self.range.end());
        let share = ((value - low) / (high - low)).clamp(0.0, 1.0);
        share.powf(1.0 / self.power) as f32
    }

    fn value(&self, share: f32) -> f64 {
        let (low, high) = (*self.range.start(), *self.range.end());
        let digits = 10f64.powi(self.decimals as i32);
        let value = low + (high - low) * f64::from(share.clamp(0.0, 1.0)).powf(self.power);
        (value * digits).round() / digits
    }
}

/// The rail with its handle and mark, `width` wide.
pub fn rail(
    ui: &mut Ui,
    tokens: &Tokens,
    name: &str,
    value: &mut f64,
    scale: &Scale,
    width: f32,
) -> (Response, Moved) {
    let size = Vec2::new(width, ui.spacing().interact_size.y);
    let (rect, mut response) = ui.allocate_exact_size(size, Sense::click_and_drag());
    let rect = rect.shrink2(Vec2::new(8.0, 0.0));
    let before = *value;
    let mut moved = Moved::default();

    if let Some(pointer) = response.interact_pointer_pos()
        && (response.dragged() || response.clicked())
    {
        *value = scale.value((pointer.x - rect.left()) / rect.width());
        moved.settled |= response.clicked();
    }
    moved.settled |= response.drag_stopped();
    if response.double_clicked() {
        moved.reset = true;
    }
    keyboard(ui, &response, value, scale, &mut moved);
    spoken(ui, &response, value, scale, &mut moved);
    if moved.reset {
        if let Some(rest) = scale.rest {
            *value = rest;
        }
        moved.settled = true;
    }
    moved.changed = *value != before;
    if moved.changed {
        response.mark_changed();
    }

    paint(ui, tokens, rect, &response, *value, scale);
    let (now, range) = (*value, scale.range.clone());
    response.widget_info(|| WidgetInfo::slider(ui.is_enabled(), now, name));
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_min_numeric_value(*range.start());
        node.set_max_numeric_value(*range.end());
        node.add_action(Action::SetValue);
        node.add_action(Action::Increment);
        node.add_action(Action::Decrement);
    });
    (response, moved)
}

fn keyboard(ui: &Ui, response: &Response, value: &mut f64, scale: &Scale, moved: &mut Moved) {
    if !response.has_focus() {
        return;
    }
    let filter = EventFilter { horizontal_arrows: true, ..EventFilter::default() };
    ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    let pressed = |key: Key| ui.input_mut(|i| i.count_and_consume_key(Modifiers::NONE, key)) as f32;
    let steps = pressed(Key::ArrowRight) - pressed(Key::ArrowLeft)
        + 10.0 * (pressed(Key::PageUp) - pressed(Key::PageDown));
    if steps != 0.0 {
        *value = scale.value(scale.share(*value) + steps * 0.01);
        moved.settled = true;
    }
    if pressed(Key::Home) > 0.0 {
        *value = *scale.range.start();
        moved.settled = true;
    }
    if pressed(Key::End) > 0.0 {
        *value = *scale.range.end();
        moved.settled = true;
    }
    moved.reset |= pressed(Key::Backspace) > 0.0;
}

/// What a screen reader asks for.
fn spoken(ui: &Ui, response: &Response, value: &mut f64, scale: &Scale, moved: &mut Moved) {
    let (steps, set) = ui.input(|input| {
        let up = input.num_accesskit_action_requests(response.id, Action::Increment) as f32;
        let down = input.num_accesskit_action_requests(response.id, Action::Decrement) as f32;
        let set = input.accesskit_action_requests(response.id, Action::SetValue).find_map(|r| {
            if let Some(ActionData::NumericValue(value)) = r.data { Some(value) } else { None }
        });
        (up - down, set)
    });
    if steps != 0.0 {
        *value = scale.value(scale.share(*value) + steps * 0.01);
        moved.settled = true;
    }
    if let Some(set) = set.filter(|v| v.is_finite()) {
        *value = set.clamp(*scale.range.start(), *scale.range.end());
        moved.settled = true;
    }
}

fn paint(ui: &Ui, tokens: &Tokens, rect: Rect, response: &Response, value: f64, scale: &Scale) {
    let painter = ui.painter();
    let y = rect.center().y.round() + 0.5;
    let at = |v: f64| (rect.left() + scale.share(v) * rect.width()).round() + 0.5;
    let track =
        Rect::from_min_max(Pos2::new(rect.left(), y - 1.5), Pos2::new(rect.right(), y + 1.5));
    painter.rect_filled(track, 1.5, tokens.line.lerp_to_gamma(tokens.edge, 0.35));
    if let Some(rest) = scale.rest {
        // The estimate's mark is taller than the rail and lies beneath the handle.
        painter.vline(at(rest), y - 9.0..=y + 9.0, Stroke::new(2.0, tokens.measured));
    }
    let active = response.hovered() || response.dragged() || response.has_focus();
    let fill = if active { tokens.chosen } else { tokens.text };
    let fill = if ui.is_enabled() { fill } else { tokens.edge };
    painter.circle(Pos2::new(at(value), y), 6.0, fill, Stroke::new(2.0, tokens.bench));
    if response.has_focus() {
        painter.circle_stroke(Pos2::new(at(value), y), 8.5, Stroke::new(1.0, tokens.chosen));
    }
}

/// The number beside a rail: dragged, or clicked and typed.
pub fn field(
    ui: &mut Ui,
    name: &str,
    value: &mut f64,
    scale: &Scale,
    width: f32,
) -> (Response, Moved) {
    let span = scale.range.end() - scale.range.start();
    let (prefix, unit, unknown_at_zero) = (scale.prefix, scale.unit, scale.unknown_at_zero);
    let drag = DragValue::new(value)
        .range(scale.range.clone())
        // What the program found may lie beyond what a hand would choose: it stays as it is.
        .clamp_existing_to_range(false)
        .speed(span / 400.0)
        .max_decimals(scale.decimals)
        .custom_formatter(move |value, decimals| {
            if unknown_at_zero && value == 0.0 {
                return "not known".into();
            }
            format!("{prefix}{}{unit}", trimmed(value, *decimals.end()))
        })
        .custom_parser(move |text| parsed(text, prefix, unit))
        .update_while_editing(false)
        .min_size(Vec2::new(width, 0.0));
    let response = ui.add(drag).accessible_name(name);
    let rest = scale.rest.filter(|_| response.double_clicked());
    let reset = rest.is_some();
    let typed = response.changed() && !response.dragged();
    let moved = Moved {
        changed: response.changed() && !reset,
        settled: response.drag_stopped() || typed || reset,
        reset,
    };
    if let Some(rest) = rest {
        *value = rest;
    }
    (response, moved)
}

/// A number without needless zeros.
fn trimmed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').replace('-', "−")
    } else {
        text.replace('-', "−")
    }
}

/// What was typed as a number, with or without its unit, with a point or a comma.
fn parsed(text: &str, prefix: &str, unit: &str) -> Option<f64> {
    let text = text.trim().trim_start_matches(prefix).trim_end_matches(unit.trim()).trim();
    text.replace('−', "-").replace(',', ".").parse().ok().filter(|value: &f64| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui_kittest::kittest::Queryable;

    #[test]
    fn a_double_click_on_the_number_returns_to_rest() {
        let scale = Scale::new(0.0..=5.0, Some(1.0));
        let (mut resets, mut has_fonts) = (0, false);
        let mut harness = egui_kittest::Harness::builder().with_step_dt(0.02).build_ui_state(
            |ui, value: &mut f64| {
                // Fonts are there from the next pass on.
                if !std::mem::replace(&mut has_fonts, true) {
                    return crate::theme::install_fonts(ui.ctx());
                }
                let (_, moved) = field(ui, "strength", value, &scale, 80.0);
                if moved.reset {
                    resets += 1;
                    assert!(moved.settled && *value == 1.0, "{moved:?} {value}");
                }
            },
            3.0,
        );
        harness.run();
        let pos = harness.get_by_label("strength").rect().center();
        harness.event(egui::Event::PointerMoved(pos));
        for pressed in [true, false, true, false] {
            let (button, modifiers) = (egui::PointerButton::Primary, Modifiers::NONE);
            harness.event(egui::Event::PointerButton { pos, button, pressed, modifiers });
            harness.step();
        }
        let value = *harness.state();
        drop(harness);
        assert_eq!((resets, value), (1, 1.0));
    }

    #[test]
    fn shares_and_values_agree() {
        let scale = Scale { power: 2.0, ..Scale::new(0.0..=20.0, Some(1.0)) };
        for value in [0.0, 0.5, 1.0, 5.0, 20.0] {
            assert!((scale.value(scale.share(value)) - value).abs() < 0.06);
        }
        assert_eq!(parsed(" 203,2 mm ", "", " mm"), Some(203.2));
        assert_eq!(parsed("×1.5", "×", ""), Some(1.5));
        assert_eq!(parsed("two", "", " mm"), None);
        assert_eq!((trimmed(2.40, 2).as_str(), trimmed(400.0, 0).as_str()), ("2.4", "400"));
        assert_eq!(scale.value(-1.0), 0.0);
        assert_eq!(scale.value(2.0), 20.0);
        assert!((scale.share(5.0) - 0.5).abs() < 1e-6);
    }
}
