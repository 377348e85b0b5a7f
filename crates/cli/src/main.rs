//! The radicand program.
fn main() {}
