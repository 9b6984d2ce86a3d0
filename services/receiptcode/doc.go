// Package receiptcode makes and reads receipt codes: what a teller keeps in
// place of a name. Intake gives them out, receipts takes them back.
//
// A code is 16 letters drawn at random from 32, which is 80 bits, and one letter
// that shows a slip of the pen. Written, it is in four groups:
// 7KQ2-MX4H-WPN8-3ZRTA. Nobody can try that many, so that a plain SHA-256 of it
// is enough to keep, and the code itself is kept nowhere. A device that is out
// of reach mints its own; whether it drew the letters at random cannot be seen,
// but what a person or a broken program would make up can, and is refused.
//
// The package knows no report and stores nothing.
package receiptcode
