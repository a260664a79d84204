//! Every reading of the levels that a Rust program gets is there for C and Python too.

use std::path::Path;

/// Readings that an interface has under another name, or in another form: Rust, C, Python.
const OTHERWISE: [(&str, &str, &str); 5] = [
    ("channels", "channel_count", "channels"),
    ("hum", "hum_hz", "hum_hz"),
    ("clipping", "COEVAL_CLIPPING", "clipping"),
    ("silence", "COEVAL_SILENCE", "silence"),
    ("dropouts", "COEVAL_DROPOUTS", "dropouts"),
];

fn read(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The text between two others.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let rest = text.split_once(from).unwrap_or_else(|| panic!("no {from}")).1;
    rest.split_once(to).unwrap_or_else(|| panic!("{from} without {to}")).0
}

/// What of a struct's fields C and Python lack.
fn missing(rust: &str, c: &str, python: &str) -> Vec<String> {
    let fields = rust.lines().filter_map(|l| l.trim_start().strip_prefix("pub ")?.split_once(':').map(|f| f.0));
    let fields: Vec<&str> = fields.collect();
    assert!(fields.len() > 5, "{fields:?}");
    let mut missing = Vec::new();
    for field in fields {
        let (_, in_c, in_python) = OTHERWISE.into_iter().find(|o| o.0 == field).unwrap_or((field, field, field));
        let words = |text: &str, word: &str| text.split(|c: char| !c.is_alphanumeric() && c != '_').any(|w| w == word);
        if !words(c, in_c) {
            missing.push(format!("{field}: C"));
        }
        if !python.contains(&format!("\n    {in_python}: ")) {
            missing.push(format!("{field}: Python"));
        }
    }
    missing
}

#[test]
fn every_reading_of_levels_is_there_for_every_language() {
    let (rust, header) = (read("crates/coeval-listen/src/level.rs"), read("bindings/c/include/coeval.h"));
    let python = read("bindings/python/python/coeval/_measure.py");
    let in_rust = |name: &str| between(&rust, &format!("pub struct {name} {{"), "\n}").to_owned();
    let in_python = |name: &str| between(&python, &format!("\nclass {name}:"), "\n    def ").to_owned();
    let summary = between(&header, "* The readings of all channels together.", "} coeval_level_summary;");
    let kinds = between(&header, "enum coeval_stretches", "typedef enum coeval_stretches");
    let whole = missing(&in_rust("LevelReport"), &format!("{summary}{kinds}"), &in_python("LevelReport"));
    assert_eq!(whole, Vec::<String>::new());
    let channel = between(&header, "* One channel's readings.", "} coeval_channel_level;");
    let python_channel = between(&python, "\nclass ChannelLevel:", "\n@dataclass");
    assert_eq!(missing(&in_rust("ChannelLevel"), channel, python_channel), Vec::<String>::new());
    // One that is nowhere is named.
    let more = format!("{}\n    pub crest_db: f64,", in_rust("ChannelLevel"));
    assert_eq!(missing(&more, channel, python_channel), ["crest_db: C", "crest_db: Python"]);
}
