package server_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// attempt is one bad request.
type attempt struct {
	what string
	body []byte
	// field is the place that must be named; empty when any refusal will do,
	// and lenient when none is needed.
	field   string
	lenient bool
}

// attempts spoils a good request in one place, in every way that the kind of
// the place and the rules of the contract allow.
func attempts(t testing.TB, m rpc, base proto.Message) []attempt {
	var out []attempt
	for _, s := range spots(m.Input()) {
		add := func(what, field string, req proto.Message) {
			out = append(out, attempt{what: what + " in " + field, body: wire(t, req), field: field, lenient: s.output})
		}
		switch fd := s.field; {
		case fd.IsMap():
			pairs(s, base, add)
		case fd.Kind() == protoreflect.EnumKind:
			add("an unknown value", s.element(), s.with(base, protoreflect.ValueOfEnum(99)))
			add("a negative value", s.element(), s.with(base, protoreflect.ValueOfEnum(-1)))
		case fd.Kind() == protoreflect.StringKind:
			texts(s, base, add)
			out = append(out, attempt{what: "bad UTF-8 in " + s.path, field: s.element(), body: notUTF8(wire(t, s.with(base, protoreflect.ValueOfString(marker))))})
		case fd.Kind() == protoreflect.Int32Kind, fd.Kind() == protoreflect.Int64Kind, fd.Kind() == protoreflect.DoubleKind:
			numbers(s, base, add)
		case fd.Message() != nil && fd.Message().FullName() == "google.protobuf.Timestamp":
			moments(s, base, add)
		}
		if n := s.rules.GetRepeated().GetMaxItems(); n > 0 {
			add("one too many", s.path, s.times(base, int(n)+1))
			// An amendment names the harms it is about, and may name one often.
			out[len(out)-1].lenient = s.output || s.path == "report.harms" && m.short == "ReportService.UpdateReport"
		}
	}
	return out
}

// marker stands for text until it is replaced by bytes that are no text; two
// so that a map can have both sides spoilt.
const marker = "ZQXJVWKP"

func notUTF8(body []byte) []byte {
	return bytes.ReplaceAll(body, []byte(marker), []byte("a\xff\xfe\xc3(\x80\xed\xa0"))
}

func texts(s spot, base proto.Message, add func(what, field string, req proto.Message)) {
	rules := s.one().GetString()
	put := func(v string) proto.Message { return s.with(base, protoreflect.ValueOfString(v)) }
	if n := rules.GetMaxLen(); n > 0 {
		// Two bytes each: characters are counted.
		add("one character too many", s.element(), put(strings.Repeat("é", int(n)+1)))
	}
	if rules.GetPattern() != "" || rules.GetUuid() {
		add("a wrong form", s.element(), put("?! no such form"))
		add("a line break", s.element(), put("workplaces/northside\n"))
	}
	if rules.GetMinLen() > 0 {
		add("nothing", s.element(), masked(s, put("")))
	}
	field := s.element()
	if !s.output && rules == nil {
		field = ""
	}
	add("a megabyte", field, put(strings.Repeat("x", 1<<20)))
}

// masked names the field of an update that is to become empty: without that,
// an empty field is one that stays as it is.
func masked(s spot, req proto.Message) proto.Message {
	req = proto.Clone(req)
	fd := req.ProtoReflect().Descriptor().Fields().ByName("update_mask")
	if parts := strings.Split(s.path, "."); fd != nil && len(parts) > 1 {
		mask := &fieldmaskpb.FieldMask{Paths: parts[1:2]}
		req.ProtoReflect().Set(fd, protoreflect.ValueOfMessage(mask.ProtoReflect()))
	}
	return req
}

func pairs(s spot, base proto.Message, put func(what, field string, req proto.Message)) {
	rules := s.rules.GetMap()
	value := func() protoreflect.Value {
		if s.field.MapValue().Kind() == protoreflect.EnumKind {
			return protoreflect.ValueOfEnum(3)
		}
		return protoreflect.ValueOfString("v")
	}
	add := func(what, field string, req proto.Message) { put(what, field, masked(s, req)) }
	many := base
	for i := range rules.GetMaxPairs() + 1 {
		many = s.pair(many, fmt.Sprint("k", i), value())
	}
	add("one too many", s.path, many)
	add("an empty key", s.path, s.pair(base, "", value()))
	add("a long key", s.path, s.pair(base, strings.Repeat("k", 65), value()))
	switch s.field.MapValue().Kind() {
	case protoreflect.EnumKind:
		add("an unknown value", s.path, s.pair(base, "spot", protoreflect.ValueOfEnum(99)))
		add("a key of no item", s.path, s.pair(base, "weather", value()))
	case protoreflect.StringKind:
		n := int(rules.GetValues().GetString().GetMaxLen())
		add("a long value", s.path, s.pair(base, "k", protoreflect.ValueOfString(strings.Repeat("é", n+1))))
	}
}

func numbers(s spot, base proto.Message, add func(what, field string, req proto.Message)) {
	r := s.one()
	switch {
	case s.field.Kind() == protoreflect.DoubleKind:
		wrong := []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1}
		if r.GetDouble().HasLte() {
			wrong = append(wrong, 1e300)
		}
		for _, v := range wrong {
			add(fmt.Sprint(v), s.element(), s.with(base, protoreflect.ValueOfFloat64(v)))
		}
	case r.GetInt32() != nil:
		add("too little", s.element(), s.with(base, protoreflect.ValueOfInt32(r.GetInt32().GetGte()-1)))
		add("the least", s.element(), s.with(base, protoreflect.ValueOfInt32(math.MinInt32)))
		add("too much", s.element(), s.with(base, protoreflect.ValueOfInt32(r.GetInt32().GetLte()+1)))
	case r.GetInt64() != nil:
		add("too little", s.element(), s.with(base, protoreflect.ValueOfInt64(r.GetInt64().GetGte()-1)))
		add("the least", s.element(), s.with(base, protoreflect.ValueOfInt64(math.MinInt64)))
	}
}

func moments(s spot, base proto.Message, add func(what, field string, req proto.Message)) {
	put := func(v *timestamppb.Timestamp) proto.Message {
		return s.with(base, protoreflect.ValueOfMessage(v.ProtoReflect()))
	}
	add("no time at all", s.element(), put(&timestamppb.Timestamp{Seconds: math.MaxInt64}))
	add("negative nanoseconds", s.element(), put(&timestamppb.Timestamp{Seconds: 1, Nanos: -1}))
	if s.field.Name() == "occur_time" || s.field.Name() == "occur_end_time" {
		add("1949", s.element(), put(timestamppb.New(time.Date(1949, 12, 31, 0, 0, 0, 0, time.UTC))))
		add("the future", s.element(), put(timestamppb.New(now.AddDate(0, 0, 2))))
	}
}

// TestBadFields spoils every field of every request of the contract and wants
// each refused by name with a cure, and nothing written.
func TestBadFields(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	total := 0
	for _, m := range contract(t) {
		t.Run(m.short, func(t *testing.T) {
			base := good[m.short](w)
			list := attempts(t, m, base)
			total += len(list)
			for i := range list {
				if taken := w.wants(t, m, list[i]); taken {
					base = good[m.short](w)
					list = attempts(t, m, base)
				}
			}
			// What was refused spent nothing: the good request still is.
			_, err := send(w.As(m.role), w.Conn(), m, wire(t, base))
			require.NoError(t, err, reasons(err))
		})
	}
	require.Greater(t, total, 1200, "the descriptors are walked")
}

// wants sends a bad request and checks the refusal. taken says that there was
// none, so that what the request names is spent.
func (w *world) wants(t *testing.T, m rpc, a attempt) (taken bool) {
	t.Helper()
	before := w.Head()
	out, err := send(w.As(m.role), w.Conn(), m, a.body)
	r, ok := w.outcome(t, m, out, err)
	if !ok {
		if !a.lenient {
			t.Errorf("%s: %s was taken", m.short, a.what)
		}
		return true
	}
	if a.field != "" && !a.lenient && (r.code != codes.InvalidArgument || !r.names(a.field) && !r.names("update_mask")) {
		t.Errorf("%s: %s: got %v", m.short, a.what, r)
	}
	if got := w.Head(); got != before {
		t.Errorf("%s: %s was refused and yet %d changes were written", m.short, a.what, got-before)
	}
	return false
}

// outcome reads an answer: a refusal, or ok false when the request was taken.
// A refused record of an import counts as a refusal.
func (w *world) outcome(t *testing.T, m rpc, out []byte, err error) (refusal, bool) {
	t.Helper()
	if err != nil {
		return refused(t, err), true
	}
	if m.short != "ReportService.ImportReports" {
		return refusal{}, false
	}
	resp := &pb.ImportReportsResponse{}
	require.NoError(t, proto.Unmarshal(out, resp))
	for _, result := range resp.GetResults() {
		if result.GetStatus() == pb.ImportStatus_IMPORT_STATUS_REFUSED {
			return refusedRecord(t, result), true
		}
	}
	return refusal{}, false
}
