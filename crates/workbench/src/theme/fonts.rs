//! Type: one sans whose figures are all of one width, in two cuts.

use egui::{Context, FontData, FontDefinitions, FontFamily};
use std::sync::Arc;

const REGULAR: &[u8] = include_bytes!("../../../../assets/fonts/IBMPlexSans-Regular.ttf");
const MEDIUM: &[u8] = include_bytes!("../../../../assets/fonts/IBMPlexSans-Medium.ttf");

/// The family of the heavier cut.
pub fn medium() -> FontFamily {
    FontFamily::Name("medium".into())
}

/// Make the fonts known. Once, at the start.
pub fn install(ctx: &Context) {
    let mut fonts = FontDefinitions::empty();
    for (name, bytes) in [("regular", REGULAR), ("medium", MEDIUM)] {
        fonts.font_data.insert(name.into(), Arc::new(FontData::from_static(bytes)));
    }
    for (family, order) in [
        (FontFamily::Proportional, ["regular", "medium"]),
        (FontFamily::Monospace, ["regular", "medium"]),
        (medium(), ["medium", "regular"]),
    ] {
        fonts.families.insert(family, order.map(String::from).to_vec());
    }
    ctx.set_fonts(fonts);
}
