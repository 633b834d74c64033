//! Pictures of the main states, rendered without any graphics driver, held against kept ones.
//!
//! After a change that is meant: `UPDATE_SNAPSHOTS=true cargo test -p stillwright-workbench --test
//! look`, and look at every picture that changed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout)]

mod support;

use support::{Window, options, sample, small};

#[test]
fn first_look() {
    let home = tempfile::tempdir().unwrap();
    let mut window = Window::open(options(home.path()));
    window.no_pointer();
    window.picture().save("/tmp/look-empty.png").unwrap();
    let a = sample(home.path(), "ridge-north", &small(1, 60));
    window.drop_files(&[a]);
    window.wait_done();
    window.no_pointer();
    window.picture().save("/tmp/look-done.png").unwrap();
}
