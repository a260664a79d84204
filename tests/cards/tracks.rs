//! Several tracks of one recorder: channels of one file, or files that were written at once. They are one recording with one
//! map; what says anything aligns it, and a few of them go under clips.

use std::path::Path;

use coeval_media::{Bext, OpenOptions, SampleFormat, SoundReader, WavOptions, WavWriter, probe};
use coeval_shoot::Alignment;
use coeval_tests::shoot::{Noise, RATE_HZ, coeval, event, heard};

use crate::{aligned, card, out};

/// What a device hears of the event from so many seconds on, for so many.
fn sound(from_s: usize, seconds: usize, seed: u64) -> Vec<f32> {
    let at = |s: usize| s * RATE_HZ as usize;
    heard(&event(80)[at(from_s)..at(from_s + seconds)], seed)
}

/// An input that nobody uses: noise and hum.
fn unused(seconds: usize, level: f32, seed: u64) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    let hum = |i: usize| (std::f32::consts::TAU * 50.0 * i as f32 / RATE_HZ as f32).sin();
    (0..seconds * RATE_HZ as usize).map(|i| level * (noise.sample() + hum(i))).collect()
}

fn write(path: &Path, channels: &[Vec<f32>], at_s: Option<f64>, ixml: Option<String>) {
    let reference = |s: f64| (s * f64::from(RATE_HZ)).round() as u64;
    let bext = at_s.map(|s| Bext { time_reference: reference(s), ..Bext::default() });
    let options = WavOptions { format: SampleFormat::Int16, bext, ixml, ..WavOptions::new(RATE_HZ, channels.len()) };
    let mut writer = WavWriter::create(path, options).unwrap();
    let block: Vec<f32> = (0..channels[0].len()).flat_map(|i| channels.iter().map(move |c| c[i])).collect();
    writer.write(&block).unwrap();
    writer.finish().unwrap();
}

/// As a recorder writes it; the names are its channels'.
fn ixml(names: &[&str]) -> String {
    let track = |(name, i): (&&str, usize)| {
        format!(
            "<TRACK><CHANNEL_INDEX>{i}</CHANNEL_INDEX><INTERLEAVE_INDEX>{i}</INTERLEAVE_INDEX><NAME>{name}</NAME></TRACK>"
        )
    };
    let tracks: String = names.iter().zip(1..).map(track).collect();
    format!(
        "<?xml version=\"1.0\"?><BWFXML><PROJECT>Soundings</PROJECT><SCENE>4 &amp; 5</SCENE><TAKE>2</TAKE>\
         <TAPE>roll 1</TAPE><UBITS>$01020304</UBITS><TRACK_LIST>{tracks}</TRACK_LIST></BWFXML>"
    )
}

fn under_stern(shoot: &Path, parts: &str, more: &[&str]) -> (Alignment, String) {
    let (alignment, ran) = aligned(shoot, 0, parts, &[&["--kind", "stern.wav=camera"], more].concat());
    (alignment, ran.out + &ran.err)
}

fn starts_s(alignment: &Alignment, path: &str) -> f64 {
    alignment.map(path).unwrap_or_else(|| panic!("{path} has no place: {:?}", alignment.file(path))).forward(0.0)
}

/// Correlation of a WAV's channel with what was written into another file, without lag.
fn like(path: &Path, channel: usize, what: &[f32]) -> f64 {
    let mut reader = SoundReader::open(path, &OpenOptions::default()).unwrap();
    let sound = reader.sound().unwrap();
    let step = (sound.rate_hz / RATE_HZ) as usize;
    let mut all = Vec::new();
    reader
        .read_to_end(|block, _| {
            all.extend_from_slice(block);
            Ok(())
        })
        .unwrap();
    let mine = all.iter().skip(channel).step_by(sound.channels).step_by(step);
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in mine.zip(what).map(|(x, y)| (f64::from(*x), f64::from(*y))) {
        (xy, xx, yy) = (xy + x * y, xx + x * x, yy + y * y);
    }
    xy / (xx * yy).sqrt()
}

#[test]
fn one_useful_channel_of_eight_is_enough_and_goes_under_the_clip() {
    let (_dir, shoot) = card();
    let mut channels: Vec<Vec<f32>> =
        [0.4, 0.003, 0.2, 0.0, 0.1, 0.001, 0.4].iter().zip(7..).map(|(level, seed)| unused(40, *level, seed)).collect();
    // Forty decibels below what nobody uses.
    let boom: Vec<f32> = sound(0, 40, 1).iter().map(|x| 0.05 * x).collect();
    channels.insert(4, boom);
    let names = ["Mix L", "", "Lav 1", "", "Boom", "Lav 2", "Plant", "Spare"];
    write(&shoot.join("bow.wav"), &channels, Some(36_000.25), Some(ixml(&names)));
    write(&shoot.join("stern.wav"), &[sound(6, 40, 2)], None, None);
    let (alignment, _) = under_stern(&shoot, ",sound", &[]);
    assert!((starts_s(&alignment, "stern.wav") - starts_s(&alignment, "bow.wav") - 6.0).abs() < 1e-3);
    let bow = alignment.file("bow.wav").unwrap();
    assert_eq!(bow.compared.as_deref(), Some(&[5][..]));
    assert_eq!(bow.ixml.as_ref().unwrap().tracks, names);
    let under = out(&shoot).join("sound/under-clips/stern.sound-of-bow.wav");
    let info = probe(&under, &OpenOptions::default()).unwrap();
    assert_eq!(info.sound.unwrap().channels, 1);
    let said = info.ixml.unwrap();
    let about = [&said.project, &said.scene, &said.take, &said.tape, &said.user_bits];
    assert_eq!(about, ["Soundings", "4 & 5", "2", "roll 1", "$01020304"]);
    assert_eq!((&said.tracks[..], &said.numbers[..]), (&["Boom".to_owned()][..], &[5][..]));
    assert!(like(&under, 0, &sound(6, 40, 2)) > 0.5);
    // The whole file keeps all that it has.
    let whole = probe(&out(&shoot).join("sound/whole/bow.on-timeline.wav"), &OpenOptions::default());
    let whole = whole.unwrap();
    assert_eq!((whole.sound.unwrap().channels, &whole.ixml.unwrap().tracks[..]), (8, &names.map(String::from)[..]));

    // What is asked for, in that order.
    under_stern(&shoot, ",under-clips", &["--tracks", "1,boo*"]);
    let info = probe(&under, &OpenOptions::default()).unwrap();
    assert_eq!((info.sound.unwrap().channels, info.ixml.unwrap().tracks), (2, vec!["Mix L".to_owned(), "Boom".into()]));
    assert!(like(&under, 0, &sound(6, 40, 2)).abs() < 0.1 && like(&under, 1, &sound(6, 40, 2)) > 0.5);
    let out = out(&shoot);
    let wrong = coeval(&[&"align", &shoot, &"-o", &out, &"--kind", &"stern.wav=camera", &"--tracks", &"Brass"]);
    assert!(
        wrong.code == 1 && wrong.err.contains("no recorder has a track \"Brass\"; there are 1 to 9, Mix L"),
        "{wrong:?}"
    );
}

#[test]
fn files_that_were_written_at_once_are_one_recording() {
    let (_dir, shoot) = card();
    let boom = sound(0, 40, 1);
    for (chapter, from_s) in [(1, 0), (2, 40)] {
        let seed = |track: u64| 10 * chapter + track;
        let tracks = [
            unused(40, 0.1, seed(1)),
            sound(from_s, 40, seed(2)),
            unused(40, 0.01, seed(3)),
            sound(from_s, 40, seed(4)),
        ];
        for (track, number) in tracks.into_iter().zip(1..) {
            let path = shoot.join(format!("R{chapter:02}_Tr{number}.wav"));
            write(&path, &[track], Some(36_000.25 + from_s as f64), None);
        }
    }
    write(&shoot.join("stern.wav"), &[sound(6, 70, 2)], None, None);
    let (alignment, said) = under_stern(&shoot, ",sound", &["--reference", "stern.wav"]);
    assert_eq!(alignment.recordings.len(), 2, "{said}");
    for (chapter, starts) in [("R01", 6.0), ("R02", -34.0)] {
        let first = alignment.file(&format!("{chapter}_Tr1.wav")).unwrap();
        assert!((starts_s(&alignment, "stern.wav") - starts_s(&alignment, &first.path) - starts).abs() < 1e-3);
        assert_eq!((first.compared.as_deref(), first.track_of.as_deref()), (Some(&[][..]), None));
        for number in 2..=4 {
            let file = alignment.file(&format!("{chapter}_Tr{number}.wav")).unwrap();
            assert_eq!((&file.knots, file.track_of.as_ref()), (&first.knots, Some(&first.path)));
            assert_eq!(file.compared.is_some(), number == 3);
        }
    }
    // Those that say something, under the clip: tracks 2 and 4.
    let out = out(&shoot);
    let under: Vec<_> = std::fs::read_dir(out.join("sound/under-clips")).unwrap().flatten().collect();
    assert_eq!(under.len(), 1);
    let info = probe(&under[0].path(), &OpenOptions::default()).unwrap();
    assert_eq!((info.sound.unwrap().channels, info.ixml.unwrap().numbers), (2, vec![2, 4]));
    assert!(like(&under[0].path(), 0, &boom[6 * RATE_HZ as usize..]) > 0.9);
    assert_eq!(std::fs::read_dir(out.join("sound/whole")).unwrap().count(), 8);
    // Each has a track of its own on the timeline.
    let otio = std::fs::read_to_string(out.join("timeline.otio")).unwrap();
    assert_eq!((1..=4).filter(|n| otio.contains(&format!("R02_Tr{n}.wav"))).count(), 4);
}

#[test]
fn without_headers_the_sound_tells_tracks_from_devices_and_chapters() {
    let (_dir, shoot) = card();
    // Two microphones of one recorder, in two files of one length.
    write(&shoot.join("take-boom.wav"), &[sound(0, 30, 1)], None, None);
    write(&shoot.join("take-lav.wav"), &[sound(0, 30, 3)], None, None);
    // Two devices whose files are as long, but begin at other moments.
    write(&shoot.join("mic-a.wav"), &[sound(3, 30, 4)], None, None);
    write(&shoot.join("mic-b.wav"), &[sound(9, 30, 5)], None, None);
    // Chapters of one length.
    write(&shoot.join("V_01.wav"), &[sound(0, 25, 6)], None, None);
    write(&shoot.join("V_02.wav"), &[sound(25, 25, 6)], None, None);
    let (alignment, _) = aligned(&shoot, 0, "", &[]);
    let tracks: Vec<_> = alignment.files().filter(|f| f.track_of.is_some()).map(|f| f.path.as_str()).collect();
    assert_eq!(tracks, ["take-lav.wav"]);
    let knots = |path: &str| alignment.file(path).unwrap().knots.clone();
    assert_eq!(knots("take-lav.wav"), knots("take-boom.wav"));
    assert!((starts_s(&alignment, "mic-b.wav") - starts_s(&alignment, "take-boom.wav") - 9.0).abs() < 1e-3);
    let chapters = alignment.recordings.iter().find(|r| r.files.iter().any(|f| f.path == "V_01.wav")).unwrap();
    assert_eq!(chapters.files.len(), 2);
    // The user's word: each is a device.
    let (alignment, _) = aligned(&shoot, 0, "", &["--keep-apart"]);
    assert_eq!(alignment.recordings.len(), 6);
}
