//! Calibration against the truth: a camera with a fixed pattern, hot samples, vignetting and dust is
//! put before a simulated night. With its dark and flat, the stack must come close to that of a camera
//! without faults; without them it is worse.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::calibration::{MasterFiles, make_master};
use stillwright_night::capture::{Overrides, SerOptions, SerWriter};
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::grade::grade_capture;
use stillwright_night::judge::{JudgeSettings, straight_error};
use stillwright_night::picture::{BayerOrder, Layout, Picture, RawFrame, Samples, Silent};
use stillwright_night::sample::{SampleCapture, SampleSettings, Truth};
use stillwright_night::saved_path::SavedPath;
use stillwright_night::seeing::calibration::bands::{find_bands, rms};
use stillwright_night::seeing::calibration::{Calibration, MasterKind};
use stillwright_night::stacking::Keep;
use stillwright_night::still::{StillDone, make_still};

/// Numbers that scatter evenly from -0.5 to 0.5, and sums of them that scatter nearly as Gauss's do.
struct Chance(u64);

impl Chance {
    fn even(&mut self) -> f32 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 40) as f32 / (1 << 24) as f32 - 0.5
    }

    fn normal(&mut self) -> f32 {
        (0..12).map(|_| self.even()).sum()
    }
}

/// What is wrong with the camera, in shares of full scale.
struct Faults {
    width: usize,
    height: usize,
    /// What each sample reads without light.
    offset: Vec<f32>,
    /// What share of the light it gets.
    share: Vec<f32>,
    hot: Vec<usize>,
    dead: Vec<usize>,
}

impl Faults {
    fn new(width: usize, height: usize) -> Faults {
        let mut chance = Chance(11);
        let columns: Vec<f32> = (0..width).map(|_| 0.02 * chance.even()).collect();
        let rows: Vec<f32> = (0..height).map(|_| 0.01 * chance.even()).collect();
        let mut offset: Vec<f32> = (0..width * height)
            .map(|i| 0.03 + columns[i % width] + rows[i / width] + 0.004 * chance.normal())
            .collect();
        let mut some = |count: usize| -> Vec<usize> {
            (0..count)
                .map(|_| ((chance.even() + 0.5) * (width * height - 1) as f32) as usize)
                .collect()
        };
        let (hot, dead) = (some(30), some(6));
        for i in &hot {
            offset[*i] += 0.25;
        }
        let dust = [(0.3, 0.4, 9.0), (0.7, 0.6, 6.0), (0.55, 0.25, 12.0), (0.2, 0.8, 7.0)];
        let mut share: Vec<f32> = (0..width * height)
            .map(|i| {
                let (x, y) =
                    ((i % width) as f32 / width as f32, (i / width) as f32 / height as f32);
                let vignette = 1.0 - 0.5 * ((x - 0.5).powi(2) + (y - 0.5).powi(2));
                dust.iter().fold(vignette, |light, (cx, cy, radius)| {
                    let away = ((x - cx) * width as f32).hypot((y - cy) * height as f32);
                    // A shadow with a bright middle, as out-of-focus dust gives behind an obstruction.
                    let ring = (-((away - radius) / 3.0).powi(2)).exp();
                    light * (1.0 - 0.18 * ring)
                })
            })
            .collect();
        for i in &dead {
            share[*i] = 0.0;
        }
        Faults { width, height, offset, share, hot, dead }
    }

    /// What the camera makes of `light` (shares of full scale, its noise included).
    fn seen(&self, light: impl Fn(usize) -> f32, depth: u8, noise: &mut Chance) -> Samples {
        let white = ((1u32 << depth) - 1) as f32;
        let value = |i: usize| {
            let v = light(i) * self.share[i] + self.offset[i] + 0.003 * noise.normal();
            (v * white).round().clamp(0.0, white)
        };
        let n = self.width * self.height;
        if depth > 8 {
            Samples::U16((0..n).map(value).map(|v| v as u16).collect())
        } else {
            Samples::U8((0..n).map(value).map(|v| v as u8).collect())
        }
    }

    fn write(&self, path: &Path, layout: Layout, depth: u8, frames: impl Iterator<Item = Samples>) {
        let options = SerOptions::new(self.width, self.height, layout, depth);
        let mut writer = SerWriter::create(File::create(path).unwrap(), options).unwrap();
        frames.for_each(|samples| writer.write_frame(&samples, None).unwrap());
        writer.finish().unwrap();
    }
}

/// A night before the camera with faults, and before one without.
struct Night {
    home: tempfile::TempDir,
    truth: Truth,
    picture: Picture,
    faults: Faults,
    depth: u8,
    layout: Layout,
}

impl Night {
    fn new(settings: &SampleSettings) -> Night {
        let home = tempfile::tempdir().unwrap();
        let (width, height) = (settings.width, settings.height);
        let (depth, layout) = (settings.camera.bit_depth as u8, settings.camera.layout);
        let sound = SampleCapture::prepare(settings).unwrap();
        let faults = Faults::new(width, height);
        let mut frames = Vec::new();
        let mut kept = Vec::new();
        let mut noise = Chance(5);
        let truth = sound
            .render_all::<stillwright_night::NightError>(&Silent, |_, frame| {
                let light = |i: usize| match &frame.samples {
                    Samples::U8(v) => f32::from(v[i]) / frame.format.white,
                    Samples::U16(v) => f32::from(v[i]) / frame.format.white,
                    Samples::F32(v) => v[i],
                };
                frames.push(faults.seen(light, depth, &mut noise));
                kept.push(frame.samples.clone());
                Ok(())
            })
            .unwrap();
        let at = |name: &str| home.path().join(name);
        faults.write(&at("IN.ser"), layout, depth, frames.into_iter());
        faults.write(&at("sound.ser"), layout, depth, kept.into_iter());
        let mut without = |light: f32, count: usize| -> Vec<Samples> {
            let mut all: Vec<Samples> =
                (0..count).map(|_| faults.seen(|_| light, depth, &mut noise)).collect();
            // A cosmic ray in one frame, and one frame spoilt as a whole.
            match &mut all[2] {
                Samples::U8(v) => v[777] = 255,
                Samples::U16(v) => v[777] = 4095,
                Samples::F32(_) => {}
            }
            all[5] = faults.seen(|_| light + 0.2, depth, &mut noise);
            all
        };
        let (dark, flat) = (without(0.0, 40), without(0.6, 40));
        faults.write(&at("dark.ser"), layout, depth, dark.into_iter());
        faults.write(&at("flat.ser"), layout, depth, flat.into_iter());
        let picture = sound.picture().clone();
        Night { home, truth, picture, faults, depth, layout }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    fn named(&self, name: &str) -> Vec<SavedPath> {
        vec![SavedPath::of(&self.at(name))]
    }

    fn recipe(&self) -> Recipe {
        let mut recipe = Recipe::default();
        recipe.stack.keep = Keep::Percent(60.0);
        recipe
    }

    fn calibrated(&self) -> Recipe {
        let mut recipe = self.recipe();
        recipe.calibration.darks = self.named("dark.ser");
        recipe.calibration.flats = self.named("flat.ser");
        recipe.calibration.dark_flats = self.named("dark.ser");
        recipe
    }

    fn still(&self, name: &str, recipe: &Recipe) -> StillDone {
        let out = tempfile::tempdir_in(self.home.path()).unwrap();
        let files = StillFiles::plan(&self.at(name), Some(out.path()), &[], Existing::Keep);
        make_still(&files, recipe, &Silent).unwrap()
    }

    /// How far the stack is from the truth, channel by channel.
    fn errors(&self, done: &StillDone) -> Vec<f64> {
        let shift = self.truth.frames[done.survey.reference_index].shift;
        let margin = self.truth.margin_px as f64;
        (0..done.stack.picture.channels())
            .map(|channel| {
                let settings = JudgeSettings {
                    border_px: 20,
                    near: Some((margin - f64::from(shift.x_px), margin - f64::from(shift.y_px))),
                    reach_px: 8.0,
                    ..JudgeSettings::new(self.truth.cutoff_cycles_per_px[channel])
                };
                let truth = self.picture.plane(channel);
                straight_error(truth, done.stack.picture.plane(channel), &settings).unwrap().error
            })
            .collect()
    }
}

fn settings(layout: Layout, depth: u32) -> SampleSettings {
    let mut settings = SampleSettings::small(4);
    (settings.width, settings.height, settings.frames) = (192, 160, 60);
    settings.camera.layout = layout;
    settings.camera.bit_depth = depth;
    settings.camera.brightness = 0.7;
    settings.air.d_over_r0 = 3.0;
    settings
}

#[test]
fn pattern_and_dust_are_gone_from_a_calibrated_stack() {
    for (layout, depth) in
        [(Layout::Mono, 12), (Layout::Mono, 8), (Layout::Bayer(BayerOrder::Grbg), 12)]
    {
        let night = Night::new(&settings(layout, depth));
        assert_eq!((night.layout, u32::from(night.depth)), (layout, depth));
        let sound = night.still("sound.ser", &night.recipe());
        let without = night.still("IN.ser", &night.recipe());
        let with = night.still("IN.ser", &night.calibrated());
        let all = [&sound, &without, &with].map(|done| night.errors(done));
        println!(
            "{} {depth} bit: sound camera {:.3?}, faulty {:.3?}, calibrated {:.3?}",
            layout.name(),
            all[0],
            all[1],
            all[2]
        );
        let [sound, without, with_it] = all;
        for ((sound, without), with) in sound.iter().zip(&without).zip(&with_it) {
            // As good as the sound camera, and plainly worse without.
            assert!(with < &(1.06 * sound), "{with}, and {sound} without faults");
            assert!(without > &(1.3 * sound), "{without} before, {sound} without faults");
        }
        let report = with.record.calibration.unwrap();
        let dark = report.dark.as_ref().unwrap();
        assert_eq!((dark.frames, dark.frames_left_out), (39, 1));
        assert!(dark.clipped_share > 0.0 && dark.input.sha256.len() == 64);
        assert!(
            dark.matched.contains(&"bit depth".into()) && dark.matched.contains(&"size".into())
        );
        assert!(dark.not_known.contains(&"exposure".into()));
        assert_eq!(report.flat.as_ref().unwrap().frames, 39);
        assert!(report.dark_flat.is_some());
        let distinct = |list: &[usize]| {
            let mut own = list.to_vec();
            own.sort_unstable();
            own.dedup();
            own.len()
        };
        assert_eq!(report.hot_samples, distinct(&night.faults.hot));
        assert!(report.dead_samples >= distinct(&night.faults.dead));
        assert!(without_words(&report.sentences()));
    }
}

/// Every sentence says something.
fn without_words(sentences: &[String]) -> bool {
    sentences.len() >= 5 && sentences.iter().all(|words| words.len() > 10)
}

#[test]
fn a_saved_master_serves_as_the_capture_it_was_made_of() {
    for layout in [Layout::Mono, Layout::Bayer(BayerOrder::Bggr)] {
        let night = Night::new(&settings(layout, 12));
        let from_captures = night.still("IN.ser", &night.calibrated());
        let mut recipe = night.recipe();
        for (kind, name, dark_flats) in [
            (MasterKind::Dark, "dark.ser", vec![]),
            (MasterKind::Flat, "flat.ser", vec![night.at("dark.ser")]),
        ] {
            let files = MasterFiles::plan(kind, &night.at(name), &dark_flats, None, Existing::Keep);
            let done = make_master(&files, &Overrides::default(), &Silent).unwrap();
            assert_eq!(done.kind, kind);
            let header = fs::read(&files.master).unwrap();
            let text = String::from_utf8_lossy(&header[..5760]);
            for words in ["MASTER  =", "NFRAMES =", "CLIPPED =", "CAPSHA  = '", name] {
                assert!(text.contains(words), "{words}");
            }
            let again = make_master(&files, &Overrides::default(), &Silent).unwrap_err();
            assert!(again.to_string().contains("exists already"), "{again}");
            let saved = vec![SavedPath::of(&files.master)];
            match kind {
                MasterKind::Dark => recipe.calibration.darks = saved,
                _ => recipe.calibration.flats = saved,
            }
        }
        let from_masters = night.still("IN.ser", &recipe);
        assert_eq!(from_captures.stack.picture, from_masters.stack.picture);
        let report = from_masters.record.calibration.unwrap();
        assert!(report.dark.unwrap().ready_made && report.flat.unwrap().ready_made);

        // The wrong way round is told, not taken.
        let mut wrong = night.recipe();
        wrong.calibration.darks = recipe.calibration.flats.clone();
        let error = grade_capture(&night.at("IN.ser"), &wrong, &Silent).unwrap_err().to_string();
        assert!(error.contains("a dark was expected, and this is a flat"), "{error}");
    }
}

#[test]
fn each_capture_takes_the_dark_that_matches_and_none_that_does_not() {
    let night = Night::new(&settings(Layout::Mono, 12));
    let others = [(64, 64, 12), (192, 160, 8)].map(|(width, height, depth)| {
        let path = night.at(&format!("other-{width}-{depth}.ser"));
        let faults = Faults::new(width, height);
        let mut noise = Chance(3);
        let frames = (0..8).map(|_| faults.seen(|_| 0.0, depth, &mut noise));
        faults.write(&path, Layout::Mono, depth, frames);
        SavedPath::of(&path)
    });
    let capture = night.at("IN.ser");
    let grade = |recipe: &Recipe| grade_capture(&capture, recipe, &Silent);
    let mut recipe = night.recipe();
    recipe.calibration.darks = others.to_vec();
    let error = grade(&recipe).unwrap_err().to_string();
    for words in ["no dark fits", "192 x 160 px were expected", "12 bits were expected", "IN.ser"] {
        assert!(error.contains(words), "{error}");
    }
    recipe.calibration.darks.extend(night.named("dark.ser"));
    let said = grade(&recipe).unwrap().calibration;
    assert!(said[0].contains("dark.ser") && said[0].contains("39 frames"), "{said:?}");
    for (line, words) in said[1..3].iter().zip(["64 x 64 px", "samples of 12 bits were expected"]) {
        assert!(line.starts_with("not used: dark ") && line.contains(words), "{said:?}");
    }

    // A lit dark, a dim flat, a file that is not there.
    for (darks, flats, words) in [
        ("flat.ser", None, "these are lit"),
        ("dark.ser", Some("dark.ser"), "expose it longer"),
        ("nothing.ser", None, "cannot be read"),
    ] {
        recipe.calibration.darks = night.named(darks);
        recipe.calibration.flats = flats.map(|name| night.named(name)).unwrap_or_default();
        let error = grade(&recipe).unwrap_err().to_string();
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn bands_are_evened_out_without_a_dark_where_the_scene_wanders() {
    let mut settings = settings(Layout::Mono, 12);
    settings.mount.wander_px = 2.0;
    let night = Night::new(&settings);
    // A camera with nothing but bands.
    let mut chance = Chance(2);
    let (width, height) = (night.faults.width, night.faults.height);
    let columns: Vec<f32> = (0..width).map(|_| 0.04 * chance.even()).collect();
    let rows: Vec<f32> = (0..height).map(|_| 0.04 * chance.even()).collect();
    let source = open_capture(&night.at("sound.ser"), &Overrides::default()).unwrap();
    let mut frame = RawFrame::black(source.format());
    let mut frames = Vec::new();
    for index in 0..source.frame_count() {
        source.read_frame(index, &mut frame).unwrap();
        let Samples::U16(v) = &frame.samples else { panic!() };
        let banded = v.iter().enumerate().map(|(i, s)| {
            let band = columns[i % width] + rows[i / width] + 0.04;
            (f32::from(*s) + 4095.0 * band).round().clamp(0.0, 4095.0) as u16
        });
        frames.push(Samples::U16(banded.collect()));
    }
    night.faults.write(&night.at("banded.ser"), Layout::Mono, 12, frames.into_iter());

    // What is found, against what was put in: rows and columns, waves of up to some 20 px.
    let source = open_capture(&night.at("banded.ser"), &Overrides::default()).unwrap();
    let bands = find_bands(&*source, &Calibration::default(), &Silent).unwrap();
    for (name, found, put_in) in
        [("rows", &bands.rows, &rows), ("columns", &bands.columns, &columns)]
    {
        assert_eq!(found.len(), put_in.len(), "{name}");
        let left: Vec<f32> = put_in.iter().zip(found).map(|(b, f)| b - f).collect();
        let (before, after) = (rms(&quick(put_in)), rms(&quick(&left)));
        println!(
            "{name}: bands of {before:.4} rms, {after:.4} left; wander {:?} px",
            bands.wander_px
        );
        assert!(after < 0.35 * before, "{name}: {before} -> {after}");
    }
    // And where there are none, next to nothing is taken for one.
    let source = open_capture(&night.at("sound.ser"), &Overrides::default()).unwrap();
    let none = find_bands(&*source, &Calibration::default(), &Silent).unwrap();
    println!("sound camera: rows {:.5}, columns {:.5}", rms(&none.rows), rms(&none.columns));
    assert!(rms(&none.rows) < 0.0015 && rms(&none.columns) < 0.0015);

    let mut recipe = night.recipe();
    let sound = night.errors(&night.still("sound.ser", &recipe))[0];
    let without = night.errors(&night.still("banded.ser", &recipe))[0];
    recipe.calibration.reduce_bands = true;
    let done = night.still("banded.ser", &recipe);
    let with = night.errors(&done)[0];
    println!("stack: {sound:.3} without bands, {without:.3} with them, {with:.3} evened out");
    let added = |error: f64| error * error - sound * sound;
    assert!(added(with) < 0.5 * added(without), "{without} -> {with}, {sound} without bands");
    let report = done.record.calibration.unwrap();
    assert!(report.row_bands > 0.003 && report.column_bands > 0.003);
}

/// What changes within some 20 px: the mean over 21 of them taken off; without the ends.
fn quick(bands: &[f32]) -> Vec<f32> {
    (12..bands.len() - 12)
        .map(|r| bands[r] - bands[r - 10..=r + 10].iter().sum::<f32>() / 21.0)
        .collect()
}
