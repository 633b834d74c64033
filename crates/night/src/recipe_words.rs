//! What every setting of a recipe means, in words: one row a setting.

/// How a row stands in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A heading in square brackets.
    Section,
    /// A setting with a value.
    Setting,
    /// A setting that is usually left to the program; the text is an example of a value.
    Unset(&'static str),
}

/// The words for one setting.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    /// Section and name, with points between.
    pub path: &'static str,
    /// How it stands in the file.
    pub kind: Kind,
    /// What it means; line breaks are kept.
    pub words: &'static str,
}

const fn section(path: &'static str, words: &'static str) -> Row {
    Row { path, kind: Kind::Section, words }
}

const fn setting(path: &'static str, words: &'static str) -> Row {
    Row { path, kind: Kind::Setting, words }
}

const fn unset(path: &'static str, example: &'static str, words: &'static str) -> Row {
    Row { path, kind: Kind::Unset(example), words }
}

/// Every setting, in the order of the file.
pub(crate) const WORDS: &[Row] = &[
    setting("version", "Version of this form."),
    section("capture", "What you know better than the capture's header. Usually nothing."),
    unset(
        "capture.layout",
        "\"rggb\"",
        "Colour of the samples: mono, rggb, grbg, gbrg, bggr, rgb or bgr.",
    ),
    unset("capture.byte_order", "\"little\"", "Which byte of a sample comes first: little or big."),
    unset(
        "capture.justification",
        "\"right\"",
        "Where 9 to 15 bits stand in two bytes: right (low bits) or left (high bits).",
    ),
    unset("capture.bit_depth", "12", "Bits of a sample, 1 to 16."),
    section(
        "calibration",
        "What the camera adds by itself, taken out of each frame first. Paths are told from this file's folder.",
    ),
    unset(
        "calibration.darks",
        "[\"dark.ser\"]",
        "Captures with the cap on, exposed as the night's captures, or masters; each capture takes the one that matches.",
    ),
    unset(
        "calibration.flats",
        "[\"flat.ser\"]",
        "Captures of an even light (dust, vignetting), or masters; likewise.",
    ),
    unset(
        "calibration.dark_flats",
        "[\"dark-flat.ser\"]",
        "Captures with the cap on, exposed as the flats; they are no use without flats.",
    ),
    setting(
        "calibration.reduce_bands",
        "Even out rows and columns that read too much in every frame; needs a scene that wanders.",
    ),
    section("survey", "How the frames are looked at."),
    setting(
        "survey.sample_frames",
        "Frames, spread over the capture, that the reference is chosen from.",
    ),
    setting(
        "survey.scene",
        "What the capture shows: auto, ground (a close-up) or disc (a disc on black sky).",
    ),
    section("frames", "Frames that you leave out by hand; the survey leaves out more by itself."),
    setting(
        "frames.exclude",
        "Ranges, counted from 0, both ends included: [[120, 180], [305, 305]].",
    ),
    section("stack", "How the best moments are added."),
    setting(
        "stack.keep",
        "Share of the best moments: \"auto\" (what holds most detail), or { percent = 20.0 }.",
    ),
    unset(
        "stack.aligned_for",
        "20.0",
        "Frames are aligned where this keep asks for them, percent, if it is the larger one. Set when a still of a smaller\n\
         keep follows another: nothing is aligned anew then.",
    ),
    setting("stack.scale", "Pixels of the still per pixel of the capture, 0.5 to 4."),
    setting(
        "stack.resampling",
        "How samples come to lie between pixels: \"interpolation\"; { pixfrac = 0.5 }, drizzle with drops of that\n\
         share of a pixel's side (0.1 to 1); or \"auto\", drizzle where it shows more.",
    ),
    setting(
        "stack.pace",
        "\"quick\", or \"patient\": every frame is laid once more, on the stack itself and at full size.",
    ),
    setting("stack.tile_px", "Side of the tiles that are aligned by themselves, px; 0 decides."),
    setting(
        "stack.reject_outliers",
        "Leave out what one frame alone shows at a place: a satellite, a cosmic ray.",
    ),
    section("finish", "How the stack becomes a still."),
    unset(
        "finish.optics",
        "{ aperture_m = 0.2, obstruction = 0.35, focal_length_m = 4.0, pixel_um = 2.9, wavelength_m = 550e-9 }",
        "Telescope and camera, for a surer finish and for sizes in arcsec.",
    ),
    section("finish.sharpening", "How the detail is brought back."),
    setting(
        "finish.sharpening.method",
        "automatic, detail-scales, wiener, richardson-lucy or none.",
    ),
    section("finish.tone", "Black and white point. The still stays linear unless you bend it."),
    setting("finish.tone.black", "\"auto\", or { level = 0.02 } in units of full scale."),
    setting("finish.tone.white", "\"auto\", or { level = 0.8 } in units of full scale."),
    setting("finish.tone.bend", "\"linear\", { gamma = 1.5 } or { asinh = 10.0 }."),
    section("finish.colour", "Colour; pictures of one channel have none."),
    setting(
        "finish.colour.balance",
        "\"as-is\", \"neutral\" (the scene is grey on the whole), or { gains = [1.1, 1.0, 1.4] }.",
    ),
    setting("finish.colour.saturation", "0 is grey, 1 as it is, at most 5."),
    section("export", "What is written beside the 16-bit TIFF, the stack and the record."),
    setting("export.formats", "Further formats of the still: tiff32, png, jpeg, fits."),
    setting(
        "export.maps",
        "Maps beside the stack, FITS: the noise of each sample, and the finest detail place by place.",
    ),
    unset(
        "export.caption",
        "\"third night with the new camera\"",
        "Words of your own that travel inside the pictures.",
    ),
];
