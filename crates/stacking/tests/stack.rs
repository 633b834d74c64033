//! The stack as a whole, on small captures whose truth is a formula.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod night;

use night::{HEIGHT, Night, Read, WIDTH, displacement, ground};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use stillwright_picture::{Cancelled, Progress, Silent, Stage};
use stillwright_seeing::{EarlyGrade, Survey, SurveySettings, survey, survey_watched};
use stillwright_stacking::finish::{FinishError, FinishSettings, Point, Sharpening, finish};
use stillwright_stacking::halves::Region;
use stillwright_stacking::{
    Keep, Pace, Stack, StackError, StackSettings, groundwork, stack, stack_on,
};

fn made(night: &Night, percent: f32) -> (Survey, Stack) {
    let survey = survey(night, &SurveySettings::default(), &Silent).unwrap();
    let settings = StackSettings { keep: Keep::Percent(percent), ..StackSettings::default() };
    let stack = stack(night, &survey, &settings, &Silent).unwrap();
    (survey, stack)
}

/// Root mean square difference from the ground as the reference frame's grid shows it, px of the
/// border left out, after the best whole shift (by a search on a fine grid).
fn error(stack: &Stack) -> f32 {
    against_ground(stack).0
}

/// That error, and the largest single difference.
fn against_ground(stack: &Stack) -> (f32, f32) {
    let plane = stack.picture.plane(0);
    let mut best = f32::MAX;
    let rms = |dx: f32, dy: f32| {
        let (mut sum, mut n) = (0.0, 0);
        for y in (20..HEIGHT - 20).step_by(2) {
            for x in (20..WIDTH - 20).step_by(2) {
                sum += (plane[[y, x]] - ground(x as f32 + dx, y as f32 + dy)).powi(2);
                n += 1;
            }
        }
        (sum / n as f32).sqrt()
    };
    let (mut at, mut step) = ((0.0f32, 0.0f32), 1.0f32);
    for i in -7..=7 {
        for j in -7..=7 {
            let e = rms(i as f32, j as f32);
            if e < best {
                (best, at) = (e, (i as f32, j as f32));
            }
        }
    }
    while step > 0.01 {
        let mut moved = false;
        for (dx, dy) in [(step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)] {
            let e = rms(at.0 + dx, at.1 + dy);
            if e < best {
                (best, at, moved) = (e, (at.0 + dx, at.1 + dy), true);
            }
        }
        if !moved {
            step *= 0.5;
        }
    }
    let mut worst = 0.0f32;
    for y in 24..HEIGHT - 24 {
        for x in 24..WIDTH - 24 {
            let d = plane[[y, x]] - ground(x as f32 + at.0, y as f32 + at.1);
            worst = worst.max(d.abs());
        }
    }
    (best, worst)
}

#[test]
fn ripple_is_undone_and_noise_sinks() {
    let (_, stack) = made(&Night::default(), 100.0);
    // Contrast of the ground is 0.062 rms, noise of a frame 0.01. Sixty frames bring the noise to
    // 0.0013; what remains is the mean ripple of sixty frames.
    let rms = error(&stack);
    println!("error of the stack: {rms}");
    assert!(rms < 0.009, "{rms}");
    let half: f32 = {
        let (a, b) = (&stack.halves[0].planes, &stack.halves[1].planes);
        let sum: f32 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
        (sum / a.len() as f32).sqrt() / 2.0
    };
    println!("noise from the halves: {half}");
    assert!((0.0006..0.004).contains(&half), "{half}");
}

#[test]
fn the_same_input_gives_the_same_bytes_with_one_two_and_three_threads() {
    let night = Night { frames: 40, ..Night::default() };
    for pace in [Pace::Quick, Pace::Patient] {
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| paced(&night, pace, 1.0))
        };
        let one = with(1);
        for other in [2, 3].map(with) {
            assert!(one.picture == other.picture && one.halves == other.halves, "{pace:?}");
        }
    }
}

fn paced(night: &Night, pace: Pace, scale: f32) -> Stack {
    let survey = survey(night, &SurveySettings::default(), &Silent).unwrap();
    let keep = Keep::Percent(30.0);
    stack(night, &survey, &StackSettings { keep, pace, scale, ..Default::default() }, &Silent)
        .unwrap()
}

#[test]
fn the_patient_way_loses_nothing_and_has_any_scale() {
    let night = Night { frames: 40, ..Night::default() };
    let (quick, patient) = (paced(&night, Pace::Quick, 1.0), paced(&night, Pace::Patient, 1.0));
    // These frames are not blurred: there is nothing to gain, and nothing may be lost.
    assert!(error(&patient) < 1.1 * error(&quick) && patient.picture != quick.picture);
    assert!(patient.frames_used == quick.frames_used && patient.frames_lost.is_empty());
    // At another scale frames are laid on the stack at scale 1.
    let large = paced(&night, Pace::Patient, 1.5);
    assert_eq!(large.picture.width(), WIDTH * 3 / 2);
    let mean = |stack: &Stack| stack.picture.planes.mean().unwrap();
    assert!((mean(&large) - mean(&patient)).abs() < 1e-3);
}

#[test]
fn one_reference_serves_every_keep_and_scale() {
    let night = Night { frames: 40, ..Night::default() };
    let (survey, _) = made(&night, 30.0);
    let ground = groundwork(&night, &survey, &StackSettings::default(), &Silent).unwrap();
    assert!(ground.is_whole());
    for (keep, scale) in [(Keep::Percent(60.0), 1.5), (Keep::Auto, 1.0)] {
        let settings = StackSettings { keep, scale, ..StackSettings::default() };
        let alone = stack(&night, &survey, &settings, &Silent).unwrap();
        let on = stack_on(&ground, &night, &survey, &settings, &Silent, None).unwrap();
        assert!(alone.picture == on.picture && alone.halves == on.halves, "{keep:?} {scale}");
    }
    // One that was made while a frame could not be read says so.
    let sharp = |f: &usize| survey.frames[*f].grade.0;
    let best = survey.usable().into_iter().max_by(|a, b| sharp(a).total_cmp(&sharp(b)));
    let broken = Night { frames: 40, broken: best, ..Night::default() };
    let ground = groundwork(&broken, &survey, &StackSettings::default(), &Silent).unwrap();
    assert!(!ground.is_whole());
}

#[test]
fn what_one_frame_alone_shows_is_left_out() {
    let clean = made(&Night::default(), 10.0).1;
    let night = Night { satellite: Some(30), stuck: Some((80, 64)), ..Night::default() };
    let (survey, marred) = made(&night, 10.0);
    assert_eq!(survey.hot_pixels.samples, [64 * WIDTH + 80]);
    assert!(marred.samples_refused > 100, "{}", marred.samples_refused);
    // Six frames a place: without rejection the trail stands 0.5 / 6 = 0.083 above the ground,
    // more than any detail.
    let settings =
        StackSettings { keep: Keep::Percent(10.0), reject_outliers: false, ..Default::default() };
    let trailed = stack(&night, &survey, &settings, &Silent).unwrap();
    let [clean, marred, trailed] = [clean, marred, trailed].map(|s| against_ground(&s).1);
    println!("largest difference: {clean} clean, {marred} with, {trailed} without rejection");
    assert!(trailed > clean + 0.04);
    assert!(marred - clean < 0.12 * (trailed - clean));
}

#[test]
fn blank_and_unreadable_frames_cost_nothing_else() {
    let night = Night { blank: Some(12), broken: Some(33), ..Night::default() };
    let (survey, stack) = made(&night, 50.0);
    let left_out: Vec<usize> =
        survey.frames.iter().filter(|f| f.rejected.is_some()).map(|f| f.index).collect();
    assert_eq!(left_out, [12, 33]);
    assert!(error(&stack) < 0.012);
}

#[test]
fn shifts_are_told_from_the_reference_frame() {
    let night = Night::default();
    let survey = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    let home = displacement(survey.reference_index, 80.0, 64.0);
    let at_home = survey.frames[survey.reference_index].shift;
    assert!(at_home.length_px() < 1e-3, "{at_home:?}");
    let (mut sum, mut n) = (0.0, 0.0);
    for frame in &survey.frames {
        // The ripple's mean over the frame is not zero: compare with the mean displacement.
        let (mut dx, mut dy, mut k) = (0.0, 0.0, 0.0);
        for y in (8..HEIGHT).step_by(16) {
            for x in (8..WIDTH).step_by(16) {
                let (u, v) = displacement(frame.index, x as f32, y as f32);
                let (p, q) = displacement(survey.reference_index, x as f32, y as f32);
                (dx, dy, k) = (dx + u - p, dy + v - q, k + 1.0);
            }
        }
        sum += (frame.shift.x_px - dx / k).powi(2) + (frame.shift.y_px - dy / k).powi(2);
        n += 1.0;
    }
    let rms = (sum / n).sqrt();
    println!("whole-frame shifts: {rms} px rms, reference at {home:?}");
    assert!(rms < 0.7, "{rms}");
}

#[test]
fn scales_enlarge_the_grid_and_keep_the_light() {
    let night = Night { frames: 30, ..Night::default() };
    let survey = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    for scale in [0.5, 1.5, 2.0] {
        let settings =
            StackSettings { keep: Keep::Percent(50.0), scale, ..StackSettings::default() };
        let stack = stack(&night, &survey, &settings, &Silent).unwrap();
        let expected = (WIDTH as f32 * scale) as usize;
        assert_eq!(stack.picture.width(), expected);
        let mean = stack.picture.planes.mean().unwrap();
        assert!((mean - 0.45).abs() < 0.01, "{mean}");
    }
}

#[test]
fn settings_out_of_range_are_refused_with_words() {
    let night = Night { frames: 10, ..Night::default() };
    let survey = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    for (keep, scale) in [(0.0, 1.0), (101.0, 1.0), (f32::NAN, 1.0), (20.0, 9.0), (20.0, f32::NAN)]
    {
        let settings = StackSettings { keep: Keep::Percent(keep), scale, ..Default::default() };
        let result = stack(&night, &survey, &settings, &Silent);
        assert!(matches!(result, Err(StackError::Setting(_))), "{keep} {scale}");
    }
}

/// Stops after a number of steps.
struct Stopping(AtomicUsize);

impl Progress for Stopping {
    fn advance(&self, _: Stage, _: usize, _: usize) -> Result<(), Cancelled> {
        match self.0.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |n| n.checked_sub(1)) {
            Ok(_) => Ok(()),
            Err(_) => Err(Cancelled),
        }
    }
}

#[test]
fn cancelling_is_heeded_at_every_step() {
    let night = Night { frames: 40, ..Night::default() };
    let whole = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    for steps in [0, 1, 3] {
        let stop = Stopping(AtomicUsize::new(steps));
        assert!(survey(&night, &SurveySettings::default(), &stop).is_err());
        let settings = StackSettings { keep: Keep::Auto, ..StackSettings::default() };
        let stop = Stopping(AtomicUsize::new(steps));
        let result = stack(&night, &whole, &settings, &stop);
        assert!(matches!(result, Err(StackError::Cancelled(_))), "{steps}");
    }
}

#[test]
fn grades_are_handed_out_as_they_come_and_change_nothing() {
    let night = Night { broken: Some(33), ..Night::default() };
    let settings = SurveySettings::default();
    let plain = survey(&night, &settings, &Silent).unwrap();
    let early = Mutex::new(Vec::new());
    let watcher = |batch: &[EarlyGrade]| early.lock().unwrap().extend_from_slice(batch);
    let watched = survey_watched(&night, &settings, &Silent, Some(&watcher)).unwrap();
    assert_eq!(plain.frames, watched.frames);
    let bits = |s: &Survey| s.cell_grades.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&plain), bits(&watched));
    assert_eq!(plain.geometry.values, watched.geometry.values);
    let early = early.into_inner().unwrap();
    assert_eq!(early.iter().map(|e| e.index).collect::<Vec<_>>(), (0..60).collect::<Vec<_>>());
    assert!(early.iter().all(|e| e.unreadable == (e.index == 33)));
    // The order that they promise is the one that comes out.
    let usable = |i: &usize| *i != 33;
    let order = |grade: &dyn Fn(usize) -> f32| {
        let mut order: Vec<usize> = (0..60).filter(usable).collect();
        order.sort_by(|a, b| grade(*b).total_cmp(&grade(*a)));
        order
    };
    let promised = order(&|i| early[i].grade.0);
    let found = order(&|i| watched.frames[i].grade.0);
    let best = promised[..10].iter().filter(|i| found[..12].contains(i)).count();
    assert!(best >= 9, "{promised:?} {found:?}");
}

/// Counts how often it is asked, and says no from a certain question on.
struct Asked {
    times: AtomicUsize,
    no_from: usize,
}

impl Asked {
    fn until(no_from: usize) -> Asked {
        Asked { times: AtomicUsize::new(0), no_from }
    }
}

impl Progress for Asked {
    fn advance(&self, _: Stage, _: usize, _: usize) -> Result<(), Cancelled> {
        self.check()
    }

    fn check(&self) -> Result<(), Cancelled> {
        let before = self.times.fetch_add(1, Ordering::SeqCst);
        if before >= self.no_from { Err(Cancelled) } else { Ok(()) }
    }
}

/// How much is done after a stop is asked for: counted, for time depends on the machine.
#[test]
fn stacking_stops_within_a_row_of_cells_of_a_frame() {
    let night = Night { frames: 40, ..Night::default() };
    let whole = survey(&night, &SurveySettings::default(), &Silent).unwrap();
    let settings = StackSettings { keep: Keep::Percent(50.0), ..StackSettings::default() };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build().unwrap();
    let run = |no_from: usize| {
        let (asked, frames) = (Asked::until(no_from), Read(&night, AtomicUsize::new(0)));
        let result = pool.install(|| stack(&frames, &whole, &settings, &asked));
        (result, asked.times.into_inner(), frames.1.into_inner())
    };
    let (stacked, all, reads) = run(usize::MAX);
    let stacked = stacked.unwrap();
    // A frame is asked for in every row of cells (16 px) of each of three rounds, and in every strip.
    let aligned = 2 * 12 + stacked.frames_used;
    assert!(all > aligned * (3 * HEIGHT / 16 + HEIGHT / 32), "{all} for {aligned} frames");
    assert!(reads > aligned);
    for percent in [2, 10, 30, 50, 70, 90, 99] {
        let no_from = all * percent / 100;
        let (result, times, _) = run(no_from);
        assert!(matches!(result, Err(StackError::Cancelled(_))), "at {percent} %");
        // What is still asked: a strip each, or what the other thread was at; nothing begins anew.
        let late = times - no_from;
        assert!(late <= HEIGHT / 32 + 4, "{late} questions after the stop, at {percent} %");
    }
    // No frame is read any more once it is to stop in the midst of aligning.
    let (_, _, before) = run(all / 2);
    assert!(before < reads);
}

#[test]
fn finishing_stops_wherever_it_is() {
    let (_, stacked) = made(&Night::default(), 30.0);
    let run = |no_from: usize| {
        let asked = Asked::until(no_from);
        let result = finish(&stacked, &FinishSettings::default(), &asked);
        (result, asked.times.into_inner())
    };
    let (finished, all) = run(usize::MAX);
    finished.unwrap();
    // Every row and column of the transforms asks.
    assert!(all > 4 * (HEIGHT + WIDTH / 2), "{all}");
    for percent in [1, 10, 40, 70, 95] {
        let (result, _) = run(all * percent / 100);
        assert!(matches!(result, Err(FinishError::Cancelled(_))), "at {percent} %");
    }
}

/// A night whose mount drifts bares the rims; they have no say in the tone.
#[test]
fn rims_that_few_frames_show_are_known() {
    let night = Night { frames: 40, ..Night::default() };
    let (_, stacked) = made(&night, 50.0);
    let covered = stacked.covered;
    // Against a reference at one end of its wander the ground lies up to 8 px to one side and 6 px up or
    // down; ripple adds 1.5 px and resampling 2.
    let right = WIDTH - covered.left - covered.width;
    let bottom = HEIGHT - covered.top - covered.height;
    assert!(covered.left.max(right) <= 11 && covered.top.max(bottom) <= 9, "{covered:?}");
    assert!(covered.left.max(right) > 2, "the rims are seen: {covered:?}");
    let mut rimmed = stacked.clone();
    rimmed.covered = Region { left: 8, top: 8, width: WIDTH - 16, height: HEIGHT - 16 };
    rimmed.picture.planes.slice_mut(ndarray::s![.., .., ..3]).fill(-0.5);
    let settings = FinishSettings { sharpening: Sharpening::None, ..FinishSettings::default() };
    let tone = |s: &Stack| finish(s, &settings, &Silent).unwrap().used.tone;
    let level = |point| if let Point::Level(level) = point { level } else { f32::NAN };
    assert!(level(tone(&rimmed).black) > 0.0, "the rims are left out");
    rimmed.covered = Region { left: 0, top: 0, width: WIDTH, height: HEIGHT };
    assert!(level(tone(&rimmed).black) < -0.4, "and would have ruled");
}
