//! How a [`Setting`] changes a recipe.

use super::command::Setting;
use crate::recipe::Recipe;
use stillwright_stacking::finish::{DetailScale, DetailSettings, Sharpening};

impl Setting {
    /// Change `recipe`. `rest` is where the estimate puts the detail scales.
    pub(crate) fn apply(&self, recipe: &mut Recipe, rest: Option<&DetailSettings>) {
        match self.clone() {
            Setting::Keep(keep) => recipe.stack.keep = keep,
            Setting::Scale(scale) => recipe.stack.scale = scale,
            Setting::Resampling(resampling) => recipe.stack.resampling = resampling,
            Setting::Pace(pace) => recipe.stack.pace = pace,
            Setting::TilePx(tile_px) => recipe.stack.tile_px = tile_px,
            Setting::RejectOutliers(reject) => recipe.stack.reject_outliers = reject,
            Setting::Overrides(overrides) => recipe.capture = overrides,
            Setting::Calibration(settings) => recipe.calibration = settings,
            Setting::Scene(scene) => recipe.survey.scene = scene,
            Setting::Optics(optics) => recipe.finish.optics = optics,
            Setting::Sharpening(sharpening) => recipe.finish.sharpening = sharpening,
            Setting::DetailScale { index, scale } => detail_scale(recipe, rest, index, scale),
            Setting::RestDetailScale(index) => {
                let scale = rest.and_then(|r| r.scales.get(index)).copied().unwrap_or_default();
                detail_scale(recipe, rest, index, scale);
            }
            Setting::Black(point) => recipe.finish.tone.black = point,
            Setting::White(point) => recipe.finish.tone.white = point,
            Setting::Bend(bend) => recipe.finish.tone.bend = bend,
            Setting::Colour(colour) => recipe.finish.colour = colour,
            Setting::Formats(formats) => recipe.export.formats = formats,
            Setting::Maps(maps) => recipe.export.maps = maps,
            Setting::Caption(caption) => recipe.export.caption = caption,
            Setting::Exclude(range) => recipe.frames.exclude(range),
            Setting::Include(range) => recipe.frames.include(range),
            Setting::Whole(whole) => *recipe = *whole,
        }
    }

    /// What is changed, in a few words, for "Undo ...".
    pub(crate) fn words(&self) -> String {
        let words = match self {
            Setting::Keep(_) => "keep",
            Setting::Scale(_) => "scale",
            Setting::Resampling(_) => "drops",
            Setting::Pace(_) => "pace",
            Setting::TilePx(_) => "tiles",
            Setting::RejectOutliers(_) => "leaving out of what one frame alone shows",
            Setting::Overrides(_) => "reading of the file",
            Setting::Calibration(_) => "calibration",
            Setting::Scene(_) => "kind of scene",
            Setting::Optics(_) => "optics",
            Setting::Sharpening(_) => "sharpening",
            Setting::DetailScale { index, .. } | Setting::RestDetailScale(index) => {
                return format!("detail of {} px", 2u64 << (*index).min(8));
            }
            Setting::Black(_) => "black point",
            Setting::White(_) => "white point",
            Setting::Bend(_) => "tone",
            Setting::Colour(_) => "colour",
            Setting::Formats(_) => "formats",
            Setting::Maps(_) => "maps",
            Setting::Caption(_) => "caption",
            Setting::Exclude(_) => "leaving out of frames",
            Setting::Include(_) => "taking back of frames",
            Setting::Whole(_) => "recipe",
        };
        words.into()
    }
}

fn detail_scale(
    recipe: &mut Recipe,
    rest: Option<&DetailSettings>,
    index: usize,
    scale: DetailScale,
) {
    let from = match &recipe.finish.sharpening {
        Sharpening::DetailScales(detail) => detail.clone(),
        Sharpening::Automatic => rest.cloned().unwrap_or_default(),
        _ => DetailSettings::default(),
    };
    let mut detail = from;
    // More scales than there can be are refused by the recipe's check.
    let index = index.min(64);
    if detail.scales.len() <= index {
        detail.scales.resize(index + 1, DetailScale::default());
    }
    detail.scales[index] = scale;
    recipe.finish.sharpening = match rest {
        Some(rest) if at_rest(&detail, rest) => Sharpening::Automatic,
        _ => Sharpening::DetailScales(detail),
    };
}

/// Whether every scale stands where the estimate puts it.
fn at_rest(detail: &DetailSettings, rest: &DetailSettings) -> bool {
    let plain = DetailScale::default();
    let count = detail.scales.len().max(rest.scales.len());
    let at = |s: &DetailSettings, i: usize| s.scales.get(i).copied().unwrap_or(plain);
    detail.undo == rest.undo
        && detail.smooth_px == rest.smooth_px
        && (0..count).all(|i| at(detail, i) == at(rest, i))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slider_leaves_the_automatic_and_returns_to_it() {
        let scale = |gain| DetailScale { gain, hold_back: 1.5 };
        let rest = DetailSettings {
            scales: vec![scale(2.0), scale(3.0)],
            smooth_px: 0.5,
            ..DetailSettings::default()
        };
        let mut recipe = Recipe::default();
        Setting::DetailScale { index: 1, scale: scale(4.0) }.apply(&mut recipe, Some(&rest));
        let Sharpening::DetailScales(detail) = &recipe.finish.sharpening else {
            panic!("still automatic")
        };
        assert_eq!(detail.scales, [scale(2.0), scale(4.0)]);
        assert_eq!(detail.smooth_px, 0.5);
        Setting::DetailScale { index: 3, scale: DetailScale::default() }
            .apply(&mut recipe, Some(&rest));
        Setting::RestDetailScale(1).apply(&mut recipe, Some(&rest));
        assert_eq!(recipe.finish.sharpening, Sharpening::Automatic);
        Setting::DetailScale { index: 900, scale: scale(1.0) }.apply(&mut recipe, Some(&rest));
        assert!(recipe.check().is_err());
    }
}
