//! What comparing a frame with the reference cell by cell needs.

use std::ops::Range;

/// Lanes of the sums.
pub(crate) const LANES: usize = 8;

/// The values from `at` on.
#[inline(always)]
pub(crate) fn eight(values: &[f32], at: usize) -> [f32; LANES] {
    values[at..].first_chunk().copied().unwrap_or_default()
}

/// The runs of cells side by side that are `wanted`, in a row of `columns` cells that begins at cell `first`.
pub(crate) fn runs(
    wanted: Option<&[bool]>,
    first: usize,
    columns: usize,
) -> impl Iterator<Item = Range<usize>> {
    let counts = move |c: usize| wanted.is_none_or(|w| w[first + c]);
    let mut column = 0;
    std::iter::from_fn(move || {
        let from = (column..columns).find(|c| counts(*c))?;
        column = (from..columns).find(|c| !counts(*c)).unwrap_or(columns);
        Some(from..column)
    })
}
