//! What is known about a capture once it is open, and what is odd about it.

use crate::time::Ticks;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use stillwright_picture::Layout;

/// Which byte of a two-byte sample comes first in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ByteOrder {
    /// The low byte first.
    Little,
    /// The high byte first.
    Big,
}

impl ByteOrder {
    /// The name that commands, recipes and messages use: `little` or `big`.
    pub fn name(self) -> &'static str {
        match self {
            ByteOrder::Little => "little",
            ByteOrder::Big => "big",
        }
    }
}

/// Where in a two-byte sample its 9 to 15 bits stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Justification {
    /// In the lowest bits: full scale is 2^depth - 1.
    Right,
    /// In the highest bits; the bits below are never set.
    Left,
}

impl Justification {
    /// The name that commands, recipes and messages use: `right` or `left`.
    pub fn name(self) -> &'static str {
        match self {
            Justification::Right => "right",
            Justification::Left => "left",
        }
    }
}

/// What a remark is about, for programs; its words are for people.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum RemarkCode {
    /// The file ends before the frames that its header promises.
    Truncated,
    /// The header's frame count is not what the file holds.
    FrameCount,
    /// Times of frames are missing, incomplete or senseless, and are not used.
    Times,
    /// The byte order could not be told from the pixels.
    ByteOrderUnsure,
    /// The header's byte-order flag says otherwise than the pixels.
    ByteOrderFlag,
    /// Whether the samples are left- or right-justified could not be told for sure.
    JustificationUnsure,
    /// The samples use more bits than the header says.
    BitDepthExceeded,
    /// The samples use fewer bits than the header says.
    BitDepthUnused,
    /// Frames without data were left out.
    EmptyFrames,
    /// Frames shorter than a picture were left out.
    ShortFrames,
    /// Bytes that belong to nothing.
    StrayBytes,
    /// A chunk that makes no sense; what follows it was not read.
    BrokenChunk,
    /// Streams of pictures or sound that were not read.
    OtherStreams,
    /// How luma was taken to run (16 to 235, or 0 to 255), and what was made of the colours.
    LumaRange,
    /// The pictures are compressed with loss.
    Lossy,
    /// What full scale was taken to be, where the file does not say.
    FullScale,
    /// Numbers missing from a sequence of files.
    Gaps,
    /// Files of a sequence that are damaged or unlike the others.
    BrokenFiles,
    /// What the frames were calibrated with.
    Calibrated,
}

/// One odd thing about a capture, said in a sentence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// What it is about.
    pub code: RemarkCode,
    /// What is odd, and what was done or can be done about it.
    pub message: String,
}

impl Remark {
    /// A remark.
    pub fn new(code: RemarkCode, message: impl Into<String>) -> Remark {
        Remark { code, message: message.into() }
    }
}

/// What is known about a capture.
#[derive(Clone, Debug, Serialize)]
pub struct Facts {
    /// Name of the format, as in [`crate::FORMATS`].
    pub format: &'static str,
    /// Columns of a frame.
    pub width: usize,
    /// Rows of a frame.
    pub height: usize,
    /// Whole frames that can be read.
    pub frames: usize,
    /// Frames that the header promises, where it says anything; may be nonsense.
    pub declared_frames: Option<i64>,
    /// Bits of a sample, 1 to 16: full scale is 2^bit_depth - 1.
    pub bit_depth: u8,
    /// Colour of the samples as the file holds them (written as its name).
    #[serde(serialize_with = "layout_to_name")]
    pub layout: Layout,
    /// Byte order of two-byte samples; `None` where samples are single bytes.
    pub byte_order: Option<ByteOrder>,
    /// Where the bits stand in two-byte samples; `None` where samples are single bytes.
    pub justification: Option<Justification>,
    /// Length of the recording, s: from the first frame's time to the last one's and one mean
    /// interval more, so that it is frames / frame rate. `None` where times are not known.
    pub duration_s: Option<f64>,
    /// Mean frame rate, 1/s, where times are known.
    pub frame_rate_hz: Option<f64>,
    /// Whether each frame's own time is known ([`crate::Capture::time_utc`]).
    pub has_times: bool,
    /// Start of the recording in UTC: the header's, or else the first frame's.
    pub start_utc: Option<Ticks>,
    /// Start of the recording in the observer's local time, as the header has it.
    pub start_local: Option<Ticks>,
    /// Who observed, as the header has it; may be empty.
    pub observer: String,
    /// The camera, as the header has it; may be empty.
    pub instrument: String,
    /// The telescope, as the header has it; may be empty.
    pub telescope: String,
    /// Exposure of each frame, s, where the file says.
    pub exposure_s: Option<f64>,
    /// Gain of the camera in its own units, where the file says.
    pub gain: Option<f64>,
    /// What is wrong with the capture, and what it costs.
    pub warnings: Vec<Remark>,
    /// What is worth knowing but costs nothing.
    pub notes: Vec<Remark>,
}

/// What the person knows better than the file. All fields are optional; what is left out is
/// decided from the file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Overrides {
    /// Colour of the samples as the file holds them (written as its name, such as `rggb`).
    #[serde(
        serialize_with = "optional_layout_to_name",
        deserialize_with = "optional_layout_from_name",
        skip_serializing_if = "Option::is_none"
    )]
    pub layout: Option<Layout>,
    /// Byte order of two-byte samples.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub byte_order: Option<ByteOrder>,
    /// Where the bits stand in two-byte samples.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub justification: Option<Justification>,
    /// Bits of a sample, 1 to 16. Up to 8 bits are read from one byte, more from two.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bit_depth: Option<u8>,
}

fn layout_to_name<S: Serializer>(layout: &Layout, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(layout.name())
}

fn optional_layout_to_name<S: Serializer>(
    layout: &Option<Layout>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    layout.map(Layout::name).serialize(serializer)
}

fn optional_layout_from_name<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<Layout>, D::Error> {
    let Some(name) = Option::<String>::deserialize(deserializer)? else { return Ok(None) };
    Layout::from_name(&name).map(Some).ok_or_else(|| {
        let names: Vec<&str> = Layout::NAMES.iter().map(|(name, _)| *name).collect();
        serde::de::Error::custom(format!(
            "expected a layout ({}), found \"{name}\"",
            names.join(", ")
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overrides_are_written_by_name_and_read_back() {
        for (_, layout) in Layout::NAMES {
            let overrides = Overrides {
                layout: Some(layout),
                byte_order: Some(ByteOrder::Big),
                justification: Some(Justification::Left),
                bit_depth: Some(12),
            };
            let json = serde_json::to_string(&overrides).unwrap();
            assert!(json.contains(&format!("\"{}\"", layout.name())), "{json}");
            assert_eq!(serde_json::from_str::<Overrides>(&json).unwrap(), overrides);
        }
        assert_eq!(serde_json::to_string(&Overrides::default()).unwrap(), "{}");
        assert_eq!(serde_json::from_str::<Overrides>("{}").unwrap(), Overrides::default());
        let wrong = serde_json::from_str::<Overrides>(r#"{"layout":"mosaic"}"#).unwrap_err();
        assert!(wrong.to_string().contains("rggb"), "{wrong}");
    }
}
