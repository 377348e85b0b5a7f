//! Panics of a decoder, contained and kept quiet.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::OnceLock;

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
}

/// Silences the panic messages of this thread until it ends.
///
/// The hook of the program stays in force for all other threads.
pub(crate) fn quiet_this_thread() {
    install_hook();
    QUIET.set(true);
}

/// What `run` returns, or what it panicked with. Nothing is printed.
pub(crate) fn contained<T>(run: impl FnOnce() -> T) -> Result<T, String> {
    install_hook();
    let was_quiet = QUIET.replace(true);
    let outcome = catch_unwind(AssertUnwindSafe(run));
    QUIET.set(was_quiet);
    outcome.map_err(|panic| {
        let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
        text.or_else(|| panic.downcast_ref::<String>().cloned())
            .unwrap_or_else(|| "it panicked".to_owned())
    })
}

fn install_hook() {
    static INSTALLED: OnceLock<()> = OnceLock::new();
    INSTALLED.get_or_init(|| {
        let previous = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !QUIET.get() {
                previous(info);
            }
        }));
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_its_message() {
        assert_eq!(contained(|| 7), Ok(7));
        let n = 3;
        assert_eq!(
            contained(|| -> u8 { panic!("{n} is too many") }),
            Err("3 is too many".to_owned())
        );
        assert!(!QUIET.get());
    }
}
