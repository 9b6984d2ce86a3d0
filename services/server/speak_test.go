package server_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"

	"fairlead/services/server/servertest"
)

// TestReflection finds and describes every method as a generic client does,
// which has no copy of the contract.
func TestReflection(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	stream, err := reflectpb.NewServerReflectionClient(w.Conn()).ServerReflectionInfo(t.Context())
	require.NoError(t, err)
	ask := func(req *reflectpb.ServerReflectionRequest) *reflectpb.ServerReflectionResponse {
		t.Helper()
		require.NoError(t, stream.Send(req))
		resp, err := stream.Recv()
		require.NoError(t, err)
		require.Nil(t, resp.GetErrorResponse(), "%v", resp.GetErrorResponse())
		return resp
	}
	list := ask(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_ListServices{}})
	var services []string
	set := &descriptorpb.FileDescriptorSet{}
	for _, s := range list.GetListServicesResponse().GetService() {
		services = append(services, s.GetName())
	}
	for _, m := range contract(t) {
		service := string(m.Parent().FullName())
		require.Contains(t, services, service)
		resp := ask(&reflectpb.ServerReflectionRequest{MessageRequest: &reflectpb.ServerReflectionRequest_FileContainingSymbol{FileContainingSymbol: service}})
		for _, raw := range resp.GetFileDescriptorResponse().GetFileDescriptorProto() {
			f := &descriptorpb.FileDescriptorProto{}
			require.NoError(t, proto.Unmarshal(raw, f))
			// What was sent before is left out, but for the file asked for.
			if !slices.ContainsFunc(set.File, func(old *descriptorpb.FileDescriptorProto) bool { return old.GetName() == f.GetName() }) {
				set.File = append(set.File, f)
			}
		}
		found := described(t, set, m.Parent().Name(), m.Name())
		require.Equal(t, m.Input().FullName(), found.Input().FullName(), m.short)
	}
	require.NoError(t, stream.CloseSend())
}

// described builds descriptors out of what reflection has sent, and returns a
// method out of them.
func described(t *testing.T, set *descriptorpb.FileDescriptorSet, service, method protoreflect.Name) protoreflect.MethodDescriptor {
	t.Helper()
	files, err := protodesc.NewFiles(set)
	require.NoError(t, err, "the answers hold everything that it imports")
	d, err := files.FindDescriptorByName(protoreflect.FullName("fairlead.v1." + service))
	require.NoError(t, err)
	m := d.(protoreflect.ServiceDescriptor).Methods().ByName(method)
	require.NotNil(t, m)
	return m
}

// TestHealth asks for the health of the whole and of each service, without a
// token, and hears when the server stops.
func TestHealth(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	client := healthpb.NewHealthClient(w.Conn())
	services := []string{""}
	for _, m := range contract(t) {
		if s := string(m.Parent().FullName()); !slices.Contains(services, s) {
			services = append(services, s)
		}
	}
	for _, s := range services {
		resp, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: s})
		require.NoError(t, err, s)
		require.Equal(t, healthpb.HealthCheckResponse_SERVING, resp.GetStatus(), s)
	}
	_, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: "fairlead.v1.NoService"})
	require.Equal(t, codes.NotFound, status.Code(err))

	watch, err := client.Watch(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	resp, err := watch.Recv()
	require.NoError(t, err)
	require.Equal(t, healthpb.HealthCheckResponse_SERVING, resp.GetStatus())
	w.StopNow()
	for err == nil {
		if resp, err = watch.Recv(); err == nil {
			require.Equal(t, healthpb.HealthCheckResponse_NOT_SERVING, resp.GetStatus())
		}
	}
	require.Equal(t, codes.Unavailable, status.Code(err))
}
