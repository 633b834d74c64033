//! Sheets in the session: changed at once and undoably, findings computed on a thread of their own,
//! tables and measured pictures written.

use super::entry::{CaptureId, Entry};
use super::history::Step;
use super::lanes::{Output, Running};
use super::message::Weight;
use super::shown::PictureId;
use super::{Cancel, Session};
use crate::atomic::{AtomicFile, Existing, WriteError};
use crate::export::{Caption, Format, write_picture};
use crate::sheet::{Findings, Sheet, SheetChange, Source, csv, find, measured_picture};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stillwright_moon::Moment;
use stillwright_moon::measure::{NamedPlace, parse_places};
use stillwright_stacking::finish::Optics;

/// Longest list of places that is read, bytes: a hundred thousand lines.
const LONGEST_LIST: u64 = 8 << 20;

/// A sheet under way: shown, but no step yet.
pub(super) struct SheetPreview {
    words: &'static str,
    before: Vec<(CaptureId, Arc<Sheet>)>,
}

/// Places that were loaded to label.
#[derive(Clone, Debug)]
pub struct PlaceList {
    /// The file.
    pub path: PathBuf,
    /// What stands in it.
    pub places: Arc<Vec<NamedPlace>>,
}

/// What findings depend on.
#[derive(Clone)]
pub(crate) struct FindingsKey {
    sheet: Arc<Sheet>,
    still: Option<PictureId>,
    optics: Option<Optics>,
    /// Addresses of what is compared by being the same.
    parts: [usize; 4],
}

impl PartialEq for FindingsKey {
    fn eq(&self, other: &FindingsKey) -> bool {
        self.parts == other.parts
            && self.still == other.still
            && self.optics == other.optics
            && (Arc::ptr_eq(&self.sheet, &other.sheet) || self.sheet == other.sheet)
    }
}

fn address<T>(part: Option<&Arc<T>>) -> usize {
    part.map_or(0, |part| Arc::as_ptr(part) as usize)
}

impl Session {
    /// Change a sheet while something is dragged. A site holds for the whole night.
    pub(super) fn preview_sheet(&mut self, id: CaptureId, change: SheetChange) {
        let all = matches!(change, SheetChange::Site(_));
        let words = change.words();
        let ids: Vec<CaptureId> =
            self.entries.iter().map(|e| e.id).filter(|other| all || *other == id).collect();
        for id in ids {
            let Some(entry) = self.entry_mut(id) else { continue };
            let mut sheet = Sheet::clone(&entry.sheet);
            change.clone().apply(&mut sheet);
            if let Err(words) = sheet.check() {
                self.tell(Weight::Trouble, Some(id), words);
                return;
            }
            let before = std::mem::replace(&mut entry.sheet, Arc::new(sheet));
            let preview = self
                .sheet_preview
                .get_or_insert_with(|| SheetPreview { words, before: Vec::new() });
            preview.words = words;
            if preview.before.iter().all(|(known, _)| *known != id) {
                preview.before.push((id, before));
            }
        }
    }

    /// Previews of sheets become one step.
    pub(super) fn commit_sheets(&mut self) {
        let Some(preview) = self.sheet_preview.take() else { return };
        let now = |id| self.entry(id).map(|entry| Arc::clone(&entry.sheet));
        let sheets: Vec<_> = preview
            .before
            .into_iter()
            .filter_map(|(id, before)| Some((id, before, now(id)?)))
            .collect();
        let step = Step { words: preview.words.into(), changes: Vec::new(), sheets };
        self.history.record(step);
        self.dirty = true;
    }

    /// Previews of sheets are forgotten.
    pub(super) fn revert_sheets(&mut self) {
        let Some(preview) = self.sheet_preview.take() else { return };
        for (id, before) in preview.before {
            if let Some(entry) = self.entry_mut(id) {
                entry.sheet = before;
            }
        }
    }

    /// Sheets of a step that is taken back, or taken again.
    pub(super) fn step_sheets(
        &mut self,
        back: bool,
        sheets: Vec<(CaptureId, Arc<Sheet>, Arc<Sheet>)>,
    ) {
        for (id, before, after) in sheets {
            if let Some(entry) = self.entry_mut(id) {
                entry.sheet = if back { before } else { after };
                self.dirty = true;
            }
        }
    }

    /// Find anew what follows from the selected capture's sheet, when it does not follow any more.
    pub(super) fn measure_next(&mut self) {
        if !self.lanes.measure.is_idle() {
            return;
        }
        let names = self.place_list.as_ref().map(|list| Arc::clone(&list.places));
        let Some(entry) = self.selected().filter(|entry| entry.facts.is_some()) else { return };
        let key = entry.findings_key(names.as_ref());
        if entry.inner.findings_of.as_ref() == Some(&key) {
            return;
        }
        let Some(source) = entry.findings_source(names) else { return };
        let id = entry.id;
        if let Some(entry) = self.entry_mut(id) {
            entry.inner.findings_of = Some(key);
        }
        let running = Running::new(Some(id), "measuring".into(), Cancel::Capture(id));
        self.lanes.measure.start(running, move |_| {
            Ok(Output::Findings { id, findings: Arc::new(find(&source)) })
        });
    }

    /// Read a list of places, off this thread; an empty path puts the list away.
    pub(super) fn load_places(&mut self, path: PathBuf) {
        if path.as_os_str().is_empty() {
            (self.place_list, self.places_path, self.dirty) = (None, None, true);
            return;
        }
        self.to_desk.push_back(Box::new(move |_| Ok(Output::Places(read_places(&path)))));
    }

    /// Write them beside a still that was written, where that is wished.
    pub(super) fn write_measured_beside(&mut self, id: CaptureId, written: &super::Written) {
        let wished = self
            .entry(id)
            .is_some_and(|e| e.sheet.drawn_on_export && !e.sheet.measurements.is_empty());
        if wished {
            let folder = crate::atomic::folder_of(&written.files.still).to_path_buf();
            self.write_measured(id, Some(folder), written.files.existing);
        }
    }

    /// Write the table of measurements, and the measured picture.
    pub(super) fn write_measured(
        &mut self,
        id: CaptureId,
        folder: Option<PathBuf>,
        existing: Existing,
    ) {
        let names = self.place_list.as_ref().map(|list| Arc::clone(&list.places));
        let Some(entry) = self.entry(id) else { return };
        let Some(source) = entry.findings_source(names) else { return };
        if entry.sheet.measurements.is_empty() {
            let words =
                "nothing is measured yet: choose an instrument and mark points in the still";
            return self.tell(Weight::Trouble, Some(id), words.into());
        }
        let name = entry.name.clone();
        let stem = entry.path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let folder = folder.unwrap_or_else(|| crate::atomic::folder_of(&entry.path).join("stills"));
        self.to_desk.push_back(Box::new(move |_| {
            let findings = find(&source);
            Ok(match write_all(&folder, &stem, &name, &source, &findings, existing) {
                Ok(files) => Output::MeasuredWritten { id, files },
                Err(words) => Output::DeskTrouble { id: Some(id), words },
            })
        }));
    }
}

/// The table, and the picture where a still is there: both, or an error and none.
fn write_all(
    folder: &Path,
    stem: &str,
    name: &str,
    source: &Source,
    findings: &Findings,
    existing: Existing,
) -> Result<Vec<PathBuf>, String> {
    let told = |error: WriteError| error.to_string();
    let mut files = Vec::new();
    let path = folder.join(format!("{stem}.measured.csv"));
    let mut table = AtomicFile::create(&path, existing).map_err(told)?;
    table
        .write_all(csv(name, findings).as_bytes())
        .map_err(|source| told(WriteError::Io { path: path.clone(), source }))?;
    files.push(table);
    if let Some((still, scale)) = &source.still {
        let path = folder.join(format!("{stem}.measured.png"));
        let mut file = AtomicFile::create(&path, existing).map_err(told)?;
        let picture = measured_picture(still, *scale, findings);
        let caption = Caption { capture: name.into(), ..Caption::default() };
        write_picture(Format::Png, &picture, &caption, &mut file)
            .map_err(|e| format!("{e}\n  {}", path.display()))?;
        files.push(file);
    }
    let mut written = Vec::new();
    for file in files {
        written.push(file.target().to_path_buf());
        file.commit().map_err(told)?;
    }
    Ok(written)
}

/// A list of places from a file.
pub(super) fn read_places(path: &Path) -> Result<PlaceList, String> {
    use std::io::Read;
    let shown = path.display();
    let mut text = String::new();
    let file = crate::files::open_plain(path).map_err(|e| {
        format!(
            "the list of named places cannot be read, so none are labelled: {e}; put the file back, or choose \
             the list where it is now\n  {shown}"
        )
    })?;
    let length = file.take(LONGEST_LIST + 1).read_to_string(&mut text);
    let length =
        length.map_err(|e| format!("expected a list of places as UTF-8 text: {e}\n  {shown}"))?;
    if length as u64 > LONGEST_LIST {
        return Err(format!(
            "the list of places is longer than {} MB\n  {shown}",
            LONGEST_LIST >> 20
        ));
    }
    let places = parse_places(&text).map_err(|e| format!("{e}\n  {shown}"))?;
    Ok(PlaceList { path: path.into(), places: Arc::new(places) })
}

impl Entry {
    fn findings_key(&self, names: Option<&Arc<Vec<NamedPlace>>>) -> FindingsKey {
        FindingsKey {
            sheet: Arc::clone(&self.sheet),
            still: self.still.as_ref().map(|still| still.shown.id),
            optics: self.recipe.finish.optics,
            parts: [
                address(names),
                address(self.measures.as_ref()),
                address(self.graded.as_ref()),
                address(self.facts.as_ref()),
            ],
        }
    }

    /// What findings are made from; `None` before the capture is open.
    pub(super) fn findings_source(&self, names: Option<Arc<Vec<NamedPlace>>>) -> Option<Source> {
        let facts = self.facts.as_ref()?;
        let scale = self.still.as_ref().map_or(1.0, |s| f64::from(s.key.stack.stack.scale));
        let resolution = self.measures.as_ref().map(|m| (m.resolution.detail_px, m.of.stack.scale));
        Some(Source {
            sheet: Arc::clone(&self.sheet),
            size: (facts.width, facts.height),
            start: facts.start_utc.as_deref().and_then(|text| Moment::parse(text).ok()),
            duration_s: facts.duration_s,
            optics: self.recipe.finish.optics,
            names,
            still: self.still.as_ref().map(|still| (Arc::clone(&still.shown.picture), scale)),
            detail_px: resolution.and_then(|(px, scale)| Some(px? / f64::from(scale))),
            survey: self.graded.as_ref().map(|graded| Arc::clone(&graded.survey)),
            ripple_px2: self.measures.as_ref().and_then(|m| m.ripple_px2),
        })
    }
}
