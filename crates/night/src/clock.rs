//! This moment, and the moments of captures, in words.

use std::time::{SystemTime, UNIX_EPOCH};
use stillwright_capture::Ticks;

/// `YYYY-MM-DDThh:mm:ss.sss`, as headers of pictures want it: to the millisecond.
pub fn to_millisecond(ticks: Ticks) -> String {
    ticks.to_string().chars().take(23).collect()
}

/// This moment, UTC: `YYYY-MM-DDThh:mm:ssZ`.
pub fn now() -> String {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    let ticks = Ticks(Ticks::UNIX_EPOCH.0 + seconds.min(u64::from(u32::MAX) * 2) * 10_000_000);
    let whole: String = ticks.to_string().chars().take(19).collect();
    format!("{whole}Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_cut_to_their_unit() {
        let ticks = Ticks(639_101_520_001_234_567);
        assert_eq!(to_millisecond(ticks), "2026-03-26T20:00:00.123");
        let now = now();
        assert!(now.len() == 20 && now.ends_with('Z') && now.as_str() > "2025-", "{now}");
    }
}
