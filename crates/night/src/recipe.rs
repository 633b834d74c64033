//! The recipe: every setting of a still, as a TOML file.
//!
//! ```toml
//! version = 1
//! [stack]
//! keep = { percent = 20.0 }
//! ```
//!
//! A setting that is left out has its default; a name that is not known is an error which names it
//! and its line, because a misspelt setting that silently does nothing costs a night.
//! [`Recipe::to_commented_toml`] writes every setting with what it means.

use crate::calibration::CalibrationSettings;
use crate::choice::FrameChoice;
use crate::export::Format;
use crate::recipe_words::{Kind, WORDS};
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use stillwright_capture::Overrides;
use stillwright_seeing::SurveySettings;
use stillwright_stacking::finish::FinishSettings;
use stillwright_stacking::{StackSettings, check_aligned_for};

/// The version of recipes that this program writes, and the newest that it reads.
pub const RECIPE_VERSION: u32 = 1;

/// Every setting of a still.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Recipe {
    /// Version of the recipe's form; see [`RECIPE_VERSION`].
    pub version: u32,
    /// What is known better than the capture's header.
    pub capture: Overrides,
    /// What the frames are calibrated with.
    pub calibration: CalibrationSettings,
    /// How the frames are looked at.
    pub survey: SurveySettings,
    /// Which frames the person left out.
    pub frames: FrameChoice,
    /// How the kept frames are added.
    pub stack: StackSettings,
    /// How the stack becomes a still.
    pub finish: FinishSettings,
    /// What is written.
    pub export: ExportSettings,
}

impl Default for Recipe {
    fn default() -> Recipe {
        Recipe {
            version: RECIPE_VERSION,
            capture: Overrides::default(),
            calibration: CalibrationSettings::default(),
            survey: SurveySettings::default(),
            frames: FrameChoice::default(),
            stack: StackSettings::default(),
            finish: FinishSettings::default(),
            export: ExportSettings::default(),
        }
    }
}

/// What is written beside the 16-bit still, the stack and the record, which always are.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ExportSettings {
    /// Further formats of the still.
    pub formats: Vec<Format>,
    /// Maps of the stack's noise and detail, FITS.
    pub maps: bool,
    /// Words of the person's own that travel inside every picture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub caption: Option<String>,
}

/// Longest caption, characters: what every format can carry.
const LONGEST_CAPTION: usize = 1000;

/// What is wrong with a recipe.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecipeError {
    /// Not TOML, an unknown name, or a value of the wrong kind.
    #[error(
        "the recipe cannot be understood: {0}\n  every setting and its meaning: stillwright still --write-recipe -"
    )]
    Form(String),
    /// From a later program.
    #[error(
        "the recipe has version {found}, and this program reads versions 1 to {RECIPE_VERSION}\n  \
         use the newer program that wrote it"
    )]
    Version {
        /// The version in the file.
        found: i64,
    },
    /// A number out of its range.
    #[error("a setting of the recipe is out of its range: {0}")]
    Range(String),
}

impl Recipe {
    /// Read a recipe.
    ///
    /// # Errors
    /// When it is of a later version, when a name is unknown, or when a value does not fit.
    pub fn from_toml(text: &str) -> Result<Recipe, RecipeError> {
        // The version first: a newer recipe is better called newer than misspelt.
        let table: toml::Table =
            toml::from_str(text).map_err(|e| RecipeError::Form(e.to_string().trim_end().into()))?;
        if let Some(toml::Value::Integer(found)) = table.get("version")
            && !(1..=i64::from(RECIPE_VERSION)).contains(found)
        {
            return Err(RecipeError::Version { found: *found });
        }
        let recipe: Recipe =
            toml::from_str(text).map_err(|e| RecipeError::Form(e.to_string().trim_end().into()))?;
        recipe.check()?;
        Ok(recipe)
    }

    /// Check every number against its range.
    ///
    /// # Errors
    /// [`RecipeError::Range`] names the first that is out of it.
    pub fn check(&self) -> Result<(), RecipeError> {
        let fail = |words: String| Err(RecipeError::Range(words));
        check_keep(self.stack.keep).map_err(RecipeError::Range)?;
        if let Some(percent) = self.stack.aligned_for {
            check_aligned_for(percent).map_err(RecipeError::Range)?;
        }
        check_scale(self.stack.scale).map_err(RecipeError::Range)?;
        let (resampling, scale) = (self.stack.resampling, self.stack.scale);
        stillwright_stacking::check_resampling(resampling, scale).map_err(RecipeError::Range)?;
        self.calibration.check().map_err(RecipeError::Range)?;
        if self.survey.sample_frames == 0 {
            return fail("survey: sample_frames is 0, expected at least 1".into());
        }
        if let Some(depth) = self.capture.bit_depth
            && !(1..=16).contains(&depth)
        {
            return fail(format!("capture: bit_depth is {depth}, expected 1 to 16"));
        }
        if let Some(caption) = &self.export.caption
            && caption.chars().count() > LONGEST_CAPTION
        {
            let found = caption.chars().count();
            return fail(format!(
                "export: caption has {found} characters, expected at most {LONGEST_CAPTION}"
            ));
        }
        self.finish.check().or_else(fail)
    }

    /// The recipe as TOML, every setting with its meaning. Settings that are decided from the
    /// capture stand there as comments.
    ///
    /// # Errors
    /// When a setting cannot be written as TOML (an integer beyond 2^63).
    pub fn to_commented_toml(&self) -> Result<String, RecipeError> {
        let table = toml::Table::try_from(self).map_err(|e| RecipeError::Form(e.to_string()))?;
        let mut text = String::from(
            "# A recipe of Stillwright: every setting of a still.\n\
             # Use it with: stillwright still CAPTURE --recipe THIS-FILE\n\
             # Settings that are left out have their defaults; a name that is not known is an error.\n\n",
        );
        write_section(&mut text, "", &table);
        Ok(text)
    }
}

/// Whether a keep is above 0 and at most 100 percent.
///
/// # Errors
/// A sentence with the value found and the range expected.
pub fn check_keep(keep: stillwright_stacking::Keep) -> Result<(), String> {
    match keep {
        stillwright_stacking::Keep::Percent(percent) if !(percent > 0.0 && percent <= 100.0) => {
            Err(format!("keep is {percent} percent, expected more than 0 and at most 100, or auto"))
        }
        _ => Ok(()),
    }
}

/// Whether a scale is 0.5 to 4.
///
/// # Errors
/// A sentence with the value found and the range expected.
pub fn check_scale(scale: f32) -> Result<(), String> {
    if (0.5..=4.0).contains(&scale) {
        Ok(())
    } else {
        Err(format!("scale is {scale}, expected 0.5 to 4"))
    }
}

/// Write the settings of one section, then its sub-sections; settings that have words but no
/// value are written as comments.
fn write_section(text: &mut String, section: &str, table: &toml::Table) {
    let path_of = |key: &str| {
        if section.is_empty() { key.to_string() } else { format!("{section}.{key}") }
    };
    let mut sections = Vec::new();
    for (key, value) in table {
        let path = path_of(key);
        let words = WORDS.iter().find(|row| row.path == path);
        match value {
            toml::Value::Table(inner) if words.is_none_or(|row| row.kind == Kind::Section) => {
                sections.push((path, inner, words));
            }
            value => {
                if let Some(row) = words {
                    write_comment(text, row.words);
                }
                let _ = writeln!(text, "{key} = {value}");
            }
        }
    }
    for row in WORDS {
        if let (Kind::Unset(example), Some(key)) = (row.kind, key_within(section, row.path))
            && !table.contains_key(key)
        {
            write_comment(text, row.words);
            let _ = writeln!(text, "# {key} = {example}");
        }
    }
    for (path, inner, words) in sections {
        let _ = writeln!(text);
        if let Some(row) = words {
            write_comment(text, row.words);
        }
        let _ = writeln!(text, "[{path}]");
        write_section(text, &path, inner);
    }
}

/// The key of `path` when it lies directly in `section`.
fn key_within<'a>(section: &str, path: &'a str) -> Option<&'a str> {
    let key = match section {
        "" => path,
        _ => path.strip_prefix(section)?.strip_prefix('.')?,
    };
    (!key.contains('.')).then_some(key)
}

fn write_comment(text: &mut String, words: &str) {
    for line in words.lines() {
        let _ = writeln!(text, "# {line}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::saved_path::SavedPath;
    use stillwright_capture::ByteOrder;
    use stillwright_picture::{BayerOrder, Layout};
    use stillwright_stacking::Keep;

    fn elaborate() -> Recipe {
        let mut recipe = Recipe::default();
        recipe.capture.layout = Some(Layout::Bayer(BayerOrder::Grbg));
        recipe.capture.byte_order = Some(ByteOrder::Big);
        recipe.capture.bit_depth = Some(12);
        recipe.stack.keep = Keep::Percent(12.5);
        recipe.stack.aligned_for = Some(20.0);
        recipe.stack.scale = 1.5;
        recipe.stack.resampling = stillwright_stacking::Resampling::Drizzle(0.75);
        recipe.export.formats = vec![Format::Png, Format::Tiff32];
        recipe.calibration.darks = vec![SavedPath::Text("dark \"of\" \u{fc}.ser".into())];
        recipe.calibration.flats = vec![SavedPath::Bytes(vec![47, 255, 46])];
        recipe.finish = toml::from_str(
            "optics = { aperture_m = 0.2, focal_length_m = 4.0, pixel_um = 2.9 }\n\
             [sharpening]\nmethod = \"wiener\"\nnoise_weight = 0.5\n\
             [tone]\nwhite = { level = 0.75 }\n",
        )
        .unwrap();
        recipe
    }

    #[test]
    fn what_is_written_is_read_again() {
        for recipe in [Recipe::default(), elaborate()] {
            let text = recipe.to_commented_toml().unwrap();
            assert_eq!(Recipe::from_toml(&text), Ok(recipe), "{text}");
        }
        assert_eq!(Recipe::from_toml(""), Ok(Recipe::default()));
    }

    #[test]
    fn every_setting_of_the_default_recipe_has_words() {
        fn keys(section: &str, table: &toml::Table, all: &mut Vec<String>) {
            for (key, value) in table {
                let path =
                    if section.is_empty() { key.clone() } else { format!("{section}.{key}") };
                if let toml::Value::Table(inner) = value {
                    keys(&path, inner, all);
                }
                all.push(path);
            }
        }
        let mut all = Vec::new();
        keys("", &toml::Table::try_from(Recipe::default()).unwrap(), &mut all);
        assert!(all.len() > 10);
        for path in &all {
            assert!(WORDS.iter().any(|row| row.path == path), "no words for {path}");
        }
        // And no words for settings that are gone.
        for row in WORDS {
            let known = all.iter().any(|path| path == row.path);
            let unset = matches!(row.kind, Kind::Unset(_));
            assert!(known || unset, "words for {}, which is no setting", row.path);
        }
    }

    #[test]
    fn every_setting_that_is_left_to_the_capture_can_be_set_as_its_example_says() {
        for row in WORDS {
            if let Kind::Unset(example) = row.kind {
                let (section, key) = row.path.rsplit_once('.').unwrap();
                let with = if key == "dark_flats" { "flats = [\"f.ser\"]\n" } else { "" };
                let text = format!("[{section}]\n{with}{key} = {example}\n");
                let recipe = Recipe::from_toml(&text).unwrap_or_else(|e| panic!("{text}{e}"));
                assert_ne!(recipe, Recipe::default(), "{text}");
            }
        }
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        for (text, needles) in [
            ("version = 1\n[stack]\nkepp = \"auto\"\n", &["kepp", "line 3"][..]),
            ("[stakc]\nscale = 1.0\n", &["stakc", "line 1"]),
            ("[stack]\nscale = \"big\"\n", &["line 2"]),
            ("[stack\n", &["line 1"]),
            ("[export]\nformats = [\"bmp\"]\n", &["bmp", "png"]),
            ("version = 2\n[moon]\n", &["version 2", "newer program"]),
            ("version = 0\n", &["version 0"]),
            ("[stack]\nkeep = { percent = 0.0 }\n", &["keep is 0"]),
            ("[stack]\nkeep = { percent = nan }\n", &["keep is NaN"]),
            ("[stack]\naligned_for = 0.0\n", &["aligned_for is 0"]),
            ("[stack]\naligned_for = nan\n", &["aligned_for is NaN"]),
            ("[stack]\nscale = 9.0\n", &["scale is 9"]),
            ("[stack]\nresampling = { pixfrac = 1.5 }\n", &["pixfrac is 1.5", "0.1 to 1"]),
            ("[stack]\nresampling = { pixfrac = nan }\n", &["pixfrac is NaN"]),
            ("[stack]\nscale = 0.5\nresampling = { pixfrac = 0.5 }\n", &["at least 1"]),
            ("[capture]\nbit_depth = 17\n", &["bit_depth is 17"]),
            ("[survey]\nsample_frames = 0\n", &["sample_frames"]),
            ("[calibration]\ndark_flats = [\"d.ser\"]\n", &["no flats"]),
        ] {
            let error = Recipe::from_toml(text).unwrap_err().to_string();
            for needle in needles {
                assert!(error.contains(needle), "{text}\n{error}");
            }
        }
    }
}
