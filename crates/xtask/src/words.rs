//! What a person reads: no word that was given up, no foreign name, no path of a machine, and sentences that are short
//! enough.

use std::path::Path;
use std::process::Command;

use crate::{Outcome, root};

/// Words that were given up, and what is said instead.
const GIVEN_UP: [(&str, &str); 20] = [
    ("1 sd", "std. dev."),
    ("one sd", "std. dev."),
    ("frames a second", "fps"),
    ("timeline clock", "reference clock"),
    ("timeline's clock", "reference clock"),
    ("passed at speed", "sped up"),
    ("passes at speed", "sped up"),
    ("at speed", "sped up"),
    ("who speaks when", "when someone speaks"),
    ("who spoke when", "when someone speaks"),
    ("asked for are", "target"),
    ("that this moment of", "moments you know to match"),
    ("taken back by", "compensates"),
    ("has no place", "is unplaced"),
    ("nineteen of twenty", "95 %"),
    ("each face", "each interface"),
    ("--main", "--reference"),
    ("--bits", "--bit-depth"),
    ("--handle", "--clearance"),
    ("tighten results --recordings", "--media"),
];

/// What a user sees, where all of the file is that: pages, templates, notebooks, the header, what packages say of
/// themselves.
const PAGES: [&str; 20] = [
    "README.md",
    "docs/guide.md",
    "docs/site/**/*.md",
    "crates/*/README.md",
    "bindings/*/README.md",
    "examples/**/*.md",
    "examples/**/*.ipynb",
    "crates/coeval-deliver/src/report/*.html",
    "crates/coeval-deliver/src/report/*.js",
    "crates/coeval-cli/src/*.rs",
    "crates/coeval-cut/src/*.rs",
    "crates/coeval-deliver/src/*.rs",
    "crates/coeval-shoot/src/options.rs",
    "crates/coeval-shoot/schema/*",
    "crates/*/Cargo.toml",
    "bindings/*/Cargo.toml",
    "bindings/c/include/*",
    "bindings/web/js/*.d.ts",
    "bindings/web/page/*",
    "bindings/python/python/coeval/*.py",
];

/// FNV-1a (Fowler, Noll, Vo; 64 bits) of words that no text may hold: makers and products of cameras, recorders, phones,
/// browsers and editors. Hashes, so that this file does not hold them either.
const NAMES: [u64; 37] = [
    0x0263_7b3a_a759_9010,
    0x105d_d30a_22df_325d,
    0x170e_7a5b_c570_93b3,
    0x1b67_e699_35c1_1123,
    0x2104_014d_c57f_b4bf,
    0x26b5_d1cd_7e78_fddb,
    0x37fc_8bee_3a8a_38ee,
    0x4f23_7566_28dc_8216,
    0x55d9_3417_55d5_dfce,
    0x5766_16d2_f0b5_6e2f,
    0x5b4f_8b1f_809e_f6f4,
    0x5ea5_2f2f_9225_a10f,
    0x6031_e018_f0b7_f2c6,
    0x64ce_7784_298e_7e93,
    0x8902_3e84_3e80_b2a3,
    0x9387_dfdf_c00e_7d37,
    0x940e_b926_9ba4_9769,
    0x9b92_d57c_6f48_2920,
    0xa311_77a9_83de_1335,
    0xa9f0_0c20_971b_88e0,
    0xac2c_745c_ee0d_4e51,
    0xb8f1_22c6_5fd1_567a,
    0xbb90_e9d9_8dbc_3447,
    0xc086_7a48_d84f_b834,
    0xcaa4_4118_f46a_7b96,
    0xcdc8_46ed_792b_9b95,
    0xce19_5289_4342_a687,
    0xdae5_f27b_ec71_44a2,
    0xdcfd_e17d_2ef0_2c87,
    0xe02c_2b1e_6b95_1614,
    0xe6bc_aa41_0fa0_ebe4,
    0xeafc_b782_c32d_80ff,
    0xf165_e384_cf54_9bb3,
    0xf3c0_5bb6_f1ce_dcb8,
    0xf81f_30fd_e4da_1bb0,
    0xfd42_68a7_de82_4f6b,
    0xff7a_69cf_474b_a932,
];

/// Where people keep their files, on the usual systems.
const HOMES: [&str; 4] = ["/home/", "/Users/", "/root/", "C:\\Users"];

/// Highest school grade of a page (own target).
const HIGHEST_GRADE: f64 = 9.0;

/// Checks all of it, and prints how hard the front pages are to read.
pub(crate) fn check() -> Outcome {
    let mut wrong = Vec::new();
    for name in tracked(&PAGES)? {
        wrong.extend(given_up(&read(&name)?).into_iter().map(|what| format!("{name}:{what}")));
    }
    // The fuzzer's material is bytes of chance.
    for name in tracked(&[".", ":!fuzz/seeds", ":!fuzz/regressions", ":!crates/xtask/src/words.rs", ":!Cargo.lock"])? {
        // What is no text holds no words.
        let Ok(text) = std::fs::read_to_string(root().join(&name)) else { continue };
        wrong.extend(foreign(&text).into_iter().map(|what| format!("{name}:{what}")));
    }
    for page in ["README.md", "docs/guide.md"] {
        let grade = grade(&prose(&read(page)?));
        println!("{page}: Flesch-Kincaid grade {grade:.1} (target: at most {HIGHEST_GRADE})");
        if grade.is_nan() || grade > HIGHEST_GRADE {
            wrong.push(format!("{page}: its sentences or words are too long for grade {HIGHEST_GRADE}: {grade:.1}"));
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong.join("\n")) }
}

fn read(name: &str) -> Outcome<String> {
    std::fs::read_to_string(root().join(name)).map_err(|e| format!("{name}: {e}"))
}

/// Files under version control that fit; that there are none is an error, so that no check looks at nothing.
pub(crate) fn tracked(patterns: &[&str]) -> Outcome<Vec<String>> {
    let listed = Command::new("git").args(["ls-files", "--"]).args(patterns).current_dir(root()).output();
    let listed = listed.map_err(|e| format!("git: {e}"))?;
    let names = String::from_utf8_lossy(&listed.stdout).lines().map(str::to_owned).collect::<Vec<_>>();
    let there = names.into_iter().filter(|n| Path::new(&root().join(n)).is_file()).collect::<Vec<_>>();
    if there.is_empty() { Err(format!("git lists no file of {patterns:?}")) } else { Ok(there) }
}

/// Lines with words that were given up. Tests may name them: what follows `#[cfg(test)]` is not looked at.
fn given_up(text: &str) -> Vec<String> {
    let shown = text.split("#[cfg(test)]").next().unwrap_or(text);
    let mut found = Vec::new();
    for (i, line) in shown.lines().enumerate() {
        let small = line.to_lowercase();
        for (word, instead) in GIVEN_UP.into_iter().filter(|(word, _)| holds(&small, word)) {
            found.push(format!("{}: \"{word}\" was given up: write \"{instead}\"", i + 1));
        }
    }
    found
}

/// Does a line hold these words, not as a part of longer ones?
fn holds(line: &str, words: &str) -> bool {
    let part = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '-');
    line.match_indices(words)
        .any(|(at, _)| !part(line[..at].chars().next_back()) && !part(line[at + words.len()..].chars().next()))
}

/// Lines with a foreign name or the path of a machine.
fn foreign(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (i, line) in text.lines().enumerate() {
        // Not what lies below another folder.
        let begins = |at: usize| !line[..at].ends_with(|c: char| c.is_alphanumeric() || "_.-}~".contains(c));
        let homes = HOMES.iter().filter(|home| line.match_indices(**home).any(|(at, _)| begins(at)));
        found.extend(homes.map(|home| format!("{}: {home} is the path of one machine", i + 1)));
        let words = line.split(|c: char| !c.is_ascii_alphanumeric()).filter(|w| w.len() > 2);
        let named = words.filter(|w| NAMES.contains(&fnv_1a(&w.to_lowercase())));
        found.extend(named.map(|w| format!("{}: \"{w}\" is a name that has no place here", i + 1)));
    }
    found
}

fn fnv_1a(word: &str) -> u64 {
    word.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3))
}

/// The sentences of a page in Markdown: no code, tables, pictures or headings; what is code within a sentence is a word.
fn prose(page: &str) -> String {
    let mut text = String::new();
    let mut in_code = false;
    for line in page.lines() {
        if line.starts_with("```") {
            in_code = !in_code;
        }
        if in_code || line.starts_with(['|', '#', '!']) || line.starts_with("```") {
            continue;
        }
        // An item of a list is a sentence of its own, and so is a paragraph.
        let is_number = |n: &str| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit());
        let item = line.strip_prefix("- ").or_else(|| line.split_once(". ").filter(|l| is_number(l.0)).map(|l| l.1));
        if line.is_empty() || item.is_some() {
            text.push_str(". ");
        }
        text.push_str(item.unwrap_or(line));
        text.push(' ');
    }
    let parts: Vec<&str> = text.split('`').collect();
    let said: String = parts.iter().enumerate().map(|(i, p)| if i % 2 == 1 { "code" } else { p }).collect();
    // Where a link leads is not read aloud.
    said.split("](").enumerate().fold(String::new(), |text, (i, part)| {
        text + if i == 0 { part } else { part.split_once(')').map_or(part, |p| p.1) }
    })
}

/// The Flesch-Kincaid grade level (Kincaid and others, 1975): 0.39 words a sentence + 11.8 syllables a word - 15.59.
fn grade(text: &str) -> f64 {
    let ends = |w: &&str| w.ends_with(['.', '?', '!']) || w.ends_with(".**") || w.ends_with("?**");
    let is_word = |w: &&str| w.chars().any(char::is_alphabetic);
    let words: Vec<&str> = text.split_whitespace().chain(["."]).filter(|w| is_word(w) || ends(w)).collect();
    // Two ends in a row are one.
    let sentences = words.windows(2).filter(|w| is_word(&w[0]) && (ends(&w[0]) || !is_word(&w[1]))).count();
    let spoken: Vec<&str> = words.into_iter().filter(is_word).collect();
    let syllables: usize = spoken.iter().map(|w| syllables(w)).sum();
    let count = spoken.len() as f64;
    0.39 * count / sentences as f64 + 11.8 * syllables as f64 / count - 15.59
}

/// Syllables of an English word, about: groups of vowels, but for a silent e at the end.
fn syllables(word: &str) -> usize {
    let letters: Vec<char> = word.to_lowercase().chars().filter(|c| c.is_alphabetic()).collect();
    let vowel = |c: &char| "aeiouy".contains(*c);
    let groups = letters.iter().enumerate().filter(|(i, c)| vowel(c) && (*i == 0 || !vowel(&letters[i - 1]))).count();
    let silent = match &letters[..] {
        [.., 'l', 'e'] => false,
        [.., before, 'e'] => !vowel(before),
        [.., before, 'e', 's' | 'd'] => !vowel(before) && !"td".contains(*before),
        _ => false,
    };
    groups.saturating_sub(usize::from(silent)).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_that_were_given_up_are_found() {
        assert_eq!(given_up("a\nIts 1 sd is small.\n").len(), 1);
        assert_eq!(given_up("The table has `--main`."), ["1: \"--main\" was given up: write \"--reference\""]);
        assert!(given_up("a --main-street, 11 sd, 1 sdk").is_empty());
        assert!(given_up("fine\n#[cfg(test)]\nmod tests { 1 sd }").is_empty());
    }

    #[test]
    fn paths_of_a_machine_are_found() {
        assert_eq!(foreign("see /home/me/x and\nC:\\Users\\me").len(), 2);
        assert!(foreign("~/.local/share, /tmp/x, go home").is_empty());
    }

    #[test]
    fn foreign_names_are_found() {
        // Put together here, so that this file holds no such name.
        let name = ["Fire", "fox"].concat();
        assert_eq!(foreign(&format!("opened in {name}, or elsewhere")).len(), 1);
        assert!(foreign(&format!("{name}es are animals")).is_empty());
    }

    #[test]
    fn the_hash_is_that_of_its_authors() {
        // From memory of the authors' list: the empty text and "a".
        assert_eq!([fnv_1a(""), fnv_1a("a")], [0xcbf2_9ce4_8422_2325, 0xaf63_dc4c_8601_ec8c]);
    }

    #[test]
    fn long_sentences_of_long_words_have_a_higher_grade() {
        let count = ["cat", "table", "recorder", "stopped", "ended", "uncertainty", "e"].map(syllables);
        assert_eq!(count, [1, 2, 3, 1, 2, 4, 1]);
        // 6 words, 6 syllables, 1 sentence: 0.39 * 6 + 11.8 - 15.59.
        assert!((grade("The cat sat on the mat. ") - (0.39 * 6.0 + 11.8 - 15.59)).abs() < 1e-9);
        let hard =
            "Notwithstanding considerable organisational difficulties, representatives unanimously recommended it.";
        assert!(grade(hard) > 20.0, "{}", grade(hard));
        let page = "# Head\n\nOne `a b` two [three](four.md).\n\n```sh\nfive\n```\n| six |\n- seven\n";
        let said = prose(page);
        let spoken: Vec<&str> =
            said.split_whitespace().map(|w| w.trim_matches('.')).filter(|w| !w.is_empty()).collect();
        assert_eq!(spoken, ["One", "code", "two", "[three", "seven"]);
    }
}
