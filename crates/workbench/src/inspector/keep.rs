//! How many of the best moments are kept, and how they are stacked.

use super::Bench;
use super::rows::{Title, choice, fact, more, sentence, slider, tick};
use crate::slider::Scale;
use crate::words;
use egui::Ui;
use stillwright_night::session::{Entry, Setting};
use stillwright_night::stacking::{Keep, Pace, Resampling};

pub fn words(entry: &Entry) -> String {
    match entry.recipe.stack.keep {
        Keep::Auto => "as advised".into(),
        Keep::Percent(_) => "your choice".into(),
    }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let advised = entry.advice.as_ref().map(|advice| f64::from(advice.percent));
    let now = entry.chart.as_ref().and_then(|chart| chart.keep_percent);
    let set = match entry.recipe.stack.keep {
        Keep::Percent(percent) => Some(percent),
        Keep::Auto => now,
    };
    let Some(set) = set else {
        let tip = "How many of the best moments are kept. It is measured when there is something to stack; or drag it on the chart.";
        fact(ui, tokens, "Best moments", "found while stacking", tip);
        return;
    };
    let mut percent = f64::from(set);
    let scale = Scale { power: 2.0, unit: "\u{2006}%", ..Scale::new(0.5..=100.0, advised) };
    let title = Title {
        name: "Best moments",
        under: "",
        tip: "Share of the frames that is kept, percent, place by place. Fewer: sharper, noisier. More: smoother, softer.",
    };
    let moved = slider(ui, tokens, &title, &mut percent, &scale);
    let keep = if moved.reset { Keep::Auto } else { Keep::Percent(percent as f32) };
    bench.desk.slid(entry.id, moved, || Setting::Keep(keep));
    if entry.recipe.stack.keep != Keep::Auto {
        let words = match advised {
            Some(percent) => format!("Back to the advice: {}", words::percent(percent)),
            None => "Leave it to the advice".into(),
        };
        let tip = "The keep at which the stack holds the most detail for its noise, measured on two halves of it.";
        if ui.button(words).on_hover_text(tip).clicked() {
            bench.desk.change(entry.id, Setting::Keep(Keep::Auto), true);
        }
    }
    if let Some(stacked) = &entry.stacked {
        let stack = &stacked.stack;
        let tip = "Patches of the picture that were laid over each other by themselves, where there was structure to hold on to.";
        fact(ui, tokens, "Tiles", &words::count(stack.tiles as u64), tip);
        let tip = "Frames that gave light to some place, and to each place on average.";
        let frames = format!(
            "{} in all, {} a place",
            words::count(stack.frames_used as u64),
            words::count(stack.frames_per_place as u64)
        );
        fact(ui, tokens, "Frames used", &frames, tip);
        if let Some(pixfrac) = stack.pixfrac {
            let tip = "Each sample fell as a drop of this share of a pixel's side: what lies beyond the capture's own pixels comes from many frames.";
            fact(ui, tokens, "Drizzled", &format!("drops of {pixfrac:.2} px"), tip);
        }
    }
    if let Some(measures) = &entry.measures
        && let Some(words) = crate::lightbox::detail_words(&measures.resolution)
    {
        let tip = "The finest period at which two halves of the stack still agree.";
        let words = words.trim_start_matches("detail to ").to_string();
        fact(ui, tokens, "Detail to", &words, tip);
    }
    if entry.chart.as_ref().is_some_and(|chart| chart.sorted.len() < 30) {
        sentence(ui, "Few frames can be used: the still will be noisy.", tokens.trouble);
    }
    if more(
        ui,
        bench.tokens,
        "More about stacking",
        "Size of the tiles and of the still, and what a single frame shows.",
    ) {
        stacking(ui, bench);
    }
}

fn stacking(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let stack = &entry.recipe.stack;
    let paces = [(Pace::Quick, "quick"), (Pace::Patient, "patient")];
    let tip = "Patient lays every frame once more, on the stack itself and at full size. It takes two to three times as long and shows finer detail in rough air; in calm air nothing is gained.";
    if let Some(pace) = choice(ui, tokens, "Pace", tip, stack.pace, &paces) {
        bench.desk.change(entry.id, Setting::Pace(pace), true);
    }
    let sizes = [(0, "by structure"), (48, "48 px"), (64, "64 px"), (96, "96 px"), (128, "128 px")];
    let tip = "Side of the tiles, px of the capture. Small tiles follow finer ripples of the air, large ones hold on to less noise.";
    if let Some(side) = choice(ui, tokens, "Tile size", tip, stack.tile_px, &sizes) {
        bench.desk.change(entry.id, Setting::TilePx(side), true);
    }
    let scales = [(1.0f32, "as captured"), (1.5, "1.5 times"), (2.0, "2 times"), (3.0, "3 times")];
    let tip = "Pixels of the still for each pixel of the capture, along a side. Worth it where the sampling is coarse and frames are many.";
    if let Some(scale) = choice(ui, tokens, "Size of the still", tip, stack.scale, &scales) {
        bench.desk.change(entry.id, Setting::Scale(scale), true);
    }
    let mut ways = vec![
        (Resampling::Auto, "whichever shows more"),
        (Resampling::Interpolation, "interpolation"),
        (Resampling::Drizzle(0.4), "drops of 0.4 px"),
        (Resampling::Drizzle(0.5), "drops of 0.5 px"),
        (Resampling::Drizzle(0.7), "drops of 0.7 px"),
        (Resampling::Drizzle(1.0), "drops of 1 px"),
    ];
    let own = match stack.resampling {
        Resampling::Drizzle(pixfrac) => format!("drops of {pixfrac} px"),
        _ => String::new(),
    };
    if ways.iter().all(|(way, _)| *way != stack.resampling) {
        ways.push((stack.resampling, &own));
    }
    let tip = "How samples come to lie between pixels. Drops (drizzle) show detail finer than the capture's pixels where these are coarse and the still is larger; a small drop shows more and leaves more noise.";
    if let Some(way) = choice(ui, tokens, "Between pixels", tip, stack.resampling, &ways) {
        bench.desk.change(entry.id, Setting::Resampling(way), true);
    }
    let mut reject = stack.reject_outliers;
    let tip = "Takes out what a single frame shows at a place and no other does: a satellite, a bird, a cosmic ray.";
    if tick(ui, &mut reject, "Leave out what one frame alone shows", tip).changed() {
        bench.desk.change(entry.id, Setting::RejectOutliers(reject), true);
    }
}
