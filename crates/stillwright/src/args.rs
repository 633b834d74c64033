//! What can be asked on the command line.

use crate::args_calibration::{CalibrationArgs, MasterArgs};
use crate::args_plan::PlanArgs;
use crate::args_sky::MoonArgs;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;
use stillwright_night::capture::{ByteOrder, Justification, Overrides};
use stillwright_night::export::Format;
use stillwright_night::picture::Layout;
use stillwright_night::recipe::{check_keep, check_scale};
use stillwright_night::stacking::{Keep, Resampling, check_resampling};

/// Turns a night's telescope video captures into sharp, measured stills.
#[derive(Debug, Parser)]
#[command(name = "stillwright", version, subcommand_precedence_over_arg = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub window: WindowArgs,
    /// Threads to compute with; all processors when left out. The results do not depend on it.
    #[arg(long, global = true, value_name = "N", value_parser = threads)]
    pub threads: Option<usize>,
}

/// What the window is opened with.
#[derive(Debug, Args)]
pub struct WindowArgs {
    /// Captures to open in the window.
    pub files: Vec<PathBuf>,
    /// Folder that the night and the window's look are kept in, instead of the usual one.
    #[arg(long, value_name = "DIR")]
    pub night: Option<PathBuf>,
    /// Do everything anew: use nothing that was found before of the same capture and settings, and keep nothing.
    #[arg(long)]
    pub no_cache: bool,
    /// Say at the end how long the window's own code took for its frames.
    #[arg(long)]
    pub measure_frames: bool,
}

impl WindowArgs {
    /// The first of its options that was given, or that there are files.
    pub fn given(&self) -> Option<&'static str> {
        let options = [
            ("--night", self.night.is_some()),
            ("--no-cache", self.no_cache),
            ("--measure-frames", self.measure_frames),
            ("FILE", !self.files.is_empty()),
        ];
        options.into_iter().find_map(|(option, given)| given.then_some(option))
    }
}

const INSPECT_EXAMPLES: &str = "\
The captures are only read, never changed. For a folder of pictures, name the folder or one of them.

Examples:
  stillwright inspect ridge.ser
  stillwright inspect night/*.avi";

const GRADE_EXAMPLES: &str = "\
The captures are only read. `still` grades by itself: this is for a look beforehand.

Examples:
  stillwright grade ridge.ser
  stillwright grade --dark cap-on.ser ridge.ser";

const STILL_EXAMPLES: &str = "\
Written are NAME.still.tif (the finished picture), NAME.stack.fits (before sharpening) and
NAME.record.json (how it was made). The captures are only read.

Examples:
  stillwright still ridge.ser                         as advised, into a folder `stills`
  stillwright still --keep 10 --format png ridge.ser  the best tenth, and a PNG beside
  stillwright still --dark cap-on.ser --flat sky.ser night/*.ser";

const MASTER_EXAMPLES: &str = "\
A master is a FITS file beside the capture, such as cap-on.dark.fits. `still --dark` takes the
capture just as well; a master saves reading it again.

Examples:
  stillwright master --kind dark cap-on.ser
  stillwright master --kind flat --dark-flat flat-cap-on.ser evening-sky.ser";

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make a small sample night (simulated, with known truth) and a still from it.
    Demo(DemoArgs),
    /// Write simulated captures, with the truth beside them.
    Sample(SampleArgs),
    /// Say what captures hold, what is wrong with them, and what to do better next time.
    #[command(after_help = INSPECT_EXAMPLES)]
    Inspect(InspectArgs),
    /// Grade how sharp every frame is and how far the picture wandered; makes no still yet.
    #[command(after_help = GRADE_EXAMPLES)]
    Grade(GradeArgs),
    /// Make stills: the whole job, one still per capture.
    #[command(after_help = STILL_EXAMPLES)]
    Still(StillArgs),
    /// Make one quiet dark or flat (a master) of many frames, to be used again and again.
    #[command(after_help = MASTER_EXAMPLES)]
    Master(MasterArgs),
    /// Tell where the Moon is then and there, and how it is lit; the planets, too.
    Moon(MoonArgs),
    /// List the coming hours in which a place on the Moon is lit as wished; advise on a capture.
    Plan(PlanArgs),
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the sample night and its still.
    #[arg(long, value_name = "DIR", default_value = stillwright_night::demo::DEFAULT_FOLDER)]
    pub out: PathBuf,
    /// Replace files that are there already, even if they are not an earlier demo's.
    #[arg(long)]
    pub overwrite: bool,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `sample`.
#[derive(Debug, Args)]
pub struct SampleArgs {
    /// Folder for the captures.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Where all chance comes from: the same seed gives the same night.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Which captures to make.
    #[arg(long, value_name = "KIND", value_delimiter = ',', default_value = "ground,rough,disc")]
    pub kind: Vec<SampleKind>,
    /// Frames of each capture, 1 to 100000.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub frames: Option<u32>,
    /// Size of the frames.
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = size)]
    pub size: Option<(usize, usize)>,
    /// Aperture over r0: 0 is no air at all, 3 a good night, 8 a poor one; up to 20.
    #[arg(long, value_name = "X", allow_negative_numbers = true)]
    pub seeing: Option<f64>,
    /// Replace files that are there already.
    #[arg(long)]
    pub overwrite: bool,
    /// Print the result as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Captures that can be simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SampleKind {
    /// Cratered ground, 8 bit.
    Ground,
    /// Cratered ground on a bad night: 12 bit, hot pixels, blank frames, bumps, a cloud.
    Rough,
    /// A planet in colour (Bayer, 8 bit), with dispersion.
    Disc,
    /// A few small frames of ground.
    Small,
}

/// What is known better than the capture's header.
#[derive(Debug, Default, Args)]
#[command(next_help_heading = "If a capture is read wrongly")]
pub struct OverrideArgs {
    /// Colours of the pixels, where the picture shows a grid or wrong colours: mono, rgb, bgr; rggb, grbg, gbrg, bggr;
    /// cyym, ycmy, ymcy, myyc.
    #[arg(long, value_name = "LAYOUT", value_parser = layout)]
    pub layout: Option<Layout>,
    /// Which byte of a two-byte value comes first, where the picture looks like noise or contour lines.
    #[arg(long, value_name = "ORDER", value_enum)]
    pub byte_order: Option<ByteOrderArg>,
    /// Where 9 to 15 bits stand in two bytes, where the picture is far too dark or too bright.
    #[arg(long, value_name = "SIDE", value_enum)]
    pub justification: Option<JustificationArg>,
    /// Bits that the camera gave, 1 to 16.
    #[arg(long, value_name = "BITS", value_parser = clap::value_parser!(u8).range(1..=16))]
    pub bit_depth: Option<u8>,
}

impl OverrideArgs {
    /// Put what was given into `overrides`.
    pub fn apply(&self, overrides: &mut Overrides) {
        overrides.layout = self.layout.or(overrides.layout);
        overrides.bit_depth = self.bit_depth.or(overrides.bit_depth);
        let order = self.byte_order.map(|order| match order {
            ByteOrderArg::Little => ByteOrder::Little,
            ByteOrderArg::Big => ByteOrder::Big,
        });
        overrides.byte_order = order.or(overrides.byte_order);
        let side = self.justification.map(|side| match side {
            JustificationArg::Right => Justification::Right,
            JustificationArg::Left => Justification::Left,
        });
        overrides.justification = side.or(overrides.justification);
    }
}

/// Byte orders.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ByteOrderArg {
    /// The low byte first.
    Little,
    /// The high byte first.
    Big,
}

/// Justifications.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum JustificationArg {
    /// In the low bits.
    Right,
    /// In the high bits.
    Left,
}

/// Arguments of `inspect`.
#[derive(Debug, Args)]
pub struct InspectArgs {
    /// Captures: SER, AVI, FITS, MP4, MOV, MKV, or folders of pictures.
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Recipe that names your telescope and camera (finish.optics): then it is said whether the pixels suit them.
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Print one line of JSON per capture.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub overrides: OverrideArgs,
}

/// Arguments of `grade`.
#[derive(Debug, Args)]
pub struct GradeArgs {
    /// Captures: SER, AVI, FITS, MP4, MOV, MKV, or folders of pictures.
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Settings, as written by `still --write-recipe`.
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Do everything anew: use nothing that was found before of the same capture and settings, and keep nothing.
    #[arg(long)]
    pub no_cache: bool,
    /// Print one line of JSON per capture, with every frame.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub overrides: OverrideArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub calibration: CalibrationArgs,
}

/// Arguments of `still`.
#[derive(Debug, Args)]
pub struct StillArgs {
    /// Captures: SER, AVI, FITS, MP4, MOV, MKV, or folders of pictures.
    #[arg(required_unless_present = "write_recipe", value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Folder for the results; a folder `stills` beside each capture when left out.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Share of the best moments to keep: more than 0 and at most 100 percent, or auto, which measures what is best.
    #[arg(long, value_name = "PERCENT or auto", value_parser = keep, allow_negative_numbers = true)]
    pub keep: Option<Keep>,
    /// Lay every frame once more, on the stack itself and at full size: two to three times as long, and finer
    /// detail, the more the rougher the air.
    #[arg(long)]
    pub patient: bool,
    /// Settings, as written by --write-recipe; options on the command line come first.
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Write every setting and its meaning into FILE (- for standard output), and stop.
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub write_recipe: Option<PathBuf>,
    /// Pixels of the still per pixel of the capture, 0.5 to 4.
    #[arg(long, value_name = "X", value_parser = scale, allow_negative_numbers = true)]
    pub scale: Option<f32>,
    /// Drizzle: let each sample fall as a drop of this share of a pixel's side (0.1 to 1; 0.5 is usual), which shows detail
    /// finer than the capture's pixels where these are coarse, frames are many, and --scale is 1.5 or more; off for
    /// interpolation; auto, as without this option, drizzles where that shows more.
    #[arg(long, value_name = "SHARE, auto or off", value_parser = pixfrac, allow_negative_numbers = true)]
    pub pixfrac: Option<Resampling>,
    /// Further formats of the still: tiff32, png, jpeg, fits.
    #[arg(long, value_name = "FORMAT", value_delimiter = ',', value_parser = format)]
    pub format: Vec<Format>,
    /// Write maps of the stack beside it, FITS: the noise of each sample, and the finest detail place by place.
    #[arg(long)]
    pub maps: bool,
    /// Replace results that are there already.
    #[arg(long)]
    pub overwrite: bool,
    /// Do everything anew: use nothing that was found before of the same capture and settings, and keep nothing.
    #[arg(long)]
    pub no_cache: bool,
    /// Print one line of JSON per capture.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub overrides: OverrideArgs,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub calibration: CalibrationArgs,
}

fn threads(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(n) if (1..=1024).contains(&n) => Ok(n),
        _ => Err("expected a whole number from 1 to 1024".into()),
    }
}

fn keep(text: &str) -> Result<Keep, String> {
    if text.eq_ignore_ascii_case("auto") {
        return Ok(Keep::Auto);
    }
    let number = text.trim_end_matches('%').trim_end();
    let percent =
        number.parse().map_err(|_| "expected a number of percent, or auto".to_string())?;
    let keep = Keep::Percent(percent);
    check_keep(keep).map(|()| keep)
}

fn scale(text: &str) -> Result<f32, String> {
    let scale = text.parse().map_err(|_| "expected a number from 0.5 to 4".to_string())?;
    check_scale(scale).map(|()| scale)
}

fn pixfrac(text: &str) -> Result<Resampling, String> {
    match text.to_ascii_lowercase().as_str() {
        "auto" => Ok(Resampling::Auto),
        "off" => Ok(Resampling::Interpolation),
        number => {
            let share =
                number.parse().map_err(|_| "expected a number from 0.1 to 1, auto or off")?;
            let resampling = Resampling::Drizzle(share);
            // Whether it goes with the scale is looked at when both are known.
            check_resampling(resampling, 1.0).map(|()| resampling)
        }
    }
}

fn format(text: &str) -> Result<Format, String> {
    Format::from_name(text).ok_or_else(|| {
        let names = stillwright_night::export::FORMATS.map(|row| row.name);
        format!("expected one of {}", names.join(", "))
    })
}

fn layout(text: &str) -> Result<Layout, String> {
    Layout::from_name(text).ok_or_else(|| {
        let names = Layout::NAMES.map(|(name, _)| name);
        format!("expected one of {}", names.join(", "))
    })
}

/// Width and height, px.
pub fn size(text: &str) -> Result<(usize, usize), String> {
    let parts = text.split_once(['x', 'X']);
    let sides = parts.and_then(|(w, h)| Some((w.trim().parse().ok()?, h.trim().parse().ok()?)));
    sides.ok_or_else(|| "expected width and height in px, such as 384x288".into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_arguments_are_sound() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn options_of_the_window_are_told_from_those_of_a_command() {
        let given = |words: &[&str]| {
            let words = ["stillwright"].iter().chain(words);
            Arguments::try_parse_from(words).unwrap().window.given()
        };
        assert_eq!(given(&["--no-cache", "grade", "a.ser"]), Some("--no-cache"));
        assert_eq!(given(&["--night", "d", "inspect", "a.ser"]), Some("--night"));
        assert_eq!(given(&["a.ser", "grade", "b.ser"]), Some("FILE"));
        assert_eq!(given(&["grade", "--no-cache", "a.ser"]), None);
        assert_eq!(given(&["--threads", "2", "grade", "a.ser"]), None);
    }

    #[test]
    fn values_out_of_their_range_are_refused() {
        for (text, expected) in [
            ("20", Some(Keep::Percent(20.0))),
            ("20%", Some(Keep::Percent(20.0))),
            ("0.5", Some(Keep::Percent(0.5))),
            ("100", Some(Keep::Percent(100.0))),
            ("AUTO", Some(Keep::Auto)),
            ("0", None),
            ("-1", None),
            ("101", None),
            ("nan", None),
            ("inf", None),
            ("", None),
            ("best", None),
        ] {
            assert_eq!(keep(text).ok(), expected, "{text}");
        }
        assert!(scale("1.5").is_ok());
        assert_eq!(pixfrac("0.5"), Ok(Resampling::Drizzle(0.5)));
        assert_eq!(pixfrac("Off"), Ok(Resampling::Interpolation));
        for text in ["0", "0.05", "1.1", "nan", "-1", "x", ""] {
            assert!(pixfrac(text).is_err(), "{text}");
        }
        for text in ["0", "0.49", "4.01", "nan", "-1", "x"] {
            assert!(scale(text).is_err(), "{text}");
        }
        assert_eq!(size("384x288"), Ok((384, 288)));
        assert!(size("384").is_err() && size("axb").is_err() && size("-1x5").is_err());
        assert!(threads("0").is_err() && threads("2").is_ok());
    }
}
