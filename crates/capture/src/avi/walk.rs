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
    /// Where the walk met bytes that begin no chunk, and found no picture after them.
    pub(super) lost_at: Option<u64>,
    /// The last picture: its id, its length, and the first bytes of its data.
    last_picture: Option<([u8; 4], u32, [u8; 2])>,
    /// Bytes that began no chunk, before pictures that were found after them.
    pub(super) stepped_over: u64,
}

/// How far on the next picture is looked for, where chunks make no sense. A block of a disk that
/// went bad is smaller; files whose room was set aside beforehand go on in zeros for ever.
const LOOK_ON: u64 = 64 << 20;

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
            last_picture: None,
            stepped_over: 0,
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
            let Some(next) = self.next_picture(self.at + 1)? else {
                self.lost_at = Some(self.at);
                return Ok(None);
            };
            self.stepped_over += next - self.at;
            self.at = next;
            return self.step();
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
        if missing > 0
            && let Some(next) = self.next_picture(offset)?
        {
            // Not the end of a file that was cut off, but a length that lies.
            self.stepped_over += next - (offset - 8);
            self.at = next;
            self.after_odd = false;
            return self.step();
        }
        if missing == 0 && size > 8 && stream_of(&id).is_some() && matches!(&id[2..], b"db" | b"dc")
        {
            let begin = [head[8], head[9]];
            self.last_picture = Some((id, size as u32, begin));
        }
        Ok(Some(Step::Over(Chunk { id, offset, size, missing })))
    }

    /// Where the next picture like the last one begins, at or behind `from`: the same id, and either the same length
    /// or the two bytes that every JPEG picture begins with.
    fn next_picture(&self, from: u64) -> io::Result<Option<u64>> {
        let Some((id, size, begin)) = self.last_picture else { return Ok(None) };
        let jpeg = begin == [0xff, 0xd8];
        let size = size.to_le_bytes();
        let is_picture =
            |w: &[u8]| w[..4] == id && if jpeg { w[8..10] == begin } else { w[4..8] == size };
        let mut block = vec![0; 1 << 20];
        let mut at = from;
        let end = at.saturating_add(LOOK_ON).min(self.len);
        while at + 10 <= end {
            let n = read_up_to(self.bytes, at, &mut block)?;
            if let Some(place) = block[..n].windows(10).position(is_picture) {
                return Ok(Some(at + place as u64));
            }
            if n < block.len() {
                break;
            }
            at += n as u64 - 9;
        }
        Ok(None)
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
