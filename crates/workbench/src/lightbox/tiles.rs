//! Pictures as textures: small tiles, uploaded a few a frame, the least used ones forgotten.
//!
//! A tile is 512 px of a level with a border of 1 px, so that smooth magnification finds its
//! neighbours. The coarsest level is one tile and is always drawn first: a picture is there at
//! once, and sharpens within a few frames.

use egui::{Color32, ColorImage, Context, Painter, Pos2, Rect, TextureHandle, TextureOptions};
use std::collections::HashMap;
use std::time::{Duration, Instant};
use stillwright_night::pyramid::{Level, Pyramid};

/// Side of a tile without its border, px.
const TILE_PX: usize = 512;
/// Tiles uploaded in one frame at most: about 1 MB each, some tenths of a millisecond.
const UPLOADS_A_FRAME: usize = 8;
/// Time that uploads may take in one frame; on a busy machine fewer tiles come, not later frames.
const UPLOAD_TIME: Duration = Duration::from_millis(4);
/// Tiles that are kept: 192 MB. Fewer would thrash on a large screen with two pictures.
const KEPT_TILES: usize = 192;

#[derive(Clone, Copy, PartialEq, Eq, Hash)]
struct TileKey {
    picture: u64,
    level: usize,
    column: usize,
    row: usize,
    red: bool,
}

struct Tile {
    texture: TextureHandle,
    used: u64,
}

/// All textures of pictures.
#[derive(Default)]
pub struct TileStore {
    tiles: HashMap<TileKey, Tile>,
    frame: u64,
    uploads: usize,
    /// Time spent on them in this frame.
    spent: Duration,
    wanting: bool,
    uploaded: u64,
}

impl TileStore {
    /// Begin a frame of the window.
    pub fn begin(&mut self, ctx: &Context) {
        if self.wanting {
            ctx.request_repaint();
        }
        self.frame += 1;
        self.uploads = 0;
        self.spent = Duration::ZERO;
        self.wanting = false;
        let surplus = self.tiles.len().saturating_sub(KEPT_TILES);
        if surplus > 0 {
            let mut by_age: Vec<(u64, TileKey)> =
                self.tiles.iter().map(|(key, tile)| (tile.used, *key)).collect();
            by_age.sort_unstable_by_key(|(used, _)| *used);
            let last = self.frame.saturating_sub(1);
            for (_, key) in by_age.into_iter().take(surplus).filter(|(used, _)| *used < last) {
                self.tiles.remove(&key);
            }
        }
    }

    /// Whether tiles are still missing on the screen.
    pub fn wanting(&self) -> bool {
        self.wanting
    }

    /// Draw `pyramid` so that it fills `place` on the screen (which may reach far beyond the
    /// visible part), in red only if asked.
    pub fn draw(&mut self, painter: &Painter, pyramid: &Pyramid, place: Rect, red: bool) {
        let levels = pyramid.levels();
        let Some(full) = levels.first() else { return };
        if full.width == 0 || full.height == 0 || !place.is_positive() {
            return;
        }
        let pixels = painter.pixels_per_point();
        // Screen pixels per pixel of the picture.
        let zoom = place.width() * pixels / full.width as f32;
        let fitting = if zoom >= 1.0 { 0 } else { (1.0 / zoom).log2().floor() as usize };
        let coarsest = levels.len() - 1;
        let wanted = fitting.min(coarsest);
        self.draw_level(painter, pyramid, coarsest, place, red);
        if wanted != coarsest {
            self.draw_level(painter, pyramid, wanted, place, red);
        }
    }

    fn draw_level(
        &mut self,
        painter: &Painter,
        pyramid: &Pyramid,
        number: usize,
        place: Rect,
        red: bool,
    ) {
        let Some(level) = pyramid.levels().get(number) else { return };
        let always = number + 1 == pyramid.levels().len();
        let scale = (1usize << number) as f32 * place.width() / pyramid.width() as f32;
        let seen = painter.clip_rect().intersect(place);
        if !seen.is_positive() {
            return;
        }
        let last_column = (level.width - 1) / TILE_PX;
        let last_row = (level.height - 1) / TILE_PX;
        let first = |d: f32| (d / scale / TILE_PX as f32).floor().max(0.0) as usize;
        let columns =
            first(seen.left() - place.left())..=first(seen.right() - place.left()).min(last_column);
        let rows =
            first(seen.top() - place.top())..=first(seen.bottom() - place.top()).min(last_row);
        for row in rows {
            for column in columns.clone() {
                let key = TileKey { picture: pyramid.key(), level: number, column, row, red };
                let Some(texture) = self.texture(painter.ctx(), key, level, always) else {
                    continue;
                };
                let (x, y) = (column * TILE_PX, row * TILE_PX);
                let (w, h) = (TILE_PX.min(level.width - x), TILE_PX.min(level.height - y));
                let corner = place.min + egui::vec2(x as f32, y as f32) * scale;
                // The last pixel of a halved level may stand for one pixel only.
                let end = |start: f32, n: usize, limit: f32| (start + n as f32 * scale).min(limit);
                let on_screen = Rect::from_min_max(
                    corner,
                    Pos2::new(end(corner.x, w, place.right()), end(corner.y, h, place.bottom())),
                );
                let inner = Rect::from_min_max(
                    Pos2::new(1.0 / (w + 2) as f32, 1.0 / (h + 2) as f32),
                    Pos2::new(
                        (1.0 + on_screen.width() / scale) / (w + 2) as f32,
                        (1.0 + on_screen.height() / scale) / (h + 2) as f32,
                    ),
                );
                painter.image(texture, on_screen, inner, Color32::WHITE);
            }
        }
    }

    fn texture(
        &mut self,
        ctx: &Context,
        key: TileKey,
        level: &Level,
        always: bool,
    ) -> Option<egui::TextureId> {
        if let Some(tile) = self.tiles.get_mut(&key) {
            tile.used = self.frame;
            return Some(tile.texture.id());
        }
        let enough = self.uploads >= UPLOADS_A_FRAME || self.spent > UPLOAD_TIME;
        if enough && !always {
            self.wanting = true;
            return None;
        }
        let since = Instant::now();
        self.uploads += 1;
        self.uploaded += 1;
        let image = cut(level, key.column * TILE_PX, key.row * TILE_PX, key.red);
        let texture = ctx.load_texture("picture tile", image, TextureOptions::LINEAR);
        let id = texture.id();
        self.tiles.insert(key, Tile { texture, used: self.frame });
        self.spent += since.elapsed();
        Some(id)
    }
}

/// The tile at (`x`, `y`) with a border of 1 px; beyond the picture its edge is repeated.
fn cut(level: &Level, x: usize, y: usize, red: bool) -> ColorImage {
    let (w, h) = (TILE_PX.min(level.width - x), TILE_PX.min(level.height - y));
    let mut pixels = Vec::with_capacity((w + 2) * (h + 2));
    let n = level.channels;
    for v in 0..h + 2 {
        let row = (y + v).saturating_sub(1).min(level.height - 1);
        let line = &level.bytes[row * level.width * n..(row + 1) * level.width * n];
        let (left, right) = (x.saturating_sub(1), (x + w).min(level.width - 1));
        pixels.push(colour(&line[left * n..(left + 1) * n], red));
        let inner = &line[x * n..(x + w) * n];
        match (n, red) {
            (1, false) => pixels.extend(inner.iter().map(|v| Color32::from_gray(*v))),
            (1, true) => pixels.extend(inner.iter().map(|v| Color32::from_rgb(*v, 0, 0))),
            _ => pixels.extend(inner.chunks_exact(n).map(|samples| colour(samples, red))),
        }
        pixels.push(colour(&line[right * n..(right + 1) * n], red));
    }
    ColorImage::new([w + 2, h + 2], pixels)
}

fn colour(samples: &[u8], red: bool) -> Color32 {
    match (samples, red) {
        ([v], false) => Color32::from_gray(*v),
        ([v], true) => Color32::from_rgb(*v, 0, 0),
        ([r, g, b], false) => Color32::from_rgb(*r, *g, *b),
        ([r, g, b], true) => {
            let light = (u16::from(*r) + 2 * u16::from(*g) + u16::from(*b)) / 4;
            Color32::from_rgb(light as u8, 0, 0)
        }
        _ => Color32::BLACK,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(width: usize, height: usize) -> Level {
        let bytes = (0..width * height).map(|i| (i % 251) as u8).collect();
        Level { width, height, channels: 1, bytes }
    }

    #[test]
    fn a_tile_has_its_neighbours_as_border() {
        let level = level(600, 3);
        let tile = cut(&level, 512, 0, false);
        assert_eq!(tile.size, [90, 5]);
        let grey = |x: usize, y: usize| Color32::from_gray(level.bytes[y * 600 + x]);
        // Left border: the pixel of the tile before; top border: the row repeated.
        assert_eq!(tile.pixels[90], grey(511, 0));
        assert_eq!(tile.pixels[91], grey(512, 0));
        assert_eq!(tile.pixels[1], grey(512, 0));
        assert_eq!(tile.pixels[4 * 90 + 89], grey(599, 2));
    }

    #[test]
    fn red_light_takes_the_light_of_all_colours() {
        assert_eq!(colour(&[40, 80, 120], true), Color32::from_rgb(80, 0, 0));
        assert_eq!(colour(&[9], true), Color32::from_rgb(9, 0, 0));
        assert_eq!(colour(&[1, 2, 3], false), Color32::from_rgb(1, 2, 3));
    }

    #[test]
    fn few_tiles_are_uploaded_a_frame_and_old_ones_forgotten() {
        let ctx = Context::default();
        let pyramid = Pyramid::from_level(level(4096, 4096));
        let mut store = TileStore::default();
        let place = Rect::from_min_size(Pos2::ZERO, egui::vec2(4096.0, 4096.0));
        let mut frames = 0;
        loop {
            let input = egui::RawInput { screen_rect: Some(place), ..Default::default() };
            let output = ctx.run_ui(input, |ui| {
                store.begin(ui.ctx());
                store.draw(ui.painter(), &pyramid, place, false);
            });
            output.drop_without_applying_deltas();
            assert!(store.uploads <= UPLOADS_A_FRAME + 1);
            frames += 1;
            if !store.wanting() {
                break;
            }
        }
        // 64 tiles of the full level and the coarsest one.
        assert_eq!(store.uploaded, 65);
        assert!(frames >= 9, "{frames} frames");
        let again = store.uploaded;
        let input = egui::RawInput { screen_rect: Some(place), ..Default::default() };
        ctx.run_ui(input, |ui| store.draw(ui.painter(), &pyramid, place, false))
            .drop_without_applying_deltas();
        assert_eq!(store.uploaded, again, "nothing is uploaded twice");
    }
}
