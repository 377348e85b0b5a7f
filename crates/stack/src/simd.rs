//! One portable body, compiled for the widest vectors that the machine may have.

use pulp::Arch;
use std::sync::OnceLock;

/// Runs a loop with what the processor has: AVX2 on x86-64, NEON on aarch64.
///
/// The choice is made while the program runs. The body is plain Rust and no operations are
/// fused or reordered, so its bits are those of the plain build. What it calls has to be
/// `#[inline(always)]`, or it is compiled without those vectors.
#[inline(always)]
pub fn with_widest_vectors<R>(body: impl FnOnce() -> R) -> R {
    static ARCH: OnceLock<Arch> = OnceLock::new();
    #[cfg(test)]
    if plain::IS_ASKED_FOR.load(std::sync::atomic::Ordering::Relaxed) {
        return body();
    }
    ARCH.get_or_init(Arch::new).dispatch(body)
}

/// The scalar twin, for tests.
#[cfg(test)]
pub(crate) mod plain {
    use std::sync::atomic::{AtomicBool, Ordering};

    /// For every thread: what other tests do meanwhile must not change by it.
    pub(super) static IS_ASKED_FOR: AtomicBool = AtomicBool::new(false);

    /// Runs what asks for the widest vectors without them.
    pub(crate) fn plainly<R>(run: impl FnOnce() -> R) -> R {
        IS_ASKED_FOR.store(true, Ordering::Relaxed);
        let result = run();
        IS_ASKED_FOR.store(false, Ordering::Relaxed);
        result
    }
}
