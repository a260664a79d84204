//! A small shoot that can be made anywhere, and the command as a function.

use std::ffi::OsString;
use std::io::Write;
use std::path::Path;
use std::sync::atomic::AtomicBool;

/// What a run of the command left behind.
#[derive(Debug)]
pub struct Ran {
    /// Exit code.
    pub code: u8,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Ran {
    /// The lines of both outputs that hold `text`.
    pub fn lines_with(&self, text: &str) -> Vec<&str> {
        self.out.lines().chain(self.err.lines()).filter(|l| l.contains(text)).collect()
    }
}

/// Says why a test did not run, past the test runner's capture, in the form that `cargo xtask test` collects.
pub fn skipped(why: &str) {
    let _ = writeln!(std::io::stdout(), "\nskipped: {why}");
}

/// Runs `coeval` with `args`.
pub fn coeval(args: &[&dyn AsRef<std::ffi::OsStr>]) -> Ran {
    coeval_until(args, &AtomicBool::new(false))
}

/// As [`coeval()`], and stops when `stop` is set.
pub fn coeval_until(args: &[&dyn AsRef<std::ffi::OsStr>], stop: &AtomicBool) -> Ran {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let line = std::iter::once(OsString::from("coeval")).chain(args.iter().map(|a| (*a).as_ref().to_os_string()));
    let mut console =
        coeval_cli::Console { out: &mut out, err: &mut err, progress: coeval_cli::ShownAs::Nothing, stop };
    let code = coeval_cli::run(line, &mut console);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("output is UTF-8");
    Ran { code, out: text(out), err: text(err) }
}

/// A stream of numbers between -1 and 1 that is the same on every machine (xorshift64*, Vigna 2016).
pub struct Noise(u64);

impl Noise {
    /// Another stream for another seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// The next number.
    pub fn sample(&mut self) -> f32 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let bits = self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 40;
        bits as f32 / (1u64 << 23) as f32 - 1.0
    }
}

/// Sampling rate of [`event`], Hz.
pub const RATE_HZ: u32 = 16_000;

/// Sound of an event, mono: bursts of coloured noise with pauses of uneven length, as talk has them.
pub fn event(seconds: usize) -> Vec<f32> {
    another_event(7, seconds)
}

/// As [`event`], another one for another seed.
pub fn another_event(seed: u64, seconds: usize) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    let mut out = Vec::with_capacity(seconds * RATE_HZ as usize);
    let mut held = 0.0;
    while out.len() < seconds * RATE_HZ as usize {
        let length = (0.15 + 0.35 * f64::from(noise.sample().abs())) * f64::from(RATE_HZ);
        let (level, colour) = (0.1 + 0.2 * noise.sample().abs(), 0.3 + 0.6 * noise.sample().abs());
        for _ in 0..length as usize {
            held = colour * held + (1.0 - colour) * noise.sample();
            out.push(level * held);
        }
        let pause = (0.05 + 0.5 * f64::from(noise.sample().abs())) * f64::from(RATE_HZ);
        out.extend(std::iter::repeat_n(0.0, pause as usize));
    }
    out.truncate(seconds * RATE_HZ as usize);
    out
}

/// `sound` as one device hears it: `seed` gives it noise of its own.
pub fn heard(sound: &[f32], seed: u64) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    sound.iter().map(|s| s + 0.01 * noise.sample()).collect()
}

/// Writes mono 16-bit sound.
pub fn write_wav(path: &Path, sound: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("the test's folder can be written");
    for s in sound {
        writer.write_sample((s * 32_000.0) as i16).expect("written");
    }
    writer.finalize().expect("written");
}

/// Two recorders that heard the same 44 s, enough to be sure: `left.wav` the first 40 s, `right.wav` from 4 s on.
pub fn write_good_pair(folder: &Path) {
    let event = event(44);
    write_wav(&folder.join("left.wav"), &heard(&event[..40 * RATE_HZ as usize], 1));
    write_wav(&folder.join("right.wav"), &heard(&event[4 * RATE_HZ as usize..], 2));
}
