//! Colour: the balance of the channels, and saturation.

use serde::{Deserialize, Serialize};
use stillwright_picture::Picture;

/// How the channels are weighed against each other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Balance {
    /// As the camera gave them.
    AsIs,
    /// The light of the scene comes out grey on the whole: red and blue are brought to green's
    /// sum over the bright pixels. Right for the Moon; a planet keeps its own hue less so.
    #[default]
    Neutral,
    /// Gains of red, green, blue, each 0.05 to 20.
    Gains([f32; 3]),
}

/// Colour of the still. Pictures of one channel have none.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Colour {
    /// Balance of the channels.
    pub balance: Balance,
    /// How far colours lie from grey: 0 grey, 1 as they are, at most 5.
    pub saturation: f32,
}

impl Default for Colour {
    fn default() -> Self {
        Colour { balance: Balance::Neutral, saturation: 1.0 }
    }
}

const GAINS: std::ops::RangeInclusive<f32> = 0.05..=20.0;

impl Colour {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        if let Balance::Gains(gains) = self.balance
            && !gains.iter().all(|g| GAINS.contains(g))
        {
            return Err(format!("colour: gains are {gains:?}, expected 0.05 to 20 each"));
        }
        if !(0.0..=5.0).contains(&self.saturation) {
            return Err(format!("colour: saturation is {}, expected 0 to 5", self.saturation));
        }
        Ok(())
    }

    /// The colour with its balance as gains; `picture` is the linear stack.
    pub fn resolve(&self, picture: &Picture) -> Colour {
        let balance = match self.balance {
            Balance::Neutral if picture.channels() == 3 => Balance::Gains(neutral_gains(picture)),
            Balance::Gains(gains) => Balance::Gains(gains),
            Balance::AsIs | Balance::Neutral => Balance::AsIs,
        };
        Colour { balance, saturation: self.saturation }
    }

    /// Apply gains and saturation to linear light.
    pub fn apply(&self, picture: &mut Picture) {
        if picture.channels() != 3 {
            return;
        }
        if let Balance::Gains(gains) = self.resolve(picture).balance {
            for (channel, gain) in gains.iter().enumerate() {
                picture.plane_mut(channel).mapv_inplace(|v| v * gain);
            }
        }
        if self.saturation != 1.0 {
            let light = picture.luminance();
            for channel in 0..3 {
                let mut plane = picture.plane_mut(channel);
                plane.zip_mut_with(&light, |v, l| *v = l + self.saturation * (*v - l));
            }
        }
    }
}

/// Gains that bring red and blue to green's sum, over pixels brighter than a tenth of the
/// brightest; clipped to a sane range, 1 where there is no light.
fn neutral_gains(picture: &Picture) -> [f32; 3] {
    let light = picture.luminance();
    let brightest = light.iter().copied().filter(|v| v.is_finite()).fold(0.0f32, f32::max);
    let mut sums = [0.0f64; 3];
    for (channel, sum) in sums.iter_mut().enumerate() {
        for (v, l) in picture.plane(channel).iter().zip(&light) {
            if *l > 0.1 * brightest && v.is_finite() {
                *sum += f64::from(*v);
            }
        }
    }
    let gain = |sum: f64| {
        let gain = (sums[1] / sum) as f32;
        if gain.is_finite() && sum > 0.0 { gain.clamp(*GAINS.start(), *GAINS.end()) } else { 1.0 }
    };
    [gain(sums[0]), 1.0, gain(sums[2])]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tinted_grey_becomes_grey_and_keeps_its_light_in_green() {
        let mut picture = Picture::black(3, 8, 8);
        for (channel, level) in [0.3, 0.5, 0.2].into_iter().enumerate() {
            picture.plane_mut(channel).fill(level);
        }
        let colour = Colour::default().resolve(&picture);
        let Balance::Gains(gains) = colour.balance else { panic!("no gains") };
        assert!((gains[0] - 0.5 / 0.3).abs() < 1e-5 && (gains[2] - 2.5).abs() < 1e-5);
        colour.apply(&mut picture);
        assert!(picture.planes.iter().all(|v| (v - 0.5).abs() < 1e-6));
    }

    #[test]
    fn saturation_leaves_the_light_and_black_pictures_alone() {
        let mut picture = Picture::black(3, 2, 2);
        Colour { saturation: 3.0, ..Colour::default() }.apply(&mut picture);
        assert!(picture.planes.iter().all(|v| *v == 0.0));
        for (channel, level) in [0.3, 0.5, 0.2].into_iter().enumerate() {
            picture.plane_mut(channel).fill(level);
        }
        let before = picture.luminance();
        Colour { balance: Balance::AsIs, saturation: 2.0 }.apply(&mut picture);
        assert!((picture.planes[[2, 0, 0]] - 0.025).abs() < 1e-6);
        let after = picture.luminance();
        assert!(before.iter().zip(&after).all(|(a, b)| (a - b).abs() < 1e-6));
    }
}
