//! Numbers as bytes, low byte first, and back; a reader never trusts a length.

/// Writes.
#[derive(Default)]
pub(super) struct Writer(pub Vec<u8>);

impl Writer {
    pub(super) fn byte(&mut self, value: u8) {
        self.0.push(value);
    }

    pub(super) fn count(&mut self, value: usize) {
        self.0.extend_from_slice(&(value as u64).to_le_bytes());
    }

    pub(super) fn double(&mut self, value: f64) {
        self.0.extend_from_slice(&value.to_le_bytes());
    }

    pub(super) fn float(&mut self, value: f32) {
        self.0.extend_from_slice(&value.to_le_bytes());
    }

    pub(super) fn floats<'a>(&mut self, values: impl ExactSizeIterator<Item = &'a f32>) {
        self.count(values.len());
        self.0.reserve(4 * values.len());
        values.for_each(|value| self.float(*value));
    }

    pub(super) fn counts(&mut self, values: &[usize]) {
        self.count(values.len());
        values.iter().for_each(|value| self.count(*value));
    }

    pub(super) fn text(&mut self, text: &str) {
        self.count(text.len());
        self.0.extend_from_slice(text.as_bytes());
    }
}

/// Reads; `None` where the bytes end too early.
pub(super) struct Reader<'a>(pub &'a [u8]);

impl<'a> Reader<'a> {
    fn take(&mut self, n: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        Some(taken)
    }

    pub(super) fn byte(&mut self) -> Option<u8> {
        self.take(1).map(|bytes| bytes[0])
    }

    pub(super) fn count(&mut self) -> Option<usize> {
        let bytes = self.take(8)?.try_into().ok()?;
        usize::try_from(u64::from_le_bytes(bytes)).ok()
    }

    pub(super) fn double(&mut self) -> Option<f64> {
        Some(f64::from_le_bytes(self.take(8)?.try_into().ok()?))
    }

    pub(super) fn float(&mut self) -> Option<f32> {
        Some(f32::from_le_bytes(self.take(4)?.try_into().ok()?))
    }

    pub(super) fn floats(&mut self) -> Option<Vec<f32>> {
        let n = self.count()?;
        let (numbers, _) = self.take(n.checked_mul(4)?)?.as_chunks::<4>();
        Some(numbers.iter().map(|bytes| f32::from_le_bytes(*bytes)).collect())
    }

    pub(super) fn counts(&mut self) -> Option<Vec<usize>> {
        let n = self.count()?;
        // Each takes eight bytes: a length that lies allocates nothing.
        if n.checked_mul(8)? > self.0.len() {
            return None;
        }
        (0..n).map(|_| self.count()).collect()
    }

    pub(super) fn text(&mut self) -> Option<String> {
        let n = self.count()?;
        String::from_utf8(self.take(n)?.to_vec()).ok()
    }

    /// Whether everything was read.
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}
