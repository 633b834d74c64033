//! Entries come back as they were, or not at all.

use super::*;
use ndarray::Array3;
use stillwright_picture::{Grade, Picture, Shift};
use stillwright_seeing::hot::HotPixels;
use stillwright_seeing::noise::NoiseModel;
use stillwright_seeing::raster::Raster;
use stillwright_seeing::sharpness::CellGrid;
use stillwright_seeing::{FrameReport, Rejection, SceneKind};
use stillwright_stacking::halves::Region;
use stillwright_stacking::{KeepAdvice, Rung, Unrest};

fn survey() -> Survey {
    let frame = |index: usize| FrameReport {
        index,
        grade: Grade(1.0 / (index as f32 + 3.0)),
        shift: Shift { x_px: 0.1 * index as f32, y_px: -1.0 / 3.0, confidence: 0.9 },
        brightness: 0.3,
        transparency: 0.99,
        clipped_share: 1e-7,
        rejected: (index == 2).then_some(Rejection::Unreadable),
        trouble: (index == 2).then(|| "the disk — pulled out".to_string()),
    };
    Survey {
        reference_index: 1,
        scene: SceneKind::Disc,
        frames: (0..3).map(frame).collect(),
        noise: NoiseModel { read: 1e-5, gain: 2e-4 },
        median_brightness: 0.31,
        hot_pixels: HotPixels { samples: vec![5, 77, 1 << 40] },
        cells: CellGrid { cell_px: 16, columns: 2, rows: 1 },
        cell_grades: vec![1.0, f32::NAN, 0.5, 2.0, f32::MIN_POSITIVE, -0.0],
        cell_structure: vec![0.25, 1.0 / 3.0],
        geometry: Raster { width: 3, height: 2, values: vec![0.1, 0.2, 0.3, 0.4, 0.5, 0.6] },
        geometry_factor: 4,
    }
}

fn stack() -> Stack {
    let picture = |v: f32| Picture { planes: Array3::from_elem((3, 4, 5), v) };
    Stack {
        picture: picture(0.1),
        halves: [picture(0.2), picture(0.3)],
        noise: picture(f32::NAN),
        covered: Region { left: 1, top: 0, width: 3, height: 4 },
        keep_percent: 15.0,
        advice: Some(KeepAdvice {
            percent: 15.0,
            ladder: vec![Rung { percent: 15.0, information_bits: 1.0 / 3.0 }],
        }),
        frames_used: 7,
        frames_per_place: 3,
        tiles: 9,
        scale: 1.5,
        pixfrac: Some(0.7),
        agreement_at_nyquist: None,
        unrest: Some(Unrest {
            frequency: vec![0.0, 0.25],
            signal: vec![1.0, 1.0 / 3.0],
            air: vec![-1e-9, 0.1],
            scatter: vec![1e-12, 0.02],
            noise: vec![0.0, 2.5],
            mosaic: true,
            frames_per_place: 3,
        }),
        channel_offsets_px: [(0.1, 0.2), (0.0, 0.0), (-0.3, 1.4)],
        samples_refused: 11,
        frames_lost: vec![4, 6],
    }
}

/// A capture, its names, and an empty cache.
fn made() -> (tempfile::TempDir, PathBuf, Keys, Cache) {
    let home = tempfile::tempdir().unwrap();
    let capture = home.path().join("IN.ser");
    fs::write(&capture, vec![7u8; 300_000]).unwrap();
    let keys = Keys::of(&capture, &Recipe::default()).unwrap();
    let cache = Cache::under(home.path().join("found"));
    (home, capture, keys, cache)
}

#[test]
fn surveys_and_stacks_come_back_bit_for_bit() {
    let (_home, _, keys, cache) = made();
    assert!(cache.survey(&keys).is_none() && cache.stack(&keys).is_none());
    let sha256 = "0123456789abcdef".repeat(4);
    cache.keep_survey(&keys, &survey(), None);
    cache.keep_stack(&keys, &stack(), Some(&sha256));
    let (kept, whole) = (cache.survey(&keys).unwrap(), cache.stack(&keys).unwrap());
    assert_eq!(kept.sha256, None);
    assert_eq!(whole.sha256, Some(sha256));
    assert_eq!(write_survey(&kept.value), write_survey(&survey()));
    assert_eq!(kept.value.frames, survey().frames);
    assert!(kept.value.cell_grades[1].is_nan());
    assert_eq!(kept.value.geometry, survey().geometry);
    assert_eq!(write_stack(&whole.value), write_stack(&stack()));
    assert_eq!(whole.value.advice, stack().advice);
    cache.forget(&keys);
    assert!(cache.survey(&keys).is_none() && cache.stack(&keys).is_none());
}

#[test]
fn whatever_matters_gives_another_name() {
    let (home, capture, keys, _) = made();
    assert_eq!(Keys::of(&capture, &Recipe::default()).unwrap(), keys);
    let mut recipe = Recipe::default();
    recipe.export.formats.push(crate::export::Format::Png);
    assert_eq!(Keys::of(&capture, &recipe).unwrap(), keys, "what is written does not matter");
    recipe.stack.scale = 1.5;
    let other = Keys::of(&capture, &recipe).unwrap();
    assert!(other.survey == keys.survey && other.stack != keys.stack);
    recipe.survey.sample_frames = 32;
    let other = Keys::of(&capture, &recipe).unwrap();
    assert!(other.survey != keys.survey && other.stack != keys.stack);
    // One byte in the middle of the file, its size and time as they were.
    let changed = fs::metadata(&capture).unwrap().modified().unwrap();
    let mut bytes = vec![7u8; 300_000];
    bytes[150_000] = 8;
    fs::write(&capture, bytes).unwrap();
    File::options().write(true).open(&capture).unwrap().set_modified(changed).unwrap();
    assert_ne!(Keys::of(&capture, &Recipe::default()).unwrap(), keys);
    assert_eq!(Keys::of(&home.path().join("none.ser"), &Recipe::default()), None);
}

#[test]
fn a_damaged_entry_counts_as_not_there() {
    let (_home, _, keys, cache) = made();
    cache.keep_survey(&keys, &survey(), None);
    let path = cache.folder.join(&keys.survey);
    let whole = fs::read(&path).unwrap();
    assert!(cache.survey(&keys).is_some());
    for cut in 0..whole.len() {
        fs::write(&path, &whole[..cut]).unwrap();
        assert!(cache.survey(&keys).is_none(), "cut at {cut}");
    }
    for at in (0..MAGIC.len()).chain(MAGIC.len() + 64..whole.len()) {
        let mut bytes = whole.clone();
        bytes[at] ^= 0x40;
        fs::write(&path, bytes).unwrap();
        assert!(cache.survey(&keys).is_none(), "changed at {at}");
    }
    // Contents of the right hash but lengths that lie.
    let contents = write_survey(&survey());
    for at in 0..contents.len() {
        let mut bytes = contents.clone();
        bytes[at] = 0xff;
        let _ = read_survey(&bytes);
        assert!(read_survey(&contents[..at]).is_none(), "cut at {at}");
    }
    let contents = write_stack(&stack());
    for at in 0..contents.len() {
        let mut bytes = contents.clone();
        bytes[at] = 0xff;
        let _ = read_stack(&bytes);
        assert!(read_stack(&contents[..at]).is_none(), "cut at {at}");
    }
    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    assert!(cache.survey(&keys).is_none());
    cache.keep_survey(&keys, &survey(), None);
}

#[test]
fn the_folder_stays_within_its_limit_and_the_oldest_go_first() {
    let (home, capture, _, cache) = made();
    let size = (HEAD_BYTES + write_survey(&survey()).len()) as u64;
    let cache = cache.limited_to(3 * size);
    let keys: Vec<Keys> = (1..6)
        .map(|i| {
            let mut recipe = Recipe::default();
            recipe.survey.sample_frames = i;
            Keys::of(&capture, &recipe).unwrap()
        })
        .collect();
    fs::create_dir_all(home.path().join("found")).unwrap();
    fs::write(home.path().join("found/somebody-elses.txt"), vec![0; 5000]).unwrap();
    for (i, keys) in keys.iter().enumerate() {
        cache.keep_survey(keys, &survey(), None);
        let path = cache.folder.join(&keys.survey);
        let time = SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1000 + i as u64);
        File::options().write(true).open(path).unwrap().set_modified(time).unwrap();
        if i == 2 {
            // Used again: it is not the oldest any more.
            assert!(
                cache.survey(&keys.clone()).is_some()
                    && cache.survey(&all_of(&capture, 1)).is_some()
            );
        }
    }
    let there: Vec<bool> = keys.iter().map(|keys| cache.survey(keys).is_some()).collect();
    assert_eq!(there, [true, false, true, false, true]);
    assert!(home.path().join("found/somebody-elses.txt").exists());
    // What would fill the folder alone is not kept.
    let small = cache.limited_to(size);
    small.keep_survey(&keys[1], &survey(), None);
    assert!(small.survey(&keys[1]).is_none());
}

fn all_of(capture: &Path, sample_frames: usize) -> Keys {
    let mut recipe = Recipe::default();
    recipe.survey.sample_frames = sample_frames;
    Keys::of(capture, &recipe).unwrap()
}

#[test]
fn marks_are_kept_of_a_capture_whatever_the_recipe() {
    use crate::hash::Fingerprinting;
    let (home, _, _, cache) = made();
    let capture = home.path().join("LONG.ser");
    File::create(&capture).unwrap().set_len(40 << 20).unwrap();
    let keys = Keys::of(&capture, &Recipe::default()).unwrap();
    assert!(cache.waymarks(&keys).is_none());
    let mut print = Fingerprinting::begin(&capture).unwrap();
    print.wait(|| true).unwrap().unwrap();
    cache.keep_waymarks(&keys, print.waymarks());
    let kept = cache.waymarks(&keys).unwrap();
    assert_eq!(Some(&kept), print.waymarks());
    let mut recipe = Recipe::default();
    recipe.survey.sample_frames = 32;
    assert_eq!(cache.waymarks(&Keys::of(&capture, &recipe).unwrap()), Some(kept));
    cache.forget(&keys);
    assert!(cache.waymarks(&keys).is_none());
}
