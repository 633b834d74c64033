//! A simulated night under the telescope, with known truth: the project's demonstration and its
//! test bench.
//!
//! [`SampleSettings`] describe a night; [`SampleCapture`] is the capture that a camera would have
//! brought home, a [`FrameSource`](stillwright_picture::FrameSource) that computes each frame when
//! asked; [`simulate`] computes them all. Beside the frames stand the true picture (what a perfect
//! telescope of the same aperture would show) and the [`Truth`]: every frame's shift, ripple and
//! blur.
//!
//! The chain is: ground or planet of our own (`terrain`, `sunlight`, `planet`, `scene`); air in
//! layers (`air`: Kolmogorov phase screens, [`PhaseScreen`]; `atmosphere`); an annular pupil (`telescope`); the
//! picture that they form over a field where no two places see the same air (`optics`, which says
//! what is exact and what is left out); what else changes in time (`track`); the sensor
//! (`camera`). All chance comes from one seed (`random`), and the same settings give the same
//! bytes whatever the number of threads.
//!
//! Deliberately absent: files (nothing here opens one), real places, people and instruments.

mod air;
mod atmosphere;
mod camera;
mod fields;
mod fourier;
mod optics;
mod planet;
mod random;
mod scene;
mod settings;
mod simulation;
mod still_air;
mod sunlight;
mod telescope;
mod terrain;
mod track;
mod truth;

pub use air::PhaseScreen;
pub use scene::Drawing;
pub use settings::{
    Air, AirLayer, Camera, Mount, SampleError, SampleSettings, Scene, SunSettings, Telescope,
};
pub use simulation::{SampleCapture, Simulation, simulate, simulate_drawn};
pub use telescope::annular_mtf;
pub use truth::{INSTRUMENT, OBSERVER, TELESCOPE, TrueFrame, TrueSpreads, TrueWarp, Truth};
