#![no_main]
#[path = "../targets.rs"]
#[allow(dead_code)]
mod targets;
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| targets::night(bytes));
