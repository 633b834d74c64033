//! Recipes kept under names: one TOML file each, in a folder of the person's settings.

use super::NamedRecipe;
use super::lanes::{NamedChange, Output};
use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::files::open_plain;
use crate::recipe::Recipe;
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Longest name, characters.
const LONGEST_NAME: usize = 80;
/// Longest recipe that is read, bytes.
const LONGEST_RECIPE: u64 = 1 << 20;

/// The name without blanks at its ends, if it can be a file's name on every system.
///
/// # Errors
/// What is wrong with it.
pub(super) fn checked(name: &str) -> Result<String, String> {
    let name = name.trim();
    let bad = |c: char| c.is_control() || "/\\:*?\"<>|".contains(c);
    if name.is_empty() {
        return Err("a recipe needs a name".into());
    }
    if name.chars().count() > LONGEST_NAME || name.starts_with('.') || name.contains(bad) {
        return Err(format!(
            "\"{name}\" cannot be the name of a recipe: at most {LONGEST_NAME} characters, none of \
             / \\ : * ? \" < > | and no point at the start"
        ));
    }
    Ok(name.into())
}

fn file_of(folder: &Path, name: &str) -> PathBuf {
    folder.join(format!("{name}.toml"))
}

/// What a named recipe holds: everything but what belongs to one capture.
pub(super) fn general(recipe: &Recipe) -> Recipe {
    let mut general = recipe.clone();
    general.frames = Recipe::default().frames;
    general.capture = Recipe::default().capture;
    general.stack.aligned_for = None;
    general
}

/// Keep a recipe.
pub(super) fn keep(folder: &Path, name: String, recipe: &Recipe) -> Output {
    let path = file_of(folder, &name);
    let write = || -> Result<(), String> {
        let text = recipe.to_commented_toml().map_err(|e| e.to_string())?;
        let mut file = AtomicFile::create(&path, Existing::Replace).map_err(|e| e.to_string())?;
        file.write_all(text.as_bytes())
            .map_err(|source| WriteError::Io { path: path.clone(), source }.to_string())?;
        file.commit().map_err(|e| e.to_string())
    };
    Output::Named(match write() {
        Ok(()) => Ok(NamedChange::Kept(NamedRecipe { name, recipe: Arc::new(recipe.clone()) })),
        Err(words) => Err(format!("the recipe could not be kept\n  {words}")),
    })
}

/// Forget a recipe.
pub(super) fn forget(folder: &Path, name: String) -> Output {
    let path = file_of(folder, &name);
    Output::Named(match fs::remove_file(&path) {
        Ok(()) => Ok(NamedChange::Forgotten(name)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            Ok(NamedChange::Forgotten(name))
        }
        Err(error) => {
            Err(format!("the recipe could not be forgotten: {error}\n  {}", path.display()))
        }
    })
}

/// All recipes in the folder, in order of their names, and what is wrong with those that cannot
/// be read. No folder holds none.
pub(super) fn all(folder: &Path) -> (Vec<NamedRecipe>, Vec<String>) {
    let (mut named, mut troubles) = (Vec::new(), Vec::new());
    let Ok(listed) = fs::read_dir(folder) else { return (named, troubles) };
    for path in listed.flatten().map(|entry| entry.path()) {
        if path.extension().is_none_or(|extension| extension != "toml") {
            continue;
        }
        let Some(name) = path.file_stem().and_then(|stem| stem.to_str()) else { continue };
        if name.starts_with('.') {
            continue;
        }
        match read(&path) {
            Ok(recipe) => named.push(NamedRecipe { name: name.into(), recipe: Arc::new(recipe) }),
            Err(words) => troubles.push(format!("{words}\n  {}", path.display())),
        }
    }
    named.sort_by(|a, b| a.name.cmp(&b.name));
    (named, troubles)
}

fn read(path: &Path) -> Result<Recipe, String> {
    let cannot = |words: String| format!("a kept recipe cannot be read: {words}");
    let mut text = String::new();
    let read =
        open_plain(path).and_then(|file| file.take(LONGEST_RECIPE + 1).read_to_string(&mut text));
    read.map_err(|e| cannot(e.to_string()))?;
    if text.len() as u64 > LONGEST_RECIPE {
        return Err(cannot("it is longer than any recipe".into()));
    }
    Recipe::from_toml(&text).map(|recipe| general(&recipe)).map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_those_that_every_disk_can_hold() {
        assert_eq!(checked("  thin clouds, 8 inch "), Ok("thin clouds, 8 inch".into()));
        for bad in ["", "  ", "a/b", "..", ".x", "c:d", "a\nb", &"x".repeat(81)] {
            assert!(checked(bad).is_err(), "{bad}");
        }
    }
}
