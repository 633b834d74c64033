//! Where a capture's bytes come from: anything that can be read at an offset.
//!
//! Files are read in pieces at given offsets and never mapped into memory: a file that shrinks
//! while it is open (still being written, a disk unplugged) gives a short read, hence an error
//! for the frames that are gone, where a mapping would kill the program.

use std::fs::File;
use std::io::{self, ErrorKind};
use std::sync::Arc;
use stillwright_picture::FrameError;

/// Bytes that can be read at any offset, from several threads at once.
pub trait Bytes: Send + Sync {
    /// How many bytes there are *now*; asked again when it matters, for files grow and shrink.
    ///
    /// # Errors
    /// When the system cannot tell.
    fn len(&self) -> io::Result<u64>;

    /// Whether there are no bytes now.
    ///
    /// # Errors
    /// When the system cannot tell.
    fn is_empty(&self) -> io::Result<bool> {
        Ok(self.len()? == 0)
    }

    /// Read some bytes at `offset` into the start of `buf`; gives how many, which may be fewer
    /// than asked, and 0 at or past the end.
    ///
    /// # Errors
    /// What the system reports.
    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize>;
}

impl Bytes for File {
    fn len(&self) -> io::Result<u64> {
        Ok(self.metadata()?.len())
    }

    #[cfg(unix)]
    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
        std::os::unix::fs::FileExt::read_at(self, buf, offset)
    }

    #[cfg(windows)]
    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
        std::os::windows::fs::FileExt::seek_read(self, buf, offset)
    }
}

impl Bytes for [u8] {
    fn len(&self) -> io::Result<u64> {
        Ok(<[u8]>::len(self) as u64)
    }

    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
        let start = usize::try_from(offset).unwrap_or(usize::MAX).min(<[u8]>::len(self));
        let rest = &self[start..];
        let n = buf.len().min(<[u8]>::len(rest));
        buf[..n].copy_from_slice(&rest[..n]);
        Ok(n)
    }
}

impl Bytes for Vec<u8> {
    fn len(&self) -> io::Result<u64> {
        Bytes::len(self.as_slice())
    }

    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
        self.as_slice().read_at(offset, buf)
    }
}

impl<B: Bytes + ?Sized> Bytes for Arc<B> {
    fn len(&self) -> io::Result<u64> {
        (**self).len()
    }

    fn read_at(&self, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
        (**self).read_at(offset, buf)
    }
}

/// Read until `buf` is full or the bytes end; gives how many were read.
pub(crate) fn read_up_to(bytes: &dyn Bytes, offset: u64, buf: &mut [u8]) -> io::Result<usize> {
    let mut done = 0;
    while done < buf.len() {
        match bytes.read_at(offset.saturating_add(done as u64), &mut buf[done..]) {
            Ok(0) => break,
            Ok(n) => done += n,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(done)
}

/// Fill `buf` with the bytes of frame `index` that stand at `offset`.
pub(crate) fn read_frame_part(
    bytes: &dyn Bytes,
    index: usize,
    offset: u64,
    buf: &mut [u8],
) -> Result<(), FrameError> {
    let reason = match read_up_to(bytes, offset, buf) {
        Ok(n) if n == buf.len() => return Ok(()),
        Ok(n) => format!(
            "expected {} bytes at offset {offset}, found {n}: the file has become shorter since it \
             was opened; leave this frame out, or open the capture again once it is complete",
            buf.len()
        ),
        Err(e) => format!(
            "{} bytes at offset {offset} could not be read ({e}); check the disk and its cable, or \
             copy the capture to another disk",
            buf.len()
        ),
    };
    Err(FrameError { index, reason })
}

/// The error for a frame that was never there.
pub(crate) fn no_such_frame(index: usize, frames: usize) -> FrameError {
    let reason = format!("the capture holds {frames} whole frames, counted from 0");
    FrameError { index, reason }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slices_end_where_they_end() {
        let bytes: Arc<[u8]> = Arc::from([1_u8, 2, 3, 4, 5].as_slice());
        let mut buf = [0; 4];
        for (offset, count) in [(0, 4), (1, 4), (2, 3), (4, 1), (5, 0), (6, 0), (u64::MAX, 0)] {
            assert_eq!(read_up_to(&bytes, offset, &mut buf).ok(), Some(count), "offset {offset}");
        }
        assert!(matches!(Bytes::is_empty(&bytes), Ok(false)));
    }
}
