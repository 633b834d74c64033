//! The finish: a slider for each detail scale, starting where measured noise and blur put it.

use super::Bench;
use super::rows::{Title, choice, more, sentence, slider};
use crate::slider::{Moved, Scale};
use crate::words;
use egui::Ui;
use stillwright_night::session::{Entry, ScaleFigure, Setting};
use stillwright_night::stacking::finish::{
    DetailScale, DetailSettings, RichardsonLucySettings, Sharpening, WienerSettings,
};

/// Ways to sharpen, without their numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    Estimate,
    Scales,
    Wiener,
    RichardsonLucy,
    None,
}

fn way(sharpening: &Sharpening) -> Way {
    match sharpening {
        Sharpening::Automatic => Way::Estimate,
        Sharpening::DetailScales(_) => Way::Scales,
        Sharpening::Wiener(_) => Way::Wiener,
        Sharpening::RichardsonLucy(_) => Way::RichardsonLucy,
        Sharpening::None => Way::None,
    }
}

pub fn words(entry: &Entry) -> String {
    match way(&entry.recipe.finish.sharpening) {
        Way::Estimate => "at the best estimate".into(),
        Way::Scales => "moved by you".into(),
        Way::Wiener => "Wiener".into(),
        Way::RichardsonLucy => "Richardson-Lucy".into(),
        Way::None => "none".into(),
    }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let sharpening = &entry.recipe.finish.sharpening;
    let now = way(sharpening);
    let mut ways = vec![
        (Way::Estimate, "best estimate"),
        (Way::Wiener, "Wiener"),
        (Way::RichardsonLucy, "Richardson-Lucy"),
        (Way::None, "none"),
    ];
    if now == Way::Scales {
        ways.insert(1, (Way::Scales, "moved by you"));
    }
    let tip = "How blur is taken off. The best estimate undoes the blur that is left and holds noise back; move a slider to go on from there.";
    if let Some(chosen) = choice(ui, tokens, "Sharpening", tip, now, &ways) {
        let sharpening = match chosen {
            Way::Estimate => Sharpening::Automatic,
            Way::Scales => Sharpening::DetailScales(DetailSettings::default()),
            Way::Wiener => Sharpening::Wiener(WienerSettings::default()),
            Way::RichardsonLucy => Sharpening::RichardsonLucy(RichardsonLucySettings::default()),
            Way::None => Sharpening::None,
        };
        bench.desk.change(entry.id, Setting::Sharpening(sharpening), true);
    }
    match sharpening {
        Sharpening::Wiener(settings) => wiener(ui, bench, *settings),
        Sharpening::RichardsonLucy(settings) => richardson_lucy(ui, bench, *settings),
        Sharpening::None => {}
        Sharpening::Automatic | Sharpening::DetailScales(_) => scales(ui, bench),
    }
}

fn scales(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    if entry.scales.is_empty() {
        sentence(
            ui,
            "The sliders come with the stack: they rest where its noise and blur put them.",
            tokens.quiet,
        );
        return;
    }
    for figure in entry.scales.iter() {
        ui.push_id(figure.index, |ui| gain(ui, bench, figure));
    }
    sentence(ui, "| where measured noise and blur put it; double-click returns", tokens.measured);
    let tip = "For each detail scale: how far above its noise something must stand out to pass.";
    if more(ui, tokens, "Noise held back", tip) {
        for figure in entry.scales.iter() {
            ui.push_id(("hold", figure.index), |ui| hold_back(ui, bench, figure));
        }
    }
}

/// `2 px`, and under it its size on the sky.
fn size_words(figure: &ScaleFigure) -> (String, String) {
    let name = words::with_unit(figure.size_px, "px");
    let under = match figure.size_arcsec {
        Some(arcsec) => words::arcsec(arcsec),
        None => String::new(),
    };
    (name, under)
}

fn gain(ui: &mut Ui, bench: &mut Bench<'_, '_>, figure: &ScaleFigure) {
    let (name, mut under) = size_words(figure);
    let held = 100.0 * figure.held_below;
    if under.is_empty() || held >= 0.05 {
        let separator = if under.is_empty() { "" } else { " · " };
        let held = if held >= 0.05 { words::percent(held) } else { "nothing".into() };
        under = format!("{under}{separator}holds {held}");
    }
    let name = format!("Detail {name}");
    let tip = format!(
        "How strongly structure of about {} comes out: ×1 leaves it, ×0 removes it. What is weaker than {} of full scale is taken for noise and held back.",
        words::with_unit(figure.size_px, "px"),
        words::percent(100.0 * figure.held_below),
    );
    let title = Title { name: &name, under: &under, tip: &tip };
    let rest = Some(f64::from(figure.rest.gain));
    let scale = Scale { power: 3.0, prefix: "×", decimals: 2, ..Scale::new(0.0..=20.0, rest) };
    let mut value = f64::from(figure.now.gain);
    let moved = slider(ui, bench.tokens, &title, &mut value, &scale);
    let scale = DetailScale { gain: value as f32, ..figure.now };
    send(bench, figure, moved, scale);
}

fn hold_back(ui: &mut Ui, bench: &mut Bench<'_, '_>, figure: &ScaleFigure) {
    let (size, _) = size_words(figure);
    let name = format!("Hold {size}");
    let tip = "How many standard deviations of its noise structure of this size must stand out to pass; 0 holds nothing back.";
    let title = Title { name: &name, under: "", tip };
    let rest = Some(f64::from(figure.rest.hold_back));
    let scale = Scale { unit: "\u{2006}σ", decimals: 2, ..Scale::new(0.0..=10.0, rest) };
    let mut value = f64::from(figure.now.hold_back);
    let moved = slider(ui, bench.tokens, &title, &mut value, &scale);
    let scale = DetailScale { hold_back: value as f32, ..figure.now };
    send(bench, figure, moved, scale);
}

fn send(bench: &mut Bench<'_, '_>, figure: &ScaleFigure, moved: Moved, scale: DetailScale) {
    let index = figure.index;
    bench.desk.slid(bench.entry.id, moved, || Setting::DetailScale { index, scale });
}

fn wiener(ui: &mut Ui, bench: &mut Bench<'_, '_>, settings: WienerSettings) {
    let title = Title {
        name: "Noise held back",
        under: "",
        tip: "How much weight the noise gets: 1 is the best estimate, less is sharper and noisier, more is smoother.",
    };
    let scale =
        Scale { power: 2.0, prefix: "×", decimals: 2, ..Scale::new(0.01..=10.0, Some(1.0)) };
    let mut value = settings.noise_weight;
    let moved = slider(ui, bench.tokens, &title, &mut value, &scale);
    bench.desk.slid(bench.entry.id, moved, || {
        let settings = WienerSettings { noise_weight: value, ..settings };
        Setting::Sharpening(Sharpening::Wiener(settings))
    });
}

fn richardson_lucy(ui: &mut Ui, bench: &mut Bench<'_, '_>, settings: RichardsonLucySettings) {
    let title = Title {
        name: "Rounds",
        under: "",
        tip: "How often the estimate is improved. More rounds: sharper, and noise grows with them.",
    };
    let rest = f64::from(RichardsonLucySettings::default().iterations);
    let scale = Scale { decimals: 0, ..Scale::new(1.0..=100.0, Some(rest)) };
    let mut value = f64::from(settings.iterations);
    let moved = slider(ui, bench.tokens, &title, &mut value, &scale);
    bench.desk.slid(bench.entry.id, moved, || {
        let settings = RichardsonLucySettings { iterations: value as u32, ..settings };
        Setting::Sharpening(Sharpening::RichardsonLucy(settings))
    });
}
