//! Kept text: compared with what the program says now.

use std::path::{Path, PathBuf};

/// The project's folder.
pub(crate) fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn update() -> bool {
    std::env::var_os("UPDATE").is_some_and(|value| value != "0")
}

/// Fails when the file's text is not `now`, naming the first line that differs.
pub(crate) fn file(path: &Path, now: &str) {
    let kept = std::fs::read_to_string(path).unwrap_or_default();
    // A checkout on another system may have turned the line ends.
    if kept.replace("\r\n", "\n") == now {
        return;
    }
    if update() {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("folder");
        std::fs::write(path, now).expect("rewritten");
        return;
    }
    let at = kept.lines().zip(now.lines()).position(|(a, b)| a != b);
    let at = at.unwrap_or_else(|| kept.lines().count().min(now.lines().count()));
    panic!(
        "{} is stale from line {}:\n  kept: {:?}\n  now:  {:?}\n`UPDATE=1 cargo test` rewrites it",
        path.display(),
        at + 1,
        kept.lines().nth(at),
        now.lines().nth(at)
    );
}

/// Fails when the part between `<!-- NAME:begin -->` and `<!-- NAME:end -->` is not `now`.
pub(crate) fn block(path: &Path, name: &str, now: &str) {
    let kept = std::fs::read_to_string(path).expect("a kept file").replace("\r\n", "\n");
    let (begin, end) = (format!("<!-- {name}:begin -->\n"), format!("<!-- {name}:end -->"));
    let start = kept.find(&begin).map(|at| at + begin.len()).expect("the block's begin mark");
    let stop = kept[start..].find(&end).map(|at| at + start).expect("the block's end mark");
    file(path, &format!("{}{now}{}", &kept[..start], &kept[stop..]));
}
