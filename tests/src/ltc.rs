//! Makes linear timecode as SMPTE ST 12-1 lays out its 80 bits. The layout is from memory; `tests/tests/ltc.rs` holds it
//! against libltc in both directions.

/// Timecode to be made.
#[derive(Debug, Clone, Copy)]
pub struct Ltc {
    /// Frames from midnight to the first frame.
    pub first: u32,
    /// Frames are counted to this number.
    pub fps: u32,
    /// Labels 0 and 1 are left out each minute but every tenth.
    pub drop_frame: bool,
    /// Frames a second of the sound's own time.
    pub rate: f64,
    /// Eight groups, the first lowest.
    pub user_bits: u32,
    /// Where the first frame begins, seconds.
    pub start_s: f64,
    /// Peak level.
    pub level: f64,
}

impl Ltc {
    /// Timecode from 10:00:00:00 on, at -20 dBFS, that begins with the sound.
    pub fn new(fps: u32, drop_frame: bool) -> Self {
        let rate = if drop_frame { 30_000.0 / 1001.0 } else { f64::from(fps) };
        let first = 36_000 * fps - if drop_frame { 2 * (600 - 60) } else { 0 };
        Self { first, fps, drop_frame, rate, user_bits: 0x1234_5678, start_s: 0.0, level: 0.1 }
    }

    /// The label of frame `k` as text.
    pub fn written(&self, k: u32) -> String {
        let [h, m, s, f] = self.label(k);
        format!("{h:02}:{m:02}:{s:02}{}{f:02}", if self.drop_frame { ';' } else { ':' })
    }

    /// Hours, minutes, seconds and frame of frame `k`.
    pub fn label(&self, k: u32) -> [u32; 4] {
        let day = 86_400 * self.fps - if self.drop_frame { 2592 } else { 0 };
        let mut n = (self.first + k) % day;
        if self.drop_frame {
            // Ten minutes hold 17982 frames: one of 1800, nine of 1798.
            let (tens, rest) = (n / 17_982, n % 17_982);
            n += 18 * tens + if rest >= 1800 { 2 * ((rest - 1800) / 1798 + 1) } else { 0 };
        }
        let s = n / self.fps;
        [s / 3600 % 24, s / 60 % 60, s % 60, n % self.fps]
    }

    /// The 80 bits of frame `k`, the first lowest.
    pub fn bits(&self, k: u32) -> u128 {
        let [h, m, s, f] = self.label(k);
        let mut bits = 0xBFFC << 64;
        for (at, value) in [(0, f), (16, s), (32, m), (48, h)] {
            bits |= u128::from(value % 10) << at | u128::from(value / 10) << (at + 8);
        }
        bits |= u128::from(self.drop_frame) << 10;
        (0..8).for_each(|g| bits |= u128::from(self.user_bits >> (4 * g) & 15) << (8 * g + 4));
        // The number of zeros is made even, so that each frame begins with the same polarity.
        if bits.count_ones() % 2 == 1 {
            bits |= 1 << if self.fps == 25 { 59 } else { 27 };
        }
        bits
    }

    /// So many seconds of it, mono.
    pub fn sound(&self, seconds: f64, rate_hz: f64) -> Vec<f32> {
        // Levels change within 40 us (the standard's rise time, from memory).
        let rise = 40e-6 * rate_hz;
        let bit = rate_hz / (80.0 * self.rate);
        let mut edges = Vec::new();
        let length = seconds * rate_hz;
        for k in 0.. {
            let (start, bits) = (self.start_s * rate_hz + f64::from(k) * 80.0 * bit, self.bits(k));
            if start > length {
                break;
            }
            for i in 0..80 {
                let at = start + f64::from(i) * bit;
                edges.push(at);
                edges.extend((bits >> i & 1 == 1).then_some(at + 0.5 * bit));
            }
        }
        let (mut next, mut sign) = (0, -1.0);
        let level = |n: usize| {
            let n = n as f64;
            while edges.get(next).is_some_and(|&e| e + 0.5 * rise <= n) {
                (next, sign) = (next + 1, -sign);
            }
            let on = edges.get(next).map_or(0.0, |e| ((n - e) / rise + 0.5).max(0.0));
            if next == 0 && on == 0.0 { 0.0 } else { (self.level * sign * (1.0 - 2.0 * on)) as f32 }
        };
        (0..length as usize).map(level).collect()
    }
}
