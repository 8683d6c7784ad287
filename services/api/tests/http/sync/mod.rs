//! What tablets push: over HTTP, with keys and signatures of their own.

mod batches;
mod held;
mod pushing;
