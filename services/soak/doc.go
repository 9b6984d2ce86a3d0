// Package soak breaks a whole fairlead-server on purpose and looks at what is
// left. It holds tests only.
//
// The real binary is built, filled by clients over gRPC, and killed, starved of
// disk, cut, turned back in time or written over by another hand. After each of
// these the same oracle is asked, which knows every answer that the clients
// were given:
//
//   - every acknowledged write is in the log once, at the number that was told,
//     and the log holds nothing else;
//   - what was answered before is what is read now, and a replay with the same
//     ids is answered as the first time;
//   - `fairlead-server check` finds nothing wrong;
//   - search, lists and tables count what the clients wrote, and count the same
//     after `fairlead-server rebuild`;
//   - no line of the server's log has a word of what was told.
//
// # What cannot be done here
//
// A sync that fails while writes succeed cannot be injected. The SQLite driver
// makes its own system calls without libc, so that a preloaded library does not
// see them, and its virtual file systems (modernc.org/sqlite/vfs) are for
// reading an fs.FS only; a device that fails by command (dmsetup) needs kernel
// modules that a container does not have. The faults here are those that a file
// system makes by itself: full, read-only, and, for a sync that lied, a
// write-ahead log that is cut or damaged after the kill.
//
// An anchor of what cannot be found is in the tests themselves: a write-ahead log
// that lost its end (TestTornLog) and an older copy put in place of the file
// (TestTamper_pages) are sound in themselves, and only a checkpoint that was
// noted elsewhere shows them; bytes of tables that no hash guards are listed as
// outsideTheChain.
//
// # What it needs
//
// Root, or the right to mount, for the disk that fills (a small tmpfs): without
// it those tests say NOT RUN. PostgreSQL's programs for two servers on one
// database: without them the test fails and says how to install them.
//
// This package never runs in a server and offers nothing to other packages.
package soak
