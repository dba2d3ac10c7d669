//! The address that the browser is started with. Every user of the machine may read it among the running programs, and
//! for as long as the browser lives: it is good for one use, by this user, and leads on to the address that stays secret.

use std::sync::atomic::{AtomicBool, Ordering};

use sha2::{Digest, Sha256};

/// What an address that is not the page's own turns out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Opens {
    /// Nothing.
    Nothing,
    /// The page, for the first time.
    Now,
    /// The page, but somebody came by this address before.
    Late,
}

/// An address that opens the page once.
#[derive(Debug)]
pub(super) struct Opening {
    token: String,
    used: AtomicBool,
}

impl Opening {
    pub(super) const fn new(token: String) -> Self {
        Self { token, used: AtomicBool::new(false) }
    }

    /// The first part of its path.
    pub(super) fn token(&self) -> &str {
        &self.token
    }

    /// Tries to open the page.
    ///
    /// * `given`: first part of the path
    /// * `from`, `to`: port of who asks and of the page
    pub(super) fn open(&self, given: &str, from: u16, to: u16) -> Opens {
        // Hashes, so that the time taken tells nothing about the token.
        if Sha256::digest(given.as_bytes()) != Sha256::digest(self.token.as_bytes()) {
            return Opens::Nothing;
        }
        let table = |path| std::fs::read_to_string(path).unwrap_or_default();
        if is_anothers(&(table("/proc/net/tcp") + &table("/proc/net/tcp6")), from, to) {
            return Opens::Nothing;
        }
        if self.used.swap(true, Ordering::Relaxed) { Opens::Late } else { Opens::Now }
    }
}

/// Whether a connection comes from another user of the machine, by Linux' tables of connections (manual page
/// `proc_pid_net`: local address, remote address, ... in the eighth column the user, of both ends where both are here).
/// False where they do not tell. The administrator may read everything anyway, and a relay of a guest system runs as him.
fn is_anothers(tables: &str, from: u16, to: u16) -> bool {
    let user = |near: u16, far: u16| -> Option<u32> {
        tables.lines().find_map(|line| {
            let mut columns = line.split_whitespace();
            let mut is = |column: usize, wanted: u16| -> Option<()> {
                let (_, port) = columns.nth(column)?.rsplit_once(':')?;
                (u16::from_str_radix(port, 16) == Ok(wanted)).then_some(())
            };
            is(1, near)?;
            is(0, far)?;
            columns.nth(4)?.parse().ok()
        })
    };
    match (user(from, to), user(to, from)) {
        (Some(theirs), Some(own)) => theirs != own && theirs != 0,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a page on port 41735 (`A307`): a browser of user 1000, another user's program, one of another family, a relay.
    const TABLES: &str = "\
  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode
   0: 0100007F:A307 00000000:0000 0A 00000000:00000000 00:00000000 00000000  1000        0 7001 1 0 100 0 0 10 0
   1: 0100007F:A307 0100007F:C001 01 00000000:00000000 00:00000000 00000000  1000        0 7002 1 0 20 4 30 10 -1
   2: 0100007F:C001 0100007F:A307 01 00000000:00000000 00:00000000 00000000  1000        0 7003 1 0 20 4 30 10 -1
   3: 0100007F:A307 0100007F:C002 01 00000000:00000000 00:00000000 00000000  1000        0 7004 1 0 20 4 30 10 -1
   4: 0100007F:C002 0100007F:A307 01 00000000:00000000 00:00000000 00000000  1001        0 7005 1 0 20 4 30 10 -1
   5: 0100007F:A307 0100007F:C003 01 00000000:00000000 00:00000000 00000000  1000        0 7006 1 0 20 4 30 10 -1
   6: 0100007F:A307 0100007F:C004 01 00000000:00000000 00:00000000 00000000  1000        0 7007 1 0 20 4 30 10 -1
   7: 0100007F:C004 0100007F:A307 01 00000000:00000000 00:00000000 00000000     0        0 7008 1 0 20 4 30 10 -1
  sl  local_address                         remote_address                        st tx_queue rx_queue tr tm->when
   0: 0000000000000000FFFF00000100007F:C003 0000000000000000FFFF00000100007F:A307 01 00000000:00000000 00:00000000 00000000  1001        0 7009 1
";

    #[test]
    fn another_user_is_told_by_the_tables_of_connections() {
        let anothers = |from| is_anothers(TABLES, from, 0xA307);
        assert!(anothers(0xC002) && anothers(0xC003));
        assert!(!anothers(0xC001) && !anothers(0xC004));
        assert!(!anothers(0xC005) && !is_anothers("", 0xC002, 0xA307), "nothing is known of it");
    }

    #[test]
    fn an_opening_is_good_for_one_use() {
        let opening = Opening::new("once".to_owned());
        assert_eq!(opening.open("twice", 1, 2), Opens::Nothing);
        assert_eq!(opening.open("once", 1, 2), Opens::Now);
        assert_eq!(opening.open("once", 1, 2), Opens::Late);
    }
}
