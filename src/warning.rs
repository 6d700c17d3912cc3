//! Doubts about a result that is still usable: each names the condition and what the user can do.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A doubt about a result.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Warning {
    /// A stable name for programs, in kebab-case, such as `no-scale`.
    pub code: Cow<'static, str>,
    /// The condition in words, with its numbers, and what to do about it.
    pub message: String,
}

impl Warning {
    /// A warning with its stable name and its text.
    pub fn new(code: &'static str, message: impl Into<String>) -> Self {
        Self { code: Cow::Borrowed(code), message: message.into() }
    }
}
