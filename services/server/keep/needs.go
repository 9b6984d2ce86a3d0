package keep

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/blob"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// page is how much is taken from a ledger at once.
const page = 1000

// Lister is the part of a ledger that lists what there is.
type Lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// each calls fn for every resource of a kind ("" for all) that still says
// something.
func each(ctx context.Context, l Lister, kind string, fn func(ledger.Resource) error) error {
	for after := ""; ; {
		list, err := l.List(ctx, kind, "", after, page)
		if err != nil {
			return fmt.Errorf("keep: list: %w", err)
		}
		for _, r := range list {
			after = r.Name
			if err := fn(r); err != nil {
				return err
			}
		}
		if len(list) == 0 {
			return nil
		}
	}
}

// need is bytes that an attachment names.
type need struct {
	attachment string
	blob.Ref
}

// needs lists the bytes of all attachments that are there, each once.
func needs(ctx context.Context, l Lister) (list []need, attachments int, err error) {
	seen := map[string]bool{}
	err = each(ctx, l, record.KindAttachment, func(r ledger.Resource) error {
		if r.Erased || len(r.Body) == 0 {
			return nil
		}
		a := &pb.Attachment{}
		if err := proto.Unmarshal(r.Body, a); err != nil {
			return fmt.Errorf("keep: %s cannot be read: run the check", r.Name)
		}
		if a.GetRemoveTime() != nil {
			return nil
		}
		attachments++
		refs := []blob.Ref{{SHA256: a.GetSha256(), Size: a.GetSizeBytes()}}
		for _, d := range []*pb.Rendition{a.GetDisplay(), a.GetSmall()} {
			if d != nil {
				refs = append(refs, blob.Ref{SHA256: d.GetSha256(), Size: d.GetSizeBytes()})
			}
		}
		for _, ref := range refs {
			if !seen[ref.SHA256] {
				seen[ref.SHA256] = true
				list = append(list, need{r.Name, ref})
			}
		}
		return nil
	})
	return list, attachments, err
}
