package desk

import (
	"net/url"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

var atNoon = time.Date(2026, 3, 31, 1, 0, 0, 0, time.UTC) // noon in Sydney

// TestReadMoment: what somebody types is a number, a day to its end on the wall
// of the organisation, or a time; anything else is asked for again.
func TestReadMoment(t *testing.T) {
	t.Parallel()
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	d := &desk{opts: Options{Clock: func() time.Time { return atNoon }}}
	for text, want := range map[string]string{
		"0":                         "change 0",
		"4180":                      "change 4180",
		"4180@2026-03-30T09:00:00Z": "change 4180 counted to 2026-03-30T09:00:00Z",
		"2026-03-01":                "2026-03-01T12:59:59.999999Z",
		"2026-03-31":                "2026-03-31T01:00:00Z", // today: up to now
		"2026-04-01":                "2026-04-01T12:59:59.999999Z",
		"2026-03-01 17:00":          "2026-03-01T06:00:00Z",
		"2026-03-01T17:00:00+10:00": "2026-03-01T07:00:00Z",
		"-1":                        "", "soon": "", "2026-02-30": "", "4180@yesterday": "", "4180@": "", "1e3": "", "2026-03": "", "99999999999999999999": "",
	} {
		as, ok := d.readMoment(text, sydney)
		got := ""
		switch m := as.GetMoment().(type) {
		case *pb.AsAt_SequenceNumber:
			got = "change " + strconv.FormatInt(m.SequenceNumber, 10)
			if as.GetCountTime() != nil {
				got += " counted to " + as.GetCountTime().AsTime().Format(time.RFC3339Nano)
			}
		case *pb.AsAt_Time:
			got = m.Time.AsTime().Format(time.RFC3339Nano)
		}
		require.Equal(t, want, got, text)
		require.Equal(t, want != "", ok, text)
	}
}

// FuzzReadMoment: what is understood can be written and is understood again.
func FuzzReadMoment(f *testing.F) {
	for _, text := range []string{"4180", "2026-03-01", "4180@2026-03-30T09:00:00Z", "2026-03-01T17:00:00+10:00", "@", "-0", " 7", "9223372036854775807"} {
		f.Add(text)
	}
	d := &desk{opts: Options{Clock: func() time.Time { return atNoon }}}
	f.Fuzz(func(t *testing.T, text string) {
		as, ok := d.readMoment(text, time.UTC)
		if !ok {
			return
		}
		require.NotNil(t, as.GetMoment())
		if _, numbered := as.GetMoment().(*pb.AsAt_SequenceNumber); !numbered || as.GetCountTime() == nil {
			return
		}
		again, ok := d.readMoment(againAt(as), time.UTC)
		require.True(t, ok, againAt(as))
		require.Equal(t, as.GetSequenceNumber(), again.GetSequenceNumber())
		require.True(t, as.GetCountTime().AsTime().Equal(again.GetCountTime().AsTime()))
	})
}

// TestWithin: months that had not come are cut off, and only those.
func TestWithin(t *testing.T) {
	t.Parallel()
	p := func() *pastView { return &pastView{AsAt: &pb.AsAt{CountTime: timestamppb.New(atNoon)}} }
	for until, want := range map[string]string{"2026-08": "2026-02", "2026-03": "2026-02", "2026-02": "2026-02", "2025-07": "2025-07", "": "", "soon": "soon"} {
		asked, past := url.Values{"until": {until}}, p()
		require.Equal(t, want, past.within(asked, time.UTC).Get("until"), until)
		require.Equal(t, until, asked.Get("until"), "the question itself is not changed")
		require.Equal(t, want != until, past.Last != "", until)
	}
}
