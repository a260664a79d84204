//! Resamples raw mono 32-bit float sound from standard input to standard output:
//! `resample_raw SOURCE_HZ TARGET_HZ FILE_S,TIMELINE_S...`, the pairs being knots of the source's clock. For
//! `benches/scripts/resample_beside_soxr.py`.

use std::io::{Read, Write};

use coeval::clock::ClockMap;
use coeval::resample::{ResampleOptions, Resampler, Route};

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
    let (source_hz, target_hz) = (source_hz.parse()?, target_hz.parse()?);
    let options = ResampleOptions::new(source_hz, target_hz, 1, (end_s * target_hz).round() as u64);
    let mut resampler = Resampler::new(&Route::onto_timeline(&map), &options)?;
    let (mut input, mut output) = (std::io::stdin().lock(), std::io::stdout().lock());
    let (mut bytes, mut block) = (Vec::new(), Vec::new());
    loop {
        // Knots ascend: the frame that is wanted is always the next.
        while resampler.next_frame().is_some() {
            bytes.clear();
            input.by_ref().take(1 << 16).read_to_end(&mut bytes)?;
            block.clear();
            block.extend(bytes.as_chunks().0.iter().map(|b| f32::from_le_bytes(*b)));
            if block.is_empty() { resampler.end_of_source() } else { resampler.push(&block)? }
        }
        if resampler.pull(&mut block) == 0 {
            break;
        }
        bytes.resize(block.len() * 4, 0);
        bytes.as_chunks_mut().0.iter_mut().zip(&block).for_each(|(b, x)| *b = x.to_le_bytes());
        output.write_all(&bytes)?;
    }
    Ok(())
}
