//! A rough cut of a finished alignment: what stays, in which order, and why.
//!
//! `coeval align the-shoot -o results`, then
//! `cargo run --release -p coeval-cut --example rough_cut -- results the-shoot`
#![allow(clippy::print_stdout, reason = "a command's output is its purpose")]

use std::path::Path;

use coeval::Error;
use coeval_cut::edits::edit_list;
use coeval_cut::voices::{SpeechMap, speech_map};
use coeval_cut::{RoughCutOptions, rough_cut};
use coeval_shoot::{Alignment, LARGEST_TEXT, read_text};

fn main() -> coeval::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [results, recordings] = &arguments[..] else {
        return Err(Error::invalid("usage: rough_cut RESULTS RECORDINGS"));
    };
    let (results, recordings) = (Path::new(results), Path::new(recordings));
    let alignment = Alignment::from_json(&read_text(&results.join("alignment.json"), LARGEST_TEXT)?)?;

    // Voices are heard once; `coeval tighten` keeps them here too.
    let kept = read_text(&results.join("speech.json"), LARGEST_TEXT).ok();
    let speech = match kept.and_then(|text| SpeechMap::from_json(&text, &alignment)) {
        Some(speech) => speech,
        None => speech_map(&alignment, recordings, &Default::default(), &())?,
    };

    let mut options = RoughCutOptions::default();
    options.tighten.pause_s = 0.5;
    let cut = rough_cut(&alignment, &speech, &options)?;
    println!("{:.0} s become {:.0} s", cut.facts.frames as f64 * cut.plan.frame_s(), cut.plan.shown_s());
    print!("{}", edit_list(&cut.plan));
    Ok(())
}
