package workplace

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestPersonWithoutAnID wants the house to make an id that says nothing, and a
// repeated request to find it.
func TestPersonWithoutAnID(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	ask := &pb.CreatePersonRequest{RequestId: uuid.NewString(), Person: &pb.Person{DisplayName: "Somebody Invented",
		Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}}
	first, err := call(h.ctx, h.CreatePerson, ask)
	require.NoError(t, err)
	require.Regexp(t, `^people/[0-9a-f-]{36}$`, first.GetName())
	again, err := call(h.ctx, h.CreatePerson, ask)
	require.NoError(t, err)
	require.Equal(t, first.GetName(), again.GetName())
	ask.RequestId = uuid.NewString()
	other, err := call(h.ctx, h.CreatePerson, ask)
	require.NoError(t, err)
	require.NotEqual(t, first.GetName(), other.GetName())
}
