//! What the whole-program tests share: where fixtures and the large data stand, and how to run radicand.
