//! How the result was made.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// How the result was made. All that differs between identical runs is in here, in
/// `seconds` and `peak_memory_bytes`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Version of the program.
    pub version: String,
    /// Every setting that the result depends on, by name.
    pub settings: BTreeMap<String, Value>,
    /// File of the light that the others are aligned to; empty when there is none.
    pub reference: String,
    /// SHA-256 over the input files, in hexadecimal.
    pub input_digest: String,
    /// Time on the clock by stage, s.
    pub seconds: BTreeMap<String, f64>,
    /// Largest memory in use, bytes; `None` where the system does not say.
    pub peak_memory_bytes: Option<u64>,
}
