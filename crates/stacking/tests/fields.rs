//! Stacks that follow one another: what is remembered of where frames lie changes no byte, and spares the aligning.
#![allow(clippy::unwrap_used)]

mod night;

use night::{Night, Read};
use std::sync::atomic::{AtomicUsize, Ordering};
use stillwright_picture::{FrameSource, Silent};
use stillwright_seeing::{Survey, SurveySettings, survey};
use stillwright_stacking::{
    Groundwork, Keep, Pace, Resampling, Stack, StackError, StackSettings, groundwork, stack,
    stack_on,
};

const PLENTY: usize = 64 << 20;

fn keep(percent: f32, aligned_for: Option<f32>) -> StackSettings {
    StackSettings { keep: Keep::Percent(percent), aligned_for, ..StackSettings::default() }
}

fn night() -> (Night, Survey) {
    let night = Night { frames: 40, ..Night::default() };
    let survey = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    (night, survey)
}

struct Bench {
    night: Read<Night>,
    survey: Survey,
    ground: Groundwork,
}

impl Bench {
    fn new(limit_bytes: usize) -> Bench {
        let (night, survey) = night();
        let ground = groundwork(&night, &survey, &StackSettings::default(), &Silent).unwrap();
        let night = Read(night, AtomicUsize::new(0));
        Bench { night, survey, ground: ground.remembering(limit_bytes) }
    }

    /// A stack, and how many frames were aligned for it.
    fn on(&self, settings: &StackSettings) -> (Stack, usize) {
        let before = self.ground.frames_aligned();
        let stack = stack_on(&self.ground, &self.night, &self.survey, settings, &Silent, None);
        (stack.unwrap(), self.ground.frames_aligned() - before)
    }

    /// A stack, and how many frames were read for it.
    fn read_for(&self, settings: &StackSettings) -> (Stack, usize) {
        let before = self.night.1.load(Ordering::Relaxed);
        let stack = self.on(settings).0;
        (stack, self.night.1.load(Ordering::Relaxed) - before)
    }

    /// The same stack without anything that was there before, held against it.
    #[track_caller]
    fn alone(&self, settings: &StackSettings, on: &Stack) {
        let alone = stack(&self.night, &self.survey, settings, &Silent).unwrap();
        assert_eq!(alone.keep_percent, on.keep_percent);
        assert!(alone.picture == on.picture && alone.halves == on.halves, "{settings:?}");
        // Where nothing was added, the noise is not a number.
        let noise = |stack: &Stack| -> Vec<u32> {
            stack.noise.planes.iter().map(|noise| noise.to_bits()).collect()
        };
        assert!(alone.unrest == on.unrest && noise(&alone) == noise(on), "{settings:?}");
        assert_eq!(alone.agreement_at_nyquist, on.agreement_at_nyquist);
    }
}

#[test]
fn a_smaller_keep_aligns_nothing_anew_and_gives_the_same_bytes() {
    let bench = Bench::new(PLENTY);
    let (first, aligned) = bench.on(&keep(60.0, None));
    assert_eq!(aligned, first.frames_used);
    bench.alone(&keep(60.0, None), &first);
    let drizzle = Resampling::Drizzle(0.8);
    for settings in [
        keep(25.0, Some(60.0)),
        keep(60.0, None),
        StackSettings { scale: 1.5, ..keep(40.0, Some(60.0)) },
        StackSettings { resampling: drizzle, ..keep(40.0, Some(60.0)) },
        StackSettings { pace: Pace::Patient, ..keep(30.0, Some(60.0)) },
    ] {
        let (stack, aligned) = bench.on(&settings);
        assert_eq!(aligned, 0, "{settings:?}");
        bench.alone(&settings, &stack);
    }
    // It is another stack than one whose frames are aligned for its own keep, and not a worse one.
    let (followed, own) = (bench.on(&keep(25.0, Some(60.0))).0, bench.on(&keep(25.0, None)));
    assert_eq!(own.1, own.0.frames_used);
    assert_ne!(followed.picture, own.0.picture);
    let apart = &followed.picture.planes - &own.0.picture.planes;
    let rms = (apart.iter().map(|d| d * d).sum::<f32>() / apart.len() as f32).sqrt();
    // The ground's waves have 0.06 rms.
    assert!(rms < 0.003, "{rms}");
}

#[test]
fn half_the_keep_is_there_already_and_what_lies_between_takes_the_rest() {
    let bench = Bench::new(PLENTY);
    // Some frames are read once more, for the unrest of the air: all of so short a capture.
    let (whole, read) = bench.read_for(&keep(80.0, None));
    assert_eq!(read, 2 * whole.frames_used);
    let (same, read) = bench.read_for(&keep(80.0, None));
    assert_eq!((read, same.frames_used), (whole.frames_used, whole.frames_used));
    assert!(same.picture == whole.picture && same.halves == whole.halves);
    for (percent, anew) in
        [(40.0, 0.0..0.01), (50.0, 0.1..1.01), (60.0, 0.1..1.01), (30.0, 0.99..1.01)]
    {
        let settings = keep(percent, Some(80.0));
        let (stack, read) = bench.read_for(&settings);
        bench.alone(&settings, &stack);
        // Beside the unrest, the frames that are cut off from the second half, or all where less than the first is kept.
        let share = (read - stack.frames_used) as f32 / stack.frames_used as f32;
        assert!(anew.contains(&share), "{percent}: {share}");
    }
    // At another scale nothing of it serves; nor, after that, at this one.
    let resampling = Resampling::Interpolation;
    let fine = StackSettings { scale: 1.5, resampling, ..keep(40.0, Some(80.0)) };
    for (settings, anew) in [(&fine, true), (&fine, false), (&keep(40.0, Some(80.0)), true)] {
        let (stack, read) = bench.read_for(settings);
        assert_eq!(read > stack.frames_used + bench.night.frame_count() / 8, anew, "{settings:?}");
        bench.alone(settings, &stack);
    }
}

/// Keeps that come to as many frames, whose halves do not.
#[test]
fn parts_of_another_keep_that_rounds_alike_are_not_taken() {
    let bench = Bench::new(PLENTY);
    let usable = bench.survey.usable().len() as f32;
    // In frames a place: 24.8 and 25.4, of which half is 12.4 and 12.7.
    let [less, more] = [24.8, 25.4].map(|frames| 100.0 * frames / usable);
    for settings in [keep(less, None), keep(0.5 * more, Some(more)), keep(more, None)] {
        let stack = bench.on(&settings).0;
        bench.alone(&settings, &stack);
    }
}

#[test]
fn a_larger_keep_aligns_anew_and_the_smaller_one_is_not_forgotten() {
    let bench = Bench::new(PLENTY);
    bench.on(&keep(25.0, None));
    let (wider, aligned) = bench.on(&keep(60.0, None));
    assert_eq!(aligned, wider.frames_used);
    bench.alone(&keep(60.0, None), &wider);
    assert_eq!(bench.on(&keep(25.0, None)).1, 0, "undone");
    assert!(bench.ground.remembers(25.0) && bench.ground.remembers(60.0));
    assert!(!bench.ground.remembers(40.0));
    // Aligned for less than is kept: aligned for what is kept.
    let (same, aligned) = bench.on(&keep(60.0, Some(10.0)));
    assert!(aligned == 0 && same.picture == wider.picture);
}

#[test]
fn the_advised_keep_is_found_once_and_follows_others() {
    let bench = Bench::new(PLENTY);
    let automatic = StackSettings::default();
    let (first, aligned) = bench.on(&automatic);
    assert!(aligned > 0);
    bench.alone(&automatic, &first);
    bench.on(&keep(100.0, None));
    let after = StackSettings { aligned_for: Some(100.0), ..StackSettings::default() };
    let (again, aligned) = bench.on(&after);
    assert_eq!((aligned, &again.advice), (0, &first.advice));
    bench.alone(&after, &again);
}

#[test]
fn little_memory_costs_time_and_no_byte() {
    let plenty = Bench::new(PLENTY);
    let (all, settings) = (plenty.on(&keep(60.0, None)).0, keep(25.0, Some(60.0)));
    let followed = plenty.on(&settings).0;
    for limit_bytes in [0, 3000] {
        let bench = Bench::new(limit_bytes);
        let (first, aligned) = bench.on(&keep(60.0, None));
        assert!(aligned >= first.frames_used);
        let (second, anew) = bench.on(&settings);
        let (known, used) = (usize::from(limit_bytes > 0), second.frames_used);
        assert!(anew + known >= used && anew > used / 2, "{limit_bytes}: {anew} of {used}");
        assert!(first.picture == all.picture && second.picture == followed.picture);
    }
}

#[test]
fn remembered_fields_give_the_same_bytes_with_one_two_and_three_threads() {
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            // So little that some frames are remembered and some are not.
            let bench = Bench::new(5000);
            bench.on(&keep(50.0, None));
            bench.on(&keep(20.0, Some(50.0))).0
        })
    };
    let one = with(1);
    for other in [2, 3].map(with) {
        assert!(one.picture == other.picture && one.halves == other.halves);
        assert!(one.unrest == other.unrest);
    }
}

#[test]
fn a_keep_to_be_aligned_for_that_is_none_is_refused_in_words() {
    let (night, survey) = night();
    for percent in [0.0, -1.0, 100.5, f32::NAN] {
        let error = stack(&night, &survey, &keep(20.0, Some(percent)), &Silent).unwrap_err();
        let StackError::Setting(words) = error else { panic!("{error}") };
        assert!(words.contains("aligned_for is") && words.contains("at most 100"), "{words}");
    }
}
