//! What is written, and where; the main button.

use super::Bench;
use super::rows::tick;
use crate::actions::Act;
use crate::state::ViewState;
use crate::theme::{small, title};
use egui::{Button, Label, RichText, Stroke, TextEdit, Ui, vec2};
use stillwright_night::atomic::Existing;
use stillwright_night::export::{FORMATS, Format};
use stillwright_night::session::{Cancel, CaptureState, Entry, ExportTarget, Setting};

pub fn words(_: &Entry) -> String {
    "16-bit TIFF, FITS, record".into()
}

/// Where exports go, as the view has it.
pub fn target(view: &ViewState) -> ExportTarget {
    let folder = view.export_folder.trim();
    ExportTarget {
        folder: (!folder.is_empty()).then(|| folder.into()),
        existing: if view.replace { Existing::Replace } else { Existing::Keep },
    }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let now = &entry.recipe.export.formats;
    for facts in FORMATS.iter().filter(|facts| facts.format != Format::Tiff16) {
        let mut on = now.contains(&facts.format);
        let words = format!("Also {}", facts.words);
        let tip = "Written beside the 16-bit TIFF, the linear stack (FITS) and the record, which always are.";
        if tick(ui, &mut on, &words, tip).changed() {
            let mut formats = now.clone();
            formats.retain(|format| *format != facts.format);
            if on {
                formats.push(facts.format);
            }
            bench.desk.change(entry.id, Setting::Formats(formats), true);
        }
    }
    let mut maps = entry.recipe.export.maps;
    let tip = "Two FITS files beside the stack, on its grid: the noise of each sample, and the period of the finest detail place by place.";
    if tick(ui, &mut maps, "Also maps of noise and detail", tip).changed() {
        bench.desk.change(entry.id, Setting::Maps(maps), true);
    }
    let field = TextEdit::singleline(&mut bench.view.export_folder)
        .hint_text("stills, beside the capture")
        .desired_width(f32::INFINITY);
    let tip =
        "Folder that stills are written into. Left empty: a folder “stills” beside each capture.";
    ui.label(RichText::new("Into the folder").color(tokens.quiet)).on_hover_text(tip);
    let _ = ui.add(field).accessible_name("Folder for stills").on_hover_text(tip);
    let tip = "Without this, a file that is there already is never replaced.";
    let _ = tick(ui, &mut bench.view.replace, "Replace files of the same name", tip);
}

/// The one main button.
pub fn button(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let state = &bench.entry.state;
    let can = bench.entry.facts.is_some() && !matches!(state, CaptureState::Gone);
    ui.add_space(8.0);
    ui.vertical_centered(|ui| main(ui, bench, can));
    ui.add_space(8.0);
}

fn main(ui: &mut Ui, bench: &mut Bench<'_, '_>, can: bool) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let busy =
        bench.desk.session.activities().iter().any(|activity| {
            activity.cancel == Cancel::Export && activity.capture == Some(entry.id)
        });
    let words = if busy { "Making the still…" } else { "Export the still" };
    let words = RichText::new(words).font(title()).color(tokens.on_chosen);
    let button = Button::new(words)
        .fill(tokens.chosen)
        .stroke(Stroke::NONE)
        .min_size(vec2(ui.available_width(), 32.0));
    let tip = "Writes the finished still (16-bit TIFF), the linear stack (32-bit FITS) and a record of how it was made. Ctrl+E";
    if ui.add_enabled(can && !busy, button).on_hover_text(tip).clicked() {
        bench.desk.acts.push(Act::Export);
    }
    // The line is always there, so that nothing jumps when it has something to say.
    let (words, tip) = match &entry.written {
        Some(written) => {
            let name = written.files.still.file_name().unwrap_or_default().to_string_lossy();
            (format!("Written: {name}"), written.files.still.display().to_string())
        }
        None => (String::new(), String::new()),
    };
    let line = Label::new(RichText::new(words).font(small()).color(tokens.measured)).truncate();
    let response = ui.add(line);
    if !tip.is_empty() {
        response.on_hover_text(tip);
    }
}
