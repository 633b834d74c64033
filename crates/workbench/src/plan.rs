//! The plan page: the coming chances of a wish, each with a chart of altitude and light through its
//! night, advice on the capture, and the caution about the Sun where it belongs.

use crate::inspector::typed::{field, numbers};
use crate::state::{Desk, ViewState};
use crate::theme::{Tokens, body, large, small, title};
use crate::words;
use egui::{
    Align2, Button, ComboBox, RichText, Role, ScrollArea, Sense, Shape, Stroke, Ui, WidgetInfo,
    pos2, vec2,
};
use stillwright_night::moon::plan::{Between, Course, Equipment, Instant, Like, Wish};
use stillwright_night::moon::telescope::Telescope;
use stillwright_night::moon::{LunarPoint, LunarView, Moment, Site};
use stillwright_night::session::{Command, Entry, PlanWish, Planned, Planning};
use stillwright_night::sheet::rounded;

/// A plan as it is typed.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanDraft {
    site: String,
    place: String,
    sun: String,
    course: Option<Course>,
    like: String,
    facing: String,
    libration_lon: String,
    libration_lat: String,
    moon_above: String,
    dark: f64,
    days: String,
    rate: String,
    /// Which chance is looked at.
    chosen: usize,
    trouble: Option<String>,
    filled: bool,
}

impl Default for PlanDraft {
    fn default() -> PlanDraft {
        let text = String::from;
        PlanDraft {
            site: String::new(),
            place: String::new(),
            sun: text("5, 12"),
            course: Some(Course::Morning),
            like: String::new(),
            facing: String::new(),
            libration_lon: String::new(),
            libration_lat: String::new(),
            moon_above: text("30"),
            dark: -12.0,
            days: text("120"),
            rate: String::new(),
            chosen: 0,
            trouble: None,
            filled: false,
        }
    }
}

const SKIES: [(f64, &str); 4] = [
    (-18.0, "dark: Sun 18° below"),
    (-12.0, "nearly dark: Sun 12° below"),
    (-6.0, "dusk: Sun 6° below"),
    (90.0, "by day too"),
];

/// What is always true near a telescope.
const SUN: &str = "Never point optics at the Sun, finder included, without a certified full-aperture front filter.";

/// Draw the page.
pub fn show(ui: &mut Ui, tokens: &Tokens, desk: &mut Desk<'_>, view: &mut ViewState) {
    ui.set_width(720.0);
    ui.label(RichText::new("Plan a night").font(large()).color(tokens.text));
    ui.add_space(4.0);
    let session = desk.session;
    fill(view, session.selected());
    let mut draft = std::mem::take(&mut view.plan);
    ui.horizontal_top(|ui| {
        ui.vertical(|ui| {
            ui.set_width(340.0);
            wish(ui, tokens, &mut draft);
        });
        ui.add_space(12.0);
        ui.vertical(|ui| {
            ui.set_width(350.0);
            if let Some(planning) = session.planning() {
                results(ui, tokens, planning, &mut draft);
            } else {
                let words = "The coming nights and hours in which the ground is lit as you wish appear here.";
                ui.label(RichText::new(words).font(body()).color(tokens.quiet));
            }
        });
    });
    if let Some(words) = &draft.trouble {
        ui.label(RichText::new(words::told(words)).font(small()).color(tokens.trouble));
    }
    ui.add_space(8.0);
    ui.horizontal(|ui| {
        let text = RichText::new("Look for chances").font(title()).color(tokens.on_chosen);
        let button = Button::new(text).fill(tokens.chosen).stroke(Stroke::NONE);
        let busy = session.activities().iter().any(|activity| activity.words.contains("desk"));
        if ui.add_enabled(!busy, button).clicked() {
            let equipment = session.selected().and_then(|entry| equipment(entry, &draft.rate));
            match asked(&draft, equipment) {
                Ok(asked) => {
                    draft.trouble = None;
                    draft.chosen = 0;
                    desk.send.push(Command::Plan(Box::new(asked)));
                }
                Err(words) => draft.trouble = Some(words),
            }
        }
        if busy {
            ui.label(RichText::new("Looking…").font(body()).color(tokens.quiet));
        }
        if ui.button("Close").clicked() {
            view.page = None;
        }
    });
    ui.add_space(4.0);
    ui.label(RichText::new(SUN).font(small()).color(tokens.trouble));
    view.plan = draft;
}

/// What is known already stands in the fields at first.
fn fill(view: &mut ViewState, entry: Option<&Entry>) {
    let draft = &mut view.plan;
    let Some(entry) = entry.filter(|_| !draft.filled) else { return };
    draft.filled = true;
    if let (true, Some(site)) = (draft.site.is_empty(), entry.sheet.site) {
        draft.site = format!("{}, {}, {}", site.lat_deg, site.lon_deg, rounded(site.height_m, 0));
    }
    let middle = entry.findings.as_ref().and_then(|f| {
        let px =
            stillwright_night::moon::fix::Px { x: 0.5 * f.size.0 as f64, y: 0.5 * f.size.1 as f64 };
        f.readout(px)
    });
    if let (true, Some(readout)) = (draft.place.is_empty(), middle) {
        let place = readout.place;
        draft.place = format!("{}, {}", rounded(place.lat_deg, 2), rounded(place.lon_deg, 2));
    }
}

/// What stands before a field, from the left.
fn title_of(ui: &mut Ui, label: RichText) {
    let layout = egui::Layout::left_to_right(egui::Align::Center);
    ui.allocate_ui_with_layout(vec2(128.0, 22.0), layout, |ui| {
        ui.set_min_width(128.0);
        ui.label(label);
    });
}

fn row(ui: &mut Ui, tokens: &Tokens, name: &str, now: &mut String, hint: &str, tip: &str) {
    ui.horizontal(|ui| {
        let label = RichText::new(name).font(body()).color(tokens.quiet);
        title_of(ui, label);
        if let Some(text) = field(ui, name, now, hint, tip, 196.0) {
            *now = text;
        }
    });
}

fn wish(ui: &mut Ui, tokens: &Tokens, draft: &mut PlanDraft) {
    row(
        ui,
        tokens,
        "From the site",
        &mut draft.site,
        "such as 47.5, 8.25, 450",
        "Latitude (north positive), longitude (east positive), degrees; height, m.",
    );
    row(
        ui,
        tokens,
        "Place on the Moon",
        &mut draft.place,
        "such as 9.6, -20.1",
        "Latitude (north positive) and longitude (east positive), degrees.",
    );
    row(
        ui,
        tokens,
        "Sun there (°)",
        &mut draft.sun,
        "5, 12",
        "Least and greatest altitude of the Sun at the place, degrees. Empty: any.",
    );
    ui.horizontal(|ui| {
        let label = RichText::new("Time of day there").font(body()).color(tokens.quiet);
        title_of(ui, label);
        let all =
            [(None, "any"), (Some(Course::Morning), "morning"), (Some(Course::Evening), "evening")];
        let now = all.iter().find(|(course, _)| *course == draft.course).map_or("", |(_, w)| w);
        let combo = ComboBox::from_id_salt("course").selected_text(now).width(196.0);
        let inner = combo.show_ui(ui, |ui| {
            for (course, words) in all {
                ui.selectable_value(&mut draft.course, course, words);
            }
        });
        let _ = inner.response.accessible_name("Time of day there");
    });
    row(
        ui,
        tokens,
        "Light like that of",
        &mut draft.like,
        "a time, or empty",
        "A moment, that of a reference picture say: the Sun as it stood then, to 1.5 degrees. Empty: by the two lines above.",
    );
    row(
        ui,
        tokens,
        "Off overhead (°)",
        &mut draft.facing,
        "any",
        "How far libration must turn the place towards us: most degrees between its zenith and the Earth.",
    );
    row(
        ui,
        tokens,
        "Libration east (°)",
        &mut draft.libration_lon,
        "any",
        "Least and greatest libration in longitude, degrees.",
    );
    row(
        ui,
        tokens,
        "Libration north (°)",
        &mut draft.libration_lat,
        "any",
        "Least and greatest libration in latitude, degrees.",
    );
    row(
        ui,
        tokens,
        "Moon above (°)",
        &mut draft.moon_above,
        "30",
        "Least altitude of the Moon at the site, degrees.",
    );
    ui.horizontal(|ui| {
        let label = RichText::new("Sky at the site").font(body()).color(tokens.quiet);
        title_of(ui, label);
        let now = SKIES.iter().find(|(deg, _)| *deg == draft.dark).map_or("", |(_, words)| words);
        let combo = ComboBox::from_id_salt("sky").selected_text(now).width(196.0);
        let inner = combo.show_ui(ui, |ui| {
            for (deg, words) in SKIES {
                ui.selectable_value(&mut draft.dark, deg, words);
            }
        });
        let _ = inner.response.accessible_name("Sky at the site");
    });
    row(
        ui,
        tokens,
        "Days ahead",
        &mut draft.days,
        "366",
        "How many days to look through, at most 367.",
    );
    row(
        ui,
        tokens,
        "Frames a second",
        &mut draft.rate,
        "such as 60",
        "What camera and disk manage: for advice on the capture, with the optics of the selected capture.",
    );
}

fn asked(draft: &PlanDraft, equipment: Option<Equipment>) -> Result<PlanWish, String> {
    let site =
        numbers(&draft.site, 2, 3, "the site as latitude, longitude and, if you like, height")?;
    let site = Site::new(site[0], site[1], site.get(2).copied().unwrap_or(0.0))
        .map_err(|e| e.to_string())?;
    let place = numbers(&draft.place, 2, 2, "the place on the Moon as latitude, longitude")?;
    let one = |text: &str, what: &str| -> Result<Option<f64>, String> {
        if text.is_empty() { Ok(None) } else { Ok(Some(numbers(text, 1, 1, what)?[0])) }
    };
    let two = |text: &str, what: &str| -> Result<Option<Between>, String> {
        if text.is_empty() {
            return Ok(None);
        }
        let n = numbers(text, 2, 2, what)?;
        Ok(Some(Between { low: n[0], high: n[1] }))
    };
    let moon_above = one(&draft.moon_above, "the Moon's altitude in degrees")?.unwrap_or(0.0);
    let mut wish = Wish::of(LunarPoint::new(place[1], place[0]), moon_above);
    if draft.like.is_empty() {
        wish.sun_altitude_deg = two(&draft.sun, "the Sun's least and greatest altitude")?;
        wish.course = draft.course;
    } else {
        let moment = Moment::parse(&draft.like).map_err(|e| e.to_string())?;
        let sub_solar = LunarView::at(moment, None).sub_solar;
        wish.like = Some(Like { sub_solar, within_deg: 1.5 });
    }
    wish.most_emission_deg = one(&draft.facing, "degrees from overhead")?;
    wish.libration_lon_deg = two(&draft.libration_lon, "least and greatest libration")?;
    wish.libration_lat_deg = two(&draft.libration_lat, "least and greatest libration")?;
    wish.site_sun_below_deg = (draft.dark < 90.0).then_some(draft.dark);
    wish.check().map_err(|e| e.to_string())?;
    let days = one(&draft.days, "days")?.unwrap_or(366.0);
    if !(0.01..=367.0).contains(&days) {
        return Err(format!("days ahead: expected 0.01 to 367, found {days}"));
    }
    Ok(PlanWish { wish, site, from: None, days, equipment })
}

/// Telescope and camera of a capture, once the optics and the frame rate are known.
fn equipment(entry: &Entry, rate: &str) -> Option<Equipment> {
    let optics = entry.recipe.finish.optics?;
    let facts = entry.facts.as_ref()?;
    let typed = numbers(rate, 1, 1, "frames a second").ok().map(|n| n[0]);
    let seeing = entry.findings.as_ref().and_then(|f| {
        f.limits.iter().find(|limit| limit.name.starts_with("Seeing")).map(|limit| limit.arcsec)
    });
    Some(Equipment {
        telescope: Telescope::new(
            1e3 * optics.aperture_m,
            optics.obstruction,
            1e9 * optics.wavelength_m,
        )
        .ok()?,
        focal_length_mm: 1e3 * optics.focal_length_m,
        pixel_um: optics.pixel_um,
        width_px: facts.width as u32,
        height_px: facts.height as u32,
        bytes_per_px: if facts.bit_depth > 8 { 2 } else { 1 },
        frames_per_s: typed.or(facts.frame_rate_hz)?,
        seeing_arcsec: seeing.unwrap_or(2.0),
        drift_arcsec_per_s: 0.0,
    })
}

fn results(ui: &mut Ui, tokens: &Tokens, planning: &Planning, draft: &mut PlanDraft) {
    match &planning.found {
        Err(words) => {
            ui.label(RichText::new(words::told(words)).color(tokens.trouble));
        }
        Ok(chances) if chances.is_empty() => {
            let words = format!(
                "No chance within {} days. Ask for less: a wider Sun, a lower Moon, or a brighter sky.",
                rounded(planning.asked.days, 0)
            );
            ui.label(RichText::new(words).font(body()).color(tokens.quiet));
        }
        Ok(chances) => {
            draft.chosen = draft.chosen.min(chances.len() - 1);
            let count = words::counted(chances.len(), "chance", "chances");
            ui.label(RichText::new(count).font(title()).color(tokens.text));
            ScrollArea::vertical().max_height(132.0).id_salt("chances").show(ui, |ui| {
                for (i, planned) in chances.iter().enumerate() {
                    let words = chance_words(planned);
                    let text = RichText::new(words).font(body());
                    if ui.selectable_label(draft.chosen == i, text).clicked() {
                        draft.chosen = i;
                    }
                }
            });
            let planned = &chances[draft.chosen];
            chart(ui, tokens, planned);
            let best = planned.chance.best;
            let libration = format!(
                "Best at {} UTC: Moon {}° high, Sun {}° high there, {}° from overhead, libration {}°, {}°.",
                clock(best.time_utc),
                rounded(best.moon_altitude_deg, 0),
                rounded(best.sun_altitude_deg, 1),
                rounded(best.emission_deg, 0),
                rounded(best.libration_lon_deg, 1),
                rounded(best.libration_lat_deg, 1)
            );
            ui.label(RichText::new(libration).font(small()).color(tokens.quiet));
            for words in &planned.cautions {
                ui.label(RichText::new(words).font(small()).color(tokens.trouble));
            }
        }
    }
    match &planning.advice {
        Some(Ok(advice)) => {
            let gigabytes = advice.bytes as f64 * 1e-9;
            let words = format!(
                "Capture: {} px per finest cycle (2 to 3 serve), exposures up to {} ms, {} s for {} frames, {} GB.",
                rounded(advice.px_per_finest_cycle, 1),
                rounded(advice.longest_exposure_ms, 1),
                rounded(advice.capture_s, 0),
                words::count(advice.frames),
                rounded(gigabytes, 1)
            );
            ui.label(RichText::new(words).font(small()).color(tokens.measured));
        }
        Some(Err(words)) => {
            ui.label(RichText::new(words::told(words)).font(small()).color(tokens.quiet));
        }
        None => {}
    }
}

/// `21:35`.
fn clock(moment: Moment) -> String {
    moment.to_string().get(11..16).unwrap_or_default().to_string()
}

fn chance_words(planned: &Planned) -> String {
    let chance = &planned.chance;
    let begins = chance.begins.time_utc.to_string();
    let day = begins.get(..10).unwrap_or_default();
    format!(
        "{day}  {} to {} UTC · {} · Moon to {}°",
        clock(chance.begins.time_utc),
        clock(chance.ends.time_utc),
        words::left(std::time::Duration::from_secs_f64((60.0 * chance.minutes).clamp(0.0, 1e6)))
            .replace(" left", ""),
        rounded(chance.best.moon_altitude_deg, 0)
    )
}

/// Altitude of the Moon at the site (line), of the Sun at the place (dashes); hours as wished stand on
/// a bar.
fn chart(ui: &mut Ui, tokens: &Tokens, planned: &Planned) {
    let night: &[Instant] = &planned.night;
    let (rect, response) =
        ui.allocate_exact_size(vec2(ui.available_width(), 124.0), Sense::hover());
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 4.0, tokens.surround);
    let inner = egui::Rect::from_min_max(rect.min + vec2(28.0, 6.0), rect.max - vec2(6.0, 20.0));
    let last = night.len().saturating_sub(1).max(1) as f32;
    let x = |i: usize| inner.left() + inner.width() * i as f32 / last;
    let y = |deg: f64| inner.bottom() - inner.height() * (deg.clamp(0.0, 90.0) / 90.0) as f32;
    for deg in [0.0, 30.0, 60.0, 90.0] {
        painter.hline(inner.x_range(), y(deg), Stroke::new(1.0, tokens.line));
        let at = pos2(inner.left() - 4.0, y(deg));
        painter.text(at, Align2::RIGHT_CENTER, format!("{deg:.0}°"), small(), tokens.quiet);
    }
    for (i, instant) in night.iter().enumerate() {
        let width = inner.width() / last + 0.5;
        let bar = |top: f32, height: f32| {
            egui::Rect::from_min_size(pos2(x(i) - 0.5 * width, top), vec2(width, height))
        };
        if instant.site_sun_altitude_deg > -6.0 {
            painter.rect_filled(bar(inner.top(), inner.height()), 0, tokens.card_hover);
        }
        if instant.as_wished {
            painter.rect_filled(bar(inner.bottom() - 3.0, 3.0), 0, tokens.chosen);
        }
    }
    let curve = |of: fn(&Instant) -> f64| {
        night.iter().enumerate().map(|(i, instant)| pos2(x(i), y(of(instant)))).collect::<Vec<_>>()
    };
    let moon = curve(|i| i.moon_altitude_deg);
    painter.add(Shape::line(moon, Stroke::new(1.6, tokens.measured)));
    let sun = curve(|i| i.sun_altitude_deg);
    painter.extend(Shape::dashed_line(&sun, Stroke::new(1.2, tokens.chosen), 5.0, 3.0));
    for i in (0..night.len()).step_by(12) {
        let at = pos2(x(i), inner.bottom() + 3.0);
        painter.text(at, Align2::CENTER_TOP, clock(night[i].time_utc), small(), tokens.quiet);
    }
    response.widget_info(|| {
        let words =
            "Altitude of the Moon (line) and of the Sun at the place (dashes) through the night";
        WidgetInfo::labeled(Role::Image, true, words)
    });
    let words = "Line: Moon above the horizon. Dashes: Sun above the place. Bar: as wished. Paler: the Sun is up, or nearly.";
    ui.label(RichText::new(words).font(small()).color(tokens.quiet));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_typed_wish_is_understood_or_named() {
        let mut draft = PlanDraft {
            site: "47.5, 8.25".into(),
            place: "9.6, -20.1".into(),
            ..PlanDraft::default()
        };
        let found = asked(&draft, None).unwrap();
        assert_eq!(found.wish.sun_altitude_deg, Some(Between { low: 5.0, high: 12.0 }));
        assert_eq!(found.wish.site_sun_below_deg, Some(-12.0));
        assert!((found.wish.place.lon_deg + 20.1).abs() < 1e-9);
        draft.like = "2024-11-11T20:00Z".into();
        let found = asked(&draft, None).unwrap();
        assert!(found.wish.like.is_some() && found.wish.sun_altitude_deg.is_none());
        for (change, part) in [
            (PlanDraft { site: "x".into(), ..draft.clone() }, "site"),
            (PlanDraft { place: String::new(), ..draft.clone() }, "place"),
            (PlanDraft { like: "then".into(), ..draft.clone() }, "time"),
            (PlanDraft { days: "9999".into(), ..draft.clone() }, "days"),
            (PlanDraft { moon_above: "120".into(), ..draft.clone() }, "Moon"),
        ] {
            let words = asked(&change, None).unwrap_err();
            assert!(words.contains(part), "{words}");
        }
    }
}
