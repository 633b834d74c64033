//! Telescope and camera: they give the scale, the sampling and the telescope's limit.

use super::Bench;
use super::rows::{fact, line, sentence};
use crate::slider::{Scale, field};
use crate::words;
use egui::Ui;
use stillwright_night::session::{Entry, Sampling, Setting};
use stillwright_night::stacking::finish::Optics;

/// Optics as they are typed: in the units that stand on the telescope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpticsDraft {
    /// Aperture, mm.
    pub aperture_mm: f64,
    /// Central obstruction, percent of the aperture.
    pub obstruction_percent: f64,
    /// Effective focal length, mm.
    pub focal_mm: f64,
    /// Pitch of the pixels, micrometres.
    pub pixel_um: f64,
    /// Mean wavelength, nm.
    pub wavelength_nm: f64,
}

impl Default for OpticsDraft {
    /// Nothing known; the wavelength of green light.
    fn default() -> Self {
        OpticsDraft {
            aperture_mm: 0.0,
            obstruction_percent: 0.0,
            focal_mm: 0.0,
            pixel_um: 0.0,
            wavelength_nm: 550.0,
        }
    }
}

impl From<Optics> for OpticsDraft {
    fn from(optics: Optics) -> Self {
        OpticsDraft {
            aperture_mm: 1e3 * optics.aperture_m,
            obstruction_percent: 100.0 * optics.obstruction,
            focal_mm: 1e3 * optics.focal_length_m,
            pixel_um: optics.pixel_um,
            wavelength_nm: 1e9 * optics.wavelength_m,
        }
    }
}

impl OpticsDraft {
    /// The optics, once all of them are there and make sense.
    fn optics(&self) -> Option<Optics> {
        let optics = Optics {
            aperture_m: 1e-3 * self.aperture_mm,
            obstruction: 0.01 * self.obstruction_percent,
            focal_length_m: 1e-3 * self.focal_mm,
            pixel_um: self.pixel_um,
            wavelength_m: 1e-9 * self.wavelength_nm,
        };
        optics.check().is_ok().then_some(optics)
    }

    /// Undo, a recipe that was pasted, or a night that was opened changes what is known behind the
    /// fields' back. What is typed but not complete stays.
    fn follow(&mut self, known: Option<Optics>) {
        match known {
            Some(optics) if self.optics() != known => *self = optics.into(),
            None if self.optics().is_some() => *self = OpticsDraft::default(),
            _ => {}
        }
    }

    /// What is still missing, in words.
    fn missing(&self) -> Vec<&'static str> {
        let all = [
            (self.aperture_mm, "aperture"),
            (self.focal_mm, "focal length"),
            (self.pixel_um, "pixel size"),
        ];
        all.into_iter().filter(|(value, _)| *value <= 0.0).map(|(_, name)| name).collect()
    }
}

pub fn words(entry: &Entry) -> String {
    match entry.optics {
        Some(optics) => format!("{} per px", words::arcsec(optics.pixel_arcsec)),
        None => "not told yet".into(),
    }
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let known = entry.recipe.finish.optics;
    let draft = bench
        .view
        .optics
        .entry(entry.id)
        .or_insert_with(|| known.map_or_else(OpticsDraft::default, OpticsDraft::from));
    draft.follow(known);
    let before = *draft;
    let mut settled = false;
    type Of = fn(&mut OpticsDraft) -> &mut f64;
    let rows: [(&str, Of, Scale, &str); 5] = [
        (
            "Aperture",
            |d| &mut d.aperture_mm,
            Scale {
                unit: "\u{2006}mm",
                decimals: 1,
                unknown_at_zero: true,
                ..Scale::new(0.0..=2000.0, None)
            },
            "Diameter of the telescope's opening, mm. It sets the finest detail that can be had.",
        ),
        (
            "Obstruction",
            |d| &mut d.obstruction_percent,
            Scale {
                unit: "\u{2006}%",
                decimals: 0,
                // As little known as the telescope; 0 is a refractor's.
                unknown_at_zero: before.aperture_mm <= 0.0,
                ..Scale::new(0.0..=80.0, None)
            },
            "Diameter of the secondary mirror, percent of the aperture; 0 for a refractor. It dims middling detail.",
        ),
        (
            "Focal length",
            |d| &mut d.focal_mm,
            Scale {
                unit: "\u{2006}mm",
                decimals: 0,
                unknown_at_zero: true,
                ..Scale::new(0.0..=40_000.0, None)
            },
            "Effective focal length with everything that lengthens or shortens it, mm.",
        ),
        (
            "Pixel",
            |d| &mut d.pixel_um,
            Scale {
                unit: "\u{2006}µm",
                decimals: 2,
                unknown_at_zero: true,
                ..Scale::new(0.0..=40.0, None)
            },
            "Side of one pixel of the camera, micrometres; it stands in the camera's data sheet.",
        ),
        (
            "Colour of the light",
            |d| &mut d.wavelength_nm,
            Scale { unit: "\u{2006}nm", decimals: 0, ..Scale::new(300.0..=1100.0, Some(550.0)) },
            "Mean wavelength that the filter lets through, nm: green 550, red 650, near infrared 750 to 850.",
        ),
    ];
    for (name, of, scale, tip) in rows {
        line(ui, tokens, name, tip, |ui| {
            let (response, moved) = field(ui, name, of(draft), &scale, 96.0);
            response.on_hover_text(tip);
            settled |= moved.settled;
        });
    }
    let draft = *draft;
    let changed = draft != before;
    if (changed || settled) && draft.optics() != known {
        bench.desk.change(entry.id, Setting::Optics(draft.optics()), settled);
    } else if settled {
        bench.desk.send.push(stillwright_night::session::Command::Commit);
    }
    let missing = draft.missing();
    match entry.optics {
        Some(figures) => {
            let sampling = match figures.sampling {
                Sampling::Coarse => "too coarse",
                Sampling::Good => "good",
                Sampling::Fine => "fine",
            };
            let words = format!("{} px per λ/D · {sampling}", words::number(figures.px_per_limit));
            let tip = "Pixels across the telescope's limit: below 2, detail is lost; above 4, light is spread thin.";
            fact(ui, tokens, "Sampling", &words, tip);
            let tip = "The finest period, a bright and a dark line together, that the aperture passes: λ/D.";
            fact(ui, tokens, "Telescope’s limit", &words::arcsec(figures.limit_arcsec), tip);
        }
        None if missing.len() < 3 => {
            let words = format!("Still missing: {}.", missing.join(", "));
            sentence(ui, &words, tokens.quiet);
        }
        None => sentence(
            ui,
            "Type what you know of telescope and camera: then sizes are in arcseconds, and the finish knows the telescope’s limit.",
            tokens.quiet,
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draft_becomes_optics_once_all_is_there() {
        let mut draft = OpticsDraft::default();
        assert_eq!(draft.missing(), ["aperture", "focal length", "pixel size"]);
        assert_eq!(draft.optics(), None);
        draft = OpticsDraft { aperture_mm: 203.0, focal_mm: 4060.0, pixel_um: 2.4, ..draft };
        let optics = draft.optics().unwrap();
        assert!((optics.aperture_m - 0.203).abs() < 1e-12);
        assert!((optics.wavelength_m - 550e-9).abs() < 1e-15);
        let mut elsewhere = OpticsDraft { aperture_mm: 80.0, ..OpticsDraft::default() };
        elsewhere.follow(None);
        assert_eq!(elsewhere.aperture_mm, 80.0, "what is being typed stays");
        elsewhere.follow(Some(optics));
        assert!((elsewhere.aperture_mm - 203.0).abs() < 1e-9);
        elsewhere.follow(None);
        assert_eq!(elsewhere, OpticsDraft::default());
        let back = OpticsDraft::from(optics);
        assert!((back.focal_mm - 4060.0).abs() < 1e-9);
    }
}
