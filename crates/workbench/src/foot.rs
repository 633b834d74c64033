//! The foot: what runs, how fast, how long still, and what wants to be read.

use crate::actions::Act;
use crate::lightbox::{Readout, Side};
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, small};
use crate::words;
use egui::{Align, Button, Label, Layout, RichText, Ui, vec2};
use std::time::Duration;
use stillwright_night::session::{Command, Weight};

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
            let mut parts = vec![sentence_case(&activity.words)];
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
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            ui.add_space(0.0);
            let (saved, tip) = if desk.session.is_saved() {
                ("Night saved", "Everything you chose is on disk, and comes back after a crash.")
            } else {
                ("Saving…", "What you chose is being written.")
            };
            ui.label(quiet(saved.into())).on_hover_text(tip);
            if let Some(readout) = &view.readout {
                ui.label(quiet(readout_words(readout)));
            }
        });
    });
}

fn sentence_case(text: &str) -> String {
    let mut text = text.to_string();
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    text
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
    parts.join(" · ")
}

/// Messages above the foot: the newest, or all of them. They stay until they are read.
pub fn messages(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    let messages = desk.session.messages();
    if messages.is_empty() {
        view.messages = false;
        return;
    }
    let many = messages.len() > 1;
    let shown = if view.messages { messages.len() } else { 1 };
    ui.add_space(6.0);
    egui::ScrollArea::vertical().max_height(220.0).show(ui, |ui| {
        for (number, message) in messages.iter().rev().take(shown).enumerate() {
            ui.horizontal(|ui| {
                let trouble = message.weight == Weight::Trouble;
                let colour = if trouble { tokens.trouble } else { tokens.text };
                let mut room = ui.available_width() - 84.0;
                if number == 0 && many {
                    room -= 112.0;
                }
                let about = message.capture.and_then(|id| desk.session.entry(id));
                let words = match about {
                    Some(entry) if !message.words.contains(&entry.name) => {
                        format!("{}: {}", entry.name, message.words)
                    }
                    _ => message.words.clone(),
                };
                ui.allocate_ui_with_layout(
                    vec2(room.max(80.0), 0.0),
                    Layout::left_to_right(Align::Min),
                    |ui| {
                        ui.set_width(room.max(80.0));
                        let words = RichText::new(words).font(body()).color(colour);
                        ui.add(Label::new(words).wrap());
                    },
                );
                if ui.button("Read").on_hover_text("Puts the message away.").clicked() {
                    desk.send.push(Command::Read(message.id));
                }
                if number == 0 && many {
                    let words = if view.messages {
                        "Only the newest".to_string()
                    } else {
                        format!("{} more", messages.len() - 1)
                    };
                    if ui.button(words).clicked() {
                        view.messages = !view.messages;
                    }
                }
            });
        }
    });
    if view.messages && many && ui.button("All were read").clicked() {
        desk.acts.push(Act::ReadAll);
    }
    ui.add_space(6.0);
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
        };
        assert_eq!(readout_words(&readout), "still: x 812, y 440 · 0.412 · 1.31″ from the middle");
        let bare = Readout { values: Vec::new(), arcsec: None, ..readout };
        assert_eq!(readout_words(&bare), "still: x 812, y 440");
        assert_eq!(sentence_case("grading x"), "Grading x");
    }
}
