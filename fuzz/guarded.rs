// A target run under the eye of libFuzzer, every byte that it asks for counted.

#[path = "targets.rs"]
mod targets;

use peak_alloc::PeakAlloc;
use targets::{IN_ANY_CASE, TARGETS};

#[global_allocator]
static PEAK: PeakAlloc = PeakAlloc;

/// Run the target `name`; asking for more memory than the file justifies counts as a crash.
pub fn run(name: &str, bytes: &[u8]) {
    let target = TARGETS.iter().find(|target| target.name == name).expect("a row of TARGETS");
    PEAK.reset_peak_usage();
    let before = PEAK.current_usage();
    (target.run)(bytes);
    let asked_for = PEAK.peak_usage().saturating_sub(before);
    let allowed = IN_ANY_CASE + target.bytes_a_byte * bytes.len();
    assert!(asked_for <= allowed, "{asked_for} bytes of memory for a file of {}", bytes.len());
}
