package main

import (
	"context"
	"fmt"
	"time"

	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/workplace"
)

// benchThen builds the tree and the figures as they stood at nine tenths of the
// log, beside what the whole took at start; and asks for them again.
func benchThen(ctx context.Context, l ledger.Ledger, start time.Duration, n int) (row, error) {
	head, err := l.Head(ctx)
	if err != nil {
		return row{}, err
	}
	keeper := moment.NewKeeper(l, moment.Usual, func(ctx context.Context, log *moment.Log) (*facts.Facts, error) {
		tree := workplace.NewTree(log, time.Now)
		if err := tree.CatchUp(ctx); err != nil {
			return nil, err
		}
		f := facts.New(log, tree, classify.NewTables(toocs.Default()))
		return f, f.CatchUp(ctx)
	})
	defer keeper.Close()
	at := moment.Point{Seq: head.Seq * 9 / 10}
	begun := time.Now()
	if _, err := keeper.At(ctx, at); err != nil {
		return row{}, err
	}
	built := time.Since(begun)
	begun = time.Now()
	if _, err := keeper.At(ctx, at); err != nil {
		return row{}, err
	}
	again := time.Since(begun)
	return row{what: fmt.Sprintf("as at: figures of %d changes built", at.Seq), ours: built.Round(time.Millisecond).String() + ", then " + again.Round(time.Microsecond).String(),
		baseline: start.Round(time.Millisecond).String() + " for all at start", ratio: fmt.Sprintf("%.2f", 0.9*start.Seconds()/built.Seconds())}, nil
}
