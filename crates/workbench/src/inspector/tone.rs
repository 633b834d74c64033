//! Tone and colour of the still.

use super::Bench;
use super::rows::{Title, choice, slider};
use crate::slider::Scale;
use egui::Ui;
use stillwright_night::session::{Entry, Setting};
use stillwright_night::stacking::finish::{Balance, Bend, Colour, Point, Tone};

pub fn words(entry: &Entry) -> String {
    match entry.recipe.finish.tone.bend {
        Bend::Linear => "linear".into(),
        Bend::Gamma(_) | Bend::Asinh(_) => "bent".into(),
    }
}

/// The tone that the still on the screen would have by itself.
fn rest(entry: &Entry) -> Option<Tone> {
    entry.still.as_ref().map(|still| still.finished.rest_tone)
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let entry = bench.entry;
    let tone = entry.recipe.finish.tone;
    let rest = rest(entry);
    let black = (tone.black, rest.map(|tone| tone.black), 0.0);
    let white = (tone.white, rest.map(|tone| tone.white), 1.0);
    let tip = "Light that becomes black, percent of the camera's full scale. By itself: at most one pixel in a thousand lies below it, and no structure is lost.";
    level(ui, bench, "Black", tip, black, Setting::Black);
    let tip = "Light that becomes white, percent of the camera's full scale. By itself: the brightest pixel, so that nothing burns out.";
    level(ui, bench, "White", tip, white, Setting::White);
    bend(ui, bench, tone.bend);
}

fn level(
    ui: &mut Ui,
    bench: &mut Bench<'_, '_>,
    name: &str,
    tip: &str,
    (point, rest, otherwise): (Point, Option<Point>, f32),
    setting: fn(Point) -> Setting,
) {
    let level = |point: Option<Point>| match point {
        Some(Point::Level(level)) => Some(f64::from(level)),
        _ => None,
    };
    let rest = level(rest);
    let now = level(Some(point)).or(rest).unwrap_or(f64::from(otherwise));
    let mut percent = 100.0 * now;
    let rest = rest.map(|rest| 100.0 * rest);
    let scale = Scale { unit: "\u{2006}%", decimals: 1, ..Scale::new(-50.0..=150.0, rest) };
    let moved = slider(ui, bench.tokens, &Title { name, under: "", tip }, &mut percent, &scale);
    let id = bench.entry.id;
    let point = if moved.reset { Point::Auto } else { Point::Level((percent / 100.0) as f32) };
    bench.desk.slid(id, moved, || setting(point));
}

/// Kinds of bend, without their numbers.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Linear,
    Gamma,
    Asinh,
}

fn bend(ui: &mut Ui, bench: &mut Bench<'_, '_>, now: Bend) {
    let (tokens, id) = (bench.tokens, bench.entry.id);
    let kind = match now {
        Bend::Linear => Kind::Linear,
        Bend::Gamma(_) => Kind::Gamma,
        Bend::Asinh(_) => Kind::Asinh,
    };
    let kinds = [(Kind::Linear, "none: linear"), (Kind::Gamma, "gamma"), (Kind::Asinh, "asinh")];
    let tip = "How brightness between black and white is bent. Linear keeps the still photometric; gamma lifts the shadows; asinh lifts them and spares the highlights.";
    if let Some(kind) = choice(ui, tokens, "Bend", tip, kind, &kinds) {
        let bend = match kind {
            Kind::Linear => Bend::Linear,
            Kind::Gamma => Bend::Gamma(1.5),
            Kind::Asinh => Bend::Asinh(5.0),
        };
        bench.desk.change(id, Setting::Bend(bend), true);
    }
    type Make = fn(f32) -> Bend;
    let (value, scale, make): (f32, Scale, Make) = match now {
        Bend::Linear => return,
        Bend::Gamma(gamma) => {
            let scale = Scale { decimals: 2, ..Scale::new(0.3..=4.0, Some(1.5)) };
            (gamma, scale, Bend::Gamma)
        }
        Bend::Asinh(k) => {
            let scale = Scale { decimals: 1, power: 3.0, ..Scale::new(0.5..=500.0, Some(5.0)) };
            (k, scale, Bend::Asinh)
        }
    };
    let mut value = f64::from(value);
    let title = Title { name: "Strength", under: "", tip: "How far the shadows are lifted." };
    let moved = slider(ui, tokens, &title, &mut value, &scale);
    bench.desk.slid(bench.entry.id, moved, || Setting::Bend(make(value as f32)));
}

pub fn has_colour(entry: &Entry) -> bool {
    entry.facts.as_ref().is_some_and(|facts| facts.layout != "mono")
}

pub fn colour_words(entry: &Entry) -> String {
    match entry.recipe.finish.colour.balance {
        Balance::AsIs => "as the camera gave it".into(),
        Balance::Neutral => "neutral".into(),
        Balance::Gains(_) => "balanced by you".into(),
    }
}

/// Kinds of balance, without their numbers.
#[derive(Clone, Copy, PartialEq)]
enum Balanced {
    AsIs,
    Neutral,
    Gains,
}

pub fn show_colour(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let now: Colour = entry.recipe.finish.colour;
    let kind = match now.balance {
        Balance::AsIs => Balanced::AsIs,
        Balance::Neutral => Balanced::Neutral,
        Balance::Gains(_) => Balanced::Gains,
    };
    let used = entry.still.as_ref().and_then(|still| match still.finished.used.colour.balance {
        Balance::Gains(gains) => Some(gains),
        _ => None,
    });
    let kinds = [
        (Balanced::Neutral, "grey on the whole"),
        (Balanced::AsIs, "as captured"),
        (Balanced::Gains, "by hand"),
    ];
    let tip = "How red, green and blue are weighed. Grey on the whole suits the Moon; a planet keeps its own hue when balanced by hand.";
    if let Some(kind) = choice(ui, tokens, "Balance", tip, kind, &kinds) {
        let balance = match kind {
            Balanced::AsIs => Balance::AsIs,
            Balanced::Neutral => Balance::Neutral,
            Balanced::Gains => Balance::Gains(used.unwrap_or([1.0; 3])),
        };
        bench.desk.change(entry.id, Setting::Colour(Colour { balance, ..now }), true);
    }
    if let Balance::Gains(gains) = now.balance {
        for (channel, name) in ["Red", "Green", "Blue"].into_iter().enumerate() {
            let mut value = f64::from(gains[channel]);
            let title = Title { name, under: "", tip: "Gain of this channel; ×1 leaves it." };
            let scale = Scale { prefix: "×", decimals: 2, ..Scale::new(0.2..=5.0, Some(1.0)) };
            let moved = slider(ui, tokens, &title, &mut value, &scale);
            bench.desk.slid(entry.id, moved, || {
                let mut gains = gains;
                gains[channel] = value as f32;
                Setting::Colour(Colour { balance: Balance::Gains(gains), ..now })
            });
        }
    }
    let mut saturation = f64::from(now.saturation);
    let title = Title {
        name: "Saturation",
        under: "",
        tip: "How far colours lie from grey: ×0 is grey, ×1 leaves them.",
    };
    let scale = Scale { prefix: "×", decimals: 2, ..Scale::new(0.0..=5.0, Some(1.0)) };
    let moved = slider(ui, tokens, &title, &mut saturation, &scale);
    bench
        .desk
        .slid(entry.id, moved, || Setting::Colour(Colour { saturation: saturation as f32, ..now }));
}
