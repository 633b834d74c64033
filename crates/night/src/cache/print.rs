//! What tells one capture, and one program, from another without reading either as a whole.

use crate::hash::hexadecimal;
use sha2::{Digest, Sha256};
use std::fs::{File, Metadata};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Pieces of a file that are looked at, and bytes of each.
const PIECES: u64 = 64;
const PIECE_BYTES: u64 = 16 << 10;

/// Size, time of the last change, and a hash of pieces spread over the file, ends included.
pub(super) fn of_file(path: &Path) -> io::Result<String> {
    let mut file = File::open(path)?;
    let facts = file.metadata()?;
    let room = facts.len().saturating_sub(PIECE_BYTES);
    let mut hash = Sha256::new();
    let mut piece = Vec::new();
    for i in 0..PIECES {
        let at = (u128::from(room) * u128::from(i) / u128::from(PIECES - 1)) as u64;
        file.seek(SeekFrom::Start(at))?;
        piece.clear();
        (&mut file).take(PIECE_BYTES).read_to_end(&mut piece)?;
        hash.update(&piece);
        if room == 0 {
            break;
        }
    }
    Ok(format!("{} {}", stamp(&facts), hexadecimal(&hash.finalize())))
}

/// The program's version and its file's size and time: what another build found is not taken for
/// what this one would find.
pub(super) fn of_program() -> Option<String> {
    let facts = std::env::current_exe().and_then(std::fs::metadata).ok()?;
    Some(format!("{} {}", env!("CARGO_PKG_VERSION"), stamp(&facts)))
}

fn stamp(facts: &Metadata) -> String {
    let changed = facts.modified().ok().and_then(|time| time.duration_since(UNIX_EPOCH).ok());
    format!("{} {}", facts.len(), changed.map_or(0, |time| time.as_nanos()))
}
