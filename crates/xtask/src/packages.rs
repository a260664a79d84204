//! What a crate needs to be published: a README that is its documentation, and the licences, the same everywhere.

use std::path::Path;

use crate::{Outcome, root};

/// Fails with one line for each thing that is missing.
pub(crate) fn check() -> Outcome {
    let root = root();
    let read = |path: &Path| std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()));
    let mut wrong = Vec::new();
    let entries = std::fs::read_dir(root.join("crates")).map_err(|e| format!("crates: {e}"))?;
    for folder in entries.flatten().map(|e| e.path()).filter(|p| p.is_dir()) {
        let manifest = read(&folder.join("Cargo.toml"))?;
        if manifest.lines().any(|line| line == "publish = false") {
            continue;
        }
        let name = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
        for licence in ["LICENSE-MIT", "LICENSE-APACHE"] {
            if read(&folder.join(licence)).ok() != read(&root.join(licence)).ok() {
                wrong.push(format!("{name}: {licence} is not that of the workspace"));
            }
        }
        for key in ["description", "readme", "keywords", "categories"] {
            if !manifest.lines().any(|line| line.starts_with(&format!("{key} = "))) {
                wrong.push(format!("{name}: its manifest has no {key}"));
            }
        }
        let first = read(&folder.join("src/lib.rs"))?;
        if first.lines().next() != Some("#![doc = include_str!(\"../README.md\")]") {
            wrong.push(format!("{name}: its README is not its documentation"));
        }
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong.join("\n")) }
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_crate_can_be_published() {
        super::check().unwrap();
    }
}
