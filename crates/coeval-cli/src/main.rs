//! The `coeval` command: see the library of this package.
#![forbid(unsafe_code)]

use std::io::IsTerminal;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};

use coeval_cli::{Console, ShownAs};

static STOP: AtomicBool = AtomicBool::new(false);

fn main() -> ExitCode {
    // Without a handler Ctrl-C still ends the program, only less tidily.
    let _ = ctrlc::set_handler(|| {
        if STOP.swap(true, Ordering::SeqCst) {
            // Asked twice: do not wait for the work to notice.
            std::process::exit(i32::from(coeval_cli::exit::INTERRUPTED));
        }
    });
    let mut console = Console {
        out: &mut std::io::stdout(),
        err: &mut std::io::stderr(),
        progress: if std::io::stderr().is_terminal() { ShownAs::Bar } else { ShownAs::Nothing },
        stop: &STOP,
    };
    ExitCode::from(coeval_cli::run(std::env::args_os(), &mut console))
}
