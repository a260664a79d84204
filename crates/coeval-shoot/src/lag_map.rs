//! Why two files lie as they do, to look at: how alike their sound is at small lags from the placement, over time.
//!
//! Where a placement is right, one line of cells at lag 0 stands out from start to end. A line beside it is sound that comes
//! by another way, as an engine's; a line that leaves lag 0 would be a clock that the map does not follow.

use std::path::Path;

use coeval::progress::{Progress, step};
use coeval::resample::{Leg, ResampleOptions, Resampler, Route};
use coeval::samples::mix_down;
use coeval::{Error, ErrorKind, Result, lag_strength};
use coeval_media::{OpenOptions, SoundReader};

use crate::alignment::Alignment;
use crate::feed::feed;
use crate::guard::guarded;
use crate::kept::{self, Kept};
use crate::listen::Couple;
use crate::parallel::for_all;

/// Rows of a map: an odd number, so that lag 0 is the middle of one.
pub const ROWS: usize = 41;
/// Lags that one row covers, seconds. The rows reach 41 ms each way: sound that comes 14 m further is still seen.
pub const ROW_S: f64 = 0.002;
/// Rate at which sound is compared, Hz: as in the analysis.
const RATE_HZ: u32 = 8000;
/// Samples of a row.
const ROW_SAMPLES: usize = (ROW_S * RATE_HZ as f64) as usize;
/// Sound that a column compares, seconds: long enough for a sentence, and with the lags a power of two of samples.
const WINDOW_S: f64 = 2.0;
/// Columns of a map at most, and at least where a shoot has many clips.
const COLUMNS: (usize, usize) = (120, 24);
/// Columns of all maps together: each reads and compares 2 s of two files. 1500 take about 10 s of one core (own choice).
const ALL_COLUMNS: usize = 1500;

/// How alike the sound of a clip and of another file is, over time and over the lag from the placement.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct LagMap {
    /// The two files, and what of the clip they share.
    pub couple: Couple,
    /// [`ROWS`] values for each column, from the lowest lag up: how far the strongest correlation of the row stands out of the
    /// column's background, in standard deviations ([`lag_strength`]). A positive lag: as placed, the other file has the
    /// sound later than the clip.
    pub strength: Vec<f32>,
}

impl LagMap {
    /// Columns: equal parts of what the two files share.
    pub fn columns(&self) -> usize {
        self.strength.len() / ROWS
    }
}

/// Compares the files of each couple around the placement; in the couples' order, without those whose files cannot be read.
/// `folder` is the one that the alignment's names are relative to. The work is bounded: where there are many couples their
/// maps get coarser, and those beyond the bound get none.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled) only.
pub fn lag_maps(
    alignment: &Alignment,
    folder: &Path,
    couples: &[Couple],
    options: &OpenOptions,
    progress: &dyn Progress,
) -> Result<Vec<LagMap>> {
    let couples = &couples[..couples.len().min(ALL_COLUMNS / COLUMNS.1)];
    let columns = (ALL_COLUMNS / couples.len().max(1)).clamp(COLUMNS.1, COLUMNS.0);
    let maps = for_all(
        "mapping lags",
        couples,
        |_| 1.0,
        progress,
        |couple, progress| {
            let path = folder.join(&couple.clip);
            match guarded(&path, || lag_map(alignment, folder, couple, columns, options, progress)) {
                Err(e) if e.kind() == ErrorKind::Cancelled => Err(e),
                other => Ok(other.ok()),
            }
        },
    )?;
    Ok(maps.into_iter().flatten().collect())
}

fn lag_map(
    alignment: &Alignment,
    folder: &Path,
    couple: &Couple,
    columns: usize,
    options: &OpenOptions,
    progress: &dyn Progress,
) -> Result<LagMap> {
    let placed = |path: &str| alignment.map(path).ok_or_else(|| Error::invalid("not placed").with_path(path));
    let (clip_map, other_map) = (placed(&couple.clip)?, placed(&couple.other)?);
    let (from_s, to_s) = couple.common_s;
    let window_s = WINDOW_S.min(to_s - from_s);
    let frames = (window_s * f64::from(RATE_HZ)) as usize;
    let own = Leg { from_s: f64::NEG_INFINITY, to_s: f64::INFINITY, at_s: 0.0, source_s: 0.0, speed: 1.0 };
    let open = |path: &str| alignment.file(path).map_or_else(|| options.clone(), |f| f.opened(options));
    let path = |path: &str| folder.join(path);
    // Kept under both files, and where they lie.
    let lies = format!("{:?}", (clip_map.knots(), other_map.knots(), couple.common_s, columns));
    let about = |(cache, key): &Kept| {
        let (_, other) = kept::of_file(&path(&couple.other), options)?;
        Some((cache.clone(), key.clone().with(other.bytes()).with(lies.as_bytes())))
    };
    let load = |kept: &Kept| kept::get(&about(kept)?);
    let save = |kept: &Kept, strength: &Vec<f32>| about(kept).iter().for_each(|kept| kept::put(kept, strength));
    let windows = |name: &str, route| Windows::open(&path(name), &route, frames, &open(name));
    let work = || {
        let mut clip = windows(&couple.clip, Route::from_legs(vec![own])?)?;
        let mut other = windows(&couple.other, Route::under_clip(&other_map, &clip_map))?;
        let reach = ROWS * ROW_SAMPLES / 2;
        let mut strength = Vec::with_capacity(columns * ROWS);
        for column in 0..columns {
            step(progress, "mapping lags", column as f64 / columns as f64)?;
            let middle_s = from_s + (column as f64 + 0.5) * (to_s - from_s) / columns as f64;
            let at_s = (middle_s - window_s / 2.0).clamp(from_s, (to_s - window_s).max(from_s));
            let lags = lag_strength(&other.at(at_s)?, &clip.at(at_s)?, reach)?;
            let strongest = |row: &[f32]| row.iter().fold(0.0f32, |most, s| most.max(s.abs()));
            strength.extend(lags.chunks_exact(ROW_SAMPLES).map(strongest));
        }
        Ok(strength)
    };
    let (strength, _) = kept::measured(&path(&couple.clip), &open(&couple.clip), "lag map", load, save, work)?;
    Ok(LagMap { couple: couple.clone(), strength })
}

/// Windows of equal length of a file's sound along a route, all channels as one.
struct Windows {
    reader: SoundReader,
    resampler: Resampler,
    channels: usize,
    frames: usize,
    /// The frame that the reader gives next.
    next: u64,
}

impl Windows {
    fn open(path: &Path, route: &Route, frames: usize, open: &OpenOptions) -> Result<Self> {
        let reader = SoundReader::open(path, open)?;
        let sound = reader.sound()?;
        let channels = sound.channels;
        let options = ResampleOptions::new(f64::from(sound.rate_hz), f64::from(RATE_HZ), channels, frames as u64);
        let resampler = Resampler::new(route, &options).map_err(|e| e.with_path(path))?;
        Ok(Self { reader, resampler, channels, frames, next: 0 })
    }

    fn at(&mut self, at_s: f64) -> Result<Vec<f32>> {
        self.resampler.reset(at_s)?;
        let (mut input, mut block, mut out) = (Vec::new(), Vec::new(), Vec::with_capacity(self.frames));
        loop {
            feed(&mut self.resampler, &mut self.reader, &mut self.next, &mut input)?;
            if self.resampler.pull(&mut block) == 0 {
                return Ok(out);
            }
            mix_down(&block, self.channels, &mut out);
        }
    }
}

#[cfg(test)]
mod tests {
    use coeval::clock::ClockMap;

    use super::*;
    use crate::alignment::File;
    use crate::conform::tests::{alignment, file, picture, record};
    use crate::listen::couples;

    /// Noise that is the same at the same moment of the timeline.
    fn hiss(at_s: f64) -> f64 {
        let value = |i: i64| {
            let mixed = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            ((mixed ^ (mixed >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9) >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        let at = at_s * 16_000.0;
        let part = at - at.floor();
        value(at.floor() as i64) * (1.0 - part) + value(at.floor() as i64 + 1) * part
    }

    /// A camera whose clock is 60 ppm off, and a recorder that is placed too late by so much.
    fn shoot(folder: &Path, placed_late_s: f64) -> Alignment {
        let clip = ClockMap::linear(10.0, -60.0, 40.0);
        let recorder = ClockMap::linear(2.345, 0.0, 60.0);
        record(folder, "C.WAV", 48_000, 2, &clip, hiss);
        record(folder, "R.WAV", 44_100, 1, &recorder, hiss);
        let late = ClockMap::linear(2.345 + placed_late_s, 0.0, 60.0);
        let camera = File { picture: picture(40.0), ..file("C.WAV", 48_000, 2, &clip) };
        alignment(vec![camera], vec![file("R.WAV", 44_100, 1, &late)])
    }

    #[test]
    fn the_line_of_cells_is_where_the_sound_is() {
        // What is placed 20 ms too late is heard so much later under the clip: ten rows up.
        for (placed_late_s, row) in [(0.0, 20), (0.020, 30)] {
            let dir = tempfile::tempdir().unwrap();
            let alignment = shoot(dir.path(), placed_late_s);
            let couples = couples(&alignment);
            let maps = lag_maps(&alignment, dir.path(), &couples, &OpenOptions::default(), &()).unwrap();
            assert_eq!((maps.len(), maps[0].columns()), (1, 120));
            for column in maps[0].strength.chunks_exact(ROWS) {
                let strongest = (0..ROWS).max_by(|&i, &j| column[i].total_cmp(&column[j])).unwrap();
                assert_eq!(strongest, row, "{column:?}");
                assert!(column[row] > 9.0, "{column:?}");
            }
        }
    }

    #[test]
    fn many_clips_get_coarser_maps_and_what_cannot_be_read_none() {
        let dir = tempfile::tempdir().unwrap();
        let alignment = shoot(dir.path(), 0.0);
        let one = couples(&alignment).remove(0);
        let mut many = vec![one.clone(); 100];
        many[1].other = "gone.wav".to_owned();
        let maps = lag_maps(&alignment, dir.path(), &many, &OpenOptions::default(), &()).unwrap();
        assert_eq!(maps.len(), ALL_COLUMNS / COLUMNS.1 - 1);
        assert!(maps.iter().all(|m| m.columns() == COLUMNS.1));
        let stopped = lag_maps(&alignment, dir.path(), &[one], &OpenOptions::default(), &|_: &str, _: f64| false);
        assert_eq!(stopped.unwrap_err().kind(), ErrorKind::Cancelled);
    }
}
