//! Places recordings of one event on one clock.
//!
//! Every device that records an event starts at its own moment and runs on its own clock. This
//! crate takes their sound as plain samples and finds, for each file, the map from its time to one
//! common timeline: offset, drift, wander, jumps, or the honest answer that there is none.
//!
//! The modules are the steps of the job, in the order in which the data flows:
//!
//! 1. [`track`]: any sound -> an analysis [`Track`](track::Track) (mono, 8 kHz, spectrally levelled).
//! 2. [`pair`]: two tracks -> offset, drift, jumps, confidence, uncertainty.
//! 3. [`network`]: all pairs -> one [`ClockMap`](clock::ClockMap) per file.
//! 4. [`resample`]: sound moved along its map, onto the timeline or under a clip.
//! 5. [`marker`]: short sharp sounds, found and matched between recordings.
//!
//! Two recordings of one event; the second began 5 s later:
//!
//! ```
//! use coeval::network::{Link, Node, solve};
//! use coeval::pair::{PairOptions, PairOutcome, align_pair};
//! use coeval::track::{Track, TrackBuilder};
//!
//! // What both hear, and a hiss of each one's own (a congruential generator).
//! let noise = |mut state: u32| move || {
//!     state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
//!     (state >> 8) as f32 / (1 << 23) as f32 - 1.0
//! };
//! let (mut talk, mut hiss) = (noise(1), noise(2));
//! let event: Vec<f32> = (0..30 * 8000).map(|_| talk()).collect();
//! let mut hear = |from: usize| -> coeval::Result<Track> {
//!     let mut builder = TrackBuilder::new(8000.0, 1)?;
//!     for block in event[from..].chunks(1024) {
//!         builder.push(&block.iter().map(|x| x + hiss()).collect::<Vec<f32>>())?;
//!     }
//!     Ok(builder.finish())
//! };
//! let (camera, recorder) = (hear(0)?, hear(5 * 8000)?);
//!
//! let found = match align_pair(&camera, &recorder, &PairOptions::default(), &())? {
//!     PairOutcome::Placed(found) => found,
//!     PairOutcome::Unplaced(why) => panic!("{}", why.as_str()),
//! };
//! assert!((found.map.offset_s() - 5.0).abs() < 1e-4 && found.confidence > 0.999);
//!
//! // With more than two recordings, all pairs together say where each file lies.
//! let node = |recording, track: &Track, is_camera| {
//!     Node { recording, duration_s: track.duration_s(), is_camera, distance_m: 0.0 }
//! };
//! let nodes = [node(0, &camera, true), node(1, &recorder, false)];
//! let solution = solve(&nodes, &[Link { a: 0, b: 1, alignment: *found }], 0)?;
//! let placed = solution.placements[1].as_ref().expect("it shares the event's sound");
//! assert!((placed.map.to_timeline(2.0) - 7.0).abs() < 1e-4);
//! # Ok::<(), coeval::Error>(())
//! ```
//!
//! It opens no file and prints nothing; what is too long for memory goes to a [`Scratch`](track::Scratch) of the
//! caller's. Long work reports to a [`Progress`](progress::Progress) and
//! can be cancelled there. Failures are one [`Error`] with a [`kind`](Error::kind).
#![forbid(unsafe_code)]

pub mod clock;
mod correlate;
mod filter;
mod fit;
pub mod marker;
pub mod network;
pub mod pair;
pub mod progress;
pub mod resample;
pub mod samples;
mod store;
pub mod track;

#[doc(no_inline)]
pub use coeval_error as error;
pub use coeval_error::{Error, ErrorKind, Result};
