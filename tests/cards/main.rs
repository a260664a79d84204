//! What people really pour into one folder: each case is a small folder made here, goes through the command, and says what
//! must come out.

mod beside;
mod copies;
mod photos;
mod small;
mod timecode;
mod times;
mod tracks;
