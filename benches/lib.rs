//! Benchmarks of the hot loops; the benches are in `benches/`.
