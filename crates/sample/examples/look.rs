//! Writes the true picture and a few frames of each ready-made night, as PGM or PPM pictures:
//! `cargo run --release --example look -- FOLDER [SEED]`.

use std::io::Write;
use std::time::Instant;
use stillwright_picture::{RawFrame, Samples, Silent};
use stillwright_sample::{SampleCapture, SampleError, SampleSettings};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let folder = args.next().ok_or("a folder is needed")?;
    let seed = args.next().map_or(Ok(1), |s| s.parse())?;
    for (name, settings) in [
        ("demo", SampleSettings::demo(seed)),
        ("rough", SampleSettings::rough(seed)),
        ("disc", SampleSettings::disc(seed)),
    ] {
        let start = Instant::now();
        let capture = SampleCapture::prepare(&settings)?;
        let prepared = start.elapsed();
        let picture = capture.picture();
        let (h, w) = (picture.height(), picture.width());
        let mut bytes = Vec::new();
        for y in 0..h {
            for x in 0..w {
                for c in 0..picture.channels() {
                    bytes.push((picture.planes[(c, y, x)] * 255.0).clamp(0.0, 255.0) as u8);
                }
            }
        }
        let kind = if picture.channels() == 3 { "P6" } else { "P5" };
        save(&format!("{folder}/{name}-truth.pnm"), kind, w, h, &bytes)?;
        let mut kept: Vec<RawFrame> = Vec::new();
        let truth = capture.render_all(&Silent, |index, frame| -> Result<(), SampleError> {
            if index % 60 == 0 {
                kept.push(frame.clone());
            }
            Ok(())
        })?;
        for (i, frame) in kept.iter().enumerate() {
            let white = frame.format.white;
            let bytes: Vec<u8> = match &frame.samples {
                Samples::U8(v) => v.clone(),
                Samples::U16(v) => {
                    v.iter().map(|v| (f32::from(*v) / white * 255.0) as u8).collect()
                }
                Samples::F32(v) => v.iter().map(|v| (v * 255.0) as u8).collect(),
            };
            let (w, h) = (frame.format.width, frame.format.height);
            save(&format!("{folder}/{name}-{i}.pnm"), "P5", w, h, &bytes)?;
        }
        let mean = |value: &dyn Fn(&stillwright_sample::TrueFrame) -> f32| {
            truth.frames.iter().map(value).sum::<f32>() / truth.frames.len() as f32
        };
        let best = truth.frames.iter().map(|f| f.mean_strehl).fold(0.0, f32::max);
        let mut out = std::io::stdout();
        writeln!(
            out,
            "{name}: prepared in {:.2} s, {} frames in {:.2} s; ripple {:.2} px, blur {:.2} rad2, \
             Strehl {:.3}, best {best:.3}",
            prepared.as_secs_f64(),
            truth.frames.len(),
            (start.elapsed() - prepared).as_secs_f64(),
            mean(&|f| f.ripple_rms_px),
            mean(&|f| f.blur_rad2),
            mean(&|f| f.mean_strehl),
        )?;
    }
    Ok(())
}

fn save(path: &str, kind: &str, w: usize, h: usize, bytes: &[u8]) -> std::io::Result<()> {
    let mut data = format!("{kind}\n{w} {h}\n255\n").into_bytes();
    data.extend_from_slice(bytes);
    std::fs::write(path, data)
}
