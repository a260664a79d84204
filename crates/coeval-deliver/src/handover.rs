//! Everything that is handed over, in a folder that explains itself.
//!
//! ```text
//! READ-ME.txt                 what each file is, and how to use it
//! report.html                 for a person: who recorded when, how sure it is, what to listen to
//! alignment.json              the result contract: every file's place
//! timeline.otio               OpenTimelineIO
//! edl/cam-a.picture.edl       one edit decision list per track
//! sound/under-clips/*.wav     a recorder's sound, as long as a camera's clip and in sync with it
//! sound/whole/*.wav           each recorder file in full, on the reference clock
//! markers.csv                 clips, jumps, claps, speech and photos, with timecode
//! markers.vtt                 the same as captions, for players
//! chapters.vtt                the clips of the reference recording, for players
//! speech.json, rough-cut/     what a rough cut adds: [`rough`]
//! event-2/                    the same of a further event, complete by itself
//! ```
//!
//! Where the shoot holds several events, all but `alignment.json` is of the first; that holds all of them.
//!
//! [`Handover::plan`] says what there is to write without reading a recording, [`Handover::write`]
//! writes it. Names follow from the alignment alone, so that an earlier result can be told from what
//! is somebody else's: [`names`].

use std::borrow::Cow;
use std::collections::HashSet;
use std::fmt::Write;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use coeval::progress::Progress;
use coeval::{Error, Result};
use coeval_media::SampleFormat;
use coeval_shoot::alignment::File;
use coeval_shoot::conform::{self, ConformOptions, Conformed, SoundPlacement};
use coeval_shoot::lag_map::lag_maps;
use coeval_shoot::listen::{ListenOptions, couples, listen};
use coeval_shoot::pictures::{PictureOptions, Pictures, pictures};
use coeval_shoot::{
    Alignment, Kind, LARGEST_TEXT, Measured, OutFolder, ResultNames, both, clock_time, measure, on_threads, one_line,
    plain_name, read_text,
};

use crate::edl::to_edl;
use crate::frames::FrameOptions;
use crate::layout::{Content, Layout};
use crate::lists::{Moment, captions, chapters, marks, marks_csv, marks_webvtt, on_frames};
use crate::otio::{Extras, References, to_otio};
use crate::report::{Elsewhere, Report, cut_in, page, with_cut};
use crate::rough;
use crate::timecode::{FrameRate, Timecode};

/// A part of what is handed over. `alignment.json` and `READ-ME.txt` always are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Part {
    /// `timeline.otio`.
    Timeline,
    /// `edl/`.
    Edl,
    /// `sound/under-clips/`.
    UnderClips,
    /// `sound/whole/`.
    Whole,
    /// `markers.csv`, `markers.vtt` and `chapters.vtt`.
    Markers,
    /// `report.html`.
    Report,
}

impl Part {
    /// All of them.
    pub const ALL: [Part; 6] = [Part::Timeline, Part::Edl, Part::UnderClips, Part::Whole, Part::Markers, Part::Report];
}

/// How results are handed over.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct HandoverOptions {
    /// What to write. Default: everything.
    pub parts: Vec<Part>,
    /// Timecode of timeline zero, as `HH:MM:SS:FF` or, with drop-frame counting, `HH:MM:SS;FF`. `None`: one hour,
    /// counted drop-frame where the rate has it, as is common practice.
    pub start: Option<String>,
    /// Refer to media by absolute path, not relative to the folder.
    pub absolute: bool,
    /// What the timeline is called.
    pub title: String,
    /// How many files are worked on at once. `None`: as many as the machine has cores.
    pub threads: Option<NonZeroUsize>,
    /// Stretches of dead air on the timeline, `(from_s, to_s)`: where picture is slipped, if there is choice. `None`:
    /// where recorders ran and nobody spoke to them.
    pub dead_air: Option<Vec<(f64, f64)>>,
    /// How clips are laid on frames.
    pub frames: FrameOptions,
    /// What to mark besides clips, jumps, claps and speech, as what the user anchored.
    pub moments: Vec<Moment>,
    /// Small pictures of each clip in the report, one every few seconds. They need an `ffmpeg` on PATH; without it the
    /// report says so.
    pub thumbnails: bool,
    /// How sound is conformed. Frame rate, start and `replace` are set by the hand-over.
    pub conform: ConformOptions,
}

impl Default for HandoverOptions {
    fn default() -> Self {
        Self {
            parts: Part::ALL.to_vec(),
            start: None,
            absolute: false,
            title: "timeline".to_owned(),
            threads: None,
            dead_air: None,
            frames: FrameOptions::default(),
            moments: Vec::new(),
            thumbnails: false,
            conform: ConformOptions::default(),
        }
    }
}

/// One file to be written.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Item {
    /// Its name in the folder, with `/` between folders.
    pub name: String,
    /// Its size in bytes, where that is known before it is written.
    pub bytes: Option<u64>,
}

/// Conformed sound that could not be made, or had to be clipped.
#[derive(Debug)]
#[non_exhaustive]
pub struct SoundProblem {
    /// Its name in the folder.
    pub name: String,
    /// Why it is not there; `None`: it is, but was clipped.
    pub error: Option<Error>,
    /// Samples beyond full scale that were clipped.
    pub clipped: u64,
}

/// What will be handed over of an alignment.
#[derive(Debug)]
pub struct Handover<'a> {
    alignment: &'a Alignment,
    threads: Option<NonZeroUsize>,
    events: Vec<OneEvent<'a>>,
}

/// What will be handed over of one event.
#[derive(Debug)]
struct OneEvent<'a> {
    number: usize,
    alignment: Cow<'a, Alignment>,
    options: &'a HandoverOptions,
    title: String,
    conform: ConformOptions,
    layout: Layout,
    start: Timecode,
    /// Name in the folder and what it is.
    sounds: Vec<(String, Conformed)>,
}

const READ_ME: &str = "READ-ME.txt";
const ALIGNMENT: &str = "alignment.json";
const TIMELINE: &str = "timeline.otio";
const MARKERS: &str = "markers.csv";
const REPORT: &str = "report.html";
const CAPTIONS: &str = "markers.vtt";
const CHAPTERS: &str = "chapters.vtt";
const UNDER_CLIPS: &str = "sound/under-clips";
const WHOLE: &str = "sound/whole";
/// What there may be in the folder, and what the read-me says of it.
const CONTENTS: [(&str, &str); 11] = [
    (
        "report.html",
        "Start here. It shows what needs attention, who recorded when, and short excerpts to listen to. It needs no network.",
    ),
    (
        TIMELINE,
        "The timeline (OpenTimelineIO). Each recording has a track for picture and one for sound; clips are on whole frames.",
    ),
    ("edl", "The timeline as edit decision lists, one per track, for editors that cannot read OpenTimelineIO."),
    (
        UNDER_CLIPS,
        "Conformed sound of the recorder for each camera clip: resampled and cut so that it fits the clip sample for sample. Put it under the clip, with the same start.",
    ),
    (
        WHOLE,
        "Each recorder file in full, on the reference clock. Put it at its start time, which is in the header of the file (bext). Do not stretch it.",
    ),
    (
        MARKERS,
        "A table of clips, jumps (moments at which a device lost or repeated sound), claps, speech and photos, with timecode.",
    ),
    (CAPTIONS, "The same as captions for a video player (WebVTT)."),
    (CHAPTERS, "The clips of the reference recording as chapter marks for a video player (WebVTT)."),
    (rough::FOLDER, "A shorter version without dead air. You can change edits.txt, the list of its cuts."),
    (rough::SPEECH, "When someone speaks and what else happens, for programs."),
    (ALIGNMENT, "The place of each file, for programs."),
];
/// A moment's caption stays for so long, seconds.
const CAPTION_S: f64 = 2.0;
/// Bytes of a WAV file before its sound, about.
const WAV_HEADER: u64 = 2048;

/// Names of everything that can follow from an alignment, for [`OutFolder::check`], and of what a rough cut has put into
/// its folder `out`.
pub fn names(alignment: &Alignment, out: &Path) -> ResultNames {
    let options = HandoverOptions::default();
    let mut names = ResultNames::default();
    for number in alignment.event_numbers() {
        let folder = folder_of(number);
        let mut own: Vec<String> =
            [READ_ME, ALIGNMENT, TIMELINE, MARKERS, CAPTIONS, CHAPTERS, REPORT].map(str::to_owned).into();
        if let Some(Ok(one)) = OneEvent::plan(alignment, number, &options) {
            own.extend(one.sounds.iter().map(|s| s.0.clone()));
            own.extend(one.lists().into_iter().flatten().map(|l| l.0));
        }
        let cut = rough::names(&out.join(&folder));
        let below = |name: String| format!("{folder}{name}");
        names.made.extend(own.into_iter().chain(cut.made).map(below));
        names.changed.extend(cut.changed.into_iter().map(below));
    }
    names
}

/// The recorders' sound on the reference clock that lies in a folder of results, each with its path, of several events
/// the first. Length and time reference are what each file says; one that cannot be read, or is of another length, is
/// left out.
///
/// # Errors
/// As for [`Handover::plan`].
pub fn conformed_in(alignment: &Alignment, results: &Path) -> Result<Vec<(PathBuf, Conformed)>> {
    let options = HandoverOptions::default();
    let first = alignment.first_event();
    let sounds = OneEvent::planned(Cow::Borrowed(&first), 1, &options, String::new())?.sounds;
    let whole = sounds.into_iter().filter(|(_, c)| c.placement == SoundPlacement::OnTimeline);
    let there = whole.filter_map(|(name, mut c)| {
        let path = results.join(name);
        let info = coeval_media::probe(&path, &coeval_media::OpenOptions::default()).ok()?;
        let length = (info.duration_s * f64::from(c.rate_hz)).round() as u64;
        c.time_reference = (info.timecode_s? * f64::from(c.rate_hz)).round() as u64;
        (length == c.frames).then_some((path, c))
    });
    Ok(there.collect())
}

/// What the names of an event's files begin with.
fn folder_of(event: usize) -> String {
    if event == 1 { String::new() } else { format!("{}/", OutFolder::event_folder(event)) }
}

/// Is this text a timecode at some rate?
///
/// # Errors
/// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) when it is none.
pub fn check_start(text: &str) -> Result<()> {
    // Whether a label exists depends on the rate, which is known after the work only.
    let any = FrameRate::new(1000, 1)?;
    Timecode::parse(&text.replace([';', '.', ','], ":"), any).map(|_| ())
}

impl<'a> Handover<'a> {
    /// Puts the alignment on frames, each event on a timeline of its own, and lists what there is to write.
    ///
    /// # Errors
    /// [`InvalidArgument`](coeval::ErrorKind::InvalidArgument) for a start that is no timecode at the timeline's rate,
    /// and as for [`Layout::of`] and [`conform::plan`].
    pub fn plan(alignment: &'a Alignment, options: &'a HandoverOptions) -> Result<Self> {
        let events = alignment.event_numbers().filter_map(|number| OneEvent::plan(alignment, number, options));
        Ok(Self { alignment, threads: options.threads, events: events.collect::<Result<_>>()? })
    }

    /// What will be written, in the order in which it appears.
    ///
    /// # Errors
    /// As for [`to_edl`].
    pub fn items(&self) -> Result<Vec<Item>> {
        let mut items = Vec::new();
        for one in &self.events {
            let folder = folder_of(one.number);
            items.extend(one.items()?.into_iter().map(|i| Item { name: format!("{folder}{}", i.name), ..i }));
        }
        Ok(items)
    }

    /// Writes it all into `out`, each file whole or not at all, the alignment first. `folder` is the one that the
    /// alignment's names are relative to. Sound that cannot be made does not stop the rest: it is in the answer.
    ///
    /// # Errors
    /// [`Cancelled`](coeval::ErrorKind::Cancelled), and what the system says about writing.
    pub fn write(&self, folder: &Path, out: &OutFolder, progress: &dyn Progress) -> Result<Vec<SoundProblem>> {
        // The threads come first: from the first file on, nothing but the writing itself should be able to fail.
        on_threads(self.threads, || self.write_all(folder, out, progress))
    }

    fn write_all(&self, folder: &Path, out: &OutFolder, progress: &dyn Progress) -> Result<Vec<SoundProblem>> {
        let mut stay = HashSet::new();
        for one in &self.events {
            let path = out.path().join(folder_of(one.number));
            let jobs: Vec<_> = one.wanted_sounds().map(|(name, sound)| (path.join(name), sound.clone())).collect();
            let there = conform::lie_there(&jobs, &one.alignment, folder, &one.conform);
            let names = one.wanted_sounds().zip(there).filter(|(_, there)| *there).map(|((name, _), _)| name);
            stay.extend(names.map(|name| format!("{}{name}", folder_of(one.number))));
        }
        out.begin_keeping(self.alignment, &stay)?;
        let mut problems = Vec::new();
        for one in &self.events {
            let others = self.others(one.number);
            let new = if one.number == 1 {
                one.write(folder, out, &others, progress)?
            } else {
                let out = out.for_event(one.number)?;
                out.begin(&one.alignment)?;
                one.write(folder, &out, &others, progress)?
            };
            let name = |p: SoundProblem| SoundProblem { name: format!("{}{}", folder_of(one.number), p.name), ..p };
            problems.extend(new.into_iter().map(name));
        }
        Ok(problems)
    }

    /// Where the reports of the other events are, from event `number`.
    fn others(&self, number: usize) -> Vec<Elsewhere> {
        let up = if number == 1 { "" } else { "../" };
        self.events
            .iter()
            .filter(|e| e.number != number)
            .map(|e| Elsewhere {
                name: format!("Event {}", e.number),
                words: e.words(),
                href: format!("{up}{}{REPORT}", folder_of(e.number)),
            })
            .collect()
    }
}

impl<'a> OneEvent<'a> {
    /// `None` where there is no such event.
    fn plan(alignment: &'a Alignment, number: usize, options: &'a HandoverOptions) -> Option<Result<Self>> {
        let title = match alignment.events.len() {
            0 => options.title.clone(),
            _ => format!("{}, event {number}", options.title),
        };
        let one = match alignment.events.is_empty() {
            true => Cow::Borrowed(alignment),
            false => Cow::Owned(alignment.event(number)?),
        };
        Some(Self::planned(one, number, options, title))
    }

    fn planned(
        alignment: Cow<'a, Alignment>,
        number: usize,
        options: &'a HandoverOptions,
        title: String,
    ) -> Result<Self> {
        let layout = Layout::with_dead_air(&alignment, &[], &options.frames)?;
        let rate = layout.rate;
        let start = match &options.start {
            Some(text) => Timecode::parse(text, rate)?,
            None => Timecode::from_label([1, 0, 0, 0], rate, rate.counting())?,
        };
        let mut conform = options.conform.clone();
        conform.frame_rate = Some([rate.num(), rate.den()]);
        // A time reference then says what the lists say.
        conform.timeline_start_s = rate.seconds(start.frame());
        conform.replace = true;
        let name = |c: &Conformed| match c.placement {
            SoundPlacement::UnderClip(_) => format!("{UNDER_CLIPS}/{}", c.name),
            SoundPlacement::OnTimeline => format!("{WHOLE}/{}", c.name),
        };
        let sounds = conform::plan(&alignment, &conform)?.into_iter().map(|c| (name(&c), c)).collect();
        Ok(Self { number, alignment, options, title, conform, layout, start, sounds })
    }

    /// How much of what it holds.
    fn words(&self) -> String {
        let files = self.alignment.files().filter(|f| f.is_placed()).count();
        let recordings = self.alignment.recordings.iter().filter(|r| r.files.iter().any(File::is_placed)).count();
        format!("{recordings} recordings, {files} files, {} h", clock_time(self.alignment.timeline.duration_s))
    }

    fn items(&self) -> Result<Vec<Item>> {
        let mut items = vec![Item { name: ALIGNMENT.to_owned(), bytes: None }];
        let bytes = |c: &Conformed| {
            let sample = match self.conform.format {
                SampleFormat::Int16 => 2,
                SampleFormat::Int24 => 3,
                _ => 4,
            };
            WAV_HEADER + c.frames * c.channels as u64 * sample
        };
        items.extend(self.wanted_sounds().map(|(n, c)| Item { name: n.clone(), bytes: Some(bytes(c)) }));
        let mut texts: Vec<String> = Vec::new();
        if self.wants(Part::Edl) {
            texts.extend(self.lists()?.into_iter().map(|l| l.0));
        }
        if self.wants(Part::Timeline) {
            texts.push(TIMELINE.to_owned());
        }
        if self.wants(Part::Markers) {
            texts.extend([MARKERS, CAPTIONS, CHAPTERS].map(str::to_owned));
        }
        if self.wants(Part::Report) {
            texts.push(REPORT.to_owned());
        }
        texts.push(READ_ME.to_owned());
        items.extend(texts.into_iter().map(|name| Item { name, bytes: None }));
        Ok(items)
    }

    fn write(
        &self,
        folder: &Path,
        out: &OutFolder,
        others: &[Elsewhere],
        progress: &dyn Progress,
    ) -> Result<Vec<SoundProblem>> {
        let sounds = self.sound_jobs(out)?;
        let (problems, measured) = both(
            "writing and measuring sound",
            progress,
            |progress| self.write_sound(&sounds, folder, progress),
            |progress| match self.options.parts.iter().all(|p| matches!(p, Part::UnderClips | Part::Whole)) {
                true => Ok(Vec::new()),
                false => measure(&self.alignment, folder, &self.conform.open, progress),
            },
        )?;
        let quiet = match &self.options.dead_air {
            Some(given) => given.clone(),
            None => dead_air(&self.alignment, &measured),
        };
        let layout = Layout::with_dead_air(&self.alignment, &quiet, &self.options.frames)?;
        if self.wants(Part::Edl) {
            for (name, text) in self.lists_of(&layout, &self.there(out))? {
                out.write(&name, text.as_bytes())?;
            }
        }
        let mut moments = heard(&measured);
        moments.extend_from_slice(&self.options.moments);
        let mut marks = marks(&self.alignment, &moments);
        on_frames(&mut marks, &layout);
        if self.wants(Part::Timeline) {
            let media = folder.to_path_buf();
            let references = if self.options.absolute {
                References::Absolute { media }
            } else {
                References::Relative { media, timeline: out.path().to_path_buf() }
            };
            let conformed: Vec<(PathBuf, Conformed)> =
                self.there(out).into_iter().map(|(name, c)| (out.path().join(name), c)).collect();
            let extras =
                Extras { start: Some(self.start), layout: Some(&layout), marks: &marks, conformed: &conformed };
            let text = to_otio(&self.alignment, &self.title, &references, &extras)?;
            out.write(TIMELINE, text.as_bytes())?;
        }
        if self.wants(Part::Markers) {
            out.write(MARKERS, marks_csv(&marks, self.start).as_bytes())?;
            out.write(CAPTIONS, marks_webvtt(&captions(&marks), CAPTION_S).as_bytes())?;
            out.write(CHAPTERS, marks_webvtt(&chapters(&self.alignment), 0.001).as_bytes())?;
        }
        if self.wants(Part::Report) {
            let mut listening = ListenOptions::default();
            listening.open = self.conform.open.clone();
            let checks = listen(&self.alignment, folder, &listening, progress)?;
            let couples = couples(&self.alignment);
            let maps = lag_maps(&self.alignment, folder, &couples, &listening.open, progress)?;
            let pictures = match self.options.thumbnails {
                true => pictures(&self.alignment, folder, &PictureOptions::default(), progress)?,
                false => Pictures::default(),
            };
            let report = Report {
                title: &self.title,
                alignment: &self.alignment,
                layout: &layout,
                start: self.start,
                measured: &measured,
                checks: &checks,
                maps: &maps,
                pictures: &pictures,
                marks: &marks,
                others,
            };
            let mut text = page(&report)?;
            // A report that is still there is of this very alignment, and so is the rough cut in it.
            let earlier = read_text(&out.path().join(REPORT), LARGEST_TEXT).unwrap_or_default();
            if let Some(with) = cut_in(&earlier).and_then(|cut| with_cut(&text, cut)) {
                text = with;
            }
            out.write(REPORT, text.as_bytes())?;
        }
        out.write(READ_ME, self.read_me(out, others).as_bytes())?;
        Ok(problems)
    }

    fn wants(&self, part: Part) -> bool {
        self.options.parts.contains(&part)
    }

    fn wanted_sounds(&self) -> impl Iterator<Item = &(String, Conformed)> {
        self.sounds.iter().filter(|(_, c)| {
            self.wants(match c.placement {
                SoundPlacement::UnderClip(_) => Part::UnderClips,
                SoundPlacement::OnTimeline => Part::Whole,
            })
        })
    }

    /// The sounds to write, and where.
    fn sound_jobs(&self, out: &OutFolder) -> Result<Vec<(PathBuf, Conformed)>> {
        self.wanted_sounds().map(|(name, sound)| Ok((out.place(name)?, sound.clone()))).collect()
    }

    fn write_sound(
        &self,
        jobs: &[(PathBuf, Conformed)],
        folder: &Path,
        progress: &dyn Progress,
    ) -> Result<Vec<SoundProblem>> {
        let written = conform::write_all(jobs, &self.alignment, folder, &self.conform, progress)?;
        let problem = |(name, w): (&String, conform::Written)| match w.path {
            Ok(_) if w.clipped == 0 => None,
            path => Some(SoundProblem { name: name.clone(), error: path.err(), clipped: w.clipped }),
        };
        Ok(self.wanted_sounds().map(|s| &s.0).zip(written).filter_map(problem).collect())
    }

    /// The conformed sound that lies in the folder, of this run or of an earlier one.
    fn there(&self, out: &OutFolder) -> Vec<(String, Conformed)> {
        self.sounds.iter().filter(|(name, _)| out.path().join(name).is_file()).cloned().collect()
    }

    /// All lists, as if all conformed sound were there.
    fn lists(&self) -> Result<Vec<(String, String)>> {
        self.lists_of(&self.layout, &self.sounds)
    }

    /// Names and texts of the edit decision lists.
    fn lists_of(&self, layout: &Layout, sounds: &[(String, Conformed)]) -> Result<Vec<(String, String)>> {
        let conformed: Vec<Conformed> = sounds.iter().map(|s| s.1.clone()).collect();
        let mut taken = HashSet::new();
        let mut all = Vec::new();
        for track in &layout.tracks {
            let content = match track.content {
                Content::Picture => "picture",
                Content::Sound => "sound",
            };
            let stem = rough::untaken(format!("{}.{content}", plain_name(&track.name().replace(' ', "-"))), &mut taken);
            let title = format!("{} {} {content}", self.title, track.name());
            let lists = to_edl(&self.alignment, layout, track, &title, self.start, &conformed)?;
            let many = lists.len() > 1;
            all.extend(lists.into_iter().enumerate().map(|(i, text)| {
                let number = if many { format!(".{}", i + 1) } else { String::new() };
                (format!("edl/{stem}{number}.edl"), text)
            }));
        }
        Ok(all)
    }

    fn read_me(&self, out: &OutFolder, others: &[Elsewhere]) -> String {
        let mut text = String::from("What is in this folder\r\n======================\r\n\r\n");
        // A folder that an earlier run has left empty holds nothing to take in.
        let is_there = |path: PathBuf| path.is_file() || coeval_shoot::files_below(&path).is_ok_and(|f| !f.is_empty());
        for (name, what) in CONTENTS.iter().filter(|(name, _)| is_there(out.path().join(name))) {
            // Writing to a String cannot fail.
            let _ = write!(text, "{name}\r\n    {what}\r\n");
        }
        let unplaced: Vec<&str> = self.alignment.files().filter(|f| f.is_left_out()).map(|f| f.path.as_str()).collect();
        let _ = write!(
            text,
            "\r\nThe timeline has {} fps. It starts at timecode {}: times in lists include it. The header of each sound file\r\n\
             (bext) has its start in the same timecode, as samples since midnight.\r\n\
             Its reference clock is that of {}. Do not move the recordings or the files in sound/: your editor\r\n\
             would have to find them again.\r\n",
            self.layout.rate,
            self.start,
            one_line(&self.alignment.timeline.clock)
        );
        if is_there(out.path().join(UNDER_CLIPS)) {
            text.push_str(
                "\r\nOn opening the timeline you hear the recorder and all cameras. For a clip, switch on its track \"camera with\r\n\
                 recorder\", and switch off the recorder's own track and the sound of the cameras.\r\n",
            );
        }
        if !unplaced.is_empty() {
            let names = unplaced.iter().map(|n| one_line(n)).collect::<Vec<_>>().join(", ");
            let reasons = if is_there(out.path().join(REPORT)) { "The report" } else { ALIGNMENT };
            let _ = write!(text, "\r\nUnplaced: {names}. {reasons} gives the reasons.\r\n");
        }
        let copies = self.alignment.files().filter_map(|f| Some((f, f.copy_of.as_ref()?)));
        let copies: Vec<String> =
            copies.map(|(f, of)| format!("{} (of {})", one_line(&f.path), one_line(of))).collect();
        if !copies.is_empty() {
            let _ = write!(text, "\r\nCopies that are not used: {}.\r\n", copies.join(", "));
        }
        let sounds = self.alignment.files().filter_map(|f| Some((f, f.better_sound_of.as_ref()?)));
        let sounds: Vec<String> =
            sounds.map(|(f, clip)| format!("{} (of {})", one_line(&f.path), one_line(clip))).collect();
        if !sounds.is_empty() {
            let _ = write!(text, "\r\nFiles with better sound of a clip: {}.\r\n", sounds.join(", "));
        }
        let doubtful = self.alignment.files().filter(|f| self.alignment.is_doubtful(f));
        let doubtful: Vec<String> = doubtful.map(|f| one_line(&f.path)).collect();
        if !doubtful.is_empty() {
            let _ = write!(
                text,
                "\r\nTo be checked (confidence below 99 %): {}. They are on separate tracks, which are switched off.\r\n",
                doubtful.join(", ")
            );
        }
        if !others.is_empty() {
            let _ = write!(
                text,
                "\r\nThis is event {}. The recordings hold several events that share no sound. Each has its own timeline.\r\n",
                self.number
            );
            for other in others {
                let _ = write!(text, "{}: {}\r\n    {}\r\n", other.name, other.words, other.href);
            }
        }
        text.push_str(
            "\r\nBefore you publish: radio traffic may be unlawful to publish, and everybody recorded must have agreed.\r\n\
             Turn headphones down before you listen.\r\n",
        );
        text
    }
}

/// Claps and turns of speech that were found.
fn heard(measured: &[(String, Result<Measured>)]) -> Vec<Moment> {
    let mut moments = Vec::new();
    for (file, measured) in measured.iter().filter_map(|(file, m)| Some((file, m.as_ref().ok()?))) {
        let moment = |kind: &str, name: &str, file_s, length_s| Moment {
            file: file.clone(),
            file_s,
            length_s,
            kind: kind.to_owned(),
            name: name.to_owned(),
        };
        moments.extend(measured.claps.iter().map(|c| moment("clap", "", c.time_s, 0.0)));
        moments.extend(measured.speech.iter().map(|s| moment("speech", "speech", s.start_s, s.end_s - s.start_s)));
    }
    moments
}

/// Where recorders ran and nobody spoke to any of them, on the timeline.
fn dead_air(alignment: &Alignment, measured: &[(String, Result<Measured>)]) -> Vec<(f64, f64)> {
    let (mut spans, mut speech) = (Vec::new(), Vec::new());
    for recording in alignment.recordings.iter().filter(|r| r.kind == Kind::Recorder) {
        for file in recording.listened() {
            let (Some(map), Some((_, Ok(of)))) = (file.map(), measured.iter().find(|m| m.0 == file.path)) else {
                continue;
            };
            spans.push((map.knots()[0].1, map.knots()[map.knots().len() - 1].1));
            speech.extend(of.speech.iter().map(|s| (map.forward(s.start_s), map.forward(s.end_s))));
        }
    }
    speech.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut quiet = Vec::new();
    for (start_s, to_s) in spans {
        let mut at_s = start_s;
        for &(from_s, until_s) in speech.iter().filter(|s| s.1 > start_s && s.0 < to_s) {
            if from_s > at_s {
                quiet.push((at_s, from_s));
            }
            at_s = at_s.max(until_s);
        }
        if to_s > at_s {
            quiet.push((at_s, to_s));
        }
    }
    quiet
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::tests::example;
    use coeval_listen::speech::SpeechSegment;

    #[test]
    fn dead_air_is_where_a_recorder_ran_and_nobody_spoke() {
        let dir = tempfile::tempdir().unwrap();
        let wav = coeval_media::WavOptions::new(8000, 1);
        let mut writer = coeval_media::WavWriter::create(&dir.path().join("R.FLAC"), wav).unwrap();
        writer.write(&[0.0; 16_000]).unwrap();
        writer.finish().unwrap();
        let alignment = example();
        let mut measured = measure(&alignment, dir.path(), &Default::default(), &()).unwrap();
        measured.retain(|m| m.0 == "R.FLAC");
        let of = measured[0].1.as_mut().unwrap();
        assert!(of.speech.is_empty() && of.claps.is_empty());
        // The recorder lies at 0.01 s, 50 ppm slow, and ran for 199 s.
        assert_eq!(dead_air(&alignment, &measured), [(0.01, 199.019_95)]);
        let of = measured[0].1.as_mut().unwrap();
        of.speech = vec![SpeechSegment::new(0.0, 20.0).unwrap(), SpeechSegment::new(40.0, 60.0).unwrap()];
        let quiet = dead_air(&alignment, &measured);
        let expected = [(20.011, 40.012), (60.013, 199.019_95)];
        assert!(
            quiet.iter().zip(expected).all(|(q, e)| (q.0 - e.0).abs() < 1e-9 && (q.1 - e.1).abs() < 1e-9),
            "{quiet:?}"
        );
        assert_eq!(quiet.len(), 2);
        let speech: Vec<Moment> = heard(&measured).into_iter().filter(|m| m.kind == "speech").collect();
        assert_eq!((speech.len(), speech[1].file_s, speech[1].length_s), (2, 40.0, 20.0));
    }
}
