//! Makes the pictures of the README: `cargo run --release --example readme_pictures`.
//!
//! Two simulated nights, ground and disc; of each, the best single frame on the left and the still
//! on the right. Nothing is retouched: the frame is only stretched from its darkest to its
//! brightest light, as the still is.

use anyhow::Context;
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;
use stillwright_night::atomic::Existing;
use stillwright_night::capture::Overrides;
use stillwright_night::demo::run_demo;
use stillwright_night::export::{Caption, Format, write_picture};
use stillwright_night::files::{StillFiles, open_capture};
use stillwright_night::grade::frame_lines;
use stillwright_night::picture::{Layout, Picture, RawFrame, Samples, Silent};
use stillwright_night::sample::SampleSettings;
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::still::{StillDone, make_still};
use stillwright_night::{Recipe, record::PROGRAM};

/// Between the two halves of a picture, px.
const GAP_PX: usize = 8;

fn main() -> anyhow::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("assets/readme");
    let work = std::env::temp_dir().join(format!("readme-pictures-{}", std::process::id()));

    let ground = run_demo(&work, Existing::Keep, &Silent)?;
    let frame = frame_picture(&ground.sample.capture, ground.best_frame)?;
    save(&folder.join("ground.jpg"), &side_by_side(&frame, &ground.still.finished.picture))?;

    let files = SampleFiles::plan(&work, "disc");
    write_sample(&files, &SampleSettings::disc(1), Existing::Keep, &Silent)?;
    let plan = StillFiles::plan(&files.capture, None, &[], Existing::Keep);
    let disc = make_still(&plan, &Recipe::default(), &Silent)?;
    let frame = frame_picture(&files.capture, sharpest(&disc)?)?;
    save(&folder.join("disc.jpg"), &side_by_side(&frame, &disc.finished.picture))?;

    std::fs::remove_dir_all(&work).context("the working folder could not be cleared")
}

fn sharpest(done: &StillDone) -> anyhow::Result<usize> {
    let lines = frame_lines(&done.survey).into_iter().filter(|line| !line.rejected);
    let best = lines.max_by(|a, b| a.grade.total_cmp(&b.grade));
    Ok(best.context("no frame could be used")?.index)
}

/// One frame as a picture; the gaps of a mosaic are filled from the nearest samples.
fn frame_picture(capture: &Path, index: usize) -> anyhow::Result<Picture> {
    let capture = open_capture(capture, &Overrides::default())?;
    let format = capture.format();
    let mut frame = RawFrame::black(format);
    capture.read_frame(index, &mut frame)?;
    let samples: Vec<f32> = match frame.samples {
        Samples::U8(values) => values.into_iter().map(f32::from).collect(),
        Samples::U16(values) => values.into_iter().map(f32::from).collect(),
        Samples::F32(values) => values,
    };
    let (width, height) = (format.width, format.height);
    let mut picture = Picture::black(format.layout.picture_channels(), height, width);
    for ((channel, y, x), out) in picture.planes.indexed_iter_mut() {
        let (mut sum, mut weight) = (0.0, 0.0);
        for v in y.saturating_sub(1)..(y + 2).min(height) {
            for u in x.saturating_sub(1)..(x + 2).min(width) {
                let own = match format.layout {
                    Layout::Bayer(order) => order.channel_at(u, v) == channel,
                    _ => (u, v) == (x, y),
                };
                if own {
                    let near = ((2 - u.abs_diff(x)) * (2 - v.abs_diff(y))) as f32;
                    sum += near * samples[v * width + u];
                    weight += near;
                }
            }
        }
        *out = sum / weight;
    }
    Ok(picture)
}

/// Both stretched alike: all but one sample in a thousand lie between black and white.
fn side_by_side(left: &Picture, right: &Picture) -> Picture {
    let (left, right) = (stretched(left), stretched(right));
    let (width, height) = (left.width(), left.height());
    let mut both = Picture::black(left.channels(), height, width + GAP_PX + right.width());
    both.planes.fill(1.0);
    for ((channel, y, x), value) in left.planes.indexed_iter() {
        both.planes[(channel, y, x)] = *value;
    }
    for ((channel, y, x), value) in right.planes.indexed_iter().filter(|((_, y, _), _)| *y < height)
    {
        both.planes[(channel, y, width + GAP_PX + x)] = *value;
    }
    both
}

fn stretched(picture: &Picture) -> Picture {
    let mut values: Vec<f32> = picture.planes.iter().copied().collect();
    values.sort_by(f32::total_cmp);
    let edge = values.len() / 1000;
    let (low, high) = (values[edge], values[values.len() - 1 - edge]);
    let span = (high - low).max(1e-6);
    Picture { planes: picture.planes.mapv(|v| (v - low) / span) }
}

fn save(path: &Path, picture: &Picture) -> anyhow::Result<()> {
    let caption = Caption {
        content: "simulated capture: best single frame (left), still (right)".into(),
        program: PROGRAM.into(),
        ..Caption::default()
    };
    let out = BufWriter::new(File::create(path)?);
    write_picture(Format::Jpeg, picture, &caption, out)?;
    Ok(())
}
