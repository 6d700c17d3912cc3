//! statistics
