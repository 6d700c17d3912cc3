//! phantom
