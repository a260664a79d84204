//! Folders and files -> sources in natural order.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::path::{Component, Path, PathBuf};

use coeval::{Error, ErrorKind, Result};
use walkdir::WalkDir;

use crate::patterns::is_meant;

/// What a folder's file must be called to count as a recording. Names given one by one are always tried.
const EXTENSIONS: &[&str] = &[
    "3gp", "aac", "ac3", "aif", "aifc", "aiff", "alac", "avi", "bwf", "caf", "flac", "m2ts", "m4a", "m4v", "mka",
    "mkv", "mov", "mp1", "mp2", "mp3", "mp4", "mpg", "mts", "mxf", "oga", "ogg", "ogv", "opus", "qt", "rf64", "ts",
    "w64", "wav", "wave", "webm", "wma", "wmv",
];
/// What a photo is called, of which the time can be read.
const PHOTOS: &[&str] = &["avif", "dng", "heic", "heif", "hif", "jpe", "jpeg", "jpg", "png", "tif", "tiff", "webp"];
/// Camera cards nest three or four folders deep; this bounds the walk through a wrong folder.
const MAX_DEPTH: usize = 8;
/// Kinds of files passed over that are named.
const PASSED_KINDS: usize = 6;
/// A sub-folder that holds this file is an earlier result, not material.
const RESULT_NAME: &str = "alignment.json";

/// A file that should hold a recording.
#[derive(Debug)]
#[non_exhaustive]
pub struct Source {
    /// Where it is.
    pub path: PathBuf,
    /// Its name relative to [`Found::root`], with `/` between folders. What is not UTF-8 is written `\xNN`.
    pub name: String,
    /// Why it is known already that it cannot be read.
    pub problem: Option<Error>,
}

impl Source {
    /// A file that has no name yet.
    fn new(path: PathBuf) -> Self {
        Self { path, name: String::new(), problem: None }
    }

    fn name_below(&mut self, root: &Path) {
        let (name, readable) = name_below(root, &self.path);
        self.name = name;
        if !readable && self.problem.is_none() {
            self.problem = Some(
                Error::new(ErrorKind::Unsupported, "the name is not UTF-8, so no result can refer to it")
                    .with_path(&self.path)
                    .with_remedy("rename the file"),
            );
        }
    }

    /// The same once more.
    pub(crate) fn again(&self) -> Source {
        let problem = self.problem.as_ref().map(crate::guard::repeat);
        Source { path: self.path.clone(), name: self.name.clone(), problem }
    }
}

/// What [`find`] found.
#[derive(Debug)]
#[non_exhaustive]
pub struct Found {
    /// The folder that all names are relative to: the one that was given, else the deepest one that holds all.
    pub root: PathBuf,
    /// The folders among the paths that were given.
    pub folders: Vec<PathBuf>,
    /// Sources in natural order of their names, each file once.
    pub sources: Vec<Source>,
    /// Photos below the folders, in natural order of their names.
    pub photos: Vec<Source>,
    /// Number of files that were passed over because of their names: notes, thumbnails.
    pub passed_over: usize,
    /// What they are: `.thm`, `hidden`, ..., and how many; the most first.
    pub passed_kinds: Vec<(String, usize)>,
    /// Those among them that hold sound or picture all the same: their names, and the container.
    pub passed_media: Vec<(String, &'static str)>,
}

impl Found {
    /// These, which nobody searched a folder for.
    pub(crate) fn of(sources: Vec<Source>) -> Self {
        let (root, folders, passed_kinds) = (PathBuf::new(), Vec::new(), Vec::new());
        let photos = Vec::new();
        Self { root, folders, sources, photos, passed_over: 0, passed_kinds, passed_media: Vec::new() }
    }

    /// What was passed over in words, one line each; none where that is nothing.
    pub fn passed_words(&self) -> Vec<String> {
        let mut lines = Vec::new();
        if self.passed_over > 0 {
            let kinds: Vec<String> =
                self.passed_kinds.iter().take(PASSED_KINDS).map(|(kind, count)| format!("{count} {kind}")).collect();
            let more = if self.passed_kinds.len() > PASSED_KINDS { ", ..." } else { "" };
            let files = if self.passed_over == 1 { "file" } else { "files" };
            lines.push(format!("{} {files} skipped: {}{more}", self.passed_over, kinds.join(", ")));
        }
        let media = self.passed_media.iter();
        lines.extend(media.map(|(name, container)| {
            format!("{name} holds {container}, but its extension is not that of a recording: rename it, or name the file itself")
        }));
        lines
    }
}

/// Looks for recordings. Each path is a file, taken whatever it is called, or a folder.
///
/// A folder is searched with its sub-folders, eight levels deep, for the usual extensions of sound and
/// picture files. Passed over are names that begin with a dot, other extensions, linked folders, and
/// sub-folders that hold an `alignment.json` (an earlier result). A folder that is called like a
/// recording (`x.wav`) is not searched but reported.
///
/// # Errors
/// [`NotFound`](ErrorKind::NotFound) when a path does not exist or nothing is found,
/// [`PermissionDenied`](ErrorKind::PermissionDenied) when a given folder cannot be listed.
pub fn find(paths: &[impl AsRef<Path>]) -> Result<Found> {
    find_without(paths, &[])
}

/// As [`find`], without the files that `exclude` names: relative to the root or by their base names, `*` standing for any
/// characters. They count as passed over.
///
/// # Errors
/// As for [`find`]; [`InvalidArgument`](ErrorKind::InvalidArgument) when a pattern fits no file.
pub fn find_without(paths: &[impl AsRef<Path>], exclude: &[String]) -> Result<Found> {
    if paths.is_empty() {
        return Err(Error::invalid("no folder and no file given").with_remedy("name a folder or some files"));
    }
    let Searched { mut sources, mut passed, folders, root } = search(paths)?;
    let photos: Vec<PathBuf> = passed.extract_if(.., |path| is_photo(path)).collect();
    if sources.is_empty() {
        let what = nothing_found(passed.len() + photos.len(), media_among(&passed, &root).first());
        return Err(Error::new(ErrorKind::NotFound, what)
            .with_path(paths[0].as_ref())
            .with_remedy("copy the recordings there, or name the files one by one"));
    }
    let mut photos: Vec<Source> = photos.into_iter().map(Source::new).collect();
    sources.iter_mut().chain(&mut photos).for_each(|source| source.name_below(&root));
    let all = || sources.iter().chain(&photos);
    if let Some(pattern) = exclude.iter().find(|p| !all().any(|s| is_meant(p, &s.name))) {
        return Err(Error::invalid(format!("`{pattern}` matches no file"))
            .with_remedy("use a path below the folder; `*` matches any characters"));
    }
    let is_excluded = |s: &mut Source| exclude.iter().any(|p| is_meant(p, &s.name));
    let excluded = sources.extract_if(.., is_excluded).count();
    photos.retain_mut(|s| !is_excluded(s));
    if sources.is_empty() {
        return Err(Error::new(ErrorKind::NotFound, format!("all {excluded} recordings are excluded"))
            .with_path(paths[0].as_ref())
            .with_remedy("exclude less"));
    }
    for found in [&mut sources, &mut photos] {
        found.sort_by(|a, b| natural_order(&a.name, &b.name).then_with(|| a.path.cmp(&b.path)));
    }
    let mut passed_kinds = kinds(&passed);
    if excluded > 0 {
        passed_kinds.insert(0, ("excluded".to_owned(), excluded));
    }
    let passed_media = media_among(&passed, &root);
    Ok(Found { root, folders, sources, photos, passed_over: passed.len() + excluded, passed_kinds, passed_media })
}

/// What lies under the paths that were given.
struct Searched {
    /// Without names yet, each once.
    sources: Vec<Source>,
    passed: Vec<PathBuf>,
    folders: Vec<PathBuf>,
    /// The deepest folder that holds all.
    root: PathBuf,
}

fn search(paths: &[impl AsRef<Path>]) -> Result<Searched> {
    let mut seen = BTreeSet::new();
    let mut sources = Vec::new();
    let mut passed: Vec<PathBuf> = Vec::new();
    let mut folders = Vec::new();
    let mut roots = Vec::new();
    for given in paths {
        let given = given.as_ref();
        let path = std::path::absolute(given).map_err(|e| Error::io(given, e))?;
        let meta = std::fs::metadata(&path).map_err(|e| {
            let error = Error::io(given, e);
            let remedy = match error.kind() {
                ErrorKind::NotFound => "check the name",
                ErrorKind::PermissionDenied => "ask for permission to read it",
                _ => "check that the disk is readable",
            };
            error.with_remedy(remedy)
        })?;
        let mut add = |path: PathBuf, problem: Option<Error>| {
            // One file under two names (a link, `a/../a/x.wav`) is one source.
            let identity = std::fs::canonicalize(&path).unwrap_or_else(|_| path.clone());
            if seen.insert(identity) {
                sources.push(Source { problem, ..Source::new(path) });
            }
        };
        if meta.is_dir() {
            passed.extend(search_folder(&path, given, &mut add)?);
            folders.push(path.clone());
            roots.push(path);
        } else {
            roots.push(path.parent().unwrap_or(&path).to_path_buf());
            add(path, None);
        }
    }
    let root = roots.into_iter().reduce(|a, b| common(&a, &b)).unwrap_or_default();
    Ok(Searched { sources, passed, folders, root })
}

fn nothing_found(files: usize, media: Option<&(String, &'static str)>) -> String {
    let mut what = match files {
        0 => "this folder is empty".to_owned(),
        _ => format!("no recording among the {files} files of this folder"),
    };
    if let Some((name, container)) = media {
        what.push_str(&format!("; {name} holds {container}, but its extension is not that of a recording"));
    }
    what
}

fn is_photo(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default();
    !is_hidden(name) && has_extension(name, PHOTOS) && path.is_file()
}

/// A file's extension with its dot, or what it is without one.
fn kind_of(path: &Path) -> String {
    if is_hidden(path.file_name().unwrap_or_default()) {
        return "hidden".to_owned();
    }
    match path.extension() {
        Some(extension) => format!(".{}", extension.to_string_lossy().to_lowercase()),
        None => "without an extension".to_owned(),
    }
}

/// The kinds of these files, and how many there are of each; the most first.
fn kinds(paths: &[PathBuf]) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    paths.iter().for_each(|path| *counts.entry(kind_of(path)).or_default() += 1);
    let mut kinds: Vec<(String, usize)> = counts.into_iter().collect();
    kinds.sort_by_key(|k| std::cmp::Reverse(k.1));
    kinds
}

fn is_hidden(name: &OsStr) -> bool {
    name.as_encoded_bytes().first() == Some(&b'.')
}

/// Which of these hold sound or picture by their content, and in what. Hidden ones are left alone.
fn media_among(passed: &[PathBuf], root: &Path) -> Vec<(String, &'static str)> {
    let visible = passed.iter().filter(|p| p.is_file() && !is_hidden(p.file_name().unwrap_or_default()));
    let media = visible.filter_map(|p| Some((name_below(root, p).0, coeval_media::container_of(p).ok()??)));
    media.collect()
}

/// Hands every candidate below `folder` to `add`; returns the files that were passed over.
fn search_folder(folder: &Path, given: &Path, add: &mut dyn FnMut(PathBuf, Option<Error>)) -> Result<Vec<PathBuf>> {
    let mut passed = Vec::new();
    let mut walk = WalkDir::new(folder).max_depth(MAX_DEPTH).sort_by_file_name().into_iter();
    while let Some(entry) = walk.next() {
        let entry = match entry {
            Ok(entry) => entry,
            Err(e) => {
                let (depth, path) = (e.depth(), e.path().unwrap_or(folder).to_path_buf());
                let cause = e.into_io_error().unwrap_or_else(|| std::io::Error::other("cannot be listed"));
                if depth == 0 {
                    return Err(Error::io(given, cause).with_remedy("get permission to read the folder"));
                }
                let error = Error::io(&path, cause).with_remedy("ask for permission to read it");
                add(path, Some(error));
                continue;
            }
        };
        if entry.depth() == 0 {
            continue;
        }
        let name = entry.file_name();
        let hidden = is_hidden(name);
        if entry.file_type().is_dir() {
            if hidden || entry.path().join(RESULT_NAME).is_file() {
                walk.skip_current_dir();
            } else if has_known_extension(name) {
                walk.skip_current_dir();
                let error =
                    Error::new(ErrorKind::UnknownFormat, "this is a folder, although its name ends like a recording")
                        .with_path(entry.path())
                        .with_remedy("rename the folder, or name the files in it");
                add(entry.into_path(), Some(error));
            }
        } else {
            let linked_folder = || entry.file_type().is_symlink() && entry.path().is_dir();
            if hidden || !has_known_extension(name) || linked_folder() {
                passed.push(entry.into_path());
            } else {
                add(entry.into_path(), None);
            }
        }
    }
    Ok(passed)
}

fn has_known_extension(name: &OsStr) -> bool {
    has_extension(name, EXTENSIONS)
}

fn has_extension(name: &OsStr, extensions: &[&str]) -> bool {
    let extension = Path::new(name).extension().and_then(OsStr::to_str).map(str::to_ascii_lowercase);
    extension.is_some_and(|e| extensions.contains(&e.as_str()))
}

fn common(a: &Path, b: &Path) -> PathBuf {
    a.components().zip(b.components()).take_while(|(x, y)| x == y).map(|(x, _)| x).collect()
}

/// The name relative to the root, and whether all of it is UTF-8.
fn name_below(root: &Path, path: &Path) -> (String, bool) {
    let mut readable = true;
    let mut name = String::new();
    for part in path.strip_prefix(root).unwrap_or(path).components() {
        if !name.is_empty() && !name.ends_with('/') {
            name.push('/');
        }
        if part == Component::RootDir {
            continue;
        }
        match part.as_os_str().to_str() {
            Some(text) => name.push_str(text),
            None => {
                readable = false;
                for chunk in part.as_os_str().as_encoded_bytes().utf8_chunks() {
                    name.push_str(chunk.valid());
                    for byte in chunk.invalid() {
                        name.push_str(&format!("\\x{byte:02X}"));
                    }
                }
            }
        }
    }
    (name, readable)
}

/// Order of names as a person sorts them: folder by folder, numbers by value, letters without case;
/// what is equal so far, by its bytes.
pub fn natural_order(a: &str, b: &str) -> Ordering {
    let by_value = a.split('/').zip(b.split('/')).map(|(x, y)| natural_part(x, y)).find(|o| o.is_ne());
    by_value.unwrap_or_else(|| a.split('/').count().cmp(&b.split('/').count())).then_with(|| a.cmp(b))
}

fn natural_part(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    while let (Some(x), Some(y)) = (a.chars().next(), b.chars().next()) {
        if x.is_ascii_digit() && y.is_ascii_digit() {
            let (number_a, rest_a) = leading_number(a);
            let (number_b, rest_b) = leading_number(b);
            let order = number_a.len().cmp(&number_b.len()).then_with(|| number_a.cmp(number_b));
            if order.is_ne() {
                return order;
            }
            (a, b) = (rest_a, rest_b);
        } else {
            let order = x.to_lowercase().cmp(y.to_lowercase());
            if order.is_ne() {
                return order;
            }
            (a, b) = (&a[x.len_utf8()..], &b[y.len_utf8()..]);
        }
    }
    a.len().cmp(&b.len())
}

/// The digits a text begins with, without leading zeros, and what follows them.
fn leading_number(text: &str) -> (&str, &str) {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    (text[..end].trim_start_matches('0'), &text[end..])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touch(path: &Path) {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, b"x").unwrap();
    }

    #[test]
    fn sorts_as_a_person_does() {
        let mut names =
            vec!["b/1.wav", "a10.wav", "A2.wav", "a02.wav", "a2.wav", "a1.wav", "b/10.wav", "b/9.wav", "a.wav"];
        names.sort_by(|a, b| natural_order(a, b));
        assert_eq!(
            names,
            ["a.wav", "a1.wav", "A2.wav", "a02.wav", "a2.wav", "a10.wav", "b/1.wav", "b/9.wav", "b/10.wav"]
        );
    }

    #[test]
    fn takes_recordings_and_passes_over_the_rest() {
        let dir = tempfile::tempdir().unwrap();
        for name in [
            "CARD/DCIM/100/V_002.MP4",
            "CARD/DCIM/100/V_001.MP4",
            "CARD/DCIM/100/V_001.THM",
            "rec.wav",
            "notes.txt",
            ".hidden.wav",
            ".trash/old.wav",
            "earlier/alignment.json",
            "earlier/voice.wav",
        ] {
            touch(&dir.path().join(name));
        }
        std::fs::create_dir(dir.path().join("x.wav")).unwrap();
        let found = find(&[dir.path()]).unwrap();
        let names: Vec<_> = found.sources.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(names, ["CARD/DCIM/100/V_001.MP4", "CARD/DCIM/100/V_002.MP4", "rec.wav", "x.wav"]);
        assert_eq!(found.passed_over, 3);
        assert_eq!(found.passed_words(), ["3 files skipped: 1 .thm, 1 .txt, 1 hidden"]);
        assert!(found.sources[3].problem.as_ref().unwrap().to_string().contains("rename the folder"));
        assert!(found.sources[..3].iter().all(|s| s.problem.is_none()));
    }

    #[test]
    fn media_under_an_unusual_name_is_said() {
        let dir = tempfile::tempdir().unwrap();
        touch(&dir.path().join("rec.wav"));
        // The fifth to eighth letters are a box's name.
        std::fs::write(dir.path().join("notes.txt"), "the free text of a person").unwrap();
        let options = coeval_media::WavOptions::new(8000, 1);
        let mut writer = coeval_media::WavWriter::create(&dir.path().join("CARD.BIN"), options).unwrap();
        writer.write(&[0.0; 800]).unwrap();
        writer.finish().unwrap();
        let found = find(&[dir.path()]).unwrap();
        assert_eq!(found.passed_media, [("CARD.BIN".to_owned(), "WAV")]);
        assert_eq!(found.passed_words().len(), 2);
        std::fs::remove_file(dir.path().join("rec.wav")).unwrap();
        let nothing = find(&[dir.path()]).unwrap_err();
        assert!(nothing.message().contains("CARD.BIN holds WAV"), "{nothing}");
    }

    #[test]
    fn names_files_below_what_holds_them_all_and_each_once() {
        let dir = tempfile::tempdir().unwrap();
        for name in ["one/a.wav", "two/b.odd"] {
            touch(&dir.path().join(name));
        }
        let (a, b) = (dir.path().join("one/a.wav"), dir.path().join("two/b.odd"));
        let found = find(&[b.clone(), a.clone(), dir.path().join("one"), dir.path().join("two/../one/a.wav")]).unwrap();
        assert_eq!(found.root, dir.path());
        assert_eq!(found.sources.iter().map(|s| s.name.as_str()).collect::<Vec<_>>(), ["one/a.wav", "two/b.odd"]);
        assert_eq!(find(&[a]).unwrap().root, dir.path().join("one"));
    }

    #[test]
    fn says_what_is_missing() {
        let dir = tempfile::tempdir().unwrap();
        let error = find(&[dir.path()]).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::NotFound);
        assert!(error.to_string().contains("empty"), "{error}");
        touch(&dir.path().join("notes.txt"));
        assert!(find(&[dir.path()]).unwrap_err().to_string().contains("no recording among the 1 files"));
        assert_eq!(find(&[dir.path().join("gone")]).unwrap_err().kind(), ErrorKind::NotFound);
    }

    #[cfg(unix)]
    #[test]
    fn a_name_that_is_not_utf8_is_shown_and_reported() {
        use std::os::unix::ffi::OsStrExt;
        let dir = tempfile::tempdir().unwrap();
        touch(&dir.path().join(OsStr::from_bytes(b"caf\xe9.wav")));
        let found = find(&[dir.path()]).unwrap();
        assert_eq!(found.sources[0].name, "caf\\xE9.wav");
        assert!(found.sources[0].problem.as_ref().unwrap().to_string().contains("rename"));
    }
}
