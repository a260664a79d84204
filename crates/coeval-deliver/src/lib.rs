//! Open timeline formats from an alignment.
