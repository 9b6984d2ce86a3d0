package blobtest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/blob"
)

// begin is when each test begins, to the second, which every store can keep.
var begin = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// Factory makes an empty store that looks at a clock.
type Factory func(t *testing.T, clock func() time.Time) blob.Store

// Run runs the suite over stores of one kind.
func Run(t *testing.T, make Factory) {
	for name, test := range map[string]func(t *testing.T, s blob.Store, at *time.Time){
		"what is put is there":     putOpen,
		"the same is kept once":    once,
		"a reader that fails":      badReader,
		"a context that ends":      ended,
		"what is not there":        missing,
		"names that are no hashes": names,
		"remove":                   remove,
		"walk":                     walk,
		"check":                    check,
		"many at once":             many,
		"twelve megabytes":         large,
		"read from the middle":     seek,
	} {
		t.Run(name, func(t *testing.T) {
			at := begin
			test(t, make(t, func() time.Time { return at }), &at)
		})
	}
}

func put(t *testing.T, s blob.Store, text string) blob.Ref {
	t.Helper()
	ref, err := s.Put(t.Context(), strings.NewReader(text))
	require.NoError(t, err)
	return ref
}

func read(t *testing.T, s blob.Store, hash string) []byte {
	t.Helper()
	r, size, err := s.Open(t.Context(), hash)
	require.NoError(t, err)
	defer r.Close()
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	require.EqualValues(t, size, len(b))
	return b
}

func list(t *testing.T, s blob.Store) []blob.Entry {
	t.Helper()
	var out []blob.Entry
	require.NoError(t, s.Walk(t.Context(), func(e blob.Entry) error {
		out = append(out, e)
		return nil
	}))
	return out
}

func hashOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func putOpen(t *testing.T, s blob.Store, _ *time.Time) {
	for _, text := range []string{"", "a", "\x00\xff", strings.Repeat("branch ", 30_000)} {
		ref := put(t, s, text)
		require.Equal(t, blob.Ref{SHA256: hashOf([]byte(text)), Size: int64(len(text))}, ref)
		require.Equal(t, text, string(read(t, s, ref.SHA256)))
	}
}

func once(t *testing.T, s blob.Store, at *time.Time) {
	first := put(t, s, "twice")
	*at = begin.Add(48 * time.Hour)
	require.Equal(t, first, put(t, s, "twice"))
	all := list(t, s)
	require.Len(t, all, 1)
	require.Equal(t, begin.Add(48*time.Hour), all[0].Time.UTC(), "what is put again is young again: a sweep that began before must not take it")
}

func badReader(t *testing.T, s blob.Store, _ *time.Time) {
	broken := errors.New("the line broke")
	_, err := s.Put(t.Context(), io.MultiReader(strings.NewReader("half"), iotest.ErrReader(broken)))
	require.ErrorIs(t, err, broken)
	require.Empty(t, list(t, s))
	_, err = s.Tidy(t.Context(), begin.AddDate(1000, 0, 0))
	require.NoError(t, err)
}

func ended(t *testing.T, s blob.Store, _ *time.Time) {
	ctx, stop := context.WithCancel(t.Context())
	stop()
	_, err := s.Put(ctx, strings.NewReader("late"))
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, list(t, s))
}

func missing(t *testing.T, s blob.Store, _ *time.Time) {
	_, _, err := s.Open(t.Context(), hashOf([]byte("nothing")))
	require.ErrorIs(t, err, blob.ErrNotFound)
	require.NoError(t, s.Remove(t.Context(), hashOf([]byte("nothing"))))
	n, err := s.Tidy(t.Context(), begin)
	require.NoError(t, err)
	require.Zero(t, n)
	require.Empty(t, list(t, s))
}

func names(t *testing.T, s blob.Store, _ *time.Time) {
	hash := put(t, s, "kept").SHA256
	for _, name := range []string{"", "..", "../" + hash, strings.ToUpper(hash), hash[1:], hash + "0", "../../etc/passwd",
		strings.Repeat("../", 21) + "a", strings.Repeat("/", 64), strings.Repeat("\x00", 64), hash[:63] + "g"} {
		_, _, err := s.Open(t.Context(), name)
		require.ErrorIs(t, err, blob.ErrHash, "%q", name)
		require.ErrorIs(t, s.Remove(t.Context(), name), blob.ErrHash, "%q", name)
	}
	require.Len(t, list(t, s), 1)
}

func remove(t *testing.T, s blob.Store, _ *time.Time) {
	gone, kept := put(t, s, "gone"), put(t, s, "kept")
	require.NoError(t, s.Remove(t.Context(), gone.SHA256))
	_, _, err := s.Open(t.Context(), gone.SHA256)
	require.ErrorIs(t, err, blob.ErrNotFound)
	require.Equal(t, "kept", string(read(t, s, kept.SHA256)))
	require.Equal(t, gone, put(t, s, "gone"), "and can be put again")
	require.Equal(t, "gone", string(read(t, s, gone.SHA256)))
}

func walk(t *testing.T, s blob.Store, at *time.Time) {
	var want []string
	for i := range 40 {
		*at = begin.Add(time.Duration(i) * time.Minute)
		want = append(want, put(t, s, strings.Repeat("x", i)).SHA256)
	}
	slices.Sort(want)
	var got []string
	for _, e := range list(t, s) {
		got = append(got, e.SHA256)
		require.Equal(t, begin.Add(time.Duration(e.Size)*time.Minute), e.Time.UTC())
	}
	require.Equal(t, want, got)

	enough := errors.New("enough")
	n := 0
	require.Equal(t, enough, s.Walk(t.Context(), func(blob.Entry) error { n++; return enough }), "an error of the caller comes back as it is")
	require.Equal(t, 1, n)
	// A walk may remove what it finds.
	require.NoError(t, s.Walk(t.Context(), func(e blob.Entry) error { return s.Remove(t.Context(), e.SHA256) }))
	require.Empty(t, list(t, s))
	ctx, stop := context.WithCancel(t.Context())
	stop()
	put(t, s, "one")
	require.ErrorIs(t, s.Walk(ctx, func(blob.Entry) error { return nil }), context.Canceled)
}

func check(t *testing.T, s blob.Store, _ *time.Time) {
	ref := put(t, s, "sound")
	require.NoError(t, blob.Check(t.Context(), s, ref))
	require.ErrorIs(t, blob.Check(t.Context(), s, blob.Ref{SHA256: ref.SHA256, Size: ref.Size + 1}), blob.ErrSpoilt)
	require.ErrorIs(t, blob.Check(t.Context(), s, blob.Ref{SHA256: hashOf([]byte("other")), Size: 5}), blob.ErrNotFound)
}

func many(t *testing.T, s blob.Store, _ *time.Time) {
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			// Four of each at once, and readers between.
			text := strings.Repeat(string(rune('a'+i%4)), 100_000)
			ref, err := s.Put(t.Context(), strings.NewReader(text))
			if err != nil || ref.SHA256 != hashOf([]byte(text)) {
				t.Errorf("put %d: %v %v", i, ref, err)
				return
			}
			if err := blob.Check(t.Context(), s, ref); err != nil {
				t.Errorf("check %d: %v", i, err)
			}
		})
	}
	all.Wait()
	require.Len(t, list(t, s), 4)
}

func large(t *testing.T, s blob.Store, _ *time.Time) {
	b := bytes.Repeat([]byte("0123456789abcdef"), 12<<16)
	ref, err := s.Put(t.Context(), iotest.HalfReader(bytes.NewReader(b)))
	require.NoError(t, err)
	require.Equal(t, hashOf(b), ref.SHA256)
	require.NoError(t, blob.Check(t.Context(), s, ref))
}

func seek(t *testing.T, s blob.Store, _ *time.Time) {
	ref := put(t, s, "0123456789")
	r, _, err := s.Open(t.Context(), ref.SHA256)
	require.NoError(t, err)
	defer r.Close()
	_, err = r.Seek(4, io.SeekStart)
	require.NoError(t, err)
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	require.Equal(t, "456789", string(b))
}
