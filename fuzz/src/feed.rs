//! Numbers and sound out of the fuzzer's bytes.

use arbitrary::Unstructured;

/// Hands out numbers until the bytes are used up; then zeros.
pub(crate) struct Feed<'a>(Unstructured<'a>);

impl<'a> Feed<'a> {
    pub(crate) fn new(data: &'a [u8]) -> Self {
        Self(Unstructured::new(data))
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn byte(&mut self) -> u8 {
        self.0.arbitrary().unwrap_or(0)
    }

    pub(crate) fn flag(&mut self) -> bool {
        self.byte() & 1 == 1
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        self.0.int_in_range(0..=n.saturating_sub(1)).unwrap_or(0)
    }

    pub(crate) fn u32(&mut self) -> u32 {
        self.0.arbitrary().unwrap_or(0)
    }

    pub(crate) fn u64(&mut self) -> u64 {
        self.0.arbitrary().unwrap_or(0)
    }

    /// Any number at all, the awkward ones often.
    pub(crate) fn any_f64(&mut self) -> f64 {
        match self.byte() % 12 {
            0 => f64::NAN,
            1 => f64::INFINITY,
            2 => f64::NEG_INFINITY,
            3 => f64::MIN_POSITIVE / 3.0,
            4 => -0.0,
            5 => f64::MAX,
            6 => f64::from_bits(self.u64()),
            7 => f64::from(self.u32() as i32),
            _ => self.tame(),
        }
    }

    pub(crate) fn any_f32(&mut self) -> f32 {
        match self.byte() % 4 {
            0 => f32::from_bits(self.u32()),
            1 => self.any_f64() as f32,
            _ => self.tame() as f32 / 32.0,
        }
    }

    /// A number such as people use: -32.768 to 32.767.
    pub(crate) fn tame(&mut self) -> f64 {
        f64::from(self.0.arbitrary::<i16>().unwrap_or(0)) / 1000.0
    }

    /// `low` to `high`, or now and then anything.
    pub(crate) fn within(&mut self, low: f64, high: f64) -> f64 {
        match self.byte() {
            0..8 => self.any_f64(),
            8 => low,
            9 => high,
            _ => low + (high - low) * f64::from(self.0.arbitrary::<u16>().unwrap_or(0)) / 65_535.0,
        }
    }

    /// A sampling rate.
    pub(crate) fn rate(&mut self) -> f64 {
        const USUAL: [f64; 12] =
            [8000.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 11_025.0, 47_999.5, 1000.0, 768_000.0, 1.0, 1e7, 22_050.0];
        match self.byte() {
            0..24 => self.any_f64(),
            24..64 => self.within(1000.0, 768_000.0),
            n => USUAL[usize::from(n) % USUAL.len()],
        }
    }

    /// 1 to 8 channels, now and then another number.
    pub(crate) fn channels(&mut self) -> usize {
        match self.byte() {
            0 => 0,
            1 => 64,
            2 => 65,
            3 => self.u64() as usize,
            n => 1 + usize::from(n % 8) / 3,
        }
    }

    /// Sound of at most `most` samples: stretches of noise, tones, silence, steps, bare bits.
    pub(crate) fn sound(&mut self, most: usize) -> Vec<f32> {
        let mut sound: Vec<f32> = Vec::new();
        while sound.len() < most && !self.is_empty() {
            let n = (1 << (self.byte() % 16)).min(most - sound.len());
            let level = self.any_f32();
            let seed = u64::from(self.byte());
            let mut state = seed.wrapping_mul(2_862_933_555_777_941_757).wrapping_add(3_037_000_493);
            let mut noise = move || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0
            };
            match self.byte() % 8 {
                0 => sound.extend(std::iter::repeat_n(level, n)),
                1 => sound.extend((0..n).map(|i| level * (i as f32 * (seed as f32 + 1.0) / 600.0).sin())),
                2 => sound.extend((0..n).map(|i| if i % (seed as usize + 2) == 0 { level } else { 0.0 })),
                3 => {
                    for _ in 0..n.min(16) {
                        sound.push(f32::from_bits(self.u32()));
                    }
                }
                4 => {
                    // Sound that was there before comes again: the same sound in two tracks is what the library is for.
                    let from = self.below(sound.len() + 1);
                    let again: Vec<f32> = sound[from..].iter().take(n).copied().collect();
                    sound.extend(again);
                }
                5 => sound.extend(std::iter::repeat_n(0.0, n)),
                _ => sound.extend((0..n).map(|_| level.clamp(-2.0, 2.0) * noise())),
            }
        }
        sound.truncate(most);
        sound
    }

    /// The next bytes up to a zero byte, as text.
    pub(crate) fn text(&mut self) -> String {
        let n = usize::from(self.byte() % 24);
        let bytes: Vec<u8> = (0..n).map(|_| self.byte()).collect();
        String::from_utf8_lossy(&bytes).into_owned()
    }
}
