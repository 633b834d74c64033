//! The picture's fix on the Moon: places and limb that were marked, and what is laid over.

use super::Bench;
use super::rows::{choice, fact, line, sentence, tick};
use super::typed::{field, numbered, numbers, text, trouble, understood};
use crate::actions::Act;
use crate::instruments::Tool;
use crate::theme::{body, small};
use egui::{Button, RichText, Ui};
use stillwright_night::moon::LunarPoint;
use stillwright_night::moon::measure::NamedPlace;
use stillwright_night::session::{Command, Entry};
use stillwright_night::sheet::{SheetChange, rounded};

pub fn words(entry: &Entry) -> String {
    match entry.findings.as_ref() {
        Some(findings) if findings.fix_trouble => "does not fit".into(),
        Some(findings) if findings.fix.is_some() => "fixed".into(),
        _ => "not fixed yet".into(),
    }
}

/// A button that takes an instrument into the hand.
pub fn tool_button(ui: &mut Ui, bench: &mut Bench<'_, '_>, tool: Tool, tip: &str) {
    let on = bench.view.measure.tool == Some(tool);
    let colour = if on { bench.tokens.chosen } else { bench.tokens.text };
    let text = RichText::new(tool.name()).font(body()).color(colour);
    if ui.add(Button::selectable(on, text)).on_hover_text(tip).clicked() {
        bench.view.measure.take(tool);
    }
}

const UP: &str = "Up points to";
const LIST: &str = "List of places";
const PLACE: &str = "Place";

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let sheet = &entry.sheet;
    let id = entry.id;
    let mut changes = Vec::new();
    ui.horizontal_wrapped(|ui| {
        let tip = "Mark a place whose longitude and latitude you know. Two well apart fix the picture, more tell how well.";
        tool_button(ui, bench, Tool::Place, tip);
        let tip = "Mark points on the bright limb; with the direction of up, or one place, they fix the picture.";
        tool_button(ui, bench, Tool::Limb, tip);
        if sheet.limb.len() >= 3 {
            let tip = "Looks for the limb between and near your marks, in the still.";
            if ui.button("Find the limb").on_hover_text(tip).clicked() {
                bench.desk.send.push(Command::FindLimb(id));
            }
        }
    });
    if let Some(findings) = &entry.findings {
        let colour = if findings.fix_trouble { tokens.trouble } else { tokens.quiet };
        sentence(ui, &crate::words::told(&findings.fix_words), colour);
    }
    let list = bench.desk.session.place_list().map(|list| std::sync::Arc::clone(&list.places));
    for (index, mark) in sheet.places.iter().enumerate() {
        let off = entry
            .findings
            .as_ref()
            .and_then(|f| f.place_residuals_px.get(index).copied().flatten());
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 4.0;
            let tip = "What the place is called. A name of the list brings its position along.";
            let name = numbered("Name of place", index);
            if let Some(name) = field(ui, &name, &mark.name, "name", tip, 68.0) {
                let known = list.as_deref().and_then(|list| find(list, &name));
                let place = known.map(|known| known.place).or(mark.place);
                changes.push(SheetChange::NamePlace { index, name, place });
            }
            let now = mark.place.map_or_else(String::new, |place| {
                format!("{}, {}", rounded(place.lat_deg, 3), rounded(place.lon_deg, 3))
            });
            let tip = "Latitude (north positive) and longitude (east positive, the side of Mare Crisium), degrees.";
            let typed = field(ui, &numbered("Latitude, longitude", index), &now, "lat, lon", tip, 112.0);
            let place = understood(bench.view, PLACE, typed, place_of);
            if let Some(place) = place {
                let name = mark.name.clone();
                changes.push(SheetChange::NamePlace { index, name, place });
            }
            let words = off.map_or_else(String::new, |px| format!("{} px", rounded(px, 1)));
            let label = RichText::new(words).font(small()).color(tokens.measured);
            ui.label(label).on_hover_text("How far the mark lies from where the fix puts the place.");
            let button = Button::new(RichText::new("Remove").font(small())).small();
            let response = ui.add(button);
            response.widget_info(|| {
                egui::WidgetInfo::labeled(egui::Role::Button, true, format!("Remove {}", mark.name))
            });
            if response.clicked() {
                changes.push(SheetChange::RemovePlace(index));
            }
        });
    }
    trouble(ui, tokens, bench.view, PLACE);
    if !sheet.limb.is_empty() {
        line(ui, tokens, "Limb", "Points on the bright limb.", |ui| {
            if ui.button("Remove the limb").clicked() {
                changes.push(SheetChange::Limb(Vec::new()));
            }
            let count = crate::words::counted(sheet.limb.len(), "point", "points");
            ui.label(RichText::new(count).font(body()).color(tokens.text));
        });
    }
    let now = sheet.up_deg.map_or_else(String::new, |deg| format!("{}°", rounded(deg, 2)));
    let tip = "Position angle of the picture's upward direction: degrees from celestial north through east. 0: north is up. Empty: told by the marks.";
    let typed = text(ui, tokens, UP, &now, "by the marks", tip);
    let read = |text: &str| match text {
        "" => Ok(None),
        text => Ok(Some(numbers(text, 1, 1, "degrees")?[0])),
    };
    changes.extend(understood(bench.view, UP, typed, read).map(SheetChange::Up));
    trouble(ui, tokens, bench.view, UP);
    let tip = "An odd number of mirrors (a diagonal, say) makes a mirror image. Three places tell by themselves.";
    let all = [(None, "told by the marks"), (Some(false), "no"), (Some(true), "yes")];
    if let Some(mirrored) = choice(ui, tokens, "Mirror image", tip, sheet.mirrored, &all) {
        changes.push(SheetChange::Mirrored(mirrored));
    }
    for change in changes {
        bench.desk.send.push(Command::Sheet { id, change });
    }
    ui.add_space(4.0);
    let fixed = entry.findings.as_ref().is_some_and(|f| f.fix.is_some());
    ui.add_enabled_ui(fixed, |ui| {
        let mut on = bench.view.measure.graticule;
        let tip = "Draws meridians and parallels over the pictures.";
        if tick(ui, &mut on, "Meridians and parallels", tip).changed() {
            bench.desk.acts.push(Act::Graticule);
        }
        let mut on = bench.view.measure.names;
        let tip = "Writes the names of a list over the pictures.";
        if tick(ui, &mut on, "Names of places", tip).changed() {
            bench.desk.acts.push(Act::Names);
        }
    });
    let known = bench.desk.session.place_list();
    let named = bench.desk.session.places_path();
    let now = named.map_or_else(String::new, |path| path.display().to_string());
    let tip = "A text file of places: name, latitude, longitude and, if known, diameter in km, a line each, with commas between. Empty puts the list away.";
    if let Some(path) = text(ui, tokens, LIST, &now, "path of a CSV file", tip) {
        let path = crate::pages::typed_paths(&path).into_iter().next().unwrap_or_default();
        bench.desk.send.push(Command::LoadPlaces(path));
    }
    if known.is_none() && named.is_some() {
        sentence(
            ui,
            "This list could not be read; it is tried again when the night opens.",
            tokens.trouble,
        );
    }
    if let Some(list) = known {
        let count = crate::words::counted(list.places.len(), "place", "places");
        fact(ui, tokens, "In the list", &count, "");
    }
}

fn find<'a>(list: &'a [NamedPlace], name: &str) -> Option<&'a NamedPlace> {
    list.iter().find(|known| known.name.eq_ignore_ascii_case(name.trim()))
}

fn place_of(text: &str) -> Result<Option<LunarPoint>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let n = numbers(text, 2, 2, "latitude and longitude in degrees")?;
    if n[0].abs() > 90.0 || n[1].abs() > 360.0 {
        return Err(format!(
            "expected a latitude of -90 to 90 and a longitude of -360 to 360 degrees, found {text}"
        ));
    }
    Ok(Some(LunarPoint::new(n[1], n[0])))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_read_latitude_first() {
        let place = place_of("9.62, -20.08").unwrap().unwrap();
        assert!((place.lat_deg - 9.62).abs() < 1e-12 && (place.lon_deg + 20.08).abs() < 1e-9);
        assert_eq!(place_of("").unwrap(), None);
        assert!(place_of("95, 0").is_err() && place_of("north").is_err());
    }
}
