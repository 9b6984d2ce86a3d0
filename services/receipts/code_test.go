package receipts_test

import (
	"context"
	"crypto/rand"
	"net"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/receiptcode"
)

// calls are all that a code is good for.
func (w *world) calls(message string) map[string]func(ctx context.Context, code string) error {
	return map[string]func(ctx context.Context, code string) error{
		"progress": func(ctx context.Context, c string) error {
			_, err := w.teller.GetProgress(ctx, &pb.GetProgressRequest{Code: c})
			return err
		},
		"messages": func(ctx context.Context, c string) error {
			_, err := w.teller.ListMessages(ctx, &pb.ListMessagesRequest{Code: c})
			return err
		},
		"add": func(ctx context.Context, c string) error {
			_, err := w.teller.AddMessage(ctx, &pb.AddMessageRequest{Code: c, Text: "yes"})
			return err
		},
		"acknowledge": func(ctx context.Context, c string) error {
			_, err := w.teller.Acknowledge(ctx, &pb.AcknowledgeRequest{Code: c, Message: message})
			return err
		},
	}
}

func fresh(t *testing.T) string {
	t.Helper()
	code, err := receiptcode.New(rand.Reader)
	require.NoError(t, err)
	return code
}

// TestCode: a code as people write it opens its own report and no other; one that
// is wrong is not repeated.
func TestCode(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	q := w.ask("Which step?")
	_, other := w.file(pb.TellerMode_TELLER_MODE_ANONYMOUS)
	spoken := receiptcode.Spoken(w.code)
	swapped := w.code[:3] + w.code[4:5] + w.code[3:4] + w.code[5:]
	if swapped == w.code {
		swapped = w.code[:16]
	}
	for name, call := range w.calls(q.GetName()) {
		for _, written := range []string{w.code, spoken, strings.ToLower(spoken), strings.ReplaceAll(spoken, "-", " ")} {
			require.NoError(t, call(t.Context(), written), "%s", name)
		}
		for _, wrong := range []string{"", w.code[:16], w.code + "0", swapped, "K7-Q2", "channel forty-two !"} {
			err := call(t.Context(), wrong)
			require.Equal(t, "code", field(t, err), name)
			if wrong != "" {
				require.NotContains(t, status.Convert(err).Proto().String(), wrong)
			}
		}
		nobodys := fresh(t)
		err := call(t.Context(), nobodys)
		require.Equal(t, codes.NotFound, status.Code(err), name)
		require.NotContains(t, status.Convert(err).Proto().String(), nobodys)
	}
	require.Equal(t, codes.NotFound, status.Code(w.calls(q.GetName())["acknowledge"](t.Context(), other)), "a message of another report")
	l, err := w.teller.ListMessages(t.Context(), &pb.ListMessagesRequest{Code: other})
	require.NoError(t, err)
	require.Empty(t, l.GetMessages())
	_, err = w.teller.AddMessage(t.Context(), &pb.AddMessageRequest{Code: other, Text: "yes", Answers: q.GetName()})
	require.Equal(t, "answers", field(t, err))
}

// TestCode_guessing: whoever tries codes waits, those elsewhere do not, and after
// the wait a right one works.
func TestCode_guessing(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	from := func(address string) context.Context {
		return peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.ParseIP(address), Port: 7}})
	}
	progress := w.calls("")["progress"]
	for range 20 {
		require.NoError(t, progress(from("192.0.2.1"), w.code), "right ones count for nothing")
	}
	var last error
	for range 10 {
		last = progress(from("192.0.2.1"), fresh(t))
	}
	require.Equal(t, codes.ResourceExhausted, status.Code(last), "%v", last)
	require.Equal(t, codes.ResourceExhausted, status.Code(progress(from("192.0.2.1"), w.code)), "the right one waits too, or waiting would tell")
	require.NoError(t, progress(from("192.0.2.2"), w.code))
	w.later(1)
	require.NoError(t, progress(from("192.0.2.1"), w.code))
}
