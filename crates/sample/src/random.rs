//! Random numbers that are the same on every machine and for any number of threads.
//!
//! xoshiro256++ (Blackman and Vigna, "Scrambled linear pseudorandom number generators", ACM
//! TOMS 47, 2021), its state filled by SplitMix64 (Steele, Lea and Flood, OOPSLA 2014). Each
//! thing that draws has a stream of its own, named by a purpose and an index: so a frame's
//! noise does not depend on which frames were computed before it.

/// What a stream is for. Streams of different purposes are independent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Heights and albedo of the ground, or the belts of the planet.
    Scene = 1,
    /// One row of a phase screen's spectrum; the index tells screen and row.
    Screen = 2,
    /// The long waves of a phase screen.
    LongWaves = 3,
    /// Swings of r0, of the mount, of the cloud.
    Weather = 4,
    /// Shot and read noise of one frame.
    Noise = 5,
    /// Hot pixels and blank frames.
    Camera = 6,
}

fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Random {
    state: [u64; 4],
    spare: Option<f64>,
}

impl Random {
    /// The stream of this seed, purpose and index.
    pub fn stream(seed: u64, purpose: Purpose, index: u64) -> Random {
        let mut s = seed;
        let mut t = split_mix(&mut s) ^ (purpose as u64).wrapping_mul(0xd6e8_feb8_6659_fd93);
        let mut u = split_mix(&mut t) ^ index.wrapping_mul(0xa076_1d64_78bd_642f);
        let state = std::array::from_fn(|_| split_mix(&mut u));
        Random { state, spare: None }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.state;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform, 0 included, 1 excluded.
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform between two bounds.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A whole number below `n` (0 when `n` is 0). The bias of the plain product is n / 2^53.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Normal, mean 0, variance 1: Marsaglia's polar method (Marsaglia and Bray 1964).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let x = 2.0 * self.uniform() - 1.0;
            let y = 2.0 * self.uniform() - 1.0;
            let s = x * x + y * y;
            if s < 1.0 && s > 0.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }

    /// Poisson with this mean: by multiplying uniforms up to a mean of 16 (Knuth), above it the
    /// normal approximation with the skewness put back (Cornish and Fisher 1937, first term),
    /// not rounded, since it goes on to a continuous amplifier.
    pub fn poisson(&mut self, mean: f64) -> f64 {
        if mean <= 0.0 {
            return 0.0;
        }
        if mean > 16.0 {
            let z = self.normal();
            return (mean + mean.sqrt() * z + (z * z - 1.0) / 6.0).max(0.0);
        }
        let limit = (-mean).exp();
        let (mut count, mut product) = (0.0, self.uniform());
        while product > limit {
            count += 1.0;
            product *= self.uniform();
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn generators_give_their_published_sequences() {
        // Known answers of the reference implementations, as other implementations test them
        // (from memory): SplitMix64 from 0, and xoshiro256++ from the state 1, 2, 3, 4.
        let mut zero = 0;
        assert_eq!(split_mix(&mut zero), 0xe220_a839_7b1d_cdaf);
        let mut random = Random { state: [1, 2, 3, 4], spare: None };
        let first: Vec<u64> = (0..4).map(|_| random.bits()).collect();
        assert_eq!(first, [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386]);
    }

    #[test]
    fn moments_are_those_of_the_laws() {
        let n = 200_000;
        let mut random = Random::stream(7, Purpose::Noise, 0);
        for mean in [0.3, 5.0, 15.0, 17.0, 400.0] {
            let draws: Vec<f64> = (0..n).map(|_| random.poisson(mean)).collect();
            let m = draws.iter().sum::<f64>() / n as f64;
            let moment = |p: i32| draws.iter().map(|d| (d - m).powi(p)).sum::<f64>() / n as f64;
            // Mean, variance and third central moment of a Poisson law are all its mean.
            assert!((m / mean - 1.0).abs() < 5.0 / (mean * n as f64).sqrt(), "{mean}: {m}");
            assert!((moment(2) / mean - 1.0).abs() < 0.02, "{mean}: variance {}", moment(2));
            let sigma_third = (15.0 * mean.powi(3) / n as f64).sqrt();
            let third = (moment(3) - mean).abs();
            assert!(third < 5.0 * sigma_third + 0.1 * mean, "{mean}: third {third}");
        }
    }

    #[test]
    fn streams_differ() {
        let mut firsts: Vec<u64> = Vec::new();
        for seed in 0..8 {
            for index in 0..8 {
                firsts.push(Random::stream(seed, Purpose::Noise, index).bits());
                firsts.push(Random::stream(seed, Purpose::Scene, index).bits());
            }
        }
        let count = firsts.len();
        firsts.sort_unstable();
        firsts.dedup();
        assert_eq!(firsts.len(), count);
    }
}
