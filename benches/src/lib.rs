//! Accuracy and speed measurements.
