#!/usr/bin/env bash
# Builds the C library, installs it, and runs its tests against the installed tree: header, symbols, C and
# C++ programs, examples built by CMake in an empty folder, valgrind, sanitizers. Ends in a line that counts.
# What is missing on the machine is skipped and said so.
set -u
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
cd "$root" || exit 1
mkdir -p "${CARGO_TARGET_DIR:-target}"
work=$(cd "${CARGO_TARGET_DIR:-target}" && pwd)/c-tests
prefix=$work/prefix
log=$work/log
rm -rf "$work"
mkdir -p "$work/bin"
passed=0
failed=0
export RUST_BACKTRACE=0

# check NAME COMMAND...: runs it, shows its output when it fails, and says where a second or more went.
check() {
    local name=$1 began=$SECONDS took
    shift
    if "$@" >"$log" 2>&1; then
        passed=$((passed + 1))
        took=$((SECONDS - began))
        if [ "$took" -gt 0 ]; then echo "$name ... ok, $took s"; else echo "$name ... ok"; fi
    else
        failed=$((failed + 1))
        echo "$name ... FAILED"
        sed 's/^/    /' "$log" | tail -n 40
    fi
}
have() { command -v "$1" >/dev/null || { echo "skipped: $2: there is no $1 here"; return 1; }; }
finish() {
    local word=ok
    [ "$failed" -eq 0 ] || word=FAILED
    echo "test result: $word. $passed passed; $failed failed; 0 ignored; 0 measured; 0 filtered out"
    [ "$failed" -eq 0 ]
    exit
}

check "the header is current" cargo xtask header --check
check "install" cargo xtask install-c --prefix "$prefix" --profile dev --features test-exports
[ -e "$prefix/include/coeval.h" ] || finish

if have pkg-config "building by pkg-config"; then
    export PKG_CONFIG_PATH=$prefix/lib/pkgconfig
    flags=$(pkg-config --cflags --libs coeval)
    check "pkg-config knows the version" test -n "$(pkg-config --modversion coeval)"
else
    flags="-I$prefix/include -L$prefix/lib -lcoeval"
fi
strict="-Wall -Wextra -Wpedantic -Werror"
run="-Wl,-rpath,$prefix/lib"

# The header alone, twice in one file, in both languages, by every compiler there is.
printf '#include <coeval.h>\n#include <coeval.h>\nint main(void) { return coeval_abi_version() != COEVAL_ABI_VERSION; }\n' >"$work/twice.c"
printf '#include <coeval.hpp>\n#include <coeval.h>\n#include <coeval.hpp>\nint main() { return coeval_abi_version() != COEVAL_ABI_VERSION; }\n' >"$work/twice.cpp"
for pair in "gcc g++" "clang clang++"; do
    read -r c cxx <<<"$pair"
    have "$c" "the header with $c" || continue
    for std in c99 c11 c17; do
        check "coeval.h twice, $c -std=$std" $c -std=$std $strict -Wstrict-prototypes "$work/twice.c" -o "$work/bin/twice" $flags $run
    done
    for std in c++17 c++20; do
        check "coeval.hpp twice, $cxx -std=$std" $cxx -std=$std $strict "$work/twice.cpp" -o "$work/bin/twice" $flags $run
    done
    check "the program of $cxx runs" "$work/bin/twice"
done

# Nothing but the interface is exported, and all of it. (_init and _fini are the linker's.)
symbols() {
    nm -D --defined-only "$prefix/lib/libcoeval.so" | awk '{print $3}' | grep -v '^_init$\|^_fini$' | sort -u >"$work/exported"
    { grep -o '\bcoeval_[a-z0-9_]* *(' "$prefix/include/coeval.h" | tr -d ' (' | grep -v '^coeval_\(progress\|log\)_fn$'; echo coeval_test_panic; } |
        sort -u >"$work/declared"
    test "$(wc -l <"$work/declared")" -gt 50 && diff "$work/exported" "$work/declared"
}
nodelete() { readelf -d "$prefix/lib/libcoeval.so" | grep -q NODELETE; }
soname() { readelf -d "$prefix/lib/libcoeval.so" | grep -q "SONAME.*libcoeval.so.$(grep -o 'COEVAL_ABI_VERSION [0-9]*' "$prefix/include/coeval.h" | cut -d' ' -f2)\]"; }
if [ "$(uname)" = Linux ]; then
    have nm "exported symbols" && check "exports are the declared functions, no more" symbols
    have readelf "soname" && check "the shared library bears the interface's version" soname
    have readelf "unloading" && check "the shared library stays when a plugin is unloaded" nodelete
fi

# Symbols and sizes of structs: what is in the list stays, and what is new must be put into it.
interface_list() {
    { echo '#include <stdio.h>'; echo '#include <coeval.h>'; echo 'int main(void) {'
        sed -n 's/^} \(coeval_[a-z_]*\);$/    printf("sizeof \1 %d\\n", (int)sizeof(\1));/p' "$prefix/include/coeval.h"
        echo '    return 0;'; echo '}'; } >"$work/sizes.c"
    gcc -std=c11 $strict -I"$prefix/include" "$work/sizes.c" -o "$work/bin/sizes" || return 1
    { "$work/bin/sizes"; grep -v '^coeval_test_panic$' "$work/declared"; } >"$work/interface.txt"
    diff "$here/interface-x86_64.txt" "$work/interface.txt"
}
if [ -s "$work/declared" ] && [ "$(uname -m)" = x86_64 ] && have gcc "the list of symbols and sizes"; then
    check "symbols and sizes of structs are those of the list" interface_list
fi

# C++ wraps every function but those that set or add something, which `set` reaches, and earlier names.
wrapped() {
    grep -v '_set_\|_add_' "$work/declared" | grep -v '^coeval_\(test_panic\|align_pair\|match_markers\|level_meter_new\|set_log\)$' |
        while read -r name; do grep -q "\b$name\b" "$prefix/include/coeval.hpp" || echo "coeval.hpp lacks $name"; done >"$work/unwrapped"
    cat "$work/unwrapped"
    test -s "$work/declared" && test ! -s "$work/unwrapped"
}
[ -s "$work/declared" ] && check "coeval.hpp is complete" wrapped
marked() {
    test "$(grep -c '^[a-z].*\bcoeval_[a-z0-9_]*(' "$prefix/include/coeval.h")" -eq \
        "$(grep -c '^ \* \[\(real-time\|allocates\|long\)\]$' "$prefix/include/coeval.h")"
}
check "the header says of each function whether it is fit for real time" marked

if have gcc "tests in C"; then
    for test in interface threads cycles sixty_seconds fork growth realtime; do
        check "build $test" gcc -std=c11 -g -O1 $strict "$here/tests/$test.c" -o "$work/bin/$test" $flags $run -lm -pthread
    done
    check "interface" "$work/bin/interface" "$root/examples/survey-launch/recordings"
    check "threads" "$work/bin/threads"
    check "64 threads" "$work/bin/threads" 64
    check "what is fit for real time allocates nothing" "$work/bin/realtime"
    check "a fork after an alignment" "$work/bin/fork" "$root/examples/survey-launch/recordings"
    check "structs of the first version" "$work/bin/growth"
    if [ "$(uname)" = Linux ]; then
        check "build unload" gcc -std=c11 -g -O1 $strict "$here/tests/unload.c" -o "$work/bin/unload" -I"$prefix/include" -ldl
        check "loaded and unloaded 20 times" "$work/bin/unload" "$prefix/lib/libcoeval.so"
    fi
    # The system keeps stacks of threads that have ended, and with them an allocation each, unless told not to.
    check "1000 cycles leave no allocation" env GLIBC_TUNABLES=glibc.pthread.stack_cache_size=0 "$work/bin/cycles"
    same() {
        "$work/bin/sixty_seconds" 2>/dev/null >"$work/from-c" &&
            cargo build --quiet --workspace --example sixty_seconds &&
            "$work/../debug/examples/sixty_seconds" >"$work/from-rust" &&
            cat "$work/from-c" "$work/from-rust" && test -s "$work/from-c" && cmp "$work/from-c" "$work/from-rust"
    }
    check "60 s: C and Rust agree to the last bit" same
    check "build wrapper" g++ -std=c++17 -g -O1 $strict "$here/tests/wrapper.cpp" -o "$work/bin/wrapper" $flags $run
    check "wrapper" "$work/bin/wrapper" "$root/examples/survey-launch/recordings"
    static="$prefix/lib/libcoeval.a $(sed -n 's/^Libs.private: //p' "$prefix/lib/pkgconfig/coeval.pc")"
    check "build against the static library" gcc -std=c11 $strict -I"$prefix/include" "$here/tests/threads.c" -o "$work/bin/static" $static -pthread
    check "the static program runs" "$work/bin/static"
    # A plugin that takes in the static library hands on nothing of it, ours or Rust's.
    taken_in() {
        printf '#include <coeval.h>\nint plugin_run(void) { return coeval_abi_version(); }\n' >"$work/taken.c"
        gcc -std=c11 -shared -fPIC -I"$prefix/include" "$work/taken.c" $static -Wl,--exclude-libs,ALL -o "$work/bin/taken.so" &&
            test "$(nm -D --defined-only "$work/bin/taken.so" | awk '{print $3}')" = plugin_run
    }
    [ "$(uname)" != Linux ] || check "a plugin with the static library in it exports nothing of it" taken_in
    # Another static library of Rust's, by the same compiler.
    two_of_rust() {
        cat >"$work/other.rs" <<'END'
#[unsafe(no_mangle)]
pub extern "C" fn other_digits(count: u32) -> u32 {
    std::panic::set_hook(Box::new(|_| {}));
    assert!(std::panic::catch_unwind(|| panic!("on purpose")).is_err());
    std::thread::spawn(move || (0..count).map(|x| x.to_string().len() as u32).sum()).join().unwrap()
}
END
        rustc --edition 2024 --crate-type staticlib -O -o "$work/libother.a" "$work/other.rs" || return 1
        for order in "$work/libother.a $static" "${static/libcoeval.a/libcoeval.a $work/libother.a}"; do
            gcc -std=c11 $strict -I"$prefix/include" "$here/tests/two_static.c" $order -pthread -o "$work/bin/two" && "$work/bin/two" || return 1
        done
    }
    have rustc "two static libraries of Rust" && check "two static libraries of Rust in one program" two_of_rust

    if have valgrind "memory checks"; then
        grind="valgrind --quiet --error-exitcode=9 --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite"
        check "interface under valgrind" $grind "$work/bin/interface"
        # One runs at a time there: more of them, and longer tracks, only take longer.
        check "threads under valgrind" $grind "$work/bin/threads" 2 4
    fi
    # One compiler is enough: what is looked into is the memory. A clang often comes without this runtime.
    sanitize="-fsanitize=address,undefined -fno-sanitize-recover=all"
    sanitizer=
    echo 'int main(void) { return 0; }' >"$work/empty.c"
    for c in gcc clang; do
        if [ -z "$sanitizer" ] && command -v $c >/dev/null && $c $sanitize "$work/empty.c" -o "$work/bin/empty" 2>/dev/null; then
            sanitizer=$c
        fi
    done
    if [ -n "$sanitizer" ]; then
        for test in interface threads; do
            check "build $test with sanitizers" $sanitizer -std=c11 -g -O1 $strict $sanitize "$here/tests/$test.c" \
                -o "$work/bin/$test-sanitized" $flags $run -lm -pthread
            check "$test with sanitizers" "$work/bin/$test-sanitized"
        done
    else
        echo "skipped: sanitizers: no compiler here has their runtime"
    fi
fi

# A real host: the plugin of GStreamer, built against the installed tree, on the demo.
gst=$work/gst
recordings=$root/examples/survey-launch/recordings
gst_build() { meson setup "$gst" "$here/examples/gstreamer" && meson compile -C "$gst"; }
gst_align() {
    (cd "$work" && ffmpeg -loglevel error -y -i "$recordings/CAM-A_0017.MP4" -vn -c:a pcm_s16le gst-cam.wav &&
        gst-launch-1.0 -m coevalalign name=a location=. \
            filesrc location=gst-cam.wav ! wavparse ! audioconvert ! a.sink_0 \
            filesrc location="$recordings/REC_0003.FLAC" ! flacparse ! flacdec ! audioconvert ! a.sink_1 \
            a.src_0 ! fakesink sync=false a.src_1 ! fakesink sync=false | tee gst-align.txt &&
        grep -q 'coeval-alignment.*placed-1=(boolean)true' gst-align.txt && test -s sink_1.json)
}
gst_grind() {
    valgrind --quiet --error-exitcode=9 --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite \
        gst-launch-1.0 filesrc location="$recordings/REC_0003.FLAC" ! flacparse ! flacdec ! identity eos-after=300 ! \
        audioconvert ! coevalconform map="$work/sink_1.json" ! fakesink sync=false
}
if have meson "a plugin of GStreamer" && have gst-launch-1.0 "a plugin of GStreamer" && have ffmpeg "a plugin of GStreamer"; then
    if pkg-config --exists gstreamer-audio-1.0; then
        check "GStreamer: build by Meson" gst_build
        export GST_PLUGIN_PATH=$gst GST_REGISTRY=$work/gst-registry
        check "GStreamer: coevalalign by gst-launch" gst_align
        check "GStreamer: coevalconform is on the camera's sound to 0.1 ms, after a seek too" \
            "$gst/check" "$work/gst-cam.wav" "$recordings/REC_0003.FLAC" "$work/sink_1.json"
        if have valgrind "GStreamer under valgrind"; then check "GStreamer: coevalconform under valgrind" gst_grind; fi
    else
        echo "skipped: a plugin of GStreamer: its development files are not here"
    fi
fi

# The examples as a stranger would build them: from the installed tree, in an empty folder.
# Everything below a folder of the packager's, libraries in a folder of the distribution's, named by the target.
elsewhere() {
    local triple lib=lib/x86_64-linux-gnu stage=$work/stage
    triple=$(rustc -vV | sed -n 's/^host: //p')
    DESTDIR=$stage cargo xtask install-c --prefix /usr --libdir $lib --profile dev --features test-exports --locked &&
        test -e "$stage/usr/include/coeval.h" && test -e "$stage/usr/$lib/libcoeval.so" &&
        PKG_CONFIG_PATH=$stage/usr/$lib/pkgconfig pkg-config --cflags --libs coeval >"$work/elsewhere" &&
        gcc "$work/twice.c" -o "$work/bin/elsewhere" $(cat "$work/elsewhere") -Wl,-rpath,"$stage/usr/$lib" && "$work/bin/elsewhere" &&
        ! cargo xtask install-c --prefix /usr --libdir ../lib 2>/dev/null
}
[ "$(uname)" = Linux ] && command -v pkg-config >/dev/null && check "installed below DESTDIR with --libdir" elsewhere

# What the guide shows compiles as it stands there.
snippets() {
    for language in c cpp; do
        awk -v fence="\`\`\`$language" '$0 == fence {on = 1; next} /^```/ {on = 0} on' "$root/docs/guide.md" >"$work/guide.$language"
        test -s "$work/guide.$language" || return 1
    done
    gcc -std=c99 $strict -fsyntax-only -I"$prefix/include" "$work/guide.c" &&
        g++ -std=c++17 $strict -fsyntax-only -I"$prefix/include" "$work/guide.cpp"
}
check "the guide's programs compile as shown" snippets

if have cmake "examples by CMake"; then
    away=$work/away
    mkdir "$away"
    cp "$here"/examples/*.c "$here"/examples/*.cpp "$here"/examples/*.h "$here"/examples/CMakeLists.txt "$away"
    check "examples: configure" cmake -S "$away" -B "$away/build" -DCMAKE_PREFIX_PATH="$prefix" -DCMAKE_BUILD_TYPE=Release
    check "examples: build" cmake --build "$away/build"
    check "examples: run" bash -c "cd '$away/build' && ctest --output-on-failure"
    wavs() {
        (cd "$work" && "$work/bin/write_wavs" && "$away/build/align_wavs" cam.wav recorder.wav | tee aligned.txt &&
            grep -q '^recorder.wav: starts at \(2\.0000\|1\.9999\)[0-9]* s, drift [0-9.-]* ppm' aligned.txt)
    }
    # Six of the demo's files have a place, and one is from another day.
    places() {
        "$away/build/$1" "$root/examples/survey-launch/recordings" | tee "$work/places.txt" &&
            test "$(grep -c 'starts at [0-9.]* s, drift' "$work/places.txt")" -eq 6 && test "$(wc -l <"$work/places.txt")" -eq 7
    }
    check "places, in C" places places
    check "places, in C++" places places_cpp
    check "build write_wavs" gcc -std=c11 $strict "$here/tests/write_wavs.c" -o "$work/bin/write_wavs" $flags $run
    check "align_wavs finds the recorder 2 s into the clip" wavs
fi
finish
