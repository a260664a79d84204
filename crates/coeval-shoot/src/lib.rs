//! A folder of recordings onto one clock.
