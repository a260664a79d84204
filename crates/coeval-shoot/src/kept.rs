//! What is kept between runs where the caller gives a [`Cache`]: under which keys, and in which form.

use std::path::Path;
use std::sync::LazyLock;

use coeval::Result;
use coeval_media::{Cache, Identity, Key, OpenOptions};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// All that results follow from besides files and options: the code, and how this processor adds and multiplies.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    #[cfg_attr(not(target_arch = "x86_64"), allow(unused_mut, reason = "other processors add nothing"))]
    let mut version = [
        env!("CARGO_PKG_VERSION"),
        coeval::VERSION,
        coeval_media::VERSION,
        coeval_listen::VERSION,
        env!("COEVAL_SOURCES"),
        std::env::consts::ARCH,
        std::env::consts::OS,
    ]
    .join(" ");
    // Transforms are computed by what the processor has, with other roundings.
    #[cfg(target_arch = "x86_64")]
    for (name, has) in [("avx", is_x86_feature_detected!("avx")), ("fma", is_x86_feature_detected!("fma"))] {
        version += if has { name } else { "-" };
    }
    version
});

/// A key of work of this version.
pub(crate) fn key(kind: &'static str) -> Key {
    Key::new(kind, &VERSION)
}

/// What is measured of a file, by which cache and key it is kept.
pub(crate) type Kept = (Cache, Key);

/// A file in the state in which it is now, as these options open it: what follows from its content is kept under this and
/// what is measured.
///
/// `None` where nothing is kept, and for what is no plain file.
pub(crate) fn of_file(path: &Path, options: &OpenOptions) -> Option<(Cache, Identity)> {
    Some((options.cache.clone()?, Identity::of(path).ok()?))
}

/// What is measured of a file: taken from an earlier run where `load` finds it, or else made by `work` and given to `save`,
/// and where it is kept. What changed meanwhile is not kept.
pub(crate) fn measured<T>(
    path: &Path,
    options: &OpenOptions,
    kind: &'static str,
    load: impl FnOnce(&Kept) -> Option<T>,
    save: impl FnOnce(&Kept, &T),
    work: impl FnOnce() -> Result<T>,
) -> Result<(T, Option<Kept>)> {
    let Some((cache, identity)) = of_file(path, options) else { return Ok((work()?, None)) };
    let mut key = key(kind).with(identity.bytes());
    if options.allow_ffmpeg {
        key = key.with(&ffmpeg());
    }
    if let Some(channels) = &options.channels {
        key = key.with(format!("{channels:?}").as_bytes());
    }
    let kept = (cache, key);
    if let Some(known) = load(&kept) {
        return Ok((known, Some(kept)));
    }
    let made = work()?;
    if Identity::of(path).ok() != Some(identity) {
        return Ok((made, None));
    }
    save(&kept, &made);
    Ok((made, Some(kept)))
}

/// The identity of the `ffmpeg` that would read.
fn ffmpeg() -> Vec<u8> {
    let name = format!("ffmpeg{}", std::env::consts::EXE_SUFFIX);
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path).find_map(|folder| Identity::of(&folder.join(&name)).ok());
    found.map_or_else(Vec::new, |identity| identity.bytes().to_vec())
}

/// A value that was kept by [`put`].
pub(crate) fn get<T: DeserializeOwned>((cache, key): &Kept) -> Option<T> {
    ciborium::from_reader(&cache.get(key)?[..]).ok()
}

/// Keeps a value.
pub(crate) fn put<T: Serialize>((cache, key): &Kept, value: &T) {
    cache.write(key, |out| {
        ciborium::into_writer(value, out).map_err(|e| match e {
            ciborium::ser::Error::Io(e) => e,
            ciborium::ser::Error::Value(why) => std::io::Error::other(why),
        })
    });
}
