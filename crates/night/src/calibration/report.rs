//! What was applied, for the record and for people.

use crate::record::Input;
use serde::Serialize;

/// What the frames of a capture were calibrated with.
#[derive(Clone, Debug, Default, Serialize)]
pub struct CalibrationReport {
    /// The dark.
    pub dark: Option<MasterReport>,
    /// The flat.
    pub flat: Option<MasterReport>,
    /// The dark that was taken off the flat.
    pub dark_flat: Option<MasterReport>,
    /// Samples that the dark shows to be hot; they were replaced by their neighbours.
    pub hot_samples: usize,
    /// Samples that the flat shows to be dead; likewise.
    pub dead_samples: usize,
    /// Root mean square of what was taken off rows, share of full scale; 0 where nothing was.
    pub row_bands: f32,
    /// The same of columns.
    pub column_bands: f32,
    /// Standard deviation of the scene's place across and down, px, where bands were looked for.
    pub wander_px: Option<(f32, f32)>,
    /// Files that were named and not used.
    pub left_aside: Vec<LeftAside>,
    /// What the person should know, a sentence each.
    pub notes: Vec<String>,
}

/// A dark or flat that was named and not used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LeftAside {
    /// `dark`, `flat` or `dark-flat`.
    pub kind: &'static str,
    /// The file.
    pub path: String,
    /// Why.
    pub why: String,
}

/// One master.
#[derive(Clone, Debug, Serialize)]
pub struct MasterReport {
    /// What it was made from.
    pub input: Input,
    /// Whether the file was a master already; else it was made from the frames of a capture.
    pub ready_made: bool,
    /// Frames that went in.
    pub frames: usize,
    /// Frames that did not: unlike the others, or unreadable.
    pub frames_left_out: usize,
    /// Values left out as outliers, share of all.
    pub clipped_share: f64,
    /// Mean, share of full scale.
    pub level: f32,
    /// Noise of one value, share of full scale; `None` where only one frame was there.
    pub noise: Option<f32>,
    /// Exposure, s, where the file says.
    pub exposure_s: Option<f64>,
    /// Gain in the camera's units, where the file says.
    pub gain: Option<f64>,
    /// What was compared with the capture and agreed.
    pub matched: Vec<String>,
    /// What could not be compared, for a file does not say.
    pub not_known: Vec<String>,
}

impl CalibrationReport {
    /// A sentence for each thing that was done.
    pub fn sentences(&self) -> Vec<String> {
        let mut said = Vec::new();
        for (name, master) in
            [("dark", &self.dark), ("flat", &self.flat), ("dark-flat", &self.dark_flat)]
        {
            if let Some(master) = master {
                said.push(format!("{name}: {}", master.words()));
            }
        }
        let aside =
            |left: &LeftAside| format!("not used: {} {} ({})", left.kind, left.path, left.why);
        said.extend(self.left_aside.iter().map(aside));
        said.extend(self.findings());
        said
    }

    /// What was found and done with the masters, a sentence each.
    pub fn findings(&self) -> Vec<String> {
        let mut said = Vec::new();
        let mended = |count: usize, what: &str| match count {
            1 => format!("1 {what} sample was replaced by its neighbours"),
            count => format!("{count} {what} samples were replaced by their neighbours"),
        };
        if self.dark.is_some() {
            said.push(mended(self.hot_samples, "hot"));
        }
        if self.flat.is_some() {
            said.push(mended(self.dead_samples, "dead"));
        }
        if let Some((across, down)) = self.wander_px {
            for (name, amount, wander) in
                [("rows", self.row_bands, down), ("columns", self.column_bands, across)]
            {
                said.push(if amount > 0.0 {
                    format!(
                        "bands of {name} were evened out: {:.3} % of full scale rms",
                        100.0 * amount
                    )
                } else {
                    format!(
                        "no bands of {name} were found (the scene wandered by {wander:.1} px rms; with \
                         less than a few, bands cannot be told from it)"
                    )
                });
            }
        }
        said.extend(self.notes.iter().cloned());
        said
    }
}

impl MasterReport {
    fn words(&self) -> String {
        let path = &self.input.path;
        let what = match (self.ready_made, self.frames) {
            (true, 1) => format!("the picture {path} as it is"),
            (true, n) => format!("the saved master {path} of {n} frames"),
            (false, 1) => format!("one frame of {path}"),
            (false, n) => format!("the mean of {n} frames of {path}"),
        };
        what + &self.agreement()
    }

    /// The same without the name of the file.
    pub fn words_without_path(&self) -> String {
        let what = match (self.ready_made, self.frames) {
            (true, 1) => "the picture as it is".to_string(),
            (true, n) => format!("a saved master of {n} frames"),
            (false, 1) => "one frame".to_string(),
            (false, n) => format!("the mean of {n} frames"),
        };
        what + &self.agreement()
    }

    fn agreement(&self) -> String {
        let mut words = String::new();
        if self.frames_left_out > 0 {
            words += &format!(" ({} left out)", self.frames_left_out);
        }
        words += &format!("; matched by {}", self.matched.join(", "));
        if !self.not_known.is_empty() {
            words += &format!("; not told by the files: {}", self.not_known.join(", "));
        }
        words
    }
}
