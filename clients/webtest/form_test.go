package webtest

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// fillForm answers questions of the report form: radio buttons and boxes by
// their id, fields by their words.
func (b *tab) fillForm(answers map[string]string) {
	b.t.Helper()
	for field, words := range answers {
		switch {
		case words == "yes":
			b.tick("#" + field)
		case eval[bool](b, fmt.Sprintf(`document.querySelector("#%s").matches("select, [type=date], [type=time], [type=month]")`, field)):
			b.set("#"+field, words)
		default:
			b.fill("#"+field, words)
		}
	}
}

// said is everything that the form holds, without the ids that it mints.
func (b *tab) said() map[string]string {
	b.t.Helper()
	all := eval[map[string]string](b, `Object.fromEntries([...new FormData(document.querySelector("main form"))].filter(([, v]) => typeof v === "string"))`)
	delete(all, "report_id")
	delete(all, "request_id")
	return all
}

// unfold opens what is folded away, as a click on its summary does.
func (b *tab) unfold(sel string) {
	b.t.Helper()
	if !eval[bool](b, fmt.Sprintf(`document.querySelector(%q).open`, sel)) {
		b.tick(sel + " > summary")
	}
}

// stored returns the reports of a house, as the adviser sees them.
func (h *house) stored(t *testing.T) []*pb.Report {
	t.Helper()
	resp, err := pb.NewReportServiceClient(h.conn).ListReports(h.as(t, "adviser"), &pb.ListReportsRequest{PageSize: 500, Filter: &pb.ReportFilter{IncludeVoided: true}})
	require.NoError(t, err)
	return resp.GetReports()
}

// TestReportForm_everyKind files each kind without script and without signing
// in, and finds what was said in the record.
func TestReportForm_everyKind(t *testing.T) {
	t.Parallel()
	sydney, err := time.LoadLocation("Australia/Sydney")
	require.NoError(t, err)
	for _, c := range []struct {
		name    string
		answers map[string]string
		more    bool
		check   func(t *testing.T, r *pb.Report)
	}{
		{"near miss", map[string]string{"kind-near-miss": "yes", "workplace": "workplaces/northside-trees", "narrative": "Branch fell between us.", "mode-named": "yes", "name": "Fern Testerby", "contact": "radio 4"}, false,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_NEAR_MISS, r.GetKind())
				require.Equal(t, pb.TellerMode_TELLER_MODE_NAMED, r.GetTellerMode())
				require.Equal(t, "workplaces/northside-trees", r.GetWorkplace())
			}},
		{"hazard", map[string]string{"kind-hazard": "yes", "workplace": "workplaces/quarry-road", "narrative": "Guard is off the bench saw.", "mode-anonymous": "yes", "day": "2026-09-10", "time": "07:15", "worst-life-changing": "yes"}, true,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_HAZARD, r.GetKind())
				require.Equal(t, pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING, r.GetPotential())
				require.Equal(t, "2026-09-10 07:15", r.GetOccurTime().AsTime().In(sydney).Format("2006-01-02 15:04"), "the clock on the wall there")
			}},
		{"injury", map[string]string{"kind-injury-or-illness": "yes", "workplace": "workplaces/northside", "narrative": "Cut by the blade.", "mode-confidential": "yes", "name": "Moss Fableton", "hurt": "Cut left thumb.", "treatment": "medical", "day": "2026-09-09"}, true,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, r.GetKind())
				require.Len(t, r.GetHarms(), 1)
				require.Equal(t, "Cut left thumb.", r.GetHarms()[0].GetDescription())
				require.Equal(t, pb.Treatment_TREATMENT_MEDICAL, r.GetHarms()[0].GetTreatment())
				require.Equal(t, pb.TimePrecision_TIME_PRECISION_DAY, r.GetOccurPrecision())
			}},
		{"spill", map[string]string{"kind-release": "yes", "workplace": "workplaces/northside", "narrative": "Hose split.", "mode-anonymous": "yes", "substance": "hydraulic oil", "litres": "2.5", "water": "drain", "steps": "Boom put out."}, true,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_RELEASE, r.GetKind())
				require.Equal(t, "hydraulic oil", r.GetRelease().GetSubstance())
				require.InDelta(t, 2.5, r.GetRelease().GetQuantity(), 1e-9)
				require.Equal(t, pb.WaterReached_WATER_REACHED_DRAIN, r.GetRelease().GetWaterReached())
			}},
		{"damage", map[string]string{"kind-damage": "yes", "workplace": "workplaces/brindle-range", "narrative": "Gate bent.", "mode-named": "yes", "done_right_away": "Taped it off."}, true,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_DAMAGE, r.GetKind())
				require.Equal(t, "Taped it off.", r.GetDoneRightAway())
			}},
		{"not sure", map[string]string{"kind-not-sure": "yes", "workplace": "workplaces/brindle-range", "narrative": "Felt dizzy near the tank.\nSo did Ali.", "mode-confidential": "yes", "when_unknown": "yes", "worst-not-sure": "yes"}, true,
			func(t *testing.T, r *pb.Report) {
				require.Equal(t, pb.ReportKind_REPORT_KIND_NOT_SURE, r.GetKind())
				require.Nil(t, r.GetOccurTime())
				require.Equal(t, pb.AnswerState_ANSWER_STATE_NOT_KNOWN, r.GetAnswers()["occur_time"], "not known is an answer, and kept as one")
				require.Equal(t, pb.AnswerState_ANSWER_STATE_NOT_KNOWN, r.GetAnswers()["potential"])
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			b := newTab(t, h)
			b.withoutScript()
			require.EqualValues(t, 200, b.open("/report"))
			if c.more {
				b.unfold("main details")
			}
			b.fillForm(c.answers)
			require.EqualValues(t, 200, b.send("button.send"))
			require.Equal(t, "Received", b.text("h1"))
			list := h.stored(t)
			require.Len(t, list, 1)
			r := list[0]
			require.Equal(t, r.GetShortCode(), b.text(".code-big"), "the code on the receipt finds the report")
			require.Equal(t, c.answers["narrative"], r.GetNarrative())
			c.check(t, r)
			b.quiet(c.name)
			b.noWordsInAddresses(c.answers)
		})
	}
}

// noWordsInAddresses checks that nothing that somebody told, and no name,
// stands in an address that the browser asked for.
func (b *tab) noWordsInAddresses(answers map[string]string) {
	b.t.Helper()
	for _, u := range b.asked() {
		for field, words := range answers {
			if words != "yes" && len(words) > 3 {
				for _, w := range strings.Fields(words) {
					if len(w) > 3 && !strings.Contains(w, "/") {
						require.NotContains(b.t, u, w, "%s", field)
					}
				}
			}
		}
	}
}

// TestReportForm_badInput sends what cannot be stored: every word stays in the
// form, the field is named, and nothing is stored.
func TestReportForm_badInput(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	good := map[string]string{"kind-near-miss": "yes", "workplace": "workplaces/northside", "narrative": "Something to keep: \"quotes\" & <tags>", "mode-named": "yes", "spot": "bay 3",
		"name": "Iris Notreal", "done_right_away": "Rang.", "day": "2026-09-08", "time": "06:30", "worst-fatal": "yes", "hurt": "", "substance": "petrol", "litres": "4"}
	with := func(change map[string]string) map[string]string {
		out := map[string]string{}
		for k, v := range good {
			out[k] = v
		}
		for k, v := range change {
			if v == "" {
				delete(out, k)
			} else {
				out[k] = v
			}
		}
		return out
	}
	for _, c := range []struct {
		name    string
		answers map[string]string
		spoil   string // what a browser that knows no better would send
		at      []string
		words   string
	}{
		{"nothing at all", map[string]string{}, "", []string{"#kind-near-miss", "#workplace", "#narrative", "#mode-named"}, "say what happened, in your own words"},
		{"no kind", with(map[string]string{"kind-near-miss": ""}), "", []string{"#kind-near-miss"}, "choose one; not sure is a fine answer"},
		{"a day to come", with(map[string]string{"day": "2026-09-11"}), "", []string{"#day"}, "later than now"},
		{"before 1950", with(map[string]string{"day": "1949-12-31"}), "", []string{"#day"}, "1950"},
		{"no day at all", with(map[string]string{"day": ""}), `day.type = "text"; day.value = "last Tuesday"`, []string{"#day"}, "2026-03-31"},
		{"a time that is none", with(map[string]string{"time": ""}), `time.type = "text"; time.value = "half past"`, []string{"#day"}, "14:30"},
		{"too long a story", with(map[string]string{"narrative": "x"}), `narrative.value = "long ".repeat(4001)`, []string{"#narrative"}, "20000"},
		{"too long a spot", with(nil), `spot.value = "x".repeat(501)`, []string{"#spot"}, "500"},
		{"too long a name", with(nil), `document.getElementById("name").value = "y".repeat(121)`, []string{"#name"}, "120"},
		{"nobody may know, but a name", with(map[string]string{"mode-named": "", "mode-anonymous": "yes"}), "", []string{"#name"}, "nobody may know"},
		{"nobody may know, but a way to reach", with(map[string]string{"mode-named": "", "mode-anonymous": "yes", "name": "", "contact": "radio 4"}), "", []string{"#name"}, "nobody may know"},
		{"litres in words", with(map[string]string{"litres": "lots"}), "", []string{"#litres"}, "plain number"},
		{"less than no litres", with(map[string]string{"litres": "-1"}), "", []string{"#litres"}, ""},
		{"a place that is not there", with(map[string]string{"workplace": ""}), `workplace.add(new Option("x", "workplaces/atlantis")); workplace.value = "workplaces/atlantis"`, []string{"#workplace"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newTab(t, h)
			b.withoutScript()
			require.EqualValues(t, 200, b.open("/report"))
			b.unfold("main details")
			b.fillForm(c.answers)
			if c.spoil != "" {
				b.do(chromedp.Evaluate[chromedp.Void](c.spoil))
			}
			before := b.said()
			require.EqualValues(t, 422, b.send("button.send"))
			after := b.said()
			if c.name == "a place that is not there" {
				// The list offers real places only.
				delete(before, "workplace")
				delete(after, "workplace")
			}
			require.Equal(t, before, after, "every word is still in the form")
			require.Contains(t, b.text(".wrong"), "Nothing was stored yet.")
			for _, at := range c.at {
				require.NotZero(t, b.count(fmt.Sprintf(`.wrong a[href=%q]`, at)), "the message leads to %s: %s", at, b.text(".wrong"))
				require.Equal(t, 1, b.count(at))
			}
			require.Equal(t, len(c.at), b.count(".wrong li"), b.text(".wrong"))
			require.Contains(t, b.text(".wrong"), c.words)
			require.NotContains(t, b.text(".wrong"), "report.", "fields are named as the page names them")
			require.Equal(t, len(c.at), b.count(".flaw"), "and said again beside the field")
			require.Empty(t, h.stored(t))
		})
	}
}
