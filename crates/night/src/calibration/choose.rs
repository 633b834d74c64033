//! Which dark or flat belongs to a capture, and its master.

use super::master_file::{Saved, saved};
use super::report::{LeftAside, MasterReport};
use crate::error::NightError;
use crate::files::{open_alone, open_capture_watched};
use crate::hash::{Fingerprint, Fingerprinting};
use crate::record::Input;
use crate::saved_path::SavedPath;
use crate::sequence::files_of;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;
use stillwright_capture::{Capture, CaptureError, Facts, Overrides};
use stillwright_picture::{Layout, Progress, SampleType, Stage};
use stillwright_seeing::calibration::{Master, MasterError, MasterKind};

/// Exposures and gains that differ by less than this share count as the same: files round them.
const SAME: f64 = 0.02;

/// A master that is ready, and what made it.
pub(super) struct Made {
    pub(super) master: Master,
    pub(super) report: MasterReport,
    /// The dark that was taken off a flat.
    pub(super) dark_flat: Option<MasterReport>,
    /// What the file of the frames says.
    pub(super) facts: Facts,
}

/// One file that was named, open.
struct Candidate {
    path: PathBuf,
    capture: Box<dyn Capture>,
    saved: Option<Saved>,
    matched: Vec<String>,
    not_known: Vec<String>,
}

/// The master of `kind` for a capture of which `wanted` is known: among the files that `named` lists, the
/// one of which most is known to agree; what was left aside, and why, goes into `aside`. `None` where none is
/// named.
///
/// # Errors
/// When none of those named fits: with what stands against each.
pub(super) fn choose(
    kind: MasterKind,
    named: &[SavedPath],
    wanted: &Facts,
    capture: &Path,
    dark_flats: Option<&[SavedPath]>,
    aside: &mut Vec<LeftAside>,
    progress: &dyn Progress,
) -> Result<Option<Arc<Made>>, NightError> {
    let mut best: Option<Candidate> = None;
    let mut left = Vec::new();
    let mut leave = |path: &Path, why: String| {
        left.push(LeftAside { kind: kind.name(), path: path.display().to_string(), why });
    };
    for path in named.iter().map(SavedPath::path) {
        match candidate(kind, &path, wanted, progress) {
            Ok(found) => {
                let better = best.as_ref().is_none_or(|b| found.matched.len() > b.matched.len());
                let other = if better { best.replace(found) } else { Some(found) };
                if let Some(other) = other {
                    leave(&other.path, "it fits, and another one agrees as well or better".into());
                }
            }
            Err(NightError::Cancelled) => return Err(NightError::Cancelled),
            Err(NightError::Work { words, .. }) => leave(&path, words),
            // Its last line is the path.
            Err(error) => {
                let words = error.to_string();
                let words = words.rsplit_once('\n').map_or(words.as_str(), |(words, _)| words);
                leave(&path, words.replace("\n ", ";"));
            }
        }
    }
    match best {
        Some(candidate) => {
            aside.extend(left);
            made(kind, candidate, dark_flats, aside, progress).map(Some)
        }
        None if named.is_empty() => Ok(None),
        None => {
            let reasons = left.iter().map(|left| format!("{}: {}", left.why, left.path));
            let reasons: Vec<String> = reasons.collect();
            Err(NightError::Work {
                path: capture.into(),
                words: format!(
                    "no {} fits this capture\n  {}\n  record one that does, or leave it out",
                    kind.name(),
                    reasons.join("\n  ")
                ),
            })
        }
    }
}

fn candidate(
    kind: MasterKind,
    path: &Path,
    wanted: &Facts,
    progress: &dyn Progress,
) -> Result<Candidate, NightError> {
    let unfit = |words: String| NightError::Work { path: path.into(), words };
    let saved = saved(path);
    let capture = match &saved {
        Some(saved) if saved.kind != kind => {
            let found = saved.kind.name();
            return Err(unfit(format!("a {} was expected, and this is a {found}", kind.name())));
        }
        Some(_) => open_alone(path, &Overrides::default())?,
        None => open_like(path, wanted, progress)?,
    };
    let (matched, not_known) =
        agreement(kind, capture.facts(), capture.format().sample_type, wanted).map_err(unfit)?;
    Ok(Candidate { path: path.into(), capture, saved, matched, not_known })
}

/// Open a capture as `wanted` was read: frames without light do not show by themselves how many bits
/// their samples have, nor in which order their bytes stand.
fn open_like(
    path: &Path,
    wanted: &Facts,
    progress: &dyn Progress,
) -> Result<Box<dyn Capture>, NightError> {
    let plain = open_capture_watched(path, &Overrides::default(), progress)?;
    let facts = plain.facts();
    let both_wide = facts.justification.is_some() && wanted.justification.is_some();
    if facts.format != wanted.format || !both_wide {
        return Ok(plain);
    }
    let like = Overrides {
        layout: None,
        byte_order: wanted.byte_order.filter(|_| wanted.format == "SER"),
        justification: wanted.justification,
        bit_depth: Some(wanted.bit_depth),
    };
    match open_capture_watched(path, &like, progress) {
        Err(NightError::Capture { source: CaptureError::Parameter(_), .. }) => Ok(plain),
        other => other,
    }
}

/// What of a dark or flat is known to agree with a capture, and what is not known; or what stands
/// against it.
fn agreement(
    kind: MasterKind,
    found: &Facts,
    sample_type: SampleType,
    wanted: &Facts,
) -> Result<(Vec<String>, Vec<String>), String> {
    let (mut matched, mut not_known) = (Vec::new(), Vec::new());
    let size = |facts: &Facts| format!("{} x {} px", facts.width, facts.height);
    if (found.width, found.height) != (wanted.width, wanted.height) {
        let (found, wanted) = (size(found), size(wanted));
        return Err(format!("{wanted} were expected, and it has {found}"));
    }
    matched.push("size".into());
    let open = |layout: Layout| if layout == Layout::Bgr { Layout::Rgb } else { layout };
    let (own, its) = (open(wanted.layout), open(found.layout));
    if own.samples_per_pixel() != its.samples_per_pixel()
        || (own != its && its != Layout::Mono && own != Layout::Mono)
    {
        let (found, wanted) = (found.layout.name(), wanted.layout.name());
        return Err(format!("samples in the order {wanted} were expected, and it has {found}"));
    }
    if own == its { &mut matched } else { &mut not_known }.push("order of colours".into());
    if kind == MasterKind::Flat {
        // What share of the light a sample gets depends on none of the following.
        return Ok((matched, not_known));
    }
    // Floats do not say what they were made from, save in our own masters.
    if sample_type == SampleType::F32 && found.bit_depth == 16 {
        not_known.push("bit depth".into());
    } else if found.bit_depth != wanted.bit_depth {
        let (found, wanted) = (found.bit_depth, wanted.bit_depth);
        return Err(format!("samples of {wanted} bits were expected, and it has {found}"));
    } else {
        matched.push("bit depth".into());
    }
    for (name, found, wanted) in
        [("exposure", found.exposure_s, wanted.exposure_s), ("gain", found.gain, wanted.gain)]
    {
        match (found, wanted) {
            (Some(found), Some(wanted)) => {
                if (found - wanted).abs() > SAME * wanted.abs().max(1e-9) {
                    return Err(format!("the {name} {wanted} was expected, and it has {found}"));
                }
                matched.push(name.into());
            }
            _ => not_known.push(name.into()),
        }
    }
    Ok((matched, not_known))
}

fn made(
    kind: MasterKind,
    candidate: Candidate,
    dark_flats: Option<&[SavedPath]>,
    aside: &mut Vec<LeftAside>,
    progress: &dyn Progress,
) -> Result<Arc<Made>, NightError> {
    let Candidate { path, capture, saved, matched, not_known } = candidate;
    let facts = capture.facts().clone();
    // A saved flat has its dark off already.
    let dark_flat = match dark_flats.filter(|_| saved.is_none()) {
        Some(named) => choose(MasterKind::DarkFlat, named, &facts, &path, None, aside, progress)?,
        None => None,
    };
    let sha_of_dark = dark_flat.as_ref().map(|dark| dark.report.input.sha256.clone());
    let key = Key::of(kind, &path, &facts, sha_of_dark);
    if let Some(made) = key.as_ref().and_then(on_shelf) {
        let report = MasterReport { matched, not_known, ..made.report.clone() };
        let master = made.master.clone();
        return Ok(Arc::new(Made { master, report, dark_flat: made.dark_flat.clone(), facts }));
    }
    let print = hashed(&path, progress)?;
    let offset = dark_flat.as_ref().map(|dark| dark.master.values.as_slice());
    let master = Master::build(&*capture, kind, offset, progress).map_err(|error| match error {
        MasterError::Cancelled(_) => NightError::Cancelled,
        MasterError::Unfit(words) => NightError::Work { path: path.clone(), words },
    })?;
    let frames = saved.as_ref().map_or(master.frames, |saved| saved.frames);
    let noise = saved.as_ref().map_or(master.frame_noise, |saved| saved.noise);
    let report = MasterReport {
        input: Input::new(&path, print),
        ready_made: saved.is_some() || capture.frame_count() == 1,
        frames,
        frames_left_out: saved.as_ref().map_or(master.frames_left_out, |s| s.frames_left_out),
        clipped_share: saved.as_ref().map_or(master.clipped_share, |s| s.clipped_share),
        level: master.mean(),
        noise: (noise > 0.0).then(|| noise / (frames.max(1) as f32).sqrt()),
        exposure_s: facts.exposure_s,
        gain: facts.gain,
        matched,
        not_known,
    };
    if Key::of(kind, &path, &facts, key.as_ref().and_then(|key| key.sha_of_dark.clone())) != key {
        let words = "it changed while it was read: try again once it rests".into();
        return Err(NightError::Work { path, words });
    }
    let dark_flat = dark_flat.map(|dark| dark.report.clone());
    let made = Arc::new(Made { master, report, dark_flat, facts });
    if let Some(key) = key {
        put_on_shelf(key, &made);
    }
    Ok(made)
}

/// The master of one capture by itself, as `stillwright master` makes it.
pub(super) fn made_alone(
    kind: MasterKind,
    path: &Path,
    overrides: &Overrides,
    dark_flats: &[SavedPath],
    progress: &dyn Progress,
) -> Result<Arc<Made>, NightError> {
    if saved(path).is_some() {
        let words = "this is a master already: give the capture that it is to be made from".into();
        return Err(NightError::Work { path: path.into(), words });
    }
    let capture = open_capture_watched(path, overrides, progress)?;
    let (matched, not_known) = (Vec::new(), Vec::new());
    let alone = Candidate { path: path.into(), capture, saved: None, matched, not_known };
    made(kind, alone, Some(dark_flats), &mut Vec::new(), progress)
}

fn hashed(path: &Path, progress: &dyn Progress) -> Result<Fingerprint, NightError> {
    let going_on = || progress.advance(Stage::Calibrating, 0, 1).is_ok();
    let print = Fingerprinting::begin(path).and_then(|print| print.finish(going_on));
    print.map_err(|e| NightError::read(path, e))?.ok_or(NightError::Cancelled)
}

/// What a master depends on.
#[derive(PartialEq)]
struct Key {
    kind: MasterKind,
    files: Vec<(PathBuf, u64, Option<SystemTime>)>,
    read_as: String,
    sha_of_dark: Option<String>,
}

impl Key {
    fn of(
        kind: MasterKind,
        path: &Path,
        facts: &Facts,
        sha_of_dark: Option<String>,
    ) -> Option<Key> {
        let stamp = |path: PathBuf| {
            let facts = std::fs::metadata(&path).ok()?;
            Some((path, facts.len(), facts.modified().ok()))
        };
        let files: Option<Vec<_>> = files_of(path).ok()?.into_iter().map(stamp).collect();
        let read_as = format!(
            "{} {:?} {:?} {}",
            facts.layout.name(),
            facts.byte_order,
            facts.justification,
            facts.bit_depth
        );
        Some(Key { kind, files: files?, read_as, sha_of_dark })
    }
}

/// Masters of this run: a night's captures share them. The last few are kept.
static SHELF: Mutex<Vec<(Key, Arc<Made>)>> = Mutex::new(Vec::new());

/// Masters that are kept, and the samples that all of them may have together.
const SHELF_ROOM: usize = 6;
const SHELF_SAMPLES: usize = 64 << 20;

fn on_shelf(key: &Key) -> Option<Arc<Made>> {
    let shelf = SHELF.lock().unwrap_or_else(PoisonError::into_inner);
    shelf.iter().find(|(known, _)| known == key).map(|(_, made)| Arc::clone(made))
}

fn put_on_shelf(key: Key, made: &Arc<Made>) {
    let mut shelf = SHELF.lock().unwrap_or_else(PoisonError::into_inner);
    shelf.push((key, Arc::clone(made)));
    let samples = |shelf: &[(Key, Arc<Made>)]| -> usize {
        shelf.iter().map(|(_, made)| made.master.values.len()).sum()
    };
    while shelf.len() > SHELF_ROOM || samples(&shelf) > SHELF_SAMPLES {
        shelf.remove(0);
    }
}
