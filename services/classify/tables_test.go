package classify_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
)

func protoName(s string) protoreflect.Name  { return protoreflect.Name(s) }
func protoText(s string) protoreflect.Value { return protoreflect.ValueOfString(s) }

func TestListEditions(t *testing.T) {
	t.Parallel()
	r := open(t)
	resp, err := r.ListEditions(context.Background(), &pb.ListEditionsRequest{})
	require.NoError(t, err)
	require.Len(t, resp.GetEditions(), 1)
	e := resp.GetEditions()[0]
	require.Equal(t, "TOOCS 3.1", e.GetName())
	require.Contains(t, e.GetCredit(), "Commonwealth of Australia")
	require.Contains(t, e.GetCredit(), "official file")
	require.Len(t, e.GetSizes(), 5)
	for _, f := range toocs.Facets() {
		require.EqualValues(t, len(toocs.Default().Codes(f.List())), e.GetSizes()[string(f)])
	}
}

func codesOf(list []*pb.Code) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.GetCode())
	}
	return out
}

func TestListCodes(t *testing.T) {
	t.Parallel()
	r := open(t)
	ctx := context.Background()
	whole, err := r.ListCodes(ctx, &pb.ListCodesRequest{Facet: pb.Facet_FACET_MECHANISM})
	require.NoError(t, err)
	require.Equal(t, "TOOCS 3.1", whole.GetEdition())
	require.True(t, slices.IsSorted(codesOf(whole.GetCodes())))
	require.Len(t, whole.GetCodes(), len(toocs.Default().Codes(toocs.Mechanism)))

	group, err := r.ListCodes(ctx, &pb.ListCodesRequest{Facet: pb.Facet_FACET_MECHANISM, Parent: "2"})
	require.NoError(t, err)
	require.Contains(t, codesOf(group.GetCodes()), "28")
	for _, c := range group.GetCodes() {
		require.True(t, strings.HasPrefix(c.GetCode(), "2"))
		require.NotEqual(t, "2", c.GetCode(), "below, and not the code itself")
		require.Equal(t, "2", c.GetParent())
		require.Equal(t, int32(2), c.GetLevel())
		require.Len(t, c.GetPath(), 1)
		require.Equal(t, pb.Facet_FACET_MECHANISM, c.GetFacet())
	}
	// All levels below, not the next alone.
	deep, err := r.ListCodes(ctx, &pb.ListCodesRequest{Facet: pb.Facet_FACET_BREAKDOWN_AGENCY, Parent: "4"})
	require.NoError(t, err)
	require.Contains(t, codesOf(deep.GetCodes()), "46")
	require.Contains(t, codesOf(deep.GetCodes()), "461")
	require.Contains(t, codesOf(deep.GetCodes()), "4619")
	leaf, err := r.ListCodes(ctx, &pb.ListCodesRequest{Facet: pb.Facet_FACET_MECHANISM, Parent: "28"})
	require.NoError(t, err)
	require.Empty(t, leaf.GetCodes())

	for name, req := range map[string]*pb.ListCodesRequest{
		"facet":  {},
		"parent": {Facet: pb.Facet_FACET_MECHANISM, Parent: "636"},
	} {
		_, err := r.ListCodes(ctx, req)
		require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		require.Contains(t, violations(err), name)
	}
	_, err = r.ListCodes(ctx, &pb.ListCodesRequest{Facet: 99})
	require.Contains(t, violations(err), "facet")
}

func TestLookUpCodes(t *testing.T) {
	t.Parallel()
	r := open(t)
	ctx := context.Background()
	resp, err := r.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: "hit by falling branch, broken wrist", Limit: 3})
	require.NoError(t, err)
	order := []pb.Facet{pb.Facet_FACET_MECHANISM, pb.Facet_FACET_NATURE, pb.Facet_FACET_BODILY_LOCATION, pb.Facet_FACET_AGENCY}
	count := map[pb.Facet]int{}
	at := 0
	for i, c := range resp.GetCodes() {
		require.GreaterOrEqual(t, slices.Index(order, c.GetFacet()), at, "facets in order, breakdown agency not asked twice")
		at = slices.Index(order, c.GetFacet())
		count[c.GetFacet()]++
		require.Positive(t, c.GetScore())
		require.True(t, c.GetAssignable())
		if i > 0 && resp.GetCodes()[i-1].GetFacet() == c.GetFacet() {
			require.LessOrEqual(t, c.GetScore(), resp.GetCodes()[i-1].GetScore(), "best first within a facet")
		}
	}
	require.Equal(t, "21", resp.GetCodes()[0].GetCode())
	for _, f := range order {
		require.LessOrEqual(t, count[f], 3)
		require.Positive(t, count[f], "%v", f)
	}
	one, err := r.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: "hit by falling branch", Facet: pb.Facet_FACET_BREAKDOWN_AGENCY})
	require.NoError(t, err)
	require.LessOrEqual(t, len(one.GetCodes()), 5)
	for _, c := range one.GetCodes() {
		require.Equal(t, pb.Facet_FACET_BREAKDOWN_AGENCY, c.GetFacet())
	}
	none, err := r.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: "qqqqq"})
	require.NoError(t, err)
	require.Empty(t, none.GetCodes(), "it does not guess")

	for name, req := range map[string]*pb.LookUpCodesRequest{
		"words": {Words: "  "},
		"limit": {Words: "branch", Limit: 51},
		"facet": {Words: "branch", Facet: 77},
	} {
		_, err := r.LookUpCodes(ctx, req)
		require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		require.Contains(t, violations(err), name)
	}
	_, err = r.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: "branch", Limit: -1})
	require.Contains(t, violations(err), "limit")
}

func TestCheck(t *testing.T) {
	t.Parallel()
	tables := classify.NewTables(toocs.Default())
	ctx := context.Background()
	c := &pb.Coding{Nature: " 171", Mechanism: "28 Being hit by moving objects", Agency: "6360", BreakdownAgency: ""}
	require.Empty(t, tables.Check(ctx, c))
	require.Equal(t, []string{"171", "28", "636", ""}, []string{c.GetNature(), c.GetMechanism(), c.GetAgency(), c.GetBreakdownAgency()})
	require.Equal(t, tables.Name(), c.GetEdition())
	require.Empty(t, tables.Check(ctx, c), "what was checked stays as it is")

	c = &pb.Coding{Nature: "171", Mechanism: "2"}
	vs := tables.Check(ctx, c)
	require.Len(t, vs, 1)
	require.Equal(t, "mechanism", vs[0].Field)
	require.Empty(t, c.GetEdition(), "what is not good gets no edition")
	c = &pb.Coding{Edition: "TOOCS 4", Mechanism: "28"}
	require.Equal(t, "edition", tables.Check(ctx, c)[0].Field)
}

func TestCodeTree(t *testing.T) {
	t.Parallel()
	tables := classify.NewTables(toocs.Default())
	for _, c := range []struct {
		facet pb.Facet
		code  string
		level int32
		want  string
	}{
		{pb.Facet_FACET_MECHANISM, "28", 1, "2"},
		{pb.Facet_FACET_MECHANISM, "28", 2, "28"},
		{pb.Facet_FACET_MECHANISM, "28", 3, "28"},
		{pb.Facet_FACET_MECHANISM, "2", 2, "2"},
		{pb.Facet_FACET_AGENCY, "4619", 1, "4"},
		{pb.Facet_FACET_AGENCY, "4619", 2, "46"},
		{pb.Facet_FACET_AGENCY, "4619", 3, "461"},
		{pb.Facet_FACET_BREAKDOWN_AGENCY, "4619", 4, "4619"},
		{pb.Facet_FACET_AGENCY, "636", 4, "636"},
		{pb.Facet_FACET_MECHANISM, "28", 0, "28"},
		{pb.Facet_FACET_MECHANISM, "no such", 1, "no such"},
		{pb.Facet_FACET_UNSPECIFIED, "28", 1, "28"},
	} {
		above, title := tables.AtLevel(c.facet, c.code, c.level)
		require.Equal(t, c.want, above, "%v %s at %d", c.facet, c.code, c.level)
		require.Equal(t, tables.Title(c.facet, above), title)
	}
	require.Equal(t, "Being hit by moving objects", tables.Title(pb.Facet_FACET_MECHANISM, "28"))
	require.Empty(t, tables.Title(pb.Facet_FACET_MECHANISM, "636"))
	require.Empty(t, tables.Title(pb.Facet_FACET_UNSPECIFIED, "28"))

	// Every code leads up to its own group, at every level, without a gap.
	for _, f := range toocs.Facets() {
		facet := map[toocs.Facet]pb.Facet{toocs.NatureFacet: 1, toocs.BodilyLocationFacet: 2, toocs.MechanismFacet: 3, toocs.BreakdownAgencyFacet: 4, toocs.AgencyFacet: 5}[f]
		for _, c := range toocs.Default().Codes(f.List()) {
			group, _ := toocs.Default().Group(f.List(), c.Code)
			above, _ := tables.AtLevel(facet, c.Code, 1)
			require.Equal(t, group.Code, above)
			below := above
			for level := int32(2); level <= 4; level++ {
				at, title := tables.AtLevel(facet, c.Code, level)
				require.NotEmpty(t, title)
				chain := codesOfChain(f.List(), at)
				require.Contains(t, chain, below)
				below = at
			}
			require.Equal(t, c.Code, below)
		}
	}
}

func codesOfChain(l toocs.List, code string) []string {
	var out []string
	for _, c := range toocs.Default().Chain(l, code) {
		out = append(out, c.Code)
	}
	return out
}
