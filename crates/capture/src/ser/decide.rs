//! How samples are stored: decided from the pixels, for headers are used in every way.
//!
//! *Byte order.* Two things tell it. With fewer than 16 bits, the bits that no sample sets must
//! lie all at the top (right-justified) or all at the bottom (left-justified): in the wrong order
//! they hardly ever do. Otherwise neighbours are alike: with the bytes swapped, noise in the low
//! byte becomes large jumps, so the order with the smaller sum of differences is right. Full-scale
//! noise, blank frames and samples with one byte always zero leave it open; then the header's flag
//! is read as most camera programs write it.
//!
//! *Justification.* Bits never set at the top: right; bits never set at the bottom: left.

use super::evidence::Evidence;
use super::header::FlagConvention;
use crate::facts::{ByteOrder, Justification, Overrides, Remark, RemarkCode};

/// How samples of two bytes are stored.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Storage {
    pub(crate) order: ByteOrder,
    pub(crate) justification: Justification,
    pub(crate) depth: u8,
    pub(crate) warnings: Vec<Remark>,
    pub(crate) notes: Vec<Remark>,
}

/// By how much one sum of differences must exceed the other to tell, for ever so many pairs.
/// Smaller, and full-scale noise that is not quite even would tip it; larger, and noisy 16-bit
/// captures (standard deviation above a quarter of full scale) would be left open.
const TELLING_RATIO: f64 = 1.1;

/// Standard errors that the ratio of the two sums must stand clear of chance, each being about
/// 1 / sqrt(pairs).
const CLEAR_OF_CHANCE: f64 = 5.0;

/// Decide for two-byte samples of `depth` bits (9 to 16) as the header has it.
pub(super) fn decide(seen: &Evidence, depth: u8, flag: i32, overrides: &Overrides) -> Storage {
    let mut storage = Storage {
        order: FlagConvention::Practice.order(flag),
        justification: Justification::Right,
        depth,
        warnings: Vec::new(),
        notes: Vec::new(),
    };
    match overrides.byte_order {
        Some(order) => storage.order = order,
        None => storage.settle_order(seen, flag),
    }
    storage.settle_bits(seen, overrides);
    storage
}

/// Decide for two-byte samples whose byte order is known; `bits` is every bit that any sample
/// looked at sets, `telling` whether those were many.
pub(crate) fn decide_bits(bits: u16, depth: u8, telling: bool, overrides: &Overrides) -> Storage {
    let mut storage = Storage {
        order: ByteOrder::Little,
        justification: Justification::Right,
        depth: overrides.bit_depth.unwrap_or(depth),
        warnings: Vec::new(),
        notes: Vec::new(),
    };
    if telling {
        storage.settle_left(bits, overrides);
    }
    storage.settle_bits(&Evidence { bits, ..Evidence::default() }, overrides);
    storage
}

impl Storage {
    /// By how many bits samples are moved down.
    pub(crate) fn shift(&self) -> u32 {
        match self.justification {
            Justification::Left => 16 - u32::from(self.depth.clamp(1, 16)),
            Justification::Right => 0,
        }
    }

    /// Full scale.
    pub(crate) fn white(&self) -> u16 {
        u16::MAX >> (16 - u32::from(self.depth.clamp(1, 16)))
    }

    /// Pictures say two bytes and no more: a camera's 10, 12 or 14 bits in the upper ones show by lower ones that no
    /// sample sets. Then full scale is that of those bits, or nothing would ever count as clipped.
    fn settle_left(&mut self, bits: u16, overrides: &Overrides) {
        let unused = bits.trailing_zeros().min(16) as u8;
        let given = overrides.bit_depth.is_some() || overrides.justification.is_some();
        if self.depth != 16 || given || bits.leading_zeros() > 0 || ![2, 4, 6].contains(&unused) {
            return;
        }
        self.depth = 16 - unused;
        self.justification = Justification::Left;
        self.notes.push(Remark::new(
            RemarkCode::FullScale,
            format!(
                "the lowest {unused} of 16 bits are never set: the samples were taken as {} bits, \
                 left-justified",
                self.depth
            ),
        ));
    }

    fn settle_order(&mut self, seen: &Evidence, flag: i32) {
        let practice = FlagConvention::Practice.order(flag);
        match order_from_pixels(seen, self.depth, practice) {
            Verdict::Sure(order) => {
                self.order = order;
                if order != practice {
                    self.notes.push(Remark::new(
                        RemarkCode::ByteOrderFlag,
                        format!(
                            "the header's byte-order flag is {flag}, which most camera programs \
                             write for {}-endian samples, but the pixels are {}-endian; the pixels \
                             were believed",
                            practice.name(),
                            order.name()
                        ),
                    ));
                }
            }
            Verdict::Any => {}
            Verdict::Open(order) => {
                self.order = order;
                self.warnings.push(Remark::new(
                    RemarkCode::ByteOrderUnsure,
                    format!(
                        "the byte order could not be told from the pixels (blank or very dark \
                         frames, or nothing but noise); {}-endian was taken; if the frames look \
                         like coarse noise, set the byte order to {}",
                        order.name(),
                        other(order).name()
                    ),
                ));
            }
        }
    }

    fn settle_bits(&mut self, seen: &Evidence, overrides: &Overrides) {
        let bits = seen.bits_in(self.order);
        let used = 16 - bits.leading_zeros() as u8;
        if let Some(justification) = overrides.justification {
            self.justification = justification;
        } else if self.depth < 16 && bits != 0 && bits & below(self.depth) == 0 {
            self.justification = Justification::Left;
            if used <= self.depth {
                self.warnings.push(Remark::new(
                    RemarkCode::JustificationUnsure,
                    format!(
                        "the {} samples were taken as left-justified, for their lowest {} bits are \
                         never set, but so are their highest; if the frames come out too dark, set \
                         the justification to right",
                        words_for_bits(self.depth),
                        16 - self.depth
                    ),
                ));
            }
        }
        if overrides.bit_depth.is_some() || self.justification == Justification::Left {
            return;
        }
        if used > self.depth {
            let depth = [10, 12, 14].into_iter().find(|depth| *depth >= used).unwrap_or(16);
            self.warnings.push(Remark::new(
                RemarkCode::BitDepthExceeded,
                format!(
                    "the header says {} bits, but samples use {used}; {depth} bits were taken; set \
                     the bit depth if the camera gave another",
                    self.depth
                ),
            ));
            self.depth = depth;
        } else if self.depth == 16 && (9..=14).contains(&used) {
            let depth = [10, 12, 14].into_iter().find(|depth| *depth >= used).unwrap_or(16);
            self.notes.push(Remark::new(
                RemarkCode::BitDepthUnused,
                format!(
                    "the header says 16 bits, but no sample looked at uses more than {used}; if \
                     the camera gave {depth} bits, set the bit depth to {depth} for true exposure \
                     figures"
                ),
            ));
        }
    }
}

enum Verdict {
    /// The pixels tell.
    Sure(ByteOrder),
    /// Both orders give the same samples.
    Any,
    /// The pixels do not tell; this is the better guess.
    Open(ByteOrder),
}

fn order_from_pixels(seen: &Evidence, depth: u8, practice: ByteOrder) -> Verdict {
    use ByteOrder::{Big, Little};
    if seen.bits == 0 {
        return Verdict::Open(practice);
    }
    if seen.lopsided == 0 {
        return Verdict::Any;
    }
    match (fits(seen.bits_in(Little), depth), fits(seen.bits_in(Big), depth)) {
        (true, false) => return Verdict::Sure(Little),
        (false, true) => return Verdict::Sure(Big),
        _ => {}
    }
    let (low, high) = (seen.bits & 0xff, seen.bits >> 8);
    if low == 0 || high == 0 {
        // Dark and right-justified in one order, or eight bits at the top in the other: the
        // same picture but for its scale. Fewer than 16 declared bits speak for the dark one.
        let dark = if high == 0 { Little } else { Big };
        return match (depth < 16, dark == practice) {
            (true, true) => Verdict::Sure(dark),
            (true, false) => Verdict::Open(dark),
            (false, _) => Verdict::Open(practice),
        };
    }
    let threshold = TELLING_RATIO + CLEAR_OF_CHANCE / (seen.pairs.max(1) as f64).sqrt();
    let (little, big) = (seen.little as f64, seen.big as f64);
    if big > little * threshold {
        Verdict::Sure(Little)
    } else if little > big * threshold {
        Verdict::Sure(Big)
    } else {
        Verdict::Open(practice)
    }
}

/// Whether samples that set these bits can be of `depth` bits, left- or right-justified.
fn fits(bits: u16, depth: u8) -> bool {
    depth >= 16 || bits >> depth == 0 || bits & below(depth) == 0
}

/// The bits that left-justified samples of `depth` bits never set.
fn below(depth: u8) -> u16 {
    u16::MAX.checked_shr(u32::from(depth)).unwrap_or(0)
}

fn other(order: ByteOrder) -> ByteOrder {
    match order {
        ByteOrder::Little => ByteOrder::Big,
        ByteOrder::Big => ByteOrder::Little,
    }
}

fn words_for_bits(depth: u8) -> String {
    format!("{depth}-bit")
}
