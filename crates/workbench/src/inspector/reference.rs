//! A reference picture beside the still: which file, how it is matched, and the verdict.

use super::Bench;
use super::export::target;
use super::ground::tool_button;
use super::rows::{fact, sentence};
use super::typed::{text, trouble, understood};
use crate::instruments::{Tool, hint};
use crate::theme::{Tokens, small, title};
use crate::words;
use egui::{Button, RichText, Role, Sense, Shape, Stroke, Ui, WidgetInfo, pos2, vec2};
use stillwright_night::beside::Mapped;
use stillwright_night::seeing::beside::Verdict;
use stillwright_night::session::{Command, Entry, verdict_words};
use stillwright_night::sheet::{ReferenceChoice, SeenFrom, SheetChange};

pub fn words(entry: &Entry) -> String {
    match &entry.beside.loaded {
        Some(loaded) => loaded.name.clone(),
        None => "none".into(),
    }
}

const FILE: &str = "Reference picture";
const SEEN: &str = "Taken from";

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let id = entry.id;
    let choice = entry.sheet.reference.as_ref();
    let now = choice.map_or_else(String::new, |choice| choice.path.display().to_string());
    let tip = "A picture of the same ground: a spacecraft's plate, an older still, a map. PNG, TIFF, JPEG or FITS; it is never changed. Empty puts it away.";
    if let Some(path) = text(ui, tokens, FILE, &now, "path of a picture", tip) {
        let path = crate::pages::typed_paths(&path).into_iter().next();
        bench.desk.send.push(Command::Sheet { id, change: SheetChange::Reference(path) });
    }
    let Some(choice) = choice else {
        return sentence(
            ui,
            "Type the path of a picture of the same ground. It is matched to the still by itself, or by four places that you mark in both.",
            tokens.quiet,
        );
    };
    seen_from(ui, bench, choice);
    ui.horizontal_wrapped(|ui| {
        let tip = "Mark the same place in both pictures, one after the other. Two guide the match, four make it.";
        tool_button(ui, bench, Tool::Pair, tip);
        if ui.button("Match again").on_hover_text("Looks for the match anew.").clicked() {
            bench.desk.send.push(Command::Match(id));
        }
    });
    if let Some(words) =
        hint(bench.view, entry).filter(|_| bench.view.measure.tool == Some(Tool::Pair))
    {
        sentence(ui, &format!("{words}."), tokens.chosen);
    }
    for index in 0..choice.pairs.len() {
        ui.horizontal(|ui| {
            ui.label(format!("Pair {}", index + 1));
            let remove = ui.add(Button::new(RichText::new("Remove").font(small())).small());
            let spoken = format!("Remove pair {}", index + 1);
            remove.widget_info(|| WidgetInfo::labeled(Role::Button, true, &spoken));
            if remove.clicked() {
                let change = SheetChange::RemovePair(index);
                bench.desk.send.push(Command::Sheet { id, change });
            }
        });
    }
    let beside = &entry.beside;
    if let Some(words) = &beside.trouble {
        sentence(ui, &words::told(words), tokens.trouble);
    }
    let Some(set) = &beside.set else { return };
    if let Some(words) = &set.matched.note {
        let words = format!("Laid as flat ground, not through the sphere: {words}");
        sentence(ui, &words::told(&words), tokens.trouble);
    }
    let km_per_px = entry.findings.as_ref().and_then(|f| Some(f.km_per_arcsec? * f.arcsec_per_px?));
    let rms = words::with_unit(set.matched.rms_px, "px rms");
    let laid = match set.matched.map {
        Mapped::Flat(_) => "as flat ground",
        Mapped::Sphere(_) => "through the sphere",
    };
    fact(
        ui,
        tokens,
        "Laid",
        laid,
        "Through longitude and latitude, perspective at both ends, where the still has its fix and it is known from where the reference was taken; else as if the ground were flat, which wide ground seen from another angle is not.",
    );
    fact(
        ui,
        tokens,
        "Match",
        &rms,
        "How far places lie from where the match puts them, px of the capture.",
    );
    let finer = words::number(set.reference_px_per_px);
    fact(
        ui,
        tokens,
        "Reference px per px",
        &finer,
        "Pixels of the reference for one of the capture.",
    );
    if let Some(km) = km_per_px {
        let both = format!(
            "{}, {}",
            words::with_unit(km, "km"),
            words::with_unit(km / set.reference_px_per_px, "km")
        );
        fact(ui, tokens, "One px: still, reference", &both, "");
    }
    let share = words::percent(100.0 * set.laid.share);
    fact(
        ui,
        tokens,
        "Ground in common",
        &share,
        "Share of the still's ground that the reference shows.",
    );
    ui.add_space(4.0);
    match &set.verdict {
        None => sentence(ui, "Too little ground in common for a verdict.", tokens.quiet),
        Some(verdict) => {
            for (i, words) in verdict_words(verdict, km_per_px).iter().enumerate() {
                sentence(ui, words, if i == 0 { tokens.measured } else { tokens.text });
            }
            curves(ui, tokens, verdict);
            let noise = if set.by_halves {
                "The still’s noise is known from its two half stacks, the reference’s is guessed from its own finest detail."
            } else {
                "The noise of both is guessed from their own finest detail."
            };
            sentence(ui, noise, tokens.quiet);
            sentence(
                ui,
                "How far both agree (line) and the still’s contrast over the reference’s (dashes), from coarse detail on the left to fine on the right. Sharpening raises contrast without adding detail: where the two part, trust the line.",
                tokens.quiet,
            );
        }
    }
    sentence(ui, "Tones are matched for looking only.", tokens.quiet);
}

/// From where the reference was taken, where that is known.
fn seen_from(ui: &mut Ui, bench: &mut Bench<'_, '_>, choice: &ReferenceChoice) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let now = choice.seen.map_or_else(String::new, SeenFrom::words);
    let tip = "Where known: the time (UTC) of a picture taken from the Earth, or latitude, longitude and height in km of the spacecraft over the Moon. Together with the still's fix it lets wide ground agree although the angles differ. Empty: not known.";
    let typed = text(ui, tokens, SEEN, &now, "time, or lat, lon, height km", tip);
    let read = |text: &str| match text {
        "" => Ok(None),
        text => SeenFrom::read(text).map(Some),
    };
    if let Some(seen) = understood(bench.view, SEEN, typed, read) {
        let change = SheetChange::ReferenceSeen(seen);
        bench.desk.send.push(Command::Sheet { id: entry.id, change });
    }
    trouble(ui, tokens, bench.view, SEEN);
    if choice.seen.is_some() && entry.findings.as_ref().is_none_or(|f| f.fix.is_none()) {
        let words =
            "Laid through the sphere once the still has its fix: mark known places under Measure.";
        sentence(ui, words, tokens.quiet);
    }
}

/// Agreement and contrast over frequency.
fn curves(ui: &mut Ui, tokens: &Tokens, verdict: &Verdict) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 88.0), Sense::hover());
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 4.0, tokens.surround);
    let inner = rect.shrink(5.0);
    let last = verdict.frequency.last().copied().unwrap_or(0.5);
    let x = |f: f64| inner.left() + inner.width() * (f / last) as f32;
    let y = |share: f64| inner.bottom() - inner.height() * share.clamp(0.0, 1.0) as f32;
    let agree: Vec<_> = verdict
        .frequency
        .iter()
        .zip(&verdict.correlation)
        .map(|(f, c)| pos2(x(*f), y(*c)))
        .collect();
    painter.add(Shape::line(agree, Stroke::new(1.5, tokens.measured)));
    // Contrast from a quarter to four times, on a scale of powers.
    let of = |ratio: f64| 0.5 + ratio.max(1e-6).log(4.0) * 0.5;
    let contrast: Vec<_> = verdict
        .frequency
        .iter()
        .zip(&verdict.contrast)
        .map(|(f, c)| pos2(x(*f), y(of(*c))))
        .collect();
    painter.extend(Shape::dashed_line(&contrast, Stroke::new(1.0, tokens.quiet), 4.0, 3.0));
    let at = x(1.0 / verdict.shared_px.max(1e-6));
    painter.vline(at, rect.y_range(), Stroke::new(1.0, tokens.measured.gamma_multiply(0.6)));
    response.widget_info(|| {
        WidgetInfo::labeled(
            Role::Image,
            true,
            "Agreement of still and reference over fineness of detail",
        )
    });
}

/// The main button of the comparing mode.
pub fn button(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let entry = bench.entry;
    let can = entry.beside.set.is_some() && entry.still.is_some();
    let tokens = bench.tokens;
    let text = RichText::new("Write a figure of both").font(title()).color(tokens.on_chosen);
    let button = Button::new(text).fill(tokens.chosen).stroke(Stroke::NONE);
    ui.add_space(8.0);
    let width = ui.available_width();
    let button = button.min_size(vec2(width, 32.0));
    let response = ui.vertical_centered(|ui| ui.add_enabled(can, button)).inner;
    let tip = "Both pictures at one scale with a scale bar, dates, instrument and verdict: a PNG beside the stills.";
    if response.on_hover_text(tip).clicked() {
        let target = target(bench.view);
        bench.desk.send.push(Command::WriteFigure { id: entry.id, target });
    }
    ui.add_space(8.0);
}
