//! How the samples of one frame are laid out over colour.

use serde::{Deserialize, Serialize};

/// The colour of the four samples of a 2 x 2 Bayer cell, in reading order from pixel (0, 0).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BayerOrder {
    /// Red, green / green, blue.
    Rggb,
    /// Green, red / blue, green.
    Grbg,
    /// Green, blue / red, green.
    Gbrg,
    /// Blue, green / green, red.
    Bggr,
}

impl BayerOrder {
    /// Channel (0 red, 1 green, 2 blue) of the sample at column `x`, row `y`.
    ///
    /// Definition: the name gives the 2 x 2 cell at (0, 0) in reading order.
    pub fn channel_at(self, x: usize, y: usize) -> usize {
        let cell = match self {
            BayerOrder::Rggb => [0, 1, 1, 2],
            BayerOrder::Grbg => [1, 0, 2, 1],
            BayerOrder::Gbrg => [1, 2, 0, 1],
            BayerOrder::Bggr => [2, 1, 1, 0],
        };
        cell[(y & 1) * 2 + (x & 1)]
    }
}

/// The four samples of a 2 x 2 cell of a cyan, magenta, yellow mosaic, in reading order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CmyOrder {
    /// Cyan, yellow / yellow, magenta.
    Cyym,
    /// Yellow, cyan / magenta, yellow.
    Ycmy,
    /// Yellow, magenta / cyan, yellow.
    Ymcy,
    /// Magenta, yellow / yellow, cyan.
    Myyc,
}

/// What the samples of a frame stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Layout {
    /// One sample a pixel: light, whatever its colour.
    Mono,
    /// One sample a pixel behind a red, green, blue mosaic.
    Bayer(BayerOrder),
    /// One sample a pixel behind a cyan, magenta, yellow mosaic.
    Cmy(CmyOrder),
    /// Three samples a pixel: red, green, blue.
    Rgb,
    /// Three samples a pixel: blue, green, red. Readers hand frames out as [`Layout::Rgb`];
    /// this variant names what the file holds.
    Bgr,
}

impl Layout {
    /// Samples stored for each pixel: 3 for colour in the open, 1 otherwise.
    pub fn samples_per_pixel(self) -> usize {
        match self {
            Layout::Rgb | Layout::Bgr => 3,
            Layout::Mono | Layout::Bayer(_) | Layout::Cmy(_) => 1,
        }
    }

    /// Channels of a picture made from such frames: 1 (light) or 3 (red, green, blue).
    pub fn picture_channels(self) -> usize {
        if self == Layout::Mono { 1 } else { 3 }
    }

    /// Whether neighbouring samples see different colours.
    pub fn is_mosaic(self) -> bool {
        matches!(self, Layout::Bayer(_) | Layout::Cmy(_))
    }

    /// All layouts with the name that commands, recipes and messages use.
    pub const NAMES: [(&'static str, Layout); 11] = [
        ("mono", Layout::Mono),
        ("rggb", Layout::Bayer(BayerOrder::Rggb)),
        ("grbg", Layout::Bayer(BayerOrder::Grbg)),
        ("gbrg", Layout::Bayer(BayerOrder::Gbrg)),
        ("bggr", Layout::Bayer(BayerOrder::Bggr)),
        ("cyym", Layout::Cmy(CmyOrder::Cyym)),
        ("ycmy", Layout::Cmy(CmyOrder::Ycmy)),
        ("ymcy", Layout::Cmy(CmyOrder::Ymcy)),
        ("myyc", Layout::Cmy(CmyOrder::Myyc)),
        ("rgb", Layout::Rgb),
        ("bgr", Layout::Bgr),
    ];

    /// The layout's name in lower case, as in [`Layout::NAMES`].
    pub fn name(self) -> &'static str {
        Self::NAMES.iter().find(|(_, layout)| *layout == self).map_or("mono", |(name, _)| name)
    }

    /// The layout called `name` (any case), if there is one.
    pub fn from_name(name: &str) -> Option<Layout> {
        let found = Self::NAMES.iter().find(|(known, _)| known.eq_ignore_ascii_case(name));
        found.map(|(_, layout)| *layout)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_layout_has_its_name() {
        for (name, layout) in Layout::NAMES {
            assert_eq!(layout.name(), name);
            assert_eq!(Layout::from_name(&name.to_uppercase()), Some(layout));
        }
        assert_eq!(Layout::from_name("mosaic"), None);
    }

    #[test]
    fn an_odd_offset_swaps_the_orders_as_the_definition_says() {
        // Definition: odd x offset swaps RGGB with GRBG and GBRG with BGGR; odd y offset
        // swaps RGGB with GBRG and GRBG with BGGR.
        use BayerOrder::{Bggr, Gbrg, Grbg, Rggb};
        for (order, odd_x, odd_y) in
            [(Rggb, Grbg, Gbrg), (Grbg, Rggb, Bggr), (Gbrg, Bggr, Rggb), (Bggr, Gbrg, Grbg)]
        {
            for (x, y) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                assert_eq!(order.channel_at(x + 1, y), odd_x.channel_at(x, y));
                assert_eq!(order.channel_at(x, y + 1), odd_y.channel_at(x, y));
            }
        }
    }
}
