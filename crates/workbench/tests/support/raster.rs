//! A renderer without any graphics driver: rasterises egui's textured triangles.
//!
//! Everything the workbench draws is textures and meshes, so this is all that is needed: bilinear
//! or nearest sampling, the vertex colour multiplied in gamma space, premultiplied blending, as
//! egui's own renderers do. A pixel is covered when its middle lies in the triangle; of a shared
//! edge only one side owns it.

use egui::epaint::{Mesh, Primitive, Vertex};
use egui::{Color32, ImageData, Rect, TextureFilter, TextureId, TexturesDelta};
use egui_kittest::TestRenderer;
use image::RgbaImage;
use std::collections::HashMap;

struct Texture {
    size: [usize; 2],
    pixels: Vec<Color32>,
    nearest: bool,
}

/// Textures known so far.
#[derive(Default)]
pub struct Raster {
    textures: HashMap<TextureId, Texture>,
}

impl TestRenderer for Raster {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        for (id, patches) in delta.set.drain() {
            for patch in patches {
                let ImageData::Color(image) = &patch.image;
                let nearest = patch.options.magnification == TextureFilter::Nearest;
                match patch.pos {
                    None => {
                        let pixels = image.pixels.clone();
                        self.textures.insert(id, Texture { size: image.size, pixels, nearest });
                    }
                    Some([left, top]) => {
                        let Some(texture) = self.textures.get_mut(&id) else { continue };
                        for (y, row) in image.pixels.chunks(image.size[0]).enumerate() {
                            let from = (top + y) * texture.size[0] + left;
                            texture.pixels[from..from + row.len()].copy_from_slice(row);
                        }
                    }
                }
            }
        }
        for id in delta.free.drain() {
            self.textures.remove(&id);
        }
    }

    fn render(
        &mut self,
        ctx: &egui::Context,
        output: &egui::FullOutput,
    ) -> Result<RgbaImage, String> {
        let scale = output.pixels_per_point;
        let size = ctx.content_rect().size() * scale;
        let (width, height) = (size.x.round() as usize, size.y.round() as usize);
        let mut canvas =
            Canvas { width, height, pixels: vec![[0.0, 0.0, 0.0, 1.0]; width * height] };
        for clipped in ctx.tessellate(output.shapes.clone(), scale) {
            let Primitive::Mesh(mesh) = &clipped.primitive else {
                return Err("a paint callback cannot be rasterised".into());
            };
            let Some(texture) = self.textures.get(&mesh.texture_id) else {
                return Err(format!("texture {:?} was never uploaded", mesh.texture_id));
            };
            canvas.mesh(mesh, texture, clipped.clip_rect, scale);
        }
        let bytes = canvas
            .pixels
            .iter()
            .flat_map(|p| p.map(|v| (v * 255.0).round().clamp(0.0, 255.0) as u8))
            .collect();
        RgbaImage::from_raw(width as u32, height as u32, bytes).ok_or("wrong size".into())
    }
}

struct Canvas {
    width: usize,
    height: usize,
    pixels: Vec<[f32; 4]>,
}

/// Twice the area of the triangle `a`, `b`, `p`; positive when `p` lies to the right.
fn side(a: [f32; 2], b: [f32; 2], p: [f32; 2]) -> f32 {
    (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
}

/// Whether the edge from `a` to `b` owns the points on it (top-left rule).
fn owns(a: [f32; 2], b: [f32; 2]) -> bool {
    (a[1] == b[1] && b[0] > a[0]) || b[1] < a[1]
}

impl Canvas {
    fn mesh(&mut self, mesh: &Mesh, texture: &Texture, clip: Rect, scale: f32) {
        let edge = |v: f32, most: usize| (v * scale).round().clamp(0.0, most as f32) as usize;
        let columns = edge(clip.left(), self.width)..edge(clip.right(), self.width);
        let rows = edge(clip.top(), self.height)..edge(clip.bottom(), self.height);
        for corners in mesh.indices.chunks_exact(3) {
            let mut v = [0, 1, 2].map(|i: usize| mesh.vertices[corners[i] as usize]);
            let at = |v: &Vertex| [v.pos.x * scale, v.pos.y * scale];
            let mut area = side(at(&v[0]), at(&v[1]), at(&v[2]));
            if area < 0.0 {
                v.swap(1, 2);
                area = -area;
            }
            if area > 0.0 {
                self.triangle(&v, at, area, texture, &columns, &rows);
            }
        }
    }

    fn triangle(
        &mut self,
        v: &[Vertex; 3],
        at: impl Fn(&Vertex) -> [f32; 2],
        area: f32,
        texture: &Texture,
        columns: &std::ops::Range<usize>,
        rows: &std::ops::Range<usize>,
    ) {
        let p = [at(&v[0]), at(&v[1]), at(&v[2])];
        let range = |axis: usize, limits: &std::ops::Range<usize>| {
            let low = p.iter().map(|p| p[axis]).fold(f32::MAX, f32::min).floor().max(0.0) as usize;
            let high = p.iter().map(|p| p[axis]).fold(f32::MIN, f32::max).ceil().max(0.0) as usize;
            low.max(limits.start)..high.min(limits.end)
        };
        for y in range(1, rows) {
            for x in range(0, columns) {
                let here = [x as f32 + 0.5, y as f32 + 0.5];
                let mut weights = [0.0; 3];
                let inside = (0..3).all(|i| {
                    let (a, b) = (p[(i + 1) % 3], p[(i + 2) % 3]);
                    weights[i] = side(a, b, here);
                    weights[i] > 0.0 || (weights[i] == 0.0 && owns(a, b))
                });
                if inside {
                    let mix = |f: &dyn Fn(&Vertex) -> f32| {
                        (0..3).map(|i| weights[i] / area * f(&v[i])).sum::<f32>()
                    };
                    let seen = texture.at(mix(&|v| v.uv.x), mix(&|v| v.uv.y));
                    let tint: [f32; 4] =
                        std::array::from_fn(|c| mix(&|v| f32::from(v.color.to_array()[c]) / 255.0));
                    let source: [f32; 4] = std::array::from_fn(|c| seen[c] * tint[c]);
                    let under = &mut self.pixels[y * self.width + x];
                    for (c, value) in under.iter_mut().enumerate() {
                        *value = source[c] + (1.0 - source[3]) * *value;
                    }
                }
            }
        }
    }
}

impl Texture {
    fn texel(&self, x: isize, y: isize) -> [f32; 4] {
        let x = x.clamp(0, self.size[0] as isize - 1) as usize;
        let y = y.clamp(0, self.size[1] as isize - 1) as usize;
        self.pixels[y * self.size[0] + x].to_array().map(|v| f32::from(v) / 255.0)
    }

    fn at(&self, u: f32, v: f32) -> [f32; 4] {
        let (x, y) = (u * self.size[0] as f32, v * self.size[1] as f32);
        if self.nearest {
            return self.texel(x.floor() as isize, y.floor() as isize);
        }
        let (x, y) = (x - 0.5, y - 0.5);
        let (left, top) = (x.floor(), y.floor());
        let (fx, fy) = (x - left, y - top);
        let (left, top) = (left as isize, top as isize);
        let corner = |dx, dy| self.texel(left + dx, top + dy);
        let (a, b, c, d) = (corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1));
        std::array::from_fn(|i| {
            let upper = a[i] + fx * (b[i] - a[i]);
            let lower = c[i] + fx * (d[i] - c[i]);
            upper + fy * (lower - upper)
        })
    }
}
