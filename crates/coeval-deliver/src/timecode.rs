//! Frame rates as exact ratios, and the labels of frames: SMPTE ST 12-1 timecode.

use std::fmt;
use std::str::FromStr;

use coeval::{Error, ErrorKind, Result};

/// Frame rate (fps) as an exact ratio in lowest terms: 30000/1001.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct FrameRate {
    num: u32,
    den: u32,
}

impl FrameRate {
    /// 24000/1001, called 23.976.
    pub const FPS_23_976: Self = Self { num: 24_000, den: 1001 };
    /// 24.
    pub const FPS_24: Self = Self { num: 24, den: 1 };
    /// 25.
    pub const FPS_25: Self = Self { num: 25, den: 1 };
    /// 30000/1001, called 29.97.
    pub const FPS_29_97: Self = Self { num: 30_000, den: 1001 };
    /// 30.
    pub const FPS_30: Self = Self { num: 30, den: 1 };
    /// 50.
    pub const FPS_50: Self = Self { num: 50, den: 1 };
    /// 60000/1001, called 59.94.
    pub const FPS_59_94: Self = Self { num: 60_000, den: 1001 };
    /// 60.
    pub const FPS_60: Self = Self { num: 60, den: 1 };

    /// `num / den` fps.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when the ratio is not within 1 to 1000.
    pub fn new(num: u32, den: u32) -> Result<Self> {
        if den == 0 || num < den || u64::from(num) > 1000 * u64::from(den) {
            return Err(Error::new(ErrorKind::InvalidArgument, format!("{num}/{den} fps is not within 1 to 1000")));
        }
        let divisor = greatest_common_divisor(num, den);
        Ok(Self { num: num / divisor, den: den / divisor })
    }

    /// Numerator.
    pub fn num(self) -> u32 {
        self.num
    }

    /// Denominator.
    pub fn den(self) -> u32 {
        self.den
    }

    /// Frame rate (fps), as near as `f64` comes.
    pub fn hz(self) -> f64 {
        f64::from(self.num) / f64::from(self.den)
    }

    /// Labels in one second of timecode: the rate, rounded.
    pub fn nominal(self) -> u32 {
        (self.hz().round() as u32).max(1)
    }

    /// Length of one frame in seconds.
    pub fn frame_s(self) -> f64 {
        f64::from(self.den) / f64::from(self.num)
    }

    /// Where a frame starts, in seconds, frame 0 at zero.
    pub fn seconds(self, frame: i64) -> f64 {
        frame as f64 * f64::from(self.den) / f64::from(self.num)
    }

    /// A moment in frames, with its fraction.
    pub fn frames(self, seconds: f64) -> f64 {
        seconds * f64::from(self.num) / f64::from(self.den)
    }

    /// Labels that drop-frame counting skips in each minute but every tenth: 2 at 30000/1001 and 4 at 60000/1001 (SMPTE ST
    /// 12-1); 8 at 120000/1001 (the same rule carried on: common practice, no source); 0 where drop-frame counting is not
    /// defined (24000/1001 too).
    pub fn dropped_labels(self) -> u32 {
        if self.den == 1001 && self.num.is_multiple_of(30_000) { self.num / 15_000 } else { 0 }
    }

    /// The way of counting that keeps labels with the clock: drop-frame where there is one.
    pub fn counting(self) -> Counting {
        if self.dropped_labels() > 0 { Counting::DropFrame } else { Counting::NonDropFrame }
    }
}

impl fmt::Display for FrameRate {
    /// `25`, `30000/1001`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.den == 1 { write!(f, "{}", self.num) } else { write!(f, "{}/{}", self.num, self.den) }
    }
}

fn greatest_common_divisor(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}

/// How labels are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Counting {
    /// Some labels are skipped, so that a label's hour is an hour within 3.6 ms.
    DropFrame,
    /// Every label is used; at 30000/1001 a label's hour lasts 3603.6 s.
    NonDropFrame,
}

/// A frame and its label: hours, minutes, seconds, frames.
///
/// Drop-frame counting after SMPTE ST 12-1: with `F` labels a second, `M` minutes since midnight and
/// `D` dropped labels, frame = ((60 h + m) 60 + s) F + f - D (M - floor(M / 10)).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Timecode {
    rate: FrameRate,
    counting: Counting,
    /// Frames since midnight, less than a day.
    frame: i64,
}

impl Timecode {
    /// The label of a frame counted from midnight; past a day, and before zero, labels start again.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) for drop-frame counting where the rate has none.
    pub fn from_frame(frame: i64, rate: FrameRate, counting: Counting) -> Result<Self> {
        check(rate, counting)?;
        Ok(Self { rate, counting, frame: frame.rem_euclid(day(rate, counting)) })
    }

    /// The frame of a label `hours`:`minutes`:`seconds`:`frames`.
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) for a label that does not exist at this rate,
    /// one that drop-frame counting skips among them.
    pub fn from_label(label: [u32; 4], rate: FrameRate, counting: Counting) -> Result<Self> {
        check(rate, counting)?;
        let [h, m, s, f] = label;
        let shown = format!("{h:02}:{m:02}:{s:02}{}{f:02}", separator(counting));
        let bad = |what: String| Err(Error::new(ErrorKind::InvalidArgument, what));
        if h > 23 || m > 59 || s > 59 || f >= rate.nominal() {
            return bad(format!("there is no timecode {shown} at {rate} fps"));
        }
        let dropped = dropped(rate, counting);
        if s == 0 && !m.is_multiple_of(10) && i64::from(f) < dropped {
            return bad(format!("drop-frame counting skips {shown}"));
        }
        let minutes = i64::from(60 * h + m);
        let labels = (minutes * 60 + i64::from(s)) * i64::from(rate.nominal()) + i64::from(f);
        Ok(Self { rate, counting, frame: labels - dropped * (minutes - minutes / 10) })
    }

    /// Reads `HH:MM:SS:FF` or `HH:MM:SS;FF` (also `.` or `,` before the frames of a drop-frame label,
    /// as some devices write it: common practice, no source).
    ///
    /// # Errors
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) when it is no such label.
    pub fn parse(text: &str, rate: FrameRate) -> Result<Self> {
        let bad = || Error::new(ErrorKind::InvalidArgument, format!("{text:?} is not a timecode such as 01:02:03:04"));
        let mark = text.rfind([':', ';', '.', ',']).ok_or_else(bad)?;
        let (head, tail) = (&text[..mark], &text[mark + 1..]);
        let counting = if text[mark..].starts_with(':') { Counting::NonDropFrame } else { Counting::DropFrame };
        let mut label = [0; 4];
        let mut parts = head.split([':', ';']);
        for place in &mut label[..3] {
            *place = number(parts.next().ok_or_else(bad)?).ok_or_else(bad)?;
        }
        if parts.next().is_some() {
            return Err(bad());
        }
        label[3] = number(tail).ok_or_else(bad)?;
        Self::from_label(label, rate, counting)
    }

    /// Frames since midnight.
    pub fn frame(self) -> i64 {
        self.frame
    }

    /// Frame rate.
    pub fn rate(self) -> FrameRate {
        self.rate
    }

    /// How it is counted.
    pub fn counting(self) -> Counting {
        self.counting
    }

    /// The label: hours, minutes, seconds, frames.
    pub fn label(self) -> [u32; 4] {
        let nominal = i64::from(self.rate.nominal());
        let dropped = dropped(self.rate, self.counting);
        // Ten minutes hold nine skips; the first minute of ten holds none.
        let ten = 600 * nominal - 9 * dropped;
        let minute = 60 * nominal - dropped;
        let (tens, rest) = (self.frame / ten, self.frame % ten);
        let skips = 9 * tens + ((rest - dropped).max(0) / minute);
        let label = self.frame + dropped * skips;
        let (seconds, frames) = (label / nominal, label % nominal);
        [seconds / 3600, seconds / 60 % 60, seconds % 60, frames].map(|x| x as u32)
    }

    /// The timecode some frames later (earlier, if negative).
    #[must_use]
    pub fn plus(self, frames: i64) -> Self {
        let day = day(self.rate, self.counting);
        Self { frame: (self.frame + frames.rem_euclid(day)) % day, ..self }
    }
}

impl fmt::Display for Timecode {
    /// `HH:MM:SS:FF`, with `;` before the frames of a drop-frame label.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [hours, minutes, seconds, frames] = self.label();
        write!(f, "{hours:02}:{minutes:02}:{seconds:02}{}{frames:02}", separator(self.counting))
    }
}

fn separator(counting: Counting) -> char {
    if counting == Counting::DropFrame { ';' } else { ':' }
}

fn number(text: &str) -> Option<u32> {
    // `parse` alone would let a sign through.
    if text.is_empty() || text.len() > 3 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    u32::from_str(text).ok()
}

fn check(rate: FrameRate, counting: Counting) -> Result<()> {
    if counting == Counting::DropFrame && rate.dropped_labels() == 0 {
        return Err(Error::new(
            ErrorKind::InvalidArgument,
            format!("drop-frame counting is not defined at {rate} fps"),
        ));
    }
    Ok(())
}

fn dropped(rate: FrameRate, counting: Counting) -> i64 {
    if counting == Counting::DropFrame { i64::from(rate.dropped_labels()) } else { 0 }
}

fn day(rate: FrameRate, counting: Counting) -> i64 {
    86_400 * i64::from(rate.nominal()) - dropped(rate, counting) * (1440 - 144)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn labels_drop_frames_as_the_standard_says() {
        // SMPTE ST 12-1, drop-frame compensation; the values follow from its counting rule.
        for (rate, frame, label) in [
            (FrameRate::FPS_29_97, 0, "00:00:00;00"),
            (FrameRate::FPS_29_97, 1799, "00:00:59;29"),
            (FrameRate::FPS_29_97, 1800, "00:01:00;02"),
            (FrameRate::FPS_29_97, 17_981, "00:09:59;29"),
            (FrameRate::FPS_29_97, 17_982, "00:10:00;00"),
            (FrameRate::FPS_29_97, 107_892, "01:00:00;00"),
            (FrameRate::FPS_29_97, 1_084_319, "10:03:00;05"),
            (FrameRate::FPS_29_97, 2_589_407, "23:59:59;29"),
            (FrameRate::FPS_59_94, 3600, "00:01:00;04"),
            (FrameRate::FPS_59_94, 35_964, "00:10:00;00"),
            (FrameRate::FPS_59_94, 215_784, "01:00:00;00"),
            (FrameRate::FPS_59_94, 1_084_319, "05:01:30;03"),
            (FrameRate::FPS_59_94, 5_178_815, "23:59:59;59"),
        ] {
            let timecode = Timecode::from_frame(frame, rate, Counting::DropFrame).unwrap();
            assert_eq!(timecode.to_string(), label, "frame {frame} at {rate}");
            assert_eq!(Timecode::parse(label, rate).unwrap().frame(), frame, "{label} at {rate}");
        }
        // A drop-frame hour lasts 3599.9964 s; midnight follows the last frame.
        assert!((FrameRate::FPS_29_97.seconds(107_892) - 3599.9964).abs() < 1e-9);
        let midnight = Timecode::from_frame(2_589_408, FrameRate::FPS_29_97, Counting::DropFrame).unwrap();
        assert_eq!(midnight.to_string(), "00:00:00;00");
    }

    #[test]
    fn other_rates_count_every_label() {
        for (rate, frame, label) in [
            (FrameRate::FPS_23_976, 24 * 3600, "01:00:00:00"),
            (FrameRate::FPS_24, 24 * 60 - 1, "00:00:59:23"),
            (FrameRate::FPS_25, 25 * 60, "00:01:00:00"),
            (FrameRate::FPS_29_97, 1800, "00:01:00:00"),
            (FrameRate::FPS_50, 50 * 86_399 + 49, "23:59:59:49"),
            (FrameRate::FPS_59_94, 3600, "00:01:00:00"),
        ] {
            assert_eq!(Timecode::from_frame(frame, rate, Counting::NonDropFrame).unwrap().to_string(), label);
            assert_eq!(Timecode::parse(label, rate).unwrap().frame(), frame);
        }
        for rate in [FrameRate::FPS_23_976, FrameRate::FPS_24, FrameRate::FPS_25, FrameRate::FPS_30] {
            assert_eq!(rate.counting(), Counting::NonDropFrame);
            assert!(Timecode::from_frame(0, rate, Counting::DropFrame).is_err());
        }
        assert_eq!(FrameRate::new(120_000, 1001).unwrap().dropped_labels(), 8);
    }

    #[test]
    fn refuses_labels_that_do_not_exist() {
        for text in [
            "00:01:00;00",
            "00:01:00;01",
            "24:00:00;00",
            "00:60:00;00",
            "00:00:60;00",
            "00:00:00;30",
            "",
            "1;2",
            "-1:00:00;00",
            "00:00:00:00:00",
            "00:00:+1;02",
            "00:00:00;",
            "a:b:c:d",
            "00:00:00;\u{661}",
        ] {
            assert!(Timecode::parse(text, FrameRate::FPS_29_97).is_err(), "{text:?}");
        }
        assert!(Timecode::parse("00:10:00;00", FrameRate::FPS_29_97).is_ok());
        assert!(
            FrameRate::new(30, 0).is_err() && FrameRate::new(0, 1).is_err() && FrameRate::new(u32::MAX, 1).is_err()
        );
        assert_eq!(FrameRate::new(50, 2).unwrap(), FrameRate::FPS_25);
    }

    fn rates() -> impl Strategy<Value = FrameRate> {
        prop::sample::select(vec![
            FrameRate::FPS_23_976,
            FrameRate::FPS_24,
            FrameRate::FPS_25,
            FrameRate::FPS_29_97,
            FrameRate::FPS_30,
            FrameRate::FPS_50,
            FrameRate::FPS_59_94,
            FrameRate::FPS_60,
            FrameRate::new(120_000, 1001).unwrap(),
        ])
    }

    proptest! {
        #[test]
        fn a_label_names_one_frame(rate in rates(), frame in 0i64..10_000_000) {
            let counting = rate.counting();
            let timecode = Timecode::from_frame(frame, rate, counting).unwrap();
            prop_assert_eq!(Timecode::parse(&timecode.to_string(), rate).unwrap(), timecode);
            prop_assert_eq!(Timecode::from_label(timecode.label(), rate, counting).unwrap(), timecode);
            prop_assert!(timecode.plus(1).label() > timecode.label() || timecode.plus(1).frame() == 0);
            for far in [i64::MIN, i64::MAX] {
                prop_assert_eq!(timecode.plus(far).plus(-(far / 2)).plus(-(far - far / 2 + 1)).plus(1), timecode);
            }
            // Drop-frame labels stay with the clock, but for 3.6 ms an hour and for what gathers
            // between two skips.
            let [h, m, s, f] = timecode.label().map(f64::from);
            let label_s = 3600.0 * h + 60.0 * m + s + f / f64::from(rate.nominal());
            let late = rate.seconds(timecode.frame()) - label_s;
            if counting == Counting::DropFrame {
                prop_assert!((late + 1e-6 * label_s).abs() < 0.07, "{} s", late);
            }
        }

        #[test]
        fn any_text_is_read_or_refused(text in "[0-9:;., a]{0,14}", rate in rates()) {
            let _ = Timecode::parse(&text, rate);
        }
    }
}
