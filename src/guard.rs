//! Calls into decoders that panic on some damaged files (indices and lengths taken from the file): the panic becomes an
//! error of that file and prints nothing.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::Once;

thread_local! {
    /// Guarded calls that this thread is inside of.
    static DEPTH: Cell<usize> = const { Cell::new(0) };
}

static HOOK: Once = Once::new();

/// One guarded call; it ends when this is dropped.
struct Inside;

impl Inside {
    fn enter() -> Self {
        DEPTH.with(|depth| depth.set(depth.get() + 1));
        Self
    }
}

impl Drop for Inside {
    fn drop(&mut self) {
        DEPTH.with(|depth| depth.set(depth.get().saturating_sub(1)));
    }
}

/// Runs a decoder of a file nobody vouches for. Nothing it touched may outlive the call.
///
/// # Errors
/// What the decoder said when it panicked.
pub(crate) fn guarded<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    // The hook of whoever uses the library still hears of every other panic.
    HOOK.call_once(|| {
        let before = take_hook();
        set_hook(Box::new(move |panic| {
            if DEPTH.with(Cell::get) == 0 {
                before(panic);
            }
        }));
    });
    let inside = Inside::enter();
    let ended = catch_unwind(AssertUnwindSafe(work));
    drop(inside);
    ended.map_err(|panic| {
        let words = panic.downcast_ref::<String>().map(String::as_str);
        words.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("an inconsistency").to_owned()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_its_words_and_the_thread_is_heard_again_after_it() {
        assert_eq!(guarded(|| 7), Ok(7));
        let outer = guarded(|| guarded(|| panic!("row {}", 3)).map_err(|words| words + "!"));
        assert_eq!(outer, Ok(Err::<(), String>("row 3!".to_owned())));
        assert_eq!(guarded::<u8>(|| panic!("damaged")), Err("damaged".to_owned()));
        assert_eq!(DEPTH.with(Cell::get), 0);
    }
}
