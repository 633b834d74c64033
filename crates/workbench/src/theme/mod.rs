//! The look: colours by what they mean, three sizes of type, one grid.
//!
//! Two colours carry meaning. Amber is what the person chose or can act on, teal what the program
//! measured or advises; a muted red-brown is trouble. None of them stands alone: a shape or a word
//! goes with it. Spacing is on a 4 px grid, corners are 6 px, lines 1 px.

mod fonts;
mod style;

pub use fonts::install as install_fonts;
pub use style::apply;

use egui::{Color32, FontFamily, FontId};

/// Distance on the grid, px.
pub const GRID: f32 = 4.0;
/// Rounding of corners, px.
pub const CORNER: u8 = 6;
/// Type sizes, px: captions, text, titles.
pub const SIZES: [f32; 3] = [11.5, 13.0, 15.0];

/// Under which light the program is used.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Light {
    /// A dark room.
    #[default]
    Dark,
    /// A desk by day.
    Day,
    /// Beside the telescope: only red light leaves the screen, pictures included.
    Red,
}

impl Light {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Light; 3] = [Light::Dark, Light::Day, Light::Red];

    /// The name under which the choice is kept.
    pub fn name(self) -> &'static str {
        match self {
            Light::Dark => "dark",
            Light::Day => "light",
            Light::Red => "red",
        }
    }

    /// The light of that name.
    pub fn from_name(name: &str) -> Option<Light> {
        Light::ALL.into_iter().find(|light| light.name() == name)
    }

    /// The colours.
    pub fn tokens(self) -> &'static Tokens {
        match self {
            Light::Dark => &DARK,
            Light::Day => &DAY,
            Light::Red => &RED,
        }
    }
}

/// Colours by meaning.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tokens {
    /// Whether the surroundings are dark.
    pub dark: bool,
    /// Panels.
    pub bench: Color32,
    /// Cards, fields, menus.
    pub card: Color32,
    /// A card or button under the pointer.
    pub card_hover: Color32,
    /// Around pictures: neutral, so that it colours nothing.
    pub surround: Color32,
    /// Lines of 1 px.
    pub line: Color32,
    /// Edges of things that can be acted on: at least 3:1 against what lies around.
    pub edge: Color32,
    /// Text.
    pub text: Color32,
    /// Quiet text.
    pub quiet: Color32,
    /// What the person chose or can act on.
    pub chosen: Color32,
    /// Text upon `chosen`.
    pub on_chosen: Color32,
    /// What the program measured or advises.
    pub measured: Color32,
    /// Trouble; always with words.
    pub trouble: Color32,
    /// Words upon pictures stand on this.
    pub veil: Color32,
    /// Words upon `veil`.
    pub on_veil: Color32,
    /// Quiet words upon `veil`.
    pub on_veil_quiet: Color32,
}

const fn rgb(value: u32) -> Color32 {
    Color32::from_rgb((value >> 16) as u8, (value >> 8) as u8, value as u8)
}

const DARK: Tokens = Tokens {
    dark: true,
    bench: rgb(0x161512),
    card: rgb(0x1d1b17),
    card_hover: rgb(0x26231d),
    surround: rgb(0x0e0e0e),
    line: rgb(0x25231d),
    edge: rgb(0x6b665b),
    text: rgb(0xd9d4c7),
    quiet: rgb(0x8f8a7e),
    chosen: rgb(0xe9b872),
    on_chosen: rgb(0x161512),
    measured: rgb(0x6fb3a8),
    trouble: rgb(0xd98f6a),
    veil: Color32::from_rgba_premultiplied(0x12, 0x12, 0x12, 0xe0),
    on_veil: rgb(0xdcdcdc),
    on_veil_quiet: rgb(0xa0a0a0),
};

const DAY: Tokens = Tokens {
    dark: false,
    bench: rgb(0xf3f0e8),
    card: rgb(0xfbf9f3),
    card_hover: rgb(0xffffff),
    surround: rgb(0xd9d9d9),
    line: rgb(0xddd8ca),
    edge: rgb(0x8a8577),
    text: rgb(0x2a2823),
    quiet: rgb(0x6d685c),
    chosen: rgb(0x966110),
    on_chosen: rgb(0xfffaf0),
    measured: rgb(0x1f6f64),
    trouble: rgb(0xa2461f),
    veil: Color32::from_rgba_premultiplied(0xd8, 0xd8, 0xd8, 0xe0),
    on_veil: rgb(0x262626),
    on_veil_quiet: rgb(0x4a4a4a),
};

const RED: Tokens = Tokens {
    dark: true,
    bench: rgb(0x0a0000),
    card: rgb(0x140000),
    card_hover: rgb(0x1c0000),
    surround: rgb(0x000000),
    line: rgb(0x2a0000),
    edge: rgb(0xb00000),
    text: rgb(0xff0000),
    quiet: rgb(0xf40000),
    chosen: rgb(0xff0000),
    on_chosen: rgb(0x000000),
    measured: rgb(0xf40000),
    trouble: rgb(0xff0000),
    veil: Color32::from_rgba_premultiplied(0x08, 0, 0, 0xf0),
    on_veil: rgb(0xff0000),
    on_veil_quiet: rgb(0xf80000),
};

/// Caption: the smallest type.
pub fn small() -> FontId {
    FontId::new(SIZES[0], FontFamily::Proportional)
}

/// Text.
pub fn body() -> FontId {
    FontId::new(SIZES[1], FontFamily::Proportional)
}

/// Titles of sections and cards: text in a heavier cut.
pub fn title() -> FontId {
    FontId::new(SIZES[1], fonts::medium())
}

/// Large title.
pub fn large() -> FontId {
    FontId::new(SIZES[2], fonts::medium())
}

#[cfg(test)]
mod tests;
