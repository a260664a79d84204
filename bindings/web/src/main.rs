//! The `coeval` command as a program for WASI, which `js/worker.js` runs in a browser: the same work on the same files.
//! Measured numbers differ from the native command's in their last digits, because transforms round as the processor has
//! it. It tells its progress in lines that a program can read, and knows one command more, `sound FILE OUT`.
#![forbid(unsafe_code)]

use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::AtomicBool;

use coeval_cli::{Console, ShownAs};
use coeval_media::{Error, OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter};

/// Nothing sets it: whoever wants to stop ends the worker.
static STOP: AtomicBool = AtomicBool::new(false);

/// Samples a second of what [`sound`] writes, about: enough for speech, an hour is 58 MB.
const SOUND_HZ: u32 = 8000;

fn main() -> ExitCode {
    // WASI has no folder for temporary files; this is the host's.
    #[cfg(target_os = "wasi")]
    let _ = tempfile::env::override_temp_dir(Path::new("/.tmp"));
    let args: Vec<_> = std::env::args_os().collect();
    let mut err = std::io::stderr();
    if let [_, command, file, out] = &args[..]
        && command == "sound"
    {
        return match sound(Path::new(file), Path::new(out)) {
            Ok(()) => ExitCode::SUCCESS,
            Err(e) => {
                let _ = std::io::Write::write_fmt(&mut err, format_args!("coeval: {e}\n"));
                ExitCode::from(coeval_cli::exit::NOTHING_DONE)
            }
        };
    }
    let mut console = Console { out: &mut std::io::stdout(), err: &mut err, progress: ShownAs::Lines, stop: &STOP };
    ExitCode::from(coeval_cli::run(args, &mut console))
}

/// Writes the mean of a file's channels as `sound.wav` into the new folder `out`, for people who line files up by ear. Its
/// samples are means of as many of the file's as come to about 8 kHz, and divide its rate.
fn sound(file: &Path, out: &Path) -> Result<(), Error> {
    let mut reader = SoundReader::open(file, &OpenOptions::default())?;
    let about = reader.sound()?;
    let most = (about.rate_hz / SOUND_HZ).max(1);
    let step = (1..=most).rev().find(|step| about.rate_hz % step == 0).unwrap_or(1);
    std::fs::create_dir(out).map_err(|e| Error::io(out, e))?;
    let mut options = WavOptions::new(about.rate_hz / step, 1);
    options.format = SampleFormat::Int16;
    let mut writer = WavWriter::create(&out.join("sound.wav"), options)?;
    let (mut sum, mut count, mut means) = (0.0, 0, Vec::new());
    reader.read_to_end(|block, _| {
        means.clear();
        for frame in block.chunks_exact(about.channels) {
            sum += frame.iter().sum::<f32>();
            count += 1;
            if count == step {
                means.push(sum / (step as usize * about.channels) as f32);
                (sum, count) = (0.0, 0);
            }
        }
        writer.write(&means)
    })?;
    writer.finish().map(|_| ())
}
