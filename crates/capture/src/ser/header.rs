//! The 178 bytes at the start of a SER file.
//!
//! SER format description, version 3 (2014); every integer is little-endian, whatever the
//! samples are.
//!
//! | offset | bytes | field |
//! |---|---|---|
//! | 0 | 14 | file id, `LUCAM-RECORDER` |
//! | 14 | 4 | camera series, unused |
//! | 18 | 4 | colour: 0 mono; 8 RGGB, 9 GRBG, 10 GBRG, 11 BGGR; 16 CYYM, 17 YCMY, 18 YMCY, 19 MYYC; 100 RGB, 101 BGR |
//! | 22 | 4 | byte-order flag (see [`FlagConvention`]) |
//! | 26 | 4 | width, px |
//! | 30 | 4 | height, px |
//! | 34 | 4 | bits of a sample; above 8, samples take two bytes |
//! | 38 | 4 | number of frames |
//! | 42 | 40 | observer |
//! | 82 | 40 | instrument |
//! | 122 | 40 | telescope |
//! | 162 | 8 | start, local time, 100-ns ticks since 0001-01-01; not positive: unknown, no trailer |
//! | 170 | 8 | start, UTC |
//! | 178 | | the frames, without gaps, rows from the top down |
//! | | 8 each | trailer: UTC of each frame in the same ticks; may be absent |

use crate::facts::ByteOrder;
use crate::time::Ticks;
use byteorder::{ByteOrder as _, LittleEndian};
use stillwright_picture::{BayerOrder, CmyOrder, Layout};

/// Length of the header, bytes.
pub(crate) const HEADER_BYTES: usize = 178;

/// The file id.
pub(crate) const ID: &[u8; 14] = b"LUCAM-RECORDER";

/// Bytes of each of the three texts.
pub(crate) const TEXT_BYTES: usize = 40;

pub(crate) const COLOUR_AT: u64 = 18;
pub(crate) const WIDTH_AT: u64 = 26;
pub(crate) const DEPTH_AT: u64 = 34;

/// The meaning of the header's byte-order flag.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FlagConvention {
    /// What most camera programs write: 0 says little-endian, 1 big-endian.
    #[default]
    Practice,
    /// What the format description says: 1 little-endian, 0 big-endian.
    Description,
}

impl FlagConvention {
    /// The byte order that `flag` stands for.
    pub fn order(self, flag: i32) -> ByteOrder {
        match (self, flag != 0) {
            (FlagConvention::Practice, false) | (FlagConvention::Description, true) => {
                ByteOrder::Little
            }
            (FlagConvention::Practice, true) | (FlagConvention::Description, false) => {
                ByteOrder::Big
            }
        }
    }

    /// The flag that stands for `order`.
    pub fn flag(self, order: ByteOrder) -> i32 {
        i32::from(self.order(1) == order)
    }
}

/// The colour numbers of the format.
pub(crate) const COLOURS: [(i32, Layout); 11] = [
    (0, Layout::Mono),
    (8, Layout::Bayer(BayerOrder::Rggb)),
    (9, Layout::Bayer(BayerOrder::Grbg)),
    (10, Layout::Bayer(BayerOrder::Gbrg)),
    (11, Layout::Bayer(BayerOrder::Bggr)),
    (16, Layout::Cmy(CmyOrder::Cyym)),
    (17, Layout::Cmy(CmyOrder::Ycmy)),
    (18, Layout::Cmy(CmyOrder::Ymcy)),
    (19, Layout::Cmy(CmyOrder::Myyc)),
    (100, Layout::Rgb),
    (101, Layout::Bgr),
];

/// The header's fields, as they stand.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Header {
    pub(crate) colour: i32,
    pub(crate) flag: i32,
    pub(crate) width: i32,
    pub(crate) height: i32,
    pub(crate) depth: i32,
    pub(crate) frames: i32,
    pub(crate) observer: String,
    pub(crate) instrument: String,
    pub(crate) telescope: String,
    pub(crate) start_local: u64,
    pub(crate) start_utc: u64,
}

impl Header {
    pub(crate) fn decode(b: &[u8; HEADER_BYTES]) -> Header {
        let int = |at: usize| LittleEndian::read_i32(&b[at..at + 4]);
        Header {
            colour: int(18),
            flag: int(22),
            width: int(26),
            height: int(30),
            depth: int(34),
            frames: int(38),
            observer: text(&b[42..82]),
            instrument: text(&b[82..122]),
            telescope: text(&b[122..162]),
            start_local: LittleEndian::read_u64(&b[162..170]),
            start_utc: LittleEndian::read_u64(&b[170..178]),
        }
    }

    pub(crate) fn encode(&self) -> [u8; HEADER_BYTES] {
        let mut b = [0; HEADER_BYTES];
        b[..ID.len()].copy_from_slice(ID);
        for (at, value) in [
            (18, self.colour),
            (22, self.flag),
            (26, self.width),
            (30, self.height),
            (34, self.depth),
            (38, self.frames),
        ] {
            LittleEndian::write_i32(&mut b[at..at + 4], value);
        }
        for (at, words) in [(42, &self.observer), (82, &self.instrument), (122, &self.telescope)] {
            let mut end = words.len().min(TEXT_BYTES);
            while !words.is_char_boundary(end) {
                end -= 1;
            }
            b[at..at + end].copy_from_slice(&words.as_bytes()[..end]);
        }
        LittleEndian::write_u64(&mut b[162..170], self.start_local);
        LittleEndian::write_u64(&mut b[170..178], self.start_utc);
        b
    }

    /// The layout that the colour number stands for.
    pub(crate) fn layout(&self) -> Option<Layout> {
        COLOURS.iter().find(|(number, _)| *number == self.colour).map(|(_, layout)| *layout)
    }
}

/// The start in a header, where it is one.
pub(crate) fn start(bits: u64) -> Option<Ticks> {
    Some(Ticks::from_file(bits)).filter(|ticks| ticks.is_plausible())
}

/// A text field: up to the first zero byte, without control characters, trimmed.
fn text(field: &[u8]) -> String {
    let end = field.iter().position(|byte| *byte == 0).unwrap_or(field.len());
    let words = String::from_utf8_lossy(&field[..end]);
    words.chars().filter(|c| !c.is_control()).collect::<String>().trim().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_survives_the_round_trip() {
        let header = Header {
            colour: 101,
            flag: 1,
            width: 640,
            height: 480,
            depth: 12,
            frames: i32::MIN,
            observer: "K. Kit".to_string(),
            instrument: String::new(),
            telescope: "8-inch f/10".to_string(),
            start_local: 1 << 63,
            start_utc: u64::MAX,
        };
        assert_eq!(Header::decode(&header.encode()), header);
    }

    #[test]
    fn texts_are_cleaned_and_cut_between_characters() {
        assert_eq!(text(b" a\tb\x07 \0junk"), "ab");
        assert_eq!(text(b"\xff\xfe7\n"), "\u{fffd}\u{fffd}7");
        let header = Header {
            observer: "é".repeat(20) + "xyz",
            telescope: "x".to_string() + &"é".repeat(20),
            ..Header::decode(&[0; HEADER_BYTES])
        };
        let back = Header::decode(&header.encode());
        assert_eq!(back.observer, "é".repeat(20));
        assert_eq!(back.telescope, "x".to_string() + &"é".repeat(19));
    }

    #[test]
    fn the_flag_is_read_both_ways() {
        use ByteOrder::{Big, Little};
        for (convention, flag, order) in [
            (FlagConvention::Practice, 0, Little),
            (FlagConvention::Practice, 1, Big),
            (FlagConvention::Description, 0, Big),
            (FlagConvention::Description, 1, Little),
        ] {
            assert_eq!(convention.order(flag), order);
            assert_eq!(convention.flag(order), flag);
        }
    }
}
