//! What the decoding of one file may take: it follows from the size of the file.

use std::ffi::{OsStr, OsString};

/// Address space of the program, its threads' stacks and its allocator, bytes.
const BASE_BYTES: u64 = 768 << 20;
/// Address space for each byte of the file. Sensor values of 2 bytes come from as little as
/// half a byte of the densest compression, and decoders hold several copies.
const BYTES_PER_BYTE: u64 = 64;
/// Processor time of any file, s.
const BASE_CPU_S: u64 = 3;
/// Bytes for each of which a second more is given.
const BYTES_PER_S: u64 = 2 << 20;
/// Threads of a decoder; each costs address space, and more bring little.
#[cfg(unix)]
pub(super) const MAX_THREADS: usize = 4;

/// What the child may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Limits {
    /// Address space, bytes.
    pub(super) memory_bytes: u64,
    /// Processor time of all its threads, s.
    pub(super) cpu_s: u64,
}

impl Limits {
    /// For a file of this length, and never more than `most_memory_bytes`.
    pub(super) fn of_file(length: usize, most_memory_bytes: u64) -> Self {
        let length = length as u64;
        Self {
            memory_bytes: length
                .saturating_mul(BYTES_PER_BYTE)
                .saturating_add(BASE_BYTES)
                .min(most_memory_bytes),
            cpu_s: BASE_CPU_S + length / BYTES_PER_S,
        }
    }

    /// As arguments of the child.
    pub(super) fn to_args(self) -> [OsString; 2] {
        [self.memory_bytes, self.cpu_s].map(|limit| limit.to_string().into())
    }

    /// From the arguments of the child.
    pub(super) fn from_args(memory_bytes: &OsStr, cpu_s: &OsStr) -> Option<Self> {
        let number = |text: &OsStr| text.to_str()?.parse().ok();
        Some(Self {
            memory_bytes: number(memory_bytes)?,
            cpu_s: number(cpu_s)?,
        })
    }

    /// Takes from this process what it will not need; none of it can be had back.
    #[cfg(unix)]
    pub(super) fn enforce(self) -> Result<(), String> {
        use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
        let limit = |resource, what: &str, current: u64, maximum: u64| {
            // A limit that stands already cannot be raised, and does as well.
            let stands = getrlimit(resource).maximum.unwrap_or(u64::MAX);
            let limit = Rlimit {
                current: Some(current.min(stands)),
                maximum: Some(maximum.min(stands)),
            };
            setrlimit(resource, limit).map_err(|error| format!("cannot limit its {what}: {error}"))
        };
        // A parent that is killed takes its children along.
        #[cfg(target_os = "linux")]
        {
            use rustix::process::{Signal, set_parent_process_death_signal};
            set_parent_process_death_signal(Some(Signal::KILL))
                .map_err(|error| format!("cannot be tied to its parent: {error}"))?;
        }
        // An abort on purpose needs no picture of its memory on disk.
        limit(Resource::Core, "core", 0, 0)?;
        // Standard input, output and error are open; no file, pipe or socket joins them.
        limit(Resource::Nofile, "open files", 3, 3)?;
        limit(Resource::Fsize, "files", 0, 0)?;
        // The first limit is told by its signal, the second ends what does not listen.
        limit(Resource::Cpu, "time", self.cpu_s, self.cpu_s + 1)?;
        limit(Resource::As, "memory", self.memory_bytes, self.memory_bytes)
    }

    /// Elsewhere there are no such limits.
    #[cfg(not(unix))]
    pub(super) fn enforce(self) -> Result<(), String> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_grow_with_the_file_and_end_at_the_most() {
        let small = Limits::of_file(0, u64::MAX);
        assert_eq!((small.memory_bytes, small.cpu_s), (BASE_BYTES, 3));
        let raw = Limits::of_file(25 << 20, u64::MAX);
        assert_eq!(raw.memory_bytes, BASE_BYTES + (1600 << 20));
        assert_eq!(raw.cpu_s, 15);
        let huge = Limits::of_file(1 << 30, 4 << 30);
        assert_eq!(huge.memory_bytes, 4 << 30);
        let [memory_bytes, cpu_s] = huge.to_args();
        assert_eq!(Limits::from_args(&memory_bytes, &cpu_s), Some(huge));
        assert_eq!(Limits::from_args(OsStr::new("much"), &cpu_s), None);
    }
}
