//! Processor time: what a busy machine does not make longer.

use std::time::Duration;

/// A point in the processor time of this process, all its threads.
///
/// Decoding children are not in it: the system itself ends them after theirs.
#[derive(Clone, Copy)]
pub struct Clock(Duration);

impl Clock {
    /// The beginning of the process.
    pub const START: Self = Self(Duration::ZERO);

    pub fn now() -> Self {
        Self(processor_time())
    }

    pub fn elapsed(self) -> Duration {
        processor_time().saturating_sub(self.0)
    }
}

#[cfg(unix)]
fn processor_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}

/// Elsewhere time that passes has to do.
#[cfg(not(unix))]
fn processor_time() -> Duration {
    use std::sync::LazyLock;
    use std::time::Instant;
    static BEGUN: LazyLock<Instant> = LazyLock::new(Instant::now);
    BEGUN.elapsed()
}
