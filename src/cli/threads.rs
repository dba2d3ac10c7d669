//! As many threads as the machine has cores and the system allows.

use std::num::NonZeroUsize;
use std::sync::{Mutex, PoisonError};
use std::thread;

/// Threads that `RAYON_NUM_THREADS` may ask for (assumed: no machine for logs has more cores); thousands would only wait
/// for each other.
const MOST: usize = 256;

/// Makes the threads that all commands share. Where the system allows no further one (`ulimit -u`, the limit of a
/// container), the work is done on this thread.
pub(super) fn make() {
    let asked = std::env::var("RAYON_NUM_THREADS").ok().and_then(|text| text.parse::<usize>().ok());
    let wanted = asked.filter(|asked| *asked > 0);
    let wanted =
        wanted.unwrap_or_else(|| thread::available_parallelism().map_or(1, NonZeroUsize::get)).min(MOST);
    let builder = rayon::ThreadPoolBuilder::new();
    let builder = match to_be_had(wanted) {
        0 => builder.num_threads(1).use_current_thread(),
        had => builder.num_threads(had),
    };
    // Where the last thread went to another program meanwhile, the first who needs them says so.
    builder.build_global().ok();
}

/// How many threads the system gives at once, up to a number.
pub(super) fn to_be_had(most: usize) -> usize {
    let gate = Mutex::new(());
    let closed = gate.lock().unwrap_or_else(PoisonError::into_inner);
    thread::scope(|scope| {
        let wait = || drop(gate.lock());
        let waiting = (0..most).map_while(|_| thread::Builder::new().spawn_scoped(scope, wait).ok());
        let had = waiting.count();
        drop(closed);
        had
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn threads_are_counted_and_let_go() {
        assert_eq!(to_be_had(0), 0);
        assert_eq!(to_be_had(3), 3);
    }
}
