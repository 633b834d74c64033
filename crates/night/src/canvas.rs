//! Lines and words drawn upon pictures that are made for showing: measured stills, figures.
//!
//! A [`Canvas`] is a picture of its own; the pictures that are measured and exported as data are
//! never drawn upon.

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};
use stillwright_picture::Picture;

const REGULAR: &[u8] = include_bytes!("../../../assets/fonts/IBMPlexSans-Regular.ttf");

/// A colour: red, green, blue, 0 to 1.
pub type Colour = [f32; 3];

/// What words and lines are drawn in.
pub const WHITE: Colour = [0.93, 0.93, 0.92];
/// What was measured.
pub const MEASURED: Colour = [0.44, 0.78, 0.72];
/// What was marked.
pub const MARKED: Colour = [0.95, 0.73, 0.44];
/// Behind words.
pub const VEIL: Colour = [0.07, 0.07, 0.07];

/// Which point of the words is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// The left end.
    Left,
    /// The middle.
    Middle,
    /// The right end.
    Right,
}

/// A picture to draw on; positions in px, the middle of the first pixel at 0, 0.
pub struct Canvas {
    picture: Picture,
    font: Option<FontRef<'static>>,
}

impl Canvas {
    /// Of one colour.
    pub fn new(width: usize, height: usize, colour: Colour) -> Canvas {
        let mut picture = Picture::black(3, height, width);
        for (channel, value) in colour.iter().enumerate() {
            picture.plane_mut(channel).fill(*value);
        }
        Canvas { picture, font: FontRef::try_from_slice(REGULAR).ok() }
    }

    /// What was drawn.
    pub fn into_picture(self) -> Picture {
        self.picture
    }

    /// Columns.
    pub fn width(&self) -> usize {
        self.picture.width()
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.picture.height()
    }

    /// Lay a picture down with its first pixel at `left`, `top`; `black` becomes 0, `white` 1. What
    /// does not fit is left out.
    pub fn lay(&mut self, picture: &Picture, left: usize, top: usize, (black, white): (f32, f32)) {
        let scale = 1.0 / (white - black).max(f32::MIN_POSITIVE);
        let rows = picture.height().min(self.height().saturating_sub(top));
        let columns = picture.width().min(self.width().saturating_sub(left));
        for channel in 0..3 {
            let source = picture.plane(if picture.channels() == 3 { channel } else { 0 });
            let mut target = self.picture.plane_mut(channel);
            for y in 0..rows {
                for x in 0..columns {
                    let value = (source[[y, x]] - black) * scale;
                    target[[top + y, left + x]] =
                        if value.is_nan() { 0.0 } else { value.clamp(0.0, 1.0) };
                }
            }
        }
    }

    fn blend(&mut self, x: isize, y: isize, colour: Colour, share: f32) {
        let (width, height) = (self.width() as isize, self.height() as isize);
        if share <= 0.0 || x < 0 || y < 0 || x >= width || y >= height {
            return;
        }
        for (channel, value) in colour.iter().enumerate() {
            let slot = &mut self.picture.planes[[channel, y as usize, x as usize]];
            *slot += (value - *slot) * share.min(1.0);
        }
    }

    /// Fill a rectangle; `share` of it covers.
    pub fn fill(
        &mut self,
        (left, top): (f64, f64),
        (width, height): (f64, f64),
        colour: Colour,
        share: f32,
    ) {
        let last = |from: f64, size: f64, n: usize| (from + size).round().min(n as f64) as isize;
        for y in top.round().max(0.0) as isize..last(top, height, self.height()) {
            for x in left.round().max(0.0) as isize..last(left, width, self.width()) {
                self.blend(x, y, colour, share);
            }
        }
    }

    /// A straight line `thick` px wide with soft edges.
    pub fn line(&mut self, a: (f64, f64), b: (f64, f64), thick: f64, colour: Colour) {
        if ![a.0, a.1, b.0, b.1].into_iter().all(|v| v.abs() < 1e6) {
            return;
        }
        let reach = 0.5 * thick + 1.0;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let square = (dx * dx + dy * dy).max(1e-12);
        let bound = |low: f64, high: f64, n: usize| {
            (
                (low - reach).floor().max(0.0) as isize,
                (high + reach).ceil().min(n as f64 - 1.0) as isize,
            )
        };
        let (top, bottom) = bound(a.1.min(b.1), a.1.max(b.1), self.height());
        for y in top..=bottom {
            // Only the stretch of the row that the line comes near to.
            let (mut low, mut high) = (a.0.min(b.0), a.0.max(b.0));
            if dy.abs() > 1e-9 {
                let at = |y: f64| a.0 + dx * ((y - a.1) / dy).clamp(0.0, 1.0);
                let (p, q) = (at(y as f64 - reach), at(y as f64 + reach));
                (low, high) = (p.min(q), p.max(q));
            }
            let (first, last) = bound(low, high, self.width());
            for x in first..=last {
                let (px, py) = (x as f64 - a.0, y as f64 - a.1);
                let t = ((px * dx + py * dy) / square).clamp(0.0, 1.0);
                let away = (px - t * dx).hypot(py - t * dy);
                self.blend(x, y, colour, (0.5 * thick + 0.5 - away).clamp(0.0, 1.0) as f32);
            }
        }
    }

    /// A line through points; `closed` returns to the first.
    pub fn path(&mut self, points: &[(f64, f64)], closed: bool, thick: f64, colour: Colour) {
        for pair in points.windows(2) {
            self.line(pair[0], pair[1], thick, colour);
        }
        if let (true, Some(first), Some(last)) = (closed, points.first(), points.last()) {
            self.line(*last, *first, thick, colour);
        }
    }

    /// A cross of `arm` px to each side.
    pub fn cross(&mut self, at: (f64, f64), arm: f64, thick: f64, colour: Colour) {
        self.line((at.0 - arm, at.1), (at.0 + arm, at.1), thick, colour);
        self.line((at.0, at.1 - arm), (at.0, at.1 + arm), thick, colour);
    }

    /// How wide words are, px, in letters `size` px high.
    pub fn words_width(&self, words: &str, size: f64) -> f64 {
        let Some(font) = &self.font else { return 0.0 };
        let font = font.as_scaled(PxScale::from(size as f32));
        let mut width = 0.0;
        let mut before = None;
        for c in words.chars() {
            let glyph = font.glyph_id(c);
            if let Some(before) = before {
                width += font.kern(before, glyph);
            }
            width += font.h_advance(glyph);
            before = Some(glyph);
        }
        f64::from(width)
    }

    /// Words whose middle line is at `y`.
    pub fn words(
        &mut self,
        words: &str,
        (x, y): (f64, f64),
        size: f64,
        anchor: Anchor,
        colour: Colour,
    ) {
        let width = self.words_width(words, size);
        let left = match anchor {
            Anchor::Left => x,
            Anchor::Middle => x - 0.5 * width,
            Anchor::Right => x - width,
        };
        let Some(font) = self.font.clone() else { return };
        let scaled = font.as_scaled(PxScale::from(size as f32));
        let base = y as f32 + 0.5 * (scaled.ascent() + scaled.descent());
        let mut pen = left as f32;
        let mut before = None;
        for c in words.chars() {
            let id = scaled.glyph_id(c);
            if let Some(before) = before {
                pen += scaled.kern(before, id);
            }
            let glyph = id.with_scale_and_position(size as f32, point(pen, base));
            if let Some(outlined) = font.outline_glyph(glyph) {
                let corner = outlined.px_bounds().min;
                outlined.draw(|dx, dy, share| {
                    let (gx, gy) =
                        (corner.x as isize + dx as isize, corner.y as isize + dy as isize);
                    self.blend(gx, gy, colour, share);
                });
            }
            pen += scaled.h_advance(id);
            before = Some(id);
        }
    }

    /// Words on a veil, so that they can be read upon any ground.
    pub fn veiled(
        &mut self,
        words: &str,
        at: (f64, f64),
        size: f64,
        anchor: Anchor,
        colour: Colour,
    ) {
        let width = self.words_width(words, size);
        let left = match anchor {
            Anchor::Left => at.0,
            Anchor::Middle => at.0 - 0.5 * width,
            Anchor::Right => at.0 - width,
        };
        let pad = 0.35 * size;
        let (w, h) = (width + 2.0 * pad, 1.5 * size);
        self.fill((left - pad, at.1 - 0.5 * h), (w, h), VEIL, 0.78);
        self.words(words, at, size, anchor, colour);
    }

    /// A bar `length_px` long with its length written above its middle; its left end at `at`.
    pub fn scale_bar(&mut self, at: (f64, f64), length_px: f64, words: &str, size: f64) {
        let wide = length_px.max(self.words_width(words, size)) + size;
        let middle = at.0 + 0.5 * length_px;
        self.fill((middle - 0.5 * wide, at.1 - 1.7 * size), (wide, 2.2 * size), VEIL, 0.78);
        let to = (at.0 + length_px, at.1);
        self.line(at, to, 1.6, WHITE);
        for end in [at, to] {
            self.line((end.0, end.1 - 0.35 * size), (end.0, end.1 + 0.1 * size), 1.6, WHITE);
        }
        self.words(words, (middle, at.1 - 0.95 * size), size, Anchor::Middle, WHITE);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_words_stay_where_they_belong() {
        let mut canvas = Canvas::new(80, 40, [0.0; 3]);
        canvas.line((10.0, 20.0), (30.0, 20.0), 1.0, [1.0; 3]);
        canvas.line((-1e9, 0.0), (f64::NAN, 0.0), 1.0, [1.0; 3]);
        canvas.line((-500.0, 2.0), (500.0, 2.0), 1.0, [0.0, 1.0, 0.0]);
        let picture = canvas.into_picture();
        assert_eq!((picture.planes[[0, 20, 20]], picture.planes[[0, 20, 40]]), (1.0, 0.0));
        assert_eq!(picture.planes[[0, 18, 20]], 0.0);
        assert_eq!((picture.planes[[1, 2, 79]], picture.planes[[0, 2, 79]]), (1.0, 0.0));

        let mut canvas = Canvas::new(200, 40, [0.0; 3]);
        let width = canvas.words_width("94.3 ± 1.2 km", 20.0);
        assert!((80.0..150.0).contains(&width), "{width}");
        canvas.words("94.3 ± 1.2 km", (100.0, 20.0), 20.0, Anchor::Middle, WHITE);
        let picture = canvas.into_picture();
        let light: f32 = picture.plane(0).iter().sum();
        assert!(light > 150.0, "letters were drawn: {light}");
        let beside = picture.plane(0).slice(ndarray::s![.., ..20]).sum();
        assert_eq!(beside, 0.0);
    }
}
