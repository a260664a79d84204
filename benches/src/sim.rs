//! Simulated shoots from real voices and engines, with exact truth.
//!
//! A [`Scene`] is what happens aboard, on one true clock: who talks when, what the engine does, which calls
//! come over the radio. A [`Device`] samples the scene on its own clock (drift, wander, jumps, chapters with
//! gaps) from its own place (distance, room, wind, gain control, AAC). Everything follows from a seed.
//!
//! **True time of a sound** is when it leaves the mouth. A microphone `d` metres away hears it `d / c` later,
//! and a file's true map ([`File::truth`]) already contains that delay for the device's distance: it says
//! which moment of the voices each moment of the file holds, by the direct path. The two people sit up to
//! 0.25 m nearer or farther than `distance_m`, so each one's own delay differs from the map by up to 0.7 ms.
//! The engine is elsewhere: its sound reaches two cameras with another difference of delay than the voices do.
//!
//! **Level**: `voice_db` is the power of the voices with their room over the power of everything else (engine,
//! wind, hiss) in 300-3400 Hz, both over the frames in which somebody speaks (20 ms frames no more than
//! 15.9 dB below the sentence's mean level, the margin of ITU-T P.56). Radio and what is played do not count; what is
//! played stands [`Device::playing_db`] over the voices.

use std::io::{self, Read, Write};
use std::process::{Command, Stdio};
use std::sync::Arc;

use coeval::clock::ClockMap;
use coeval::track::{Track, TrackBuilder};
use rand::rngs::SmallRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rayon::prelude::*;

use crate::sim_sound::{
    FRAME, Material, ROOM_LEAD, SPEED_OF_SOUND_M_S, WORLD_RATE_HZ, active_frames, convolve, energy, engine_at,
    engine_run, gain_control, hiss, over_radio, room, voice_band, wind, zero_phase,
};

/// Which sentences of each speaker a scene may use: two scenes with different halves share none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Half {
    /// The first half.
    First,
    /// The second half.
    Second,
    /// All.
    Both,
}

/// What happens aboard.
#[derive(Debug, Clone)]
pub struct SceneSpec {
    /// Everything random follows from it.
    pub seed: u64,
    /// Length of the scene, seconds of true time.
    pub duration_s: f64,
    /// Speech in all, in seconds of active frames.
    pub talk_s: f64,
    /// Where the speech lies: from and to, seconds of true time.
    pub talk_within_s: (f64, f64),
    /// Radio calls in all, seconds.
    pub radio_s: f64,
    /// Indices of the two people's voices.
    pub voices: [usize; 2],
    /// Which of their sentences.
    pub half: Half,
    /// Index of the engine, if one runs.
    pub engine: Option<usize>,
}

/// Something that somebody says.
#[derive(Debug, Clone)]
pub struct Utterance {
    /// First sample at [`WORLD_RATE_HZ`] in true time.
    pub first: usize,
    /// Who: 0 or 1 aboard, 2 over the radio.
    pub who: usize,
    /// The sentence.
    pub sound: Arc<Vec<f32>>,
    active: Vec<bool>,
}

impl Utterance {
    /// First moment, true time in seconds.
    pub fn start_s(&self) -> f64 {
        self.first as f64 / WORLD_RATE_HZ
    }

    /// Length, seconds.
    pub fn duration_s(&self) -> f64 {
        self.sound.len() as f64 / WORLD_RATE_HZ
    }
}

/// Something that an instrument or a loudspeaker plays: a prompt, a loop, a piece of music.
#[derive(Debug, Clone)]
pub struct Playing {
    /// First sample at [`WORLD_RATE_HZ`] in true time: when it leaves the loudspeaker.
    pub first: usize,
    /// What is played, at unit root mean square.
    pub sound: Arc<Vec<f32>>,
}

/// Where a sound comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The people.
    Voices,
    /// The engine.
    Engine,
    /// The instrument or loudspeaker.
    Playing,
}

/// A scene, laid out on the true clock.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Length, seconds.
    pub duration_s: f64,
    /// What is said, in time order.
    pub utterances: Vec<Utterance>,
    /// What is played. A new scene has nothing of it.
    pub playing: Vec<Playing>,
    engine: Option<Vec<f32>>,
    seed: u64,
}

/// Whose microphone it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Hears the people through the air, the engine, its own wind; no radio.
    Camera,
    /// Hears the people through their headsets without delay, the radio, little of the engine. What is played comes by
    /// wire too.
    Recorder,
    /// A recorder's microphone that lies in the cabin: hears the people and the engine through the air, hiss instead of
    /// wind; no radio.
    OpenMicrophone,
}

/// One device, on its own clock.
#[derive(Debug, Clone)]
pub struct Device {
    /// Camera or recorder.
    pub kind: Kind,
    /// Nominal rate, Hz; at least [`WORLD_RATE_HZ`].
    pub rate_hz: f64,
    /// True time at which it starts, seconds.
    pub start_s: f64,
    /// Its files: missing own time before each (negative: overlap), and length in own seconds.
    pub chapters: Vec<(f64, f64)>,
    /// (true seconds per own second - 1) * 1e6, on average.
    pub drift_ppm: f64,
    /// Change of drift: amplitude in ppm and the own seconds in which it goes once from one extreme to the other.
    pub wander: Option<(f64, f64)>,
    /// Own time and lost seconds (negative: repeated).
    pub jumps: Vec<(f64, f64)>,
    /// From the people, metres. Not used for a recorder on the line.
    pub distance_m: f64,
    /// How much nearer one of the people may sit, and the other farther, metres.
    pub seats_m: f64,
    /// From the engine, metres.
    pub engine_distance_m: f64,
    /// From the loudspeaker, metres. Not used for a recorder on the line.
    pub speaker_distance_m: f64,
    /// What is played over the voices, dB; `None`: it is not heard.
    pub playing_db: Option<f64>,
    /// Amplitude that a wall gives back, 0 (open deck) to 0.8.
    pub wall_gain: f64,
    /// Voice over everything else; see the module. `None`: nothing but the voices.
    pub voice_db: Option<f64>,
    /// Part of the noise's power in the voice band that the engine makes, 0 to 1; wind and hiss make the rest.
    pub engine_share: f64,
    /// The intercom opens for talk only (voice-operated): no engine between the sentences. For a recorder.
    pub voice_gate: bool,
    /// Automatic gain.
    pub gain_control: bool,
    /// The microphone is wired the other way round.
    pub inverted: bool,
    /// Bit rate of an AAC round trip through ffmpeg, in kbit/s.
    pub aac_kbps: Option<u32>,
    /// Everything random of this device follows from it.
    pub seed: u64,
}

impl Device {
    /// A camera that hears the voices cleanly, on a true clock.
    pub fn camera(seed: u64, start_s: f64, duration_s: f64) -> Self {
        Self {
            kind: Kind::Camera,
            rate_hz: 48_000.0,
            start_s,
            chapters: vec![(0.0, duration_s)],
            drift_ppm: 0.0,
            wander: None,
            jumps: Vec::new(),
            distance_m: 1.5,
            seats_m: 0.25,
            engine_distance_m: 2.0,
            speaker_distance_m: 1.5,
            playing_db: Some(0.0),
            wall_gain: 0.5,
            voice_db: None,
            engine_share: 0.8,
            voice_gate: false,
            gain_control: false,
            inverted: false,
            aac_kbps: None,
            seed,
        }
    }

    /// A recorder on the headset line, on a true clock.
    pub fn recorder(seed: u64, start_s: f64, duration_s: f64) -> Self {
        Self {
            kind: Kind::Recorder,
            rate_hz: 44_100.0,
            distance_m: 0.0,
            voice_gate: true,
            ..Self::camera(seed, start_s, duration_s)
        }
    }

    /// Length from the first file's start to the last one's end, own seconds.
    pub fn duration_s(&self) -> f64 {
        self.chapters.iter().map(|c| c.0 + c.1).sum()
    }

    /// Knots from own time to true time as the microphone lives it (no sound travel), jumps as two knots.
    fn clock(&self) -> Vec<(f64, f64)> {
        let end = self.duration_s();
        let mut moments = vec![0.0, end];
        if self.wander.is_some() {
            // A knot a second: between them a drift of 2e-8 a second bends time by 3 ns.
            moments.extend((1..end.ceil() as usize).map(|s| s as f64));
        }
        moments.extend(self.jumps.iter().map(|j| j.0));
        moments.retain(|m| (0.0..=end).contains(m));
        moments.sort_by(f64::total_cmp);
        moments.dedup();
        let smooth = |own: f64| {
            let mut t = self.start_s + own * (1.0 + self.drift_ppm * 1e-6);
            if let Some((ppm, half_period)) = self.wander {
                let w = std::f64::consts::PI / half_period;
                let sign = if self.seed.is_multiple_of(2) { 1.0 } else { -1.0 };
                // Drift = ppm * cos(w t), plus a tenth of it four times faster.
                t += sign * 1e-6 * ppm * ((w * own).sin() / w + 0.1 * (4.0 * w * own).sin() / (4.0 * w));
            }
            t
        };
        let mut knots = Vec::new();
        let mut lost = 0.0;
        for m in moments {
            knots.push((m, smooth(m) + lost));
            for jump in self.jumps.iter().filter(|j| j.0 == m) {
                lost += jump.1;
                knots.push((m, smooth(m) + lost));
            }
        }
        knots
    }

    /// An open microphone in the cabin, on a true clock.
    pub fn open_microphone(seed: u64, start_s: f64, duration_s: f64) -> Self {
        Self { kind: Kind::OpenMicrophone, rate_hz: 44_100.0, ..Self::camera(seed, start_s, duration_s) }
    }

    fn travel_s(&self) -> f64 {
        if self.kind == Kind::Recorder { 0.0 } else { self.distance_m / SPEED_OF_SOUND_M_S }
    }

    /// How much longer the sound of a source is on its way than that of the voices, seconds. The moment of the source
    /// that a file holds is earlier than [`File::truth`] says by this.
    pub fn later_s(&self, source: Source) -> f64 {
        let metres = match (source, self.kind) {
            (Source::Voices, _) => return 0.0,
            (Source::Engine, _) => self.engine_distance_m,
            (Source::Playing, Kind::Recorder) => 0.0,
            (Source::Playing, _) => self.speaker_distance_m,
        };
        metres / SPEED_OF_SOUND_M_S - self.travel_s()
    }
}

/// One file that a device made.
#[derive(Debug, Clone)]
pub struct File {
    /// Samples at `rate_hz`, mono.
    pub samples: Vec<f32>,
    /// Their rate, Hz.
    pub rate_hz: f64,
    /// From file time to the true time of the voices it holds.
    pub truth: ClockMap,
}

impl File {
    /// The analysis track of this file.
    ///
    /// # Errors
    /// Whatever the track builder refuses.
    pub fn track(&self) -> coeval::Result<Track> {
        let mut builder = TrackBuilder::new(self.rate_hz, 1)?;
        for block in self.samples.chunks(1 << 16) {
            builder.push(block)?;
        }
        Ok(builder.finish())
    }

    /// Length, seconds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / self.rate_hz
    }
}

impl Scene {
    /// Lays a scene out.
    pub fn new(material: &Material, spec: &SceneSpec) -> Self {
        let mut rng = SmallRng::seed_from_u64(spec.seed);
        let len = (spec.duration_s * WORLD_RATE_HZ) as usize;
        let mut decks: Vec<Deck> = spec.voices.iter().map(|&v| Deck::new(material, v, spec.half, &mut rng)).collect();
        let others: Vec<usize> = (0..material.voices.len()).filter(|v| !spec.voices.contains(v)).collect();
        let radio_voice = others[rng.random_range(0..others.len())];
        let mut radio_deck = Deck::new(material, radio_voice, spec.half, &mut rng);

        // One after another: the people take turns now and then.
        let mut said: Vec<(usize, Arc<Vec<f32>>)> = Vec::new();
        let (mut who, mut active_s) = (0, 0.0);
        while active_s < spec.talk_s {
            if rng.random_bool(0.4) {
                who = 1 - who;
            }
            // No sentence longer than what is asked for, by much: a little talk means short sentences.
            let sound = decks[who].draw_up_to(&mut rng, (0.4 * spec.talk_s).max(2.0));
            active_s += active_frames(&sound).iter().filter(|&&a| a).count() as f64 * FRAME as f64 / WORLD_RATE_HZ;
            said.push((who, sound));
        }
        let mut radio_s = 0.0;
        let mut calls = Vec::new();
        while radio_s < spec.radio_s {
            let call = radio_deck.draw(&mut rng);
            let sound = Arc::new(over_radio(&mut rng, &call));
            radio_s += sound.len() as f64 / WORLD_RATE_HZ;
            calls.push((2, sound));
        }
        let mut utterances = spread(&mut rng, said, spec.talk_within_s);
        utterances.extend(spread(&mut rng, calls, (0.0, spec.duration_s)));
        utterances.retain(|u| u.first + u.sound.len() <= len);
        utterances.sort_by_key(|u| u.first);
        let engine = spec.engine.map(|e| engine_run(&material.engines[e], rng.random(), len));
        Self { duration_s: spec.duration_s, utterances, playing: Vec::new(), engine, seed: spec.seed }
    }

    /// Seconds of active speech aboard between two moments of true time.
    pub fn talk_s(&self, from_s: f64, to_s: f64) -> f64 {
        let frame_s = FRAME as f64 / WORLD_RATE_HZ;
        self.utterances
            .iter()
            .filter(|u| u.who < 2)
            .flat_map(|u| u.active.iter().enumerate().map(move |(i, a)| (u.start_s() + i as f64 * frame_s, *a)))
            .filter(|&(t, a)| a && t >= from_s && t + frame_s <= to_s)
            .count() as f64
            * frame_s
    }

    /// Whether any of `who` speaks, for every 10 ms of a file with this true map and length: 20 ms frames of the clean
    /// voice no more than 15.9 dB below its sentence's mean level (the margin of ITU-T P.56); pauses of up to 0.3 s
    /// count as speech (common practice in the scoring of speech detectors, from memory).
    pub fn speech(&self, truth: &ClockMap, duration_s: f64, who: impl Fn(usize) -> bool) -> Vec<bool> {
        const STEP_S: f64 = 0.01;
        let mut speech = vec![false; (duration_s / STEP_S).ceil() as usize];
        for u in self.utterances.iter().filter(|u| who(u.who)) {
            let power = |x: &[f32]| x.iter().map(|x| f64::from(x * x)).sum::<f64>() / x.len() as f64;
            let least = power(&u.sound) * 10f64.powf(-1.59);
            for (i, frame) in u.sound.chunks(FRAME).enumerate().filter(|f| power(f.1) >= least) {
                let start = u.start_s() + (i * FRAME) as f64 / WORLD_RATE_HZ;
                let end = start + frame.len() as f64 / WORLD_RATE_HZ;
                let step = |t: f64| (truth.inverse(t) / STEP_S).round().max(0.0) as usize;
                for s in step(start)..step(end).min(speech.len()) {
                    speech[s] = true;
                }
            }
        }
        let mut last = None;
        for i in 0..speech.len() {
            if speech[i] {
                if let Some(last) = last.filter(|l| i - l <= 30) {
                    speech[last..i].fill(true);
                }
                last = Some(i);
            }
        }
        speech
    }

    /// What a device records of the scene: its files in order.
    ///
    /// # Errors
    /// When ffmpeg is missing or fails and the device asks for AAC.
    ///
    /// # Panics
    /// When the device runs beyond the scene, less half a second at each end.
    pub fn record(&self, device: &Device) -> io::Result<Vec<File>> {
        let clock = device.clock();
        let (mut low, mut high) = (f64::MAX, f64::MIN);
        for k in &clock {
            low = low.min(k.1);
            high = high.max(k.1);
        }
        // Repeated sound at a jump reaches back before the knots only if it comes at the very start.
        let first = ((low - 0.02) * WORLD_RATE_HZ).floor();
        let last = (high + 0.02) * WORLD_RATE_HZ;
        assert!(first >= 0.0 && last <= self.duration_s * WORLD_RATE_HZ, "the device runs beyond the scene");
        let first = first as usize;
        let mix = self.mix(device, first, last as usize - first);

        let map = ClockMap::from_knots(clock).map_err(io::Error::other)?;
        let mut own = 0.0;
        let mut files = Vec::new();
        for &(gap, length) in &device.chapters {
            own += gap;
            let samples = (length * device.rate_hz).round() as usize;
            let length = samples as f64 / device.rate_hz;
            let knots = cut(&map, own, own + length);
            let mut sound = sample(&mix, first, &knots, device.rate_hz, samples);
            if device.inverted {
                sound.iter_mut().for_each(|x| *x = -*x);
            }
            if let Some(kbps) = device.aac_kbps {
                sound = aac_round_trip(sound, device.rate_hz, kbps)?;
            }
            let heard: Vec<(f64, f64)> = knots.iter().map(|k| (k.0, k.1 - device.travel_s())).collect();
            let truth = ClockMap::from_knots(heard).map_err(io::Error::other)?;
            files.push(File { samples: sound, rate_hz: device.rate_hz, truth });
            own += length;
        }
        Ok(files)
    }

    /// The sound at the device's microphone, at [`WORLD_RATE_HZ`], `len` samples from world sample `first` on.
    fn mix(&self, device: &Device, first: usize, len: usize) -> Vec<f32> {
        let mut rng = SmallRng::seed_from_u64(device.seed ^ self.seed.rotate_left(17));
        let rooms: Vec<Vec<f32>> = (0..2)
            .map(|who| {
                let nearer = device.seats_m * rng.random_range(0.0..1.0) * if who == 0 { -1.0 } else { 1.0 };
                room(&mut rng, (device.distance_m + nearer).max(0.3), device.wall_gain.max(0.01))
            })
            .collect();
        let noise_seed: u64 = rng.random();

        let voices: Vec<(i64, &Utterance, Vec<f32>)> = self
            .utterances
            .par_iter()
            .filter(|u| u.first + u.sound.len() + 4000 > first && u.first < first + len)
            .filter(|u| u.who < 2 || device.kind == Kind::Recorder)
            .map(|u| {
                let at = u.first as i64 - first as i64;
                match (device.kind, u.who) {
                    (Kind::Recorder, 2) => (at, u, u.sound.to_vec()),
                    (Kind::Recorder, _) => (at, u, zero_phase(&u.sound, headset)),
                    (Kind::Camera | Kind::OpenMicrophone, who) => {
                        (at - ROOM_LEAD as i64, u, convolve(&u.sound, &rooms[who]))
                    }
                }
            })
            .collect();

        let mut mix = vec![0f32; len];
        let mut voice_gain = 1.0;
        if let Some(voice_db) = device.voice_db {
            mix = self.noise(device, first, len, &mut rng, noise_seed);
            let mut powers = (0.0, 0.0);
            for (at, u, sound) in voices.iter().filter(|v| v.1.who < 2) {
                let p = self.powers(&mix, *at, u, sound);
                powers = (powers.0 + p.0, powers.1 + p.1);
            }
            if powers.0 > 0.0 {
                voice_gain = (powers.1 / powers.0 * 10f64.powf(voice_db / 10.0)).sqrt() as f32;
            } else if !self.playing.is_empty() {
                // Nobody speaks: what is played stands where it would stand beside a voice.
                let stretch = &mix[..mix.len().min(160_000)];
                let noise = energy(&voice_band(stretch)) / stretch.len() as f64;
                // A line that is shut has none.
                if noise > 0.0 {
                    voice_gain = (noise * 10f64.powf(voice_db / 10.0)).sqrt() as f32;
                }
            }
        }
        for (at, u, sound) in &voices {
            let gain = if u.who == 2 { 0.8 * voice_gain } else { voice_gain };
            for (i, s) in sound.iter().enumerate() {
                if let Some(m) = usize::try_from(at + i as i64).ok().and_then(|k| mix.get_mut(k)) {
                    *m += gain * s;
                }
            }
        }
        if let (Some(db), false) = (device.playing_db, self.playing.is_empty()) {
            self.play(device, first, voice_gain * 10f64.powf(db / 20.0) as f32, &mut mix);
        }
        if device.gain_control {
            gain_control(&mut mix);
        }
        // Loudest parts near full scale, softly limited.
        let mut levels: Vec<f32> = mix.iter().step_by(97).map(|x| x.abs()).collect();
        levels.sort_by(f32::total_cmp);
        let scale = 0.4 / levels.get(levels.len() * 999 / 1000).copied().unwrap_or(1.0).max(1e-6);
        mix.par_iter_mut().for_each(|x| *x = (*x * scale).tanh());
        mix
    }

    /// Adds what is played, as it reaches the device.
    fn play(&self, device: &Device, first: usize, gain: f32, mix: &mut [f32]) {
        let mut rng = SmallRng::seed_from_u64(device.seed ^ self.seed.rotate_left(29));
        let room = room(&mut rng, device.speaker_distance_m.max(0.3), device.wall_gain.max(0.01));
        let heard = self.playing.iter().filter(|p| p.first + p.sound.len() + 4000 > first);
        let heard: Vec<&Playing> = heard.filter(|p| p.first < first + mix.len()).collect();
        let sounds: Vec<(i64, Vec<f32>)> = heard
            .par_iter()
            .map(|p| {
                let at = p.first as i64 - first as i64;
                match device.kind {
                    Kind::Recorder => (at, zero_phase(&p.sound, headset)),
                    Kind::Camera | Kind::OpenMicrophone => (at - ROOM_LEAD as i64, convolve(&p.sound, &room)),
                }
            })
            .collect();
        for (at, sound) in sounds {
            let skip = (-at).clamp(0, sound.len() as i64) as usize;
            let begin = at.max(0) as usize;
            for (m, s) in mix.iter_mut().skip(begin).zip(&sound[skip..]) {
                *m += gain * s;
            }
        }
    }

    /// Energy of an utterance and of the noise under it in the voice band, over the utterance's active frames.
    fn powers(&self, noise: &[f32], at: i64, u: &Utterance, sound: &[f32]) -> (f64, f64) {
        let begin = at.clamp(0, noise.len() as i64) as usize;
        let end = (at + u.sound.len() as i64).clamp(0, noise.len() as i64) as usize;
        if end - begin < u.sound.len() {
            // Cut by the device's start or end: leave it out of the measure.
            return (0.0, 0.0);
        }
        let (voice, under) = (voice_band(&sound[..u.sound.len()]), voice_band(&noise[begin..end]));
        let of = |x: &[f32]| x.chunks(FRAME).zip(&u.active).filter(|(_, a)| **a).map(|(f, _)| energy(f)).sum::<f64>();
        (of(&voice), of(&under))
    }

    /// Engine, wind and hiss at the device, the engine making its share of the power in the voice band.
    fn noise(&self, device: &Device, first: usize, len: usize, rng: &mut SmallRng, seed: u64) -> Vec<f32> {
        let mut out = match device.kind {
            Kind::Camera => wind(seed, len),
            Kind::Recorder | Kind::OpenMicrophone => hiss(seed, len),
        };
        if let (Some(engine), true) = (&self.engine, device.engine_share > 0.0) {
            let engine = engine_at(&engine[first..first + len], rng, device.engine_distance_m);
            // The levels of ten stretches speak for the whole.
            let stretch = 16_000.min(len);
            let band_power = |x: &[f32]| -> f64 {
                (0..10).map(|i| (len - stretch) * i / 9).map(|at| energy(&voice_band(&x[at..at + stretch]))).sum()
            };
            let share = device.engine_share.min(0.9999);
            let gain = (band_power(&out) / band_power(&engine).max(1e-12) * share / (1.0 - share)).sqrt() as f32;
            out.par_iter_mut().zip(&engine).for_each(|(o, e)| *o += gain * e);
        }
        if device.voice_gate {
            self.gate(&mut out, first);
        }
        // A floor of its own, 40 dB down.
        let floor = 0.01 * crate::sim_sound::rms(&out);
        out.par_iter_mut().zip(hiss(seed ^ 0x5bd1, len)).for_each(|(o, h)| *o += floor * h);
        out
    }

    /// Lets sound through from 0.2 s before each sentence to 0.4 s after it, with edges of 20 ms.
    fn gate(&self, out: &mut [f32], first: usize) {
        const EDGE: f32 = 320.0;
        let mut gain = vec![0f32; out.len()];
        for u in self.utterances.iter().filter(|u| u.who < 2) {
            let (from, to) =
                (u.first as i64 - first as i64 - 3_200, (u.first + u.sound.len()) as i64 - first as i64 + 6_400);
            for k in from.max(0)..to.min(out.len() as i64) {
                let inside = ((k - from).min(to - k) as f32 / EDGE).min(1.0);
                gain[k as usize] = gain[k as usize].max(inside);
            }
        }
        out.par_iter_mut().zip(gain).for_each(|(o, g)| *o *= g);
    }
}

/// A headset line's gain over frequency: a band from 200 to 5500 Hz with soft slopes.
fn headset(hz: f64) -> f32 {
    (1.0 / (1.0 + (200.0 / hz.max(1.0)).powi(4)).sqrt() / (1.0 + (hz / 5500.0).powi(8)).sqrt()) as f32
}

/// One speaker's sentences in random order; when all are said, they come again a little faster or slower.
struct Deck {
    prompts: Vec<Arc<Vec<f32>>>,
    next: usize,
    round: usize,
}

impl Deck {
    fn new(material: &Material, voice: usize, half: Half, rng: &mut SmallRng) -> Self {
        let all = &material.voices[voice].prompts;
        let middle = all.len() / 2;
        let mut prompts = match half {
            Half::First => all[..middle].to_vec(),
            Half::Second => all[middle..].to_vec(),
            Half::Both => all.clone(),
        };
        prompts.shuffle(rng);
        Self { prompts, next: 0, round: 0 }
    }

    /// The next sentence no longer than `longest_s`, or the shortest of many.
    fn draw_up_to(&mut self, rng: &mut SmallRng, longest_s: f64) -> Arc<Vec<f32>> {
        let mut best = self.draw(rng);
        for _ in 0..60 {
            if best.len() as f64 <= longest_s * WORLD_RATE_HZ {
                break;
            }
            let other = self.draw(rng);
            if other.len() < best.len() {
                best = other;
            }
        }
        best
    }

    fn draw(&mut self, rng: &mut SmallRng) -> Arc<Vec<f32>> {
        if self.next == self.prompts.len() {
            self.prompts.shuffle(rng);
            (self.next, self.round) = (0, self.round + 1);
        }
        self.next += 1;
        let prompt = &self.prompts[self.next - 1];
        if self.round == 0 {
            return prompt.clone();
        }
        let speed = rng.random_range(0.9..1.1f64);
        let n = ((prompt.len() - 2) as f64 / speed) as usize;
        Arc::new(
            (0..n)
                .map(|i| {
                    let x = i as f64 * speed;
                    let (k, f) = (x as usize, x.fract() as f32);
                    prompt[k] * (1.0 - f) + prompt[k + 1] * f
                })
                .collect(),
        )
    }
}

/// Puts sentences into a stretch of time without overlap: exponential pauses, scaled to fill it.
fn spread(rng: &mut SmallRng, said: Vec<(usize, Arc<Vec<f32>>)>, within_s: (f64, f64)) -> Vec<Utterance> {
    let talk: f64 = said.iter().map(|s| s.1.len() as f64 / WORLD_RATE_HZ).sum();
    let free = (within_s.1 - within_s.0 - talk).max(0.0);
    let pauses: Vec<f64> = (0..=said.len()).map(|_| -rng.random_range(1e-6..1.0f64).ln()).collect();
    let scale = free / pauses.iter().sum::<f64>();
    let mut now = within_s.0;
    said.into_iter()
        .zip(pauses)
        .map(|((who, sound), pause)| {
            now += pause * scale;
            let first = (now * WORLD_RATE_HZ) as usize;
            now += sound.len() as f64 / WORLD_RATE_HZ;
            let active = active_frames(&sound);
            Utterance { first, who, sound, active }
        })
        .collect()
}

/// The knots of a map between two moments, with time counted from the first.
fn cut(map: &ClockMap, from: f64, to: f64) -> Vec<(f64, f64)> {
    let mut knots = vec![(0.0, map.forward(from))];
    knots.extend(map.knots().iter().filter(|k| k.0 > from && k.0 < to).map(|k| (k.0 - from, k.1)));
    // A jump at the very end would be none.
    knots.push((to - from, map.forward(to)));
    knots
}

const TAPS: usize = 32;
const PHASES: usize = 2048;

/// Windowed-sinc weights for every fraction of a sample in steps of 1 / PHASES (31 ns at 16 kHz).
fn sinc_table() -> Vec<[f32; TAPS]> {
    let half = TAPS as f64 / 2.0;
    (0..=PHASES)
        .map(|p| {
            std::array::from_fn(|k| {
                let x = p as f64 / PHASES as f64 - (k as f64 - half + 1.0);
                let sinc =
                    if x.abs() < 1e-12 { 1.0 } else { (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x) };
                let window = (0.5 * std::f64::consts::PI * (x / half).clamp(-1.0, 1.0)).cos().powi(2);
                (sinc * window) as f32
            })
        })
        .collect()
}

/// Samples the world (`mix` begins at world sample `first`) along knots from file time to true time.
fn sample(mix: &[f32], first: usize, knots: &[(f64, f64)], rate_hz: f64, len: usize) -> Vec<f32> {
    let table = sinc_table();
    let mut out = vec![0f32; len];
    out.par_chunks_mut(1 << 15).enumerate().for_each(|(c, out)| {
        let start = c << 15;
        let mut piece = knots.partition_point(|k| k.0 <= start as f64 / rate_hz).clamp(1, knots.len() - 1);
        for (i, o) in out.iter_mut().enumerate() {
            let file_s = (start + i) as f64 / rate_hz;
            while piece + 1 < knots.len() && file_s >= knots[piece].0 {
                piece += 1;
            }
            let (a, b) = (knots[piece - 1], knots[piece]);
            let t = a.1 + (file_s - a.0) * ((b.1 - a.1) / (b.0 - a.0));
            let x = t * WORLD_RATE_HZ - first as f64;
            let whole = x.floor();
            let weights = &table[((x - whole) * PHASES as f64).round() as usize];
            let at = whole as usize + 1 - TAPS / 2;
            let Some(world) = mix.get(at..at + TAPS) else { continue };
            let mut sums = [0f32; 8];
            for (w, x) in weights.chunks_exact(8).zip(world.chunks_exact(8)) {
                for k in 0..8 {
                    sums[k] += w[k] * x[k];
                }
            }
            *o = sums.iter().sum();
        }
    });
    out
}

/// Encodes and decodes with ffmpeg's AAC. Its encoder puts 1024 samples in front, which ADTS cannot say; they
/// are taken away here, so the sound stays where it was.
fn aac_round_trip(sound: Vec<f32>, rate_hz: f64, kbps: u32) -> io::Result<Vec<f32>> {
    const PRIMING: usize = 1024;
    let len = sound.len();
    let rate = format!("{}", rate_hz as u32);
    let bytes: Vec<u8> = sound.iter().flat_map(|x| x.to_le_bytes()).collect();
    let bit_rate = format!("{kbps}k");
    let coded = through_ffmpeg(
        &["-f", "f32le", "-ar", &rate, "-ac", "1", "-i", "-", "-c:a", "aac", "-b:a", &bit_rate, "-f", "adts", "-"],
        bytes,
    )?;
    let raw = through_ffmpeg(&["-f", "aac", "-i", "-", "-f", "f32le", "-ar", &rate, "-ac", "1", "-"], coded)?;
    let mut out: Vec<f32> =
        raw.chunks_exact(4).skip(PRIMING).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
    out.resize(len, 0.0);
    Ok(out)
}

fn through_ffmpeg(arguments: &[&str], input: Vec<u8>) -> io::Result<Vec<u8>> {
    let mut child = Command::new("ffmpeg")
        .args(["-v", "error", "-threads", "1"])
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(|e| io::Error::new(e.kind(), format!("ffmpeg: {e}")))?;
    let mut stdin = child.stdin.take().ok_or_else(|| io::Error::other("ffmpeg has no input"))?;
    let writer = std::thread::spawn(move || stdin.write_all(&input));
    let mut output = Vec::new();
    child.stdout.take().ok_or_else(|| io::Error::other("ffmpeg has no output"))?.read_to_end(&mut output)?;
    writer.join().map_err(|_| io::Error::other("the writer to ffmpeg panicked"))??;
    if !child.wait()?.success() {
        return Err(io::Error::other("ffmpeg failed"));
    }
    Ok(output)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(seed: u64, duration_s: f64) -> Scene {
        let material = Material::synthetic(1);
        Scene::new(
            &material,
            &SceneSpec {
                seed,
                duration_s,
                talk_s: 0.3 * duration_s,
                talk_within_s: (0.0, duration_s),
                radio_s: 5.0,
                voices: [0, 1],
                half: Half::Both,
                engine: Some(0),
            },
        )
    }

    /// What one voice alone sounds like in true time, at any moment: direct evaluation in double precision.
    fn voice_at(scene: &Scene, who: usize, t: f64) -> f64 {
        let x = t * WORLD_RATE_HZ;
        let k0 = x.floor() as i64;
        let mut sum = 0.0;
        for u in scene.utterances.iter().filter(|u| u.who == who) {
            if k0 < u.first as i64 - 40 || k0 > (u.first + u.sound.len()) as i64 + 40 {
                continue;
            }
            for k in k0 - 39..=k0 + 40 {
                let i = k - u.first as i64;
                if i >= 0 && (i as usize) < u.sound.len() {
                    let d = x - k as f64;
                    let sinc = if d.abs() < 1e-9 {
                        1.0
                    } else {
                        (std::f64::consts::PI * d).sin() / (std::f64::consts::PI * d)
                    };
                    sum += f64::from(u.sound[i as usize]) * sinc * (std::f64::consts::PI * d / 82.0).cos().powi(2);
                }
            }
        }
        sum
    }

    /// Lag of the file against the voice through the truth, seconds, by trying lags around zero directly.
    fn lag_s(scene: &Scene, file: &File, who: usize, from_s: f64, to_s: f64, around_s: f64) -> f64 {
        let (a, b) = ((from_s * file.rate_hz) as usize, (to_s * file.rate_hz) as usize);
        let score = |lag: f64| -> f64 {
            (a..b)
                .step_by(11)
                .map(|n| {
                    f64::from(file.samples[n]) * voice_at(scene, who, file.truth.forward(n as f64 / file.rate_hz - lag))
                })
                .sum()
        };
        let step = 1e-5;
        let lags: Vec<f64> = (-6..=6).map(|k| around_s + f64::from(k) * step).collect();
        let scores: Vec<f64> = lags.iter().map(|&l| score(l)).collect();
        let k = (1..scores.len() - 1).max_by(|&i, &j| scores[i].total_cmp(&scores[j])).unwrap();
        let (l, c, r) = (scores[k - 1], scores[k], scores[k + 1]);
        assert!(l <= c && r <= c, "no peak within 0.06 ms");
        lags[k] + step * 0.5 * (l - r) / (l - 2.0 * c + r)
    }

    /// Moments in own time at start, middle and end in which one person speaks for half a second.
    fn moments(scene: &Scene, file: &File, who: usize) -> Vec<(f64, f64)> {
        let spans: Vec<(f64, f64)> = scene
            .utterances
            .iter()
            .filter(|u| u.who == who && u.duration_s() > 1.2)
            .map(|u| (file.truth.inverse(u.start_s() + 0.4), file.truth.inverse(u.start_s() + 0.9)))
            .filter(|s| s.0 > 0.1 && s.1 < file.duration_s() - 0.1)
            .collect();
        vec![spans[0], spans[spans.len() / 2], spans[spans.len() - 1]]
    }

    #[test]
    fn the_truth_holds_at_start_middle_and_end() {
        let scene = scene(5, 120.0);
        for (rate_hz, drift_ppm, wander, jumps, aac) in [
            (44_100.0, -87.0, None, vec![], None),
            (48_000.0, 63.0, Some((25.0, 100.0)), vec![(31.7, 0.25), (70.2, -0.04)], None),
            (16_000.0, 100.0, None, vec![(50.0, 1.5)], None),
            (48_000.0, 12.0, None, vec![], Some(96)),
        ] {
            let recorder =
                Device { rate_hz, drift_ppm, wander, jumps, aac_kbps: aac, ..Device::recorder(9, 3.25, 100.0) };
            let files = match scene.record(&recorder) {
                Ok(files) => files,
                Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
                Err(e) => panic!("{e}"),
            };
            for (from, to) in moments(&scene, &files[0], 0) {
                let lag = lag_s(&scene, &files[0], 0, from, to, 0.0);
                assert!(lag.abs() < 0.01e-3, "{rate_hz} Hz at {from} s: {lag} s");
            }
        }
    }

    #[test]
    fn a_camera_hears_by_the_direct_path() {
        let scene = scene(6, 60.0);
        let camera = Device { distance_m: 2.0, wall_gain: 0.0, drift_ppm: 41.0, ..Device::camera(3, 2.0, 50.0) };
        let files = scene.record(&camera).unwrap();
        // The two people sit around the distance, one nearer and one farther, each by no more than 0.25 m.
        let lags: Vec<f64> = (0..2)
            .map(|who| {
                let m = moments(&scene, &files[0], who);
                let rough = (-40..=40)
                    .map(|k| f64::from(k) * 2e-5)
                    .max_by(|&a, &b| {
                        let at = |lag| {
                            let (f, t) = ((m[0].0 * 48e3) as usize, (m[0].1 * 48e3) as usize);
                            (f..t)
                                .step_by(11)
                                .map(|n| {
                                    f64::from(files[0].samples[n])
                                        * voice_at(&scene, who, files[0].truth.forward(n as f64 / 48e3 - lag))
                                })
                                .sum::<f64>()
                        };
                        at(a).total_cmp(&at(b))
                    })
                    .unwrap();
                let all: Vec<f64> = m.iter().map(|m| lag_s(&scene, &files[0], who, m.0, m.1, rough)).collect();
                assert!((all[0] - all[2]).abs() < 0.01e-3, "{all:?}");
                all[0]
            })
            .collect();
        assert!(lags[0] < 0.0 && lags[0] > -0.73e-3 && lags[1] > 0.0 && lags[1] < 0.73e-3, "{lags:?}");
    }

    /// Lag of a file against a sound that begins at a world sample, seconds: the best of all lags within 15 ms of where
    /// the truth and `later_s` put it, by direct correlation in steps of a world sample, and refined between them.
    fn lag_of(file: &File, (first, sound): (usize, &[f32]), later_s: f64, from_s: f64) -> f64 {
        let step = 1.0 / WORLD_RATE_HZ;
        let score = |lag: f64| -> f64 {
            let moments = (0..1500).map(|k| from_s + f64::from(k) * 2.3e-4);
            let product = |t: f64| {
                let n = (t * file.rate_hz).round();
                let own = file.truth.forward(n / file.rate_hz - lag) - later_s;
                f64::from(file.samples[n as usize]) * sound_at(first, sound, own)
            };
            moments.map(product).sum()
        };
        let scores: Vec<f64> = (-240..=240).map(|k| score(f64::from(k) * step)).collect();
        let k = (1..scores.len() - 1).max_by(|&i, &j| scores[i].abs().total_cmp(&scores[j].abs())).unwrap();
        let (l, c, r) = (scores[k - 1], scores[k], scores[k + 1]);
        (k as f64 - 240.0 + 0.5 * (l - r) / (l - 2.0 * c + r)) * step
    }

    /// A sound between its samples.
    fn sound_at(first: usize, sound: &[f32], t: f64) -> f64 {
        let x = t * WORLD_RATE_HZ - first as f64;
        let k0 = x.floor() as i64;
        (k0 - 19..=k0 + 20)
            .filter_map(|k| Some((k, *sound.get(usize::try_from(k).ok()?)?)))
            .map(|(k, s)| {
                let d = x - k as f64;
                let sinc =
                    if d.abs() < 1e-9 { 1.0 } else { (std::f64::consts::PI * d).sin() / (std::f64::consts::PI * d) };
                f64::from(s) * sinc * (std::f64::consts::PI * d / 42.0).cos().powi(2)
            })
            .sum()
    }

    /// A scene with an engine that never comes back: noise.
    fn noisy_scene(talk_s: f64) -> Scene {
        let mut material = Material::synthetic(1);
        let sound = zero_phase(&hiss(3, 48_000), |f| if (100.0..6000.0).contains(&f) { 1.0 } else { 0.0 });
        material.engines = vec![crate::sim_sound::Engine { name: "noise".into(), sound }];
        let spec = SceneSpec {
            seed: 4,
            duration_s: 80.0,
            talk_s,
            talk_within_s: (0.5, 79.5),
            radio_s: 0.0,
            voices: [0, 1],
            half: Half::Both,
            engine: Some(0),
        };
        Scene::new(&material, &spec)
    }

    #[test]
    fn an_open_microphone_hears_voices_and_engine_by_their_own_ways() {
        let scene = noisy_scene(36.0);
        for distance_m in [0.3, 1.5] {
            let device = Device {
                distance_m,
                seats_m: 0.0,
                wall_gain: 0.0,
                drift_ppm: 60.0,
                ..Device::open_microphone(3, 2.0, 75.0)
            };
            let file = &scene.record(&device).unwrap()[0];
            for (from, to) in moments(&scene, file, 0) {
                let lag = lag_s(&scene, file, 0, from, to, 0.0);
                assert!(lag.abs() < 0.01e-3, "voices at {distance_m} m: {lag} s");
            }
        }
        let quiet = noisy_scene(0.0);
        let engine = quiet.engine.as_deref().unwrap();
        let far =
            |device: Device| Device { voice_db: Some(20.0), engine_share: 0.97, engine_distance_m: 2.6, ..device };
        for device in [
            Device { voice_gate: false, ..far(Device::recorder(3, 2.0, 35.0)) },
            Device { distance_m: 0.3, ..far(Device::open_microphone(5, 2.0, 35.0)) },
            Device { distance_m: 1.5, ..far(Device::open_microphone(6, 2.0, 35.0)) },
        ] {
            let file = &quiet.record(&device).unwrap()[0];
            let later_s = device.later_s(Source::Engine);
            for from_s in [1.0, 15.0, 33.0] {
                // Its paths are whole samples long, and what reflects nearby leans on the first.
                let lag = lag_of(file, (0, engine), later_s, from_s);
                assert!(lag.abs() < 0.08e-3, "{:?} at {} m: {lag} s", device.kind, device.distance_m);
            }
            assert!(lag_of(file, (0, engine), 0.0, 15.0).abs() > 2e-3, "the engine has a way of its own");
        }
    }

    #[test]
    fn what_is_played_reaches_the_line_at_once_and_the_others_through_the_air() {
        let mut scene = noisy_scene(0.0);
        let sound = Arc::new(zero_phase(&hiss(7, 320_000), |f| if (300.0..4000.0).contains(&f) { 1.0 } else { 0.0 }));
        scene.playing.push(Playing { first: 160_000, sound: sound.clone() });
        let heard = |device: Device| Device { speaker_distance_m: 1.9, drift_ppm: -80.0, wall_gain: 0.0, ..device };
        for device in [
            heard(Device::recorder(3, 2.0, 35.0)),
            heard(Device::camera(4, 2.0, 35.0)),
            Device { distance_m: 0.3, voice_db: Some(0.0), ..heard(Device::open_microphone(5, 2.0, 35.0)) },
        ] {
            let file = &scene.record(&device).unwrap()[0];
            for from_s in [9.0, 18.0, 27.0] {
                let lag = lag_of(file, (160_000, &sound), device.later_s(Source::Playing), from_s);
                assert!(lag.abs() < 0.01e-3, "{:?} at {from_s} s: {lag} s", device.kind);
            }
            let silent = scene.record(&Device { playing_db: None, voice_db: Some(0.0), ..device.clone() }).unwrap();
            let loud = scene.record(&Device { playing_db: Some(20.0), voice_db: Some(0.0), ..device }).unwrap();
            assert!(silent[0].samples != loud[0].samples);
        }
    }

    #[test]
    fn the_truth_holds_between_lost_buffers() {
        let scene = scene(11, 120.0);
        let jumps: Vec<(f64, f64)> = (1..17).map(|i| (6.0 * f64::from(i), 0.02 + 0.008 * f64::from(i))).collect();
        let recorder = Device { jumps: jumps.clone(), drift_ppm: 35.0, ..Device::recorder(9, 3.0, 100.0) };
        let file = &scene.record(&recorder).unwrap()[0];
        let spans = scene.utterances.iter().filter(|u| u.who == 0);
        let spans = spans.map(|u| [0.3, 0.7].map(|t| file.truth.inverse(u.start_s() + t)));
        let clear = |s: &[f64; 2]| s[0] > 0.1 && s[1] < 99.9 && jumps.iter().all(|j| j.0 < s[0] || j.0 > s[1]);
        let spans: Vec<_> = spans.filter(clear).collect();
        assert!(spans.len() > 5);
        for span in spans {
            let lag = lag_s(&scene, file, 0, span[0], span[1], 0.0);
            assert!(lag.abs() < 0.01e-3, "at {} s: {lag} s", span[0]);
        }
    }

    #[test]
    fn levels_are_what_was_asked_for() {
        let scene = scene(7, 60.0);
        for voice_db in [-16.0, -9.0, 0.0] {
            let camera = Device { voice_db: Some(voice_db), ..Device::camera(4, 1.0, 55.0) };
            let loud = scene.mix(&camera, 16_000, 800_000);
            let noise = scene.mix(&Device { voice_db: Some(-200.0), ..camera.clone() }, 16_000, 800_000);
            // Undo the scaling by fitting the noise to the mix where nobody speaks.
            let mut speech = vec![false; 800_000];
            for u in scene.utterances.iter().filter(|u| u.who < 2) {
                let at = u.first as i64 - 16_000;
                for k in at - 800..at + u.sound.len() as i64 + 4_000 {
                    if let Some(s) = usize::try_from(k).ok().and_then(|k| speech.get_mut(k)) {
                        *s = true;
                    }
                }
            }
            let undo = |x: &[f32]| -> Vec<f32> { x.iter().map(|x| x.clamp(-0.9999, 0.9999).atanh()).collect() };
            let (loud, noise) = (undo(&loud), undo(&noise));
            let (mut dot, mut own) = (0.0, 0.0);
            for i in (0..800_000).filter(|&i| !speech[i]) {
                dot += f64::from(loud[i]) * f64::from(noise[i]);
                own += f64::from(noise[i]).powi(2);
            }
            let scale = (dot / own) as f32;
            let voice: Vec<f32> = loud.iter().zip(&noise).map(|(l, n)| l - scale * n).collect();
            let noise: Vec<f32> = noise.iter().map(|n| scale * n).collect();
            let (mut v, mut n) = (0.0, 0.0);
            for u in scene.utterances.iter().filter(|u| u.who < 2) {
                let Some(at) = u.first.checked_sub(16_000 + ROOM_LEAD).filter(|a| a + u.sound.len() <= 800_000) else {
                    continue;
                };
                let span = at..at + u.sound.len();
                for ((v_f, n_f), a) in voice_band(&voice[span.clone()])
                    .chunks(FRAME)
                    .zip(voice_band(&noise[span]).chunks(FRAME))
                    .zip(&u.active)
                {
                    if *a {
                        v += energy(v_f);
                        n += energy(n_f);
                    }
                }
            }
            let measured = 10.0 * (v / n).log10();
            assert!((measured - voice_db).abs() < 0.5, "asked {voice_db} dB, got {measured}");
        }
    }

    #[test]
    fn a_seed_makes_the_same_sound_again_and_chapters_follow_each_other() {
        let scene = scene(8, 40.0);
        let camera = Device {
            voice_db: Some(-6.0),
            gain_control: true,
            drift_ppm: 30.0,
            chapters: vec![(0.0, 12.0), (0.04, 10.0), (-0.1, 8.0)],
            ..Device::camera(2, 1.0, 0.0)
        };
        let (a, b) = (scene.record(&camera).unwrap(), scene.record(&camera).unwrap());
        assert_eq!(
            a.iter().map(|f| f.samples.clone()).collect::<Vec<_>>(),
            b.iter().map(|f| f.samples.clone()).collect::<Vec<_>>()
        );
        let end = |f: &File| f.truth.forward(f.duration_s());
        assert!((a[1].truth.offset_s() - end(&a[0]) - 0.04).abs() < 1e-5);
        assert!((a[2].truth.offset_s() - end(&a[1]) + 0.1).abs() < 1e-5);
    }
}
