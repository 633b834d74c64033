//! What a picture file says about itself.

/// Facts that travel inside a picture file. Unknown ones are left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Caption {
    /// What the picture is, for example `stack, linear, before the finish`.
    pub content: String,
    /// Name of the capture's file, without its folder.
    pub capture: String,
    /// Program and version.
    pub program: String,
    /// The frame, from 0, whose pixel grid the picture has.
    pub reference_frame: Option<usize>,
    /// Frames that gave light.
    pub frames_used: Option<usize>,
    /// Frames in the capture.
    pub frames_in_capture: Option<usize>,
    /// Share of the best moments that was kept, percent.
    pub keep_percent: Option<f32>,
    /// Pixels of the picture per pixel of the capture.
    pub scale: Option<f32>,
    /// Side of a pixel of the picture on the sky, arcsec.
    pub pixel_arcsec: Option<f64>,
    /// First light of the capture, UTC, `YYYY-MM-DDThh:mm:ss.sss`.
    pub begun_utc: Option<String>,
    /// Who recorded it, as the capture says.
    pub observer: Option<String>,
    /// The camera, as the capture says.
    pub instrument: Option<String>,
    /// The telescope, as the capture says.
    pub telescope: Option<String>,
    /// What the values mean.
    pub values: String,
    /// Words of the person's own.
    pub note: Option<String>,
}

impl Caption {
    /// All facts as lines `name: value`, for formats that carry free text.
    pub fn lines(&self) -> Vec<String> {
        let mut lines = Vec::new();
        let mut say = |name: &str, value: Option<String>| {
            if let Some(value) = value.filter(|value| !value.is_empty()) {
                lines.push(format!("{name}: {value}"));
            }
        };
        say("Content", Some(self.content.clone()));
        say("Capture", Some(self.capture.clone()));
        say("Recorded (UTC)", self.begun_utc.clone());
        say("Observer", self.observer.clone());
        say("Camera", self.instrument.clone());
        say("Telescope", self.telescope.clone());
        say(
            "Frames used",
            self.frames_used.map(|n| match self.frames_in_capture {
                Some(all) => format!("{n} of {all}"),
                None => n.to_string(),
            }),
        );
        say("Keep", self.keep_percent.map(|percent| format!("{percent} %")));
        say("Reference frame", self.reference_frame.map(|n| format!("{n} (counted from 0)")));
        say("Scale", self.scale.map(|s| format!("{s} px per px of the capture")));
        say("Pixel", self.pixel_arcsec.map(|a| format!("{a:.4} arcsec")));
        say("Values", Some(self.values.clone()));
        say("Note", self.note.clone());
        lines
    }

    /// [`Caption::lines`] in one string of printable ASCII; anything else becomes `?`.
    pub fn ascii_text(&self) -> String {
        ascii(&self.lines().join("\n"))
    }
}

/// `text` with everything that is not printable ASCII or a line break as `?`.
pub(crate) fn ascii(text: &str) -> String {
    text.chars()
        .map(|c| if c == '\n' || c == ' ' || c.is_ascii_graphic() { c } else { '?' })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_facts_are_left_out_and_foreign_letters_do_no_harm() {
        let caption = Caption {
            content: "still".into(),
            capture: "Mond ü\0.ser".into(),
            frames_used: Some(20),
            frames_in_capture: Some(100),
            ..Caption::default()
        };
        assert_eq!(
            caption.ascii_text(),
            "Content: still\nCapture: Mond ??.ser\nFrames used: 20 of 100"
        );
    }
}
