//! Gives the shared library its versioned name.

#[allow(unreachable_pub, reason = "the library exports it")]
#[path = "src/abi.rs"]
mod abi;

fn main() {
    println!("cargo::rerun-if-changed=src/abi.rs");
    let abi = abi::COEVAL_ABI_VERSION;
    // Programs that were linked against one version of the interface must not start with another.
    match std::env::var("CARGO_CFG_TARGET_OS").as_deref() {
        Ok("macos") => println!("cargo::rustc-cdylib-link-arg=-Wl,-install_name,@rpath/libcoeval.{abi}.dylib"),
        Ok("windows") => {}
        _ => {
            println!("cargo::rustc-cdylib-link-arg=-Wl,-soname,libcoeval.so.{abi}");
            // Worker threads outlive the calls that started them: a host that unloads the plugin that brought this
            // library must not pull the code from under them.
            println!("cargo::rustc-cdylib-link-arg=-Wl,-z,nodelete");
        }
    }
}
