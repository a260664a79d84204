//! The recorder's sound as WAV files that lie sample for sample under the cameras' clips.
//!
//! `coeval align the-shoot -o results`, then
//! `cargo run --release -p coeval-shoot --example conform_to_wav -- results/alignment.json the-shoot OUT`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use std::path::Path;

use coeval::Error;
use coeval_shoot::conform::{ConformOptions, SoundPlacement, conform};
use coeval_shoot::{Alignment, LARGEST_TEXT, read_text};

fn main() -> coeval::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [alignment, recordings, out] = &arguments[..] else {
        return Err(Error::invalid("usage: conform_to_wav ALIGNMENT.json RECORDINGS OUT"));
    };
    let alignment = Alignment::from_json(&read_text(Path::new(alignment), LARGEST_TEXT)?)?;
    std::fs::create_dir_all(out).map_err(|e| Error::io(out, e))?;

    let mut options = ConformOptions::default();
    options.replace = true;
    let written = conform(&alignment, Path::new(recordings), Path::new(out), &options, &())?;
    for made in &written {
        let sound = &made.conformed;
        match (&made.path, &sound.placement) {
            (Ok(_), SoundPlacement::UnderClip(clip)) => {
                println!("{}: {} samples, as long as {clip}", sound.name, sound.frames)
            }
            (Ok(_), SoundPlacement::OnTimeline) => println!("{}: starts at {:.3} s", sound.name, sound.start_s),
            // One file's failure does not stop the others.
            (Err(why), _) => println!("{}: {why}", sound.name),
        }
    }
    Ok(())
}
