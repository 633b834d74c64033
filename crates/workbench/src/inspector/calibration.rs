//! Darks, flats and bands: what frames are calibrated with, what of it fits this capture, and what was done.

use super::Bench;
use super::rows::{line, sentence, tick};
use super::typed::field;
use crate::actions::Act;
use crate::theme::small;
use crate::words;
use egui::{Button, ComboBox, Label, RichText, Role, Ui, WidgetInfo};
use std::path::{Path, PathBuf};
use stillwright_night::calibration::{CalibrationReport, CalibrationSettings};
use stillwright_night::saved_path::SavedPath;
use stillwright_night::seeing::calibration::MasterKind;
use stillwright_night::session::{CaptureState, Entry, Setting};

/// One kind of file: its name for one and for many, and what it is good for.
struct Kind {
    kind: MasterKind,
    one: &'static str,
    many: &'static str,
    tip: &'static str,
}

const KINDS: [Kind; 3] = [
    Kind {
        kind: MasterKind::Dark,
        one: "dark",
        many: "Darks",
        tip: "Recorded with the cap on, exposure and gain as for the captures: takes off what each pixel reads without light, and mends hot pixels. A capture of 50 frames or more, or a saved master. Of several, each capture takes the one that matches it.",
    },
    Kind {
        kind: MasterKind::Flat,
        one: "flat",
        many: "Flats",
        tip: "An evenly lit surface through the same telescope and camera, focus and turn unchanged: takes out the shadows of dust and the darker corners. A capture of 50 frames or more, or a saved master.",
    },
    Kind {
        kind: MasterKind::DarkFlat,
        one: "dark-flat",
        many: "Dark-flats",
        tip: "Recorded with the cap on, exposure and gain as for the flats: what is taken off them before they are used.",
    },
];

/// The files of one kind.
fn files(settings: &mut CalibrationSettings, kind: MasterKind) -> &mut Vec<SavedPath> {
    match kind {
        MasterKind::Dark => &mut settings.darks,
        MasterKind::Flat => &mut settings.flats,
        MasterKind::DarkFlat => &mut settings.dark_flats,
    }
}

/// The setting with more files of one kind.
pub fn with_files(now: &CalibrationSettings, kind: MasterKind, more: &[PathBuf]) -> Setting {
    let mut settings = now.clone();
    let list = files(&mut settings, kind);
    for path in more {
        let path = SavedPath::of(&std::path::absolute(path).unwrap_or_else(|_| path.clone()));
        if !list.contains(&path) {
            list.push(path);
        }
    }
    Setting::Calibration(settings)
}

/// The setting without one file. Dark-flats go with the last flat, for they belong to it.
fn without(now: &CalibrationSettings, kind: MasterKind, path: &SavedPath) -> Setting {
    let mut settings = now.clone();
    files(&mut settings, kind).retain(|other| other != path);
    if settings.flats.is_empty() {
        settings.dark_flats.clear();
    }
    Setting::Calibration(settings)
}

pub fn words(entry: &Entry) -> String {
    let mut settings = entry.recipe.calibration.clone();
    let named = KINDS.iter().filter(|kind| !files(&mut settings, kind.kind).is_empty());
    let mut all: Vec<&str> = named.map(|kind| kind.one).collect();
    if settings.reduce_bands {
        all.push("bands");
    }
    if all.is_empty() { "none".into() } else { all.join(", ") }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let mut settings = entry.recipe.calibration.clone();
    let has_flats = !settings.flats.is_empty();
    for kind in &KINDS {
        // Without a flat, there is nothing that a dark-flat belongs to.
        if kind.kind == MasterKind::DarkFlat && !has_flats {
            continue;
        }
        adding(ui, bench, kind);
        for path in files(&mut settings, kind.kind).clone() {
            one_file(ui, bench, kind, &path);
        }
    }
    let mut bands = entry.recipe.calibration.reduce_bands;
    let tip = "Rows and columns that read too much in every frame are evened out, as far as they stay put while the scene drifts. For cameras whose stripes a dark does not take off.";
    if tick(ui, &mut bands, "Even out rows and columns", tip).changed() {
        let settings =
            CalibrationSettings { reduce_bands: bands, ..entry.recipe.calibration.clone() };
        bench.desk.change(entry.id, Setting::Calibration(settings), true);
    }
    if entry.recipe.calibration.is_empty() {
        let words = "Drop darks and flats on the window like captures, and choose them here; or type a path.";
        return sentence(ui, words, tokens.quiet);
    }
    match (&entry.state, entry.calibration()) {
        (CaptureState::Failed { words }, _) => sentence(ui, &words::told(words), tokens.trouble),
        (CaptureState::Opening, _) => {
            sentence(ui, "Darks and flats are being looked at.", tokens.quiet);
        }
        (_, Some(report)) => {
            for words in report.findings() {
                sentence(ui, &format!("{}.", words::sentence(&words)), tokens.text);
            }
        }
        _ => {}
    }
}

/// The line on which a file is added: typed, from the system's chooser, or one of the night's captures.
fn adding(ui: &mut Ui, bench: &mut Bench<'_, '_>, kind: &Kind) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let now = &entry.recipe.calibration;
    let mut added: Option<PathBuf> = None;
    let mut choose = false;
    line(ui, tokens, kind.many, kind.tip, |ui| {
        let name = format!("Add a {}", kind.one);
        let inner =
            ComboBox::from_id_salt(&name).selected_text("Add…").width(64.0).show_ui(ui, |ui| {
                choose = ui.button("Choose files…").clicked();
                let others =
                    bench.desk.session.entries().iter().filter(|other| other.id != entry.id);
                for other in others {
                    let button =
                        ui.button(&other.name).on_hover_text(other.path.display().to_string());
                    if button.clicked() {
                        added = Some(other.path.clone());
                    }
                }
            });
        let tip = format!("{} Takes files, or captures of this night.", kind.tip);
        let _ = inner.response.accessible_name(&name).on_hover_text(tip);
        let name = format!("Path of a {}", kind.one);
        let typed = field(ui, &name, "", "path", kind.tip, 104.0);
        added =
            added.take().or(typed.and_then(|t| crate::pages::typed_paths(&t).into_iter().next()));
    });
    if choose {
        bench.desk.acts.push(Act::ChooseCalibration(kind.kind));
    }
    if let Some(path) = added {
        bench.desk.change(entry.id, with_files(now, kind.kind, &[path]), true);
    }
}

/// A file that was named: whether it is used, and why not.
fn one_file(ui: &mut Ui, bench: &mut Bench<'_, '_>, kind: &Kind, saved: &SavedPath) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let path = saved.path();
    let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let mut removed = false;
    line(ui, tokens, "", "", |ui| {
        let button = ui.add(Button::new(RichText::new("Remove").font(small())).small());
        let spoken = format!("Remove the {} {name}", kind.one);
        button.widget_info(|| WidgetInfo::labeled(Role::Button, true, &spoken));
        removed = button.on_hover_text("The file itself stays where it is.").clicked();
        ui.add(Label::new(RichText::new(&name).color(tokens.text)).truncate())
            .on_hover_text(path.display().to_string());
    });
    if removed {
        let setting = without(&entry.recipe.calibration, kind.kind, saved);
        return bench.desk.change(entry.id, setting, true);
    }
    let said = entry.calibration().and_then(|report| use_of(report, kind.kind, &path));
    match said {
        Some(Ok(words)) => sentence(ui, &format!("Used: {words}."), tokens.quiet),
        Some(Err(words)) => sentence(ui, &format!("Not used: {words}."), tokens.trouble),
        None => {}
    }
}

/// How a file was used, or why it was not; `None` where nothing is known of it yet.
fn use_of(
    report: &CalibrationReport,
    kind: MasterKind,
    path: &Path,
) -> Option<Result<String, String>> {
    let shown = path.display().to_string();
    let used = match kind {
        MasterKind::Dark => &report.dark,
        MasterKind::Flat => &report.flat,
        MasterKind::DarkFlat => &report.dark_flat,
    };
    if let Some(master) = used.as_ref().filter(|master| master.input.path == shown) {
        return Some(Ok(master.words_without_path()));
    }
    let left = report.left_aside.iter().find(|l| l.kind == kind.name() && l.path == shown);
    left.map(|left| Err(left.why.clone()))
}
