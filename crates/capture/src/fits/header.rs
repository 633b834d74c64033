//! One header: its cards, and what they say of the data that follow.

use crate::bytes::{Bytes, read_up_to};
use crate::error::{CaptureError, Fault};
use crate::time::Ticks;
use stillwright_picture::{BayerOrder, Layout};

/// Headers and data are padded to this.
const BLOCK: u64 = 2880;
const CARD: usize = 80;

/// Longest header that is read, blocks: more than ten thousand cards.
const MOST_BLOCKS: u64 = 300;

/// Most axes that the standard allows.
const MOST_AXES: u64 = 999;

/// A header.
#[derive(Clone, Debug)]
pub(super) struct Header {
    /// Where it begins.
    pub(super) offset: u64,
    /// Where the data begin.
    pub(super) data: u64,
    cards: Vec<[u8; CARD]>,
}

impl Header {
    /// Read the header at `offset`; `None` where the file ends before.
    pub(super) fn read(bytes: &dyn Bytes, offset: u64) -> Result<Option<Header>, CaptureError> {
        let mut header = Header { offset, data: offset, cards: Vec::new() };
        let mut block = [0; BLOCK as usize];
        for _ in 0..MOST_BLOCKS {
            let at = header.data;
            let n = read_up_to(bytes, at, &mut block).map_err(|e| CaptureError::reading(at, e))?;
            if n == 0 && at == offset {
                return Ok(None);
            }
            header.data += BLOCK;
            for card in block[..n].chunks_exact(CARD) {
                let mut whole = [0; CARD];
                whole.copy_from_slice(card);
                if whole.starts_with(b"END     ") {
                    return Ok(Some(header));
                }
                header.cards.push(whole);
            }
            if n < block.len() {
                break;
            }
        }
        Err(CaptureError::Damaged(Fault::new(
            "a header that ends in a card END",
            format!("none in {} cards", header.cards.len()),
            offset,
            "nothing can be saved from this file; it was probably cut off before its first frame",
        )))
    }

    /// The value of `keyword` as it stands, without remark.
    fn value(&self, keyword: &str) -> Option<&str> {
        let card = self.cards.iter().find(|card| {
            std::str::from_utf8(&card[..8]).is_ok_and(|k| k.trim_end() == keyword)
                && card[8] == b'='
        })?;
        let text = std::str::from_utf8(&card[9..]).ok()?.trim_start();
        if let Some(quoted) = text.strip_prefix('\'') {
            // A doubled quote stands for one; names and dates have none.
            return quoted.split('\'').next().map(str::trim_end);
        }
        text.split('/').next().map(str::trim)
    }

    /// A string, or nothing.
    pub(super) fn text(&self, keyword: &str) -> String {
        self.value(keyword).unwrap_or_default().trim().to_string()
    }

    pub(super) fn number(&self, keyword: &str) -> Option<f64> {
        let text = self.value(keyword)?.replace(['D', 'd'], "E");
        text.parse().ok().filter(|number: &f64| number.is_finite())
    }

    fn integer(&self, keyword: &str) -> Option<i64> {
        self.value(keyword)?.parse().ok()
    }

    /// Whether it is of an extension, and which kind.
    pub(super) fn extension(&self) -> Option<&str> {
        self.value("XTENSION")
    }

    /// Whether pictures are packed into a table.
    pub(super) fn is_packed(&self) -> bool {
        self.value("ZIMAGE") == Some("T")
    }

    /// The axes; empty where there are no data.
    pub(super) fn axes(&self) -> Result<Vec<u64>, CaptureError> {
        let damaged = |what: String| {
            CaptureError::Damaged(Fault::new(
                "a header with NAXIS and the length of each axis",
                what,
                self.offset,
                "the header is damaged; if a copy of the file exists elsewhere, use that",
            ))
        };
        let count = self.integer("NAXIS").and_then(|n| u64::try_from(n).ok());
        let count = count.filter(|n| *n <= MOST_AXES).ok_or_else(|| damaged("no NAXIS".into()))?;
        (1..=count)
            .map(|n| {
                let keyword = format!("NAXIS{n}");
                let length = self.integer(&keyword).and_then(|n| u64::try_from(n).ok());
                length.ok_or_else(|| damaged(format!("no {keyword}")))
            })
            .collect()
    }

    /// Type of the stored numbers.
    pub(super) fn bitpix(&self) -> Result<i64, CaptureError> {
        self.integer("BITPIX").filter(|n| [8, 16, 32, 64, -32, -64].contains(n)).ok_or_else(|| {
            CaptureError::Damaged(Fault::new(
                "BITPIX of 8, 16, 32, 64, -32 or -64",
                self.text("BITPIX"),
                self.offset,
                "the header is damaged; if a copy of the file exists elsewhere, use that",
            ))
        })
    }

    /// Length of the data with their padding, as the header has it; `None` when absurd.
    pub(super) fn data_bytes(&self) -> Option<u64> {
        let axes = self.axes().ok()?;
        let mut count = u64::from(!axes.is_empty());
        for axis in axes {
            count = count.checked_mul(axis)?;
        }
        let more = self.integer("PCOUNT").and_then(|n| u64::try_from(n).ok()).unwrap_or(0);
        let groups = self.integer("GCOUNT").and_then(|n| u64::try_from(n).ok()).unwrap_or(1);
        let samples = count.checked_add(more)?.checked_mul(groups)?;
        let bytes = samples.checked_mul(self.bitpix().ok()?.unsigned_abs() / 8)?;
        bytes.checked_next_multiple_of(BLOCK)
    }

    /// The mosaic that the keywords of cameras name.
    pub(super) fn bayer(&self) -> Option<Layout> {
        let name = ["BAYERPAT", "COLORTYP"].iter().find_map(|keyword| self.value(keyword))?;
        let Layout::Bayer(order) = Layout::from_name(name.trim())? else { return None };
        let odd = |keyword: &str| self.number(keyword).is_some_and(|n| n as i64 & 1 == 1);
        let order = if odd("XBAYROFF") { beside(order) } else { order };
        Some(Layout::Bayer(if odd("YBAYROFF") { below(order) } else { order }))
    }

    /// Whether the first row in the file is the lowest.
    pub(super) fn bottom_up(&self) -> bool {
        self.value("ROWORDER").is_some_and(|order| order.eq_ignore_ascii_case("BOTTOM-UP"))
    }

    /// Exposure, s.
    pub(super) fn exposure_s(&self) -> Option<f64> {
        let found = ["EXPTIME", "EXPOSURE"].iter().find_map(|keyword| self.number(keyword));
        found.filter(|seconds| *seconds > 0.0)
    }

    /// The camera's gain, in its own units.
    pub(super) fn gain(&self) -> Option<f64> {
        self.number("GAIN")
    }

    /// Bits of the samples that floats were made from; our own word.
    pub(super) fn bit_depth(&self) -> Option<u8> {
        self.integer("BITDEPTH").and_then(|n| u8::try_from(n).ok()).filter(|n| (1..=16).contains(n))
    }

    /// When the exposure began, UTC.
    pub(super) fn begun(&self) -> Option<Ticks> {
        ["DATE-BEG", "DATE-OBS"].iter().find_map(|keyword| Ticks::from_iso(self.value(keyword)?))
    }
}

/// The order seen one column further.
fn beside(order: BayerOrder) -> BayerOrder {
    match order {
        BayerOrder::Rggb => BayerOrder::Grbg,
        BayerOrder::Grbg => BayerOrder::Rggb,
        BayerOrder::Gbrg => BayerOrder::Bggr,
        BayerOrder::Bggr => BayerOrder::Gbrg,
    }
}

/// The order seen one row further.
fn below(order: BayerOrder) -> BayerOrder {
    match order {
        BayerOrder::Rggb => BayerOrder::Gbrg,
        BayerOrder::Gbrg => BayerOrder::Rggb,
        BayerOrder::Grbg => BayerOrder::Bggr,
        BayerOrder::Bggr => BayerOrder::Grbg,
    }
}
