//! Smooth random fields of the plane: what hills, soil and clouds are made of.

/// A random field given by a seed: value noise on the integer lattice, joined by a polynomial
/// with continuous second derivative.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Field {
    seed: u32,
}

fn hash(mut h: u32) -> u32 {
    // Finaliser with good avalanche (Wellons, "hash prospector", 2018: lowbias32).
    h ^= h >> 16;
    h = h.wrapping_mul(0x7feb_352d);
    h ^= h >> 15;
    h = h.wrapping_mul(0x846c_a68b);
    h ^ (h >> 16)
}

impl Field {
    pub fn new(seed: u64) -> Field {
        Field { seed: hash(seed as u32 ^ hash((seed >> 32) as u32)) }
    }

    fn lattice(self, x: i32, y: i32) -> f32 {
        let h = hash(hash(self.seed ^ x as u32).wrapping_add(y as u32));
        (h >> 8) as f32 * (2.0 / 16_777_215.0) - 1.0
    }

    /// The field at a place, -1 to 1; neighbouring lattice points are independent.
    pub fn at(self, x: f32, y: f32) -> f32 {
        // Rounding down by hand: the library call is slow where the processor is not known.
        let down = |v: f32| v as i32 - i32::from(v < 0.0);
        let (ix, iy) = (down(x), down(y));
        let smooth = |t: f32| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
        let (tx, ty) = (smooth(x - ix as f32), smooth(y - iy as f32));
        let mix = |a: f32, b: f32, t: f32| a + (b - a) * t;
        let along = |y: i32| mix(self.lattice(ix, y), self.lattice(ix.wrapping_add(1), y), tx);
        mix(along(iy), along(iy.wrapping_add(1)), ty)
    }

    /// Sum of `octaves` fields, each of half the wavelength and `gain` times the height of the
    /// one before; the lattices are turned against each other so that none shows.
    pub fn fractal(self, mut x: f32, mut y: f32, octaves: u32, gain: f32) -> f32 {
        let (mut sum, mut height) = (0.0, 1.0);
        for octave in 0..octaves {
            let field = Field { seed: self.seed.wrapping_add(octave.wrapping_mul(0x9e37_79b9)) };
            sum += height * field.at(x, y);
            height *= gain;
            // Turned by 37 degrees and halved in wavelength.
            (x, y) = (1.6 * x - 1.2 * y + 17.3, 1.2 * x + 1.6 * y - 9.1);
        }
        sum
    }
}

/// 0 below `low`, 1 above `high`, smooth between.
pub(crate) fn smooth_step(low: f32, high: f32, x: f32) -> f32 {
    let t = ((x - low) / (high - low)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
