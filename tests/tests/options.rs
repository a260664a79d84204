//! Every option that a Rust program can set is there for C, Python and the command too, and for C++.
//!
//! Whoever adds a field to one of the structs adds its row here, and the test then asks for the rest. Where an interface
//! does not have it, the row says why.

use std::path::Path;

const STRUCTS: [(&str, &str); 7] = [
    ("Options", "crates/coeval-shoot/src/options.rs"),
    ("Grouping", "crates/coeval-shoot/src/chapters.rs"),
    ("OpenOptions", "crates/coeval-media/src/reader.rs"),
    ("RoughCutOptions", "crates/coeval-cut/src/lib.rs"),
    ("TightenOptions", "crates/coeval-cut/src/tighten.rs"),
    ("RenderOptions", "crates/coeval-cut/src/mix.rs"),
    ("Levels", "crates/coeval-cut/src/mix.rs"),
];

/// Field; function of C; function and parameter of Python; subcommand and option of the command. What stands in brackets
/// is the reason why there is none.
const OPTIONS: &[(&str, &str, &str, &str)] = &[
    ("Options.open", "coeval_shoot_set_allow_ffmpeg", "align_shoot allow_ffmpeg", "align allow-ffmpeg"),
    ("Options.pair", "coeval_shoot_set_pair_options", "align_shoot max_drift_ppm", "align max-drift-ppm"),
    ("Options.grouping", "(see Grouping)", "(see Grouping)", "(see Grouping)"),
    ("Options.main", "coeval_shoot_set_main", "align_shoot main", "align main"),
    ("Options.anchors", "coeval_shoot_add_anchor", "align_shoot anchors", "align anchors"),
    ("Options.picture", "coeval_shoot_set_picture", "align_shoot picture", "align picture"),
    ("Options.trusted_times_s", "coeval_shoot_set_trusted_times", "align_shoot trusted_times_s", "align trust-times"),
    ("Options.distances_m", "coeval_shoot_set_distance", "align_shoot distances_m", "align distance"),
    ("Options.threads", "coeval_shoot_set_threads", "align_shoot threads", "align threads"),
    ("Grouping.recordings", "coeval_shoot_set_recording", "align_shoot recordings", "align recording"),
    ("Grouping.kinds", "coeval_shoot_set_kind", "align_shoot kinds", "align kind"),
    ("Grouping.chapters", "coeval_shoot_set_recognise_chapters", "align_shoot keep_apart", "align keep-apart"),
    ("OpenOptions.allow_ffmpeg", "coeval_mix_options_set_allow_ffmpeg", "read allow_ffmpeg", "probe allow-ffmpeg"),
    ("RoughCutOptions.tighten", "(see TightenOptions)", "(see TightenOptions)", "(see TightenOptions)"),
    ("RoughCutOptions.moments", "coeval_tighten_options_add_event", "tighten events", "tighten event"),
    (
        "RoughCutOptions.ignore_found",
        "coeval_tighten_options_set_keep_events",
        "tighten keep_events",
        "tighten no-events",
    ),
    ("RoughCutOptions.motion", "coeval_tighten_options_add_motion", "tighten motion", "tighten activity"),
    ("RoughCutOptions.plan", "(the plan is a value of its own)", "render plan", "tighten edits"),
    ("TightenOptions.pause_s", "coeval_tighten_options_set_pause_s", "tighten pause_s", "tighten pause"),
    ("TightenOptions.handle_s", "coeval_tighten_options_set_handle_s", "tighten handle_s", "tighten handle"),
    ("TightenOptions.dead_s", "coeval_tighten_options_set_dead_s", "tighten dead_s", "tighten dead"),
    ("TightenOptions.protect_s", "coeval_tighten_options_add_protected", "tighten protect_s", "tighten protect"),
    ("TightenOptions.target_s", "coeval_tighten_options_set_target_s", "tighten target_s", "tighten length"),
    ("TightenOptions.pass_from_s", "coeval_tighten_options_set_pass", "tighten pass_from_s", "tighten pass"),
    ("TightenOptions.pass_speed", "coeval_tighten_options_set_pass", "tighten pass_speed", "tighten speed"),
    ("TightenOptions.keep_radio", "coeval_tighten_options_set_keep_radio", "tighten keep_radio", "tighten no-radio"),
    ("TightenOptions.see", "coeval_tighten_options_add_seen", "tighten see", "tighten see"),
    ("TightenOptions.min_shot_s", "coeval_tighten_options_set_min_shot_s", "tighten min_shot_s", "tighten shot"),
    ("TightenOptions.dissolve_s", "coeval_tighten_options_set_dissolve_s", "tighten dissolve_s", "tighten dissolve"),
    ("RenderOptions.layers", "coeval_mix_options_set_voice_only", "render voice_only", "tighten voice"),
    ("RenderOptions.levels", "(see Levels)", "(see Levels)", "(see Levels)"),
    ("RenderOptions.replace", "coeval_mix_options_set_replace", "render replace", "tighten replace"),
    ("RenderOptions.open", "coeval_mix_options_set_allow_ffmpeg", "render allow_ffmpeg", "tighten allow-ffmpeg"),
    ("Levels.voice_lufs", "coeval_mix_options_set_loudness", "render loudness_lufs", "tighten loudness"),
    ("Levels.true_peak_dbtp", "coeval_mix_options_set_loudness", "render true_peak_dbtp", "tighten true-peak"),
    ("Levels.camera_db", "coeval_mix_options_set_camera", "render camera_db", "tighten camera-level"),
    ("Levels.duck_db", "coeval_mix_options_set_camera", "render duck_db", "tighten duck"),
    ("Levels.voice_over", "coeval_mix_options_add_voice_over", "render voice_over", "tighten voice-over"),
    ("Levels.speech_lufs", "(measured)", "(measured)", "(measured)"),
    ("Levels.ramp_s", "(nobody hears another)", "(nobody hears another)", "(nobody hears another)"),
];

fn read(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The public fields of a struct in a source.
fn fields(source: &str, name: &str) -> Vec<String> {
    let body = source.split(&format!("pub struct {name} {{\n")).nth(1).unwrap_or_else(|| panic!("no {name}"));
    let body = body.split("\n}\n").next().unwrap();
    let names = body.lines().filter_map(|l| l.strip_prefix("    pub ")?.split_once(':').map(|f| f.0.to_owned()));
    names.collect()
}

/// What is wrong with the rows, one line each.
fn wrong(rows: &[(&str, &str, &str, &str)]) -> Vec<String> {
    let mut wrong = Vec::new();
    for (name, file) in STRUCTS {
        let there = fields(&read(file), name);
        assert!(!there.is_empty(), "{name} has no fields");
        let field = |row: &str| row.strip_prefix(name)?.strip_prefix('.').map(str::to_owned);
        let rows: Vec<String> = rows.iter().filter_map(|r| field(r.0)).collect();
        wrong.extend(there.iter().filter(|f| !rows.contains(f)).map(|f| format!("{name}.{f} has no row")));
        wrong.extend(rows.iter().filter(|f| !there.contains(f)).map(|f| format!("{name} has no {f}")));
    }
    let header = read("bindings/c/include/coeval.h");
    let python: String =
        ["_shoot", "_tighten", "_media"].map(|m| read(&format!("bindings/python/python/coeval/{m}.py"))).concat();
    let command = coeval_cli::command_line();
    for (field, c, in_python, in_command) in rows {
        let is_reason = |text: &str| text.starts_with('(') && text.ends_with(')') && text.len() > 2;
        if !is_reason(c) && !header.contains(&format!("{c}(")) {
            wrong.push(format!("{field}: coeval.h has no {c}"));
        }
        if let Some((function, parameter)) = in_python.split_once(' ').filter(|_| !is_reason(in_python)) {
            let signature = python.split(&format!("\ndef {function}(")).nth(1).and_then(|s| s.split("\n)").next());
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
fn what_is_missing_is_named() {
    let without = |field: &str| OPTIONS.iter().copied().filter(|r| r.0 != field).collect::<Vec<_>>();
    assert_eq!(wrong(&without("Options.picture")), ["Options.picture has no row"]);
    let mut rows = without("Options.picture");
    rows.push(("Options.picture", "coeval_shoot_set_pictures", "align_shoot pictures", "align pictures"));
    assert_eq!(
        wrong(&rows),
        [
            "Options.picture: coeval.h has no coeval_shoot_set_pictures",
            "Options.picture: align_shoot of Python has no pictures",
            "Options.picture: the command has no --pictures",
        ]
    );
}
