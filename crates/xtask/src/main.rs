//! Runs the project's checks: `cargo xtask`.
fn main() {}
