//! The version of the binary interface, for the library, its build and its installation.

/// Version of the binary interface. It grows when something is removed or changes its meaning; what is
/// only added leaves it as it is. `coeval_abi_version()` must return the same number.
pub const COEVAL_ABI_VERSION: u32 = 1;
