//! The real window, drawn without a display for pictures of it: waiting, pressing, saving.

use anyhow::Context as _;
use egui::{Event, Key, Modifiers};
use egui_kittest::Harness;
use std::path::Path;
use std::time::{Duration, Instant};
use stillwright_workbench::Workbench;

/// Longest time that a night may take.
const PATIENCE: Duration = Duration::from_secs(900);

/// The window.
pub type Window = Harness<'static, Workbench>;

/// Let the window run until `there`, and until everything on the screen is sharp.
pub fn wait(window: &mut Window, there: impl Fn(&Workbench) -> bool) -> anyhow::Result<()> {
    let until = Instant::now() + PATIENCE;
    let mut quiet = 0;
    while quiet < 5 {
        window.step();
        let app = window.state();
        quiet = if there(app) && app.is_settled() { quiet + 1 } else { 0 };
        anyhow::ensure!(Instant::now() < until, "the window took too long");
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(())
}

/// Press a key and let it go.
pub fn press(window: &mut Window, key: Key) {
    for pressed in [true, false] {
        let modifiers = Modifiers::NONE;
        window.event(Event::Key { key, physical_key: None, pressed, repeat: false, modifiers });
    }
    window.run_steps(3);
}

/// Write the window as a picture, without a pointer in it.
pub fn save(window: &mut Window, path: &Path) -> anyhow::Result<()> {
    window.remove_cursor();
    window.run_steps(3);
    let picture = window.render().map_err(anyhow::Error::msg)?;
    picture.save(path).with_context(|| format!("{} could not be written", path.display()))
}
