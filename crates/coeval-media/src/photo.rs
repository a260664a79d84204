//! When a photo was taken: Exif (CIPA DC-008), in JPEG, HEIF, TIFF, PNG and WebP.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use coeval_error::{Error, ErrorKind, Result};
use exif::{DateTime, Exif, In, Reader, Tag, Value};

use crate::riff::days_since_1970;

/// The largest photo that is read, bytes: some kinds have to be held whole.
const LARGEST: u64 = 1 << 28;

/// When a photo was taken.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct PhotoInfo {
    /// As its camera's clock showed it, ISO 8601 (`2026-05-12T08:43:10.25+02:00`); parts that the file does not have are left
    /// out.
    pub taken: String,
    /// The same, seconds since 1970-01-01 as if the clock showed UTC.
    pub shown_s: f64,
    /// How far the clock was ahead of UTC, seconds, where the file says so.
    pub ahead_s: Option<i32>,
}

/// Reads when a photo was taken; `None` where the file does not say it.
///
/// # Errors
/// [`UnknownFormat`](ErrorKind::UnknownFormat) where it is no photo, [`Damaged`](ErrorKind::Damaged) where it is cut short,
/// [`Unsupported`](ErrorKind::Unsupported) from 256 MiB on, and what the system says.
pub fn probe_photo(path: &Path) -> Result<Option<PhotoInfo>> {
    let file = File::open(path).map_err(|e| Error::io(path, e))?;
    let length = file.metadata().map_err(|e| Error::io(path, e))?.len();
    if length >= LARGEST {
        let what = format!("the photo has {length} bytes, which is more than 256 MiB");
        return Err(Error::new(ErrorKind::Unsupported, what).with_path(path).with_remedy("make a smaller copy of it"));
    }
    // Cameras write a tag here and there that is not as the standard has it.
    let read = Reader::new().continue_on_error(true).read_from_container(&mut BufReader::new(file));
    let wrong = |kind, what: String, remedy: &str| Err(Error::new(kind, what).with_path(path).with_remedy(remedy));
    match read.or_else(|e| e.distill_partial_result(|_| {})) {
        Ok(exif) => Ok(taken(&exif)),
        Err(exif::Error::NotFound(_)) => Ok(None),
        Err(exif::Error::Io(e)) if e.kind() != std::io::ErrorKind::UnexpectedEof => Err(Error::io(path, e)),
        Err(exif::Error::Io(_)) => {
            wrong(ErrorKind::Damaged, "the photo is cut short".to_owned(), "copy it again from the device")
        }
        Err(e) => wrong(ErrorKind::UnknownFormat, format!("not a photo that can be read: {e}"), "export it as JPEG"),
    }
}

/// The moment of exposure, else that of digitising.
fn taken(exif: &Exif) -> Option<PhotoInfo> {
    let tags = [
        (Tag::DateTimeOriginal, Tag::SubSecTimeOriginal, Tag::OffsetTimeOriginal),
        (Tag::DateTimeDigitized, Tag::SubSecTimeDigitized, Tag::OffsetTimeDigitized),
    ];
    tags.into_iter().find_map(|(time, fraction, offset)| {
        let mut read = DateTime::from_ascii(text(exif, time)?).ok()?;
        // What is not there or wrong is left out.
        let _ = text(exif, fraction).map(|t| read.parse_subsec(t));
        let _ = text(exif, offset).map(|t| read.parse_offset(t));
        PhotoInfo::of(&read)
    })
}

fn text(exif: &Exif, tag: Tag) -> Option<&[u8]> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(lines) => lines.first().map(Vec::as_slice),
        _ => None,
    }
}

impl PhotoInfo {
    /// `None` for what is no time of any calendar.
    fn of(read: &DateTime) -> Option<Self> {
        let &DateTime { year, month, day, hour, minute, second, nanosecond, offset } = read;
        let is_time = year >= 1970 && (1..=12).contains(&month) && (1..=31).contains(&day);
        // A second may be the sixtieth when one is put in.
        if !is_time || hour > 23 || minute > 59 || second > 60 {
            return None;
        }
        let days = days_since_1970(year.into(), month.into(), day.into());
        let whole_s = ((days * 24 + i64::from(hour)) * 60 + i64::from(minute)) * 60 + i64::from(second);
        let part_s = f64::from(nanosecond.unwrap_or(0)) * 1e-9;
        let mut taken = format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}");
        if let Some(nanosecond) = nanosecond {
            taken.push_str(&format!(".{nanosecond:09}"));
            taken.truncate(taken.trim_end_matches('0').trim_end_matches('.').len());
        }
        let offset = offset.filter(|minutes| minutes.abs() < 24 * 60);
        if let Some(minutes) = offset {
            let sign = if minutes < 0 { '-' } else { '+' };
            taken.push_str(&format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60));
        }
        Some(Self { taken, shown_s: whole_s as f64 + part_s, ahead_s: offset.map(|minutes| i32::from(minutes) * 60) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use exif::Field;
    use exif::experimental::Writer;

    fn written(fields: &[(Tag, &str)]) -> Vec<u8> {
        let field = |&(tag, text): &(Tag, &str)| Field {
            tag,
            ifd_num: In::PRIMARY,
            value: Value::Ascii(vec![text.as_bytes().to_vec()]),
        };
        let fields: Vec<Field> = fields.iter().map(field).collect();
        let mut writer = Writer::new();
        fields.iter().for_each(|f| writer.push_field(f));
        let mut bytes = std::io::Cursor::new(Vec::new());
        writer.write(&mut bytes, false).unwrap();
        bytes.into_inner()
    }

    fn read(bytes: &[u8]) -> Result<Option<PhotoInfo>> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tif");
        std::fs::write(&path, bytes).unwrap();
        probe_photo(&path)
    }

    #[test]
    fn the_moment_of_exposure_is_read_to_its_fraction_and_zone() {
        let all = [
            (Tag::DateTime, "2026:06:01 00:00:00"),
            (Tag::DateTimeOriginal, "2026:05:12 10:43:10"),
            (Tag::SubSecTimeOriginal, "250"),
            (Tag::OffsetTimeOriginal, "+02:00"),
        ];
        let info = read(&written(&all)).unwrap().unwrap();
        assert_eq!((info.taken.as_str(), info.ahead_s), ("2026-05-12T10:43:10.25+02:00", Some(7200)));
        // 2026-05-12T10:43:10Z, by `date -u -d ... +%s`.
        assert!((info.shown_s - 1_778_582_590.25).abs() < 1e-6, "{}", info.shown_s);
        let plain = read(&written(&all[..2])).unwrap().unwrap();
        assert_eq!(
            (plain.taken.as_str(), plain.shown_s, plain.ahead_s),
            ("2026-05-12T10:43:10", 1_778_582_590.0, None)
        );
        let digitised = read(&written(&[(Tag::DateTimeDigitized, "2026:05:12 10:43:10")])).unwrap().unwrap();
        assert_eq!(digitised, plain);
    }

    #[test]
    fn what_says_no_time_or_is_no_photo_is_told_apart() {
        let times =
            ["2026:13:12 10:43:10", "    :  :     :  :  ", "yesterday", "2026:05:12 25:00:00", "0000:00:00 00:00:00"];
        for time in times {
            assert_eq!(read(&written(&[(Tag::DateTimeOriginal, time)])).unwrap(), None, "{time}");
        }
        assert_eq!(read(&written(&[(Tag::DateTime, "2026:05:12 10:43:10")])).unwrap(), None);
        let good = written(&[(Tag::DateTimeOriginal, "2026:05:12 10:43:10")]);
        for end in 0..good.len() {
            assert!(!matches!(read(&good[..end]), Ok(Some(_))), "{end}");
        }
        assert_eq!(read(b"not a photo at all").unwrap_err().kind(), ErrorKind::UnknownFormat);
        assert_eq!(probe_photo(Path::new("/nowhere/a.jpg")).unwrap_err().kind(), ErrorKind::NotFound);
    }
}
