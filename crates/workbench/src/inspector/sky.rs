//! Sky: what the capture shows, when and from where it was taken, and what the sky was like then.

use super::Bench;
use super::rows::{choice, fact, sentence};
use super::typed::{numbers, text, trouble, understood};
use egui::Ui;
use stillwright_night::moon::{Moment, Site};
use stillwright_night::session::{Command, Entry};
use stillwright_night::sheet::{Body, SheetChange, rounded};

pub fn words(entry: &Entry) -> String {
    let moment = entry.findings.as_ref().and_then(|f| f.moment);
    moment.map_or_else(|| "no time yet".into(), |moment| moment.to_string())
}

const TIME: &str = "Time (UTC)";
const CLOCK: &str = "Clock was ahead";
const SITE: &str = "Site";

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let sheet = &entry.sheet;
    let id = entry.id;
    let mut changes = Vec::new();
    let tip = "What is in the picture: the Moon, or a planet.";
    if let Some(body) = choice(ui, tokens, "Shows", tip, sheet.body, &Body::ALL) {
        changes.push(SheetChange::Body(body));
    }
    let now = sheet.time_utc.map_or_else(String::new, |time| time.to_string());
    let hint = entry
        .findings
        .as_ref()
        .filter(|_| sheet.time_utc.is_none())
        .and_then(|f| f.moment)
        .map_or_else(|| "2026-03-26T20:00Z".to_string(), |moment| moment.to_string());
    let tip = "When the capture was taken, its middle: date and time in UTC, or with a zone such as +01:00. Empty: by the file's time stamps.";
    let typed = text(ui, tokens, TIME, &now, &hint, tip);
    let read = |text: &str| match text {
        "" => Ok(None),
        text => Moment::parse(text).map(Some).map_err(|e| e.to_string()),
    };
    changes.extend(understood(bench.view, TIME, typed, read).map(SheetChange::Time));
    trouble(ui, tokens, bench.view, TIME);
    if let Some(findings) = &entry.findings {
        sentence(ui, &crate::words::sentence(&findings.moment_words), tokens.quiet);
    }
    let ahead = sheet.clock_ahead_s;
    let now = if ahead == 0.0 { String::new() } else { format!("{} s", rounded(ahead, 1)) };
    let tip = "By how many seconds the camera's clock was ahead of the true time; negative when it was late. 4 s move a crater by about 0.01 degree of light.";
    let typed = text(ui, tokens, CLOCK, &now, "0 s", tip);
    let read = |text: &str| match text.trim_end_matches(['s', ' ']) {
        "" => Ok(0.0),
        text => Ok(numbers(text, 1, 1, "seconds")?[0]),
    };
    changes.extend(understood(bench.view, CLOCK, typed, read).map(SheetChange::ClockAhead));
    trouble(ui, tokens, bench.view, CLOCK);
    let now = sheet.site.map_or_else(String::new, |site| {
        format!("{}, {}, {} m", site.lat_deg, site.lon_deg, rounded(site.height_m, 0))
    });
    let tip = "Latitude (north positive), longitude (east positive) in degrees, and height in m, as maps give them. It holds for the whole night. It moves the Moon by up to a degree, so libration needs it.";
    let typed = text(ui, tokens, SITE, &now, "such as 47.5, 8.25, 450", tip);
    let read = |text: &str| match text.trim_end_matches(['m', ' ']) {
        "" => Ok(None),
        text => {
            let n = numbers(text, 2, 3, "latitude, longitude and, if you like, height in m")?;
            let height = n.get(2).copied().unwrap_or(0.0);
            Site::new(n[0], n[1], height).map(Some).map_err(|e| e.to_string())
        }
    };
    changes.extend(understood(bench.view, SITE, typed, read).map(SheetChange::Site));
    trouble(ui, tokens, bench.view, SITE);
    for change in changes {
        bench.desk.send.push(Command::Sheet { id, change });
    }
    let Some(findings) = &entry.findings else { return };
    ui.add_space(4.0);
    for line in findings.sky_lines() {
        fact(ui, tokens, line.name, &line.value, "");
    }
    for words in &findings.cautions {
        sentence(ui, words, tokens.trouble);
    }
}
