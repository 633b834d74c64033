//! AVI files built in memory, after the chunk tables of the format.

use super::{Noise, open_bytes, read};
use stillwright_capture::Capture;
use stillwright_picture::Samples;

/// An AVI file to be built in memory, after the chunk tables of the format.
#[derive(Clone)]
pub struct Avi {
    pub width: i32,
    pub height: i32,
    pub bits: u16,
    pub code: [u8; 4],
    pub palette: Vec<[u8; 4]>,
    /// Frames from the top down, as they should come out.
    pub frames: Vec<Vec<u8>>,
    pub pad_rows: bool,
    /// Frames in each `RIFF` part.
    pub part: usize,
    pub rec_lists: bool,
    pub sound: bool,
    /// Leave all sizes and counts 0 that are only known at the end.
    pub unclosed: bool,
    pub pad_chunks: bool,
    pub declared: Option<u32>,
}

pub fn chunk(id: &[u8; 4], data: &[u8], pad: bool) -> Vec<u8> {
    let mut out = id.to_vec();
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(data);
    if pad && data.len() % 2 == 1 {
        out.push(0);
    }
    out
}

pub fn list(head: &[u8; 4], form: &[u8; 4], chunks: &[u8], unclosed: bool) -> Vec<u8> {
    let mut out = head.to_vec();
    let size = if unclosed { 0 } else { chunks.len() as u32 + 4 };
    out.extend(size.to_le_bytes());
    out.extend(form);
    out.extend(chunks);
    out
}

impl Avi {
    pub fn new(width: i32, height: i32, bits: u16, count: usize) -> Avi {
        let mut noise = Noise(5);
        let n = width as usize * height.unsigned_abs() as usize * usize::from(bits) / 8;
        let frames = (0..count).map(|_| (0..n).map(|_| noise.below(256) as u8).collect()).collect();
        Avi {
            width,
            height,
            bits,
            code: [0; 4],
            palette: Vec::new(),
            frames,
            pad_rows: true,
            part: usize::MAX,
            rec_lists: false,
            sound: false,
            unclosed: false,
            pad_chunks: true,
            declared: None,
        }
    }

    fn picture(&self, frame: &[u8]) -> Vec<u8> {
        let row = self.width as usize * usize::from(self.bits) / 8;
        let mut rows: Vec<Vec<u8>> = frame.chunks(row).map(<[u8]>::to_vec).collect();
        if self.height > 0 && &self.code != b"Y800" {
            rows.reverse();
        }
        for row in &mut rows {
            if self.bits == 24 {
                row.chunks_exact_mut(3).for_each(|pixel| pixel.swap(0, 2));
            }
            if self.pad_rows {
                row.resize(row.len().next_multiple_of(4), 0xee);
            }
        }
        rows.concat()
    }

    fn headers(&self) -> Vec<u8> {
        let declared = self.declared.unwrap_or(self.frames.len() as u32);
        let declared = if self.unclosed { 0 } else { declared };
        let stream = |kind: &[u8; 4], format: &[u8]| {
            let mut strh = vec![0; 56];
            strh[..4].copy_from_slice(kind);
            strh[20..24].copy_from_slice(&1_u32.to_le_bytes());
            strh[24..28].copy_from_slice(&40_u32.to_le_bytes());
            strh[32..36].copy_from_slice(&declared.to_le_bytes());
            let both = [chunk(b"strh", &strh, true), chunk(b"strf", format, true)].concat();
            list(b"LIST", b"strl", &both, false)
        };
        let mut avih = vec![0; 56];
        avih[..4].copy_from_slice(&25_000_u32.to_le_bytes());
        let first_part = (declared as usize).min(self.part) as u32;
        avih[16..20].copy_from_slice(&first_part.to_le_bytes());
        let mut strf = vec![0; 40];
        strf[..4].copy_from_slice(&40_u32.to_le_bytes());
        strf[4..8].copy_from_slice(&self.width.to_le_bytes());
        strf[8..12].copy_from_slice(&self.height.to_le_bytes());
        strf[14..16].copy_from_slice(&self.bits.to_le_bytes());
        strf[16..20].copy_from_slice(&self.code);
        strf[32..36].copy_from_slice(&(self.palette.len() as u32).to_le_bytes());
        strf.extend(self.palette.concat());
        let mut all = chunk(b"avih", &avih, true);
        if self.sound {
            all.extend(stream(b"auds", &[0; 18]));
        }
        all.extend(stream(b"vids", &strf));
        let dmlh = chunk(b"dmlh", &declared.to_le_bytes(), true);
        all.extend(list(b"LIST", b"odml", &dmlh, false));
        list(b"LIST", b"hdrl", &all, false)
    }

    pub fn build(&self) -> Vec<u8> {
        let id = if self.sound { b"01db" } else { b"00db" };
        let mut out = Vec::new();
        for (i, frames) in self.frames.chunks(self.part.min(self.frames.len())).enumerate() {
            let mut movi = Vec::new();
            for frame in frames {
                let mut group = chunk(id, &self.picture(frame), self.pad_chunks);
                if self.sound {
                    group.extend(chunk(b"00wb", &[9; 7], self.pad_chunks));
                }
                if self.rec_lists {
                    group = list(b"LIST", b"rec ", &group, self.unclosed);
                }
                movi.extend(group);
            }
            let mut part = if i == 0 { self.headers() } else { Vec::new() };
            part.extend(chunk(b"JUNK", &[b'x'; 33], true));
            part.extend(list(b"LIST", b"INFO", &chunk(b"ISFT", b"tests", true), false));
            part.extend(list(b"LIST", b"movi", &movi, self.unclosed));
            if !self.unclosed {
                // An index that is wrong from one end to the other: nobody may read it.
                part.extend(chunk(b"idx1", &[0xff; 48], true));
            }
            out.extend(list(b"RIFF", if i == 0 { b"AVI " } else { b"AVIX" }, &part, self.unclosed));
        }
        out
    }

    pub fn check(&self, case: &str) -> Box<dyn Capture> {
        let capture = open_bytes(self.build()).unwrap();
        assert_eq!(capture.frame_count(), self.frames.len(), "{case}");
        for (i, frame) in self.frames.iter().enumerate() {
            assert_eq!(read(&*capture, i), Samples::U8(frame.clone()), "{case}, frame {i}");
        }
        let facts = capture.facts();
        assert_eq!(facts.width, self.width as usize);
        assert_eq!(facts.height, self.height.unsigned_abs() as usize);
        assert!((facts.duration_s.unwrap() - 0.025 * self.frames.len() as f64).abs() < 1e-9);
        capture
    }
}
