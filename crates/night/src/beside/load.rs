//! Reading a reference picture: any format that captures come in; of a video, its first frame.

use crate::files::open_plain;
use crate::session::picture_of;
use std::path::Path;
use stillwright_capture::Overrides;
use stillwright_picture::{Picture, RawFrame};

/// Most pixels of a reference picture: beyond, it is asked for in a smaller size.
const MOST_PX: usize = 120_000_000;

/// Read a picture.
///
/// # Errors
/// In words, when the file cannot be read or is none, or larger than 120 megapixels.
pub fn load_picture(path: &Path) -> Result<Picture, String> {
    let shown = path.display();
    let file = open_plain(path)
        .map_err(|e| format!("the reference picture cannot be opened: {e}\n  {shown}"))?;
    let source = stillwright_capture::open(Box::new(file), &Overrides::default()).map_err(|e| {
        format!("expected a picture (PNG, TIFF, JPEG, FITS) as the reference: {e}\n  {shown}")
    })?;
    let format = source.format();
    let px = format.width.saturating_mul(format.height);
    if px > MOST_PX {
        return Err(format!(
            "the reference picture has {} x {} px; expected at most {} megapixels: cut out the ground \
             that the still shows, or save it smaller\n  {shown}",
            format.width,
            format.height,
            MOST_PX / 1_000_000
        ));
    }
    let mut frame = RawFrame::black(format);
    source.read_frame(0, &mut frame).map_err(|e| format!("{e}\n  {shown}"))?;
    Ok(picture_of(&frame))
}
