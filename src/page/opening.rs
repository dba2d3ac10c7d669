//! The address that the browser is started with. Every user of the machine may read it among the running programs, and
//! for as long as the browser lives: it is good for one use, by this user, and leads on to the address that stays secret.

use std::fs;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
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

    /// Tries to open the page. What is not asked by this user, as far as the system tells, does not use the address up.
    ///
    /// * `given`: first part of the path
    /// * `from`: who asks
    /// * `to`: port of the page
    pub(super) fn open(&self, given: &str, from: SocketAddr, to: u16) -> Opens {
        // Hashes, so that the time taken tells nothing about the token.
        let is_known = Sha256::digest(given.as_bytes()) == Sha256::digest(self.token.as_bytes());
        let is_here = from.ip().to_canonical() == Ipv4Addr::LOCALHOST;
        if !is_known || !is_here || !tables().is_ok_and(|tables| is_users(&tables, from.port(), to)) {
            return Opens::Nothing;
        }
        if self.used.swap(true, Ordering::Relaxed) { Opens::Late } else { Opens::Now }
    }
}

/// Linux' tables of connections; without a character on a system that has none.
fn tables() -> io::Result<String> {
    let table = |path| match fs::read_to_string(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(String::new()),
        read => read,
    };
    Ok(table("/proc/net/tcp")? + &table("/proc/net/tcp6")?)
}

/// Whether a connection within 127.0.0.1 comes from the user of the page, by Linux' tables of connections (manual page
/// `proc_pid_net`: local address, remote address, state, ... in the eighth column the user). A connection that is not
/// established has no owner any more and shows user 0. The administrator may read everything anyway, and a relay of a
/// guest system runs as him. True where the system has no tables.
fn is_users(tables: &str, from: u16, to: u16) -> bool {
    const ESTABLISHED: &str = "01";
    // The number of an address as it lies in memory, in hexadecimal; in the table of the longer addresses after `::ffff`.
    let here = |port: u16| {
        let word = |bytes| format!("{:08X}", u32::from_ne_bytes(bytes));
        let short = format!("{}:{port:04X}", word([127, 0, 0, 1]));
        [format!("{:016}{}{short}", 0, word([0, 0, 255, 255])), short]
    };
    let user = |near: u16, far: u16| -> Option<u32> {
        let (near, far) = (here(near), here(far));
        tables.lines().find_map(|line| {
            let columns: Vec<&str> = line.split_whitespace().collect();
            let [_, local, remote, ESTABLISHED, _, _, _, user, ..] = columns[..] else { return None };
            let fits = near.iter().any(|form| form == local) && far.iter().any(|form| form == remote);
            fits.then(|| user.parse().ok())?
        })
    };
    tables.is_empty()
        || match (user(from, to), user(to, from)) {
            (Some(theirs), Some(own)) => theirs == own || theirs == 0,
            _ => false,
        }
}

#[cfg(test)]
mod tests {
    use std::net::{TcpListener, TcpStream};

    use super::*;

    /// Of a page on port 41735 (`A307`): a browser of user 1000, another user's program, one of another family, a relay, one
    /// that has closed its end, one whose end is not listed, and one behind ends that other addresses closed.
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
   8: 0100007F:A307 0100007F:C005 01 00000000:00000000 00:00000000 00000000  1000        0 7010 1 0 20 4 30 10 -1
   9: 0100007F:C005 0100007F:A307 05 00000000:00000000 00:00000000 00000000     0        0 0 1 0 20 4 30 10 -1
  10: 0100007F:A307 0100007F:C006 01 00000000:00000000 00:00000000 00000000  1000        0 7011 1 0 20 4 30 10 -1
  11: 0200007F:C007 0100007F:A307 06 00000000:00000000 03:00001770 00000000     0        0 0 3 0
  12: 0300007F:C007 0100007F:A307 01 00000000:00000000 00:00000000 00000000  1000        0 7012 1 0 20 4 30 10 -1
  13: 0100007F:C007 0100007F:A307 01 00000000:00000000 00:00000000 00000000  1001        0 7013 1 0 20 4 30 10 -1
  14: 0100007F:A307 0100007F:C007 01 00000000:00000000 00:00000000 00000000  1000        0 7014 1 0 20 4 30 10 -1
  sl  local_address                         remote_address                        st tx_queue rx_queue tr tm->when
   0: 0000000000000000FFFF00000100007F:C003 0000000000000000FFFF00000100007F:A307 01 00000000:00000000 00:00000000 00000000  1001        0 7009 1
   1: 0000000000000000FFFF00000100007F:C008 0000000000000000FFFF00000100007F:A307 01 00000000:00000000 00:00000000 00000000  1000        0 7015 1
   2: 0000000000000000FFFF00000100007F:A307 0000000000000000FFFF00000100007F:C008 01 00000000:00000000 00:00000000 00000000  1000        0 7016 1
";

    #[test]
    fn another_user_is_told_by_the_tables_of_connections() {
        let users = |from| is_users(TABLES, from, 0xA307);
        let let_in: Vec<u16> = (0xC001..=0xC00A).filter(|from| users(*from)).collect();
        assert_eq!(let_in, [0xC001, 0xC004, 0xC008]);
        assert!(is_users("", 0xC002, 0xA307), "such a system has no tables");
    }

    /// A connection of this process to itself, as a browser makes one.
    #[test]
    fn an_opening_is_good_for_one_use() {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a port");
        let to = listener.local_addr().expect("bound").port();
        let connect = || {
            let client = TcpStream::connect((Ipv4Addr::LOCALHOST, to)).expect("connects");
            let (server, from) = listener.accept().expect("accepts");
            (client, server, from)
        };
        let opening = Opening::new("once".to_owned());
        let (_client, _server, from) = connect();
        assert_eq!(opening.open("twice", from, to), Opens::Nothing);
        let elsewhere = SocketAddr::from(([127, 0, 0, 2], from.port()));
        assert_eq!(opening.open("once", elsewhere, to), Opens::Nothing);
        // Nobody owns an end that is closed: it uses nothing up.
        if cfg!(target_os = "linux") {
            let (client, _server, closed) = connect();
            drop(client);
            assert_eq!(opening.open("once", closed, to), Opens::Nothing);
        }
        assert_eq!(opening.open("once", from, to), Opens::Now);
        assert_eq!(opening.open("once", from, to), Opens::Late);
    }
}
