//! The command line: one file per command. Only this module prints or decides the exit code.
