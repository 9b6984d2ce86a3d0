package postgres

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"

	"fairlead/services/ledger"
)

// SQLSTATE codes of PostgreSQL (its manual, appendix A).
const (
	codeSerialization   = "40001"
	codeDeadlock        = "40P01"
	codeCancelled       = "57014"
	codeLockTimeout     = "55P03"
	codeDiskFull        = "53100"
	codeTooManySessions = "53300"
	codeReadOnly        = "25006"
	codeIdleTooLong     = "25P03"
	codeNoPrivilege     = "42501"
)

// code returns the SQLSTATE of a server's error, or "" for another error.
func code(err error) string {
	var e *pgconn.PgError
	if !errors.As(err, &e) {
		return ""
	}
	return e.Code
}

// tell adds to a storage error the kind a caller can act on. It looks at codes,
// never at message text.
func tell(err error) error {
	switch c := code(err); {
	case c == codeDiskFull:
		return fmt.Errorf("%w: %w", ledger.ErrFull, err)
	case c == codeLockTimeout:
		return fmt.Errorf("%w: %w", ledger.ErrBusy, err)
	case errors.Is(err, ledger.ErrAway), errors.Is(err, ledger.ErrUnknown):
		return err
	case isLost(err):
		return fmt.Errorf("%w: %w", ledger.ErrAway, err)
	}
	return err
}

// isLost says that the connection is gone, or of no more use.
func isLost(err error) bool {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return false
	}
	if c := code(err); c != "" {
		return strings.HasPrefix(c, "08") || strings.HasPrefix(c, "57P") ||
			c == codeIdleTooLong || c == codeReadOnly || c == codeTooManySessions
	}
	var network net.Error
	var connecting *pgconn.ConnectError
	return errors.Is(err, driver.ErrBadConn) || errors.Is(err, sql.ErrConnDone) ||
		errors.Is(err, pgconn.ErrConnClosed) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, net.ErrClosed) || errors.As(err, &network) || errors.As(err, &connecting) || pgconn.SafeToRetry(err)
}

// isAgain says that the transaction may simply be run again.
func isAgain(err error) bool {
	switch code(err) {
	case codeSerialization, codeDeadlock, codeCancelled:
		return true
	}
	return false
}

// isDamage says that what is stored is broken (class XX: data corrupted, index
// corrupted).
func isDamage(err error) bool { return strings.HasPrefix(code(err), "XX0") }
