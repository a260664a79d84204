//! The engine as WebAssembly, and what is made of it for browsers: `cargo xtask web`.

use std::path::PathBuf;
use std::process::Command;

use crate::{Outcome, cargo, root, run, standard_libraries, target};

const TARGET: &str = "wasm32-wasip1";

/// cargo, for WebAssembly. The compiler's part for it is installed if it is missing.
fn for_browsers(arguments: &[&str]) -> Outcome<Command> {
    standard_libraries(&[TARGET])?;
    let mut cargo = cargo(arguments);
    cargo.args(["--profile", "web", "--target", TARGET, "--package", "coeval-web"]);
    // Every browser that is kept up to date has had these instructions since 2023.
    cargo.env("CARGO_TARGET_WASM32_WASIP1_RUSTFLAGS", "-C target-feature=+simd128");
    Ok(cargo)
}

/// Builds the npm package and the page into the folder `web` of the target folder, and answers it.
pub(crate) fn build() -> Outcome<PathBuf> {
    run(&mut for_browsers(&["build"])?)?;
    let out = target().join("web");
    let wasm = target().join(TARGET).join("web/coeval-web.wasm");
    run(Command::new("node").arg("bindings/web/bundle.mjs").arg(wasm).arg(&out))?;
    Ok(out)
}

/// The command that runs seeds and regressions of all fuzz targets as WebAssembly in Node.
pub(crate) fn replay() -> Outcome<Command> {
    let mut cargo = for_browsers(&["test", "--package", "coeval-fuzz", "--test", "replay"])?;
    // cargo runs it in the package's folder.
    let runner = root().join("tests/browser/fuzz.mjs");
    cargo.arg("--config").arg(format!("target.{TARGET}.runner = ['node', '{}']", runner.display()));
    Ok(cargo)
}
