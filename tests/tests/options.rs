//! Every option that a Rust program can set is there for C, Python and the command too, and for C++.
//!
//! Options that are numbers or switches stand in a table ([`coeval::options!`]); the test looks for each under its own
//! name, and holds what C and Python say of its default and range against the table. Any other field, and a number that
//! an interface calls otherwise, has a row here. Where an interface does not have it, the row says why.

use std::path::Path;

use coeval::marker::MatchOptions;
use coeval::options::{OptionRow, OptionTable};
use coeval::{MarkerOptions, PairOptions};
use coeval_cut::mix::MixLevels;
use coeval_cut::tighten::TightenOptions;
use coeval_listen::speech::SpeechOptions;
use coeval_shoot::Options;
use coeval_shoot::conform::ConformOptions;

const STRUCTS: [(&str, &str); 13] = [
    ("Options", "crates/coeval-shoot/src/options.rs"),
    ("GroupingOptions", "crates/coeval-shoot/src/chapters.rs"),
    ("OpenOptions", "crates/coeval-media/src/reader.rs"),
    ("RoughCutOptions", "crates/coeval-cut/src/lib.rs"),
    ("TightenOptions", "crates/coeval-cut/src/tighten.rs"),
    ("RenderOptions", "crates/coeval-cut/src/mix.rs"),
    ("MixLevels", "crates/coeval-cut/src/mix.rs"),
    ("MarkerOptions", "crates/coeval/src/marker.rs"),
    ("PairOptions", "crates/coeval/src/pair/mod.rs"),
    ("MatchOptions", "crates/coeval/src/marker/matching.rs"),
    ("SpeechOptions", "crates/coeval-listen/src/speech/curve.rs"),
    ("ConformOptions", "crates/coeval-shoot/src/conform.rs"),
    ("ResampleOptions", "crates/coeval/src/resample.rs"),
];

/// Structs of which no language but Rust sets all fields, and why.
const OF_RUST: [(&str, &str); 6] = [
    ("ActivityOptions", "a picture without sound is laid beside claps only, with the defaults"),
    ("HandoverOptions", "only the command writes the folder; its options are those of `align`"),
    ("FrameOptions", "part of HandoverOptions; the command leaves the default"),
    ("ListenOptions", "the report's sound is of one size"),
    ("PictureOptions", "the report's pictures are of one size"),
    ("WavOptions", "the command and Python write what ConformOptions and `write` say"),
];

/// Where the numbers of a struct are set: what functions of C begin with, function of Python, subcommand.
struct Table {
    name: &'static str,
    rows: &'static [OptionRow],
    default_of: fn(&str) -> Option<f64>,
    is_switch: fn(&str) -> bool,
    c: &'static str,
    python: &'static str,
    command: &'static str,
}

fn table<T: OptionTable>(name: &'static str, [c, python, command]: [&'static str; 3]) -> Table {
    Table { name, rows: T::ROWS, default_of: T::default_of, is_switch: T::is_switch, c, python, command }
}

fn tables() -> [Table; 8] {
    [
        table::<Options>("Options", ["coeval_shoot", "align_shoot", "align"]),
        table::<TightenOptions>("TightenOptions", ["coeval_tighten_options", "tighten", "tighten"]),
        table::<MixLevels>("MixLevels", ["coeval_mix_options", "render", "tighten"]),
        table::<MarkerOptions>("MarkerOptions", ["coeval_marker_options", "markers", ""]),
        table::<PairOptions>("PairOptions", ["coeval_pair_options", "align", "align"]),
        table::<MatchOptions>("MatchOptions", ["coeval_pair_options", "match_markers", ""]),
        table::<SpeechOptions>("SpeechOptions", ["coeval_speech_options", "segments", ""]),
        table::<ConformOptions>("ConformOptions", ["coeval_conform_options", "conform", "align"]),
    ]
}

/// Field; function of C; function and parameter of Python; subcommand and option of the command. What stands in brackets
/// is the reason why there is none.
const OPTIONS: &[(&str, &str, &str, &str)] = &[
    ("Options.trusted_times_s", "coeval_shoot_set_trusted_times", "align_shoot trusted_times_s", "align trust-times"),
    ("TightenOptions.target_s", "coeval_tighten_options_set_target_s", "tighten target_s", "tighten length"),
    ("TightenOptions.pass_from_s", "coeval_tighten_options_set_pass", "tighten pass_from_s", "tighten speed-up"),
    ("TightenOptions.pass_speed", "coeval_tighten_options_set_pass", "tighten pass_speed", "tighten speed"),
    ("TightenOptions.keep_radio", "coeval_tighten_options_set_keep_radio", "tighten keep_radio", "tighten no-radio"),
    ("MixLevels.loudness_lufs", "coeval_mix_options_set_loudness", "render loudness_lufs", "tighten loudness"),
    ("MixLevels.true_peak_dbtp", "coeval_mix_options_set_loudness", "render true_peak_dbtp", "tighten true-peak"),
    ("MixLevels.camera_db", "coeval_mix_options_set_camera", "render camera_db", "tighten ambience-level"),
    ("MixLevels.duck_db", "coeval_mix_options_set_camera", "render duck_db", "tighten duck"),
    ("MarkerOptions.all", "(C has what can serve as a marker)", "markers all", CLAPS),
    ("MarkerOptions.min_peak_dbfs", "coeval_marker_options_set_min_peak_dbfs", "markers min_peak_dbfs", CLAPS),
    ("MarkerOptions.min_score", "coeval_marker_options_set_min_score", "markers min_score", CLAPS),
    ("Options.open", "coeval_shoot_set_allow_ffmpeg", "align_shoot allow_ffmpeg", "align allow-ffmpeg"),
    ("Options.pair", "coeval_shoot_set_pair_options", "align_shoot max_drift_ppm", "align max-drift-ppm"),
    ("Options.grouping", "(see GroupingOptions)", "(see GroupingOptions)", "(see GroupingOptions)"),
    ("Options.main", "coeval_shoot_set_main", "align_shoot main", "align reference"),
    ("Options.exclude", "coeval_shoot_exclude", "align_shoot exclude", "align exclude"),
    ("Options.anchors", "coeval_shoot_add_anchor", "align_shoot anchors", "align anchors"),
    ("Options.distances_m", "coeval_shoot_set_distance", "align_shoot distances_m", "align distance"),
    ("Options.threads", "coeval_shoot_set_threads", "align_shoot threads", "align threads"),
    ("GroupingOptions.recordings", "coeval_shoot_set_recording", "align_shoot recordings", "align recording"),
    ("GroupingOptions.kinds", "coeval_shoot_set_kind", "align_shoot kinds", "align kind"),
    ("GroupingOptions.chapters", "coeval_shoot_set_recognise_chapters", "align_shoot keep_apart", "align keep-apart"),
    ("OpenOptions.allow_ffmpeg", "coeval_mix_options_set_allow_ffmpeg", "read allow_ffmpeg", "probe allow-ffmpeg"),
    ("OpenOptions.channels", "(a host picks channels)", "(read gives all)", "(align names tracks)"),
    ("OpenOptions.cache", "coeval_shoot_set_cache", "align_shoot cache", "align cache"),
    ("RoughCutOptions.tighten", "(see TightenOptions)", "(see TightenOptions)", "(see TightenOptions)"),
    ("RoughCutOptions.moments", "coeval_tighten_options_add_event", "tighten events", "tighten moment"),
    (
        "RoughCutOptions.ignore_found",
        "coeval_tighten_options_set_keep_events",
        "tighten keep_events",
        "tighten no-moments",
    ),
    ("RoughCutOptions.motion", "coeval_tighten_options_add_motion", "tighten motion", "tighten activity"),
    ("RoughCutOptions.plan", "(the plan is a value of its own)", "render plan", "tighten edits"),
    ("TightenOptions.protect_s", "coeval_tighten_options_add_protected", "tighten protect_s", "tighten protect"),
    ("TightenOptions.see", "coeval_tighten_options_add_seen", "tighten see", "tighten see"),
    ("RenderOptions.layers", "coeval_mix_options_set_voice_only", "render voice_only", "tighten voice"),
    ("RenderOptions.levels", "(see MixLevels)", "(see MixLevels)", "(see MixLevels)"),
    ("RenderOptions.replace", "coeval_mix_options_set_replace", "render replace", "tighten replace"),
    ("RenderOptions.open", "coeval_mix_options_set_allow_ffmpeg", "render allow_ffmpeg", "tighten allow-ffmpeg"),
    ("MixLevels.voice_over", "coeval_mix_options_add_voice_over", "render voice_over", "tighten voice-over"),
    ("MixLevels.speech_lufs", "(measured)", "(measured)", "(measured)"),
    ("PairOptions.offset_range_s", "coeval_pair_options_set_offset_range_s", "align offset_range_s", ANCHORS),
    ("MatchOptions.max_drift_ppm", "coeval_pair_options_set_max_drift_ppm", "match_markers max_drift_ppm", FILES),
    (
        "MatchOptions.min_confidence",
        "(C returns every match, with its confidence)",
        "match_markers min_confidence",
        FILES,
    ),
    ("MatchOptions.offset_range_s", "coeval_pair_options_set_offset_range_s", "match_markers offset_range_s", FILES),
    ("MatchOptions.durations_s", "(C knows both sounds)", "match_markers durations_s", FILES),
    ("SpeechOptions.enter", "coeval_speech_options_set_thresholds", "segments enter", FILES),
    ("SpeechOptions.leave", "coeval_speech_options_set_thresholds", "segments leave", FILES),
    ("SpeechOptions.min_speech_s", "coeval_speech_options_set_min_speech_s", "segments min_speech_s", FILES),
    ("SpeechOptions.min_pause_s", "coeval_speech_options_set_min_pause_s", "segments min_pause_s", FILES),
    ("SpeechOptions.hang_over_s", "coeval_speech_options_set_hang_over_s", "segments hang_over_s", FILES),
    ("ConformOptions.rate_hz", RESAMPLER, "conform rate_hz", "(editors take 48 kHz)"),
    ("ConformOptions.timeline_start_s", RESAMPLER, "conform timeline_start_s", "align start"),
    ("ConformOptions.camera_level_db", RESAMPLER, "conform camera_level_db", "align camera-level"),
    ("ConformOptions.own_sound", RESAMPLER, "conform own_sound", "align own-sound"),
    ("ConformOptions.replace", RESAMPLER, "conform replace", "align replace"),
    ("ConformOptions.frame_rate", RESAMPLER, "conform frame_rate", "(that of the clock's picture)"),
    ("ConformOptions.tracks", RESAMPLER, "conform tracks", "align tracks"),
    ("ConformOptions.format", RESAMPLER, "conform sample_format", "align bit-depth"),
    ("ConformOptions.open", RESAMPLER, "conform allow_ffmpeg", "align allow-ffmpeg"),
    ("ResampleOptions.source_rate_hz", "coeval_resample_options_new", "resample rate_hz", FOLDERS),
    ("ResampleOptions.target_rate_hz", "coeval_resample_options_new", "resample target_rate_hz", FOLDERS),
    ("ResampleOptions.channels", "coeval_resample_options_new", "(the array has them)", FOLDERS),
    ("ResampleOptions.start_s", "coeval_resample_options_set_start_s", "resample start_s", FOLDERS),
    ("ResampleOptions.frames", "coeval_resample_options_new", "resample frames", FOLDERS),
    ("ResampleOptions.source_frames", "coeval_resample_options_set_source_frames", "(the array has them)", FOLDERS),
    ("ResampleOptions.fade_s", "coeval_resample_options_set_fade_s", "resample fade_s", FOLDERS),
    ("MixLevels.ramp_s", "(nobody hears another)", "(nobody hears another)", "(nobody hears another)"),
];

const ANCHORS: &str = "(the command has anchors)";
const FILES: &str = "(the command works on whole files)";
const FOLDERS: &str = "(the command conforms whole folders)";
const RESAMPLER: &str = "(a host conforms with coeval_resampler)";
const CLAPS: &str = "(the command shows the claps that people look for)";

fn read(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The public fields of a struct in a source, but those in its table.
fn fields(source: &str, name: &str) -> Vec<String> {
    let mut lines = source.lines().skip_while(|l| l.trim_start() != format!("pub struct {name} {{"));
    let first = lines.next().unwrap_or_else(|| panic!("no {name}"));
    let end = format!("{}}}", &first[..first.len() - first.trim_start().len()]);
    if end.len() > 1 {
        // Those that are neither numbers nor switches stand in a block of their own, which may be empty.
        let others = lines.find(|l| l.trim_start().starts_with("} and {"));
        if !others.is_some_and(|l| l.ends_with('{')) {
            return Vec::new();
        }
    }
    let body = lines.take_while(|l| *l != end);
    body.filter_map(|l| l.trim_start().strip_prefix("pub ")?.split_once(':').map(|f| f.0.to_owned())).collect()
}

type Row = (String, String, String, String);

/// The rows of all numbers and switches that have none by hand: every interface calls them as Rust does.
fn by_rule(rows: &[Row], command: &clap::Command) -> Vec<Row> {
    let mut made = Vec::new();
    for table in tables() {
        let sub = command.find_subcommand(table.command);
        for OptionRow { name, .. } in table.rows {
            let field = format!("{}.{name}", table.name);
            if rows.iter().all(|r| r.0 != field) {
                let argument = sub.and_then(|s| s.get_arguments().find(|a| a.get_id().as_str() == *name));
                let option = argument.and_then(|a| a.get_long()).map_or_else(|| name.replace('_', "-"), str::to_owned);
                let (c, python) = (format!("{}_set_{name}", table.c), format!("{} {name}", table.python));
                made.push((field, c, python, format!("{} {option}", table.command)));
            }
        }
    }
    made
}

/// The comment above a function of the header, on one line.
fn comment<'a>(header: &'a str, function: &str) -> Option<&'a str> {
    let before = header.split(&format!("{function}(")).next().filter(|b| b.len() < header.len())?;
    before.rsplit("/**").next()
}

/// Signature and documentation of a function of Python, or of a method, without the class's indentation.
fn definition(python: &str, function: &str) -> Option<String> {
    let of = |indent: &str| {
        let text = python.split(&format!("\n{indent}def {function}(")).nth(1)?.split("Returns\n").next()?;
        Some(text.replace(&format!("\n{indent}"), "\n"))
    };
    of("").or_else(|| of("    "))
}

/// What is wrong with what is said of a number's default and range: C and Python have to say both.
fn wrongly_said(row: &Row, header: &str, python: &str) -> Vec<String> {
    let (table, name) = row.0.split_once('.').expect("a field of a struct");
    let Some(table) = tables().into_iter().find(|t| t.name == table) else { return Vec::new() };
    let Some(option) = table.rows.iter().find(|r| r.name == name) else { return Vec::new() };
    if (table.is_switch)(name) {
        return Vec::new();
    }
    let range = format!("{} to {}", option.range.start(), option.range.end());
    let has_range = *option.range.end() < 1e6;
    let default = (table.default_of)(name).map(|d| d.to_string());
    let mut wrong = Vec::new();
    let words = |text: &str| text.replace('*', " ").split_whitespace().collect::<Vec<_>>().join(" ");
    if let Some(said) = comment(header, &row.1).map(words) {
        if has_range && !said.contains(&range) {
            wrong.push(format!("{}: {} does not say {range}", row.0, row.1));
        }
        // A function that sets two options at once needs both.
        let own = row.1.ends_with(&format!("_set_{name}"));
        if let Some(default) = default.as_ref().filter(|d| own && !said.contains(&format!("efault {d}"))) {
            wrong.push(format!("{}: {} does not say that the default is {default}", row.0, row.1));
        }
    }
    let (function, parameter) = row.2.split_once(' ').expect("function and parameter");
    let definition = definition(python, function).unwrap_or_default();
    let said = definition.split(&format!("\n    {parameter} : ")).nth(1).unwrap_or_default();
    let said = words(said.split("\n    ").take_while(|l| !l.contains(" : ")).collect::<Vec<_>>().join(" ").as_str());
    if has_range && !said.contains(&range) {
        wrong.push(format!("{}: {function} of Python does not say {range}", row.0));
    }
    if let Some(default) = default {
        let literal =
            definition.contains(&format!("\n    {parameter}: float = {:?},", default.parse::<f64>().unwrap()));
        if !literal && !said.contains(&format!("{default} if not given")) {
            wrong.push(format!("{}: {function} of Python does not say that the default is {default}", row.0));
        }
    }
    wrong
}

/// What is wrong with the rows, one line each.
fn wrong(rows: &[(&str, &str, &str, &str)]) -> Vec<String> {
    let header = read("bindings/c/include/coeval.h");
    let python: String = ["_shoot", "_tighten", "_media", "_measure", "_pair", "_speech", "_map"]
        .map(|m| read(&format!("bindings/python/python/coeval/{m}.py")))
        .concat();
    let command = coeval_cli::command_line();
    let mut rows: Vec<Row> = rows.iter().map(|r| (r.0.into(), r.1.into(), r.2.into(), r.3.into())).collect();
    let mut wrong = Vec::new();
    for (name, file) in STRUCTS {
        let mut there = fields(&read(file), name);
        let others = there.len();
        if let Some(table) = tables().iter().find(|t| t.name == name) {
            there.extend(table.rows.iter().map(|r| r.name.to_owned()));
        }
        assert!(!there.is_empty(), "{name} has no fields");
        let field = |row: &Row| row.0.strip_prefix(name)?.strip_prefix('.').map(str::to_owned);
        let rows: Vec<String> = rows.iter().filter_map(field).collect();
        let without = there[..others].iter().filter(|f| !rows.contains(f));
        wrong.extend(without.map(|f| format!("{name}.{f} has no row")));
        wrong.extend(rows.iter().filter(|f| !there.contains(f)).map(|f| format!("{name} has no {f}")));
    }
    rows.extend(by_rule(&rows, &command));
    for row in &rows {
        let (field, c, in_python, in_command) = row;
        let is_reason = |text: &str| text.starts_with('(') && text.ends_with(')') && text.len() > 2;
        if !is_reason(c) && !header.contains(&format!("{c}(")) {
            wrong.push(format!("{field}: coeval.h has no {c}"));
        }
        if let Some((function, parameter)) = in_python.split_once(' ').filter(|_| !is_reason(in_python)) {
            let definition = definition(&python, function);
            let signature = definition.as_ref().and_then(|s| s.split("\n)").next());
            if !signature.is_some_and(|s| s.contains(&format!("\n    {parameter}: "))) {
                wrong.push(format!("{field}: {function} of Python has no {parameter}"));
            }
        }
        if let Some((sub, option)) = in_command.split_once(' ').filter(|_| !is_reason(in_command)) {
            let sub = command.find_subcommand(sub);
            if !sub.is_some_and(|s| s.get_arguments().any(|a| a.get_long() == Some(option))) {
                wrong.push(format!("{field}: the command has no --{option}"));
            }
        }
        wrong.extend(wrongly_said(row, &header, &python));
    }
    wrong
}

#[test]
fn every_option_is_there_for_every_language() {
    let wrong = wrong(OPTIONS);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // C++ sets any of them through one function.
    let shoot = read("bindings/c/include/coeval.hpp");
    let shoot = shoot.split("class Shoot {").nth(1).unwrap().split("\n};").next().unwrap();
    assert!(shoot.contains("Shoot &set("), "class Shoot of coeval.hpp cannot set options");
}

#[test]
fn every_number_of_a_pair_is_there_wherever_pairs_are_compared() {
    let python = ["_pair", "_shoot"].map(|m| read(&format!("bindings/python/python/coeval/{m}.py"))).concat();
    let header = read("bindings/c/include/coeval.hpp");
    let in_cpp = header.split("struct PairOptions {").nth(1).unwrap().split("\n};").next().unwrap();
    for OptionRow { name, .. } in PairOptions::ROWS {
        for function in ["align", "align_files", "align_shoot", "align_many"] {
            let definition = definition(&python, function).unwrap_or_else(|| panic!("no {function}"));
            assert!(definition.contains(&format!("\n    {name}: ")), "{function} of Python has no {name}");
        }
        assert!(in_cpp.contains(&format!(" {name};")), "struct PairOptions of coeval.hpp has no {name}");
    }
}

#[test]
fn every_struct_of_options_is_looked_at() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../crates");
    let mut folders = vec![root];
    let mut there = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
            if entry.is_dir() {
                folders.push(entry);
            } else if entry.extension().is_some_and(|e| e == "rs") {
                let source = std::fs::read_to_string(&entry).unwrap();
                let names =
                    source.lines().filter_map(|l| l.trim_start().strip_prefix("pub struct ")?.strip_suffix(" {"));
                there.extend(names.filter(|n| n.ends_with("Options")).map(str::to_owned));
            }
        }
    }
    let mut known: Vec<&str> = STRUCTS.iter().chain(&OF_RUST).map(|s| s.0).filter(|n| n.ends_with("Options")).collect();
    known.sort_unstable();
    there.sort_unstable();
    assert_eq!(there, known);
}

#[test]
fn what_is_missing_is_named() {
    let without = |field: &str| OPTIONS.iter().copied().filter(|r| r.0 != field).collect::<Vec<_>>();
    assert_eq!(wrong(&without("Options.main")), ["Options.main has no row"]);
    let mut rows = without("Options.main");
    rows.push(("Options.main", "coeval_shoot_set_mains", "align_shoot mains", "align mains"));
    assert_eq!(
        wrong(&rows),
        [
            "Options.main: coeval.h has no coeval_shoot_set_mains",
            "Options.main: align_shoot of Python has no mains",
            "Options.main: the command has no --mains",
        ]
    );
    // A number that C calls otherwise.
    assert_eq!(
        wrong(&without("MixLevels.loudness_lufs")),
        ["MixLevels.loudness_lufs: coeval.h has no coeval_mix_options_set_loudness_lufs"]
    );
}
