package proof

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// telling is how a report is told on the tablet.
type telling struct {
	kind, who, words string
	// about answers the screen that belongs to the kind.
	about func(w *window)
	name  string
}

// file tells a report up to the look, and sends it.
func (w *window) file(s telling) {
	w.t.Helper()
	w.tell(s)
	w.tap("#next")
	w.at("sent")
}

// tell goes through the questions, to the look.
func (w *window) tell(s telling) {
	w.t.Helper()
	w.at("start")
	w.tap("#tell")
	w.at("kind")
	w.tap("#kind-" + s.kind)
	w.at("place")
	w.tap("#place-quarry-road")
	w.at("when")
	w.tap("#when-now")
	w.at("who")
	w.tap("#who-" + s.who)
	if s.who != "nobody" {
		w.at("name")
		if s.name != "" {
			w.write("#name", s.name)
		}
		w.tap("#next")
	}
	w.at("words")
	w.write("#words", s.words)
	w.tap("#next")
	if s.about != nil {
		s.about(w)
	} else {
		w.until(`document.body.dataset.screen !== "words"`)
		w.tap("#next")
	}
	w.at("safe")
	w.tap("#safe-no")
	w.at("look")
}

func TestKinds(t *testing.T) {
	t.Parallel()
	h := newHouse(t, houseOptions{})
	w := newWindow(t, h)
	w.open()
	w.ready()
	for _, c := range []struct {
		telling
		check func(t *testing.T, r *pb.Report)
	}{
		{telling{kind: "near_miss", who: "named", name: "Wren Exampleton", words: "The hoist slipped a notch.", about: func(w *window) {
			w.at("worst")
			w.tap("#worst-fatal")
		}}, func(t *testing.T, r *pb.Report) {
			require.Equal(t, pb.ReportKind_REPORT_KIND_NEAR_MISS, r.GetKind())
			require.Equal(t, pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL, r.GetPotential())
			require.Equal(t, "workplaces/quarry-road", r.GetWorkplace())
			require.Equal(t, "Made safe.", r.GetDoneRightAway())
			require.Equal(t, pb.TimePrecision_TIME_PRECISION_ABOUT, r.GetOccurPrecision())
			require.NotNil(t, r.GetMadeTime())
			require.Equal(t, "en-AU", r.GetLanguageCode())
			teller, err := pb.NewReportServiceClient(h.Conn()).GetTeller(h.As("adviser"), &pb.GetTellerRequest{Name: r.GetName() + "/teller"})
			require.NoError(t, err)
			require.Equal(t, "Wren Exampleton", teller.GetDisplayName())
		}},
		{telling{kind: "hazard", who: "few", words: "The ladder at the shed is split.", about: func(w *window) {
			w.at("worst")
			w.tap("#worst-not_sure")
		}}, func(t *testing.T, r *pb.Report) {
			require.Equal(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL, r.GetTellerMode())
			require.Equal(t, pb.AnswerState_ANSWER_STATE_NOT_KNOWN, r.GetAnswers()["potential"])
		}},
		{telling{kind: "injury", who: "nobody", words: "A branch came back.", about: func(w *window) {
			w.at("hurt")
			w.tap("#part-left_hand")
			w.tap("#view-back")
			w.tap("#part-lower")
			w.write("#hurt", "a deep cut")
			w.tap("#help-first")
			w.tap("#next")
		}}, func(t *testing.T, r *pb.Report) {
			require.Equal(t, pb.TellerMode_TELLER_MODE_ANONYMOUS, r.GetTellerMode())
			require.Len(t, r.GetHarms(), 1)
			require.Equal(t, "Where: left hand, lower back. a deep cut", r.GetHarms()[0].GetDescription())
			require.Equal(t, pb.Treatment_TREATMENT_FIRST_AID, r.GetHarms()[0].GetTreatment())
			require.Equal(t, pb.TimePrecision_TIME_PRECISION_DAY, r.GetOccurPrecision(), "nobody's report keeps no time of day")
			require.Nil(t, r.GetMadeTime())
			require.Equal(t, byte('4'), r.GetName()[len("reports/")+14], "its id must not tell the time")
		}},
		{telling{kind: "spill", who: "named", words: "The drum tipped at the crossing.", about: func(w *window) {
			w.at("spill")
			w.write("#substance", "diesel")
			w.write("#litres", "a lot")
			w.tap("#next")
			w.until(`document.querySelector("#wrong").innerText.includes("number")`)
			w.write("#litres", "2.5")
			w.write("#area", "13")
			w.tap("#water-drain")
			w.write("#steps", "sand and a sock")
			w.tap("#next")
		}}, func(t *testing.T, r *pb.Report) {
			rel := r.GetRelease()
			require.Equal(t, "diesel", rel.GetSubstance())
			require.Equal(t, 2.5, rel.GetQuantity())
			require.Equal(t, "L", rel.GetQuantityUnit())
			require.Equal(t, 13.0, rel.GetAreaSquareMetres())
			require.Equal(t, pb.WaterReached_WATER_REACHED_DRAIN, rel.GetWaterReached())
			require.Equal(t, "sand and a sock", rel.GetStepsTaken())
		}},
		{telling{kind: "damage", who: "named", words: "Backed into the gate.", about: func(w *window) {
			w.at("damage")
			w.write("#damage", "the gate post")
			w.tap("#next")
		}}, func(t *testing.T, r *pb.Report) { require.Equal(t, "the gate post", r.GetDamage()) }},
		{telling{kind: "not_sure", who: "nobody", words: "It smelled odd."}, func(t *testing.T, r *pb.Report) {
			require.Equal(t, pb.ReportKind_REPORT_KIND_NOT_SURE, r.GetKind())
		}},
	} {
		before := len(h.stored())
		w.file(c.telling)
		w.until(`/ [0-9A-Z]{3}-[0-9A-Z]{3}-[0-9A-Z]$/.test(document.querySelector("#voice")?.innerText ?? "")`)
		require.Equal(t, "Received", w.text("h1"))
		code := strings.TrimPrefix(w.text("#voice"), "To say on the phone: ")
		require.Contains(t, []int{20}, len(w.text("#code")), "the code to hear back: %s", w.text("#code"))
		stored := h.stored()
		require.Len(t, stored, before+1, c.kind)
		found := false
		for _, r := range stored {
			if r.GetShortCode() == code {
				found = true
				require.Equal(t, c.words, r.GetNarrative())
				c.check(t, r)
			}
		}
		require.True(t, found, "%s is on the screen, and not stored", code)
		w.tap("#next")
		w.at("start")
	}
	w.quiet()
}
