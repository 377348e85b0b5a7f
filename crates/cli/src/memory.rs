//! How much memory there is, and how much was used.

use std::fs;

/// Largest default for `--memory`, bytes.
const MOST_BY_DEFAULT: u64 = 4 << 30;

/// Memory a job may use when nothing is said: a quarter of the machine's, at most 4 GiB;
/// 2 GiB where the machine does not tell.
pub fn default_memory_bytes() -> u64 {
    let machine = kib_field("/proc/meminfo", "MemTotal:");
    machine.map_or(2 << 30, |bytes| (bytes / 4).min(MOST_BY_DEFAULT))
}

/// Most memory this process has held so far, where the system tells.
pub fn peak_memory_bytes() -> Option<u64> {
    kib_field("/proc/self/status", "VmHWM:")
}

fn kib_field(file: &str, name: &str) -> Option<u64> {
    let text = fs::read_to_string(file).ok()?;
    let line = text.lines().find(|line| line.starts_with(name))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<u64>()
        .ok()
        .map(|kib| kib * 1024)
}
