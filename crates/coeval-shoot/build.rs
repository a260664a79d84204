//! Tells the library a hash of all sources that what it keeps follows from, so that nothing is taken for current that
//! other code has made. Away from the workspace only this crate's own are there, and versions tell the others.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};
use std::path::{Path, PathBuf};

/// The crates that read and measure, from this one's folder, and the versions of all that they use.
const SOURCES: [&str; 6] =
    ["src", "../coeval/src", "../coeval-error/src", "../coeval-listen/src", "../coeval-media/src", "../../Cargo.lock"];

fn main() {
    let mut files = Vec::new();
    for source in SOURCES.map(Path::new).iter().filter(|s| s.exists()) {
        println!("cargo::rerun-if-changed={}", source.display());
        collect(source, &mut files);
    }
    files.sort();
    let mut hash = DefaultHasher::new();
    for file in &files {
        let content = std::fs::read(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        (file, content).hash(&mut hash);
    }
    println!("cargo::rustc-env=COEVAL_SOURCES={:016x}", hash.finish());
}

fn collect(path: &Path, files: &mut Vec<PathBuf>) {
    match std::fs::read_dir(path) {
        Ok(entries) => entries.flatten().for_each(|entry| collect(&entry.path(), files)),
        Err(_) => files.push(path.to_owned()),
    }
}
