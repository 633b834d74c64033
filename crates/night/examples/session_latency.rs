//! How quick a session is on a large capture: 4144 x 2822 px, 12 bit, made up on the spot.
//!
//! `cargo run --release -p stillwright-night --example session_latency [FRAMES]` prints how long
//! `send` and `pump` take at most while everything runs, how soon work stops, and how soon the
//! visible region of a still follows a slider.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::time::{Duration, Instant};
use stillwright_night::capture::{SerOptions, SerWriter};
use stillwright_night::picture::{Layout, Samples};
use stillwright_night::session::{
    Cancel, CaptureState, Command, Places, Session, SessionOptions, Setting,
};
use stillwright_night::stacking::Keep;
use stillwright_night::stacking::finish::DetailScale;
use stillwright_night::stacking::halves::Region;

const WIDTH: usize = 4144;
const HEIGHT: usize = 2822;

fn main() {
    let frames: usize = std::env::args().nth(1).map_or(24, |n| n.parse().unwrap());
    let home = tempfile::tempdir().unwrap();
    let capture = home.path().join("large.ser");
    write_capture(&capture, frames);
    let places = Places::under(home.path().join("own"));
    let session = Session::open(SessionOptions::new(places), || {}).unwrap();
    let mut bench = Bench { session, slowest_pump: Duration::ZERO, slowest_send: Duration::ZERO };

    bench.send(Command::Add(vec![capture]));
    bench.until("grading", |s| {
        s.entries()
            .first()
            .is_some_and(|e| matches!(e.state, CaptureState::Grading(a) if a.done > 0))
    });
    let id = bench.session.entries()[0].id;
    println!("stop while grading: {:?}", bench.stop());
    let begun = Instant::now();
    bench.send(Command::Stack(id));
    bench.until("grades", |s| s.entries()[0].graded.is_some());
    println!("graded in {:?}", begun.elapsed());
    bench.until("a stack in the making", |s| s.entries()[0].partial.is_some());
    println!("first sight of the stack after {:?}", begun.elapsed());
    println!("stop while stacking: {:?}", bench.stop());
    bench.send(Command::Change { id, setting: Setting::Keep(Keep::Percent(50.0)) });
    bench.until("a still", |s| s.is_idle() && s.entries()[0].still_is_current());
    println!("stack and still after {:?}", begun.elapsed());

    let regions = [
        ("at 1:1 in a 800 x 700 window", Region { left: 1600, top: 1000, width: 800, height: 700 }),
        ("at 3:1 in the same", Region { left: 1600, top: 1000, width: 267, height: 234 }),
        ("the whole picture", Region { left: 0, top: 0, width: WIDTH, height: HEIGHT }),
    ];
    for (round, (what, region)) in regions.into_iter().enumerate() {
        // The slider moves at once, before anything was prepared for what is looked at.
        bench.send(Command::LookAt { id, region: Some(region) });
        let mut waits = Vec::new();
        let (mut area, mut own) = (0, 0.0f64);
        for step in 0..12 {
            // Never a value that the whole still has already: no preview is made of that.
            let gain = 1.5 + 0.1 * step as f32 + 0.01 * round as f32;
            let scale = DetailScale { gain, hold_back: 1.0 };
            let begun = Instant::now();
            bench.send(Command::Preview { id, setting: Setting::DetailScale { index: 1, scale } });
            bench.until("a preview", |s| {
                let entry = &s.entries()[0];
                entry.preview.as_ref().is_some_and(|p| p.is_current(entry))
            });
            waits.push(begun.elapsed());
            let preview = bench.session.entries()[0].preview.clone().unwrap();
            area = preview.region.width * preview.region.height;
            own = own.max(preview.milliseconds);
        }
        bench.send(Command::Commit);
        let begun = Instant::now();
        bench.until("the whole", |s| s.entries()[0].still_is_current());
        waits.sort();
        println!(
            "preview, {what}: {area} px finished, median {:?}, worst {:?} (computing {own:.0} ms); the whole {:?} later",
            waits[waits.len() / 2],
            waits[waits.len() - 1],
            begun.elapsed()
        );
    }
    println!("slowest pump {:?}, slowest send {:?}", bench.slowest_pump, bench.slowest_send);
}

struct Bench {
    session: Session,
    slowest_pump: Duration,
    slowest_send: Duration,
}

impl Bench {
    fn send(&mut self, command: Command) {
        let begun = Instant::now();
        self.session.send(command);
        self.slowest_send = self.slowest_send.max(begun.elapsed());
    }

    fn until(&mut self, what: &str, done: impl Fn(&Session) -> bool) {
        let begun = Instant::now();
        loop {
            let pumping = Instant::now();
            let _ = self.session.pump();
            self.slowest_pump = self.slowest_pump.max(pumping.elapsed());
            if done(&self.session) {
                return;
            }
            assert!(begun.elapsed() < Duration::from_secs(900), "waited in vain for {what}");
            self.session.wait(Duration::from_millis(5));
        }
    }

    fn stop(&mut self) -> Duration {
        let begun = Instant::now();
        self.send(Command::Cancel(Cancel::All));
        self.until("an end", Session::is_idle);
        begun.elapsed()
    }
}

/// A made-up ground that wanders, with noise: what it shows does not matter here.
fn write_capture(path: &std::path::Path, frames: usize) {
    let options = SerOptions::new(WIDTH, HEIGHT, Layout::Mono, 12);
    let mut writer = SerWriter::create(std::fs::File::create(path).unwrap(), options).unwrap();
    let wave = |v: f32, period: f32| (v / period * std::f32::consts::TAU).sin();
    let mut state = 1u32;
    for frame in 0..frames {
        let (dx, dy) = ((frame * 7 % 5) as f32, (frame * 3 % 4) as f32);
        let across: Vec<[f32; 3]> = (0..WIDTH)
            .map(|x| x as f32 + dx)
            .map(|x| [wave(x, 9.0), wave(x, 37.0), wave(x, 211.0)])
            .collect();
        let mut samples = Vec::with_capacity(WIDTH * HEIGHT);
        for y in (0..HEIGHT).map(|y| y as f32 + dy) {
            let down = [wave(y, 11.0), wave(y, 41.0), wave(y, 173.0)];
            for a in &across {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (state >> 24) as f32 - 128.0;
                let light =
                    a[0] * down[0] * 150.0 + a[1] * down[1] * 300.0 + (a[2] + down[2]) * 200.0;
                samples.push((1600.0 + light + 0.3 * noise).clamp(0.0, 4095.0) as u16);
            }
        }
        writer.write_frame(&Samples::U16(samples), None).unwrap();
    }
    writer.finish().unwrap();
}
