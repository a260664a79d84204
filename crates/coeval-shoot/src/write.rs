//! Results appear whole or not at all, and never over something of the user's.

use std::io::Write;
use std::path::{Path, PathBuf};

use coeval::{Error, ErrorKind, Result};

use crate::alignment::Alignment;

/// Writes a file beside its final name and renames it, so that under that name there is never half of one.
/// An earlier file of that name is replaced.
///
/// # Errors
/// [`Io`](ErrorKind::Io), [`NotFound`](ErrorKind::NotFound) or [`PermissionDenied`](ErrorKind::PermissionDenied),
/// with the file named.
pub fn write_whole(path: &Path, content: &[u8]) -> Result<()> {
    let failed = |e| Error::io(path, e).with_remedy("choose a folder that can be written and has room");
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".coeval-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file: the system takes away what the user's mask says.
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder).map_err(failed)?;
    file.write_all(content).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist(path).map_err(|e| failed(e.error))?;
    Ok(())
}

/// The folder that results go to.
#[derive(Debug)]
pub struct OutFolder {
    path: PathBuf,
}

impl OutFolder {
    /// Makes sure, before any work, that results may go to `path`.
    ///
    /// The folder may be missing (its parent must be there), empty, or hold nothing but an earlier result: an
    /// `alignment.json` of this contract and files of `names`. With `replace` it may hold anything; files of `names`
    /// will be written over, everything else stays. A folder within one of the `material` folders is refused unless
    /// `inside` says otherwise. Hidden files count for nothing.
    ///
    /// # Errors
    /// [`OutputExists`](ErrorKind::OutputExists) when something else is there,
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) within the material,
    /// [`NotFound`](ErrorKind::NotFound) without a parent folder, or what the system answers.
    pub fn check(path: &Path, material: &[PathBuf], names: &[&str], replace: bool, inside: bool) -> Result<Self> {
        let absolute = std::path::absolute(path).map_err(|e| Error::io(path, e))?;
        if !inside && material.iter().any(|folder| resolved(&absolute).starts_with(resolved(folder))) {
            return Err(Error::new(ErrorKind::InvalidArgument, "this folder lies within the recordings")
                .with_path(path)
                .with_remedy("choose a folder elsewhere, or allow it with --inside"));
        }
        match std::fs::read_dir(&absolute) {
            Ok(entries) => {
                let mut present = Vec::new();
                for entry in entries {
                    present.push(entry.map_err(|e| Error::io(path, e))?.file_name());
                }
                present.retain(|name| !name.as_encoded_bytes().starts_with(b"."));
                present.sort();
                let earlier = || {
                    let text = std::fs::read_to_string(absolute.join("alignment.json")).unwrap_or_default();
                    Alignment::from_json(&text).is_ok()
                };
                let foreign = present.iter().find(|n| !names.iter().any(|own| n.as_os_str() == *own));
                let in_the_way = foreign.or(present.first().filter(|_| !earlier()));
                if let Some(name) = in_the_way.filter(|_| !replace) {
                    return Err(Error::new(
                        ErrorKind::OutputExists,
                        format!("holds {:?}, which is no earlier result", name.to_string_lossy()),
                    )
                    .with_path(path)
                    .with_remedy("choose a new folder, or give --replace to write over files of the same names"));
                }
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                let parent = absolute.parent().unwrap_or(&absolute);
                if !parent.is_dir() {
                    return Err(Error::new(ErrorKind::NotFound, "the folder it should go into does not exist")
                        .with_path(path)
                        .with_remedy(format!("make {} first", parent.display())));
                }
            }
            Err(e) => return Err(Error::io(path, e).with_remedy("choose a folder that can be written")),
        }
        Ok(Self { path: absolute })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes one file into it, whole or not at all; makes the folder first, if it is missing.
    ///
    /// # Errors
    /// As for [`write_whole`].
    pub fn write(&self, name: &str, content: &[u8]) -> Result<PathBuf> {
        match std::fs::create_dir(&self.path) {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => {
                return Err(Error::io(&self.path, e).with_remedy("choose a folder that can be written"));
            }
            _ => {}
        }
        let path = self.path.join(name);
        write_whole(&path, content)?;
        Ok(path)
    }
}

/// The path with links followed as far as it exists.
fn resolved(path: &Path) -> PathBuf {
    if let Ok(real) = std::fs::canonicalize(path) {
        return real;
    }
    match (path.parent(), path.file_name()) {
        (Some(parent), Some(name)) => resolved(parent).join(name),
        _ => path.to_path_buf(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NAMES: &[&str] = &["alignment.json", "timeline.otio"];

    fn kind(path: &Path, material: &[PathBuf], replace: bool, inside: bool) -> Option<ErrorKind> {
        OutFolder::check(path, material, NAMES, replace, inside).err().map(|e| e.kind())
    }

    #[test]
    fn replaces_a_file_whole_and_leaves_nothing_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.json");
        write_whole(&path, b"one").unwrap();
        write_whole(&path, b"two").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"two");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
        let error = write_whole(&dir.path().join("gone/a.json"), b"x").unwrap_err();
        assert_eq!(error.kind(), ErrorKind::NotFound);
    }

    #[test]
    fn refuses_what_is_the_users() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("out");
        assert_eq!(kind(&out, &[], false, false), None);
        assert_eq!(kind(&out.join("deeper"), &[], false, false), Some(ErrorKind::NotFound));
        std::fs::create_dir(&out).unwrap();
        assert_eq!(kind(&out, &[], false, false), None);
        // Something of our name that is not ours.
        std::fs::write(out.join("alignment.json"), b"{}").unwrap();
        assert_eq!(kind(&out, &[], false, false), Some(ErrorKind::OutputExists));
        assert_eq!(kind(&out, &[], true, false), None);
        let file = out.join("alignment.json");
        assert!(OutFolder::check(&file, &[], NAMES, true, false).is_err(), "a file is no folder");
    }

    #[test]
    fn an_earlier_result_gives_way_to_a_new_one_but_not_with_a_stranger_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let earlier = r#"{"schema":"coeval.alignment/1","generator":{"name":"coeval","version":"0"},
            "timeline":{"clock":"a","duration_s":0},"recordings":[{"id":"a","kind":"other","files":[]}],"pairs":[]}"#;
        std::fs::write(dir.path().join("alignment.json"), earlier).unwrap();
        std::fs::write(dir.path().join("timeline.otio"), b"{}").unwrap();
        assert_eq!(kind(dir.path(), &[], false, false), None);
        std::fs::write(dir.path().join("notes.txt"), b"mine").unwrap();
        assert_eq!(kind(dir.path(), &[], false, false), Some(ErrorKind::OutputExists));
    }

    #[test]
    fn stays_out_of_the_material() {
        let dir = tempfile::tempdir().unwrap();
        for out in [dir.path().to_path_buf(), dir.path().join("out"), dir.path().join("x/../out")] {
            assert_eq!(
                kind(&out, &[dir.path().to_path_buf()], false, false),
                Some(ErrorKind::InvalidArgument),
                "{out:?}"
            );
        }
        assert_eq!(kind(&dir.path().join("out"), &[dir.path().to_path_buf()], false, true), None);
        assert_eq!(kind(&dir.path().join("b"), &[dir.path().join("a")], false, false), None);
    }
}
