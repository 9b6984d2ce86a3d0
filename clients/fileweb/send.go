package fileweb

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"fairlead/clients/api"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Variant reads a variant from an address: original, display or small; empty is
// original.
func Variant(word string) (pb.AttachmentVariant, bool) {
	if word == "" {
		return pb.AttachmentVariant_ATTACHMENT_VARIANT_ORIGINAL, true
	}
	v, ok := pb.AttachmentVariant_value["ATTACHMENT_VARIANT_"+strings.ToUpper(strings.TrimPrefix(word, "ATTACHMENT_VARIANT_"))]
	return pb.AttachmentVariant(v), ok && v != 0
}

// endings of file names, by media type.
var endings = map[string]string{
	"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp", "image/gif": ".gif",
	"audio/wav": ".wav", "audio/mpeg": ".mp3", "audio/ogg": ".ogg", "audio/webm": ".webm", "audio/matroska": ".mka", "audio/mp4": ".m4a",
}

// FileName is what to call the bytes of an attachment, from its name and media
// type alone.
func FileName(name, mediaType string) string {
	id := name[strings.LastIndexByte(name, '/')+1:]
	return "attachment-" + id + endings[mediaType]
}

// Send sends a file, or the part of it that was asked for, as sound players do.
// save offers it for keeping rather than for looking at.
func Send(w http.ResponseWriter, r *http.Request, name string, f *api.File, save bool) error {
	size := f.Content.GetSizeBytes()
	h := w.Header()
	mediaType := f.Content.GetMediaType()
	if endings[mediaType] == "" {
		mediaType = "application/octet-stream"
	}
	how := "inline"
	if save {
		how = "attachment"
	}
	h.Set("Content-Type", mediaType)
	h.Set("Content-Disposition", fmt.Sprintf("%s; filename=%q", how, FileName(name, mediaType)))
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox; frame-ancestors 'none'")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "private, no-store")
	h.Set("Accept-Ranges", "bytes")
	from, n, part := span(r.Header.Get("Range"), size)
	code := http.StatusOK
	switch {
	case part && n <= 0:
		h.Set("Content-Range", fmt.Sprintf("bytes */%d", size))
		w.WriteHeader(http.StatusRequestedRangeNotSatisfiable)
		return nil
	case part:
		code = http.StatusPartialContent
		h.Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", from, from+n-1, size))
	}
	h.Set("Content-Length", strconv.FormatInt(n, 10))
	w.WriteHeader(code)
	if r.Method == http.MethodHead {
		return nil
	}
	if _, err := io.CopyN(io.Discard, f, from); err != nil {
		return fmt.Errorf("fileweb: read: %w", err)
	}
	if _, err := io.CopyN(w, f, n); err != nil {
		return fmt.Errorf("fileweb: send: %w", err)
	}
	if from+n < size {
		return nil
	}
	// The service says at the end whether that was what was stored.
	if _, err := f.Read(make([]byte, 1)); !errors.Is(err, io.EOF) {
		return fmt.Errorf("fileweb: end: %w", err)
	}
	return nil
}

// span reads a range of bytes. part is false when all is wanted, also when more
// than one part is, which may be answered so (RFC 9110, 14.2); n is 0 when there
// is nothing there.
func span(header string, size int64) (from, n int64, part bool) {
	spec, ok := strings.CutPrefix(header, "bytes=")
	first, last, dash := strings.Cut(spec, "-")
	if !ok || !dash || strings.Contains(spec, ",") {
		return 0, size, false
	}
	if first == "" { // the last so many
		n, err := strconv.ParseUint(last, 10, 62)
		if err != nil {
			return 0, size, false
		}
		n = min(n, uint64(size))
		return size - int64(n), int64(n), true
	}
	a, err := strconv.ParseUint(first, 10, 62)
	if err != nil {
		return 0, size, false
	}
	b := uint64(size)
	if last != "" {
		if b, err = strconv.ParseUint(last, 10, 62); err != nil || b < a {
			return 0, size, false
		}
		b++
	}
	b = min(b, uint64(size))
	if a >= b {
		return 0, 0, true
	}
	return int64(a), int64(b - a), true
}
