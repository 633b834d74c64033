//! The inspector: what is selected, in sections that fold.
//!
//! A panel is one file here and one row in [`SECTIONS`]. Every control says in a tooltip what it
//! does for the picture and in which unit, returns to its rest by a double-click, and takes typed
//! numbers.

mod calibration;
mod capture;
mod detail;
mod export;
mod ground;
mod keep;
mod limits;
mod measure;
mod optics;
mod reference;
mod rows;
mod sky;
mod tone;
pub mod typed;

pub use calibration::with_files;
pub use export::target;
pub use optics::OpticsDraft;

use crate::instruments::Mode;
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, title};
use egui::{Align, Label, Layout, RichText, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};
use stillwright_night::session::Entry;

/// What a section is given.
pub struct Bench<'a, 'd> {
    /// Colours.
    pub tokens: &'a Tokens,
    /// The session and the wishes.
    pub desk: &'a mut Desk<'d>,
    /// The view.
    pub view: &'a mut ViewState,
    /// The capture that is selected.
    pub entry: &'a Entry,
}

/// One section.
struct Section {
    name: &'static str,
    /// A few words beside the name.
    words: fn(&Entry) -> String,
    show: fn(&mut Ui, &mut Bench<'_, '_>),
    open: bool,
    /// Whether it has anything to say of this capture.
    there: fn(&Entry) -> bool,
}

const SECTIONS: &[Section] = &[
    Section {
        name: "Capture",
        words: capture::words,
        show: capture::show,
        open: true,
        there: |_| true,
    },
    Section {
        name: "Calibration",
        words: calibration::words,
        show: calibration::show,
        open: false,
        there: |_| true,
    },
    Section {
        name: "Optics",
        words: optics::words,
        show: optics::show,
        open: true,
        there: |_| true,
    },
    Section { name: "Keep", words: keep::words, show: keep::show, open: true, there: |_| true },
    Section {
        name: "Finish",
        words: detail::words,
        show: detail::show,
        open: true,
        there: |_| true,
    },
    Section { name: "Tone", words: tone::words, show: tone::show, open: true, there: |_| true },
    Section {
        name: "Colour",
        words: tone::colour_words,
        show: tone::show_colour,
        open: true,
        there: tone::has_colour,
    },
    Section {
        name: "Export",
        words: export::words,
        show: export::show,
        open: true,
        there: |_| true,
    },
];

/// The sections of measuring.
const MEASURE: &[Section] = &[
    Section { name: "Sky", words: sky::words, show: sky::show, open: true, there: |_| true },
    Section {
        name: "Ground",
        words: ground::words,
        show: ground::show,
        open: true,
        there: |_| true,
    },
    Section {
        name: "Instruments",
        words: measure::words,
        show: measure::show,
        open: true,
        there: |_| true,
    },
    Section {
        name: "Resolution",
        words: limits::words,
        show: limits::show,
        open: true,
        there: |_| true,
    },
];

/// The sections of comparing.
const COMPARE: &[Section] = &[Section {
    name: "Reference",
    words: reference::words,
    show: reference::show,
    open: true,
    there: |_| true,
}];

/// Draw the inspector: the sections scroll, the main button stays.
pub fn show(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    let session = desk.session;
    let Some(entry) = session.selected() else { return };
    let mode = view.measure.mode;
    let mut bench = Bench { tokens, desk, view, entry };
    let spacing = ui.spacing_mut();
    spacing.item_spacing.y = 2.0;
    spacing.interact_size.y = 22.0;
    spacing.button_padding.y = 2.0;
    egui::Panel::bottom("main button")
        .frame(egui::Frame::NONE)
        .resizable(false)
        .show_separator_line(false)
        .show(ui, |ui| match mode {
            Mode::Finish => export::button(ui, &mut bench),
            Mode::Measure => measure::button(ui, &mut bench),
            Mode::Compare => reference::button(ui, &mut bench),
        });
    modes(ui, &mut bench);
    egui::ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.add_space(8.0);
        let sections = match mode {
            Mode::Finish => SECTIONS,
            Mode::Measure => MEASURE,
            Mode::Compare => COMPARE,
        };
        for (number, section) in sections.iter().filter(|s| (s.there)(entry)).enumerate() {
            if number > 0 {
                ui.add_space(6.0);
                let (rect, _) =
                    ui.allocate_exact_size(vec2(ui.available_width(), 1.0), Sense::hover());
                ui.painter().hline(rect.x_range(), rect.top() + 0.5, Stroke::new(1.0, tokens.line));
                ui.add_space(4.0);
            }
            let open = header(ui, &bench, section);
            if open {
                ui.add_space(2.0);
                ui.push_id(section.name, |ui| (section.show)(ui, &mut bench));
            }
        }
        ui.add_space(16.0);
    });
}

/// What the inspector is about: one of three.
fn modes(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    ui.add_space(6.0);
    ui.horizontal(|ui| {
        for (mode, name, tip) in Mode::ALL {
            let on = bench.view.measure.mode == mode;
            let colour = if on { bench.tokens.text } else { bench.tokens.quiet };
            let text = RichText::new(name).font(title()).color(colour);
            if ui.add(egui::Button::selectable(on, text)).on_hover_text(tip).clicked() {
                bench.view.measure.turn_to(mode);
            }
        }
    });
}

/// The line that folds a section; whether it is open.
fn header(ui: &mut Ui, bench: &Bench<'_, '_>, section: &Section) -> bool {
    let tokens = bench.tokens;
    let id = ui.make_persistent_id(("section", section.name));
    let mut open = ui.data_mut(|data| *data.get_persisted_mut_or(id, section.open));
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 24.0), Sense::click());
    if response.clicked() {
        open = !open;
        ui.data_mut(|data| data.insert_persisted(id, open));
    }
    let colour =
        if response.hovered() || response.has_focus() { tokens.chosen } else { tokens.text };
    let quiet = if response.hovered() { tokens.chosen } else { tokens.quiet };
    rows::arrow(ui.painter(), pos2(rect.left() + 4.0, rect.center().y), open, quiet);
    let name = ui.painter().layout_no_wrap(section.name.into(), title(), colour);
    let after = rect.left() + 14.0 + name.size().x;
    ui.painter().galley(
        pos2(rect.left() + 14.0, rect.center().y - name.size().y / 2.0),
        name,
        colour,
    );
    let mut place = rect;
    place.set_left(after + 12.0);
    let words = (section.words)(bench.entry);
    if !words.is_empty() {
        let mut child = ui.new_child(
            egui::UiBuilder::new().max_rect(place).layout(Layout::right_to_left(Align::Center)),
        );
        child.add(Label::new(RichText::new(words).font(body()).color(tokens.quiet)).truncate());
    }
    response.widget_info(|| {
        let role = egui::Role::Button;
        let state = if open { "open" } else { "folded" };
        WidgetInfo::labeled(role, true, format!("Section {}, {state}", section.name))
    });
    open
}
