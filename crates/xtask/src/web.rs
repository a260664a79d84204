//! The engine as WebAssembly, and what is made of it for browsers: `cargo xtask web`.

use std::path::PathBuf;
use std::process::Command;

use crate::{Outcome, cargo, run, standard_libraries, target};

const TARGET: &str = "wasm32-wasip1";

/// Builds the npm package and the page into the folder `web` of the target folder, and answers it. The compiler's part for
/// WebAssembly is installed if it is missing.
pub(crate) fn build() -> Outcome<PathBuf> {
    standard_libraries(&[TARGET])?;
    let mut engine = cargo(&["build", "--profile", "web", "--target", TARGET, "--package", "coeval-web"]);
    // Every browser that is kept up to date has had these instructions since 2023.
    run(engine.env("CARGO_TARGET_WASM32_WASIP1_RUSTFLAGS", "-C target-feature=+simd128"))?;
    let out = target().join("web");
    let wasm = target().join(TARGET).join("web/coeval-web.wasm");
    run(Command::new("node").arg("bindings/web/bundle.mjs").arg(wasm).arg(&out))?;
    Ok(out)
}
