//! Photos: where their times put them on the timeline.
//!
//! A photo is placed as a clip without sound is ([`times`](crate::times)): by how the clock of its device differs from the
//! timeline, which the device's clips tell that sound has placed. Where no clip is known to be of its device, all clips
//! together stand for it, and it is less certain. Exif tells the time of day where the camera was; how far that is ahead of
//! UTC many cameras leave out. Then it is that number of hours at which most photos of the device fall into an event, if
//! there is only one.

use std::collections::BTreeMap;

use coeval_media::{PhotoInfo, probe_photo};

use crate::alignment::{Alignment, File, Photo, PhotoClock, Picture};
use crate::chapters::{shape, split_name};
use crate::find::Found;
use crate::guard::guarded;
use crate::times::{Mate, Nowhere, Place, Spans, Stamp, best};
use crate::words::length;

/// How far two clocks that were set by hand or by a network may differ, one standard deviation, seconds (own choice): of a
/// device of which no clip has a place.
const ANOTHER_CLOCK_S: f64 = 5.0;
/// Clocks are ahead of UTC by a multiple of this, within these bounds, seconds (common practice, no source: from -12 to +14 h).
const ZONE_STEP_S: i64 = 900;
const ZONES_S: (i64, i64) = (-43_200, 50_400);

/// Adds the photos of a folder to its alignment, in order of their names.
pub(crate) fn place(alignment: &mut Alignment, found: &Found) {
    let clips: Vec<Clip> = alignment.files().filter_map(Clip::of).collect();
    let mut photos: Vec<Photo> = Vec::new();
    let mut by_device: BTreeMap<Option<Device>, Vec<(usize, PhotoInfo)>> = BTreeMap::new();
    for source in &found.photos {
        let mut photo = Photo { path: source.name.clone(), ..Photo::default() };
        match guarded(&source.path, || probe_photo(&source.path)) {
            Ok(Some(info)) => {
                photo.taken = Some(info.taken.clone());
                by_device.entry(device_of(&source.name, &clips)).or_default().push((photos.len(), info));
            }
            Ok(None) => photo.reason = Some("its file does not say when it was taken".to_owned()),
            Err(e) => photo.reason = Some(e.to_string()),
        }
        photos.push(photo);
    }
    let spans = spans(alignment);
    for (device, taken) in by_device {
        let mine: Vec<&Clip> = clips.iter().filter(|c| device.as_ref().is_none_or(|d| &c.device == d)).collect();
        let beyond_s = if device.is_some() { 0.0 } else { ANOTHER_CLOCK_S };
        let at = |info: &PhotoInfo, ahead_s: f64| {
            let mates = |event: usize| mine.iter().filter(|c| c.event == event).map(|c| c.mate).collect();
            let stamp = Stamp { created_s: Some(info.shown_s - ahead_s), timecode_s: None, lasted_s: 0.0 };
            best(&stamp, &spans, mates, beyond_s)
        };
        let ahead = ahead(&taken, |info, ahead_s| at(info, ahead_s).is_ok());
        for (i, info) in &taken {
            let place = match &ahead {
                Ok(ahead) => at(info, ahead.of(info)).map_err(|nowhere| words(&nowhere)),
                Err(several) => Err(several.clone()),
            };
            match place {
                Ok((event, place)) => photos[*i].put(event, &place, &spans, device.is_some()),
                Err(reason) => photos[*i].reason = Some(reason),
            }
        }
    }
    alignment.photos = photos;
}

/// A folder, and what names in it are like: clips that have these in common are one device's.
type Device = (String, String);

/// A clip that sound has placed, as its device's clock.
struct Clip {
    device: Device,
    event: usize,
    mate: Mate,
}

impl Clip {
    fn of(file: &File) -> Option<Self> {
        let picture = file.picture.as_ref()?;
        let event = file.event_number().filter(|_| file.placed_by.is_none())?;
        let created_s = file.created_unix_s? as f64;
        let lasted_s = file.duration_s? * Picture::speed(picture);
        let stamp = Stamp { created_s: Some(created_s), timecode_s: None, lasted_s };
        let mate = Mate { stamp, at_s: file.knots.first()?[1], drift_ppm: 0.0 };
        Some(Self { device: device(&file.path), event, mate })
    }
}

fn device(name: &str) -> Device {
    let (folder, stem) = split_name(name);
    (folder.to_owned(), shape(stem))
}

/// The device that took a photo, as far as clips are known to be of it: those that are called alike in its folder, else the
/// only ones in that folder or on that card. Loose in the folder that holds all, names must be alike.
fn device_of(photo: &str, clips: &[Clip]) -> Option<Device> {
    let mine = device(photo);
    let among = |near: &dyn Fn(&str) -> bool| {
        let mut devices: Vec<&Device> = clips.iter().map(|c| &c.device).filter(|d| near(&d.0)).collect();
        devices.sort_unstable();
        devices.dedup();
        devices
    };
    let here = among(&|folder| folder == mine.0);
    if here.contains(&&mine) {
        return Some(mine);
    }
    let card = mine.0.split('/').next().filter(|card| !card.is_empty())?;
    let on_card = among(&|folder| folder.split('/').next() == Some(card));
    [here, on_card].into_iter().find(|d| !d.is_empty()).and_then(|d| match &d[..] {
        [only] => Some((*only).clone()),
        _ => None,
    })
}

/// From when to when each event lasts.
fn spans(alignment: &Alignment) -> Spans {
    let mut spans = Spans::new();
    for file in alignment.files() {
        if let (Some(event), [first, .., last]) = (file.event_number(), &file.knots[..]) {
            let span = spans.entry(event).or_insert((f64::INFINITY, f64::NEG_INFINITY));
            *span = (span.0.min(first[1]), span.1.max(last[1]));
        }
    }
    spans
}

/// How far a device's clock is ahead of that of its clips.
enum Ahead {
    /// As each photo says.
    Said,
    /// Seconds.
    By(f64),
}

impl Ahead {
    fn of(&self, info: &PhotoInfo) -> f64 {
        match self {
            Ahead::Said => f64::from(info.ahead_s.unwrap_or(0)),
            Ahead::By(seconds) => *seconds,
        }
    }
}

/// The one at which most photos of a device fall into an event; why there is none.
fn ahead(taken: &[(usize, PhotoInfo)], falls: impl Fn(&PhotoInfo, f64) -> bool) -> Result<Ahead, String> {
    let count = |ahead: &Ahead| taken.iter().filter(|(_, info)| falls(info, ahead.of(info))).count();
    if taken.iter().all(|(_, info)| info.ahead_s.is_some()) {
        // ISO/IEC 14496-12, 8.2.2: clips are stamped in UTC. Some cameras write what their clock shows.
        let shown = Ahead::By(0.0);
        return Ok(if count(&shown) > count(&Ahead::Said) { shown } else { Ahead::Said });
    }
    let all = (ZONES_S.0..=ZONES_S.1).step_by(ZONE_STEP_S as usize);
    let counted: Vec<(i64, usize)> = all.map(|s| (s, count(&Ahead::By(s as f64)))).collect();
    let most = counted.iter().map(|c| c.1).max().unwrap_or(0);
    if most == 0 {
        return Ok(Ahead::By(0.0));
    }
    let fit: Vec<i64> = counted.into_iter().filter(|c| c.1 == most).map(|c| c.0).collect();
    // Most are whole hours.
    let hours: Vec<i64> = fit.iter().copied().filter(|s| s % 3600 == 0).collect();
    match (&hours[..], &fit[..]) {
        ([only], _) | ([], [only]) => Ok(Ahead::By(*only as f64)),
        _ => Err(format!(
            "its file does not say how far its clock is ahead of UTC, and {} of the possible times fall into what was filmed",
            fit.len()
        )),
    }
}

fn words(nowhere: &Nowhere) -> String {
    match nowhere {
        Nowhere::After(s) => format!("by its clock it was taken {} after everything had ended", length(*s)),
        Nowhere::Before(s) => format!("by its clock it was taken {} before everything began", length(*s)),
        Nowhere::NoBetter(sigma_s) => {
            format!("the times of clips place it only to within {} (one standard deviation)", length(*sigma_s))
        }
        Nowhere::NoTime | Nowhere::NoMates => {
            "no clip has a place and a time, which would tell how clocks differ".to_owned()
        }
    }
}

impl Photo {
    fn put(&mut self, event: usize, place: &Place, spans: &Spans, own: bool) {
        // What may have been taken a little before or after all is marked at the beginning or end.
        let (from_s, to_s) = spans.get(&event).copied().unwrap_or((place.at_s, place.at_s));
        self.timeline_s = Some(place.at_s.clamp(from_s, to_s));
        self.uncertainty_s = Some(place.sigma_s);
        self.event = Some(event).filter(|e| *e > 1);
        self.clock = Some(if own { PhotoClock::Device } else { PhotoClock::Clips });
    }
}
