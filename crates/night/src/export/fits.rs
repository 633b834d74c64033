//! FITS, 32-bit float, one primary array: grey (two axes) or red, green, blue planes (three).
//!
//! | bytes | meaning |
//! |---|---|
//! | n x 2880 | header: cards of 80 ASCII characters, the last one END, padded with spaces |
//! | m x 2880 | big-endian IEEE floats, columns fastest, then rows, then colours; padded with zeros |
//!
//! The first row in the file is the **top** row of the frame (`ROWORDER = 'TOP-DOWN'`); viewers
//! that draw the first row at the bottom show the picture upside down.
//!
//! The header holds no date of writing, so that the same capture and recipe give the same
//! bytes; `DATE-OBS` is the capture's own time, where it has one.
//!
//! Source: Pence et al., Astronomy & Astrophysics 524, A42 (2010) and the FITS Standard 4.0 (2018).

use super::{Caption, ExportError, caption::ascii};
use std::io::Write;
use stillwright_picture::Picture;

const BLOCK_BYTES: usize = 2880;
const CARD_BYTES: usize = 80;

/// Floats as they are.
pub(super) fn write<W: Write>(
    picture: &Picture,
    caption: &Caption,
    mut out: W,
) -> Result<(), ExportError> {
    out.write_all(&header(picture, caption))?;
    write_floats(picture.planes.iter().copied(), picture.planes.len(), &mut out)?;
    Ok(())
}

/// The data of one array of `count` floats, padded to whole blocks.
pub(crate) fn write_floats(
    values: impl Iterator<Item = f32>,
    count: usize,
    out: &mut dyn Write,
) -> std::io::Result<()> {
    let mut bytes = Vec::with_capacity(4 * 1024);
    for value in values {
        bytes.extend_from_slice(&value.to_be_bytes());
        if bytes.len() >= 4 * 1024 {
            out.write_all(&bytes)?;
            bytes.clear();
        }
    }
    bytes.resize(bytes.len() + (BLOCK_BYTES - (count * 4) % BLOCK_BYTES) % BLOCK_BYTES, 0);
    out.write_all(&bytes)?;
    out.flush()
}

fn header(picture: &Picture, caption: &Caption) -> Vec<u8> {
    let mut cards = Cards::default();
    cards.value("SIMPLE", "T", "conforms to the FITS standard");
    cards.value("BITPIX", "-32", "32-bit IEEE floats");
    let axes = if picture.channels() == 1 { 2 } else { 3 };
    cards.value("NAXIS", &axes.to_string(), "");
    cards.value("NAXIS1", &picture.width().to_string(), "columns, left to right");
    cards.value("NAXIS2", &picture.height().to_string(), "rows, top to bottom");
    if axes == 3 {
        cards.value("NAXIS3", &picture.channels().to_string(), "red, green, blue");
    }
    cards.text("ROWORDER", "TOP-DOWN", "first row here is the top row of the frame");
    cards.text("CREATOR", &caption.program, "");
    cards.text("CAPTURE", &caption.capture, "file of the capture");
    if let Some(begun) = &caption.begun_utc {
        cards.text("DATE-OBS", begun, "first light of the capture");
        cards.text("TIMESYS", "UTC", "");
    }
    for (name, value) in [
        ("OBSERVER", &caption.observer),
        ("INSTRUME", &caption.instrument),
        ("TELESCOP", &caption.telescope),
    ] {
        if let Some(value) = value.as_deref().filter(|value| !value.is_empty()) {
            cards.text(name, value, "");
        }
    }
    if let Some(frame) = caption.reference_frame {
        cards.value("REFFRAME", &frame.to_string(), "frame with this pixel grid, from 0");
    }
    if let Some(scale) = caption.scale {
        cards.value("OUTSCALE", &real(f64::from(scale)), "px here per px of the capture");
    }
    if let Some(arcsec) = caption.pixel_arcsec {
        cards.value("PIXSCALE", &real(arcsec), "arcsec per px here");
    }
    if let Some(frames) = caption.frames_used {
        cards.value("NFRAMES", &frames.to_string(), "frames that gave light");
    }
    if let Some(keep) = caption.keep_percent {
        cards.value("KEEP", &real(f64::from(keep)), "percent of the best moments kept");
    }
    cards.comment(&format!("Content: {}.", caption.content));
    cards.comment(&caption.values);
    if let Some(note) = &caption.note {
        cards.comment(note);
    }
    cards.comment("Rows run from the top of the frame to its bottom, columns from left to right:");
    cards.comment("pixel (1, 1) is the top left corner of the reference frame, not turned.");
    cards.end()
}

/// A real number as FITS wants it: with a point, an `E` where needed, at most 20 characters.
pub(crate) fn real(value: f64) -> String {
    if !value.is_finite() {
        return "0.0".into();
    }
    let plain = match format!("{value:?}").split_once('e') {
        Some((digits, power)) if digits.contains('.') => format!("{digits}E{power}"),
        Some((digits, power)) => format!("{digits}.0E{power}"),
        None => format!("{value:?}"),
    };
    if plain.len() <= 20 { plain } else { format!("{value:.10E}") }
}

/// A header in the making.
#[derive(Debug, Default)]
pub(crate) struct Cards(Vec<u8>);

impl Cards {
    /// One card, cut to 80 characters of printable ASCII.
    fn push(&mut self, card: &str) {
        let line = ascii(card).replace('\n', " ");
        let cut = &line.as_bytes()[..line.len().min(CARD_BYTES)];
        self.0.extend_from_slice(cut);
        self.0.resize(self.0.len() + CARD_BYTES - cut.len(), b' ');
    }

    /// A number or a truth value, right-justified to column 30 (fixed format).
    pub(crate) fn value(&mut self, name: &str, value: &str, words: &str) {
        let slash = if words.is_empty() { "" } else { " / " };
        self.push(&format!("{name:<8}= {value:>20}{slash}{words}"));
    }

    /// A string: in quotes, inner quotes doubled, at least 8 and at most 68 characters.
    pub(crate) fn text(&mut self, name: &str, value: &str, words: &str) {
        let mut quoted = String::new();
        for c in ascii(value).replace('\n', " ").trim_end().chars() {
            let width = if c == '\'' { 2 } else { 1 };
            if quoted.len() + width > 68 {
                break;
            }
            quoted.push(c);
            if c == '\'' {
                quoted.push(c);
            }
        }
        let string = format!("'{quoted:<8}'");
        let slash = if words.is_empty() { "" } else { " / " };
        self.push(&format!("{name:<8}= {string:<20}{slash}{words}"));
    }

    /// Free words, over as many cards as they need.
    pub(crate) fn comment(&mut self, words: &str) {
        let mut line = String::new();
        for word in words.split_whitespace() {
            if !line.is_empty() && line.len() + 1 + word.chars().count() > CARD_BYTES - 8 {
                self.push(&format!("COMMENT {line}"));
                line.clear();
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(&ascii(word));
        }
        if !line.is_empty() {
            self.push(&format!("COMMENT {line}"));
        }
    }

    /// The finished header, padded to whole blocks.
    pub(crate) fn end(mut self) -> Vec<u8> {
        self.push("END");
        let blocks = self.0.len().div_ceil(BLOCK_BYTES);
        self.0.resize(blocks * BLOCK_BYTES, b' ');
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::ladder;
    use super::*;

    fn caption() -> Caption {
        Caption {
            content: "stack, linear".into(),
            capture: "o'clock \u{fc}.ser".into(),
            program: "Stillwright 0.1.0".into(),
            scale: Some(1.5),
            reference_frame: Some(7),
            begun_utc: Some("2024-11-15T21:30:00.000".into()),
            values: "Linear light; 1.0 is the camera's full scale. ".repeat(4),
            ..Caption::default()
        }
    }

    #[test]
    fn the_header_is_made_of_whole_cards_in_the_order_of_the_standard() {
        for channels in [1, 3] {
            let bytes = header(&ladder(channels, 5, 9), &caption());
            assert_eq!(bytes.len() % BLOCK_BYTES, 0);
            assert!(bytes.iter().all(|b| (b' '..=b'~').contains(b)));
            let cards: Vec<&str> =
                bytes.chunks(80).map(|c| std::str::from_utf8(c).unwrap().trim_end()).collect();
            assert_eq!(cards[0], format!("SIMPLE  = {:>20} / conforms to the FITS standard", "T"));
            assert!(cards[1].starts_with("BITPIX  =                  -32"));
            assert!(cards[2].starts_with(if channels == 1 {
                "NAXIS   =                    2"
            } else {
                "NAXIS   =                    3"
            }));
            assert!(cards[3].starts_with("NAXIS1  =                    9"));
            assert!(cards[4].starts_with("NAXIS2  =                    5"));
            assert!(cards.contains(&"CAPTURE = 'o''clock ?.ser'     / file of the capture"));
            assert!(
                cards.contains(&"OUTSCALE=                  1.5 / px here per px of the capture")
            );
            let last = cards.iter().rposition(|card| !card.is_empty()).unwrap();
            assert_eq!(cards[last], "END");
        }
    }

    #[test]
    fn the_samples_are_big_endian_and_start_with_the_top_row() {
        for channels in [1, 3] {
            let picture = ladder(channels, 5, 9);
            let mut file = Vec::new();
            write(&picture, &caption(), &mut file).unwrap();
            assert_eq!(file.len() % BLOCK_BYTES, 0);
            let start = header(&picture, &caption()).len();
            for (i, value) in picture.planes.iter().enumerate() {
                let at = start + i * 4;
                let read = f32::from_be_bytes([file[at], file[at + 1], file[at + 2], file[at + 3]]);
                assert_eq!(read, *value);
            }
        }
    }

    #[test]
    fn numbers_keep_to_the_twenty_characters_of_the_fixed_format() {
        for value in [0.1, 1.0, 1e-300, 1.0 / 3.0, 1e22, 1.234567890123456e301, f64::NAN, -2.5e-7] {
            let words = real(value);
            assert!(words.len() <= 20 && words.contains('.'), "{words}");
            if value.is_finite() {
                let back: f64 = words.parse().unwrap();
                assert!((back / value - 1.0).abs() < 1e-9, "{words}");
            }
        }
    }

    #[test]
    fn a_long_name_is_cut_inside_its_quotes() {
        let mut cards = Cards(Vec::new());
        cards.text("CAPTURE", &"'".repeat(90), "words");
        let card = String::from_utf8(cards.0).unwrap();
        assert_eq!(card.len(), 80);
        assert_eq!(card.trim_end(), format!("CAPTURE = '{}'", "''".repeat(34)));
    }
}
