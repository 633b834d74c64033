//! The bar at the top: the name, the menus, the night, the light.

use crate::actions::{ACTIONS, Act, Menu, key_words};
use crate::instruments::Mode;
use crate::state::{Desk, ViewState};
use crate::theme::{Light, Tokens, body, large};
use crate::words;
use egui::{Align, Button, Layout, RichText, Ui};
use stillwright_night::session::{Command, Entry};

/// Draw the bar.
pub fn show(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    ui.horizontal_centered(|ui| {
        ui.add_space(4.0);
        ui.label(RichText::new("Stillwright").font(large()).color(tokens.text));
        ui.add_space(12.0);
        egui::MenuBar::new().ui(ui, |ui| {
            for menu in Menu::ALL {
                ui.menu_button(menu.words(), |ui| items(ui, menu, desk, view));
            }
        });
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.add_space(4.0);
            lights(ui, tokens, desk, view);
            ui.add_space(12.0);
            let summary = summary(desk);
            ui.label(RichText::new(summary).font(body()).color(tokens.quiet));
        });
    });
}

fn lights(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &ViewState) {
    let red = view.light == Light::Red;
    let words = if red { "Leave red light" } else { "Red light" };
    let button = Button::selectable(red, RichText::new(words).color(tokens.quiet));
    let tip = "Only red light leaves the screen, pictures included: for eyes used to the dark.";
    if ui.add(button).on_hover_text(tip).clicked() {
        desk.acts.push(if red { Act::Dark } else { Act::Red });
    }
}

/// `5 captures · 31.4 GB`.
fn summary(desk: &Desk<'_>) -> String {
    let entries = desk.session.entries();
    if entries.is_empty() {
        return String::new();
    }
    let total: u64 = entries.iter().filter_map(|e| e.stamp.map(|stamp| stamp.bytes)).sum();
    let captures = words::counted(entries.len(), "capture", "captures");
    format!("{captures} · {}", words::bytes(total))
}

fn items(ui: &mut Ui, menu: Menu, desk: &mut Desk<'_>, view: &mut ViewState) {
    ui.set_min_width(240.0);
    for row in ACTIONS.iter().filter(|row| row.menu == menu) {
        if row.line {
            ui.separator();
        }
        let (words, enabled) = state_of(row.act, row.words, desk, view);
        let mut button = Button::selectable(is_on(row.act, desk, view), words);
        if let Some(key) = &row.key {
            button = button.shortcut_text(key_words(ui.ctx(), key));
        }
        if ui.add_enabled(enabled, button).clicked() {
            desk.acts.push(row.act);
            ui.close();
        }
        if row.act == Act::SaveRecipe {
            named(ui, desk);
        }
    }
}

/// Recipes that were kept.
fn named(ui: &mut Ui, desk: &mut Desk<'_>) {
    let selected = desk.session.selected().map(|entry| entry.id);
    let recipes = desk.session.named_recipes();
    if recipes.is_empty() {
        return;
    }
    for (words, forget) in [("Use a kept recipe", false), ("Forget a kept recipe", true)] {
        ui.menu_button(words, |ui| {
            for recipe in recipes {
                let enabled = forget || selected.is_some();
                if ui.add_enabled(enabled, Button::new(recipe.name.as_str())).clicked() {
                    let name = recipe.name.clone();
                    desk.send.push(if forget {
                        Command::ForgetRecipe { name }
                    } else {
                        Command::UseRecipe { name, to: selected.into_iter().collect() }
                    });
                    ui.close();
                }
            }
        });
    }
}

/// What an action is called just now, and whether it can be done.
fn state_of(act: Act, words: &str, desk: &Desk<'_>, view: &ViewState) -> (String, bool) {
    let session = desk.session;
    let selected: Option<&Entry> = session.selected();
    match act {
        Act::Undo => match session.undo_words() {
            Some(step) => (format!("Undo: {step}"), true),
            None => (words.into(), false),
        },
        Act::Redo => match session.redo_words() {
            Some(step) => (format!("Redo: {step}"), true),
            None => (words.into(), false),
        },
        Act::Export | Act::Remove | Act::CopyRecipe | Act::SaveRecipe => {
            (words.into(), selected.is_some())
        }
        Act::PasteRecipe => {
            let other = view.copied.and_then(|id| session.entry(id));
            match other {
                Some(entry) => (format!("Paste the recipe of {}", entry.name), selected.is_some()),
                None => (words.into(), false),
            }
        }
        Act::RecipeToAll | Act::Next | Act::Previous => {
            (words.into(), selected.is_some() && session.entries().len() > 1)
        }
        Act::MakeAll => (words.into(), !session.entries().is_empty()),
        Act::Stop => (words.into(), !session.activities().is_empty()),
        Act::ReadAll => (words.into(), !session.messages().is_empty()),
        Act::Take(_) | Act::Measure | Act::Compare => (words.into(), selected.is_some()),
        Act::Fit | Act::OneToOne | Act::ZoomIn | Act::ZoomOut | Act::Tiles | Act::BestFrame => {
            (words.into(), selected.is_some())
        }
        Act::Lay(_) => (words.into(), selected.is_some_and(|entry| entry.stacked.is_some())),
        _ => (words.into(), true),
    }
}

fn is_on(act: Act, desk: &Desk<'_>, view: &ViewState) -> bool {
    use crate::lightbox::Arrangement;
    match act {
        Act::SideBySide => view.arrangement == Arrangement::SideBySide,
        Act::Wiper => view.arrangement == Arrangement::Wiper,
        Act::Blink => view.arrangement == Arrangement::Blink,
        Act::Tiles => view.tiles,
        Act::Lay(kind) => desk.session.laid() == Some(kind),
        Act::Finish => view.measure.mode == Mode::Finish,
        Act::Measure => view.measure.mode == Mode::Measure,
        Act::Compare => view.measure.mode == Mode::Compare,
        Act::Take(tool) => view.measure.tool == Some(tool),
        Act::Graticule => view.measure.graticule,
        Act::Names => view.measure.names,
        Act::Shelf => view.shelf,
        Act::Inspector => view.inspector,
        Act::Dark => view.light == Light::Dark,
        Act::Day => view.light == Light::Day,
        Act::Red => view.light == Light::Red,
        _ => false,
    }
}
