#![no_main]
#[path = "../guarded.rs"]
mod guarded;
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| guarded::run("places", bytes));
