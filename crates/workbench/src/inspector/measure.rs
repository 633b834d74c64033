//! Instruments, and what was measured with them.

use super::Bench;
use super::export::target;
use super::ground::tool_button;
use super::rows::{fact, sentence, tick};
use super::typed::{field, numbered};
use crate::instruments::{TOOLS, Tool, hint};
use crate::theme::{Tokens, small, title};
use crate::words;
use egui::{Button, Rect, RichText, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};
use stillwright_night::session::{Command, Entry};
use stillwright_night::sheet::{Instrument, Reading, SheetChange};

pub fn words(entry: &Entry) -> String {
    match entry.sheet.measurements.len() {
        0 => "nothing yet".into(),
        n => words::counted(n, "measurement", "measurements"),
    }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let id = entry.id;
    ui.horizontal_wrapped(|ui| {
        for (tool, tip) in TOOLS {
            tool_button(ui, bench, tool, tip);
        }
    });
    match hint(bench.view, entry) {
        Some(words) => sentence(ui, &format!("{words}."), tokens.chosen),
        None => sentence(
            ui,
            "Choose an instrument, then mark points in the still: click, or move the cross with the arrow keys and press Enter.",
            tokens.quiet,
        ),
    }
    for (index, measurement) in entry.sheet.measurements.iter().enumerate() {
        let number = measurement.number;
        let open = bench.view.measure.current == Some((id, number));
        let reading = entry.findings.as_ref().and_then(|f| f.reading(number));
        ui.add_space(4.0);
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            let tip = "What it is called in the table and on the picture.";
            let label = numbered("Name of measurement", index);
            if let Some(name) = field(ui, &label, &measurement.name, "name", tip, 92.0) {
                let change = SheetChange::Rename { number, name };
                bench.desk.send.push(Command::Sheet { id, change });
            }
            let value = match reading {
                Some(Ok(reading)) => reading.headline(),
                _ => "–".to_string(),
            };
            let text = RichText::new(value).font(title()).color(tokens.measured);
            let button = Button::selectable(open, text);
            let response = ui.add(button).on_hover_text("Shows everything about it.");
            let spoken = format!(
                "{}: {}",
                measurement.name,
                match reading {
                    Some(Ok(reading)) => reading.headline(),
                    Some(Err(words)) => words.clone(),
                    None => "being measured".into(),
                }
            );
            response.widget_info(|| WidgetInfo::labeled(Role::Button, true, &spoken));
            if response.clicked() {
                bench.view.measure.current = (!open).then_some((id, number));
            }
            let remove = ui.add(Button::new(RichText::new("Remove").font(small())).small());
            let spoken = format!("Remove {}", measurement.name);
            remove.widget_info(|| WidgetInfo::labeled(Role::Button, true, &spoken));
            if remove.clicked() {
                let change = SheetChange::Remove(number);
                bench.desk.send.push(Command::Sheet { id, change });
            }
        });
        match reading {
            Some(Err(words)) => sentence(ui, &words::told(words), tokens.quiet),
            Some(Ok(reading)) if open => {
                for line in reading.lines() {
                    fact(ui, tokens, line.name, &line.value, "");
                }
                if let Reading::Profile { points, .. } = reading {
                    let values: Vec<f32> = points.iter().map(|point| point.value).collect();
                    curve(ui, tokens, &values, &format!("Brightness along {}", measurement.name));
                }
            }
            _ => {}
        }
        if open && measurement.instrument == Instrument::Height && measurement.is_full() {
            let tip = "Looks in the still for the steepest rise along the sunlight near your mark: the middle of the penumbra.";
            if ui.button("Find the shadow’s end").on_hover_text(tip).clicked() {
                bench.desk.send.push(Command::FindShadowEnd { id, number });
            }
        }
    }
    if entry.sheet.measurements.is_empty() {
        return;
    }
    ui.add_space(4.0);
    sentence(ui, "± covers the truth in 95 of 100 cases: marks and fix together.", tokens.quiet);
    let mut drawn = entry.sheet.drawn_on_export;
    let tip = "With every export of the still: a table of the measurements, and a further picture with them drawn in. The still itself stays free of them.";
    if tick(ui, &mut drawn, "Also write them when the still is exported", tip).changed() {
        let change = SheetChange::DrawnOnExport(drawn);
        bench.desk.send.push(Command::Sheet { id, change });
    }
    if let Some(put_away) =
        bench.view.measure.tool.filter(|tool| matches!(tool, Tool::Instrument(_)))
    {
        let words = format!("Put the {} away", put_away.name().to_lowercase());
        if ui.button(words).clicked() {
            bench.view.measure.put_away();
        }
    }
}

/// The main button of the measuring mode.
pub fn button(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let entry = bench.entry;
    let can = !entry.sheet.measurements.is_empty();
    let tokens = bench.tokens;
    let text = RichText::new("Write the measurements").font(title()).color(tokens.on_chosen);
    let button = Button::new(text).fill(tokens.chosen).stroke(Stroke::NONE);
    ui.add_space(8.0);
    let width = ui.available_width();
    let button = button.min_size(vec2(width, 32.0));
    let response = ui.vertical_centered(|ui| ui.add_enabled(can, button)).inner;
    let tip = "A table for other programs (CSV), and a picture with the measurements drawn in, beside the stills.";
    if response.on_hover_text(tip).clicked() {
        let target = target(bench.view);
        bench.desk.send.push(Command::WriteMeasured { id: entry.id, target });
    }
    ui.add_space(8.0);
}

/// A curve in a small field of its own.
fn curve(ui: &mut Ui, tokens: &Tokens, values: &[f32], name: &str) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 72.0), Sense::hover());
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 4.0, tokens.surround);
    let low = values.iter().copied().fold(f32::INFINITY, f32::min);
    let high = values.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let inner: Rect = rect.shrink(4.0);
    let last = values.len().saturating_sub(1).max(1) as f32;
    let at = |(i, v): (usize, &f32)| {
        let share = (v - low) / (high - low).max(1e-9);
        pos2(
            inner.left() + inner.width() * i as f32 / last,
            inner.bottom() - inner.height() * share,
        )
    };
    let points = values.iter().enumerate().map(at).collect();
    painter.add(egui::Shape::line(points, Stroke::new(1.2, tokens.measured)));
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, name));
}
