//! Where the Moon and the planets are, how they are lit, what can be measured on them, and when
//! to look again.
//!
//! The principal type is [`LunarView`]: the Moon at a moment, from a site or from the Earth's
//! centre.
//!
//! Deliberately absent: files, clocks (nothing here asks what time it is), the window, kernels and
//! tables to download: all theories are in the program.
//!
//! Positions of Sun and planets and the turning of the Earth are computed with `sofars`, which is
//! derived from software provided by the IAU Standards Of Fundamental Astronomy (SOFA) Board. It
//! does not itself constitute software provided by or endorsed by SOFA.

pub mod angle;
mod caution;
mod ephemeris;
mod error;
pub mod fix;
mod lunar;
pub mod measure;
pub mod moment;
pub mod plan;
mod planets;
mod rotation;
mod site;
pub mod telescope;
pub mod vector;

pub use caution::{cautions, sun_cautions};
pub use ephemeris::AU_KM;
pub use error::MoonError;
pub use lunar::{Lighting, LunarPoint, LunarView, MOON_RADIUS_KM, Sky};
pub use moment::Moment;
pub use planets::{CentralMeridian, Planet, PlanetView, Ring};
pub use site::{Horizontal, Site};
