//! A figure for sharing: still and reference beside each other, at one scale, with one scale bar and
//! what one needs to know.

use crate::canvas::{Anchor, Canvas, WHITE};
use stillwright_picture::Picture;

/// What stands under the pictures.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FigureFacts {
    /// Under the still: name, date, instrument.
    pub still: Vec<String>,
    /// Under the reference.
    pub reference: Vec<String>,
    /// Under both: the verdict.
    pub both: Vec<String>,
    /// The bar: its length in px of the capture, and in words.
    pub bar: Option<(f64, String)>,
}

const QUIET: [f32; 3] = [0.62, 0.61, 0.58];
const PAPER: [f32; 3] = [0.055, 0.055, 0.055];

/// Most columns of one picture in the figure: larger pictures are for zooming, not for sharing.
const MOST_SIDE: f64 = 1600.0;

/// The figure. Both pictures cover the ground of the capture (`size` px); 0 is black, 1 white.
pub fn figure(
    still: &Picture,
    reference: &Picture,
    size: (usize, usize),
    facts: &FigureFacts,
) -> Picture {
    let finest = still.width().max(reference.width()) as f64;
    let width = finest.clamp(200.0, MOST_SIDE);
    let zoom = width / size.0.max(1) as f64;
    let (width, height) =
        (width.round() as usize, ((size.1 as f64 * zoom).round() as usize).max(1));
    let letters = (width as f64 / 46.0).clamp(13.0, 30.0);
    let line = 1.45 * letters;
    let margin = letters.round() as usize;
    let lines = facts.still.len().max(facts.reference.len());
    let below = (line * (lines + facts.both.len()) as f64 + 1.6 * line) as usize;
    let mut canvas = Canvas::new(2 * width + 3 * margin, height + 2 * margin + below, PAPER);
    let lefts = [margin, 2 * margin + width];
    for (picture, left) in [(still, lefts[0]), (reference, lefts[1])] {
        canvas.lay(&resized(picture, width, height), left, margin, (0.0, 1.0));
    }
    if let Some((px, words)) = &facts.bar {
        let at = (margin as f64 + letters, (margin + height) as f64 - 0.9 * letters);
        canvas.scale_bar(at, px * zoom, words, letters);
    }
    let top = (2 * margin + height) as f64 + 0.5 * line;
    for (texts, left) in [(&facts.still, lefts[0]), (&facts.reference, lefts[1])] {
        for (i, text) in texts.iter().enumerate() {
            let colour = if i == 0 { WHITE } else { QUIET };
            let at = (left as f64, top + line * i as f64);
            canvas.words(
                &fitting(&canvas, text, letters, width as f64),
                at,
                letters,
                Anchor::Left,
                colour,
            );
        }
    }
    let whole = (2 * width + margin) as f64;
    for (i, text) in facts.both.iter().enumerate() {
        let at = (margin as f64, top + line * (lines + i) as f64 + 0.6 * line);
        canvas.words(&fitting(&canvas, text, letters, whole), at, letters, Anchor::Left, WHITE);
    }
    canvas.into_picture()
}

/// The words, cut where they would run out of their column.
fn fitting(canvas: &Canvas, text: &str, letters: f64, width: f64) -> String {
    if canvas.words_width(text, letters) <= width {
        return text.into();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while !kept.is_empty() {
        kept.pop();
        let shorter: String = kept.iter().collect::<String>() + "…";
        if canvas.words_width(&shorter, letters) <= width {
            return shorter;
        }
    }
    String::new()
}

/// A picture at another size: means where it becomes smaller, straight lines between pixels where it
/// becomes larger.
fn resized(picture: &Picture, width: usize, height: usize) -> Picture {
    let mut out = Picture::black(picture.channels(), height, width);
    let (sx, sy) = (picture.width() as f64 / width as f64, picture.height() as f64 / height as f64);
    for channel in 0..picture.channels() {
        let source = picture.plane(channel);
        let mut target = out.plane_mut(channel);
        for y in 0..height {
            let rows = spread(y, sy, picture.height());
            for x in 0..width {
                let columns = spread(x, sx, picture.width());
                let (mut sum, mut total) = (0.0, 0.0);
                for (row, wy) in &rows {
                    for (column, wx) in &columns {
                        sum += wy * wx * f64::from(source[[*row, *column]]);
                        total += wy * wx;
                    }
                }
                target[[y, x]] = (sum / total) as f32;
            }
        }
    }
    out
}

/// Which source lines make up a line, and how much each counts: a tent at least one px wide.
fn spread(at: usize, scale: f64, n: usize) -> Vec<(usize, f64)> {
    let middle = (at as f64 + 0.5) * scale - 0.5;
    let reach = scale.max(1.0);
    let first = (middle - reach).ceil().max(0.0) as usize;
    let last = ((middle + reach).floor().max(0.0) as usize).min(n - 1);
    let all: Vec<(usize, f64)> = (first..=last)
        .map(|k| (k, 1.0 - (k as f64 - middle).abs() / reach))
        .filter(|(_, weight)| *weight > 1e-9)
        .collect();
    if all.is_empty() { vec![(first.min(n - 1), 1.0)] } else { all }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;

    #[test]
    fn both_pictures_stand_at_one_scale() {
        let still = Picture { planes: Array3::from_elem((1, 150, 200), 0.25) };
        let reference = Picture { planes: Array3::from_elem((1, 300, 400), 0.75) };
        let facts = FigureFacts {
            still: vec!["ridge".into(), "2026-03-26".into()],
            reference: vec![
                "a plate with a name that is far longer than its column is wide, and goes on"
                    .into(),
            ],
            both: vec!["Both share detail of 3.1 km.".into()],
            bar: Some((50.0, "20 km".into())),
        };
        let made = figure(&still, &reference, (200, 150), &facts);
        let (w, h) = (made.width(), made.height());
        let margin = (w - 800) / 3;
        assert!((made.planes[[0, margin + 5, margin + 200]] - 0.25).abs() < 1e-3);
        assert!((made.planes[[1, margin + 5, 2 * margin + 600]] - 0.75).abs() < 1e-3);
        assert!(h > 300 + 2 * margin);
        // The bar is 50 px of the capture long: 100 px here, white.
        let row = h
            - (h - 300 - margin)
            - ((0.9 * 800.0_f64 / 2.0 / 46.0).max(13.0 * 0.9)).round() as usize;
        let bright = |y: usize| (0..w / 2).filter(|x| made.planes[[0, y, *x]] > 0.8).count();
        let longest = (row - 4..row + 4).map(bright).max().unwrap();
        assert!((95..=106).contains(&longest), "{longest}");
    }
}
