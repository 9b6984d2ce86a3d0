package postgres

import (
	"context"
	"log/slog"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fairlead/services/ledger/sqlstore"
)

const (
	// pollEvery is how often the head is looked at when nothing is heard: a
	// notification can be lost with its connection.
	pollEvery = 500 * time.Millisecond
	// The pause before a new connection grows from one to the other.
	pauseFirst = 100 * time.Millisecond
	pauseMost  = 5 * time.Second
)

// listener hears of what other servers have committed and tells the store.
type listener struct {
	cfg   *pgx.ConnConfig
	log   *slog.Logger
	store *sqlstore.Store

	stop context.CancelFunc
	done chan struct{}
}

func (l *listener) start(store *sqlstore.Store) {
	// Not a request's context: it ends with the store.
	ctx, stop := context.WithCancel(context.Background())
	l.store, l.stop, l.done = store, stop, make(chan struct{})
	go l.run(ctx)
}

// close ends the listening, if it has begun.
func (l *listener) close() {
	if l.stop != nil {
		l.stop()
		<-l.done
	}
}

// run listens, on a new connection each time one is lost.
func (l *listener) run(ctx context.Context) {
	defer close(l.done)
	pause, quiet := pauseFirst, false
	for ctx.Err() == nil {
		heard := l.listen(ctx, func() {
			if quiet {
				l.log.Info("hearing of changes by other servers again")
			}
			pause, quiet = pauseFirst, false
		})
		if ctx.Err() != nil {
			return
		}
		if !quiet {
			quiet = true
			l.log.Warn("not hearing of changes by other servers at once; looking twice a second", "error", heard)
		}
		l.rest(ctx, pause)
		pause = min(2*pause, pauseMost)
	}
}

// rest waits before the next attempt, and looks at the head meanwhile.
func (l *listener) rest(ctx context.Context, pause time.Duration) {
	for end := time.Now().Add(pause); ctx.Err() == nil; {
		left := time.Until(end)
		if left <= 0 {
			return
		}
		select {
		case <-time.After(min(left, pollEvery)):
		case <-ctx.Done():
			return
		}
		l.look(ctx)
	}
}

// listen listens on one connection until it is lost. It calls up once it hears.
func (l *listener) listen(ctx context.Context, up func()) error {
	conn, err := pgx.ConnectConfig(ctx, l.cfg)
	if err != nil {
		return err
	}
	defer func() {
		// The session is over whatever the answer.
		bye, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(bye)
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+Channel); err != nil {
		return err
	}
	up()
	// What was committed before LISTEN took effect makes no sound.
	l.look(ctx)
	for {
		n, err := l.next(ctx, conn)
		switch {
		case err == nil:
			// The number is a hint. Anybody with access to the database can
			// send one, so that the log itself is asked; a store's own
			// commits it knows already.
			if seq, err := strconv.ParseInt(n.Payload, 10, 64); err != nil || seq > l.store.Known() {
				l.look(ctx)
			}
		case ctx.Err() == nil && pgconn.Timeout(err):
			l.look(ctx)
		default:
			return err
		}
	}
}

// next waits for a notification, at most for the time of a poll.
func (l *listener) next(ctx context.Context, conn *pgx.Conn) (*pgconn.Notification, error) {
	ctx, cancel := context.WithTimeout(ctx, pollEvery)
	defer cancel()
	return conn.WaitForNotification(ctx)
}

// look reads the head. That it cannot be read is told by whoever needs it.
func (l *listener) look(ctx context.Context) {
	if h, err := l.store.Head(ctx); err == nil {
		l.store.Moved(h.Seq)
	}
}
