//! The room: where the panels stand, and what is said where there is nothing yet.

use crate::actions::Act;
use crate::chart::{self, ChartAct, ChartData};
use crate::lightbox::{self, Easel};
use crate::shelf::{self, Thumbnails};
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, large, small, title};
use crate::{foot, inspector, menus};
use egui::{
    Align, Button, CentralPanel, Context, Frame, Layout, Margin, Panel, Rect, RichText, Stroke, Ui,
    UiBuilder, pos2, vec2,
};
use stillwright_night::session::{Entry, Setting};
use stillwright_night::stacking::Keep;

/// Height of the chart, px.
const CHART_HEIGHT: f32 = 216.0;

fn frame(tokens: &Tokens, margin: Margin) -> Frame {
    Frame::NONE.fill(tokens.bench).inner_margin(margin)
}

/// Draw everything but pages and messages.
pub fn panels(
    ui: &mut Ui,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    easel: &mut Easel<'_>,
    (thumbnails, memory): (&mut Thumbnails, Option<u64>),
) {
    Panel::top("menus")
        .exact_size(36.0)
        .resizable(false)
        .frame(frame(tokens, Margin::symmetric(8, 0)))
        .show(ui, |ui| menus::show(ui, tokens, desk, view));
    Panel::bottom("foot")
        .exact_size(28.0)
        .resizable(false)
        .frame(frame(tokens, Margin::symmetric(8, 0)))
        .show(ui, |ui| foot::show(ui, tokens, desk, view, memory));
    let empty = desk.session.entries().is_empty();
    if view.shelf && !empty {
        Panel::left("shelf")
            .exact_size(232.0)
            .resizable(false)
            .frame(frame(tokens, Margin::symmetric(8, 0)))
            .show(ui, |ui| shelf::show(ui, tokens, desk, view, thumbnails));
    }
    if view.inspector && desk.session.selected().is_some() {
        Panel::right("inspector")
            .exact_size(312.0)
            .resizable(false)
            .frame(frame(tokens, Margin { left: 16, right: 12, top: 0, bottom: 0 }))
            .show(ui, |ui| inspector::show(ui, tokens, desk, view));
    }
    CentralPanel::default().frame(frame(tokens, Margin::ZERO)).show(ui, |ui| {
        let area = ui.max_rect();
        if empty {
            nothing_yet(ui, area, tokens, desk, view);
        } else if desk.session.selected().is_none() {
            centred(ui, area, 320.0, |ui| {
                ui.label(
                    RichText::new("Choose a capture on the shelf").font(body()).color(tokens.quiet),
                );
            });
        } else {
            bench(ui, area, tokens, desk, view, easel);
        }
    });
}

/// Lightboxes above, chart below.
fn bench(
    ui: &mut Ui,
    area: Rect,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    easel: &mut Easel<'_>,
) {
    let split = (area.bottom() - CHART_HEIGHT).max(area.top() + 0.4 * area.height()).round();
    let upper = Rect::from_min_max(area.min, pos2(area.right(), split));
    let lower = Rect::from_min_max(pos2(area.left(), split), area.max);
    lightbox::show(ui, upper, tokens, desk, view, easel);
    let session = desk.session;
    let Some(entry) = session.selected() else { return };
    let inner = lower.shrink2(vec2(24.0, 12.0));
    let Some(chart) = &entry.chart else {
        chart_to_come(ui, inner, tokens, entry);
        return;
    };
    let facts = entry.facts.as_ref();
    let data = ChartData {
        chart,
        advice: entry.advice.as_deref(),
        automatic: entry.recipe.stack.keep == Keep::Auto,
        excluded: entry.recipe.frames.excluded(),
        cursor: view.frame_of(entry),
        start_utc: facts.and_then(|facts| facts.start_utc.as_deref()),
        timed: facts.is_some_and(|facts| facts.frame_rate_hz.is_some()),
        light: view.light,
    };
    for act in chart::show(ui, inner, tokens, &data, &mut view.chart) {
        match act {
            ChartAct::Frame(index) => {
                view.frame.insert(entry.id, index);
            }
            ChartAct::Keep { percent, settled } => {
                desk.change(entry.id, Setting::Keep(Keep::Percent(percent)), settled);
            }
            ChartAct::KeepAdvised => desk.change(entry.id, Setting::Keep(Keep::Auto), true),
            ChartAct::Exclude(range) => desk.change(entry.id, Setting::Exclude(range), true),
            ChartAct::Include(range) => desk.change(entry.id, Setting::Include(range), true),
        }
    }
}

fn chart_to_come(ui: &mut Ui, area: Rect, tokens: &Tokens, entry: &Entry) {
    let (words, trouble) = shelf::state_words(entry);
    let painter = ui.painter();
    painter.text(area.left_top(), egui::Align2::LEFT_TOP, chart::TIME_NAME, body(), tokens.quiet);
    painter.hline(area.x_range(), area.bottom() - 24.0, Stroke::new(1.0, tokens.line));
    if trouble {
        return;
    }
    let text = format!("{words}. The grades of all frames appear here.");
    let text = painter.layout(text, body(), tokens.quiet, area.width().min(520.0));
    painter.galley(area.center() - text.size() / 2.0, text, tokens.quiet);
}

/// Something in the middle of `area`.
fn centred(ui: &mut Ui, area: Rect, width: f32, content: impl FnOnce(&mut Ui)) {
    let place = Rect::from_center_size(area.center(), vec2(width, 240.0));
    let layout = Layout::top_down(Align::Center);
    let mut child = ui.new_child(UiBuilder::new().max_rect(place).layout(layout));
    content(&mut child);
}

/// The empty bench: what to drop, and something to try.
fn nothing_yet(ui: &mut Ui, area: Rect, tokens: &Tokens, desk: &mut Desk<'_>, view: &ViewState) {
    let gathering = desk.session.activities().first().map(|activity| activity.words.clone());
    centred(ui, area, 440.0, |ui| {
        ui.spacing_mut().item_spacing.y = 8.0;
        ui.label(RichText::new("Drop a night’s captures here").font(large()).color(tokens.text));
        let formats: Vec<&str> =
            stillwright_night::capture::FORMATS.iter().map(|format| format.name).collect();
        let words = format!(
            "Files or whole folders: {}. They stay where they are and are never changed.",
            formats.join(", ")
        );
        let details: Vec<String> = stillwright_night::capture::FORMATS
            .iter()
            .map(|format| format!("{}: {}", format.name, format.reads))
            .collect();
        ui.label(RichText::new(words).font(body()).color(tokens.quiet))
            .on_hover_text(details.join("\n"));
        ui.add_space(12.0);
        let text = RichText::new("Open captures…").font(title()).color(tokens.on_chosen);
        let button =
            Button::new(text).fill(tokens.chosen).stroke(Stroke::NONE).min_size(vec2(200.0, 32.0));
        if ui.add(button).clicked() {
            desk.acts.push(Act::Open);
        }
        match gathering {
            Some(words) => {
                ui.label(RichText::new(words).font(body()).color(tokens.quiet));
            }
            None => {
                let button = Button::new("Make a sample night").min_size(vec2(200.0, 32.0));
                let tip = "Simulates a small capture of cratered ground through unsteady air, to try everything with.";
                if ui.add(button).on_hover_text(tip).clicked() {
                    desk.acts.push(Act::Sample);
                }
                let words = format!("A minute or less, into {}", view.sample_folder.display());
                ui.label(RichText::new(words).font(small()).color(tokens.quiet));
            }
        }
    });
}

/// Files hang over the window.
pub fn drop_veil(ctx: &Context, tokens: &Tokens) {
    let layer = egui::LayerId::new(egui::Order::Foreground, egui::Id::unique("drop veil"));
    let painter = ctx.layer_painter(layer);
    let area = ctx.content_rect();
    painter.rect_filled(area, 0, tokens.veil);
    painter.rect_stroke(
        area.shrink(8.0),
        6,
        Stroke::new(2.0, tokens.chosen),
        egui::StrokeKind::Inside,
    );
    let words = "Let go to take them into the night";
    painter.text(area.center(), egui::Align2::CENTER_CENTER, words, large(), tokens.on_veil);
}
