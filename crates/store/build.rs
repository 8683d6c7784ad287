//! Builds the crate again when a migration is added: the migrations are part of the binary.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations");
}
