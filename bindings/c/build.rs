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
            // Threads of the host that have called the library keep values of it, which are dropped by its code when
            // they end: a host that unloads the plugin that brought it must not pull that from under them.
            println!("cargo::rustc-cdylib-link-arg=-Wl,-z,nodelete");
        }
    }
}
