//! Where each file of a shoot lies on the common timeline: the start of README.md and of the guide.
//!
//! `cargo run --release -p coeval-shoot --example where_files_lie`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use coeval_shoot::{Options, align};

fn main() -> coeval::Result<()> {
    let alignment = align(&["examples/survey-launch/recordings"], &Options::default(), &())?;
    for file in alignment.files() {
        match file.map() {
            Some(map) => println!("{}: its second 10 is {:.4} s on the timeline", file.path, map.forward(10.0)),
            None => println!("{}: {}", file.path, file.reason.as_deref().unwrap_or("")),
        }
    }
    Ok(())
}
