//! The foot: what runs, how fast, how long still, and what wants to be read.

use crate::actions::Act;
use crate::lightbox::{Readout, Side};
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, small, title};
use crate::words;
use egui::{
    Align, Align2, Button, Context, Frame, Id, Label, Layout, RichText, ScrollArea, Ui, vec2,
};
use std::time::Duration;
use stillwright_night::session::{Command, Message, Saving, Weight};

/// Draw the line at the bottom.
pub fn show(
    ui: &mut Ui,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    memory_bytes: Option<u64>,
) {
    ui.horizontal_centered(|ui| {
        ui.spacing_mut().item_spacing.x = 12.0;
        ui.add_space(0.0);
        let quiet = |text: String| RichText::new(text).font(small()).color(tokens.quiet);
        let activities = desk.session.activities();
        if let Some(activity) = activities.first() {
            let mut parts = vec![words::sentence(&activity.words)];
            if let Some(advance) = activity.advance {
                if let Some(rate) = advance.frames_per_s {
                    parts.push(words::with_unit(rate, "frames/s"));
                }
                if let Some(rate) = advance.megabytes_per_s {
                    parts.push(words::with_unit(rate, "MB/s"));
                }
                if let Some(left) = advance.seconds_left {
                    parts.push(words::left(Duration::from_secs_f64(left.clamp(0.0, 1e7))));
                }
            }
            if activities.len() > 1 {
                parts.push(format!("{} more to do", activities.len() - 1));
            }
            ui.label(quiet(parts.join(" · ")));
            if let Some(queue) = desk.session.queue() {
                ui.label(quiet(format!("still {} of {}", queue.done + 1, queue.total)));
            }
            let cancel = Button::new(RichText::new("Cancel").font(small())).small();
            let tip = "Stops this. What is done already is kept.";
            if ui.add(cancel).on_hover_text(tip).clicked() {
                desk.send.push(Command::Cancel(activity.cancel));
            }
        } else {
            let idle = if desk.session.entries().is_empty() { "" } else { "Nothing to do" };
            ui.label(quiet(idle.into()));
        }
        if let Some(bytes) = memory_bytes {
            ui.label(quiet(format!("Memory {}", words::bytes(bytes))));
        }
        newest(ui, tokens, desk, view);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.add_space(0.0);
            let (saved, tip, colour) = match desk.session.saving() {
                Saving::Done => (
                    "Night saved",
                    "Everything you chose is on disk, and comes back after a crash.",
                    tokens.quiet,
                ),
                Saving::Soon => ("Saving…", "What you chose is being written.", tokens.quiet),
                Saving::Failed => (
                    "Night not saved",
                    "It could not be written; it is tried again every few seconds. The messages say why.",
                    tokens.trouble,
                ),
                Saving::Never => (
                    "Night not saved",
                    "What you choose now does not come back. The messages say why.",
                    tokens.trouble,
                ),
            };
            let saved = RichText::new(saved).font(small()).color(colour);
            ui.label(saved).on_hover_text(tip);
            if let Some(readout) = &view.readout {
                ui.label(quiet(readout_words(readout)));
            }
        });
    });
}

/// `still: x 812, y 440 · 0.412 · 1.3″ from centre`.
fn readout_words(readout: &Readout) -> String {
    let side = match readout.side {
        Side::Frame => "frame",
        Side::Still => "still",
    };
    let mut parts = vec![format!("{side}: x {}, y {}", readout.at.0, readout.at.1)];
    if !readout.values.is_empty() {
        let values: Vec<String> = readout.values.iter().map(|v| format!("{v:.3}")).collect();
        parts.push(values.join(" "));
    }
    if let Some(arcsec) = readout.arcsec {
        parts.push(format!("{} from the middle", words::arcsec(arcsec)));
    }
    parts.extend(readout.more.iter().cloned());
    parts.join(" · ")
}

/// The newest message in the foot, and how many there are; it opens the list.
fn newest(ui: &mut Ui, tokens: &Tokens, desk: &Desk<'_>, view: &mut ViewState) {
    let messages = desk.session.messages();
    let Some(message) = messages.last() else {
        view.messages = false;
        return;
    };
    let trouble = message.weight == Weight::Trouble;
    let colour = if trouble { tokens.trouble } else { tokens.text };
    let words = if view.messages {
        "Hide messages".to_string()
    } else {
        words::counted(messages.len(), "message", "messages")
    };
    let button = Button::new(RichText::new(words).font(small()).color(colour)).small();
    let tip = "Messages stay here until they are read.";
    if ui.add(button).on_hover_text(tip).clicked() {
        view.messages = !view.messages;
    }
    let gist = words::gist(&message.words);
    let line = match message.capture.and_then(|id| desk.session.entry(id)) {
        Some(entry) if !gist.contains(&entry.name) => format!("{}: {gist}", entry.name),
        _ => words::sentence(gist),
    };
    let room = (ui.available_width() - 440.0).max(80.0);
    let mut job = egui::text::LayoutJob::simple_singleline(line, small(), colour);
    job.wrap = egui::text::TextWrapping::truncate_at_width(room);
    let galley = ui.painter().layout_job(job);
    let (rect, _) = ui.allocate_exact_size(galley.size(), egui::Sense::hover());
    ui.painter().galley(rect.min, galley, colour);
}

/// The words of a message, with the capture that it is about.
fn about(desk: &Desk<'_>, message: &Message) -> String {
    match message.capture.and_then(|id| desk.session.entry(id)) {
        Some(entry) if !message.words.contains(&entry.name) => {
            words::told(&format!("{}: {}", entry.name, message.words))
        }
        _ => words::told(&message.words),
    }
}

/// All messages, over the bench; they stay until they are read.
pub fn messages(ctx: &Context, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    let messages = desk.session.messages();
    if !view.messages || messages.is_empty() {
        return;
    }
    let area = egui::Area::new(Id::unique("messages"))
        .anchor(Align2::LEFT_BOTTOM, vec2(8.0, -36.0))
        .order(egui::Order::Foreground);
    area.show(ctx, |ui| {
        let frame = Frame::popup(ui.style()).fill(tokens.card).inner_margin(16);
        frame.show(ui, |ui| {
            ui.set_width(520.0);
            ui.horizontal(|ui| {
                ui.label(RichText::new("Messages").font(title()).color(tokens.text));
                ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                    if ui.button("All were read").clicked() {
                        desk.acts.push(Act::ReadAll);
                    }
                });
            });
            ui.add_space(8.0);
            let height = (ui.ctx().content_rect().height() - 240.0).max(120.0);
            ScrollArea::vertical().max_height(height).show(ui, |ui| {
                for message in messages.iter().rev() {
                    let trouble = message.weight == Weight::Trouble;
                    let colour = if trouble { tokens.trouble } else { tokens.text };
                    let text = RichText::new(about(desk, message)).font(body()).color(colour);
                    ui.add(Label::new(text).wrap());
                    let button = Button::new(RichText::new("Read").font(small())).small();
                    if ui.add(button).on_hover_text("Puts this message away.").clicked() {
                        desk.send.push(Command::Read(message.id));
                    }
                    ui.add_space(8.0);
                }
            });
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_readout_says_where_what_and_how_far() {
        let readout = Readout {
            side: Side::Still,
            at: (812, 440),
            values: vec![0.4121],
            arcsec: Some(1.31),
            more: Vec::new(),
        };
        assert_eq!(readout_words(&readout), "still: x 812, y 440 · 0.412 · 1.31″ from the middle");
        let bare = Readout { values: Vec::new(), arcsec: None, ..readout };
        assert_eq!(readout_words(&bare), "still: x 812, y 440");
    }
}
