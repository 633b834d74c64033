//! Reference pictures in the session: loaded, matched, laid and compared on a thread of their own;
//! the limb and shadows found in the still; the figure written.

use super::command::ExportTarget;
use super::entry::{CaptureId, Entry};
use super::key::StackKey;
use super::lanes::{Output, Running};
use super::look::shown;
use super::message::Weight;
use super::shown::{PictureId, Shown};
use super::{Cancel, Effect, Session};
use crate::atomic::AtomicFile;
use crate::beside::{
    Ends, FigureFacts, Known, SetBeside, Task, figure, light_at_capture_scale, load_picture,
    set_beside,
};
use crate::export::{Caption, Format, write_picture};
use crate::sheet::{Findings, SeenFrom, Sheet, SheetChange, find, rounded};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stillwright_moon::fix::{Projection, Px};
use stillwright_moon::measure::{shadow_tip, snap_to_limb};
use stillwright_seeing::beside::{Sharper, Verdict};

/// A reference picture that was read.
#[derive(Clone, Debug)]
pub struct LoadedReference {
    /// Its file.
    pub path: PathBuf,
    /// Its name.
    pub name: String,
    /// The picture for the screen.
    pub shown: Shown,
}

/// The reference picture of a capture, and what came of setting it beside.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    /// The picture.
    pub loaded: Option<Arc<LoadedReference>>,
    /// Matched, laid and compared; of an earlier still or earlier marks until the new one is there.
    pub set: Option<Arc<SetBeside>>,
    /// The reference upon the still's ground, for the screen.
    pub laid: Option<Shown>,
    /// Why the picture is not there, or does not match, in words.
    pub trouble: Option<String>,
    /// What was tried to load, and to match.
    pub(crate) tried: Option<PathBuf>,
    pub(crate) of: Option<BesideKey>,
    again: u64,
}

/// What a match depends on, and what the comparison beyond that.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct BesideKey {
    reference: PictureId,
    stack: StackKey,
    /// Pixel marks in both pictures.
    pairs: Vec<[Px; 2]>,
    again: u64,
    /// Both ends of the way through the sphere, where they are known.
    ends: Option<(Projection, SeenFrom)>,
    still: PictureId,
    halves: bool,
}

impl BesideKey {
    /// Whether only the still's finish differs.
    fn same_match(&self, other: &BesideKey) -> bool {
        self.same_flat(other) && self.ends == other.ends
    }

    /// Whether the plane match is the same.
    fn same_flat(&self, other: &BesideKey) -> bool {
        let (still, ends, halves) = (other.still, other.ends, other.halves);
        BesideKey { still, ends, halves, ..self.clone() } == *other
    }
}

/// What the thread has to tell.
pub(super) enum BesideNews {
    Loaded(Box<LoadedReference>),
    Set {
        key: Box<BesideKey>,
        set: Box<SetBeside>,
        shown: Shown,
    },
    Failed {
        words: String,
    },
    Figure(PathBuf),
    /// Marks that were found in the still.
    Marks(SheetChange),
}

impl Session {
    /// Load, match and compare for the selected capture what is wanted and not there.
    pub(super) fn beside_next(&mut self) {
        let Some(entry) = self.selected() else { return };
        let id = entry.id;
        let Some(choice) = &entry.sheet.reference else {
            if entry.beside.tried.is_some()
                && let Some(entry) = self.entry_mut(id)
            {
                entry.beside = Beside::default();
            }
            return;
        };
        if !self.lanes.beside.is_idle() {
            return;
        }
        let path = choice.path.clone();
        if entry.beside.tried.as_ref() != Some(&path) {
            if let Some(entry) = self.entry_mut(id) {
                entry.beside = Beside { tried: Some(path.clone()), ..Beside::default() };
            }
            let words = "reading the reference picture".to_string();
            let running = Running::new(Some(id), words, Cancel::Desk);
            self.lanes.beside.start(running, move |_| Ok(loaded(id, path)));
            return;
        }
        let Some((key, task)) = entry.beside_task() else { return };
        if entry.beside.of.as_ref() == Some(&key) {
            return;
        }
        if let Some(entry) = self.entry_mut(id) {
            entry.beside.of = Some(key.clone());
        }
        let words = "matching the reference picture".to_string();
        let running = Running::new(Some(id), words, Cancel::Desk);
        let quick = Arc::clone(&self.quick);
        self.lanes.beside.start(running, move |job| {
            quick.install(|| set_beside(&task, job)).map(|set| {
                let news = match set {
                    Ok(set) => {
                        let picture = Arc::clone(&set.laid.picture);
                        let shown = Shown::finished(picture);
                        BesideNews::Set { key: Box::new(key), set: Box::new(set), shown }
                    }
                    Err(words) => BesideNews::Failed { words },
                };
                Output::Beside { id, news: Box::new(news) }
            })
        });
    }

    /// News of the thread.
    pub(super) fn beside_news(&mut self, id: CaptureId, news: BesideNews) {
        match news {
            BesideNews::Marks(change) => {
                self.commit();
                self.preview_sheet(id, change);
                self.commit();
                return;
            }
            BesideNews::Figure(path) => {
                self.effects.push(Effect::FigureWritten(id, path));
                return;
            }
            _ => {}
        }
        let Some(entry) = self.entry_mut(id) else { return };
        let beside = &mut entry.beside;
        match news {
            BesideNews::Loaded(loaded) => {
                if beside.tried.as_ref() == Some(&loaded.path) {
                    beside.loaded = Some(Arc::from(loaded));
                    beside.trouble = None;
                }
            }
            BesideNews::Set { key, set, shown } => {
                if beside.loaded.as_ref().map(|l| l.shown.id) == Some(key.reference) {
                    beside.set = Some(Arc::from(set));
                    beside.laid = Some(shown);
                    beside.trouble = None;
                }
            }
            BesideNews::Failed { words } => {
                beside.trouble = Some(words);
                (beside.set, beside.laid) = (None, None);
            }
            BesideNews::Figure(_) | BesideNews::Marks(_) => {}
        }
        self.effects.push(Effect::SetBeside(id));
    }

    /// Match anew, the picture read anew too where that failed.
    pub(super) fn match_again(&mut self, id: CaptureId) {
        if let Some(entry) = self.entry_mut(id) {
            entry.beside.again += 1;
            if entry.beside.loaded.is_none() {
                entry.beside.tried = None;
            }
        }
    }

    /// Find the limb near its marks.
    pub(super) fn find_limb(&mut self, id: CaptureId) {
        self.find_marks(id, |still, scale, size, findings| {
            const COUNT: usize = 180;
            let light = light_at_capture_scale(still, scale, size);
            let reach = 0.02 * size.0.max(size.1) as f64;
            let found = snap_to_limb(&light, &findings.sheet.limb, reach.clamp(8.0, 60.0), COUNT);
            found.map(SheetChange::Limb).map_err(|e| e.to_string())
        });
    }

    /// Find the end of a shadow near its mark.
    pub(super) fn find_shadow_end(&mut self, id: CaptureId, number: u32) {
        self.find_marks(id, move |still, scale, size, findings| {
            let fix = findings.fix.as_ref().ok_or("this needs the picture's fix on the Moon")?;
            let marked = findings.sheet.measurement(number).map(|m| m.points.as_slice());
            let Some([summit, tip]) = marked else {
                return Err("mark the summit and the end of its shadow first".into());
            };
            let light = light_at_capture_scale(still, scale, size);
            let away = (tip.x - summit.x).hypot(tip.y - summit.y);
            let reach = (0.4 * away).clamp(6.0, 40.0);
            let px = shadow_tip(&fix.projection, &light, *summit, *tip, reach)
                .map_err(|e| e.to_string())?;
            Ok(SheetChange::MovePoint { number, index: 1, px })
        });
    }

    fn find_marks(
        &mut self,
        id: CaptureId,
        look: impl FnOnce(
            &stillwright_picture::Picture,
            f64,
            (usize, usize),
            &Findings,
        ) -> Result<SheetChange, String>
        + Send
        + 'static,
    ) {
        let Some(source) = self.entry(id).and_then(|entry| entry.findings_source(None)) else {
            return;
        };
        self.to_desk.push_back(Box::new(move |_| {
            let Some((still, scale)) = source.still.clone() else {
                let words = "the still is not there yet".to_string();
                return Ok(Output::DeskTrouble { id: Some(id), words });
            };
            let findings = find(&source);
            Ok(match look(&still, scale, source.size, &findings) {
                Ok(change) => Output::Beside { id, news: Box::new(BesideNews::Marks(change)) },
                Err(words) => Output::DeskTrouble { id: Some(id), words },
            })
        }));
    }

    /// Write the figure.
    pub(super) fn write_figure(&mut self, id: CaptureId, target: ExportTarget) {
        let Some(entry) = self.entry(id) else { return };
        let (Some(set), Some(loaded), Some(still)) =
            (entry.beside.set.clone(), entry.beside.loaded.clone(), entry.still.clone())
        else {
            let words = "a figure needs the still and a reference picture that matches it";
            return self.tell(Weight::Trouble, Some(id), words.into());
        };
        let facts = figure_facts(entry, &set, &loaded);
        let size = entry.facts.as_ref().map_or((1, 1), |facts| (facts.width, facts.height));
        let stem = entry.path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let folder =
            target.folder.unwrap_or_else(|| crate::atomic::folder_of(&entry.path).join("stills"));
        let path = folder.join(format!("{stem}.beside.png"));
        let name = entry.name.clone();
        self.to_desk.push_back(Box::new(move |_| {
            let made = figure(&still.shown.picture, &set.laid.picture, size, &facts);
            let write = || -> Result<(), String> {
                let mut file =
                    AtomicFile::create(&path, target.existing).map_err(|e| e.to_string())?;
                let caption = Caption { capture: name, ..Caption::default() };
                write_picture(Format::Png, &made, &caption, &mut file)
                    .map_err(|e| format!("{e}\n  {}", path.display()))?;
                file.commit().map_err(|e| e.to_string())
            };
            Ok(match write() {
                Ok(()) => Output::Beside { id, news: Box::new(BesideNews::Figure(path)) },
                Err(words) => Output::DeskTrouble { id: Some(id), words },
            })
        }));
    }
}

fn loaded(id: CaptureId, path: PathBuf) -> Output {
    let name = Path::new(&path).file_name().unwrap_or_default().to_string_lossy().into_owned();
    let news = match load_picture(&path) {
        Ok(picture) => {
            let shown = shown(picture);
            BesideNews::Loaded(Box::new(LoadedReference { path, name, shown }))
        }
        Err(words) => BesideNews::Failed { words },
    };
    Output::Beside { id, news: Box::new(news) }
}

impl Entry {
    fn beside_task(&self) -> Option<(BesideKey, Task)> {
        let loaded = self.beside.loaded.as_ref()?;
        let still = self.still.as_ref().filter(|_| self.still_is_current())?;
        let facts = self.facts.as_ref()?;
        let sheet: &Sheet = &self.sheet;
        let choice = sheet.reference.as_ref()?;
        let pairs = choice.pairs.clone();
        let fix = self.findings.as_ref().and_then(|f| f.fix.as_ref());
        let known_ends = fix.map(|fix| fix.projection).zip(choice.seen);
        let ends = known_ends.and_then(|(still, seen)| {
            Some(Ends { still, reference: seen.view(&still.view).ok()? })
        });
        let measures = self.measures.as_ref().filter(|m| m.of == still.key.stack);
        let halves = measures.and_then(|m| m.measured.light.as_ref()).map(|m| &m.correlation);
        let key = BesideKey {
            reference: loaded.shown.id,
            stack: still.key.stack.clone(),
            pairs: pairs.clone(),
            again: self.beside.again,
            ends: known_ends,
            still: still.shown.id,
            halves: halves.is_some(),
        };
        let known = match (self.beside.set.as_ref().zip(self.beside.of.as_ref()))
            .map(|(set, of)| (&set.matched, of))
        {
            Some((matched, of)) if of.same_match(&key) => Known::All(matched.clone()),
            Some((matched, of)) if of.same_flat(&key) => {
                matched.flat.map_or(Known::Nothing, |(by, found)| Known::Flat(by, found))
            }
            _ => Known::Nothing,
        };
        let task = Task {
            still: Arc::clone(&still.shown.picture),
            still_scale: f64::from(still.key.stack.stack.scale),
            size: (facts.width, facts.height),
            reference: Arc::clone(&loaded.shown.picture),
            pairs,
            sigma_px: sheet.mark_sigma_px,
            ends,
            halves: halves.map(|halves| Arc::new(halves.clone())),
            known,
        };
        Some((key, task))
    }
}

/// The verdict in sentences; lengths in km where the scale is known, else in px of the capture.
pub fn verdict_words(verdict: &Verdict, km_per_px: Option<f64>) -> Vec<String> {
    let length = |px: f64| match km_per_px {
        Some(km) => format!("{}\u{2006}km", rounded(px * km, if px * km < 10.0 { 2 } else { 1 })),
        None => format!("{}\u{2006}px", rounded(px, 1)),
    };
    let who = match verdict.sharper {
        Sharper::First => "The still shows more.",
        Sharper::Second => "The reference picture shows more.",
        Sharper::Alike => "Both show the same detail, as far as can be told.",
    };
    let mut words = vec![
        who.to_string(),
        format!(
            "The still shows detail to {}, the reference to {}; both share detail to {}.",
            length(verdict.first_px),
            length(verdict.second_px),
            length(verdict.shared_px)
        ),
    ];
    let stronger = verdict.fine_contrast.max(1.0 / verdict.fine_contrast.max(1e-6));
    if verdict.sharper == Sharper::Alike && stronger > 1.1 {
        let who = if verdict.fine_contrast > 1.0 { "still" } else { "reference" };
        words.push(format!(
            "The {who} shows fine detail with {} times the contrast, which sharpening does too.",
            rounded(stronger, 1)
        ));
    }
    if verdict.coarse_correlation < 0.5 {
        words.push(format!(
            "The light differs so much that even coarse detail agrees to {}\u{2006}% only: take this with care.",
            rounded(100.0 * verdict.coarse_correlation, 0)
        ));
    }
    words
}

fn figure_facts(entry: &Entry, set: &SetBeside, loaded: &LoadedReference) -> FigureFacts {
    let findings = entry.findings.as_ref();
    let scale = findings.and_then(|f| f.arcsec_per_px);
    let km_per_px = findings.and_then(|f| Some(f.km_per_arcsec? * f.arcsec_per_px?));
    let mut still = vec![entry.name.clone()];
    if let Some(moment) = findings.and_then(|f| f.moment) {
        still.push(format!("{moment}"));
    }
    let facts = entry.facts.as_ref();
    let names = facts.map(|f| {
        [f.telescope.trim(), f.instrument.trim()]
            .into_iter()
            .filter(|name| !name.is_empty())
            .collect::<Vec<_>>()
            .join(", ")
    });
    let optics = entry.recipe.finish.optics.map(|o| {
        format!(
            "{} mm aperture, {} mm focal length",
            rounded(1e3 * o.aperture_m, 0),
            rounded(1e3 * o.focal_length_m, 0)
        )
    });
    still.extend(names.filter(|n| !n.is_empty()));
    still.extend(optics);
    if let (Some(km), Some(arcsec)) = (km_per_px, scale) {
        still.push(format!("{} km per px, {} arcsec per px", rounded(km, 3), rounded(arcsec, 3)));
    }
    let middle = findings.map(|f| Px { x: 0.5 * f.size.0 as f64, y: 0.5 * f.size.1 as f64 });
    if let Some(readout) = findings.zip(middle).and_then(|(f, px)| f.readout(px)) {
        still.push(format!(
            "Sun {} degrees high in the middle",
            rounded(readout.sun_altitude_deg, 1)
        ));
    }
    let mut reference = vec![format!("Reference: {}", loaded.name)];
    if let Some(km) = km_per_px {
        reference.push(format!("{} km per px", rounded(km / set.reference_px_per_px, 3)));
    }
    reference.push("Laid upon the ground of the still; tones matched for looking.".into());
    let both = set.verdict.as_ref().map(|v| verdict_words(v, km_per_px)).unwrap_or_default();
    let size = facts.map_or(1.0, |f| f.width as f64);
    let bar = findings
        .and_then(|f| f.scale_bar(0.3 * size))
        .map(|bar| (bar.px, format!("{} km", bar.km)));
    FigureFacts { still, reference, both, bar }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_verdict_is_told_in_km_where_the_scale_is_known() {
        let verdict = Verdict {
            frequency: vec![],
            correlation: vec![],
            contrast: vec![],
            coarse_correlation: 0.4,
            shared_px: 5.0,
            first_px: 4.0,
            second_px: 5.0,
            fine_contrast: 1.4,
            sharper: Sharper::First,
        };
        let words = verdict_words(&verdict, Some(0.25)).join(" ");
        assert!(words.contains("The still shows more."), "{words}");
        assert!(words.contains("1.00\u{2006}km") && words.contains("1.25\u{2006}km"), "{words}");
        assert!(words.contains("with care"), "{words}");
        assert!(verdict_words(&verdict, None)[1].contains("4.0\u{2006}px"));
    }
}
