//! One portable body, compiled for the widest vectors that the machine may have.

use pulp::Arch;
use std::sync::OnceLock;

/// Runs a loop with what the processor has: AVX2 and beyond on x86-64, NEON on aarch64.
///
/// The choice is made while the program runs. The body is plain Rust and no operations are
/// fused or reordered, so its bits are those of the plain build. What it calls has to be
/// `#[inline(always)]`, or it is compiled without those vectors.
#[inline(always)]
pub fn with_widest_vectors<R>(body: impl FnOnce() -> R) -> R {
    static ARCH: OnceLock<Arch> = OnceLock::new();
    ARCH.get_or_init(Arch::new).dispatch(body)
}
