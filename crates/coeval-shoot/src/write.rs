//! Results appear whole or not at all, and never over something of the user's.

use std::collections::HashSet;
use std::io::{Read, Write};
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
    builder.prefix(PART.0).suffix(PART.1);
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

/// Reads a text that a person or a program wrote: a plain file, since a pipe or a device may never end, of at most
/// `most_bytes`.
///
/// # Errors
/// What the system answers; [`Damaged`](ErrorKind::Damaged) for what is no plain file, larger, or not UTF-8.
pub fn read_text(path: &Path, most_bytes: u64) -> Result<String> {
    let failed = |e| Error::io(path, e);
    let bad = |what: &str| {
        Error::new(ErrorKind::Damaged, what).with_path(path).with_remedy("check that this is the right file")
    };
    // A pipe that nobody writes to would not even open.
    if !std::fs::metadata(path).map_err(failed)?.is_file() {
        return Err(bad("this is not a regular file"));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path).map_err(failed)?.take(most_bytes + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > most_bytes {
        return Err(bad(&format!("this is larger than {most_bytes} bytes")));
    }
    String::from_utf8(bytes).map_err(|_| bad("this is not text in UTF-8"))
}

/// The largest text that is read, bytes; an alignment of ten thousand files has a tenth of it.
pub const LARGEST_TEXT: u64 = 1 << 28;

/// What the name of a file that is still being written begins and ends with; it is hidden.
const PART: (&str, &str) = (".coeval-", ".part");
/// The file that makes a folder a result.
const ALIGNMENT: &str = "alignment.json";
/// Folders of a result folder that results lie in, and how those of further events begin.
const FOLDERS: [&str; 3] = ["sound", "edl", "rough-cut"];
const EVENT: &str = "event-";

/// Names of what follows from an alignment, relative to the folder of results, with `/` between folders.
#[derive(Debug, Clone, Default)]
pub struct ResultNames {
    /// Files that are removed when the alignment changes.
    pub made: Vec<String>,
    /// Files that a person has changed: they may be there, and stay.
    pub changed: Vec<String>,
}

/// The folder that results go to.
///
/// It is a result of this program when it holds an `alignment.json` of the contract; what else is in it must be
/// among the names that follow from that alignment, or it is somebody else's.
#[derive(Debug)]
pub struct OutFolder {
    path: PathBuf,
    /// Names of an earlier result's files that are there, but for its alignment.
    earlier: Vec<String>,
}

impl OutFolder {
    /// Makes sure, before any work, that results may go to `path`.
    ///
    /// The folder may be missing (its parent must be there), empty, or hold nothing but an earlier result: an
    /// `alignment.json` of this contract and files that `names` gives for it, relative to the folder with `/`
    /// between folders. With `replace` it may hold anything; files of these names will be written over, everything
    /// else stays. A folder within one of the `material` folders is refused unless `inside` says otherwise, and always
    /// one that has a recording of `sources` where results lie. Hidden files count for nothing.
    ///
    /// # Errors
    /// [`OutputExists`](ErrorKind::OutputExists) when something else is there,
    /// [`InvalidArgument`](ErrorKind::InvalidArgument) within the material or around a source,
    /// [`NotFound`](ErrorKind::NotFound) without a parent folder, or what the system answers; also when nothing can be
    /// written there.
    pub fn check(
        path: &Path,
        material: &[PathBuf],
        sources: &[PathBuf],
        names: &dyn Fn(&Alignment) -> ResultNames,
        replace: bool,
        inside: bool,
    ) -> Result<Self> {
        let absolute = std::path::absolute(path).map_err(|e| Error::io(path, e))?;
        if !inside && material.iter().any(|folder| resolved(&absolute).starts_with(resolved(folder))) {
            return Err(Error::new(ErrorKind::InvalidArgument, "this folder is inside the folder of the recordings")
                .with_path(path)
                .with_remedy("choose another folder, or allow it with --inside"));
        }
        let here = resolved(&absolute);
        let within = |source: &&PathBuf| {
            let source = resolved(source);
            let below = source.strip_prefix(&here).ok().filter(|below| below.components().count() > 1);
            below.and_then(|below| below.components().next()).is_some_and(|folder| {
                let folder = folder.as_os_str().to_string_lossy();
                FOLDERS.contains(&&*folder) || folder.starts_with(EVENT)
            })
        };
        if let Some(source) = sources.iter().find(within) {
            return Err(Error::new(
                ErrorKind::InvalidArgument,
                format!("{} is in the folder for the results", source.display()),
            )
            .with_path(path)
            .with_remedy("choose another folder: this recording could be overwritten"));
        }
        let mut earlier = Vec::new();
        match std::fs::read_dir(&absolute) {
            Ok(_) => {
                let text = read_text(&absolute.join(ALIGNMENT), LARGEST_TEXT).unwrap_or_default();
                let mut own = ResultNames::default();
                if let Ok(ours) = Alignment::from_json(&text) {
                    own = names(&ours);
                    own.changed.push(ALIGNMENT.to_owned());
                }
                let [made, stays] = [own.made, own.changed].map(HashSet::<String>::from_iter);
                for name in present(&absolute) {
                    let name = name.map_err(|e| Error::io(path, e.into()))?;
                    if stays.contains(&name) {
                        continue;
                    }
                    if made.contains(&name) {
                        earlier.push(name);
                    } else if !replace {
                        return Err(Error::new(
                            ErrorKind::OutputExists,
                            format!("the folder holds {name:?}, which is not an earlier result"),
                        )
                        .with_path(path)
                        .with_remedy("choose a new folder, or use --replace to overwrite files with the same names"));
                    }
                }
                writable(&absolute, path)?;
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                if absolute.is_symlink() {
                    return Err(Error::new(ErrorKind::NotFound, "this is a broken link")
                        .with_path(path)
                        .with_remedy("create the folder that it names, or choose another"));
                }
                let parent = absolute.parent().unwrap_or(&absolute);
                if !parent.is_dir() {
                    return Err(Error::new(ErrorKind::NotFound, "the folder it should go into does not exist")
                        .with_path(path)
                        .with_remedy(format!("make {} first", parent.display())));
                }
                writable(parent, path)?;
            }
            Err(e) => return Err(Error::io(path, e).with_remedy("choose a folder that can be written")),
        }
        Ok(Self { path: absolute, earlier })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Names of an earlier result's files that [`begin`](Self::begin) will remove, because the alignment has changed.
    ///
    /// # Errors
    /// As for [`Alignment::to_json`].
    pub fn outdated(&self, alignment: &Alignment) -> Result<&[String]> {
        let text = alignment.to_json()?;
        let same = std::fs::read(self.path.join(ALIGNMENT)).is_ok_and(|old| old == text.as_bytes());
        Ok(if same { &[] } else { &self.earlier })
    }

    /// Writes the alignment. This comes first: from then on the folder is a result, and whatever stops the rest can
    /// be mended by a second run. Where it differs from an earlier one, what followed from that is removed before,
    /// so that the folder never holds parts of two results; so are the unfinished files of a run that was killed.
    ///
    /// # Errors
    /// As for [`write_whole`].
    pub fn begin(&self, alignment: &Alignment) -> Result<PathBuf> {
        self.begin_keeping(alignment, &HashSet::new())
    }

    /// As [`begin`](Self::begin), but files of these names follow from the new alignment too, and stay.
    ///
    /// # Errors
    /// As for [`write_whole`].
    pub fn begin_keeping(&self, alignment: &Alignment, names: &HashSet<String>) -> Result<PathBuf> {
        for name in self.outdated(alignment)?.iter().filter(|name| !names.contains(*name)) {
            remove(&self.path, name)?;
        }
        clear_unfinished(&self.path)?;
        self.write(ALIGNMENT, alignment.to_json()?.as_bytes())
    }

    /// The name of the folder of event `number` in it, of those after the first.
    pub fn event_folder(number: usize) -> String {
        format!("{EVENT}{number}")
    }

    /// The folder of an event in this one, for what is handed over of it: [`begin`](Self::begin) must have been called
    /// before, which has removed what an earlier result had there.
    ///
    /// # Errors
    /// As for [`not_through_links`].
    pub fn for_event(&self, number: usize) -> Result<OutFolder> {
        let folder = Self::event_folder(number);
        not_through_links(&self.path, &format!("{folder}/{ALIGNMENT}"))?;
        Ok(OutFolder { path: self.path.join(folder), earlier: Vec::new() })
    }

    /// The path of a file in it (`/` between folders), whose folder is made if it is missing.
    ///
    /// # Errors
    /// What the system says about making a folder.
    pub fn place(&self, name: &str) -> Result<PathBuf> {
        not_through_links(&self.path, name)?;
        let path = self.path.join(name);
        let folder = path.parent().unwrap_or(&self.path);
        // Its parent was there when the folder was checked, and is not made.
        let failed = |e| Error::io(folder, e).with_remedy("choose a folder that can be written");
        match std::fs::create_dir(&self.path) {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => return Err(failed(e)),
            _ => {}
        }
        std::fs::create_dir_all(folder).map_err(failed)?;
        Ok(path)
    }

    /// Writes one file into it, whole or not at all, unless it lies there already; makes its folder first, if it is
    /// missing.
    ///
    /// # Errors
    /// As for [`write_whole`].
    pub fn write(&self, name: &str, content: &[u8]) -> Result<PathBuf> {
        let path = self.place(name)?;
        let plain = |about: std::fs::Metadata| about.is_file() && about.len() == content.len() as u64;
        let same =
            std::fs::symlink_metadata(&path).is_ok_and(plain) && std::fs::read(&path).is_ok_and(|c| c == content);
        if !same {
            write_whole(&path, content)?;
        }
        Ok(path)
    }
}

/// Can files be made in `folder`? `said` is the path that the user gave. Leaves nothing behind.
fn writable(folder: &Path, said: &Path) -> Result<()> {
    // WebAssembly has no processes, and each folder there belongs to one job.
    let process = if cfg!(target_family = "wasm") { 0 } else { std::process::id() };
    let probe = folder.join(format!("{}{process}{}", PART.0, PART.1));
    let made = std::fs::OpenOptions::new().write(true).create_new(true).open(&probe);
    match made.and_then(|_| std::fs::remove_file(&probe)) {
        Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => {
            Err(Error::io(said, e).with_remedy("choose a folder that can be written"))
        }
        _ => Ok(()),
    }
}

/// Refuses a name (`/` between folders) one of whose folders is a link: what lies there is somebody else's.
///
/// # Errors
/// [`OutputExists`](ErrorKind::OutputExists).
pub fn not_through_links(folder: &Path, name: &str) -> Result<()> {
    let mut at = folder.to_path_buf();
    let parts: Vec<&str> = name.split('/').collect();
    for part in &parts[..parts.len() - 1] {
        at.push(part);
        if at.is_symlink() {
            return Err(Error::new(ErrorKind::OutputExists, "this is a link to a folder elsewhere")
                .with_path(&at)
                .with_remedy("choose another folder for the results, or remove the link"));
        }
    }
    Ok(())
}

/// Removes a file of ours from a folder, if it is there, and follows no link.
///
/// # Errors
/// As for [`not_through_links`]; what the system answers.
pub fn remove(folder: &Path, name: &str) -> Result<()> {
    not_through_links(folder, name)?;
    take_away(&folder.join(name))
}

fn take_away(path: &Path) -> Result<()> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Error::io(path, e)),
        _ => Ok(()),
    }
}

/// Removes what a killed run left half-written below a folder.
///
/// # Errors
/// What the system answers.
pub fn clear_unfinished(folder: &Path) -> Result<()> {
    unfinished(folder).iter().try_for_each(|path| take_away(path))
}

/// Folders in folders that results lie in, and one more.
const DEPTH: usize = 5;

/// Names of the files below a folder that are not hidden, in order. Links are not followed: they are somebody's.
fn present(folder: &Path) -> impl Iterator<Item = walkdir::Result<String>> {
    let visible = |e: &walkdir::DirEntry| e.depth() == 0 || !e.file_name().as_encoded_bytes().starts_with(b".");
    let entries = walkdir::WalkDir::new(folder).max_depth(DEPTH).sort_by_file_name().into_iter().filter_entry(visible);
    // What lies deeper than a result can is seen as the folder that it lies in.
    entries.filter(|e| e.as_ref().map_or(true, |e| !e.file_type().is_dir() || e.depth() == DEPTH)).map(move |entry| {
        let entry = entry?;
        let parts = entry.path().strip_prefix(folder).unwrap_or(entry.path()).components();
        Ok(parts.map(|c| c.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/"))
    })
}

/// Names of the files below a folder that are not hidden, in order, with `/` between folders; none where there is no
/// such folder.
///
/// # Errors
/// [`InvalidArgument`](ErrorKind::InvalidArgument) when this is not a folder; what the system answers.
pub fn files_below(folder: &Path) -> Result<Vec<String>> {
    if !folder.is_dir() {
        if folder.exists() || folder.is_symlink() {
            return Err(Error::new(ErrorKind::InvalidArgument, "this is not a folder").with_path(folder));
        }
        return Ok(Vec::new());
    }
    present(&resolved(folder)).map(|name| name.map_err(|e| Error::io(folder, e.into()))).collect()
}

/// Files that a killed run left half-written.
fn unfinished(folder: &Path) -> Vec<PathBuf> {
    let is_part = |e: &walkdir::DirEntry| {
        let name = e.file_name().to_string_lossy();
        e.file_type().is_file() && name.starts_with(PART.0) && name.ends_with(PART.1)
    };
    let entries = walkdir::WalkDir::new(folder).max_depth(DEPTH).into_iter().flatten();
    entries.filter(is_part).map(walkdir::DirEntry::into_path).collect()
}

/// A part of a file name that every system takes, not hidden, and short enough to be joined with two others.
pub fn plain_name(text: &str) -> String {
    let mut text: String =
        text.chars().map(|c| if c.is_control() || "/\\:*?\"<>|".contains(c) { '_' } else { c }).collect();
    let most = LONGEST_PART.min(text.len());
    text.truncate((0..=most).rev().find(|&end| text.is_char_boundary(end)).unwrap_or(0));
    if text.is_empty() || text.starts_with('.') {
        text.replace_range(..text.len().min(1), "_");
    }
    text
}

/// Names have 255 bytes on the usual systems; three such parts and what stands between them.
const LONGEST_PART: usize = 76;

/// The path with links followed as far as it exists.
pub fn resolved(path: &Path) -> PathBuf {
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

    fn names(_: &Alignment) -> ResultNames {
        let made = ["timeline.otio", "sound/a.wav"].map(str::to_owned).into();
        ResultNames { made, changed: vec!["rough-cut/edits.txt".to_owned()] }
    }

    fn result(clock: &str) -> Alignment {
        let text = r#"{"schema":"coeval.alignment/1","generator":{"name":"coeval","version":"0"},
            "timeline":{"clock":"a","duration_s":0},"recordings":[{"id":"a","kind":"other","files":[]}],"pairs":[]}"#;
        Alignment::from_json(&text.replace("\"a\"", &format!("\"{clock}\""))).unwrap()
    }

    fn kind(path: &Path, material: &[PathBuf], replace: bool, inside: bool) -> Option<ErrorKind> {
        OutFolder::check(path, material, &[], &names, replace, inside).err().map(|e| e.kind())
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
        assert!(OutFolder::check(&file, &[], &[], &names, true, false).is_err(), "a file is no folder");
    }

    #[test]
    fn an_earlier_result_gives_way_to_a_new_one_but_not_with_a_stranger_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let open = || OutFolder::check(dir.path(), &[], &[], &names, false, false);
        let out = open().unwrap();
        out.begin(&result("a")).unwrap();
        for name in ["timeline.otio", "sound/a.wav", "rough-cut/edits.txt"] {
            out.write(name, b"x").unwrap();
        }
        std::fs::write(dir.path().join("sound/.coeval-1.part"), b"half").unwrap();
        let there = || (dir.path().join("sound/a.wav").exists(), dir.path().join("sound/.coeval-1.part").exists());
        // The same result once more: what is there stays until it is replaced.
        open().unwrap().begin(&result("a")).unwrap();
        assert_eq!(there(), (true, false));
        open().unwrap().begin(&result("b")).unwrap();
        assert_eq!(there(), (false, false));
        assert!(!dir.path().join("timeline.otio").exists());
        assert!(dir.path().join("rough-cut/edits.txt").exists(), "a person may have worked on it");
        std::fs::write(dir.path().join("sound/mine.wav"), b"mine").unwrap();
        assert_eq!(kind(dir.path(), &[], false, false), Some(ErrorKind::OutputExists));
        std::fs::remove_file(dir.path().join("sound/mine.wav")).unwrap();
        assert_eq!(kind(dir.path(), &[], false, false), None);
        std::fs::write(dir.path().join("notes.txt"), b"mine").unwrap();
        assert_eq!(kind(dir.path(), &[], false, false), Some(ErrorKind::OutputExists));
    }

    #[test]
    fn a_recording_is_never_where_results_go() {
        let dir = tempfile::tempdir().unwrap();
        let check = |sources: &[PathBuf]| OutFolder::check(dir.path(), &[], sources, &names, true, true);
        std::fs::create_dir_all(dir.path().join("sound/whole")).unwrap();
        for name in ["sound/whole/a.wav", "sound/a.wav", "a.wav"] {
            std::fs::write(dir.path().join(name), b"mine").unwrap();
        }
        for name in ["sound/whole/a.wav", "x/../sound/a.wav"] {
            std::fs::create_dir_all(dir.path().join("x")).unwrap();
            let refused = check(&[dir.path().join("a.wav"), dir.path().join(name)]).unwrap_err();
            assert_eq!(refused.kind(), ErrorKind::InvalidArgument, "{name}");
        }
        check(&[dir.path().join("a.wav")]).unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn nothing_is_written_or_removed_through_a_link() {
        let dir = tempfile::tempdir().unwrap();
        let (out, elsewhere) = (dir.path().join("out"), dir.path().join("elsewhere"));
        std::fs::create_dir(&out).unwrap();
        std::fs::create_dir(&elsewhere).unwrap();
        std::fs::write(elsewhere.join("a.wav"), b"mine").unwrap();
        std::os::unix::fs::symlink(&elsewhere, out.join("sound")).unwrap();
        let open = OutFolder::check(&out, &[], &[], &names, true, false).unwrap();
        assert_eq!(open.write("sound/a.wav", b"ours").unwrap_err().kind(), ErrorKind::OutputExists);
        assert_eq!(remove(&out, "sound/a.wav").unwrap_err().kind(), ErrorKind::OutputExists);
        assert_eq!(std::fs::read(elsewhere.join("a.wav")).unwrap(), b"mine");
        std::os::unix::fs::symlink(dir.path().join("nowhere"), dir.path().join("dangling")).unwrap();
        assert_eq!(kind(&dir.path().join("dangling"), &[], true, false), Some(ErrorKind::NotFound));
    }

    #[test]
    fn names_are_plain_and_short() {
        assert_eq!(plain_name("a/b\u{1b}"), "a_b_");
        assert_eq!([plain_name(""), plain_name(".hidden"), plain_name("..")], ["_", "_hidden", "_."]);
        assert!(plain_name(&"\u{e9}".repeat(200)).len() <= 76);
    }

    #[test]
    fn text_is_read_from_plain_files_only() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("list");
        std::fs::write(&path, "four").unwrap();
        assert_eq!(read_text(&path, 4).unwrap(), "four");
        assert_eq!(read_text(&path, 3).unwrap_err().kind(), ErrorKind::Damaged);
        std::fs::write(&path, b"\xff\xfe").unwrap();
        assert!(read_text(&path, 9).unwrap_err().message().contains("UTF-8"));
        assert_eq!(read_text(dir.path(), 9).unwrap_err().kind(), ErrorKind::Damaged);
        assert_eq!(read_text(&dir.path().join("gone"), 9).unwrap_err().kind(), ErrorKind::NotFound);
        #[cfg(unix)]
        {
            // It would block, or never end.
            assert_eq!(read_text(Path::new("/dev/zero"), 9).unwrap_err().kind(), ErrorKind::Damaged);
        }
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
