//! A file's sound, as a resampler wants it.

use coeval::Result;
use coeval::resample::Resampler;
use coeval_media::SoundReader;

/// Pushes the sound that `resampler` wants until it can be pulled from. `at` is the frame that `reader` gives next, and
/// `block` a buffer.
pub(crate) fn feed(
    resampler: &mut Resampler,
    reader: &mut SoundReader,
    at: &mut u64,
    block: &mut Vec<f32>,
) -> Result<()> {
    while let Some(frame) = resampler.next_frame() {
        if frame != *at {
            reader.seek(frame)?;
            *at = frame;
        }
        match reader.read(block)? {
            0 => resampler.end_of_source(),
            read => {
                resampler.push(block)?;
                *at += read as u64;
            }
        }
    }
    Ok(())
}
