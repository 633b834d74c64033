//! How a hash stood on its way through a file, so that several threads can check later whether the file is the same.
//!
//! SHA-256 goes through a file from the first byte to the last, so one thread hashes it. Where it stood after each piece is noted
//! meanwhile, at no cost. A file that ought to be the same is then checked piece by piece, all at once: each piece must lead from where the hash
//! stood before it to where it stood after it. If every piece does, the file as a whole has the same hash, as surely as if one thread
//! had gone through it; if one does not, nothing is said about the rest.

use super::{Fingerprint, PIECE_BYTES, hexadecimal, in_pieces};
use crate::files::open_plain;
use sha2::digest::common::hazmat::{SerializableState, SerializedState};
use sha2::{Digest, Sha256};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// Bytes from mark to mark.
const EVERY_BYTES: u64 = 32 << 20;

/// Bytes of a mark.
const MARK_BYTES: usize = size_of::<SerializedState<Sha256>>();

/// Threads that check a file at most: with SHA instructions four hash faster than most disks read.
const MOST_THREADS: usize = 4;

/// The fingerprint of a file, and how its hash stood after every so many bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waymarks {
    print: Fingerprint,
    every_bytes: u64,
    /// One mark after the other; none at the end.
    marks: Vec<u8>,
}

/// A hash that notes where it stands.
pub(super) struct Noting {
    hash: Sha256,
    bytes: u64,
    every_bytes: u64,
    marks: Vec<u8>,
}

impl Noting {
    pub(super) fn new() -> Noting {
        Noting { hash: Sha256::new(), bytes: 0, every_bytes: EVERY_BYTES, marks: Vec::new() }
    }

    pub(super) fn update(&mut self, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            // A mark is set by what comes after it: there is none at the end of a file.
            if self.bytes > 0 && self.bytes.is_multiple_of(self.every_bytes) {
                self.marks.extend_from_slice(&self.hash.serialize());
            }
            let room = self.every_bytes - self.bytes % self.every_bytes;
            let taken;
            (taken, bytes) = bytes
                .split_at(usize::try_from(room).map_or(bytes.len(), |room| room.min(bytes.len())));
            self.hash.update(taken);
            self.bytes += taken.len() as u64;
        }
    }

    pub(super) fn finish(self) -> Waymarks {
        let print = Fingerprint { bytes: self.bytes, sha256: hexadecimal(&self.hash.finalize()) };
        Waymarks { print, every_bytes: self.every_bytes, marks: self.marks }
    }
}

impl Waymarks {
    /// The fingerprint of the file that they are of.
    pub fn print(&self) -> &Fingerprint {
        &self.print
    }

    /// Whether there are enough of them to be worth anything.
    pub fn serve(&self) -> bool {
        !self.marks.is_empty()
    }

    /// As bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(16 + 64 + self.marks.len());
        bytes.extend_from_slice(&self.print.bytes.to_le_bytes());
        bytes.extend_from_slice(&self.every_bytes.to_le_bytes());
        bytes.extend_from_slice(self.print.sha256.as_bytes());
        bytes.extend_from_slice(&self.marks);
        bytes
    }

    /// From [`Waymarks::to_bytes`]; `None` where they are none.
    pub fn from_bytes(bytes: &[u8]) -> Option<Waymarks> {
        let (length, rest) = bytes.split_first_chunk::<8>()?;
        let (every, rest) = rest.split_first_chunk::<8>()?;
        let (sha256, marks) = rest.split_first_chunk::<64>()?;
        let (bytes, every_bytes) = (u64::from_le_bytes(*length), u64::from_le_bytes(*every));
        let sha256 = String::from_utf8(sha256.to_vec()).ok()?;
        let many = bytes.checked_sub(1).map_or(Some(0), |last| last.checked_div(every_bytes))?;
        let whole = many.checked_mul(MARK_BYTES as u64)? == marks.len() as u64;
        // A mark says how many blocks of 64 bytes went into it: of one that lies, a hash would be made that nobody can finish.
        let blocks = |mark: &[u8]| Some(u64::from_le_bytes(mark.get(32..40)?.try_into().ok()?));
        let honest = |(mark, at): (&[u8], u64)| {
            blocks(mark).and_then(|blocks| blocks.checked_mul(64)) == at.checked_mul(every_bytes)
        };
        let all_honest = marks.chunks_exact(MARK_BYTES).zip(1..).all(honest);
        let print = Fingerprint { bytes, sha256 };
        (whole && all_honest).then(|| Waymarks { print, every_bytes, marks: marks.to_vec() })
    }

    /// Whether the file at `path` is the one that they are of, every byte of it; `None` once `cancel` is set.
    ///
    /// # Errors
    /// When the system cannot read.
    pub(super) fn are_of(
        &self,
        path: &Path,
        threads: usize,
        cancel: &AtomicBool,
    ) -> io::Result<Option<bool>> {
        if open_plain(path)?.metadata()?.len() != self.print.bytes {
            return Ok(Some(false));
        }
        let (next, other) = (AtomicUsize::new(0), AtomicBool::new(false));
        let pieces = self.marks.len() / MARK_BYTES + 1;
        let stop = || cancel.load(Ordering::Relaxed) || other.load(Ordering::Relaxed);
        let check = || -> io::Result<()> {
            let mut file = open_plain(path)?;
            let mut held = vec![0u8; PIECE_BYTES];
            while !stop() {
                let piece = next.fetch_add(1, Ordering::Relaxed);
                if piece >= pieces {
                    break;
                }
                file.seek(SeekFrom::Start(piece as u64 * self.every_bytes))?;
                // What lies beyond the end of the file is looked for: there must be nothing.
                let all = if piece + 1 < pieces {
                    self.every_bytes
                } else {
                    self.every_bytes.saturating_add(1)
                };
                let Some(mut hash) = self.before(piece) else {
                    other.store(true, Ordering::Relaxed);
                    break;
                };
                in_pieces(&mut (&mut file).take(all), &mut held, |bytes| {
                    hash.update(bytes);
                    !stop()
                })?;
                if !stop() && !self.stands_after(piece, hash) {
                    other.store(true, Ordering::Relaxed);
                }
            }
            Ok(())
        };
        let check_or_stop = || {
            let done = check();
            if done.is_err() {
                other.store(true, Ordering::Relaxed);
            }
            done
        };
        let results: Vec<io::Result<()>> = std::thread::scope(|scope| {
            // Where the system gives no further thread, those that there are do it all.
            let further = || std::thread::Builder::new().spawn_scoped(scope, check_or_stop).ok();
            let many = 1..threads.min(pieces).min(MOST_THREADS);
            let others: Vec<_> = many.filter_map(|_| further()).collect();
            let broken = |_| Err(io::Error::other("a hashing thread broke off"));
            let own = check_or_stop();
            std::iter::once(own)
                .chain(others.into_iter().map(|thread| thread.join().unwrap_or_else(broken)))
                .collect()
        });
        results.into_iter().collect::<io::Result<()>>()?;
        let cancelled = cancel.load(Ordering::Relaxed);
        Ok((!cancelled).then_some(!other.into_inner()))
    }

    fn mark(&self, index: usize) -> Option<&[u8]> {
        self.marks.get(index * MARK_BYTES..(index + 1) * MARK_BYTES)
    }

    /// The hash as it stood before a piece.
    fn before(&self, piece: usize) -> Option<Sha256> {
        let Some(before) = piece.checked_sub(1) else { return Some(Sha256::new()) };
        let mark = SerializedState::<Sha256>::try_from(self.mark(before)?).ok()?;
        Sha256::deserialize(&mark).ok()
    }

    /// Whether the hash after a piece stands where it stood.
    fn stands_after(&self, piece: usize, hash: Sha256) -> bool {
        match self.mark(piece) {
            Some(mark) => hash.serialize().as_slice() == mark,
            None => hexadecimal(&hash.finalize()) == self.print.sha256,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash::fingerprint;
    use std::fs;

    /// Marks of `bytes`, set so often.
    fn noted(bytes: &[u8], every_bytes: u64) -> Waymarks {
        // (Every so many bytes: whole blocks of the hash.)
        let mut noting = Noting { every_bytes, ..Noting::new() };
        // In pieces of any length.
        let mut rest = bytes;
        for length in (1usize..).map(|k| k * 7919 % 1013) {
            let taken;
            (taken, rest) = rest.split_at(length.min(rest.len()));
            noting.update(taken);
            if rest.is_empty() {
                break;
            }
        }
        noting.finish()
    }

    fn some(n: usize) -> Vec<u8> {
        (0..n).map(|i| (i * 7919 % 251) as u8).collect()
    }

    static NEVER: AtomicBool = AtomicBool::new(false);

    #[test]
    fn a_file_is_known_by_its_marks_and_any_other_is_not() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("IN.ser");
        for length in [0, 1, 1023, 1024, 1025, 2048, 65_432] {
            let bytes = some(length);
            let marks = noted(&bytes, 1024);
            let whole = fingerprint(&mut &bytes[..], &NEVER).unwrap().unwrap();
            assert_eq!(*marks.print(), whole);
            assert_eq!(marks.serve(), length > 1024);
            fs::write(&path, &bytes).unwrap();
            for threads in [1, 3] {
                assert_eq!(marks.are_of(&path, threads, &NEVER).unwrap(), Some(true), "{length}");
                // A byte changed anywhere, one more, one less.
                for at in [0, length / 2, length.saturating_sub(1)] {
                    let mut other = bytes.clone();
                    if let Some(byte) = other.get_mut(at) {
                        *byte ^= 1;
                        fs::write(&path, &other).unwrap();
                        assert_eq!(marks.are_of(&path, threads, &NEVER).unwrap(), Some(false));
                    }
                }
                let mut longer = bytes.clone();
                longer.push(0);
                fs::write(&path, &longer).unwrap();
                assert_eq!(marks.are_of(&path, threads, &NEVER).unwrap(), Some(false));
                if length > 0 {
                    fs::write(&path, &bytes[1..]).unwrap();
                    assert_eq!(marks.are_of(&path, threads, &NEVER).unwrap(), Some(false));
                }
                fs::write(&path, &bytes).unwrap();
            }
            assert_eq!(marks.are_of(&path, 2, &AtomicBool::new(true)).unwrap(), None);
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_check_that_would_take_hours_is_given_up_on_request() {
        // All hole: it takes no room, but is read to its end.
        let long = tempfile::NamedTempFile::new().unwrap();
        let bytes = 1 << 40;
        long.as_file().set_len(bytes).unwrap();
        let print = Fingerprint { bytes, sha256: "0".repeat(64) };
        let marks = Waymarks { print, every_bytes: bytes, marks: Vec::new() };
        let cancel = AtomicBool::new(false);
        let said = std::thread::scope(|scope| {
            let check = scope.spawn(|| marks.are_of(long.path(), 2, &cancel));
            // It is at work by then, or finds the wish at its first piece.
            std::thread::sleep(std::time::Duration::from_millis(50));
            assert!(!check.is_finished());
            cancel.store(true, Ordering::Relaxed);
            check.join().unwrap()
        });
        assert_eq!(said.unwrap(), None);
    }

    #[test]
    fn a_file_is_taken_at_its_marks_word_only_where_it_leads_along_them() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("IN.ser");
        let bytes = some(5000);
        fs::write(&path, &bytes).unwrap();
        let marks = noted(&bytes, 1024);
        // One mark in the middle is another file's.
        let mut others = marks.clone();
        let foreign = noted(&some(4999), 1024).marks;
        let (second, third) = (MARK_BYTES, 2 * MARK_BYTES);
        let mut stranger = bytes.clone();
        stranger[0] ^= 1;
        assert_eq!(others.marks[second..third], foreign[second..third], "the same so far");
        let foreign = noted(&stranger, 1024).marks;
        others.marks[second..third].copy_from_slice(&foreign[second..third]);
        assert_eq!(others.are_of(&path, 2, &NEVER).unwrap(), Some(false));
        assert_eq!(marks.are_of(&path, 2, &NEVER).unwrap(), Some(true));
        assert!(marks.are_of(&home.path().join("gone"), 2, &NEVER).is_err());
    }

    #[test]
    fn marks_come_back_from_their_bytes_and_damaged_ones_serve_nobody() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("IN.ser");
        let bytes = some(4321);
        fs::write(&path, &bytes).unwrap();
        let marks = noted(&bytes, 1024);
        let kept = marks.to_bytes();
        assert_eq!(Waymarks::from_bytes(&kept), Some(marks));
        for length in 0..kept.len() {
            assert_eq!(Waymarks::from_bytes(&kept[..length]), None);
        }
        // Whichever byte is damaged: no marks, or none of this file.
        for at in 0..kept.len() {
            let mut damaged = kept.clone();
            damaged[at] ^= 0x55;
            if let Some(marks) = Waymarks::from_bytes(&damaged) {
                assert_eq!(marks.are_of(&path, 2, &NEVER).unwrap(), Some(false), "{at}");
            }
        }
        // Marks after every 0 bytes of a file that has some.
        let mut endless = kept;
        endless[8..16].fill(0);
        assert_eq!(Waymarks::from_bytes(&endless), None);
    }
}
