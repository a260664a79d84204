//! Work that is kept between runs, in a folder of entries.
//!
//! An entry's name is a hash of all that its content follows from ([`Key`]): what was measured, by which version, of which
//! files ([`Identity`]). It is written beside that name and renamed, and ends with a digest of its content: what was cut,
//! changed or given another name counts as not there. So several processes may use one folder, and each may be killed at
//! any moment. Nothing here is an error to whoever asks: what cannot be read is measured anew, what cannot be written is
//! not kept, and [`Cache::failure`] says why.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, SystemTime};

use coeval_error::{Error, ErrorKind, Result};
use sha2::{Digest as _, Sha256};

/// How an entry begins: what it is, and the version of the layout.
const MAGIC: &[u8; 8] = b"cvkept\x01\n";
const DIGEST: usize = 32;
/// What the names of entries, and of those that are still being written, end with.
const ENTRY: &str = ".coeval-kept";
const PART: (&str, &str) = (".coeval-", ".kept-part");
/// Unfinished entries that are older are of a run that was killed.
const ABANDONED: Duration = Duration::from_secs(24 * 3600);
/// Bytes that are read at a time.
const BLOCK: usize = 1 << 16;
/// Bytes of a file's start and end that are part of its identity, and how many blocks between them, of so many bytes.
const ENDS: u64 = 1 << 16;
const BLOCKS_BETWEEN: u64 = 16;
const BETWEEN: usize = 1 << 12;

/// A folder in which work is kept. Clones are the same cache.
#[derive(Debug, Clone)]
pub struct Cache(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    folder: PathBuf,
    most_bytes: u64,
    /// Bytes of all entries, once they were counted, and what was written since.
    held: Mutex<Option<u64>>,
    failure: OnceLock<String>,
}

impl Cache {
    /// Bytes that entries take at the most, unless said otherwise: the tracks of about 80 hours of sound.
    pub const MOST_BYTES: u64 = 5 << 30;

    /// The cache in a folder, which is made when there is something to keep. Entries take `most_bytes` at the most: those
    /// that nobody used for longest go first.
    pub fn new(folder: impl Into<PathBuf>, most_bytes: u64) -> Self {
        Self(Arc::new(Inner { folder: folder.into(), most_bytes, held: Mutex::new(None), failure: OnceLock::new() }))
    }

    /// The folder that the platform has for such things: `$XDG_CACHE_HOME/coeval` or `~/.cache/coeval`,
    /// `~/Library/Caches/coeval`, `%LOCALAPPDATA%\coeval\cache`. `None` where it says nothing.
    pub fn platform_folder() -> Option<PathBuf> {
        let variable = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
        if cfg!(windows) {
            return variable("LOCALAPPDATA").map(|local| local.join("coeval").join("cache"));
        }
        let home = || std::env::home_dir().filter(|path| path.is_absolute());
        let caches = match cfg!(target_os = "macos") {
            true => home().map(|home| home.join("Library").join("Caches")),
            false => variable("XDG_CACHE_HOME").or_else(|| home().map(|home| home.join(".cache"))),
        };
        caches.map(|caches| caches.join("coeval"))
    }

    /// Where it is.
    pub fn folder(&self) -> &Path {
        &self.0.folder
    }

    /// What is kept under a key.
    pub fn get(&self, key: &Key) -> Option<Vec<u8>> {
        let mut content = Vec::new();
        self.read(key)?.0.read_to_end(&mut content).ok()?;
        Some(content)
    }

    /// As [`get`](Self::get), to be read piece by piece, and how many bytes there are.
    pub fn read(&self, key: &Key) -> Option<(impl Read + use<>, u64)> {
        let mut file = File::open(self.place(key)).ok()?;
        let length = file.metadata().ok()?.len().checked_sub((MAGIC.len() + DIGEST) as u64)?;
        let mut magic = [0; MAGIC.len()];
        file.read_exact(&mut magic).ok()?;
        let mut hash = key.digest();
        let (mut block, mut left) = (vec![0; BLOCK], length);
        while left > 0 {
            let block = &mut block[..left.min(BLOCK as u64) as usize];
            file.read_exact(block).ok()?;
            hash.update(&*block);
            left -= block.len() as u64;
        }
        let mut tail = [0; DIGEST];
        file.read_exact(&mut tail).ok()?;
        if &magic != MAGIC || tail[..] != hash.finalize()[..] {
            return None;
        }
        // What is used is not old.
        let _ = file.set_modified(SystemTime::now());
        file.seek(SeekFrom::Start(MAGIC.len() as u64)).ok()?;
        Some((file.take(length), length))
    }

    /// Keeps bytes under a key.
    pub fn put(&self, key: &Key, content: &[u8]) {
        self.write(key, |out| out.write_all(content));
    }

    /// As [`put`](Self::put), written piece by piece.
    pub fn write(&self, key: &Key, content: impl FnOnce(&mut dyn Write) -> io::Result<()>) {
        // Where one could not be kept, the next is not tried: a full disk may be slow to say so.
        if self.0.failure.get().is_some() {
            return;
        }
        if let Err(e) = self.try_write(key, content) {
            let _ =
                self.0.failure.set(format!("measurements can no longer be kept in {}: {e}", self.0.folder.display()));
        }
    }

    fn try_write(&self, key: &Key, content: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
        private_folder(&self.0.folder)?;
        let file = tempfile::Builder::new().prefix(PART.0).suffix(PART.1).tempfile_in(&self.0.folder)?;
        let mut out = Hashing { out: io::BufWriter::with_capacity(BLOCK, file), hash: key.digest(), bytes: 0 };
        out.out.write_all(MAGIC)?;
        content(&mut out)?;
        let Hashing { mut out, hash, bytes } = out;
        out.write_all(&hash.finalize())?;
        let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
        // A file system's own clock may be a few milliseconds behind the one that entries in use are marked by.
        let _ = file.as_file().set_modified(SystemTime::now());
        file.persist(self.place(key))?;
        self.bound(bytes + (MAGIC.len() + DIGEST) as u64)
    }

    /// Why something could not be kept, in words, if so.
    pub fn failure(&self) -> Option<&str> {
        self.0.failure.get().map(String::as_str)
    }

    /// How many entries there are, and how many bytes they take.
    ///
    /// # Errors
    /// What the system says about reading the folder; none when there is no such folder.
    pub fn size(&self) -> Result<(usize, u64)> {
        let entries = self.entries().map_err(|e| Error::io(&self.0.folder, e))?;
        Ok((entries.len(), entries.iter().map(|e| e.bytes).sum()))
    }

    /// Removes all entries, and nothing else; how many, and how many bytes they took.
    ///
    /// # Errors
    /// What the system says.
    pub fn clear(&self) -> Result<(usize, u64)> {
        let cleared = self.size()?;
        for entry in self.entries().map_err(|e| Error::io(&self.0.folder, e))? {
            removed(&entry.path).map_err(|e| Error::io(&entry.path, e))?;
        }
        Ok(cleared)
    }

    fn place(&self, key: &Key) -> PathBuf {
        self.0.folder.join(key.name())
    }

    /// Counts so many bytes more, and removes the oldest entries where there are too many.
    fn bound(&self, more: u64) -> io::Result<()> {
        let mut held = self.0.held.lock().unwrap_or_else(|e| e.into_inner());
        if let Some(bytes) = *held
            && bytes + more <= self.0.most_bytes
        {
            *held = Some(bytes + more);
            return Ok(());
        }
        let mut entries = self.entries()?;
        entries.sort_by(|a, b| (a.used, &a.path).cmp(&(b.used, &b.path)));
        let mut bytes = entries.iter().map(|e| e.bytes).sum::<u64>();
        for entry in &entries {
            if bytes > self.0.most_bytes {
                removed(&entry.path)?;
                bytes -= entry.bytes;
            }
        }
        *held = Some(bytes);
        Ok(())
    }

    /// Our entries; what a killed run left unfinished is removed. Anything else in the folder is somebody else's.
    fn entries(&self) -> io::Result<Vec<Entry>> {
        let listed = match std::fs::read_dir(&self.0.folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            listed => listed?,
        };
        let mut entries = Vec::new();
        for entry in listed {
            let entry = entry?;
            let (name, path) = (entry.file_name(), entry.path());
            let name = name.to_string_lossy();
            // Another process may have removed it meanwhile.
            let Ok(about) = entry.metadata() else { continue };
            let used = about.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            if !about.is_file() {
                continue;
            }
            if Key::is_name(&name) {
                entries.push(Entry { path, bytes: about.len(), used });
            } else if name.starts_with(PART.0)
                && name.ends_with(PART.1)
                && used.elapsed().is_ok_and(|age| age > ABANDONED)
            {
                removed(&path)?;
            }
        }
        Ok(entries)
    }
}

struct Entry {
    path: PathBuf,
    bytes: u64,
    used: SystemTime,
}

fn removed(path: &Path) -> io::Result<()> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(e),
        _ => Ok(()),
    }
}

/// Makes a folder that only the user can look into: what is kept of a recording says what was said in it.
fn private_folder(folder: &Path) -> io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

struct Hashing<W> {
    out: W,
    hash: Sha256,
    bytes: u64,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.out.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// What an entry is called: all that its content follows from.
#[derive(Debug, Clone)]
pub struct Key {
    kind: &'static str,
    hash: Sha256,
}

impl Key {
    /// For content of a kind (lower-case letters and hyphens), made by `version` of whatever makes it.
    pub fn new(kind: &'static str, version: &str) -> Self {
        Self { kind, hash: Sha256::new() }.with(kind.as_bytes()).with(version.as_bytes())
    }

    /// The same, and it follows from this too.
    #[must_use]
    pub fn with(mut self, part: &[u8]) -> Self {
        self.hash.update((part.len() as u64).to_le_bytes());
        self.hash.update(part);
        self
    }

    /// A digest of all that it follows from.
    pub fn bytes(&self) -> [u8; 32] {
        self.hash.clone().finalize().into()
    }

    /// Begins the digest of an entry under this key.
    fn digest(&self) -> Sha256 {
        Sha256::new().chain_update(self.bytes())
    }

    fn name(&self) -> String {
        let hex: String = self.bytes().iter().map(|b| format!("{b:02x}")).collect();
        format!("{}-{hex}{ENTRY}", self.kind)
    }

    fn is_name(name: &str) -> bool {
        let hash = name.strip_suffix(ENTRY).and_then(|n| n.rsplit_once('-')).map(|n| n.1);
        hash.is_some_and(|h| h.len() == 2 * DIGEST && h.bytes().all(|b| b.is_ascii_hexdigit()))
    }
}

/// What tells a file from every other, and from itself before it was changed: its size, when it was changed last, its
/// start, its end, and blocks between them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity([u8; 32]);

impl Identity {
    /// That of a file as it is now.
    ///
    /// # Errors
    /// What the system says; [`InvalidArgument`](ErrorKind::InvalidArgument) for what is no plain file.
    pub fn of(path: &Path) -> Result<Self> {
        Self::read(path).map_err(|e| Error::io(path, e)).and_then(|identity| {
            identity.ok_or_else(|| Error::new(ErrorKind::InvalidArgument, "this is not a regular file").with_path(path))
        })
    }

    fn read(path: &Path) -> io::Result<Option<Self>> {
        // A pipe that nobody writes to would not even open.
        if !std::fs::metadata(path)?.is_file() {
            return Ok(None);
        }
        let mut file = File::open(path)?;
        let about = file.metadata()?;
        let size = about.len();
        let changed = about.modified()?;
        let since = changed.duration_since(SystemTime::UNIX_EPOCH).unwrap_or_else(|e| e.duration());
        let mut hash = Sha256::new();
        hash.update(size.to_le_bytes());
        hash.update([u8::from(changed < SystemTime::UNIX_EPOCH)]);
        hash.update(since.as_nanos().to_le_bytes());
        let mut block = vec![0; ENDS as usize];
        let mut add = |from: u64, bytes: usize| -> io::Result<()> {
            file.seek(SeekFrom::Start(from))?;
            let block = &mut block[..bytes];
            file.read_exact(block)?;
            hash.update(block);
            Ok(())
        };
        let end = ENDS.min(size);
        add(0, end as usize)?;
        add(size - end, end as usize)?;
        if let Some(inner) = size.checked_sub(2 * ENDS + BETWEEN as u64) {
            for i in 0..BLOCKS_BETWEEN {
                add(ENDS + inner / BLOCKS_BETWEEN * i, BETWEEN)?;
            }
        }
        Ok(Some(Self(hash.finalize().into())))
    }

    /// As bytes, for a [`Key`] or to be compared later.
    pub fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(name: &str) -> Key {
        Key::new("thing", "1").with(name.as_bytes())
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn what_is_kept_comes_back_and_nothing_else_does() {
        let dir = tempfile::tempdir().unwrap();
        let cache = Cache::new(dir.path().join("a/b"), 1 << 20);
        assert_eq!(cache.get(&key("a")), None);
        assert_eq!(cache.size().unwrap(), (0, 0));
        for content in [&b""[..], b"one", &[7; 200_000]] {
            cache.put(&key("a"), content);
            assert_eq!(cache.get(&key("a")).as_deref(), Some(content));
        }
        // Where one part ends and the next begins is part of a key, and so are kind and version.
        let others =
            [Key::new("thing", "2").with(b"a"), Key::new("other", "1").with(b"a"), key("").with(b"a"), key("b")];
        assert!(others.iter().all(|other| cache.get(other).is_none()));
        assert_eq!(cache.failure(), None);
    }

    #[test]
    fn damage_of_any_kind_counts_as_not_there() {
        let dir = tempfile::tempdir().unwrap();
        let cache = Cache::new(dir.path(), 1 << 20);
        cache.put(&key("a"), b"some content");
        let path = cache.place(&key("a"));
        let whole = std::fs::read(&path).unwrap();
        for at in 0..whole.len() {
            std::fs::write(&path, &whole[..at]).unwrap();
            assert_eq!(cache.get(&key("a")), None, "cut at {at}");
            let mut changed = whole.clone();
            changed[at] ^= 0x10;
            std::fs::write(&path, &changed).unwrap();
            assert_eq!(cache.get(&key("a")), None, "changed at {at}");
        }
        std::fs::write(&path, [&whole[..], b"more"].concat()).unwrap();
        assert_eq!(cache.get(&key("a")), None, "longer");
        // Under another name it is somebody else's.
        std::fs::write(cache.place(&key("b")), &whole).unwrap();
        assert_eq!(cache.get(&key("b")), None);
        cache.put(&key("a"), b"some content");
        assert_eq!(std::fs::read(&path).unwrap(), whole);
    }

    #[test]
    fn the_oldest_go_first_and_strangers_stay() {
        let dir = tempfile::tempdir().unwrap();
        let cache = Cache::new(dir.path(), 3500);
        let strangers = ["notes.txt", "track-.coeval-kept", ".coeval-1.kept-part"];
        for name in strangers {
            std::fs::write(dir.path().join(name), [0; 5000]).unwrap();
        }
        let aged = |name: &str, hours: u64| {
            let file = File::options().write(true).open(cache.place(&key(name))).unwrap();
            file.set_modified(SystemTime::now() - Duration::from_secs(3600 * hours)).unwrap();
        };
        for (name, hours) in [("a", 3), ("b", 2), ("c", 1)] {
            cache.put(&key(name), &[1; 1000]);
            aged(name, hours);
        }
        // It was used, so it is the youngest now.
        assert!(cache.get(&key("a")).is_some());
        cache.put(&key("d"), &[1; 1000]);
        let there = ["a", "b", "c", "d"].map(|name| cache.get(&key(name)).is_some());
        assert_eq!(there, [true, false, true, true]);
        // What is too large by itself leaves nothing behind.
        cache.put(&key("e"), &[1; 4000]);
        assert_eq!(cache.size().unwrap(), (0, 0));
        cache.put(&key("f"), &[1; 10]);
        assert_eq!(cache.clear().unwrap().0, 1);
        assert!(names(dir.path()).iter().eq(&[".coeval-1.kept-part", "notes.txt", "track-.coeval-kept"]));
        // An unfinished entry of yesterday's is of a run that was killed.
        let part = File::options().write(true).open(dir.path().join(strangers[2])).unwrap();
        part.set_modified(SystemTime::now() - Duration::from_secs(2 * 24 * 3600)).unwrap();
        cache.clear().unwrap();
        assert!(names(dir.path()).iter().eq(&["notes.txt", "track-.coeval-kept"]));
    }

    #[test]
    fn where_nothing_can_be_kept_it_says_so_once() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("file");
        std::fs::write(&file, "mine").unwrap();
        let cache = Cache::new(&file, 1 << 20);
        assert_eq!(cache.get(&key("a")), None);
        cache.put(&key("a"), b"x");
        assert!(cache.failure().is_some_and(|why| why.contains("file")), "{:?}", cache.failure());
        assert_eq!(std::fs::read(&file).unwrap(), b"mine");
        // What fails while it is written leaves nothing behind.
        let cache = Cache::new(dir.path().join("other"), 1 << 20);
        cache.write(&key("a"), |_| Err(io::Error::other("no more")));
        assert!(cache.failure().is_some_and(|why| why.ends_with("no more")));
        assert_eq!(names(cache.folder()), [""; 0]);
    }

    #[test]
    fn many_at_once_see_whole_entries_only() {
        let dir = tempfile::tempdir().unwrap();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    // As another process would have it, so small that entries come and go.
                    let cache = Cache::new(dir.path(), 100_000);
                    for round in 0..50 {
                        let name = (round % 5).to_string();
                        let content = vec![round as u8 % 5; 30_000];
                        cache.put(&key(&name), &content);
                        assert!(cache.get(&key(&name)).is_none_or(|there| there == content));
                    }
                    assert_eq!(cache.failure(), None);
                });
            }
        });
        assert!(names(dir.path()).iter().all(|name| Key::is_name(name)));
    }

    #[test]
    fn a_file_that_was_touched_or_changed_is_another() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.wav");
        for size in [0usize, 1, 70_000, 140_000, 3_000_000] {
            let content = vec![5; size];
            let then = SystemTime::UNIX_EPOCH + Duration::from_millis(1_700_000_000_123);
            let made = |content: &[u8], when: SystemTime| {
                std::fs::write(&path, content).unwrap();
                File::options().write(true).open(&path).unwrap().set_modified(when).unwrap();
                Identity::of(&path).unwrap()
            };
            let first = made(&content, then);
            assert_eq!(first, made(&content, then));
            assert_ne!(first, made(&content, then + Duration::from_millis(1)));
            assert_ne!(first, made(&[&content[..], &[5]].concat(), then));
            for at in [0, size.saturating_sub(1)].into_iter().filter(|at| *at < size) {
                let mut changed = content.clone();
                changed[at] = 6;
                assert_ne!(first, made(&changed, then), "{at} of {size}");
            }
        }
        assert_eq!(Identity::of(dir.path()).unwrap_err().kind(), ErrorKind::InvalidArgument);
        assert_eq!(Identity::of(&dir.path().join("none")).unwrap_err().kind(), ErrorKind::NotFound);
    }
}
