#![doc = include_str!("../README.md")]
#![forbid(unsafe_code)]

use std::fmt;
use std::path::{Path, PathBuf};

/// What went wrong, in a form that a program can act on. The bindings map every entry of [`ErrorKind::ALL`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum ErrorKind {
    /// An argument is out of its range or two arguments contradict each other.
    InvalidArgument,
    /// A file or folder does not exist.
    NotFound,
    /// The system refuses access.
    PermissionDenied,
    /// Reading or writing failed part-way.
    Io,
    /// The content is not a media file that is known here.
    UnknownFormat,
    /// The format is known, but not this variety of it (codec, channel layout, encryption).
    Unsupported,
    /// The file breaks its own format's rules, or is cut short before its index.
    Damaged,
    /// The file has no sound track, or the sound track has no samples.
    NoSound,
    /// Something stands where the output should go.
    OutputExists,
    /// The caller asked to stop.
    Cancelled,
    /// A fault in Coeval itself.
    Internal,
}

impl ErrorKind {
    /// Every kind, so that bindings can test their mapping.
    pub const ALL: &'static [ErrorKind] = &[
        ErrorKind::InvalidArgument,
        ErrorKind::NotFound,
        ErrorKind::PermissionDenied,
        ErrorKind::Io,
        ErrorKind::UnknownFormat,
        ErrorKind::Unsupported,
        ErrorKind::Damaged,
        ErrorKind::NoSound,
        ErrorKind::OutputExists,
        ErrorKind::Cancelled,
        ErrorKind::Internal,
    ];
}

/// A failure: which file (where there is one), what was wrong, what to do.
#[derive(Debug, thiserror::Error)]
pub struct Error(Box<Inner>);

#[derive(Debug)]
struct Inner {
    kind: ErrorKind,
    path: Option<PathBuf>,
    message: String,
    remedy: Option<String>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// `std::result::Result` with this crate's [`Error`].
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// A failure with what was wrong, in words that name the offending value.
    pub fn new(kind: ErrorKind, message: impl Into<String>) -> Self {
        Self(Box::new(Inner { kind, path: None, message: message.into(), remedy: None, source: None }))
    }

    /// An argument is out of its range: [`ErrorKind::InvalidArgument`].
    pub fn invalid(message: impl Into<String>) -> Self {
        Self::new(ErrorKind::InvalidArgument, message)
    }

    /// An input or output failure on `path`, its kind taken from the system's answer.
    pub fn io(path: impl AsRef<Path>, source: std::io::Error) -> Self {
        let kind = match source.kind() {
            std::io::ErrorKind::NotFound => ErrorKind::NotFound,
            std::io::ErrorKind::PermissionDenied => ErrorKind::PermissionDenied,
            _ => ErrorKind::Io,
        };
        Self::new(kind, source.to_string()).with_path(path).with_source(source)
    }

    /// The caller asked to stop.
    pub fn cancelled() -> Self {
        Self::new(ErrorKind::Cancelled, "stopped on request")
    }

    /// Names the file that the failure is about.
    #[must_use]
    pub fn with_path(mut self, path: impl AsRef<Path>) -> Self {
        self.0.path = Some(path.as_ref().to_path_buf());
        self
    }

    /// Says what the user can do.
    #[must_use]
    pub fn with_remedy(mut self, remedy: impl Into<String>) -> Self {
        self.0.remedy = Some(remedy.into());
        self
    }

    /// Keeps the failure that caused this one.
    #[must_use]
    pub fn with_source(mut self, source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.0.source = Some(source.into());
        self
    }

    /// What went wrong, for programs.
    pub fn kind(&self) -> ErrorKind {
        self.0.kind
    }

    /// The file it is about, if there is one.
    pub fn path(&self) -> Option<&Path> {
        self.0.path.as_deref()
    }

    /// What was wrong, without file name and remedy.
    pub fn message(&self) -> &str {
        &self.0.message
    }

    /// What the user can do about it, if anything is known.
    pub fn remedy(&self) -> Option<&str> {
        self.0.remedy.as_deref()
    }
}

impl fmt::Display for Error {
    /// One line: `path: what was wrong; what to do`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(path) = &self.0.path {
            write!(f, "{}: ", path.display())?;
        }
        f.write_str(&self.0.message)?;
        if let Some(remedy) = &self.0.remedy {
            write!(f, "; {remedy}")?;
        }
        Ok(())
    }
}
