package moment_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/services/moment"
)

// builder builds worlds when it is let; a world is its own number.
type builder struct {
	let     chan struct{}
	started chan int64
	stopped chan int64

	mu       sync.Mutex
	running  int
	together int
}

func newBuilder() *builder {
	return &builder{let: make(chan struct{}), started: make(chan int64, 100), stopped: make(chan int64, 100)}
}

func (b *builder) build(ctx context.Context, log *moment.Log) (int64, error) {
	b.mu.Lock()
	b.running++
	b.together = max(b.together, b.running)
	b.mu.Unlock()
	defer func() {
		b.mu.Lock()
		b.running--
		b.mu.Unlock()
	}()
	head, err := log.Head(ctx)
	if err != nil {
		return 0, err
	}
	b.started <- head.Seq
	select {
	case <-b.let:
		return head.Seq, nil
	case <-ctx.Done():
		b.stopped <- head.Seq
		return 0, ctx.Err()
	}
}

func at(seq int64) moment.Point { return moment.Point{Seq: seq} }

// TestBuiltOnce: however many ask for the same moment at the same time, it is
// built once; and moments are built one after the other.
func TestBuiltOnce(t *testing.T) {
	l := book(t, 9)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	b := newBuilder()
	k := moment.NewKeeper(l, moment.Usual, b.build)
	defer k.Close()
	var wait sync.WaitGroup
	for i := range 60 {
		wait.Go(func() {
			seq := int64(1 + i%3)
			got, err := k.At(t.Context(), at(seq))
			if err != nil || got != seq {
				t.Errorf("as at %d: %d, %v", seq, got, err)
			}
		})
	}
	for range 3 {
		<-b.started
		b.let <- struct{}{}
	}
	wait.Wait()
	builds, kept := k.Counts()
	require.EqualValues(t, 3, builds)
	require.Equal(t, 3, kept)
	require.Equal(t, 1, b.together, "builds leave the machine to the present")
	_, err := k.At(t.Context(), at(2))
	require.NoError(t, err)
	builds, _ = k.Counts()
	require.EqualValues(t, 3, builds, "a kept one is not built again")
}

func TestForgetsWhatWasAskedForLongestAgo(t *testing.T) {
	t.Parallel()
	built := map[int64]int{}
	k := moment.NewKeeper(book(t, 9), moment.Limits{Worlds: 2, Changes: 12, Waiting: 4}, func(ctx context.Context, log *moment.Log) (int64, error) {
		head, err := log.Head(ctx)
		built[head.Seq]++
		return head.Seq, err
	})
	defer k.Close()
	ask := func(seqs ...int64) {
		for _, seq := range seqs {
			got, err := k.At(t.Context(), at(seq))
			require.NoError(t, err)
			require.Equal(t, seq, got)
		}
	}
	ask(1, 2, 1, 3) // 2 goes
	ask(1)
	require.Equal(t, map[int64]int{1: 1, 2: 1, 3: 1}, built)
	ask(2) // 3 goes
	ask(1)
	require.Equal(t, map[int64]int{1: 1, 2: 2, 3: 1}, built)
	ask(9, 8) // together more than 12 changes: each alone
	_, kept := k.Counts()
	require.Equal(t, 1, kept)
	ask(8)
	require.Equal(t, 1, built[8])
}

// TestNobodyWaits: a build that everybody has left is stopped; one whose last
// waiter ran out of time goes on, so that asking again succeeds.
func TestNobodyWaits(t *testing.T) {
	l := book(t, 9)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	b := newBuilder()
	k := moment.NewKeeper(l, moment.Usual, b.build)
	defer k.Close()
	ctx, leave := context.WithCancel(t.Context())
	done := make(chan error, 2)
	for range 2 {
		go func() { _, err := k.At(ctx, at(4)); done <- err }()
	}
	<-b.started
	leave()
	for range 2 {
		require.ErrorIs(t, <-done, context.Canceled)
	}
	require.EqualValues(t, 4, <-b.stopped)
	_, kept := k.Counts()
	require.Zero(t, kept)

	late, stop := context.WithTimeout(t.Context(), time.Millisecond)
	defer stop()
	_, err := k.At(late, at(5))
	require.Equal(t, codes.Unavailable, status.Code(err), "%v", err)
	go func() { <-b.started; b.let <- struct{}{} }()
	got, err := k.At(t.Context(), at(5))
	require.NoError(t, err)
	require.EqualValues(t, 5, got)
	builds, _ := k.Counts()
	require.EqualValues(t, 2, builds)
}

func TestTooManyMoments(t *testing.T) {
	l := book(t, 9)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	b := newBuilder()
	k := moment.NewKeeper(l, moment.Limits{Worlds: 2, Changes: 100, Waiting: 1}, b.build)
	done := make(chan error)
	go func() { _, err := k.At(t.Context(), at(1)); done <- err }()
	<-b.started
	_, err := k.At(t.Context(), at(7))
	require.Equal(t, codes.Unavailable, status.Code(err), "%v", err)
	go k.Close()
	require.Equal(t, codes.Unavailable, status.Code(<-done), "a server that stops sends them away")
	k.Close()
	_, err = k.At(t.Context(), at(3))
	require.Equal(t, codes.Unavailable, status.Code(err))
}

// TestForget: after an erasure nothing is answered from what was built before.
func TestForget(t *testing.T) {
	l := book(t, 9)
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	b := newBuilder()
	k := moment.NewKeeper(l, moment.Usual, b.build)
	defer k.Close()
	done := make(chan error)
	go func() { _, err := k.At(t.Context(), at(4)); done <- err }()
	<-b.started
	k.Forget()
	b.let <- struct{}{}
	require.NoError(t, <-done, "who waited is answered")
	_, kept := k.Counts()
	require.Zero(t, kept, "and nobody after")
	go func() { <-b.started; b.let <- struct{}{} }()
	_, err := k.At(t.Context(), at(4))
	require.NoError(t, err)
	builds, kept := k.Counts()
	require.EqualValues(t, 2, builds)
	require.Equal(t, 1, kept)
}

func TestFailedBuildIsNotKept(t *testing.T) {
	t.Parallel()
	broken, fails := errors.New("broken"), true
	k := moment.NewKeeper(book(t, 9), moment.Usual, func(context.Context, *moment.Log) (string, error) {
		if fails {
			return "", broken
		}
		return "world", nil
	})
	defer k.Close()
	_, err := k.At(t.Context(), at(3))
	require.ErrorIs(t, err, broken)
	fails = false
	got, err := k.At(t.Context(), at(3))
	require.NoError(t, err)
	require.Equal(t, "world", got)
}

func ExamplePoint_AsAt() {
	p := moment.Point{Seq: 1200, Count: time.Date(2026, 3, 31, 9, 0, 0, 0, time.UTC)}
	fmt.Println(p.AsAt().GetSequenceNumber(), p.AsAt().GetCountTime().AsTime())
	// Output: 1200 2026-03-31 09:00:00 +0000 UTC
}
