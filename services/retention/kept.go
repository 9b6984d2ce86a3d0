package retention

import (
	"context"
	"errors"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Kept is a ledger that shows what remains of erased versions of reports, their
// codings and attachments, in the place of what was erased. Changes and
// resources are marked Erased all the same; their hashes are those of the log.
type Kept struct{ ledger.Ledger }

// NewKept returns the ledger with what remains.
func NewKept(l ledger.Ledger) Kept { return Kept{l} }

// keptName is where what remains of a report's versions is written.
func keptName(report string) string { return report + "/kept" }

// versions returns what remains of a report's erased versions, by sequence
// number, and the revision of the resource that says so; 0 when there is none.
func (k Kept) versions(ctx context.Context, report string) (map[int64][]byte, int64, error) {
	res, err := k.Ledger.Get(ctx, keptName(report))
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, err
	}
	m := &pb.KeptVersions{}
	if err := record.Read(res.Body, res.Revision, m); err != nil {
		return nil, 0, err
	}
	out := make(map[int64][]byte, len(m.GetVersions()))
	for _, v := range m.GetVersions() {
		out[v.GetSequenceNumber()] = v.GetBody()
	}
	return out, res.Revision, nil
}

// fill puts what remains into changes.
func (k Kept) fill(ctx context.Context, changes []ledger.Change) ([]ledger.Change, error) {
	known := map[string]map[int64][]byte{}
	for i, c := range changes {
		report, below := record.ReportOf(c.Name)
		if !c.Erased || !below {
			continue
		}
		left, asked := known[report]
		if !asked {
			var err error
			if left, _, err = k.versions(ctx, report); err != nil {
				return nil, err
			}
			known[report] = left
		}
		changes[i].Body = left[c.Seq]
	}
	return changes, nil
}

// Changes implements ledger.Ledger.
func (k Kept) Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error) {
	list, err := k.Ledger.Changes(ctx, after, limit)
	if err != nil {
		return nil, err
	}
	return k.fill(ctx, list)
}

// History implements ledger.Ledger.
func (k Kept) History(ctx context.Context, name string) ([]ledger.Change, error) {
	list, err := k.Ledger.History(ctx, name)
	if err != nil {
		return nil, err
	}
	return k.fill(ctx, list)
}

// GetAt implements ledger.Ledger.
func (k Kept) GetAt(ctx context.Context, name string, seq int64) (ledger.Resource, error) {
	res, err := k.Ledger.GetAt(ctx, name, seq)
	report, below := record.ReportOf(name)
	if err != nil || !res.Erased || !below {
		return res, err
	}
	left, _, err := k.versions(ctx, report)
	res.Body = left[res.Seq]
	return res, err
}
