// Package checkpoint signs the end of the log, so that somebody outside can
// keep a few lines of text and later prove by them that nothing before was
// altered, taken out or put between, and that nothing was cut off.
//
// It is the last step of the way of one report: what outlives the house that
// keeps the log. A checkpoint holds nothing of what was told. How an outsider
// checks one without this software is written in DEVELOPERS.md.
//
// # The text
//
// A checkpoint is seven lines of ASCII, each ended by one line feed:
//
//	fairlead checkpoint 1
//	origin <64 hexadecimal digits>
//	sequence_number <decimal>
//	head_hash <64 hexadecimal digits>
//	time <YYYY-MM-DDTHH:00:00Z>
//	key <64 hexadecimal digits>
//	signature <base64 of 64 bytes>
//
// origin is the hash of the first change and names the log, wherever it is
// kept. sequence_number and head_hash are those of the last change. time is
// when it was signed, cut to the hour: a finer time would say when an anonymous
// report came in. key is the SHA-256 of the 32 bytes of the public key. The
// signature is Ed25519 (RFC 8032) over the bytes of the first six lines, line
// feeds included. Hexadecimal is lower-case; numbers have no leading zeros.
//
// # The key
//
// The key pair lies in the data folder: checkpoint.key (PEM, PKCS #8, readable
// by its owner only) and checkpoint.pub (PEM, to be given to everybody). It is
// made at the first start.
//
// # What it never does
//
// A signature proves who signed, not that what is in the log is true. Whoever
// holds the key can sign another log: the proof is that an outsider holds the
// checkpoint. The package never reads the log.
package checkpoint
