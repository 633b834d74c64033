//! Stills against the truth: on captures of which the true picture is known, the stack and the
//! finished still must be closer to it than the best single frame, the plain aligned mean of all
//! usable frames, and the aligned mean of the best 20 % of whole frames.
//!
//! Closeness is what the judge of `stillwright_night::judge` measures: the error that is left
//! after the best shift, offset, gain, and isotropic filter per ring of spatial frequency, up to
//! the optical cut-off; once with smooth bends set aside, and once with them. That says nothing about how sharp the still itself is; so the finished still
//! must also be closer *as it is*, with place, gain and offset fitted only, than the stack and
//! the best single frame. The captures stand in a folder beside the repository and are made by
//! a simulation that is not the project's; where the folder is missing these tests say so and
//! check nothing. The table: `cargo test --test truth -- --nocapture`.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "truth/baseline.rs"]
mod baseline;
#[path = "truth/files.rs"]
mod files;

use baseline::{Mean, error_as_it_is, raw_plane, single};
use files::{Known, fits_planes, tiff_planes};
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::sync::OnceLock;
use stillwright_night::Recipe;
use stillwright_night::atomic::Existing;
use stillwright_night::capture::Overrides;
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::judge::{JudgeSettings, held, straight_error};
use stillwright_night::picture::{Grade, Layout, Plane, RawFrame, Shift, Silent};
use stillwright_night::seeing::{FrameReport, Survey};
use stillwright_night::stacking::{Keep, Pace};
use stillwright_night::still::make_still;

const NAMES: [&str; 3] = ["ridge-mono8", "scarp-mono12", "disc-rggb8"];
const KEEP_PERCENT: f32 = 20.0;

/// Left out along the edge, px: frames wander by up to 13 px, and what few of them cover is no
/// measure of any method.
const BORDER_PX: usize = 24;

/// How many of the sharpest frames are judged; the best verdict is the best single frame's.
const CANDIDATES: usize = 24;

/// A capture, its truth, and the still that was made of it.
struct Job {
    known: Known,
    survey: Survey,
    layout: Layout,
    frames: Vec<Plane>,
    stack: Vec<Plane>,
    still: Vec<Plane>,
}

/// Make the stills once, for all tests.
fn jobs() -> &'static [Job] {
    static JOBS: OnceLock<Vec<Job>> = OnceLock::new();
    JOBS.get_or_init(|| match files::folder() {
        Some(folder) => NAMES.iter().map(|name| work(Known::load(&folder, name))).collect(),
        None => {
            println!("skipped: there is no folder ../shared/captures beside the repository");
            Vec::new()
        }
    })
}

fn work(known: Known) -> Job {
    let out = tempfile::tempdir().unwrap();
    let files = StillFiles::plan(&known.capture, Some(out.path()), &[], Existing::Keep);
    let mut recipe = Recipe::default();
    recipe.stack.keep = Keep::Percent(KEEP_PERCENT);
    let done = make_still(&files, &recipe, &Silent).unwrap();
    let stack = fits_planes(&files.stack);
    for (channel, plane) in stack.iter().enumerate() {
        assert_eq!(plane, done.stack.picture.plane(channel), "the file holds another stack");
    }

    let capture = open_capture(&known.capture, &Overrides::default()).unwrap();
    let frames = (0..capture.frame_count())
        .map(|index| {
            let mut frame = RawFrame::black(capture.format());
            capture.read_frame(index, &mut frame).unwrap();
            done.survey.hot_pixels.mend(&mut frame);
            raw_plane(&frame)
        })
        .collect();
    let layout = capture.format().layout;
    let still = tiff_planes(&files.still);
    Job { known, survey: done.survey, layout, frames, stack, still }
}

impl Job {
    /// Usable frames, the sharpest first.
    fn sharpest_first(&self) -> Vec<&FrameReport> {
        let mut usable: Vec<_> =
            self.survey.frames.iter().filter(|f| f.rejected.is_none()).collect();
        usable.sort_by(|a, b| Grade::sharpest_first(a.grade, b.grade));
        usable
    }

    fn settings(&self, channel: usize, index: usize) -> JudgeSettings {
        JudgeSettings {
            border_px: BORDER_PX,
            near: Some(self.known.frame_in_truth(index)),
            reach_px: 6.0,
            ..JudgeSettings::new(self.known.cutoffs[channel])
        }
    }

    /// Errors of `test`, which has the pixel grid of frame `index`, in `channel`.
    fn errors(&self, test: &Plane, channel: usize, index: usize) -> Errors {
        let truth = &self.known.truth[channel];
        let held = held(truth.view(), test.view(), &self.settings(channel, index)).unwrap();
        let place = (held.judged.x_px, held.judged.y_px);
        Errors {
            straight: held.rings.error,
            bend_px: held.distortion_px,
            bent: held.judged.error,
            as_it_is: error_as_it_is(truth, test, place, BORDER_PX),
        }
    }

    /// The best of the sharpest frames.
    fn best_frame(&self, sharpest: &[&FrameReport], channel: usize) -> Errors {
        let light = |index: usize| single(&self.frames[index], self.layout, channel);
        let truth = &self.known.truth[channel];
        let error = |frame: &&FrameReport| {
            let settings = self.settings(channel, frame.index);
            let light = light(frame.index);
            let judged = straight_error(truth.view(), light.view(), &settings).unwrap();
            (judged.error, frame.index)
        };
        let best = sharpest.par_iter().take(CANDIDATES).map(error);
        let (_, index) = best.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
        self.errors(&light(index), channel, index)
    }

    /// Plain mean of `frames`, moved as a whole.
    fn mean(&self, frames: &[&FrameReport], channel: usize) -> Plane {
        let (height, width) = self.frames[0].dim();
        let mut mean = Mean::new(height, width);
        for frame in frames {
            mean.add(&self.frames[frame.index], self.layout, channel, frame.shift);
        }
        mean.finish(BORDER_PX)
    }

    fn row(&self, channel: usize) -> Row {
        let sharpest = self.sharpest_first();
        let best = (sharpest.len() as f32 * KEEP_PERCENT / 100.0).ceil() as usize;
        let reference = self.survey.reference_index;
        let of = |picture: &Plane| self.errors(picture, channel, reference);
        Row {
            frame: self.best_frame(&sharpest, channel),
            all: of(&self.mean(&sharpest, channel)),
            best: of(&self.mean(&sharpest[..best], channel)),
            stack: of(&self.stack[channel]),
            still: of(&self.still[channel]),
        }
    }
}

/// 0 (the truth itself) to 1 (knows nothing).
#[derive(Clone, Copy)]
struct Errors {
    /// After the best isotropic filter, smooth bends set aside: what sharpening cannot mend.
    straight: f64,
    /// Those bends, px rms.
    bend_px: f64,
    /// After the best isotropic filter, bends and all.
    bent: f64,
    /// After the best gain and offset only.
    as_it_is: f64,
}

struct Row {
    frame: Errors,
    all: Errors,
    best: Errors,
    stack: Errors,
    still: Errors,
}

#[test]
fn the_still_is_closer_to_the_truth_than_any_plain_method() {
    println!("error against the truth (0: the truth, 1: knows nothing), after the best filter");
    println!("smooth bends set aside (how large they are, px rms); with them; and as it is");
    let mut worse = Vec::new();
    for job in jobs() {
        let names: &[&str] = if job.known.truth.len() == 3 { &["R", "G", "B"] } else { &["L"] };
        let rows: Vec<Row> = (0..names.len()).into_par_iter().map(|c| job.row(c)).collect();
        for (channel, Row { frame, all, best, stack, still }) in names.iter().zip(rows) {
            let name = job.known.name;
            let all_of = [
                ("best frame", frame),
                ("mean of all", all),
                ("best 20 %", best),
                ("stack", stack),
                ("still", still),
            ];
            for (what, Errors { straight, bend_px, bent, as_it_is }) in all_of {
                println!(
                    "{name:<13} {channel} {what:<12} {straight:.4} ({bend_px:.2})  {bent:.4}  {as_it_is:.4}"
                );
            }
            let mut must_be_less = |ours: &str, own: f64, method: &str, error: f64| {
                if own >= error {
                    worse.push(format!("{name} {channel}: {ours} {own:.4}, {method} {error:.4}"));
                }
            };
            for (method, errors) in
                [("best frame", frame), ("mean of all", all), ("best 20 %", best)]
            {
                must_be_less("stack", stack.straight, method, errors.straight);
                must_be_less("still", still.straight, method, errors.straight);
                must_be_less("stack, bent", stack.bent, method, errors.bent);
                must_be_less("still, bent", still.bent, method, errors.bent);
            }
            for (method, errors) in [("best frame", frame), ("stack", stack)] {
                must_be_less("still as it is", still.as_it_is, method, errors.as_it_is);
            }
        }
    }
    assert!(worse.is_empty(), "\n{}", worse.join("\n"));
}

/// Laying frames on the stack itself must not let its bends grow: true positions are known as well as the mean of all frames knows them.
#[test]
fn the_patient_way_keeps_the_stack_as_straight_as_the_capture_knows() {
    for job in jobs() {
        let out = tempfile::tempdir().unwrap();
        let files = StillFiles::plan(&job.known.capture, Some(out.path()), &[], Existing::Keep);
        let mut recipe = Recipe::default();
        (recipe.stack.keep, recipe.stack.pace) = (Keep::Percent(KEEP_PERCENT), Pace::Patient);
        let done = make_still(&files, &recipe, &Silent).unwrap();
        for channel in 0..job.known.truth.len() {
            let reference = job.survey.reference_index;
            let mean = job.errors(&job.mean(&job.sharpest_first(), channel), channel, reference);
            let own = done.stack.picture.plane(channel).to_owned();
            let own = job.errors(&own, channel, reference);
            let (name, own, mean) = (job.known.name, own.bend_px, mean.bend_px);
            println!(
                "{name} {channel}: patient stack bent by {own:.3} px rms, mean of all by {mean:.3}"
            );
            // Measured 0.92 to 1.01 times the mean's; on stacks as they are, a disc's is 1.4 times as much.
            assert!(own < 1.1 * mean, "{name} {channel}: {own} px rms, mean of all frames {mean}");
        }
    }
}

/// How deep the blur is, is told by what the kept frames differ by; of few frames that was one draw of the air or two, and a keep of 33 % came out with
/// 1.27 times the best filter's error where 22 % had 1.02. From 70 % on the disc had up to 1.4 times it, while a soft limb near the border hid that it is one.
#[test]
fn untouched_stills_come_near_the_best_filter_at_every_keep() {
    let keeps = [10.0, 15.0, 20.0, 25.0, 33.0, 50.0, 100.0].map(Keep::Percent);
    for job in jobs() {
        let (name, reference) = (job.known.name, job.survey.reference_index);
        let judged = |channel: usize, plane: &Plane| {
            let (truth, settings) = (&job.known.truth[channel], job.settings(channel, reference));
            straight_error(truth.view(), plane.view(), &settings).unwrap()
        };
        for keep in keeps.into_iter().chain([Keep::Auto]) {
            let out = tempfile::tempdir().unwrap();
            let files = StillFiles::plan(&job.known.capture, Some(out.path()), &[], Existing::Keep);
            let mut recipe = Recipe::default();
            recipe.stack.keep = keep;
            let done = make_still(&files, &recipe, &Silent).unwrap();
            let still = tiff_planes(&files.still);
            assert_eq!(still.len(), job.known.truth.len(), "{name} {keep:?}");
            for (channel, still) in still.iter().enumerate() {
                let stack = done.stack.picture.plane(channel).to_owned();
                let best = judged(channel, &stack).error;
                let own = judged(channel, still).error_as_it_is;
                let told = format!(
                    "{name} {keep:?} channel {channel}: still {own:.4}, best filter {best:.4}"
                );
                println!("{told}: {:.3}", own / best);
                assert!(own < 1.15 * best, "{told}");
            }
        }
    }
}

#[test]
fn blank_frames_take_no_part() {
    for job in jobs() {
        let rejected: BTreeSet<u64> = job
            .survey
            .frames
            .iter()
            .filter(|frame| frame.rejected.is_some())
            .map(|frame| frame.index as u64)
            .collect();
        for blank in &job.known.blank_frames {
            assert!(rejected.contains(blank), "{}: frame {blank} is blank", job.known.name);
        }
        println!("{}: left out {rejected:?}", job.known.name);
    }
}

/// The truth tells the shift of the telescope; a frame also shows the ripple of the air, whose
/// mean over the field is not zero. What is left over is that mean, about a pixel.
#[test]
fn whole_frame_shifts_are_true() {
    for job in jobs() {
        let home = job.known.shifts[job.survey.reference_index];
        let usable = || job.survey.frames.iter().filter(|frame| frame.rejected.is_none());
        let off = |axis: fn(&Shift, (f64, f64)) -> f64| {
            let mut off: Vec<f64> = usable()
                .map(|frame| {
                    let (x, y) = job.known.shifts[frame.index];
                    axis(&frame.shift, (x - home.0, y - home.1))
                })
                .collect();
            off.sort_by(f64::total_cmp);
            let median = off[off.len() / 2];
            (off.iter().map(|v| (v - median).powi(2)).sum::<f64>() / off.len() as f64).sqrt()
        };
        let x = off(|found, (x, _)| f64::from(found.x_px) - x);
        let y = off(|found, (_, y)| f64::from(found.y_px) - y);
        println!("{}: shifts off by {x:.2}, {y:.2} px rms (x, y)", job.known.name);
        assert!(x < 1.5 && y < 1.5, "{}: {x:.2}, {y:.2} px rms", job.known.name);
    }
}
