//! How near stacks and stills come to the truth, method by method, on simulated captures of
//! several nights: `cargo bench --bench fidelity`.
//!
//! Each picture is held against the truth twice over. *Straightened*: a smooth field carries the
//! truth onto the picture first, where that helps, so that what counts is what the picture does not know; the
//! field itself is told as *distortion*. *As it is*: place, gain and offset fitted only, so that
//! blur counts; this is for finished stills, beside the best filter that the truth can choose for
//! the same stack.
//!
//! The alignment oracle undoes the true warp of the frames and averages the best fifth of them, by
//! their true Strehl ratio. The bound undoes the true warp of all frames and weighs each place and spatial
//! frequency of each by its true transfer. `cargo bench --bench fidelity -- NAME` runs the nights whose name
//! holds NAME, `further` some more than without a name; with `--bars` it prints what a still must keep to, each beside its bound (`bars.rs`), instead of the methods.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "fidelity/bars.rs"]
mod bars;
#[path = "../tests/truth/baseline.rs"]
#[allow(dead_code)]
mod baseline;
#[path = "fidelity/bound.rs"]
mod bound;
#[path = "fidelity/empty.rs"]
mod empty;
#[path = "fidelity/oracle.rs"]
mod oracle;

use baseline::{Mean, raw_plane, single};
use rayon::prelude::*;
use stillwright_night::judge::{Held, JudgeSettings, Judged, held, straight_error};
use stillwright_night::picture::{Grade, Layout, Picture, Plane, Silent};
use stillwright_night::sample::{SampleCapture, SampleSettings, annular_mtf, simulate};
use stillwright_night::seeing::{FrameReport, SurveySettings, survey};
use stillwright_night::stacking::finish::{FinishSettings, Finished, Optics, finish};
use stillwright_night::stacking::{Keep, Pace, Stack, StackSettings, stack, warp_fields};

/// Left out along the edge, px.
const BORDER_PX: usize = 24;

fn main() {
    // Cargo passes `--bench`; what does not begin with a dash chooses nights.
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let any_wanted = !wanted.is_empty();
    let wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|part| name.contains(part));
    let nights = nights().into_iter().chain(further().into_iter().filter(|_| any_wanted));
    let chosen = nights.filter(|(name, _)| wanted(name));
    if std::env::args().any(|argument| argument == "--bars") {
        chosen.for_each(|(name, settings)| Night::new(&settings).tell_bars(name));
        bars::tell_empty(wanted);
        return;
    }
    println!(
        "straightened error (distortion, px rms); bits: information, per cent of the oracle's; detail: periods \
         in px at which the correlation with the truth falls below 0.5, and what the halves claim"
    );
    for (name, settings) in chosen {
        Night::new(&settings).tell(name);
    }
}

fn ground(seed: u64, d_over_r0: f64, electrons: f64, bits: u32) -> SampleSettings {
    let mut night = SampleSettings::demo(seed);
    night.air.d_over_r0 = d_over_r0;
    night.camera.electrons_at_white = electrons;
    night.camera.bit_depth = bits;
    night
}

/// The same through a colour camera.
fn mosaic(mut night: SampleSettings) -> SampleSettings {
    night.camera.layout = SampleSettings::disc(1).camera.layout;
    night
}

/// Nights that are run when they are asked for: other seeds, roughest air, other planets.
fn further() -> Vec<(&'static str, SampleSettings)> {
    let disc = |seed: u64, d_over_r0: f64, layout: Layout| {
        let mut night = SampleSettings::disc(seed);
        night.air.d_over_r0 = d_over_r0;
        night.camera.layout = layout;
        night
    };
    let bayer = SampleSettings::disc(1).camera.layout;
    vec![
        ("further-ground-2", ground(51, 2.0, 6000.0, 8)),
        ("further-ground-3", ground(31, 3.0, 6000.0, 8)),
        ("further-ground-3.5-bayer", mosaic(ground(53, 3.5, 6000.0, 8))),
        ("further-ground-4", ground(52, 4.0, 6000.0, 8)),
        ("further-ground-6", ground(32, 6.0, 9000.0, 12)),
        ("further-ground-6.5-noisy", ground(33, 6.5, 800.0, 8)),
        ("further-ground-6.5-bayer", mosaic(ground(54, 6.5, 6000.0, 8))),
        ("further-ground-7", ground(34, 7.0, 9000.0, 12)),
        ("further-ground-8", ground(35, 8.0, 9000.0, 12)),
        ("further-disc-2-mono", disc(46, 2.0, Layout::Mono)),
        ("further-disc-2.5", disc(36, 2.5, bayer)),
        ("further-disc-3", disc(41, 3.0, bayer)),
        ("further-disc-3.5-mono", disc(42, 3.5, Layout::Mono)),
        ("further-disc-4-mono", disc(37, 4.0, Layout::Mono)),
        ("further-disc-4.5-mono", disc(43, 4.5, Layout::Mono)),
        ("further-disc-5", disc(44, 5.0, bayer)),
        ("further-disc-5-mono", disc(47, 5.0, Layout::Mono)),
        ("further-disc-6", disc(45, 6.0, bayer)),
        ("further-disc-6-mono", disc(38, 6.0, Layout::Mono)),
    ]
}

/// The nights: three seeings, little and much noise, a planet in colour.
fn nights() -> Vec<(&'static str, SampleSettings)> {
    vec![
        ("ground-calm", ground(11, 2.5, 6000.0, 8)),
        ("ground-fair", ground(12, 4.5, 9000.0, 12)),
        ("ground-noisy", ground(13, 5.0, 800.0, 8)),
        ("ground-rough", ground(14, 8.0, 9000.0, 12)),
        ("ground-bayer", mosaic(ground(15, 5.0, 6000.0, 8))),
        ("disc-bayer", SampleSettings::disc(16)),
    ]
}

/// A simulated night with its frames in one channel, the truth, and what the survey found.
struct Night {
    capture: SampleCapture,
    simulation: stillwright_night::sample::Simulation,
    survey: stillwright_night::seeing::Survey,
    channel: usize,
    frames: Vec<Plane>,
    layout: Layout,
    cutoff: f64,
}

impl Night {
    fn new(settings: &SampleSettings) -> Night {
        let capture = SampleCapture::prepare(settings).unwrap();
        let simulation = simulate(settings, &Silent).unwrap();
        let survey = survey(&simulation, &SurveySettings::default(), &Silent).unwrap();
        let layout = simulation.format.layout;
        let channel = usize::from(layout != Layout::Mono);
        let frames: Vec<Plane> = simulation.frames.par_iter().map(raw_plane).collect();
        let cutoff = simulation.truth.cutoff_cycles_per_px[channel];
        Night { capture, simulation, survey, channel, frames, layout, cutoff }
    }

    /// Where the scene lies in frame `index`.
    fn shift(&self, index: usize) -> (f64, f64) {
        let shift = self.simulation.truth.frames[index].shift;
        (f64::from(shift.x_px), f64::from(shift.y_px))
    }

    /// Hold `test`, which has the grid of frame `index`, against the truth.
    fn held(&self, test: &Plane, index: usize) -> Held {
        let truth = self.simulation.picture.plane(self.channel);
        held(truth, test.view(), &self.settings(index)).unwrap()
    }

    /// The verdict on `test`, which has the grid of the reference, without straightening.
    fn judged(&self, test: &Plane, channel: usize) -> Judged {
        let truth = &self.simulation.picture;
        let settings = JudgeSettings {
            cutoff_cycles_per_px: self.simulation.truth.cutoff_cycles_per_px[channel],
            ..self.settings(self.survey.reference_index)
        };
        straight_error(truth.plane(channel), test.view(), &settings).unwrap()
    }

    fn settings(&self, index: usize) -> JudgeSettings {
        let (x, y) = self.shift(index);
        let margin = self.simulation.truth.margin_px as f64;
        JudgeSettings {
            border_px: BORDER_PX,
            near: Some((margin - x, margin - y)),
            reach_px: 6.0,
            ..JudgeSettings::new(self.cutoff)
        }
    }

    fn mean(&self, frames: &[&FrameReport]) -> Plane {
        let (height, width) = self.frames[0].dim();
        let mut mean = Mean::new(height, width);
        for frame in frames {
            mean.add(&self.frames[frame.index], self.layout, self.channel, frame.shift);
        }
        mean.finish(BORDER_PX)
    }

    /// The alignment oracle: the best fifth of whole frames by their true Strehl ratio.
    fn oracle(&self) -> Plane {
        let mut order: Vec<usize> = (0..self.frames.len()).collect();
        let strehl = |index: &usize| self.simulation.truth.frames[*index].mean_strehl;
        order.sort_by(|a, b| strehl(b).total_cmp(&strehl(a)));
        order.truncate(self.frames.len().div_ceil(5));
        let (x, y) = self.shift(self.survey.reference_index);
        // Dispersion carries the channel as a whole; the mean over all frames does not need it.
        let sums: Vec<Plane> = order
            .par_iter()
            .map(|&index| {
                let light = single(&self.frames[index], self.layout, self.channel);
                let warp = self.capture.true_warp(index).unwrap();
                oracle::undone(&light, &warp, (-x as f32, -y as f32))
            })
            .collect();
        let mut sum = Plane::zeros(self.frames[0].dim());
        sums.iter().for_each(|plane| sum += plane);
        sum / order.len() as f32
    }

    /// The bound: every frame, its warp undone, each place and frequency weighted by its true transfer.
    fn bound(&self) -> Plane {
        let light: Vec<Plane> =
            self.frames.par_iter().map(|f| single(f, self.layout, self.channel)).collect();
        let (x, y) = self.shift(self.survey.reference_index);
        let obstruction = self.simulation.truth.settings.telescope.obstruction;
        let known = bound::Known {
            capture: &self.capture,
            channel: self.channel,
            origin: (-x as f32, -y as f32),
            telescope: &|f| annular_mtf(f64::from(f) / self.cutoff, obstruction) as f32,
            truth: &self.simulation.picture.plane(self.channel).to_owned(),
            noise_variance: self.survey.noise.variance(self.survey.median_brightness),
        };
        bound::bound(&light, &known)
    }

    fn tell(&self, name: &str) {
        let reference = self.survey.reference_index;
        let mut usable: Vec<&FrameReport> =
            self.survey.frames.iter().filter(|f| f.rejected.is_none()).collect();
        usable.sort_by(|a, b| Grade::sharpest_first(a.grade, b.grade));
        let oracle = self.held(&self.oracle(), reference);
        let bits =
            |held: &Held| 100.0 * held.rings.information_bits() / oracle.rings.information_bits();
        let line = |what: &str, held: &Held, claimed: &str| {
            let detail = held.rings.falls_below(0.5).map_or(2.0, |f| 1.0 / f);
            println!(
                "{name:<13} {what:<22} {:.4} ({:.2})  bits {:5.1} %  detail {detail:.2} {claimed}",
                held.rings.error,
                held.distortion_px,
                bits(held)
            );
        };
        let best = usable
            .par_iter()
            .take(12)
            .map(|f| self.held(&single(&self.frames[f.index], self.layout, self.channel), f.index))
            .min_by(|a, b| a.rings.error.total_cmp(&b.rings.error))
            .unwrap();
        line("best single frame", &best, "");
        line("mean of all", &self.held(&self.mean(&usable), reference), "");
        let fifth = usable.len().div_ceil(5);
        line("best 20 %, whole frames", &self.held(&self.mean(&usable[..fifth]), reference), "");
        line("alignment oracle", &oracle, "");
        line("bound", &self.held(&self.bound(), reference), "");
        let (plain, structured) = self.jitter(&usable[..fifth]);
        println!(
            "{name:<13}   jitter of the best fifth: {plain:.3} px rms, where there is structure {structured:.3}"
        );
        let quick = [10.0, 20.0, 50.0, 100.0].map(|percent| (Keep::Percent(percent), Pace::Quick));
        let patient = [Keep::Percent(20.0), Keep::Auto].map(|keep| (keep, Pace::Patient));
        let rest = [(Keep::Auto, Pace::Quick)].into_iter().chain(patient);
        for (keep, pace) in quick.into_iter().chain(rest) {
            let settings = StackSettings { keep, pace, ..StackSettings::default() };
            let stacked = stack(&self.simulation, &self.survey, &settings, &Silent).unwrap();
            let plane = stacked.picture.plane(self.channel).to_owned();
            let held = self.held(&plane, reference);
            let done = finish(&stacked, &FinishSettings::default(), &Silent).unwrap();
            let light = done.measured.light.as_ref();
            let claimed = light
                .and_then(|m| m.correlation.at_one_seventh)
                .map_or(String::new(), |r| format!("(claimed {:.2})", r.detail_px));
            let way = if pace == Pace::Patient { "patient" } else { "stack" };
            let said = if keep == Keep::Auto { "advised" } else { "keep" };
            let what = format!("{way}, {said} {:.0} %", stacked.keep_percent);
            line(&what, &held, &claimed);
            if let Some(advice) = &stacked.advice {
                let rungs: Vec<String> = advice
                    .ladder
                    .iter()
                    .map(|r| format!("{:.0} %: {:.0}", r.percent, r.information_bits))
                    .collect();
                println!("{name:<13}   advice, bits: {}", rungs.join(", "));
            }
            if matches!(keep, Keep::Percent(p) if p == 20.0) || keep == Keep::Auto {
                let optics = Some(self.optics());
                let known = FinishSettings { optics, ..FinishSettings::default() };
                let with = finish(&stacked, &known, &Silent).unwrap();
                for channel in 0..stacked.picture.channels() {
                    self.tell_as_it_is(name, channel, &stacked, [&done, &with]);
                }
            }
        }
    }

    /// Errors of a channel without straightening: of the stack, of its still as it is and with the telescope known.
    fn tell_as_it_is(&self, name: &str, channel: usize, stack: &Stack, stills: [&Finished; 2]) {
        let told = |picture: &Picture| self.judged(&picture.plane(channel).to_owned(), channel);
        let stacked = told(&stack.picture);
        let [still, with] = stills.map(|done| told(&done.picture).error_as_it_is);
        let colours = ["red", "green", "blue"];
        let colour = if self.layout == Layout::Mono { "" } else { colours[channel] };
        println!(
            "{name:<13}   {colour:<5} as it is: stack {:.3}, still {still:.4}, with the telescope {with:.4}; best filter {:.4}: {:.3} and {:.3} times",
            stacked.error_as_it_is,
            stacked.error,
            still / stacked.error,
            with / stacked.error
        );
    }

    /// How far the places that frames lay on one place of the stack lie apart, px rms an axis: over
    /// all places, and weighed by their structure.
    fn jitter(&self, frames: &[&FrameReport]) -> (f64, f64) {
        let indices: Vec<usize> = frames.iter().map(|f| f.index).collect();
        let settings = StackSettings::default();
        let fields =
            warp_fields(&self.simulation, &self.survey, &settings, &indices, &Silent).unwrap();
        let warps: Vec<_> = indices.iter().map(|i| self.capture.true_warp(*i).unwrap()).collect();
        let cells = self.survey.cells;
        let (height, width) = self.frames[0].dim();
        let (mut plain, mut places, mut weighed, mut weights) = (0.0, 0.0, 0.0, 0.0);
        for cell in 0..cells.len() {
            let at = |k: usize| (k * cells.cell_px + cells.cell_px / 2) as f32;
            let (x, y) = (at(cell % cells.columns), at(cell / cells.columns));
            let inside = |v: f32, n: usize| v >= 40.0 && v < n as f32 - 40.0;
            if !inside(x, width) || !inside(y, height) {
                continue;
            }
            let shown: Vec<(f64, f64)> = fields
                .iter()
                .zip(&warps)
                .filter_map(|(field, warp)| {
                    let (dx, dy) = field.as_ref()?.at(x, y);
                    let [mx, my] = oracle::motion(warp, x + dx, y + dy);
                    Some((f64::from(dx - mx), f64::from(dy - my)))
                })
                .collect();
            let n = shown.len() as f64;
            let mean = shown.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
            let scatter = shown.iter().map(|p| (p.0 - mean.0).powi(2) + (p.1 - mean.1).powi(2));
            let scatter = scatter.sum::<f64>() / (2.0 * n);
            let weight = f64::from(self.survey.cell_structure[cell]);
            plain += scatter;
            places += 1.0;
            weighed += weight * scatter;
            weights += weight;
        }
        ((plain / places).sqrt(), (weighed / weights).sqrt())
    }

    fn optics(&self) -> Optics {
        let telescope = &self.simulation.truth.settings.telescope;
        let pixel_um = 2.9;
        Optics {
            aperture_m: telescope.aperture_m,
            obstruction: telescope.obstruction,
            focal_length_m: pixel_um * 1e-6 / (telescope.arcsec_per_px / 206_264.806_247_096_36),
            pixel_um,
            wavelength_m: self.simulation.truth.wavelengths_m[self.channel],
        }
    }
}
