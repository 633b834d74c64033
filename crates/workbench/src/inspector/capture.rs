//! What the capture holds, what is wrong with it, and what the person knows better.

use super::Bench;
use super::rows::{choice, fact, more, sentence};
use crate::words;
use egui::Ui;
use stillwright_night::capture::{ByteOrder, Overrides};
use stillwright_night::picture::Layout;
use stillwright_night::seeing::SceneKind;
use stillwright_night::session::{CaptureState, Entry, Setting};

pub fn words(entry: &Entry) -> String {
    let Some(facts) = &entry.facts else { return String::new() };
    let layout = match facts.layout.as_str() {
        "mono" => "mono".to_string(),
        other => format!("colour ({})", other.to_uppercase()),
    };
    format!("{layout}, {} bit", facts.bit_depth)
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let Some(facts) = &entry.facts else {
        let failed = matches!(entry.state, CaptureState::Failed { .. } | CaptureState::Gone);
        let words = if failed { "It could not be read." } else { "Nothing is known of it yet." };
        sentence(ui, words, tokens.quiet);
        return;
    };
    fact(
        ui,
        tokens,
        "Brightest ground",
        &format!("{} of full scale", words::percent(100.0 * facts.exposure.bright)),
        "The level that one sample in a thousand lies above. 70 to 90 % uses the camera well without burning out.",
    );
    let length = match (facts.duration_s, facts.frame_rate_hz) {
        (Some(s), Some(rate)) => {
            format!("{} at {} frames/s", words::seconds(s), words::number(rate))
        }
        _ => "times are not known".to_string(),
    };
    fact(ui, tokens, "Length", &length, "How long was recorded, and how fast.");
    let kind = format!("{}, {}", words::bytes(facts.file_bytes), facts.format);
    fact(ui, tokens, "File", &kind, &entry.path.display().to_string());
    if let Some(start) = facts.start_utc.as_deref().and_then(|start| words::clock(start, 0.0, 0)) {
        fact(ui, tokens, "Begun", &format!("{start} UTC"), "As the capture's header has it.");
    }
    if let Some(graded) = &entry.graded {
        let survey = &graded.survey;
        let refused = survey.frames.len() - survey.usable().len();
        if refused > 0 {
            let words = words::counted(refused, "frame", "frames");
            let tip = "Blank, clouded, bumped or unreadable; marked along the foot of the chart.";
            fact(ui, tokens, "Unusable", &words, tip);
        }
    }
    for warning in &facts.warnings {
        sentence(ui, warning, tokens.trouble);
    }
    for note in &facts.notes {
        sentence(ui, note, tokens.quiet);
    }
    if more(
        ui,
        bench.tokens,
        "Read it otherwise",
        "For captures whose header is wrong: pixel layout, byte order, kind of scene.",
    ) {
        overrides(ui, bench);
    }
}

fn overrides(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let now: Overrides = entry.recipe.capture;
    let facts = entry.facts.as_ref();
    let found = facts.map_or("", |facts| facts.layout.as_str());
    let as_found = format!("as found ({found})");
    let mut layouts: Vec<(Option<Layout>, &str)> = vec![(None, as_found.as_str())];
    layouts.extend(Layout::NAMES.map(|(name, layout)| (Some(layout), name)));
    let tip = "Colour of the samples. Change it when the picture shows a fine grid, or wrong colours. The capture is graded anew.";
    if let Some(layout) = choice(ui, tokens, "Pixel layout", tip, now.layout, &layouts) {
        let setting = Setting::Overrides(Overrides { layout, ..now });
        bench.desk.change(entry.id, setting, true);
    }
    let wide = facts.is_some_and(|facts| facts.byte_order.is_some()) || now.byte_order.is_some();
    if wide {
        let orders = [
            (None, "as found"),
            (Some(ByteOrder::Little), "low byte first"),
            (Some(ByteOrder::Big), "high byte first"),
        ];
        let tip = "Which byte of a two-byte sample comes first. Change it when the picture looks like noise or contour lines. The capture is graded anew.";
        if let Some(byte_order) = choice(ui, tokens, "Byte order", tip, now.byte_order, &orders) {
            let setting = Setting::Overrides(Overrides { byte_order, ..now });
            bench.desk.change(entry.id, setting, true);
        }
    }
    let scenes = [
        (SceneKind::Auto, "as found"),
        (SceneKind::Ground, "ground"),
        (SceneKind::Disc, "disc on black sky"),
    ];
    let tip = "What the capture shows decides how frames are laid over each other: by their ground, or by the middle of the disc. The capture is graded anew.";
    if let Some(scene) = choice(ui, tokens, "Scene", tip, entry.recipe.survey.scene, &scenes) {
        bench.desk.change(entry.id, Setting::Scene(scene), true);
    }
}
