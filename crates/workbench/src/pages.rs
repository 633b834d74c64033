//! Pages over the bench: open, keep a recipe, the keys, the words, what came out.

use crate::actions::{ACTIONS, Menu, key_words};
use crate::open::Opener;
use crate::shelf::name_of;
use crate::state::{Desk, Page, ViewState};
use crate::theme::{Tokens, body, large, small, title};
use egui::{Button, Frame, Grid, Id, Key, Modal, RichText, ScrollArea, Stroke, TextEdit, Ui};
use stillwright_night::session::{Command, StillOutcome};

/// Draw the page that is open, if one is.
pub fn show(
    ctx: &egui::Context,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    opener: &Opener,
) {
    let Some(page) = view.page.clone() else { return };
    let frame = Frame::popup(&ctx.global_style()).inner_margin(20);
    let response = Modal::new(Id::unique("page")).frame(frame).show(ctx, |ui| {
        ui.set_max_width(if page == Page::Plan { 760.0 } else { 560.0 });
        match page {
            Page::Open => open(ui, tokens, desk, view, opener),
            Page::SaveRecipe => save_recipe(ui, tokens, desk, view),
            Page::Keys => keys(ui, tokens, view),
            Page::Words => words(ui, tokens, view),
            Page::AllStills => all_stills(ui, tokens, desk, view),
            Page::Plan => crate::plan::show(ui, tokens, desk, view),
        }
    });
    if response.should_close() {
        view.page = None;
    }
}

fn head(ui: &mut Ui, tokens: &Tokens, text: &str) {
    ui.label(RichText::new(text).font(large()).color(tokens.text));
    ui.add_space(8.0);
}

fn main_button(ui: &mut Ui, tokens: &Tokens, words: &str, enabled: bool) -> bool {
    let text = RichText::new(words).font(title()).color(tokens.on_chosen);
    ui.add_enabled(enabled, Button::new(text).fill(tokens.chosen).stroke(Stroke::NONE)).clicked()
}

/// Paths as typed or pasted: one a line, quotes and `file://` taken off.
pub fn typed_paths(text: &str) -> Vec<std::path::PathBuf> {
    text.lines()
        .map(|line| line.trim().trim_matches(['"', '\'']))
        .map(|line| line.strip_prefix("file://").unwrap_or(line))
        .filter(|line| !line.is_empty())
        .map(|line| match (line.strip_prefix("~/"), std::env::var_os("HOME")) {
            (Some(rest), Some(home)) => std::path::PathBuf::from(home).join(rest),
            _ => line.into(),
        })
        .collect()
}

fn open(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState, opener: &Opener) {
    ui.set_width(480.0);
    head(ui, tokens, "Open captures");
    let field = TextEdit::singleline(&mut view.typed)
        .hint_text("path of a capture or of a folder")
        .desired_width(f32::INFINITY);
    let response = ui.add(field).accessible_name("Path of a capture or folder");
    if view.typed.is_empty() && ui.memory(|memory| memory.focused().is_none()) {
        response.request_focus();
    }
    let entered = response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
    ui.add_space(8.0);
    ui.horizontal(|ui| {
        let paths = typed_paths(&view.typed);
        if main_button(ui, tokens, "Open", !paths.is_empty()) || (entered && !paths.is_empty()) {
            desk.send.push(Command::Add(paths));
            view.page = None;
            view.typed.clear();
        }
        let busy = opener.busy();
        if ui.add_enabled(!busy, Button::new("Choose files…")).clicked() {
            opener.files();
        }
        if ui.add_enabled(!busy, Button::new("Choose a folder…")).clicked() {
            opener.folder();
        }
    });
    ui.add_space(8.0);
    let words = "Captures can also be dropped anywhere on the window. Nothing is copied or changed. Where no chooser opens, type the path.";
    ui.label(RichText::new(words).font(small()).color(tokens.quiet));
}

fn save_recipe(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    ui.set_width(400.0);
    head(ui, tokens, "Keep the recipe under a name");
    let field = TextEdit::singleline(&mut view.typed)
        .hint_text("such as: Moon, 8 inch, red filter")
        .desired_width(f32::INFINITY);
    let response = ui.add(field).accessible_name("Name of the recipe");
    if view.typed.is_empty() && ui.memory(|memory| memory.focused().is_none()) {
        response.request_focus();
    }
    let entered = response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter));
    let name = view.typed.trim().to_string();
    if desk.session.named_recipes().iter().any(|recipe| recipe.name == name) {
        let words = "There is one of this name: it is replaced.";
        ui.label(RichText::new(words).font(small()).color(tokens.trouble));
    }
    ui.add_space(8.0);
    ui.horizontal(|ui| {
        let fit = !name.is_empty();
        if (main_button(ui, tokens, "Keep", fit) || (entered && fit))
            && let Some(entry) = desk.session.selected()
        {
            desk.send.push(Command::SaveRecipe { from: entry.id, name });
            view.page = None;
            view.typed.clear();
        }
        if ui.button("Not now").clicked() {
            view.page = None;
        }
    });
}

fn keys(ui: &mut Ui, tokens: &Tokens, view: &mut ViewState) {
    head(ui, tokens, "Keys");
    let height = (ui.ctx().content_rect().height() - 220.0).max(200.0);
    ScrollArea::vertical().max_height(height).show(ui, |ui| {
        for menu in Menu::ALL {
            ui.label(RichText::new(menu.words()).font(title()).color(tokens.quiet));
            Grid::new(("keys", menu.words())).num_columns(2).min_col_width(220.0).show(ui, |ui| {
                for row in ACTIONS.iter().filter(|row| row.menu == menu) {
                    let Some(key) = &row.key else { continue };
                    ui.label(row.words);
                    let key = key_words(ui.ctx(), key);
                    ui.label(RichText::new(key).color(tokens.chosen));
                    ui.end_row();
                }
            });
            ui.add_space(8.0);
        }
        for (place, keys) in [
            ("Everywhere", "Tab and Shift+Tab go from control to control; Enter or Space presses"),
            ("On a slider", "Left and Right move it, Page keys move it far, Backspace returns it to its mark"),
            ("On grade over time", "Left and Right go from frame to frame, Page keys go far; Shift marks a stretch, Delete leaves it out, Insert takes it back in"),
            ("On best to worst", "Left and Right change the keep, Backspace returns it to the advice"),
            ("On a picture", "Arrow keys move it; the wheel goes nearer and farther"),
            ("With an instrument", "Arrow keys move the cross, with Shift farther; Enter marks, Comma and Period choose a mark for the arrows to move, Backspace takes it away, Escape puts the instrument away"),
        ] {
            ui.label(RichText::new(place).font(title()).color(tokens.quiet));
            ui.label(keys);
            ui.add_space(4.0);
        }
    });
    close(ui, view);
}

fn close(ui: &mut Ui, view: &mut ViewState) {
    ui.add_space(8.0);
    if ui.button("Close").clicked() {
        view.page = None;
    }
}

/// The words that are our own or the trade's, in a sentence each.
const WORDS: &[(&str, &str)] = &[
    ("Capture", "A video of one field, as the camera program wrote it."),
    ("Frame", "One picture of a capture, smeared by the air more or less."),
    ("Grade", "How sharp a frame or a place in it is; the sharpest frame of a capture is 100."),
    (
        "Keep",
        "The share of the best moments that goes into the stack. Each place has its own best moments.",
    ),
    ("Tile", "A patch that is laid over the others by itself, since the air ripples the picture."),
    ("Stack", "The kept moments, aligned and added: the noise sinks. It stays linear."),
    ("Finish", "What makes the stack a still: detail brought back, tone, colour."),
    (
        "Detail scale",
        "Structure of about one size, such as 4 px. It can be strengthened by itself.",
    ),
    (
        "Held back",
        "What does not stand out from the noise of its scale does not come out stronger.",
    ),
    ("Still", "The finished picture."),
    (
        "Recipe",
        "Every setting of a still. It can be copied, kept under a name, and used on the command line.",
    ),
    ("Record", "A file beside the still that says how it was made."),
    (
        "Map",
        "Laid over the still on request: how fine the detail of the stack is, or how noisy it is, place by place. The lighter the tint, the better.",
    ),
    ("λ/D", "The finest period that a telescope of this aperture passes at this colour."),
    ("Night", "The captures at hand. It is saved by itself; your files are never changed."),
];

fn words(ui: &mut Ui, tokens: &Tokens, view: &mut ViewState) {
    head(ui, tokens, "What the words mean");
    let height = (ui.ctx().content_rect().height() - 220.0).max(200.0);
    ScrollArea::vertical().max_height(height).show(ui, |ui| {
        for (word, meaning) in WORDS {
            ui.label(RichText::new(*word).font(title()).color(tokens.text));
            ui.label(RichText::new(*meaning).font(body()).color(tokens.quiet));
            ui.add_space(4.0);
        }
        ui.label(
            RichText::new("Never point a telescope at the Sun without a certified filter in front of its whole opening.")
                .color(tokens.trouble),
        );
    });
    close(ui, view);
}

fn all_stills(ui: &mut Ui, tokens: &Tokens, desk: &Desk<'_>, view: &mut ViewState) {
    let Some(all) = view.all_stills.clone() else {
        view.page = None;
        return;
    };
    head(ui, tokens, "What came out");
    let took = crate::words::seconds(all.seconds);
    ui.label(format!("{} in {took}.", all.words()));
    ui.add_space(8.0);
    let height = (ui.ctx().content_rect().height() - 260.0).max(160.0);
    ScrollArea::vertical().max_height(height).show(ui, |ui| {
        for (id, outcome) in &all.outcomes {
            let name = desk.session.entry(*id).map_or_else(|| "a capture".into(), name_of);
            let (words, colour) = match outcome {
                StillOutcome::Written(written) => {
                    (written.files.still.display().to_string(), tokens.quiet)
                }
                StillOutcome::Failed(words) => (format!("failed: {words}"), tokens.trouble),
                StillOutcome::Stopped => ("not made: you stopped".to_string(), tokens.quiet),
            };
            ui.label(RichText::new(name).font(title()).color(tokens.text));
            ui.label(RichText::new(words).font(small()).color(colour));
            ui.add_space(4.0);
        }
    });
    close(ui, view);
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::PathBuf;

    #[test]
    fn paths_are_taken_as_people_paste_them() {
        let found = typed_paths("  \"/night/a b.ser\" \nfile:///night/c.avi\n\n'/x'\n");
        let expected: Vec<PathBuf> =
            ["/night/a b.ser", "/night/c.avi", "/x"].map(Into::into).into();
        assert_eq!(found, expected);
        assert!(typed_paths(" \n ").is_empty());
    }
}
