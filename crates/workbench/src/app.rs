//! The window's own loop: take results in, draw, send what the person wished.

use crate::actions::{self, Act};
use crate::instruments::Mode;
use crate::lightbox::{Arrangement, Easel, TileStore};
use crate::open::{Opener, Purpose};
use crate::pace::Pace;
use crate::shelf::Thumbnails;
use crate::state::{Desk, Page, ViewState};
use crate::theme::{self, Light};
use crate::{foot, inspector, pages, room};
use egui::{Context, Ui, vec2};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;
use stillwright_night::memory::MemoryWatch;
use stillwright_night::preferences::Preferences;
use stillwright_night::screen::Screen;
use stillwright_night::session::{
    Cancel, CaptureId, Command, Effect, OpenError, Places, Session, SessionOptions,
};

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
        // Size of text is ours to keep.
        ctx.options_mut(|options| options.zoom_with_keyboard = false);
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

    /// Ask something of the night, as the panels do.
    pub fn send(&mut self, command: Command) {
        self.session.send(command);
    }

    /// Measure the processor time of frames, too.
    pub fn watch_processor(&mut self) {
        self.pace.watch_processor();
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
        self.pace.begin();
        for effect in self.session.pump() {
            self.react(&effect);
        }
        match self.opener.take().filter(|(_, paths)| !paths.is_empty()) {
            Some((Purpose::Captures, paths)) => {
                self.session.send(Command::Add(paths));
                self.view.page = None;
            }
            Some((Purpose::Calibration(id, kind), paths)) => {
                if let Some(entry) = self.session.entry(id) {
                    let now = &entry.recipe.calibration;
                    let setting = inspector::with_files(now, kind, &paths);
                    self.session.send(Command::Change { id, setting });
                }
            }
            None => {}
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
            let own = (&mut self.thumbnails, memory);
            room::panels(ui, tokens, &mut desk, &mut self.view, &mut easel, own);
            foot::messages(&ctx, tokens, &mut desk, &mut self.view);
            pages::show(&ctx, tokens, &mut desk, &mut self.view, &self.opener);
            if self.view.hovering {
                room::drop_veil(&ctx, tokens);
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
            Act::Plan => self.open_page(Page::Plan),
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
            Act::Finish => self.turn_to(Mode::Finish),
            Act::Measure => self.turn_to(Mode::Measure),
            Act::Compare => self.turn_to(Mode::Compare),
            Act::Take(tool) if selected.is_some() => {
                self.view.inspector = true;
                self.view.measure.take(tool);
            }
            Act::Graticule => self.view.measure.graticule = !self.view.measure.graticule,
            Act::Names => self.view.measure.names = !self.view.measure.names,
            Act::Shelf => self.view.shelf = !self.view.shelf,
            Act::Inspector => self.view.inspector = !self.view.inspector,
            Act::SideBySide => self.view.arrangement = Arrangement::SideBySide,
            Act::Wiper => self.view.arrangement = Arrangement::Wiper,
            Act::Blink => self.view.arrangement = Arrangement::Blink,
            Act::Tiles => self.view.tiles = !self.view.tiles,
            Act::Lay(kind) => {
                let on = self.session.laid() == Some(kind);
                self.session.send(Command::Lay((!on).then_some(kind)));
            }
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
    fn act_on(&mut self, ctx: &Context, act: Act, id: CaptureId) {
        match act {
            Act::Export => {
                let target = inspector::target(&self.view);
                self.session.send(Command::Export { id, target });
            }
            Act::Remove => self.session.send(Command::Remove(id)),
            Act::CopyRecipe => self.view.copied = Some(id),
            Act::ChooseCalibration(kind) => self.opener.calibration(id, kind),
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

    /// Change what the inspector is about, and show it.
    fn turn_to(&mut self, mode: Mode) {
        self.view.inspector = true;
        self.view.measure.turn_to(mode);
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
