//! What follows a slider, and in which order.
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code)]

mod session_support;

use session_support::Night;
use std::path::Path;
use stillwright_night::capture::{SerOptions, SerWriter};
use stillwright_night::picture::{Layout, Samples};
use stillwright_night::session::{Command, Effect, Session, Setting};
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::{DetailScale, Point};
use stillwright_night::stacking::halves::Region;

fn moved(step: usize) -> Setting {
    let scale = DetailScale { gain: 1.5 + 0.01 * step as f32, hold_back: 1.0 };
    Setting::DetailScale { index: 1, scale }
}

fn current(session: &Session) -> bool {
    let entry = session.selected().unwrap();
    entry.preview.as_ref().is_some_and(|p| p.is_current(entry))
}

/// The threads of a preview that waited for each other used to take up the whole still meanwhile, which
/// then came first: the preview had nothing to show any more, and who waited for it waited forever.
#[test]
fn every_step_of_a_slider_is_seen_before_the_whole_follows() {
    let mut night = Night::with(&["ridge"]);
    let id = night.first();
    let region = Region { left: 20, top: 10, width: 90, height: 70 };
    night.session.send(Command::LookAt { id, region: Some(region) });
    for step in 0..150 {
        if step % 10 == 9 {
            // The slider rests now and then: the whole comes, and a preview is prepared.
            night.session.send(Command::Commit);
            night.until("the whole", |s| s.selected().unwrap().still_is_current());
        }
        night.effects.clear();
        night.session.send(Command::Preview { id, setting: moved(step) });
        night.until("what is seen", |s| current(s) || s.selected().unwrap().still_is_current());
        let whole = night.count(|e| matches!(e, Effect::Finished(_)));
        assert_eq!(whole, 0, "step {step}: the whole came before what is seen");
        assert!(current(&night.session), "step {step}");
    }
    night.session.send(Command::Commit);
    night.rest();
    assert!(night.entry(id).still_is_current());
}

/// A made-up ground of this size that wanders, with noise.
fn large_capture(path: &Path, (width, height): (usize, usize), frames: usize) {
    let options = SerOptions::new(width, height, Layout::Mono, 8);
    let mut writer = SerWriter::create(std::fs::File::create(path).unwrap(), options).unwrap();
    let mut state = 1u32;
    for frame in 0..frames {
        let (dx, dy) = ((frame * 7 % 5) as f32, (frame * 3 % 4) as f32);
        let mut samples = Vec::with_capacity(width * height);
        for y in (0..height).map(|y| y as f32 + dy) {
            for x in (0..width).map(|x| x as f32 + dx) {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (state >> 24) as f32 / 32.0 - 4.0;
                let wave = (x * 0.17).sin() * (y * 0.15).cos() + (x * 0.045 + y * 0.06).sin();
                samples.push((110.0 + 35.0 * wave + noise).clamp(0.0, 255.0) as u8);
            }
        }
        writer.write_frame(&Samples::U8(samples), None).unwrap();
    }
    writer.finish().unwrap();
}

#[test]
fn a_region_too_large_to_be_quick_follows_as_a_whole_in_blocks() {
    let mut night = Night::empty();
    let folder = night.folder();
    std::fs::create_dir_all(&folder).unwrap();
    let (width, height) = (1502, 1103);
    large_capture(&folder.join("large.ser"), (width, height), 12);
    night.session.send(Command::Add(vec![folder.join("large.ser")]));
    night.until("the capture", |s| s.selected().is_some());
    let id = night.first();
    for setting in [
        Setting::Keep(Keep::Percent(100.0)),
        Setting::Black(Point::Level(-1.0)),
        Setting::White(Point::Level(2.0)),
    ] {
        night.session.send(Command::Change { id, setting });
    }
    night.rest();
    let region = Region { left: 0, top: 0, width, height };
    night.session.send(Command::LookAt { id, region: Some(region) });
    // Prepared while nothing else is to be done.
    night.rest();
    let scale = DetailScale { gain: 3.0, hold_back: 0.0 };
    night.session.send(Command::Preview { id, setting: Setting::DetailScale { index: 2, scale } });
    night.until("what is seen", current);
    let preview = night.entry(id).preview.clone().unwrap();
    // All of it but an odd row, in blocks of 2 x 2.
    assert_eq!(preview.region, Region { left: 0, top: 0, width, height: height - 1 });
    let small = preview.shown.picture.clone();
    assert_eq!((small.width(), small.height()), (width / 2, height / 2));
    night.session.send(Command::Commit);
    night.rest();
    let whole = night.entry(id).still.clone().unwrap();
    let whole = whole.shown.picture.plane(0);
    let (mut sum, mut n) = (0.0f64, 0.0);
    for ((y, x), seen) in small.plane(0).indexed_iter() {
        let block = whole.slice(ndarray::s![2 * y..2 * y + 2, 2 * x..2 * x + 2]);
        // A mean of what was cut off at black or white is not what is seen of the block.
        if block.iter().all(|v| *v > 0.0 && *v < 1.0) {
            sum += f64::from(seen - block.iter().sum::<f32>() / 4.0).powi(2);
            n += 1.0;
        }
    }
    let rms = (sum / n).sqrt();
    println!("{n} blocks of {}", small.planes.len());
    assert!(n > 0.9 * small.planes.len() as f64);
    println!("preview in blocks against the whole: {rms} rms");
    // A tenth of one of 256 greys of the picture, whose tone spans three times full scale.
    assert!(rms < 1e-4, "{rms}");
}
