package intake

import (
	"context"
	"errors"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

// noteNoReceipt is told when a filing is answered again and nobody knows the
// code any more.
const noteNoReceipt = "This report was stored before. Its receipt code was shown then, and nobody keeps it."

// carriedCode checks a receipt code that the device minted.
func carriedCode(x *examination, written string) string {
	if written == "" {
		return ""
	}
	code, err := receiptcode.Read(written)
	if err != nil {
		x.vs.Add("receipt_code", "is not a receipt code, or has a slip in it: 16 letters drawn at random and one that checks them; or leave it out, and the service makes one")
		return ""
	}
	if receiptcode.Strong(code) != nil {
		x.vs.Add("receipt_code", "does not look drawn at random, and others could guess it: draw another, or leave it out, and the service makes one")
	}
	return code
}

// claimCode makes a code the receipt of a report. Only its hash is kept.
func claimCode(ctx context.Context, tx ledger.Tx, code, report string) error {
	err := tx.Claim(ctx, record.SpaceReceipt, receiptcode.Hash(code), report)
	if errors.Is(err, ledger.ErrClaimed) {
		return fault.Invalid(fault.Violation{Field: "receipt_code", Description: "cannot be used: draw another"})
	}
	return err
}

// codeAgain gives whoever sends a request again a receipt code: the one that
// their device minted, or a further one, since the first is kept nowhere and
// its answer may have been lost on the way. A request id belongs to whoever
// minted it.
func (s *Service) codeAgain(ctx context.Context, f *filing, report string) (string, error) {
	if f.receipt != "" {
		return s.codeOf(ctx, f, report)
	}
	code, err := receiptcode.New(s.Random)
	if err != nil {
		return "", err
	}
	_, err = s.Ledger.Write(ctx, ledger.Request{Actor: f.actor, Time: f.taken}, func(ctx context.Context, tx ledger.Tx) error {
		return claimCode(ctx, tx, code, report)
	})
	return receiptcode.Spoken(code), err
}

// codeOf returns the code that came with a filing when it is the receipt of
// the report.
func (s *Service) codeOf(ctx context.Context, f *filing, report string) (string, error) {
	if f.receipt == "" {
		return "", nil
	}
	name, err := s.Ledger.Claimed(ctx, record.SpaceReceipt, receiptcode.Hash(f.receipt))
	switch {
	case errors.Is(err, ledger.ErrNotFound), err == nil && name != report:
		return "", nil
	case err != nil:
		return "", err
	}
	return receiptcode.Spoken(f.receipt), nil
}

// again answers a filing that was stored before.
func (s *Service) again(ctx context.Context, r *pb.Report, seq int64, code string) *pb.FileReportResponse {
	out := &pb.FileReportResponse{Report: r, SequenceNumber: seq, Notes: told(notes(r), r, s.firstTeller(ctx, r)), ReceiptCode: code}
	if code == "" {
		out.Notes = append(out.Notes, noteNoReceipt)
	}
	return out
}
