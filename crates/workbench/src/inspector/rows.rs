//! Lines of the inspector: a name on the left, a value on the right.

use crate::slider::{Moved, Scale, field, rail};
use crate::theme::{Tokens, body, small};
use egui::{
    Align, Color32, ComboBox, Label, Layout, Painter, Pos2, Response, RichText, Role, Sense,
    Stroke, Ui, UiBuilder, WidgetInfo, pos2, vec2,
};

/// Height of a line, px.
const LINE: f32 = 22.0;
/// Width of names before a slider, px.
const NAME: f32 = 104.0;
/// Width of the number behind a slider, px.
const NUMBER: f32 = 56.0;

/// A fact: its name, and its value in text colour.
pub fn fact(ui: &mut Ui, tokens: &Tokens, name: &str, value: &str, tip: &str) {
    let name = ui.painter().layout_no_wrap(name.into(), body(), tokens.quiet);
    let room = ui.available_width() - name.size().x - 12.0;
    let text = ui.painter().layout(value.into(), body(), tokens.text, room.max(80.0));
    let height = text.size().y.max(name.size().y) + 3.0;
    let (rect, response) =
        ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let left = text.size().x;
    ui.painter().galley(rect.min + vec2(0.0, 2.0), name, tokens.quiet);
    let at = pos2(rect.right() - left, rect.top() + 2.0);
    ui.painter().galley(at, text, tokens.text);
    if !tip.is_empty() {
        response.on_hover_text(tip);
    }
}

/// A sentence; trouble says so in its own colour.
pub fn sentence(ui: &mut Ui, text: &str, colour: Color32) {
    ui.add(Label::new(RichText::new(text).font(small()).color(colour)).wrap());
}

/// A line with a name on the left and a control on the right.
pub fn line<R>(
    ui: &mut Ui,
    tokens: &Tokens,
    name: &str,
    tip: &str,
    control: impl FnOnce(&mut Ui) -> R,
) -> R {
    let (rect, response) =
        ui.allocate_exact_size(vec2(ui.available_width(), LINE + 2.0), Sense::hover());
    let text = ui.painter().layout_no_wrap(name.into(), body(), tokens.quiet);
    let y = rect.center().y - text.size().y / 2.0;
    ui.painter().galley(pos2(rect.left(), y), text, tokens.quiet);
    if !tip.is_empty() {
        response.on_hover_text(tip);
    }
    let mut child = ui.new_child(
        UiBuilder::new().id_salt(name).max_rect(rect).layout(Layout::right_to_left(Align::Center)),
    );
    control(&mut child)
}

/// One of a few: a list that opens.
pub fn choice<T: Copy + PartialEq>(
    ui: &mut Ui,
    tokens: &Tokens,
    name: &str,
    tip: &str,
    now: T,
    all: &[(T, &str)],
) -> Option<T> {
    let mut chosen = now;
    line(ui, tokens, name, tip, |ui| {
        let words = all.iter().find(|(value, _)| *value == now).map_or("", |(_, words)| words);
        let inner =
            ComboBox::from_id_salt(name).selected_text(words).width(136.0).show_ui(ui, |ui| {
                for (value, words) in all {
                    ui.selectable_value(&mut chosen, *value, *words);
                }
            });
        let _ = inner.response.accessible_name(name).on_hover_text(tip);
    });
    (chosen != now).then_some(chosen)
}

/// What stands before a slider.
pub struct Title<'a> {
    /// First line.
    pub name: &'a str,
    /// Second line, small; may be empty.
    pub under: &'a str,
    /// What it does for the picture, and in which unit.
    pub tip: &'a str,
}

/// Name, rail and number in a line.
pub fn slider(
    ui: &mut Ui,
    tokens: &Tokens,
    title: &Title<'_>,
    value: &mut f64,
    scale: &Scale,
) -> Moved {
    let height = if title.under.is_empty() { LINE + 2.0 } else { 34.0 };
    let (rect, response) =
        ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let painter = ui.painter();
    let name = painter.layout_no_wrap(title.name.into(), body(), tokens.text);
    if title.under.is_empty() {
        let y = rect.center().y - name.size().y / 2.0;
        painter.galley(pos2(rect.left(), y), name, tokens.text);
    } else {
        let under = painter.layout_no_wrap(title.under.into(), small(), tokens.quiet);
        let below = rect.top() + 1.0 + name.size().y;
        painter.galley(pos2(rect.left(), rect.top() + 1.0), name, tokens.text);
        painter.galley(pos2(rect.left(), below), under, tokens.quiet);
    }
    response.on_hover_text(title.tip);
    let mut place = rect;
    place.set_left(rect.left() + NAME);
    let mut child = ui.new_child(
        UiBuilder::new()
            .id_salt(title.name)
            .max_rect(place)
            .layout(Layout::left_to_right(Align::Center)),
    );
    let width = place.width() - NUMBER - 8.0;
    let rest = match scale.rest {
        Some(_) => "\nThe mark is where the estimate puts it; double-click returns there.",
        None => "",
    };
    let tip = format!("{}{rest}", title.tip);
    let (handle, moved) = rail(&mut child, tokens, title.name, value, scale, width);
    handle.on_hover_text(&tip);
    let typed_name = format!("{} as a number", title.name);
    let (number, typed) = field(&mut child, &typed_name, value, scale, NUMBER);
    number.on_hover_text(format!("{tip}\nClick to type a number."));
    moved.or(typed)
}

/// A box to tick.
pub fn tick(ui: &mut Ui, on: &mut bool, words: &str, tip: &str) -> Response {
    ui.checkbox(on, words).on_hover_text(tip)
}

/// A line that opens more of the same; whether it is open.
pub fn more(ui: &mut Ui, tokens: &Tokens, words: &str, tip: &str) -> bool {
    let id = ui.make_persistent_id(("more", words));
    let mut open = ui.data_mut(|data| *data.get_persisted_mut_or(id, false));
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), LINE), Sense::click());
    if response.clicked() {
        open = !open;
        ui.data_mut(|data| data.insert_persisted(id, open));
    }
    let active = response.hovered() || response.has_focus();
    let colour = if active { tokens.chosen } else { tokens.quiet };
    arrow(ui.painter(), pos2(rect.left() + 4.0, rect.center().y), open, colour);
    let text = ui.painter().layout_no_wrap(words.into(), small(), colour);
    let at = pos2(rect.left() + 14.0, rect.center().y - text.size().y / 2.0);
    ui.painter().galley(at, text, colour);
    let state = if open { "open" } else { "folded" };
    response.widget_info(|| WidgetInfo::labeled(Role::Button, true, format!("{words}, {state}")));
    response.on_hover_text(tip);
    open
}

/// The mark before something that folds.
pub fn arrow(painter: &Painter, at: Pos2, open: bool, colour: Color32) {
    let corners = if open {
        vec![at + vec2(-3.5, -2.0), at + vec2(3.5, -2.0), at + vec2(0.0, 3.0)]
    } else {
        vec![at + vec2(-2.0, -3.5), at + vec2(3.0, 0.0), at + vec2(-2.0, 3.5)]
    };
    painter.add(egui::Shape::convex_polygon(corners, colour, Stroke::NONE));
}
