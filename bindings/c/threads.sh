#!/usr/bin/env bash
# The threads test under ThreadSanitizer, the library and Rust's own instrumented too: 4 threads, or as many as $1 says.
# It takes some minutes, and needs gcc and a nightly Rust with the component rust-src. Rust's own runtime is linked, because
# that of gcc may be older and lack functions.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
cd "$here/../.."
work=$(mkdir -p "${CARGO_TARGET_DIR:-target}" && cd "${CARGO_TARGET_DIR:-target}" && pwd)/thread-sanitizer
triple=$(rustc -vV | sed -n 's/^host: //p')
RUSTFLAGS=-Zsanitizer=thread CARGO_TARGET_DIR=$work \
    cargo +nightly build -Zbuild-std --target "$triple" -p coeval-c --lib --features test-exports
built=$work/$triple/debug
runtime=$(rustc +nightly --print target-libdir)/librustc-nightly_rt.tsan.a
build() {
    gcc -std=c11 -g -O1 -fsanitize=thread -I"$here/include" -c "$1" -o "$2.o"
    gcc "$2.o" -o "$2" -rdynamic -Wl,--whole-archive "$runtime" -Wl,--no-whole-archive "$built/libcoeval.a" -lgcc_s -lutil -lrt -lpthread -lm -ldl -lc
}
# That a race is found at all is seen first, by one that is there on purpose.
cat >"$work/race.c" <<'END'
#include <pthread.h>
#include <coeval.h>
static int shared;
static void *count(void *unused) { (void)unused; for (int i = 0; i < 1000; i++) shared++; return 0; }
int main(void) {
    pthread_t other;
    pthread_create(&other, 0, count, 0);
    count(0);
    pthread_join(other, 0);
    return coeval_abi_version() != COEVAL_ABI_VERSION;
}
END
build "$work/race.c" "$work/race"
if "$work/race" 2>"$work/race.log" || ! grep -q 'data race' "$work/race.log"; then
    echo "a race on purpose was not found" >&2
    exit 1
fi
build "$here/tests/threads.c" "$work/threads"
TSAN_OPTIONS=halt_on_error=1 "$work/threads" "${1:-4}"
echo "threads under ThreadSanitizer ... ok"
