//! How times and names are put in words, the same everywhere.

/// Seconds as `h:mm:ss`, to the nearest second; below 0 it is 0.
pub fn clock_time(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// Milliseconds as `h:mm:ss.mmm`.
pub fn clock_time_ms(ms: u64) -> String {
    format!("{}:{:02}:{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

/// Seconds as milliseconds, to the nearest of what is shown; from a second on as seconds. Whatever is said of an error goes
/// through this, so that one number reads alike everywhere.
pub fn milliseconds(seconds: f64) -> String {
    match seconds {
        0.0 => "0 ms".to_owned(),
        ..0.000_009_95 => format!("{:.3} ms", seconds * 1e3),
        ..0.000_995 => format!("{:.2} ms", seconds * 1e3),
        ..0.099_95 => format!("{:.1} ms", seconds * 1e3),
        ..0.9995 => format!("{:.0} ms", seconds * 1e3),
        _ => format!("{seconds:.1} s"),
    }
}

/// A length of time, to what matters of it: `4.2 s`, `12 min`, `3.5 h`.
pub(crate) fn length(seconds: f64) -> String {
    match seconds {
        s if s < 60.0 => format!("{s:.1} s"),
        s if s < 3600.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// Text that cannot begin another line: control characters become spaces.
pub fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_lines() {
        assert_eq!((clock_time(3725.4), clock_time(-1.0)), ("1:02:05".to_owned(), "0:00:00".to_owned()));
        assert_eq!((clock_time_ms(10_010), clock_time_ms(36_061_002)), ("0:00:10.010".into(), "10:01:01.002".into()));
        let said = [0.0, 4e-6, 0.000_994, 0.000_996, 0.005_96, 0.0231, 0.0999, 0.1, 0.9996].map(milliseconds);
        assert_eq!(said, ["0 ms", "0.004 ms", "0.99 ms", "1.0 ms", "6.0 ms", "23.1 ms", "99.9 ms", "100 ms", "1.0 s"]);
        assert_eq!([4.24, 719.0, 12_600.0].map(length), ["4.2 s", "12 min", "3.5 h"]);
        assert_eq!(one_line("a\r\nb\tc"), "a  b c");
    }
}
