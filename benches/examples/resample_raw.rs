//! Resamples raw mono 32-bit float sound from standard input to standard output:
//! `resample_raw SOURCE_HZ TARGET_HZ FILE_S,TIMELINE_S...`, the pairs being knots of the source's clock. For
//! `benches/scripts/resample_beside_soxr.py`.

use std::io::{Read, Write};

use coeval::clock::ClockMap;
use coeval::resample::{ResampleOptions, Route, resample};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [source_hz, target_hz, knots @ ..] = &words[..] else {
        return Err("usage: resample_raw SOURCE_HZ TARGET_HZ FILE_S,TIMELINE_S...".into());
    };
    let knot = |word: &String| -> Result<(f64, f64), Box<dyn std::error::Error>> {
        let (file_s, timeline_s) = word.split_once(',').ok_or("a knot is FILE_S,TIMELINE_S")?;
        Ok((file_s.parse()?, timeline_s.parse()?))
    };
    let knots = knots.iter().map(knot).collect::<Result<Vec<_>, _>>()?;
    let end_s = knots.last().ok_or("there are no knots")?.1;
    let map = ClockMap::from_knots(knots)?;
    let mut bytes = Vec::new();
    std::io::stdin().read_to_end(&mut bytes)?;
    let source: Vec<f32> = bytes.as_chunks().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    let (source_hz, target_hz) = (source_hz.parse()?, target_hz.parse()?);
    let options = ResampleOptions::new(source_hz, target_hz, 1, (end_s * target_hz).round() as u64);
    let output = resample(&source, &Route::onto_timeline(&map), &options)?;
    let bytes: Vec<u8> = output.iter().flat_map(|x| x.to_le_bytes()).collect();
    std::io::stdout().write_all(&bytes)?;
    Ok(())
}
