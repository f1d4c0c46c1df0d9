//! Puts the map of the board's memory where the linker looks for it.

use std::{env, fs, path::Path};

fn main() {
    let out = env::var("OUT_DIR").expect("cargo says where");
    fs::copy("memory.x", Path::new(&out).join("memory.x")).expect("the folder is cargo's");
    println!("cargo::rustc-link-search={out}");
    println!("cargo::rerun-if-changed=memory.x");
}
