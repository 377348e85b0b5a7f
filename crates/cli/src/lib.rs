//! The jobs of the radicand program.
