//! All recordings of one event -> one clock.

use std::ffi::{CString, c_char, c_void};
use std::path::PathBuf;

use ::coeval_shoot::alignment::{File, Recording};
use ::coeval_shoot::chapters::Chapters;
use ::coeval_shoot::{Alignment, Anchor, At, Cache, Kind, Options, TrackFile, align_with};
use coeval::Result;
use coeval::network::Force;

use crate::clock::{coeval_clock_map, coeval_jump, coeval_knot};
use crate::handle::{self, c_text, copy_out, fill, growing, handle, invalid, path, pointer, text};
use crate::pair::{coeval_pair_options, thread_count};
use crate::panics::answer;
use crate::progress::{Listener, coeval_progress_fn};
use crate::status::{coeval_error, coeval_status, guard};
use crate::track::coeval_track;

/// Kind of device. Numbers never change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(i32)]
pub enum coeval_kind {
    /// Neither is known.
    COEVAL_OTHER_DEVICE = 0,
    /// Has picture.
    COEVAL_CAMERA = 1,
    /// Sound only.
    COEVAL_RECORDER = 2,
}

use coeval_kind::*;

fn kind(number: i32) -> Result<Kind> {
    let known = [(COEVAL_OTHER_DEVICE, Kind::Other), (COEVAL_CAMERA, Kind::Camera), (COEVAL_RECORDER, Kind::Recorder)];
    let found = known.iter().find(|k| k.0 as i32 == number);
    found.map(|k| k.1).ok_or_else(|| invalid(format!("{number} is no coeval_kind")))
}

fn number(kind: Kind) -> i32 {
    match kind {
        Kind::Other => COEVAL_OTHER_DEVICE as i32,
        Kind::Camera => COEVAL_CAMERA as i32,
        Kind::Recorder => COEVAL_RECORDER as i32,
    }
}

/// The recordings of one event (paths, tracks or both) and the options for aligning them. One thread at a time.
pub struct coeval_shoot {
    _opaque: [u8; 0],
}

handle!(coeval_shoot, Shoot, b"cv shoot");

/// What a `coeval_shoot` holds.
#[derive(Default)]
pub(crate) struct Shoot {
    paths: Vec<PathBuf>,
    tracks: Vec<TrackFile>,
    options: Options,
}

/// A shoot without recordings, with the default options.
#[unsafe(no_mangle)]
pub extern "C" fn coeval_shoot_new() -> *mut coeval_shoot {
    answer(std::ptr::null_mut(), || Ok(handle::new(Shoot::default())))
}

/// Frees the shoot and sets `*shoot` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_free(shoot: *mut *mut coeval_shoot) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(shoot) }
}

/// Adds a folder (searched with its sub-folders) or a file. It is read by `coeval_shoot_align`, and never changed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_add_path(
    shoot: *mut coeval_shoot,
    path_name: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let shoot = handle::get_mut(shoot)?;
            shoot.paths.push(path(path_name, "the path")?);
            Ok(())
        })
    }
}

/// Adds a file whose sound the caller has read itself. `name` is what the result calls the file, unique and without
/// `*`; `recording` is the id of its recording (letters, digits, `-`, `_`, `.`): files of one recording are its
/// chapters, in the order in which they are added. `device` is a `coeval_kind`. The track then belongs to the shoot:
/// `*track` becomes NULL.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_add_track(
    shoot: *mut coeval_shoot,
    name: *const c_char,
    recording: *const c_char,
    device: i32,
    track: *mut *mut coeval_track,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let shoot = handle::get_mut(shoot)?;
            let (name, recording) = (text(name, "the name")?.to_owned(), text(recording, "the recording")?.to_owned());
            let kind = kind(device)?;
            shoot.tracks.push(TrackFile { name, recording, kind, track: handle::take(track)? });
            Ok(())
        })
    }
}

/// Sets how two files are compared. The options are copied.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_pair_options(
    shoot: *mut coeval_shoot,
    options: *const coeval_pair_options,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.pair = handle::get(options)?.pair.clone();
            Ok(())
        })
    }
}

/// The reference clock: the recording whose clock the timeline uses, by its id or the name of one of its files (`*`
/// stands for any characters). NULL, the default: the recording that covers most of the event; a camera if one covers
/// as much.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_main(
    shoot: *mut coeval_shoot,
    main: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let main = if main.is_null() { None } else { Some(text(main, "the main recording")?.to_owned()) };
            handle::get_mut(shoot)?.options.main = main;
            Ok(())
        })
    }
}

/// How many files are read or compared at once; 0, the default: as many as the machine has cores.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_threads(
    shoot: *mut coeval_shoot,
    threads: usize,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.threads = thread_count(threads)?;
            Ok(())
        })
    }
}

/// 1: formats that Coeval cannot read itself may be read through an `ffmpeg` program on PATH. 0, the default: they may not.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_allow_ffmpeg(
    shoot: *mut coeval_shoot,
    allow: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.open.allow_ffmpeg = yes_or_no(allow)?;
            Ok(())
        })
    }
}

/// A folder for measurements. The next alignment of the same files then measures only what is new; the result is the
/// same to the last byte. It is made if it is missing, and holds at most 5 GiB. If nothing can be kept, this is not an
/// error. NULL, the default: nothing is kept.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_cache(
    shoot: *mut coeval_shoot,
    folder: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let folder = if folder.is_null() { None } else { Some(text(folder, "the folder")?) };
            let cache = folder.map(|folder| Cache::new(folder, Cache::MOST_BYTES));
            handle::get_mut(shoot)?.options.open.cache = cache;
            Ok(())
        })
    }
}

/// 1: if sound does not place a camera, look in its picture for a clap that other devices heard, through an `ffmpeg` program
/// on PATH. 0, the default: do not.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_picture(
    shoot: *mut coeval_shoot,
    look: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.picture = yes_or_no(look)?;
            Ok(())
        })
    }
}

/// 1: photos in the folders are marked by the times in their files (Exif): `photos` in `coeval_alignment_to_json`. 0, the
/// default: they are passed over.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_photos(
    shoot: *mut coeval_shoot,
    mark: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.photos = yes_or_no(mark)?;
            Ok(())
        })
    }
}

/// 0: no two files are joined as chapters unless `coeval_shoot_set_recording` says so. 1, the default: chapters are
/// recognised by format, names and times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_recognise_chapters(
    shoot: *mut coeval_shoot,
    recognise: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let chapters = if yes_or_no(recognise)? { Chapters::Recognise } else { Chapters::KeepApart };
            handle::get_mut(shoot)?.options.grouping.chapters = chapters;
            Ok(())
        })
    }
}

pub(crate) fn yes_or_no(number: i32) -> Result<bool> {
    match number {
        0 => Ok(false),
        1 => Ok(true),
        _ => Err(invalid(format!("{number} is neither 0 nor 1"))),
    }
}

/// The files that fit `pattern` (names as in the result, `*` for any characters) are chapters of the recording `id`.
/// May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_recording(
    shoot: *mut coeval_shoot,
    id: *const c_char,
    pattern: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let entry = (text(id, "the id")?.to_owned(), text(pattern, "the pattern")?.to_owned());
            handle::get_mut(shoot)?.options.grouping.recordings.push(entry);
            Ok(())
        })
    }
}

/// What kind of device made a recording: its id or a pattern of its files, and a `coeval_kind`. May be called several
/// times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_kind(
    shoot: *mut coeval_shoot,
    id_or_pattern: *const c_char,
    device: i32,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let entry = (text(id_or_pattern, "the id or pattern")?.to_owned(), kind(device)?);
            handle::get_mut(shoot)?.options.grouping.kinds.push(entry);
            Ok(())
        })
    }
}

/// Leaves files out: names below the folder that was added, or bare file names; `*` stands for any characters. May be called
/// several times. A pattern that fits no file is refused when the shoot is aligned.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_exclude(
    shoot: *mut coeval_shoot,
    pattern: *const c_char,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let pattern = text(pattern, "the pattern")?.to_owned();
            handle::get_mut(shoot)?.options.exclude.push(pattern);
            Ok(())
        })
    }
}

/// Distance from device to source: a recording's id or a pattern of its files, and metres, 0 to 1000. It compensates
/// the acoustic delay, 2.9 ms per metre. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_distance(
    shoot: *mut coeval_shoot,
    id_or_pattern: *const c_char,
    metres: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            if !(0.0..=1000.0).contains(&metres) {
                return Err(invalid(format!("{metres} m, not within 0 to 1000 m")));
            }
            let entry = (text(id_or_pattern, "the id or pattern")?.to_owned(), metres);
            handle::get_mut(shoot)?.options.distances_m.push(entry);
            Ok(())
        })
    }
}

/// Trusts the files' own times to within `off_s` seconds (0 or more). Two files are then compared only near where their
/// timecodes put them, or their creation times if one has no timecode. Below 0, the default: their times are not trusted.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_trusted_times(
    shoot: *mut coeval_shoot,
    off_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            if !off_s.is_finite() {
                return Err(invalid(format!("times trusted to {off_s} s: not a number of seconds")));
            }
            handle::get_mut(shoot)?.options.trusted_times_s = (off_s >= 0.0).then_some(off_s);
            Ok(())
        })
    }
}

/// Limit of the slow second search, hours of sound, 0 to 1000000; both files of a pair count. It is for files that the
/// first look does not place. Default 12. The most promising pairs come first.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_set_in_depth_h(
    shoot: *mut coeval_shoot,
    in_depth_h: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::get_mut(shoot)?.options.in_depth_h = in_depth_h;
            Ok(())
        })
    }
}

/// A moment that the user knows to match: `a_at` in file `a` is the same instant as `b_at` in file `b`. Files are named as
/// in the result, or by a pattern that fits only one file. A moment is text: seconds from the file's start ("200.5"), a
/// clock time from its start ("00:03:20.5") or a timecode ("01:03:20:12"). `hard` 1: it is used even if the sound
/// contradicts it. `hard` 0: if they disagree, the sound decides. Either way the result reports the measured
/// disagreement. `uncertainty_s`: one standard deviation of the reading, seconds; 0: 0.1 s, or one frame if the moments
/// are timecodes. May be called several times.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_add_anchor(
    shoot: *mut coeval_shoot,
    a: *const c_char,
    a_at: *const c_char,
    b: *const c_char,
    b_at: *const c_char,
    hard: i32,
    uncertainty_s: f64,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let moment = |at| -> Result<At> { text(at, "the moment")?.parse() };
            let mut anchor = Anchor::new(text(a, "file a")?, moment(a_at)?, text(b, "file b")?, moment(b_at)?);
            anchor.force = if yes_or_no(hard)? { Force::Hard } else { Force::Soft };
            anchor.uncertainty_s = (uncertainty_s != 0.0).then_some(uncertainty_s);
            handle::get_mut(shoot)?.options.anchors.push(anchor);
            Ok(())
        })
    }
}

/// Aligns all recordings and writes the result to `*out`. A file that cannot be read or placed is not a failure: the
/// result says why. `progress` may be NULL; `user` is handed to it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_shoot_align(
    shoot: *const coeval_shoot,
    progress: coeval_progress_fn,
    user: *mut c_void,
    out: *mut *mut coeval_alignment,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let Shoot { paths, tracks, options } = handle::get(shoot)?;
                Aligned::new(align_with(paths, tracks, options, &Listener::new(progress, user))?)
            })
        })
    }
}

/// All recordings on one clock: the result contract `coeval.alignment/1`. Never changes: any number of threads may
/// use one. Files are numbered from 0, recording by recording.
pub struct coeval_alignment {
    _opaque: [u8; 0],
}

handle!(coeval_alignment, Aligned, b"cv align");

/// What a `coeval_alignment` holds: the result, and its texts as C reads them.
pub(crate) struct Aligned {
    alignment: Alignment,
    json: CString,
    clock: CString,
    ids: Vec<CString>,
    files: Vec<FileTexts>,
    pairs: Vec<(CString, CString)>,
}

struct FileTexts {
    /// Its place among recordings and among that recording's files.
    at: (usize, usize),
    path: CString,
    reason: Option<CString>,
    copy_of: Option<CString>,
    track_of: Option<CString>,
    better_sound_of: Option<CString>,
    /// Names of its channels, as far as its recorder gave any.
    tracks: Vec<CString>,
}

impl Aligned {
    fn new(alignment: Alignment) -> Result<Self> {
        let texts = |(r, recording): (usize, &Recording)| {
            let texts = recording.files.iter().enumerate().map(move |(f, file)| FileTexts {
                at: (r, f),
                path: c_text(file.path.as_str()),
                reason: file.reason.as_deref().map(c_text),
                copy_of: file.copy_of.as_deref().map(c_text),
                track_of: file.track_of.as_deref().map(c_text),
                better_sound_of: file.better_sound_of.as_deref().map(c_text),
                tracks: file.ixml.iter().flat_map(|i| &i.tracks).map(|t| c_text(t.as_str())).collect(),
            });
            texts.collect::<Vec<_>>()
        };
        Ok(Self {
            json: c_text(alignment.to_json()?),
            clock: c_text(alignment.timeline.clock.as_str()),
            ids: alignment.recordings.iter().map(|r| c_text(r.id.as_str())).collect(),
            files: alignment.recordings.iter().enumerate().flat_map(texts).collect(),
            pairs: alignment.pairs.iter().map(|p| (c_text(p.a.as_str()), c_text(p.b.as_str()))).collect(),
            alignment,
        })
    }

    pub(crate) fn alignment(&self) -> &Alignment {
        &self.alignment
    }

    fn texts(&self, file: usize) -> Result<&FileTexts> {
        self.files.get(file).ok_or_else(|| invalid(format!("file {file} of {}", self.files.len())))
    }

    fn file(&self, file: usize) -> Result<&File> {
        let (r, f) = self.texts(file)?.at;
        Ok(&self.alignment.recordings[r].files[f])
    }
}

/// Reads a result again from the JSON text that `coeval_alignment_to_json` or the command line wrote, to `*out`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_from_json(
    json: *const c_char,
    out: *mut *mut coeval_alignment,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe { guard(error, || handle::make(out, || Aligned::new(Alignment::from_json(text(json, "the JSON text")?)?))) }
}

/// Number of events; 1 if all files are of one event. Each event has its own timeline, so do not compare times of two
/// events. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_event_count(alignment: *const coeval_alignment) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(*unsafe { handle::get(alignment) }?.alignment.event_numbers().end()))
}

/// Takes event `number` (from 1) out as an alignment of its own, in which files of other events do not appear, to `*out`.
/// Unplaced files go with the first.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_event(
    alignment: *const coeval_alignment,
    number: usize,
    out: *mut *mut coeval_alignment,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let event = handle::get(alignment)?.alignment.event(number);
                Aligned::new(event.ok_or_else(|| invalid(format!("there is no event {number}")))?)
            })
        })
    }
}

/// Frees the alignment and sets `*alignment` to NULL; NULL is allowed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_free(alignment: *mut *mut coeval_alignment) {
    // SAFETY: the caller keeps the header's rules.
    unsafe { handle::free(alignment) }
}

/// The result contract as JSON text. Valid until the alignment is freed; NULL if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_to_json(alignment: *const coeval_alignment) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(alignment) }?.json.as_ptr()))
}

/// Id of the recording whose clock is the reference clock. Valid until the alignment is freed; NULL if `alignment`
/// is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_clock(alignment: *const coeval_alignment) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(alignment) }?.clock.as_ptr()))
}

/// Where the last placed file ends on the timeline, seconds; of several events the first. NaN if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_duration_s(alignment: *const coeval_alignment) -> f64 {
    // SAFETY: the caller keeps the header's rules.
    answer(f64::NAN, || Ok(unsafe { handle::get(alignment) }?.alignment.timeline.duration_s))
}

/// Number of recordings. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_recording_count(alignment: *const coeval_alignment) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(alignment) }?.ids.len()))
}

/// Id of a recording, or NULL when there is no such recording. Valid until the alignment is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_recording_id(
    alignment: *const coeval_alignment,
    recording: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.ids.get(recording))))
}

/// Kind of a recording, a `coeval_kind`; -1 when there is no such recording.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_recording_kind(alignment: *const coeval_alignment, recording: usize) -> i32 {
    answer(-1, || {
        // SAFETY: the caller keeps the header's rules.
        let recordings = &unsafe { handle::get(alignment) }?.alignment.recordings;
        Ok(recordings.get(recording).map_or(-1, |r| number(r.kind)))
    })
}

/// Number of files of all recordings. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_count(alignment: *const coeval_alignment) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(alignment) }?.files.len()))
}

/// Name of a file, relative to the folder that was given; NULL when there is no such file. Valid until the alignment
/// is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_path(alignment: *const coeval_alignment, file: usize) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(unsafe { handle::get(alignment) }?.texts(file)?.path.as_ptr()))
}

/// Why a file is unplaced, in words; NULL when it is placed or there is no such file. Valid until the alignment is
/// freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_reason(
    alignment: *const coeval_alignment,
    file: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.texts(file)?.reason.as_ref())))
}

/// The path of the file that this one is a copy of: the same bytes, a proxy, a transcode, a safety track. NULL when it is
/// not a copy, or there is no such file. A copy is unplaced: use the place of its original. Valid until the alignment is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_copy_of(
    alignment: *const coeval_alignment,
    file: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.texts(file)?.copy_of.as_ref())))
}

/// The path of the file that the recorder wrote at the same time, sample for sample: this one holds further tracks of it and
/// lies where that one lies. NULL when there is none, or no such file. Valid until the alignment is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_track_of(
    alignment: *const coeval_alignment,
    file: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.texts(file)?.track_of.as_ref())))
}

/// The path of the clip that this sound was recorded beside, in a file that is called like it. NULL when there is none, or
/// no such file. Valid until the alignment is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_better_sound_of(
    alignment: *const coeval_alignment,
    file: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.texts(file)?.better_sound_of.as_ref())))
}

/// Copies the first `capacity` channels of a file that have something to hear, counted from 0, to `out` and returns how many
/// there are: without those that carry timecode, and those on which nothing happens. 0 when `alignment` is none.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_channels(
    alignment: *const coeval_alignment,
    file: usize,
    out: *mut usize,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let found = handle::get(alignment)?.file(file)?;
        let says = found.compared.as_ref().is_none_or(|channels| !channels.is_empty());
        let channels = if says { found.telling_channels() } else { Vec::new() };
        Ok(copy_out(channels.into_iter(), out, capacity))
    })
}

/// What the recorder calls a channel of a file, counted from 0; empty when it has no name. NULL when its file names no such
/// channel. Valid until the alignment is freed.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_track_name(
    alignment: *const coeval_alignment,
    file: usize,
    channel: usize,
) -> *const c_char {
    // SAFETY: the caller keeps the header's rules.
    answer(std::ptr::null(), || Ok(pointer(unsafe { handle::get(alignment) }?.texts(file)?.tracks.get(channel))))
}

/// The figures of one file. Set `struct_size` to `sizeof(coeval_file)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_file {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Its recording.
    pub recording: usize,
    /// 1: it is placed on the timeline. 0: it is unplaced; `coeval_alignment_file_reason` says why.
    pub placed: i32,
    /// The event whose timeline it is placed on, from 1; 0 when unplaced.
    pub event: i32,
    /// Length on presentation time, seconds; NaN when the file cannot be read.
    pub duration_s: f64,
    /// Probability that the placement is right; NaN when unplaced.
    pub confidence: f64,
    /// One standard deviation of the placement's error, seconds; NaN when unplaced.
    pub uncertainty_s: f64,
    /// Timeline time minus file time at the file's start, seconds; NaN when unplaced.
    pub offset_s: f64,
    /// (timeline seconds per file second - 1) * 1e6, mean over the file without its jumps; NaN when unplaced.
    pub drift_ppm: f64,
    /// Number of knots, see `coeval_alignment_file_knots`.
    pub knot_count: usize,
    /// Number of jumps, see `coeval_alignment_file_jumps`.
    pub jump_count: usize,
}

growing!(coeval_file, jump_count: usize);

/// Fills `*info` with the figures of a file.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_get_file(
    alignment: *const coeval_alignment,
    file: usize,
    info: *mut coeval_file,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let aligned = handle::get(alignment)?;
            let found = aligned.file(file)?;
            let figure = |value: Option<f64>| value.unwrap_or(f64::NAN);
            let value = coeval_file {
                struct_size: 0,
                recording: aligned.texts(file)?.at.0,
                placed: i32::from(found.is_placed()),
                event: found.event_number().map_or(0, |n| i32::try_from(n).unwrap_or(i32::MAX)),
                duration_s: figure(found.duration_s),
                confidence: figure(found.confidence),
                uncertainty_s: figure(found.uncertainty_s),
                offset_s: figure(found.offset_s),
                drift_ppm: figure(found.drift_ppm),
                knot_count: found.knots.len(),
                jump_count: found.jumps.len(),
            };
            fill(info, value)
        })
    }
}

/// Copies the first `capacity` knots of a file to `out` and returns how many there are; 0 if it is unplaced or `alignment` is
/// invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_knots(
    alignment: *const coeval_alignment,
    file: usize,
    out: *mut coeval_knot,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let knots = &handle::get(alignment)?.file(file)?.knots;
        let knots = knots.iter().map(|&[file_s, timeline_s]| coeval_knot { file_s, timeline_s });
        Ok(copy_out(knots, out, capacity))
    })
}

/// Copies the first `capacity` jumps of a file to `out` and returns how many there are. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_jumps(
    alignment: *const coeval_alignment,
    file: usize,
    out: *mut coeval_jump,
    capacity: usize,
) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || unsafe {
        let jumps = &handle::get(alignment)?.file(file)?.jumps;
        Ok(copy_out(jumps.iter().map(|j| coeval_jump { file_s: j.file_s, lost_s: j.lost_s }), out, capacity))
    })
}

/// Writes a file's map to the timeline to `*out`, a handle of its own. Fails when the file is unplaced.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_file_clock_map(
    alignment: *const coeval_alignment,
    file: usize,
    out: *mut *mut coeval_clock_map,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            handle::make(out, || {
                let found = handle::get(alignment)?.file(file)?;
                found.map().ok_or_else(|| invalid(format!("{} is unplaced, so it has no map", found.path)))
            })
        })
    }
}

/// What two recordings share. Set `struct_size` to `sizeof(coeval_recording_pair)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_recording_pair {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// Id of one recording. Valid until the alignment is freed.
    pub a: *const c_char,
    /// Id of the other. Valid until the alignment is freed.
    pub b: *const c_char,
    /// Seconds during which both ran.
    pub overlap_s: f64,
    /// Probability that their places against each other are right.
    pub confidence: f64,
    /// Root mean square misfit of the evidence to the result, seconds.
    pub residual_rms_s: f64,
    /// Number of measurements.
    pub evidence_count: usize,
}

growing!(coeval_recording_pair, evidence_count: usize);

/// Number of pairs of recordings that share sound. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_pair_count(alignment: *const coeval_alignment) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(alignment) }?.pairs.len()))
}

/// Fills `*info` with what the pair of this number shares.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_get_pair(
    alignment: *const coeval_alignment,
    pair: usize,
    info: *mut coeval_recording_pair,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let aligned = handle::get(alignment)?;
            let count = aligned.pairs.len();
            let (a, b) = aligned.pairs.get(pair).ok_or_else(|| invalid(format!("pair {pair} of {count}")))?;
            let found = &aligned.alignment.pairs[pair];
            let value = coeval_recording_pair {
                struct_size: 0,
                a: a.as_ptr(),
                b: b.as_ptr(),
                overlap_s: found.overlap_s,
                confidence: found.confidence,
                residual_rms_s: found.residual_rms_s,
                evidence_count: found.evidence,
            };
            fill(info, value)
        })
    }
}

/// An anchor, checked against the sound. Set `struct_size` to `sizeof(coeval_anchor_check)` before the call.
#[derive(Debug, Clone, Copy)]
#[repr(C)]
pub struct coeval_anchor_check {
    /// Size of this struct as the caller knows it; after the call, how much of it was filled.
    pub struct_size: usize,
    /// 1: the result uses it.
    pub used: i32,
    /// 1: the sound contradicts it by more than three standard deviations.
    pub contradicted: i32,
    /// Where the sound alone puts the moment of `a` minus where it puts that of `b`, seconds; NaN where it cannot tell.
    pub disagreement_s: f64,
    /// The same in the result; NaN where one of the files is unplaced.
    pub misfit_s: f64,
}

growing!(coeval_anchor_check, misfit_s: f64);

/// Number of anchors. 0 if `alignment` is invalid.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_anchor_count(alignment: *const coeval_alignment) -> usize {
    // SAFETY: the caller keeps the header's rules.
    answer(0, || Ok(unsafe { handle::get(alignment) }?.alignment.anchors.len()))
}

/// An anchor, checked against the sound, in the order in which they were added.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn coeval_alignment_get_anchor(
    alignment: *const coeval_alignment,
    index: usize,
    out: *mut coeval_anchor_check,
    error: *mut coeval_error,
) -> coeval_status {
    // SAFETY: the caller keeps the header's rules.
    unsafe {
        guard(error, || {
            let anchors = &handle::get(alignment)?.alignment.anchors;
            let one = anchors.get(index).ok_or_else(|| invalid(format!("no anchor {index} of {}", anchors.len())))?;
            let values = coeval_anchor_check {
                struct_size: size_of::<coeval_anchor_check>(),
                used: i32::from(one.used),
                contradicted: i32::from(one.contradicted),
                disagreement_s: one.disagreement_s.unwrap_or(f64::NAN),
                misfit_s: one.misfit_s.unwrap_or(f64::NAN),
            };
            fill(out, values)
        })
    }
}
