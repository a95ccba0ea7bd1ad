//! Rebuilds when a migration is added: the macro that embeds them does not notice by itself.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations");
}
