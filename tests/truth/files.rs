//! Reading what stands beside a capture, and what was made of it, without the project's own code.

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use stillwright_night::picture::Plane;
use tiff::decoder::{Decoder, DecodingResult};

/// A capture and what is true of it.
pub struct Known {
    pub name: &'static str,
    pub capture: PathBuf,
    /// Channels of the true picture.
    pub truth: Vec<Plane>,
    /// Optical cut-off of each channel, cycles per px.
    pub cutoffs: Vec<f64>,
    /// Where the scene lies in each frame (x, y), px, against an unshifted scene.
    pub shifts: Vec<(f64, f64)>,
    pub blank_frames: Vec<u64>,
    /// Truth pixel of pixel (0, 0) of an unshifted frame: x, y.
    pub origin: (f64, f64),
}

/// The folder of captures with known truth beside the repository, where there is one.
pub fn folder() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/captures");
    folder.is_dir().then_some(folder)
}

impl Known {
    pub fn load(folder: &Path, name: &'static str) -> Known {
        let text = fs::read_to_string(folder.join(format!("{name}.json"))).unwrap();
        let facts: Value = serde_json::from_str(&text).unwrap();
        let pair = |value: &Value| (value[0].as_f64().unwrap(), value[1].as_f64().unwrap());
        let cutoffs = &facts["cutoff_cycles_per_px"];
        let channels: &[&str] = if cutoffs["L"].is_number() { &["L"] } else { &["R", "G", "B"] };
        let known = Known {
            name,
            capture: folder.join(format!("{name}.ser")),
            truth: tiff_planes(&folder.join(format!("{name}.truth.tif"))),
            cutoffs: channels.iter().map(|channel| cutoffs[channel].as_f64().unwrap()).collect(),
            shifts: facts["true_shift_px"].as_array().unwrap().iter().map(pair).collect(),
            blank_frames: serde_json::from_value(facts["blank_frames"].clone()).unwrap(),
            origin: pair(&facts["frame_origin_in_truth_px"]),
        };
        assert_eq!(known.truth.len(), channels.len());
        known
    }

    /// Where pixel (0, 0) of frame `index` lies in the truth.
    pub fn frame_in_truth(&self, index: usize) -> (f64, f64) {
        let (x, y) = self.shifts[index];
        (self.origin.0 - x, self.origin.1 - y)
    }
}

/// Channels of a TIFF of 16-bit or float samples, grey or with the colours side by side.
pub fn tiff_planes(path: &Path) -> Vec<Plane> {
    let mut decoder = Decoder::new(fs::File::open(path).unwrap()).unwrap();
    let (width, height) = decoder.dimensions().unwrap();
    let samples: Vec<f32> = match decoder.read_image().unwrap() {
        DecodingResult::F32(values) => values,
        DecodingResult::U16(values) => values.into_iter().map(f32::from).collect(),
        other => panic!("{}: unexpected samples {other:?}", path.display()),
    };
    let (width, height) = (width as usize, height as usize);
    let channels = samples.len() / (width * height);
    (0..channels)
        .map(|channel| {
            let values = samples.iter().skip(channel).step_by(channels).copied().collect();
            Plane::from_shape_vec((height, width), values).unwrap()
        })
        .collect()
}

/// Planes of a FITS primary array of 32-bit floats (FITS Standard 4.0, 2018, sections 3.3, 4.4).
pub fn fits_planes(path: &Path) -> Vec<Plane> {
    let bytes = fs::read(path).unwrap();
    let cards = bytes.chunks_exact(80).map(|card| std::str::from_utf8(card).unwrap());
    let (mut axes, mut count) = (Vec::new(), 0);
    for card in cards {
        count += 1;
        let name = card[..8].trim_end();
        let value = || card[10..].split('/').next().unwrap().trim();
        match name {
            "END" => break,
            "BITPIX" => assert_eq!(value(), "-32"),
            "NAXIS1" | "NAXIS2" | "NAXIS3" => axes.push(value().parse::<usize>().unwrap()),
            _ => {}
        }
    }
    let data = &bytes[(count * 80usize).next_multiple_of(2880)..];
    let plane = axes[0] * axes[1];
    let planes = axes.get(2).copied().unwrap_or(1);
    let samples: Vec<f32> = data[..planes * plane * 4]
        .chunks_exact(4)
        .map(|four| f32::from_be_bytes(four.try_into().unwrap()))
        .collect();
    let shaped = |part: &[f32]| Plane::from_shape_vec((axes[1], axes[0]), part.to_vec()).unwrap();
    samples.chunks_exact(plane).map(shaped).collect()
}
