//! Masters as FITS files: 32-bit floats in shares of full scale, with what made them in the header.
//!
//! | keyword | meaning |
//! |---|---|
//! | `MASTER` | `dark`, `flat` or `dark-flat`: tells a saved master from a capture of one frame |
//! | `NFRAMES`, `NLEFTOUT` | frames that went in, and that did not |
//! | `CLIPPED` | values left out as outliers, share of all |
//! | `NOISE` | noise of one value of one frame, share of full scale |
//! | `BITDEPTH` | bits of the samples of the capture |
//! | `EXPTIME`, `GAIN`, `BAYERPAT` | as the capture had them |
//! | `CAPTURE`, `CAPSHA` | file of the capture, and its SHA-256 |

use crate::export::fits::{Cards, real, write_floats};
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;
use stillwright_capture::Facts;
use stillwright_picture::Layout;
use stillwright_seeing::calibration::{Master, MasterKind};

/// Cards that are looked through for the word `MASTER`.
const LOOKED_AT: u64 = 4 * 2880;

/// What the header of a saved master says of its making.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Saved {
    pub(super) kind: MasterKind,
    pub(super) frames: usize,
    pub(super) frames_left_out: usize,
    pub(super) clipped_share: f64,
    pub(super) noise: f32,
}

/// Whether `path` is a saved master; `None` where it is something else, or cannot be read.
pub(super) fn saved(path: &Path) -> Option<Saved> {
    if !std::fs::metadata(path).ok()?.is_file() {
        return None;
    }
    let mut head = Vec::new();
    File::open(path).ok()?.take(LOOKED_AT).read_to_end(&mut head).ok()?;
    saved_in(&head)
}

/// What the first bytes of a file say, if they are those of a saved master.
pub(super) fn saved_in(head: &[u8]) -> Option<Saved> {
    if !head.starts_with(b"SIMPLE  =") {
        return None;
    }
    let value = |keyword: &str| {
        let card = head
            .chunks_exact(80)
            .take_while(|card| !card.starts_with(b"END     "))
            .find(|card| card[..8].trim_ascii_end() == keyword.as_bytes() && card[8] == b'=')?;
        let text = std::str::from_utf8(&card[9..]).ok()?.trim_start();
        Some(match text.strip_prefix('\'') {
            Some(quoted) => quoted.split('\'').next()?.trim_end().to_string(),
            None => text.split('/').next()?.trim().to_string(),
        })
    };
    let kind = value("MASTER")?;
    Some(Saved {
        kind: MasterKind::ALL.into_iter().find(|known| known.name() == kind)?,
        frames: value("NFRAMES").and_then(|n| n.parse().ok()).unwrap_or(1),
        frames_left_out: value("NLEFTOUT").and_then(|n| n.parse().ok()).unwrap_or(0),
        clipped_share: value("CLIPPED").and_then(|n| n.parse().ok()).unwrap_or(0.0),
        noise: value("NOISE").and_then(|n| n.parse().ok()).unwrap_or(0.0),
    })
}

/// Write a master that was made of a capture.
pub(super) fn write<W: Write>(
    master: &Master,
    facts: &Facts,
    (capture, sha256): (&str, &str),
    dark_flat: Option<&str>,
    mut out: W,
) -> io::Result<()> {
    let colour = master.layout.samples_per_pixel() == 3;
    let mut cards = Cards::default();
    cards.value("SIMPLE", "T", "conforms to the FITS standard");
    cards.value("BITPIX", "-32", "32-bit IEEE floats");
    cards.value("NAXIS", if colour { "3" } else { "2" }, "");
    cards.value("NAXIS1", &master.width.to_string(), "columns, left to right");
    cards.value("NAXIS2", &master.height.to_string(), "rows, top to bottom");
    if colour {
        cards.value("NAXIS3", "3", "red, green, blue");
    }
    cards.text("ROWORDER", "TOP-DOWN", "first row here is the top row of the frame");
    cards.text("CREATOR", crate::record::PROGRAM, "");
    cards.text("MASTER", master.kind.name(), "what this is");
    cards.value("NFRAMES", &master.frames.to_string(), "frames that went in");
    cards.value("NLEFTOUT", &master.frames_left_out.to_string(), "frames that did not");
    cards.value("CLIPPED", &real(master.clipped_share), "values left out, share of all");
    cards.value("NOISE", &real(f64::from(master.frame_noise)), "of one value of one frame");
    cards.value("BITDEPTH", &facts.bit_depth.to_string(), "bits of the capture's samples");
    if let Some(seconds) = facts.exposure_s {
        cards.value("EXPTIME", &real(seconds), "exposure of one frame, s");
    }
    if let Some(gain) = facts.gain {
        cards.value("GAIN", &real(gain), "of the camera, in its own units");
    }
    if let Layout::Bayer(_) = master.layout {
        cards.text("BAYERPAT", &master.layout.name().to_uppercase(), "colours of the first 2 x 2");
    }
    cards.text("CAPTURE", capture, "file of the capture");
    cards.text("CAPSHA", sha256, "its SHA-256");
    if let Some(name) = dark_flat {
        cards.text("DARKFLAT", name, "taken off each frame first");
    }
    cards.comment("Sigma-clipped mean of the frames. Values are shares of full scale.");
    if master.kind == MasterKind::Flat {
        cards.comment("The frames were brought to one brightness first.");
    }
    out.write_all(&cards.end())?;
    let planes = master.layout.samples_per_pixel();
    let plane = |plane: usize| master.values.iter().skip(plane).step_by(planes).copied();
    write_floats((0..planes).flat_map(plane), master.values.len(), &mut out)
}
