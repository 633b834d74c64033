//! Fields in which words are typed: taken when Enter is pressed or the field is left.

use super::rows::{line, sentence};
use crate::state::ViewState;
use crate::theme::Tokens;
use egui::{Key, TextEdit, Ui};

/// A line with a name and a text; the new text, once it was typed and is another one.
pub fn text(
    ui: &mut Ui,
    tokens: &Tokens,
    name: &str,
    now: &str,
    hint: &str,
    tip: &str,
) -> Option<String> {
    line(ui, tokens, name, tip, |ui| field(ui, name, now, hint, tip, 168.0))
}

/// The field alone.
pub fn field(
    ui: &mut Ui,
    name: &str,
    now: &str,
    hint: &str,
    tip: &str,
    width: f32,
) -> Option<String> {
    let id = ui.make_persistent_id(("typed", name));
    let draft: Option<String> = ui.data(|data| data.get_temp(id));
    let mut text = draft.clone().unwrap_or_else(|| now.into());
    let edit = TextEdit::singleline(&mut text).id(id.with("edit")).hint_text(hint);
    let response = ui.add(edit.desired_width(width)).accessible_name(name).on_hover_text(tip);
    if response.lost_focus() {
        ui.data_mut(|data| data.remove_temp::<String>(id));
        let left = ui.input(|i| i.key_pressed(Key::Escape));
        return (!left && text.trim() != now.trim()).then(|| text.trim().to_string());
    }
    if response.changed() || (response.has_focus() && draft.is_none()) {
        ui.data_mut(|data| data.insert_temp::<String>(id, text));
    }
    None
}

/// What a typed text means; words of trouble stand under the field until it makes sense.
pub fn understood<T>(
    view: &mut ViewState,
    name: &'static str,
    typed: Option<String>,
    read: impl FnOnce(&str) -> Result<T, String>,
) -> Option<T> {
    match read(&typed?) {
        Ok(value) => {
            if view.measure.trouble.as_ref().is_some_and(|(of, _)| *of == name) {
                view.measure.trouble = None;
            }
            Some(value)
        }
        Err(words) => {
            view.measure.trouble = Some((name, words));
            None
        }
    }
}

/// The words of trouble about a field, if there are any.
pub fn trouble(ui: &mut Ui, tokens: &Tokens, view: &ViewState, name: &str) {
    if let Some((_, words)) = view.measure.trouble.as_ref().filter(|(of, _)| *of == name) {
        sentence(ui, &crate::words::told(words), tokens.trouble);
    }
}

/// Numbers with commas, semicolons or blanks between; `least` to `most` of them.
///
/// # Errors
/// In words.
pub fn numbers(text: &str, least: usize, most: usize, expected: &str) -> Result<Vec<f64>, String> {
    let wrong = || format!("expected {expected}, found \"{text}\"");
    let parts = text.split([',', ';', ' ', '°']).filter(|part| !part.is_empty());
    let found: Result<Vec<f64>, _> = parts.map(|part| part.replace('−', "-").parse()).collect();
    let found: Vec<f64> = found.map_err(|_| wrong())?;
    let sound = (least..=most).contains(&found.len()) && found.iter().all(|v| v.is_finite());
    if sound { Ok(found) } else { Err(wrong()) }
}

/// A key that tells a field apart from its like in a list.
pub fn numbered(name: &str, index: usize) -> String {
    format!("{name} {}", index + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_people_type_them() {
        assert_eq!(numbers("47.5, 8.25", 2, 3, "x").unwrap(), [47.5, 8.25]);
        assert_eq!(numbers("47.5 −8.25 450", 2, 3, "x").unwrap(), [47.5, -8.25, 450.0]);
        assert_eq!(numbers("12.3°; 4", 2, 2, "x").unwrap(), [12.3, 4.0]);
        for bad in ["", "1", "a, b", "1, nan", "1, 2, 3, 4"] {
            assert!(
                numbers(bad, 2, 3, "two numbers").unwrap_err().contains("two numbers"),
                "{bad}"
            );
        }
    }
}
