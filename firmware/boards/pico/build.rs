//! Puts the memory map of the chip where the linker finds it, and says how to link.

use std::path::PathBuf;
use std::{env, fs};

fn main() {
    let out = PathBuf::from(env::var_os("OUT_DIR").expect("cargo sets OUT_DIR"));
    let old = env::var_os("CARGO_FEATURE_RP2040").is_some();
    let map = if old { "memory-rp2040.x" } else { "memory-rp2350.x" };
    fs::copy(map, out.join("memory.x")).expect("the memory maps lie beside build.rs");
    println!("cargo:rustc-link-search={}", out.display());
    println!("cargo:rustc-link-arg-bins=--nmagic");
    println!("cargo:rustc-link-arg-bins=-Tlink.x");
    if old {
        println!("cargo:rustc-link-arg-bins=-Tlink-rp.x");
    }
    println!("cargo:rustc-link-arg-bins=-Tdefmt.x");
    println!("cargo:rerun-if-changed=memory-rp2040.x");
    println!("cargo:rerun-if-changed=memory-rp2350.x");
}
