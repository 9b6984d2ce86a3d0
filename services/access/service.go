package access

import (
	"context"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Service implements AccessService.
type Service struct {
	pb.UnimplementedAccessServiceServer
	policy *Policy
}

// NewService returns the service over a policy.
func NewService(p *Policy) *Service { return &Service{policy: p} }

// GetMyself implements AccessService.
func (s *Service) GetMyself(ctx context.Context, _ *pb.GetMyselfRequest) (*pb.Principal, error) {
	who := From(ctx)
	out := &pb.Principal{
		Name:        who.Name,
		DisplayName: who.DisplayName,
		Roles:       who.Roles,
		Workplaces:  who.Workplaces,
		Methods:     s.policy.Methods(who),
	}
	for _, g := range who.Grants {
		out.Grants = append(out.Grants, &pb.Grant{Role: g.Role, Workplaces: g.Workplaces, Reports: g.Reports})
	}
	return out, nil
}
