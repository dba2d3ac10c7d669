//! How much freed memory the system's allocator may keep.
//!
//! glibc gives the top of its heaps back at 128 KiB at first, but at twice the largest block that was ever freed later on, up to
//! 64 MiB: what a log took while it was read stays beside what its judgement takes. MDF engine channels of 9 MB took 187 MiB, and
//! take 121 where no more than 4 MiB are kept; a clock of gaps 125 and 98, air/fuel ratios 181 and 131 (limits 130, 108 and 137).
//! 0.5 and 1 MB come no lower. Every large block is then asked of the system anew, which costs up to 7 % more processor time:
//! beyond 64 MB, where what is kept is a small part of the limit, it is left as it is.
//!
//! The allocator reads its settings from the environment before the program begins, and to change them later is `unsafe`. The
//! program therefore puts itself in its own place once, with the same arguments and the same process number. Other systems' allocators
//! are left as they are.

/// The setting that says what the allocator may keep at the top of a heap. It counts beside `GLIBC_TUNABLES` that say nothing
/// of it (glibc 2.36, 2026-12-01: 117 MiB in place of 165 for the MDF engine channels).
const KEPT: &str = "MALLOC_TRIM_THRESHOLD_";
/// What it may keep there, 4 MiB.
const KEPT_MOST: &str = "4194304";
/// Files smaller than this are judged as it is, 0.1 MB: the start anew takes a millisecond, and what they hold stays within 64 MB
/// though it be packed to a hundredth.
const SMALL: u64 = 100_000;
/// Files larger than this are left as they are, 64 MB: their limit is 576 MB and more.
const LARGE: u64 = 64_000_000;

/// Starts the program anew under this setting, if it was given none and a log in its arguments may need it.
///
/// Returns where nothing is to be done, or where the system does not let the program start itself: it goes on as it is.
pub(crate) fn settle() {
    use std::os::unix::process::CommandExt as _;

    if std::env::var_os(KEPT).is_some() || tunes(std::env::var_os("GLIBC_TUNABLES")) {
        return;
    }
    let mut arguments = std::env::args_os();
    let Some(name) = arguments.next() else { return };
    if !std::env::args_os().skip(1).any(gains) || called_by_loader() {
        return;
    }
    // The file that runs, whatever has taken its name since. It returns only where it failed.
    let _failed =
        std::process::Command::new("/proc/self/exe").arg0(name).args(arguments).env(KEPT, KEPT_MOST).exec();
}

/// Whether the user says in `GLIBC_TUNABLES` what may be kept: who does means it.
fn tunes(tunables: Option<std::ffi::OsString>) -> bool {
    tunables.is_some_and(|all| {
        all.to_string_lossy().split(':').any(|one| one.starts_with("glibc.malloc.trim_threshold="))
    })
}

/// Whether the loader was called with the program as its argument: it is the loader that would be started, and it takes its own
/// name and options off the arguments, which the system keeps.
fn called_by_loader() -> bool {
    // A NUL byte follows each of them.
    let given = std::fs::read("/proc/self/cmdline").map(|line| line.split(|byte| *byte == 0).count());
    given.ok() != Some(std::env::args_os().count() + 1)
}

/// Whether an argument stands for a log of a size for which it matters, or for one of unknown size: a folder, a pipe, what the
/// page is given.
fn gains(argument: std::ffi::OsString) -> bool {
    let gains = |file: std::fs::Metadata| !file.is_file() || (SMALL..=LARGE).contains(&file.len());
    argument == "-" || argument == "serve" || std::fs::metadata(argument).is_ok_and(gains)
}
