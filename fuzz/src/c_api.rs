//! The C library, called in any order with anything that its contract allows: NULL, handles of the wrong type, numbers
//! that are none, unknown enum values, buffers of any size.
#![allow(unsafe_code, reason = "every function of the C library is unsafe to call")]

use std::ffi::{CStr, CString, c_char, c_void};
use std::mem::size_of;
use std::ptr::{null, null_mut};

use coeval_fuzz_c::clock::*;
use coeval_fuzz_c::level::*;
use coeval_fuzz_c::limit::*;
use coeval_fuzz_c::marker::*;
use coeval_fuzz_c::pair::*;
use coeval_fuzz_c::resample::*;
use coeval_fuzz_c::shoot::*;
use coeval_fuzz_c::speech::*;
use coeval_fuzz_c::status::*;
use coeval_fuzz_c::tighten::*;
use coeval_fuzz_c::track::*;
use coeval_fuzz_c::voices::*;

use crate::feed::Feed;

/// Calls in one run at most, and samples in one block.
const CALLS: usize = 96;
const BLOCK: usize = 8192;

/// The handles that are alive, of each type up to three; empty places are NULL.
macro_rules! handles {
    ($($name:ident: $type:ty, $free:path;)*) => {
        struct Handles {
            /// Two that stay, of different types, for where another type is expected.
            aliens: [*mut c_void; 2],
            $($name: [*mut $type; 3],)*
        }

        impl Handles {
            fn new() -> Self {
                let aliens = [coeval_speech_options_new().cast(), coeval_shoot_new().cast()];
                Self { aliens, $($name: [null_mut(); 3],)* }
            }
        }

        impl Drop for Handles {
            fn drop(&mut self) {
                // SAFETY: each is NULL or alive, and nobody else uses it; the aliens are of these types.
                unsafe {
                    coeval_speech_options_free((&raw mut self.aliens[0]).cast());
                    coeval_shoot_free((&raw mut self.aliens[1]).cast());
                }
                $(for handle in &mut self.$name {
                    // SAFETY: NULL or alive, and nobody else uses it; then NULL.
                    unsafe { $free(handle) };
                    assert!(handle.is_null());
                    // SAFETY: as above.
                    unsafe { $free(handle) };
                })*
            }
        }
    };
}

handles! {
    alignments: coeval_alignment, coeval_alignment_free;
    builders: coeval_track_builder, coeval_track_builder_free;
    curves: coeval_speech_curve, coeval_speech_curve_free;
    detectors: coeval_marker_detector, coeval_marker_detector_free;
    errors: coeval_error, coeval_error_free;
    limiters: coeval_limiter, coeval_limiter_free;
    listeners: coeval_speech_builder, coeval_speech_builder_free;
    maps: coeval_clock_map, coeval_clock_map_free;
    marker_options: coeval_marker_options, coeval_marker_options_free;
    matches: coeval_marker_match, coeval_marker_match_free;
    meters: coeval_level_meter, coeval_level_meter_free;
    pair_options: coeval_pair_options, coeval_pair_options_free;
    pairs: coeval_pair, coeval_pair_free;
    plans: coeval_plan, coeval_plan_free;
    reports: coeval_level_report, coeval_level_report_free;
    resample_options: coeval_resample_options, coeval_resample_options_free;
    resamplers: coeval_resampler, coeval_resampler_free;
    segments: coeval_speech_segments, coeval_speech_segments_free;
    shared: coeval_shared_meter, coeval_shared_meter_free;
    shoots: coeval_shoot, coeval_shoot_free;
    speech_options: coeval_speech_options, coeval_speech_options_free;
    tighten_options: coeval_tighten_options, coeval_tighten_options_free;
    tracks: coeval_track, coeval_track_free;
    voices: coeval_voices, coeval_voices_free;
}

unsafe extern "C" fn listen(user: *mut c_void, stage: *const c_char, done: f64) -> i32 {
    // SAFETY: the library hands back our counter, one thread at a time, and a text.
    unsafe {
        assert!(!CStr::from_ptr(stage).to_bytes().is_empty() && (0.0..=1.0).contains(&done));
        if user.is_null() {
            return 0;
        }
        let left = &mut *user.cast::<u32>();
        *left = left.saturating_sub(1);
        i32::from(*left == 0)
    }
}

/// Reads a text of the library's to its end.
fn look(text: *const c_char) {
    if !text.is_null() {
        // SAFETY: texts of the library end in NUL and live as long as their handle.
        let _ = unsafe { CStr::from_ptr(text) }.to_bytes().len();
    }
}

const ALIGNMENT: &CStr = c"{\"schema\":\"coeval.alignment/1\",\"generator\":{\"name\":\"coeval\",\"version\":\"0\"},\"timeline\":{\"clock\":\"cam\",\"duration_s\":60},\"recordings\":[{\"id\":\"cam\",\"kind\":\"camera\",\"files\":[{\"path\":\"c.mp4\",\"status\":\"placed\",\"reason\":null,\"duration_s\":60,\"confidence\":1,\"uncertainty_s\":0,\"offset_s\":0,\"drift_ppm\":0,\"knots\":[[0,0],[60,60]],\"jumps\":[],\"picture\":{\"frame_rate\":[25,1],\"variable_rate\":false,\"size\":[64,36],\"start_s\":0,\"duration_s\":60},\"sound\":{\"codec\":\"PCM\",\"rate_hz\":48000,\"channels\":1}}]}],\"pairs\":[]}";
const SPEECH: &CStr = c"{\"schema\":\"coeval.speech/1\",\"placed\":[[\"c.mp4\",[[0,0],[60,60]]]],\"recorder\":\"cam\",\"loudness_lufs\":-20,\"voices\":[{\"start_s\":5,\"end_s\":9,\"origin\":\"intercom\",\"confidence\":1,\"heard_by\":[[\"cam\",8]]},{\"start_s\":40,\"end_s\":44,\"origin\":\"radio\",\"confidence\":0.9,\"heard_by\":[]}],\"events\":[]}";

/// A random sequence of calls.
pub fn c_api(data: &[u8]) {
    let mut feed = Feed::new(data);
    let mut h = Handles::new();
    // SAFETY: every pointer that is handed over below is NULL, a live handle (perhaps of the wrong type, which the
    // contract allows), or points to as many values as the call says; one thread calls.
    unsafe {
        h.errors[0] = coeval_error_new();
        for _ in 0..CALLS {
            if feed.is_empty() {
                break;
            }
            call(&mut feed, &mut h);
            let status = coeval_error_status(h.errors[0]);
            assert!(status != coeval_status::COEVAL_INTERNAL, "a fault inside");
            look(coeval_error_text(h.errors[0]));
            look(coeval_error_message(h.errors[0]));
            look(coeval_error_path(h.errors[0]));
            look(coeval_error_remedy(h.errors[0]));
        }
    }
}

/// One call.
///
/// # Safety
/// The handles in `h` are alive or NULL.
unsafe fn call(feed: &mut Feed<'_>, h: &mut Handles) {
    macro_rules! some {
        ($list:ident) => {
            match feed.byte() {
                0..6 => null_mut(),
                6..12 => h.aliens[feed.below(2)].cast(),
                n => h.$list[usize::from(n) % 3],
            }
        };
    }
    // A place for a new handle: what is there goes first.
    macro_rules! place {
        ($list:ident, $free:path) => {{
            let slot = &raw mut h.$list[feed.below(3)];
            $free(slot);
            if feed.byte() < 3 { null_mut() } else { slot }
        }};
    }
    macro_rules! slot {
        ($list:ident) => {
            if feed.byte() < 3 { null_mut() } else { &raw mut h.$list[feed.below(3)] }
        };
    }
    macro_rules! filled {
        ($type:ty, $call:expr) => {{
            let mut out = std::mem::MaybeUninit::<$type>::zeroed();
            let known = if feed.byte() < 10 { feed.below(size_of::<$type>()) } else { size_of::<$type>() };
            // A struct says its size in its first member.
            out.as_mut_ptr().cast::<usize>().write(known);
            let to = if feed.byte() < 3 { null_mut() } else { out.as_mut_ptr() };
            let _: coeval_status = $call(to);
        }};
    }
    // Lists are asked for with a buffer of any size.
    macro_rules! listed {
        ($type:ty, $call:expr) => {{
            let capacity = feed.below(20);
            let mut out: Vec<$type> = Vec::with_capacity(capacity);
            let to = if feed.byte() < 10 { null_mut() } else { out.as_mut_ptr() };
            let _: usize = $call(to, capacity);
        }};
    }
    let error = some!(errors);
    let channels = [1usize, 2, 64][feed.below(3)];
    let mut block: Vec<f32>;
    let mut frames: usize;
    macro_rules! block {
        () => {{
            block = feed.sound(BLOCK);
            // Whatever the handle's channels are, so many frames are there.
            frames = block.len() / 64;
            if channels == 1 && feed.byte() < 200 {
                // Most handles are mono or stereo; the sound is long enough for two.
                block.resize(BLOCK * 64, 0.0);
                frames = BLOCK;
            }
            if feed.byte() < 3 { null() } else { block.as_ptr() }
        }};
    }
    macro_rules! planes {
        () => {{
            let one: *const f32 = block!();
            frames = frames.min(block.len());
            [one; 64]
        }};
    }
    let text = CString::new(feed.text().replace('\0', "")).unwrap_or_default();
    let other = CString::new(feed.text().replace('\0', "")).unwrap_or_default();
    let texts = [text.as_ptr(), other.as_ptr(), c"bow".as_ptr(), c"stern".as_ptr(), c"12.5".as_ptr(), null()];
    macro_rules! word {
        () => {
            texts[feed.below(texts.len())]
        };
    }
    let index = if feed.byte() < 10 { usize::MAX } else { feed.below(5) };
    let mut left = 1 + u32::from(feed.byte());
    let user: *mut c_void = if feed.flag() { null_mut() } else { (&raw mut left).cast() };
    let progress: coeval_fuzz_c::progress::coeval_progress_fn = if feed.flag() { None } else { Some(listen) };
    // SAFETY: see the caller; buffers are as long as is said.
    unsafe {
        match feed.below(86) {
            0 => {
                let knots: Vec<coeval_knot> = (0..feed.below(6))
                    .map(|i| coeval_knot { file_s: i as f64 * feed.tame(), timeline_s: feed.any_f64() })
                    .collect();
                let _ = coeval_clock_map_from_knots(
                    knots.as_ptr(),
                    knots.len(),
                    place!(maps, coeval_clock_map_free),
                    error,
                );
            }
            1 => {
                let (offset_s, drift_ppm, length_s) =
                    (feed.within(-100.0, 100.0), feed.within(-500.0, 500.0), feed.within(0.0, 1000.0));
                let to = place!(maps, coeval_clock_map_free);
                let _ = coeval_clock_map_linear(offset_s, drift_ppm, length_s, to, error);
            }
            2 => {
                let map = some!(maps);
                coeval_clock_map_to_timeline(map, feed.any_f64());
                coeval_clock_map_to_file(map, feed.any_f64());
                listed!(coeval_knot, |to, n| coeval_clock_map_knots(map, to, n));
            }
            3 => coeval_clock_map_free(slot!(maps)),
            4..6 => {
                let rate = feed.rate();
                let _ = coeval_track_builder_new(rate, channels, place!(builders, coeval_track_builder_free), error);
            }
            6..12 => {
                let builder = some!(builders);
                let _ = coeval_track_builder_push_interleaved(builder, block!(), frames, error);
            }
            12 => {
                let builder = some!(builders);
                let planes = planes!();
                let _ = coeval_track_builder_push_planar(builder, planes.as_ptr(), frames, error);
            }
            13..16 => {
                let from = slot!(builders);
                let _ = coeval_track_builder_finish(from, place!(tracks, coeval_track_free), error);
            }
            16 => {
                let track = some!(tracks);
                coeval_track_duration_s(track);
                coeval_track_is_silent(track);
            }
            17 => coeval_track_free(slot!(tracks)),
            18 => {
                let i = feed.below(3);
                coeval_pair_options_free(&mut h.pair_options[i]);
                h.pair_options[i] = coeval_pair_options_new();
            }
            19 => {
                let options = some!(pair_options);
                let _ = coeval_pair_options_set_max_drift_ppm(options, feed.within(0.0, 1200.0), error);
                let (low, high) = (feed.any_f64(), feed.any_f64());
                let _ = coeval_pair_options_set_offset_range_s(options, low, high, error);
                let _ = coeval_pair_options_set_threads(options, feed.within(0.0, 4.0) as usize, error);
            }
            20..22 => {
                let (a, b, options) = (some!(tracks), some!(tracks), some!(pair_options));
                let to = place!(pairs, coeval_pair_free);
                let _ = coeval_pair_align(a, b, options, progress, user, to, error);
            }
            22 => {
                let pair = some!(pairs);
                filled!(coeval_pair_summary, |to| coeval_pair_get_summary(pair, to, error));
                look(coeval_pair_reason(pair));
                look(coeval_pair_to_json(pair));
            }
            23 => {
                let pair = some!(pairs);
                listed!(coeval_knot, |to, n| coeval_pair_knots(pair, to, n));
                listed!(coeval_pair_jump, |to, n| coeval_pair_jumps(pair, to, n));
                listed!(coeval_evidence, |to, n| coeval_pair_evidence(pair, to, n));
            }
            24 => {
                let pair = some!(pairs);
                let _ = coeval_pair_clock_map(pair, place!(maps, coeval_clock_map_free), error);
            }
            25 => {
                let i = feed.below(3);
                coeval_resample_options_free(&mut h.resample_options[i]);
                h.resample_options[i] =
                    coeval_resample_options_new(feed.rate(), feed.rate(), channels, u64::from(feed.u32() % 50_000));
            }
            26 => {
                let options = some!(resample_options);
                let _ = coeval_resample_options_set_start_s(options, feed.within(-50.0, 50.0), error);
                let _ = coeval_resample_options_set_source_frames(options, u64::from(feed.u32()), error);
                let _ = coeval_resample_options_set_fade_s(options, feed.within(0.0, 1.0), error);
            }
            27 => {
                let (source, clip, options) = (some!(maps), some!(maps), some!(resample_options));
                let to = place!(resamplers, coeval_resampler_free);
                let _ = coeval_resampler_new(source, clip, options, to, error);
            }
            28..31 => {
                let resampler = some!(resamplers);
                let mut frame = 0;
                let to = if feed.byte() < 3 { null_mut() } else { &raw mut frame };
                coeval_resampler_wants(resampler, to);
                if feed.flag() {
                    let _ = coeval_resampler_push_interleaved(resampler, block!(), frames, error);
                } else {
                    let planes = planes!();
                    let _ = coeval_resampler_push_planar(resampler, planes.as_ptr(), frames, error);
                    let at = frame.saturating_sub(feed.below(frames + 2) as u64);
                    let _ = coeval_resampler_push_at_planar(resampler, at, planes.as_ptr(), frames, error);
                    let _ = coeval_resampler_push_at_interleaved(resampler, at, block!(), frames, error);
                }
            }
            31 => {
                let resampler = some!(resamplers);
                if feed.flag() {
                    let _ = coeval_resampler_end_of_source(resampler, error);
                } else {
                    let _ = coeval_resampler_reset(resampler, feed.within(-50.0, 50.0), error);
                }
                let done = coeval_resampler_done(resampler) == 1;
                assert!(!done || coeval_resampler_available(resampler) == 0);
            }
            32..34 => {
                let resampler = some!(resamplers);
                let capacity = feed.below(3000);
                let (mut out, mut presence, mut n) = (vec![0f32; capacity * 64], vec![0f32; capacity], 0usize);
                let presence = if feed.flag() { null_mut() } else { presence.as_mut_ptr() };
                let _ =
                    coeval_resampler_pull_interleaved(resampler, out.as_mut_ptr(), capacity, presence, &mut n, error);
                assert!(n <= capacity);
            }
            34 => {
                let resampler = some!(resamplers);
                let capacity = feed.below(500);
                let mut out: Vec<Vec<f32>> = (0..64).map(|_| vec![0f32; capacity]).collect();
                let planes: Vec<*mut f32> = out.iter_mut().map(|p| p.as_mut_ptr()).collect();
                let mut n = 0usize;
                let _ = coeval_resampler_pull_planar(resampler, planes.as_ptr(), capacity, null_mut(), &mut n, error);
                assert!(n <= capacity);
            }
            35 => {
                let rate = feed.rate().trunc();
                let _ = coeval_level_meter_new_hz(rate, channels, place!(meters, coeval_level_meter_free), error);
            }
            36 => {
                let meter = some!(meters);
                let _ = coeval_level_meter_push_interleaved(meter, block!(), frames, error);
            }
            37 => {
                let meter = some!(meters);
                let planes = planes!();
                let _ = coeval_level_meter_push_planar(meter, planes.as_ptr(), frames, error);
            }
            38 => {
                let from = slot!(meters);
                let _ = coeval_level_meter_finish(from, place!(reports, coeval_level_report_free), error);
            }
            39 => {
                let report = some!(reports);
                filled!(coeval_level_summary, |to| coeval_level_report_get_summary(report, to, error));
                filled!(coeval_channel_level, |to| coeval_level_report_get_channel(report, index, to, error));
                let what = i32::from(feed.byte() % 6) - 1;
                listed!(coeval_stretch, |to, n| coeval_level_report_stretches(report, what, to, n));
                let mut serious = 0;
                look(coeval_level_report_advice(report, index, &mut serious));
            }
            40 => {
                let (rate, limit) = (feed.rate(), feed.within(-60.0, 0.0));
                let _ = coeval_limiter_new(rate, channels, limit, place!(limiters, coeval_limiter_free), error);
            }
            41 => {
                let limiter = some!(limiters);
                let _ = coeval_limiter_push_interleaved(limiter, block!(), frames, error);
            }
            42 => {
                let limiter = some!(limiters);
                let planes = planes!();
                let _ = coeval_limiter_push_planar(limiter, planes.as_ptr(), frames, error);
                if feed.flag() {
                    let _ = coeval_limiter_end(limiter, error);
                }
            }
            43 => {
                let limiter = some!(limiters);
                let capacity = feed.below(3000);
                let (mut out, mut n) = (vec![0f32; capacity * 64], 0usize);
                let _ = coeval_limiter_pull_interleaved(limiter, out.as_mut_ptr(), capacity, &mut n, error);
                assert!(n <= capacity);
                let mut out: Vec<Vec<f32>> = (0..64).map(|_| vec![0f32; 9]).collect();
                let planes: Vec<*mut f32> = out.iter_mut().map(|p| p.as_mut_ptr()).collect();
                let _ = coeval_limiter_pull_planar(limiter, planes.as_ptr(), 9, &mut n, error);
            }
            44 => {
                let i = feed.below(3);
                coeval_marker_options_free(&mut h.marker_options[i]);
                h.marker_options[i] = coeval_marker_options_new();
                let options = some!(marker_options);
                let _ = coeval_marker_options_set_min_peak_dbfs(options, feed.within(-120.0, 0.0), error);
                let _ = coeval_marker_options_set_min_score(options, feed.within(-5.0, 5.0), error);
            }
            45 => {
                let (rate, options) = (feed.rate(), some!(marker_options));
                let to = place!(detectors, coeval_marker_detector_free);
                let _ = coeval_marker_detector_new(rate, channels, options, to, error);
            }
            46..48 => {
                let detector = some!(detectors);
                let _ = coeval_marker_detector_push_interleaved(detector, block!(), frames, error);
            }
            48 => {
                let detector = some!(detectors);
                let planes = planes!();
                let _ = coeval_marker_detector_push_planar(detector, planes.as_ptr(), frames, error);
            }
            49 => {
                let detector = some!(detectors);
                let _ = coeval_marker_detector_end(detector, error);
                coeval_marker_detector_count(detector);
                filled!(coeval_marker, |to| coeval_marker_detector_get(detector, index, to, error));
            }
            50 => {
                let (a, b, options) = (some!(detectors), some!(detectors), some!(pair_options));
                let to = place!(matches, coeval_marker_match_free);
                let _ = coeval_marker_match_new(a, b, options, to, error);
                let found = some!(matches);
                filled!(coeval_marker_match_summary, |to| coeval_marker_match_get_summary(found, to, error));
                listed!(coeval_marker_pair, |to, n| coeval_marker_match_pairs(found, to, n));
            }
            51..53 => {
                let i = feed.below(3);
                coeval_shoot_free(&mut h.shoots[i]);
                h.shoots[i] = coeval_shoot_new();
            }
            53 => {
                let shoot = some!(shoots);
                let _ = coeval_shoot_add_path(shoot, c"/no/such/folder".as_ptr(), error);
            }
            54..58 => {
                let shoot = some!(shoots);
                let device = i32::from(feed.byte() % 5) - 1;
                let _ = coeval_shoot_add_track(shoot, word!(), word!(), device, slot!(tracks), error);
            }
            58 => {
                let (shoot, options) = (some!(shoots), some!(pair_options));
                let _ = coeval_shoot_set_pair_options(shoot, options, error);
                let _ = coeval_shoot_set_main(shoot, word!(), error);
                let _ = coeval_shoot_set_threads(shoot, feed.below(4), error);
            }
            59 => {
                let shoot = some!(shoots);
                let _ = coeval_shoot_set_allow_ffmpeg(shoot, i32::from(feed.byte()), error);
                let _ = coeval_shoot_set_allow_ffmpeg(shoot, 0, error);
                let _ = coeval_shoot_set_picture(shoot, i32::from(feed.byte()), error);
                let _ = coeval_shoot_set_picture(shoot, 0, error);
                let _ = coeval_shoot_set_recognise_chapters(shoot, i32::from(feed.byte()), error);
                let _ = coeval_shoot_set_recording(shoot, word!(), word!(), error);
                let _ = coeval_shoot_set_kind(shoot, word!(), i32::from(feed.byte() % 5) - 1, error);
            }
            60 => {
                let shoot = some!(shoots);
                let (hard, sigma_s) = (i32::from(feed.byte() % 3), feed.within(0.0, 1.0));
                let _ = coeval_shoot_add_anchor(shoot, word!(), word!(), word!(), word!(), hard, sigma_s, error);
            }
            61..63 => {
                let shoot = some!(shoots);
                let to = place!(alignments, coeval_alignment_free);
                let _ = coeval_shoot_align(shoot, progress, user, to, error);
            }
            63 => {
                let json = if feed.flag() { word!() } else { ALIGNMENT.as_ptr() };
                let _ = coeval_alignment_from_json(json, place!(alignments, coeval_alignment_free), error);
            }
            64..66 => {
                let alignment = some!(alignments);
                look(coeval_alignment_to_json(alignment));
                look(coeval_alignment_clock(alignment));
                coeval_alignment_duration_s(alignment);
                coeval_alignment_recording_count(alignment);
                look(coeval_alignment_recording_id(alignment, index));
                coeval_alignment_recording_kind(alignment, index);
                coeval_alignment_file_count(alignment);
                look(coeval_alignment_file_path(alignment, index));
                look(coeval_alignment_file_reason(alignment, index));
                filled!(coeval_file, |to| coeval_alignment_get_file(alignment, index, to, error));
                listed!(coeval_knot, |to, n| coeval_alignment_file_knots(alignment, index, to, n));
                listed!(coeval_jump, |to, n| coeval_alignment_file_jumps(alignment, index, to, n));
                let to = place!(maps, coeval_clock_map_free);
                let _ = coeval_alignment_file_clock_map(alignment, index, to, error);
                coeval_alignment_pair_count(alignment);
                filled!(coeval_recording_pair, |to| coeval_alignment_get_pair(alignment, index, to, error));
                coeval_alignment_anchor_count(alignment);
                filled!(coeval_anchor_check, |to| coeval_alignment_get_anchor(alignment, index, to, error));
            }
            66 => {
                let rate = feed.rate();
                let to = place!(listeners, coeval_speech_builder_free);
                let _ = coeval_speech_builder_new(rate, channels, to, error);
            }
            67..69 => {
                let listener = some!(listeners);
                let _ = coeval_speech_builder_push_interleaved(listener, block!(), frames, error);
            }
            69 => {
                let listener = some!(listeners);
                let planes = planes!();
                let _ = coeval_speech_builder_push_planar(listener, planes.as_ptr(), frames, error);
            }
            70 => {
                let from = slot!(listeners);
                let _ = coeval_speech_builder_finish(from, place!(curves, coeval_speech_curve_free), error);
            }
            71 => {
                let values: Vec<f32> = (0..feed.below(200)).map(|_| feed.within(0.0, 1.0) as f32).collect();
                let to = place!(curves, coeval_speech_curve_free);
                let _ = coeval_speech_curve_from_values(values.as_ptr(), values.len(), to, error);
                let curve = some!(curves);
                listed!(f32, |to, n| coeval_speech_curve_probability(curve, to, n));
            }
            72 => {
                let i = feed.below(3);
                coeval_speech_options_free(&mut h.speech_options[i]);
                h.speech_options[i] = coeval_speech_options_new();
                let options = some!(speech_options);
                let (enter, leave) = (feed.any_f32(), feed.any_f32());
                let _ = coeval_speech_options_set_thresholds(options, enter, leave, error);
                let _ = coeval_speech_options_set_min_speech_s(options, feed.within(0.0, 10.0), error);
                let _ = coeval_speech_options_set_min_pause_s(options, feed.within(0.0, 10.0), error);
                let _ = coeval_speech_options_set_hang_over_s(options, feed.within(0.0, 10.0), error);
            }
            73 => {
                let (curve, options) = (some!(curves), some!(speech_options));
                let to = place!(segments, coeval_speech_segments_free);
                let _ = coeval_speech_curve_segments(curve, options, to, error);
                let segments = some!(segments);
                coeval_speech_segments_count(segments);
                filled!(coeval_speech_segment, |to| coeval_speech_segments_get(segments, index, to, error));
                coeval_speech_segments_origin(segments, index, feed.any_f64());
            }
            74 => {
                let segments = some!(segments);
                let to = place!(shared, coeval_shared_meter_free);
                let _ = coeval_shared_meter_new(segments, to, error);
            }
            75 => {
                let meter = some!(shared);
                let sound = feed.sound(BLOCK);
                let n = sound.len() / 2;
                let _ = coeval_shared_meter_push(meter, sound.as_ptr(), sound[n..].as_ptr(), n, error);
            }
            76 => {
                let mut out = [0f64; 4];
                let _ = coeval_shared_meter_finish(slot!(shared), out.as_mut_ptr(), feed.below(5), error);
            }
            77 => {
                let json = if feed.flag() { word!() } else { SPEECH.as_ptr() };
                let alignment = some!(alignments);
                let to = place!(voices, coeval_voices_free);
                let _ = coeval_voices_from_json(json, alignment, to, error);
            }
            78 => {
                let alignment = some!(alignments);
                let to = place!(voices, coeval_voices_free);
                let _ = coeval_alignment_hear(alignment, c"/no/such/folder".as_ptr(), 0, progress, user, to, error);
            }
            79 => {
                let voices = some!(voices);
                look(coeval_voices_to_json(voices));
                look(coeval_voices_recorder(voices));
                coeval_voices_count(voices);
                filled!(coeval_voice, |to| coeval_voices_get(voices, index, to, error));
                let mut shared = 0.0;
                look(coeval_voices_camera(voices, index, feed.below(3), &mut shared));
            }
            80 => {
                let i = feed.below(3);
                coeval_tighten_options_free(&mut h.tighten_options[i]);
                h.tighten_options[i] = coeval_tighten_options_new();
            }
            81 => {
                let o = some!(tighten_options);
                let _ = coeval_tighten_options_set_pause_s(o, feed.within(0.2, 30.0), error);
                let _ = coeval_tighten_options_set_handle_s(o, feed.within(0.08, 5.0), error);
                let _ = coeval_tighten_options_set_dead_s(o, feed.within(0.2, 600.0), error);
                let _ = coeval_tighten_options_set_min_shot_s(o, feed.within(0.0, 60.0), error);
                let _ = coeval_tighten_options_set_dissolve_s(o, feed.within(0.0, 5.0), error);
            }
            82 => {
                let o = some!(tighten_options);
                let _ = coeval_tighten_options_set_target_s(o, feed.within(1.0, 100.0), error);
                let (from_s, speed) = (feed.within(0.2, 100.0), feed.u32() % 120);
                let _ = coeval_tighten_options_set_pass(o, from_s, speed, error);
                let _ = coeval_tighten_options_set_keep_radio(o, i32::from(feed.byte() % 3), error);
                let (from_s, to_s) = (feed.within(0.0, 60.0), feed.within(0.0, 60.0));
                let _ = coeval_tighten_options_add_protected(o, from_s, to_s, error);
                let (from_s, to_s) = (feed.within(0.0, 60.0), feed.within(0.0, 60.0));
                let _ = coeval_tighten_options_add_event(o, from_s, to_s, word!(), error);
            }
            83..85 => {
                let (alignment, voices, options) = (some!(alignments), some!(voices), some!(tighten_options));
                let to = place!(plans, coeval_plan_free);
                let _ = coeval_tighten(alignment, voices, options, to, error);
                let plan = some!(plans);
                let (mut num, mut den) = (0, 0);
                let _ = coeval_plan_frame_rate(plan, &mut num, &mut den, error);
                coeval_plan_shown_s(plan);
                coeval_plan_entry_count(plan);
                filled!(coeval_plan_entry, |to| coeval_plan_get_entry(plan, index, to, error));
                look(coeval_plan_note(plan, index));
            }
            _ => {
                look(coeval_status_text(feed.u32() as i32));
                if feed.flag() {
                    let i = 1 + feed.below(2);
                    coeval_error_free(&mut h.errors[i]);
                    h.errors[i] = coeval_error_new();
                }
            }
        }
    }
}
