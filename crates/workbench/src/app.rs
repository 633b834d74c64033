//! The window's own loop: take results in, draw, send what the person wished.

use crate::actions::{self, Act};
use crate::chart::{self, ChartAct, ChartData};
use crate::lightbox::{self, Arrangement, Easel, TileStore};
use crate::open::Opener;
use crate::pace::Pace;
use crate::shelf::Thumbnails;
use crate::state::{Desk, Page, ViewState};
use crate::theme::{self, Light, Tokens, body, large, small, title};
use crate::{foot, inspector, menus, pages, shelf};
use egui::{
    Align, Button, CentralPanel, Context, Frame, Layout, Margin, Panel, Rect, RichText, Stroke, Ui,
    UiBuilder, pos2, vec2,
};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;
use stillwright_night::memory::MemoryWatch;
use stillwright_night::preferences::Preferences;
use stillwright_night::screen::Screen;
use stillwright_night::session::{
    Cancel, Command, Effect, Entry, OpenError, Places, Session, SessionOptions, Setting,
};
use stillwright_night::stacking::Keep;

/// Height of the chart, px.
const CHART_HEIGHT: f32 = 216.0;

/// How the window is opened.
#[derive(Clone, Debug)]
pub struct WorkbenchOptions {
    /// How the session behaves, and where it keeps its files.
    pub session: SessionOptions,
    /// Where a sample night is made when asked for.
    pub sample_folder: PathBuf,
    /// Where the window keeps its look; nowhere when left out.
    pub preferences: Option<PathBuf>,
    /// Captures to open at once.
    pub files: Vec<PathBuf>,
    /// Whether the memory in use is shown.
    pub watch_memory: bool,
}

impl WorkbenchOptions {
    /// The usual behaviour, with everything of the program's own at `places`.
    pub fn new(places: Places) -> WorkbenchOptions {
        let home = places.night.parent().map(PathBuf::from).unwrap_or_default();
        WorkbenchOptions {
            session: SessionOptions::new(places),
            sample_folder: home.join("sample-night"),
            preferences: Some(home.join("window.toml")),
            files: Vec::new(),
            watch_memory: true,
        }
    }
}

/// The window over a night.
pub struct Workbench {
    session: Session,
    view: ViewState,
    screen: Screen,
    memory: Option<MemoryWatch>,
    tiles: TileStore,
    thumbnails: Thumbnails,
    opener: Opener,
    pace: Pace,
    kept: (Preferences, Option<PathBuf>),
}

impl Workbench {
    /// Open the night and dress `ctx`.
    ///
    /// # Errors
    /// When another window has the night, or the system gives no thread.
    pub fn new(ctx: &Context, options: WorkbenchOptions) -> Result<Workbench, OpenError> {
        theme::install_fonts(ctx);
        let wake = || {
            let ctx = ctx.clone();
            move || ctx.request_repaint()
        };
        let mut session = Session::open(options.session, wake())?;
        let kept = options.preferences.as_deref().map(Preferences::load).unwrap_or_default();
        let mut view = ViewState::new(options.sample_folder);
        view.light = Light::from_name(&kept.light).unwrap_or_default();
        view.text_scale = kept.text_scale;
        view.export_folder = kept.export_folder.clone();
        theme::apply(ctx, view.light);
        if !options.files.is_empty() {
            session.send(Command::Add(options.files));
        }
        Ok(Workbench {
            session,
            view,
            screen: Screen::new(wake())?,
            memory: if options.watch_memory { MemoryWatch::new().ok() } else { None },
            tiles: TileStore::default(),
            thumbnails: Thumbnails::default(),
            opener: Opener::new(wake()),
            pace: Pace::default(),
            kept: (kept, options.preferences),
        })
    }

    /// The night.
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// Times of frames so far.
    pub fn pace(&self) -> &Pace {
        &self.pace
    }

    /// Whether everything on the screen is as sharp as it will get.
    pub fn is_settled(&self) -> bool {
        !self.screen.busy() && !self.tiles.wanting()
    }

    /// Take in what has happened. Draws nothing.
    pub fn take_in(&mut self, ctx: &Context) {
        let since = Instant::now();
        for effect in self.session.pump() {
            self.react(&effect);
        }
        if let Some(paths) = self.opener.take().filter(|paths| !paths.is_empty()) {
            self.session.send(Command::Add(paths));
            self.view.page = None;
        }
        let (dropped, hovering) = ctx.input(|i| {
            let dropped: Vec<PathBuf> =
                i.raw.dropped_files.iter().map(|file| file.path().to_path_buf()).collect();
            (dropped, !i.raw.hovered_files.is_empty())
        });
        self.view.hovering = hovering;
        if !dropped.is_empty() {
            self.session.send(Command::Add(dropped));
        }
        self.remember();
        self.pace.logic(since);
    }

    fn react(&mut self, effect: &Effect) {
        match effect {
            Effect::Added(ids) => {
                if self.session.selected().is_none()
                    && let Some(first) = ids.first()
                {
                    self.session.send(Command::Select(Some(*first)));
                }
            }
            // Opened anew, perhaps with another layout: what was shown is not it any more.
            Effect::Opened(_) | Effect::Graded(_) => self.view.asked = None,
            Effect::Stacked(_) => self.view.looked_at = None,
            Effect::AllStills(all) => {
                self.view.all_stills = Some(Arc::clone(all));
                self.view.page = Some(Page::AllStills);
            }
            _ => {}
        }
    }

    /// Keep the look, when it changed, off this thread.
    fn remember(&mut self) {
        let now = Preferences {
            light: self.view.light.name().into(),
            text_scale: self.view.text_scale,
            export_folder: self.view.export_folder.clone(),
        };
        if now == self.kept.0 {
            return;
        }
        self.kept.0 = now.clone();
        if let Some(path) = self.kept.1.clone() {
            // Not being able to keep the look is no reason to trouble anybody.
            let save = move || drop(now.save(&path));
            let _ = std::thread::Builder::new().name("preferences".into()).spawn(save);
        }
    }

    /// Draw, and do what was wished.
    pub fn draw(&mut self, ui: &mut Ui) {
        let since = Instant::now();
        let ctx = ui.ctx().clone();
        self.tiles.begin(&ctx);
        let scale = self.view.text_scale;
        if (ctx.zoom_factor() - scale).abs() > 1e-3 {
            ctx.set_zoom_factor(scale);
        }
        let tokens = self.view.light.tokens();
        let plain_keys = self.view.page.is_none() && !ctx.any_popup_open();
        let mut acts = actions::pressed(&ctx, plain_keys);
        let mut send = Vec::new();
        {
            let mut desk = Desk { session: &self.session, send: &mut send, acts: &mut acts };
            let mut easel = Easel { screen: &self.screen, tiles: &mut self.tiles };
            let memory = self.memory.as_ref().and_then(MemoryWatch::bytes);
            panels(ui, tokens, &mut desk, &mut self.view, &mut easel, &mut self.thumbnails, memory);
            foot::messages(&ctx, tokens, &mut desk, &mut self.view);
            pages::show(&ctx, tokens, &mut desk, &mut self.view, &self.opener);
            if self.view.hovering {
                drop_veil(&ctx, tokens);
            }
        }
        self.ask_for_frame(&mut send);
        for command in send {
            self.session.send(command);
        }
        for act in acts {
            self.act(&ctx, act);
        }
        self.pace.frame(since);
    }

    /// The frame under the chart's cursor is asked for when it is another one.
    fn ask_for_frame(&mut self, send: &mut Vec<Command>) {
        let Some(entry) = self.session.selected().filter(|entry| entry.facts.is_some()) else {
            return;
        };
        let wanted = (entry.id, self.view.frame_of(entry));
        if self.view.asked != Some(wanted) {
            self.view.asked = Some(wanted);
            send.push(Command::ShowFrame { id: wanted.0, index: wanted.1 });
        }
    }

    fn act(&mut self, ctx: &Context, act: Act) {
        let selected = self.session.selected().map(|entry| entry.id);
        match act {
            Act::Open => self.open_page(Page::Open),
            Act::Keys => self.open_page(Page::Keys),
            Act::Words => self.open_page(Page::Words),
            Act::SaveRecipe if selected.is_some() => self.open_page(Page::SaveRecipe),
            Act::Sample => {
                let folder = self.view.sample_folder.clone();
                self.session.send(Command::MakeSampleNight { folder });
            }
            Act::Quit => ctx.send_viewport_cmd(egui::ViewportCommand::Close),
            Act::Undo => self.session.send(Command::Undo),
            Act::Redo => self.session.send(Command::Redo),
            Act::MakeAll => {
                let target = inspector::target(&self.view);
                self.session.send(Command::MakeAll { ids: Vec::new(), target });
            }
            Act::Stop => self.session.send(Command::Cancel(Cancel::All)),
            Act::ReadAll => self.session.send(Command::ReadAll),
            Act::Next => self.step(1),
            Act::Previous => self.step(-1),
            Act::PasteRecipe => {
                if let (Some(from), Some(to)) = (self.view.copied, selected) {
                    self.session.send(Command::CopyRecipe { from, to: vec![to] });
                }
            }
            Act::Shelf => self.view.shelf = !self.view.shelf,
            Act::Inspector => self.view.inspector = !self.view.inspector,
            Act::SideBySide => self.view.arrangement = Arrangement::SideBySide,
            Act::Wiper => self.view.arrangement = Arrangement::Wiper,
            Act::Blink => self.view.arrangement = Arrangement::Blink,
            Act::Tiles => self.view.tiles = !self.view.tiles,
            Act::Dark => self.light(ctx, Light::Dark),
            Act::Day => self.toggle_light(ctx, Light::Day),
            Act::Red => self.toggle_light(ctx, Light::Red),
            Act::TextLarger => self.view.text_scale = (self.view.text_scale * 1.1).min(2.5),
            Act::TextSmaller => self.view.text_scale = (self.view.text_scale / 1.1).max(0.75),
            Act::TextPlain => self.view.text_scale = 1.0,
            _ => {
                if let Some(id) = selected {
                    self.act_on(ctx, act, id);
                }
            }
        }
        ctx.request_repaint();
    }

    /// Actions upon the selected capture.
    fn act_on(&mut self, ctx: &Context, act: Act, id: stillwright_night::session::CaptureId) {
        match act {
            Act::Export => {
                let target = inspector::target(&self.view);
                self.session.send(Command::Export { id, target });
            }
            Act::Remove => self.session.send(Command::Remove(id)),
            Act::CopyRecipe => self.view.copied = Some(id),
            Act::RecipeToAll => {
                let others = self.session.entries().iter().map(|entry| entry.id);
                let to = others.filter(|other| *other != id).collect();
                self.session.send(Command::CopyRecipe { from: id, to });
            }
            Act::BestFrame => {
                self.view.frame.remove(&id);
            }
            Act::Fit => {
                self.view.ground.remove(&id);
            }
            Act::OneToOne | Act::ZoomIn | Act::ZoomOut => {
                let Some(area) = self.view.boxes.area else { return };
                let Some(entry) = self.session.entry(id) else { return };
                let size = entry.facts.as_ref().map_or((1, 1), |facts| (facts.width, facts.height));
                let ground = vec2(size.0 as f32, size.1 as f32);
                let seen = self.view.ground.entry(id).or_default();
                let placed = seen.place(area, ground);
                let zoom = match act {
                    Act::ZoomIn => placed.zoom * 1.25,
                    Act::ZoomOut => placed.zoom / 1.25,
                    _ => 1.0 / ctx.pixels_per_point(),
                };
                seen.zoom_to(&placed, ground, zoom, area.center());
            }
            _ => {}
        }
    }

    fn open_page(&mut self, page: Page) {
        self.view.typed.clear();
        self.view.page = Some(page);
    }

    fn light(&mut self, ctx: &Context, light: Light) {
        self.view.light = light;
        theme::apply(ctx, light);
    }

    fn toggle_light(&mut self, ctx: &Context, light: Light) {
        let now = if self.view.light == light { Light::Dark } else { light };
        self.light(ctx, now);
    }

    /// Select the next capture, or the one before.
    fn step(&mut self, by: i64) {
        let entries = self.session.entries();
        let Some(selected) = self.session.selected() else { return };
        let Some(now) = entries.iter().position(|entry| entry.id == selected.id) else { return };
        let then = (now as i64 + by).clamp(0, entries.len() as i64 - 1) as usize;
        let id = entries[then].id;
        self.session.send(Command::Select(Some(id)));
    }
}

impl eframe::App for Workbench {
    fn logic(&mut self, ctx: &Context, _frame: &mut eframe::Frame) {
        self.take_in(ctx);
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        self.draw(ui);
    }

    fn clear_color(&self, _visuals: &egui::Visuals) -> [f32; 4] {
        self.view.light.tokens().bench.to_normalized_gamma_f32()
    }
}

fn frame(tokens: &Tokens, margin: Margin) -> Frame {
    Frame::NONE.fill(tokens.bench).inner_margin(margin)
}

#[allow(clippy::too_many_arguments)]
fn panels(
    ui: &mut Ui,
    tokens: &Tokens,
    desk: &mut Desk<'_>,
    view: &mut ViewState,
    easel: &mut Easel<'_>,
    thumbnails: &mut Thumbnails,
    memory: Option<u64>,
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
    let (words, _) = shelf::state_words(entry);
    let painter = ui.painter();
    painter.text(area.left_top(), egui::Align2::LEFT_TOP, chart::TIME_NAME, body(), tokens.quiet);
    painter.hline(area.x_range(), area.bottom() - 24.0, Stroke::new(1.0, tokens.line));
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
        ui.label(RichText::new(words).font(body()).color(tokens.quiet));
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
fn drop_veil(ctx: &Context, tokens: &Tokens) {
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
