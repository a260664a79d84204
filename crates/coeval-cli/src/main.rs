//! The `coeval` command.
fn main() {}
