//! The headers of an AVI file: what streams there are, and how pictures are stored.
//!
//! | chunk | offset | bytes | field |
//! |---|---|---|---|
//! | `avih` | 0 | 4 | microseconds a frame |
//! | | 16 | 4 | frames, in the first part of the file only |
//! | `dmlh` | 0 | 4 | frames in all parts |
//! | `strh` | 0 | 4 | kind: `vids`, `auds`, ... |
//! | | 20 | 4 | scale |
//! | | 24 | 4 | rate; rate / scale frames a second |
//! | | 32 | 4 | frames |
//! | `strf` | 0 | 4 | length of this head, at least 40 |
//! | | 4 | 4 | width, px |
//! | | 8 | 4 | height, px; negative: rows from the top down |
//! | | 14 | 2 | bits a pixel |
//! | | 16 | 4 | compression: 0 or a four-character code |
//! | | 32 | 4 | colours in the palette, 0 for as many as the bits allow |
//! | | (length) | 4 each | palette of 8-bit pictures: blue, green, red, 0 |

use crate::bytes::{Bytes, read_up_to};
use crate::error::{CaptureError, Fault};
use byteorder::{ByteOrder as _, LittleEndian};

use super::walk::Chunk;

/// Most that is read of any header chunk: the bitmap head with a full palette, and some.
const MOST: usize = 4096;

/// Most streams that are told apart; the chunk ids have no room for more.
const MOST_STREAMS: usize = 256;

/// What the headers say, gathered chunk by chunk.
#[derive(Clone, Debug, Default)]
pub(super) struct Headers {
    pub(super) microseconds: u32,
    pub(super) first_part_frames: u32,
    pub(super) all_frames: Option<u32>,
    pub(super) streams: Vec<Stream>,
}

/// One stream.
#[derive(Clone, Debug, Default)]
pub(super) struct Stream {
    pub(super) kind: [u8; 4],
    pub(super) scale: u32,
    pub(super) rate: u32,
    pub(super) frames: u32,
    pub(super) bitmap: Option<Bitmap>,
}

/// How pictures are stored.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bitmap {
    /// Where the head stands in the file.
    pub(super) offset: u64,
    pub(super) width: i32,
    pub(super) height: i32,
    pub(super) bits: u16,
    pub(super) compression: [u8; 4],
    /// Blue, green, red, 0; empty where there is none.
    pub(super) palette: Vec<[u8; 4]>,
}

impl Headers {
    /// Take in a stream list.
    pub(super) fn begin_stream(&mut self) {
        if self.streams.len() < MOST_STREAMS {
            self.streams.push(Stream::default());
        }
    }

    /// Take in a header chunk; others are left alone.
    pub(super) fn take(&mut self, bytes: &dyn Bytes, chunk: &Chunk) -> Result<(), CaptureError> {
        if !matches!(&chunk.id, b"avih" | b"dmlh" | b"strh" | b"strf") {
            return Ok(());
        }
        let mut data = vec![0; chunk.size.min(MOST as u64) as usize];
        let n = read_up_to(bytes, chunk.offset, &mut data)
            .map_err(|e| CaptureError::reading(chunk.offset, e))?;
        data.truncate(n);
        let int = |at: usize| data.get(at..at + 4).map_or(0, LittleEndian::read_u32);
        match &chunk.id {
            b"avih" => {
                self.microseconds = int(0);
                self.first_part_frames = int(16);
            }
            b"dmlh" => self.all_frames = Some(int(0)),
            b"strh" => {
                if let (Some(stream), Some(kind)) = (self.streams.last_mut(), data.get(..4)) {
                    stream.kind.copy_from_slice(kind);
                    stream.scale = int(20);
                    stream.rate = int(24);
                    stream.frames = int(32);
                }
            }
            _ => {
                if let Some(stream) = self.streams.last_mut()
                    && &stream.kind == b"vids"
                {
                    stream.bitmap = Some(bitmap(&data, chunk.offset)?);
                }
            }
        }
        Ok(())
    }

    /// The stream whose pictures are read: the first of its kind, with its number.
    pub(super) fn video(&self) -> Option<(usize, &Stream)> {
        self.streams.iter().enumerate().find(|(_, stream)| &stream.kind == b"vids")
    }

    /// Mean interval of frames, s.
    pub(super) fn interval_s(&self) -> Option<f64> {
        if self.microseconds > 0 {
            return Some(f64::from(self.microseconds) * 1e-6);
        }
        let (_, stream) = self.video()?;
        (stream.rate > 0 && stream.scale > 0)
            .then(|| f64::from(stream.scale) / f64::from(stream.rate))
    }

    /// Frames promised in all parts, and whether that number covers all parts.
    pub(super) fn declared(&self) -> (i64, bool) {
        match self.all_frames {
            Some(frames) if frames > 0 => (i64::from(frames), true),
            _ => {
                let stream = self.video().map_or(0, |(_, stream)| stream.frames);
                (i64::from(self.first_part_frames.max(stream)), false)
            }
        }
    }
}

fn bitmap(data: &[u8], offset: u64) -> Result<Bitmap, CaptureError> {
    if data.len() < 40 {
        return Err(CaptureError::Damaged(Fault::new(
            "40 bytes that say how pictures are stored",
            format!("{}", data.len()),
            offset,
            "the header is damaged; if a copy of the file exists elsewhere, use that",
        )));
    }
    let bits = LittleEndian::read_u16(&data[14..16]);
    let colours = match LittleEndian::read_u32(&data[32..36]) as usize {
        0 => 256,
        n => n.min(256),
    };
    let start = (LittleEndian::read_u32(&data[0..4]) as usize).clamp(40, data.len());
    let palette = data[start..].chunks_exact(4).take(colours).map(|c| [c[0], c[1], c[2], c[3]]);
    Ok(Bitmap {
        offset,
        width: LittleEndian::read_i32(&data[4..8]),
        height: LittleEndian::read_i32(&data[8..12]),
        bits,
        compression: [data[16], data[17], data[18], data[19]],
        palette: if bits == 8 { palette.collect() } else { Vec::new() },
    })
}
