//! seam
