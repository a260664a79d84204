//! The `coeval` command: see the library of this package.
#![forbid(unsafe_code)]

use std::io::IsTerminal;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use coeval_cli::{Console, ShownAs};

static STOP: AtomicBool = AtomicBool::new(false);
/// How long the work has to notice that it is to stop, and to clear away. A person should wait no longer than 0.3 s in all
/// (own target), and the system takes 0.05 s and more to take back the temporary file of an hour's tracks.
const PATIENCE: Duration = Duration::from_millis(100);

fn main() -> ExitCode {
    // Without a handler Ctrl-C still ends the program, only less tidily.
    let _ = ctrlc::set_handler(|| {
        STOP.store(true, Ordering::SeqCst);
        std::thread::sleep(PATIENCE);
        std::process::exit(i32::from(coeval_cli::give_up()));
    });
    let mut console = Console {
        out: &mut std::io::stdout(),
        err: &mut std::io::stderr(),
        progress: if std::io::stderr().is_terminal() { ShownAs::Bar } else { ShownAs::Nothing },
        stop: &STOP,
    };
    ExitCode::from(coeval_cli::run(std::env::args_os(), &mut console))
}
