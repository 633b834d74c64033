//! Walking over the chunks of a RIFF file, whatever the sizes of its lists say.
//!
//! Lists are entered by stepping over their 12 bytes of head: their sizes are zero in files
//! that were never closed and are not needed. So nothing nests, and a file cut anywhere gives
//! every chunk before the cut.

use crate::bytes::{Bytes, read_up_to};
use byteorder::{ByteOrder as _, LittleEndian};
use std::io;

/// Lists whose chunks matter; others are stepped over as a whole.
const ENTERED: [&[u8; 4]; 7] = [b"AVI ", b"AVIX", b"hdrl", b"strl", b"odml", b"movi", b"rec "];

/// Bytes read at once for the head of a chunk and what may follow closely.
const WINDOW: usize = 512;

/// One step of the walk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Into a `RIFF` or `LIST` of this type.
    Into([u8; 4]),
    /// Over a chunk.
    Over(Chunk),
}

/// A chunk that is no list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Chunk {
    pub(super) id: [u8; 4],
    /// Where its data begin.
    pub(super) offset: u64,
    /// How long its data are meant to be.
    pub(super) size: u64,
    /// How many bytes are missing, because the file ends inside it.
    pub(super) missing: u64,
}

/// The walk itself.
pub(super) struct Walk<'a> {
    bytes: &'a dyn Bytes,
    len: u64,
    at: u64,
    /// Whether the chunk before had an odd length, so that the padding may be missing.
    after_odd: bool,
    window: [u8; WINDOW],
    window_at: u64,
    window_len: usize,
    /// Where the walk met bytes that begin no chunk, if it did.
    pub(super) lost_at: Option<u64>,
}

impl<'a> Walk<'a> {
    pub(super) fn new(bytes: &'a dyn Bytes, len: u64) -> Walk<'a> {
        Walk {
            bytes,
            len,
            at: 0,
            after_odd: false,
            window: [0; WINDOW],
            window_at: 0,
            window_len: 0,
            lost_at: None,
        }
    }

    /// The next step; `None` at the end or where no chunk begins ([`Walk::lost_at`]).
    pub(super) fn step(&mut self) -> io::Result<Option<Step>> {
        if self.after_odd {
            // Some writers leave the padding out.
            self.after_odd = false;
            let padded = self.peek(self.at)?.is_some_and(|head| is_usual(&head));
            let tight = self.peek(self.at - 1)?.is_some_and(|head| is_usual(&head));
            if tight && !padded {
                self.at -= 1;
            }
        }
        let Some(head) = self.peek(self.at)? else { return Ok(None) };
        let id = [head[0], head[1], head[2], head[3]];
        if !id.iter().all(|c| (0x20..0x7f).contains(c)) {
            self.lost_at = Some(self.at);
            return Ok(None);
        }
        let size = u64::from(LittleEndian::read_u32(&head[4..8]));
        if &id == b"RIFF" || &id == b"LIST" {
            let form = [head[8], head[9], head[10], head[11]];
            if ENTERED.contains(&&form) {
                self.at += 12;
                return Ok(Some(Step::Into(form)));
            }
        }
        let offset = self.at + 8;
        self.at = offset + size + size % 2;
        self.after_odd = size % 2 == 1;
        let missing = (offset + size).saturating_sub(self.len);
        Ok(Some(Step::Over(Chunk { id, offset, size, missing })))
    }

    /// The 12 bytes at `at`, zeros standing for those past the end; `None` where there are not
    /// even the 8 of a chunk's head.
    fn peek(&mut self, at: u64) -> io::Result<Option<[u8; 12]>> {
        if at.saturating_add(8) > self.len {
            return Ok(None);
        }
        let inside = at >= self.window_at && at + 12 <= self.window_at + self.window_len as u64;
        if !inside {
            self.window_len = read_up_to(self.bytes, at, &mut self.window)?;
            self.window_at = at;
            if self.window_len < 8 {
                return Ok(None);
            }
        }
        let start = (at - self.window_at) as usize;
        let mut head = [0; 12];
        let n = (self.window_len - start).min(12);
        head[..n].copy_from_slice(&self.window[start..start + n]);
        Ok(Some(head))
    }
}

/// Whether a chunk of a kind that files are full of begins so.
fn is_usual(head: &[u8; 12]) -> bool {
    let id = &head[..4];
    let known: [&[u8]; 5] = [b"RIFF", b"LIST", b"JUNK", b"idx1", b"indx"];
    known.contains(&id)
        || (stream_of(&[id[0], id[1], id[2], id[3]]).is_some() && id[2..].is_ascii())
        || (id.starts_with(b"ix") && id[2..].iter().all(u8::is_ascii_digit))
}

/// The stream that a chunk of a `movi` list belongs to: its id begins with two digits
/// (hexadecimal, for those who have more than ten streams) and ends in two letters.
pub(super) fn stream_of(id: &[u8; 4]) -> Option<usize> {
    let digit = |c: u8| char::from(c).to_digit(16).map(|d| d as usize);
    let letters = id[2..].iter().all(u8::is_ascii_lowercase);
    let (high, low) = (digit(id[0])?, digit(id[1])?);
    letters.then_some(high * 16 + low)
}
