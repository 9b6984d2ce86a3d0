package cli

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestParseWhen(t *testing.T) {
	t.Parallel()
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	// 08:30 on 20 March in Sydney, still the 19th in UTC.
	now := time.Date(2026, 3, 19, 21, 30, 0, 0, time.UTC)
	for text, want := range map[string]string{
		"2026-03-02":                         "2026-03-02 00:00 DAY",
		"2026-03-02 14:30":                   "2026-03-02 14:30 EXACT",
		"2026-03-02T14:30":                   "2026-03-02 14:30 EXACT",
		" Today ":                            "2026-03-20 00:00 DAY",
		"yesterday":                          "2026-03-19 00:00 DAY",
		"now":                                "2026-03-20 08:30 EXACT",
		"2026-03":                            "2026-03-01 00:00 MONTH",
		"2026-03-02..2026-03-05":             "2026-03-02 00:00 PERIOD to 2026-03-05 23:59",
		"2026-03-02 08:00..2026-03-02 16:00": "2026-03-02 08:00 PERIOD to 2026-03-02 16:00",
		"not known":                          "not known",
	} {
		m, err := parseWhen(text, false, sydney, now)
		require.NoError(t, err, text)
		got := "not known"
		if !m.notKnown {
			got = m.start.AsTime().In(sydney).Format("2006-01-02 15:04 ") + m.precision.String()[len("TIME_PRECISION_"):]
			if m.end != nil {
				got += " to " + m.end.AsTime().In(sydney).Format("2006-01-02 15:04")
			}
		}
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "soon", "2026-13-01", "2026-02-30", "02/03/2026", "2026-03-05..2026-03-02", "2026-03..2026-04", "..", "2026-03-02..x"} {
		_, err := parseWhen(text, false, sydney, now)
		require.Error(t, err, text)
	}
	_, err = parseWhen("2026-03-02", true, sydney, now)
	require.ErrorContains(t, err, "time of day")
}

func TestPeriod(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 20, 9, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		p    period
		want string
	}{
		{period{}, "none"},
		{period{months: 12}, "2025-03 2026-03"},
		{period{from: "2025-07", to: "2026-06"}, "2025-07 2026-07"},
		{period{from: "2025-07"}, "2025-07 2026-03"},
		{period{from: "2025-07", months: 3}, "2025-07 2025-10"},
		{period{to: "2026-01", months: 2}, "2025-12 2026-02"},
		{period{from: "2025-12", to: "2025-12"}, "2025-12 2026-01"},
		{period{to: "2026-01"}, "usage"},
		{period{from: "2026-04"}, "usage"},
		{period{from: "2025-1"}, "usage"},
		{period{from: "2025-02", to: "2025-01"}, "usage"},
		{period{from: "2025-01", to: "2025-02", months: 2}, "usage"},
		{period{months: -1}, "usage"},
		{period{months: 601}, "usage"},
	} {
		got := "none"
		m, err := c.p.message(now)
		var usage *usageError
		switch {
		case err != nil:
			require.ErrorAs(t, err, &usage)
			got = "usage"
		case m != nil:
			got = m.GetStartMonth() + " " + m.GetEndMonth()
		}
		require.Equal(t, c.want, got, "%+v", c.p)
	}
}

func TestStretch(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][2]string{
		"2026": {"2026-01-01", "2027-01-01"}, "2026-02": {"2026-02-01", "2026-03-01"}, "2026-12-31": {"2026-12-31", "2027-01-01"},
	} {
		a, err := firstDay("since", text)
		require.NoError(t, err)
		b, err := dayAfter("until", text)
		require.NoError(t, err)
		require.Equal(t, want, [2]string{a, b})
	}
	_, err := firstDay("since", "26")
	require.ErrorContains(t, err, "--since")
}

// What gRPC says of a broken connection is told as what to do.
func TestWhy(t *testing.T) {
	t.Parallel()
	for message, want := range map[string]string{
		`connection error: desc = "transport: authentication handshake failed: tls: first record does not look like a TLS handshake"`:                             "--plaintext",
		`connection error: desc = "transport: authentication handshake failed: tls: failed to verify certificate: x509: certificate signed by unknown authority"`: "--ca-file",
		`connection error: desc = "transport: Error while dialing: dial tcp 127.0.0.1:1: connect: connection refused"`:                                            "is fairlead-server running?",
		`name resolver error: produced zero addresses`:                                    "no machine of that name",
		`connection error: desc = "error reading server preface: http2: frame too large"`: "does not speak gRPC",
	} {
		require.Contains(t, why(message), want)
	}
	require.Contains(t, why(`tls: failed to verify certificate: x509: certificate signed by unknown authority`), "(x509: certificate signed by unknown authority)")
	require.Contains(t, why(`tls: bad certificate`), "bad certificate")
}

func TestUnicodeLocale(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		env  map[string]string
		want bool
	}{
		{nil, true}, {map[string]string{"LANG": "en_AU.UTF-8"}, true}, {map[string]string{"LANG": "C"}, false},
		{map[string]string{"LC_ALL": "C", "LANG": "en_AU.UTF-8"}, false}, {map[string]string{"LC_CTYPE": "C.utf8", "LANG": "C"}, true},
	} {
		require.Equal(t, c.want, unicodeLocale(func(k string) string { return c.env[k] }), c.env)
	}
}
