package importer_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"fairlead/clients/importer"
	"fairlead/clients/sheet"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Every mistake is named with its line, all at once.
func TestMappingMistakes(t *testing.T) {
	t.Parallel()
	const head = "fairlead_mapping: 1\ndataset: x\nid: a\nreport:\n  kind: {constant: hazard}\n  workplace: {constant: northside}\n  narrative: a\n"
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"empty":            {"", []string{"is empty"}},
		"not yaml":         {"a: [", []string{"line 1"}},
		"not a mapping":    {"- a\n", []string{"line 1", "must hold"}},
		"two documents":    {head + "---\na: b\n", []string{"more than one document"}},
		"not text":         {"a: \xff\xfe", []string{"UTF-8"}},
		"nothing in it":    {"about: x\n", []string{"needs fairlead_mapping", "needs dataset", "needs id", "needs report"}},
		"other version":    {strings.Replace(head, "mapping: 1", "mapping: 2", 1), []string{"line 1: fairlead_mapping: must be 1"}},
		"odd data set":     {strings.Replace(head, "dataset: x", "dataset: X y", 1), []string{"line 2: dataset"}},
		"data set `here`":  {strings.Replace(head, "dataset: x", "dataset: here", 1), []string{"line 2: dataset"}},
		"unknown key":      {head + "colour: red\n", []string{`line 8: "colour" is not known here; known are fairlead_mapping`}},
		"unknown item":     {head + "  weather: a\n", []string{`line 8: report: "weather" is not known here`}},
		"a verb's item":    {head + "  state: a\n", []string{`line 8: report: "state" is not known`}},
		"twice":            {head + "id: b\n", []string{"line 8: id is there twice"}},
		"no narrative":     {strings.Replace(head, "  narrative: a\n", "", 1), []string{"line 5: report: needs narrative"}},
		"unknown word":     {strings.Replace(head, "constant: hazard", "constant: hazzard", 1), []string{`line 5: report.kind.constant: "hazzard" is none of hazard, near-miss`}},
		"wrong value word": {head + "  potential: {column: b, values: {x: huge}}\n", []string{"line 8: report.potential.values"}},
		"same value twice": {head + "  potential: {column: b, values: {X: fatal, x: minor}}\n", []string{"twice"}},
		"no kind for some": {strings.Replace(head, "{constant: hazard}", "{column: k, when_empty: not-known}", 1), []string{"line 5: report.kind: must have a value in every report"}},
		"kind by rules without otherwise": {strings.Replace(head, "{constant: hazard}", "{rules: [{when: {column: a, is: b}, value: hazard}]}", 1),
			[]string{"needs otherwise"}},
		"two ways":                   {head + "  spot: {column: a, constant: b}\n", []string{"line 8: report.spot: needs exactly one of"}},
		"no way":                     {head + "  spot: {when_empty: not-known}\n", []string{"needs exactly one of"}},
		"otherwise alone":            {head + "  spot: {column: a, otherwise: b}\n", []string{"needs values or rules"}},
		"a constant date":            {head + "  occur_time: {constant: 2020-01-01}\n", []string{"cannot be written into the mapping"}},
		"an odd form of date":        {head + "  occur_time: {column: d, format: dd.mm.yyyy}\n", []string{"line 8: report.occur_time.format"}},
		"a date without a year":      {head + "  occur_time: {column: d, format: DD/MM}\n", []string{"no YYYY"}},
		"a date with two days":       {head + "  occur_time: {column: d, format: DD/MM/YYYY D}\n", []string{"twice"}},
		"a format for words":         {head + "  spot: {column: d, format: YYYY-MM-DD}\n", []string{"for dates only"}},
		"a precision for words":      {head + "  spot: {column: d, precision: day}\n", []string{"for occur_time only"}},
		"an answer that is none":     {head + "  spot: {answer: maybe}\n", []string{"not-known, does-not-apply or not-asked"}},
		"a state for a plain yes/no": {head + "  typed_by_another: {answer: not-known}\n", []string{"plain yes or no"}},
		"rules without value":        {head + "  spot: {rules: [{when: {column: a, is: b}}]}\n", []string{"each rule needs when and value"}},
		"a condition without a test": {head + "  spot: {rules: [{when: {column: a}, value: b}]}\n", []string{"needs column and one of"}},
		"a limit that is no number":  {head + "  spot: {rules: [{when: {column: a, at_least: few}, value: b}]}\n", []string{"must be a number"}},
		"a reason elsewhere":         {head + "  spot: {rules: [{when: {column: a, is: b}, value: c, reason: d}]}\n", []string{"outcome only"}},
		"odd zone":                   {head + "time_zone: Mars/North\n", []string{"line 8: time_zone"}},
		"odd encoding":               {head + "file: {encoding: ebcdic}\n", []string{"line 8: file.encoding"}},
		"odd delimiter":              {head + "file: {delimiter: x}\n", []string{"line 8: file.delimiter"}},
		"anchors":                    {head + "  spot: &x a\n  damage: *x\n", []string{"write it out"}},
		"merges":                     {head + "harms:\n  - <<: {description: a}\n", []string{"write it out"}},
		"a person not there":         {head + "codings: [{harm: 1, mechanism: m}]\n", []string{"line 8: codings[0].harm"}},
		"codes of nothing":           {head + "codings: [{note: x}]\n", []string{"needs at least one of nature"}},
		"unknown crosswalk":          {head + "codings: [{mechanism: {column: m, crosswalk: x}}]\n", []string{`"x" is not known; known are oiics-event-to-toocs-mechanism`}},
		"crosswalk to elsewhere":     {head + "codings: [{nature: {column: m, crosswalk: oiics-event-to-toocs-mechanism}}]\n", []string{"leads to mechanism, not to nature"}},
		"preferring what is not there": {head + "codings: [{mechanism: {column: m, crosswalk: osha-keyword-to-toocs-mechanism, prefer: [SNEEZE]}}]\n",
			[]string{`"SNEEZE" is not in the crosswalk`}},
		"absence without a first day": {head + "harms: [{absences: [{rostered_days: d}]}]\n", []string{"needs first_date"}},
		"a month for a day":           {head + "harms: [{death_date: {column: d, format: MM/YYYY}}]\n", []string{"needs a day"}},
		"odd workplace":               {strings.Replace(head, "northside", "North side", 1), []string{"line 6: report.workplace", "lower-case letters"}},
		"a list for a word":           {strings.Replace(head, "dataset: x", "dataset: [x]", 1), []string{"must be a single value"}},
		"many at once": {"fairlead_mapping: 1\ndataset: X Y\nid: a\nreport:\n  kind: {constant: x}\n  workplace: {constant: northside}\n  sport: a\n",
			[]string{"line 2", "line 5", "needs narrative", `"sport"`}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := importer.Parse([]byte(c.text))
			require.Error(t, err)
			for _, w := range c.want {
				require.ErrorContains(t, err, w)
			}
		})
	}
}

func TestBuiltins(t *testing.T) {
	t.Parallel()
	require.Equal(t, []string{"old-register", "osha-investigations", "osha-severe-injury"}, importer.Builtins())
	for _, name := range importer.Builtins() {
		m := builtin(t, name)
		require.NotEmpty(t, m.About, name)
		require.NotEmpty(t, m.Workplaces, name)
	}
	require.Equal(t, []importer.WorkplaceHint{{Name: "workplaces/osha", Title: "OSHA public records", Level: "site", TimeZone: "America/New_York"}},
		builtin(t, "osha-investigations").Workplaces)
	_, err := importer.Builtin("none")
	require.ErrorContains(t, err, "osha-severe-injury")
}

// one reads one row with a mapping of the columns a, b, c.
func one(t *testing.T, body string, cells ...string) (*pb.ImportRecord, []importer.Problem) {
	t.Helper()
	m, err := importer.Parse([]byte("fairlead_mapping: 1\ndataset: x\nid: a\n" + body))
	require.NoError(t, err)
	r, err := m.Bind([]string{"a", "b", "c"}, zones)
	require.NoError(t, err)
	return r.Record(sheet.Row{Line: 7, Cells: cells})
}

const base = "report:\n  kind: {constant: hazard}\n  workplace: {constant: northside}\n  narrative: a\n"

func TestDates(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ form, cell, want, precision string }{
		{"YYYY-MM-DD", "2021-03-04", "2021-03-04 00:00", "DAY"},
		{"DD/MM/YYYY", "04/03/2021", "2021-03-04 00:00", "DAY"},
		{"M/D/YYYY", "3/4/2021", "2021-03-04 00:00", "DAY"},
		{"M/D/YYYY h:mm am", "3/4/2021 2:05 PM", "2021-03-04 14:05", "EXACT"},
		{"M/D/YYYY h:mm am", "3/4/2021 2:05 pm", "2021-03-04 14:05", "EXACT"},
		{"YYYY-MM-DDThh:mm:ss", "2021-03-04T14:05:09", "2021-03-04 14:05", "EXACT"},
		{"D MMM YYYY", "4 Mar 2021", "2021-03-04 00:00", "DAY"},
		{"MMMM YYYY", "March 2021", "2021-03-01 00:00", "MONTH"},
		{"DD.MM.YY", "04.03.99", "1999-03-04 00:00", "DAY"},
		{"DD/MM/YYYY", "03/13/2021", "", ""},
		{"DD/MM/YYYY", "31/02/2021", "", ""},
		{"DD/MM/YYYY", "4/3/2021", "", ""},
		{"YYYY-MM-DD", "1949-12-31", "", ""},
		{"YYYY-MM-DD", "yesterday", "", ""},
	} {
		rec, problems := one(t, base+"  occur_time: {column: b, format: '"+c.form+"'}\n", "1", c.cell, "")
		if c.want == "" {
			require.Len(t, problems, 1, c)
			require.Equal(t, importer.Problem{Line: 7, ID: "1", Column: "b", Value: c.cell, Cure: problems[0].Cure}, problems[0])
			require.NotEmpty(t, problems[0].Cure)
			continue
		}
		require.Empty(t, problems, c)
		sydney, err := time.LoadLocation("Australia/Sydney")
		require.NoError(t, err)
		require.Equal(t, c.want, rec.GetReport().GetOccurTime().AsTime().In(sydney).Format("2006-01-02 15:04"), c)
		require.Equal(t, "TIME_PRECISION_"+c.precision, rec.GetReport().GetOccurPrecision().String(), c)
	}
}

// The four states of an item stay apart.
func TestAnswers(t *testing.T) {
	t.Parallel()
	rec, problems := one(t, base+"  spot: {column: b, when_empty: not-known}\n  damage: {column: c, values: {none: does-not-apply}, when_empty: not-known}\n  task_before: {column: b}\n",
		"1", "", "None")
	require.Empty(t, problems)
	require.Equal(t, map[string]pb.AnswerState{"spot": pb.AnswerState_ANSWER_STATE_NOT_KNOWN,
		"damage": pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY}, rec.GetReport().GetAnswers())
	require.Empty(t, rec.GetReport().GetDamage())
	rec, problems = one(t, base+"  spot: {column: b, when_empty: not-known}\n", "1", "Gate 2", "")
	require.Empty(t, problems)
	require.Equal(t, "Gate 2", rec.GetReport().GetSpot())
	require.Empty(t, rec.GetReport().GetAnswers())
}

func TestRules(t *testing.T) {
	t.Parallel()
	const rules = base + "harms:\n  - outcome:\n      rules:\n" +
		"        - {when: {column: b, at_least: 1}, value: lost-time, reason: days}\n" +
		"        - {when: [{column: c, has_word: [first aid, band-aid]}, {column: b, empty: yes}], value: first-aid}\n" +
		"        - {when: {column: c, is: [bad, BROKEN]}, value: refuse}\n" +
		"      otherwise: not-known\n"
	for _, c := range []struct{ b, c, want string }{
		{"1", "", "LOST_TIME"}, {"0", "", "not known"}, {"", "Gave FIRST-AID at once", "FIRST_AID"},
		{"", "first; aid", "FIRST_AID"}, {"", "firstaid", "not known"}, {"0", "first aid", "not known"},
		{"", "Broken", "refused"}, {"two", "", "refused"},
	} {
		rec, problems := one(t, rules, "1", c.b, c.c)
		if c.want == "refused" {
			require.NotEmpty(t, problems, c)
			continue
		}
		require.Empty(t, problems, c)
		h := rec.GetReport().GetHarms()[0]
		if c.want == "not known" {
			require.Equal(t, pb.AnswerState_ANSWER_STATE_NOT_KNOWN, h.GetAnswers()["outcome"], c)
			require.Empty(t, h.GetOutcomeHistory())
			continue
		}
		require.Equal(t, "OUTCOME_CLASS_"+c.want, h.GetOutcomeHistory()[0].GetOutcome().String(), c)
	}
}

func TestCodes(t *testing.T) {
	t.Parallel()
	const codes = base + "harms: [{when: {column: c, empty: no}, description: c}]\n" +
		"codings:\n  - harm: 1\n    mechanism: {column: b, crosswalk: oiics-event-to-toocs-mechanism}\n" +
		"    source_codes: {OIICS 2.01 event: b}\n"
	rec, problems := one(t, codes, "1", "6412", "thumb")
	require.Empty(t, problems)
	require.Len(t, rec.GetCodings(), 1)
	c := rec.GetCodings()[0]
	require.Equal(t, "h1", c.GetHarmId())
	require.Equal(t, "25", c.GetMechanism(), "the row of 641: caught in running equipment")
	require.Equal(t, pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED, c.GetOrigin())
	require.True(t, strings.HasPrefix(c.GetNote(), importer.Mark), c.GetNote())
	require.Equal(t, map[string]string{"OIICS 2.01 event": "6412"}, c.GetSourceCodes())

	rec, _ = one(t, codes, "1", "6412", "")
	require.Empty(t, rec.GetCodings()[0].GetHarmId(), "nobody hurt: the report is coded")
	rec, _ = one(t, codes, "1", "9999", "thumb")
	require.Empty(t, rec.GetCodings(), "nonclassifiable gives no code")
	require.Equal(t, "9999", rec.GetReport().GetOrigin().GetAttributes()["OIICS 2.01 event"], "and is kept")
	rec, _ = one(t, codes, "1", "", "thumb")
	require.Empty(t, rec.GetCodings())

	const keywords = base + "codings:\n  - mechanism: {column: b, crosswalk: osha-keyword-to-toocs-mechanism, split: ';', prefer: [CAVE-IN, FALL]}\n" +
		"    bodily_location: {column: c, crosswalk: osha-keyword-to-toocs-bodily-location, split: ';', several: together}\n"
	for _, k := range []struct{ events, parts, mechanism, location string }{
		{"STRUCK BY;FALL", "", "01", ""}, {"fall; cave-in ;ASPHYXIATED", "", "91", ""}, {"STRUCK BY;CRUSHED", "", "28", ""},
		{"SNEEZE;FALL", "", "01", ""},
		{"FALL", "HEAD", "01", "190"}, {"FALL", "HEAD;SKULL", "01", "180"}, {"FALL", "TIBIA;FIBULA", "01", "540"},
		{"FALL", "LEG;FOOT", "01", "580"}, {"FALL", "HAND;ELBOW", "01", "480"}, {"FALL", "CHEST;BACK", "01", "380"},
		{"FALL", "NECK;CHEST", "01", "610"}, {"FALL", "NECK;HEAD", "01", "620"}, {"FALL", "HEAD;LEG", "01", "630"},
		{"FALL", "BACK;LEG", "01", "640"}, {"FALL", "BACK;LEG;ARM", "01", "640"}, {"FALL", "ARM;LEG", "01", "650"},
		{"FALL", "NECK;SHOULDER", "01", "660"}, {"FALL", "NECK;ELBOW", "01", "680"}, {"FALL", "HEAD;ARM;LEG", "01", "680"},
	} {
		rec, problems := one(t, keywords, "1", k.events, k.parts)
		require.Empty(t, problems, k)
		require.Equal(t, k.mechanism, rec.GetCodings()[0].GetMechanism(), k)
		require.Equal(t, k.location, rec.GetCodings()[0].GetBodilyLocation(), k)
	}
}

// Every code that a crosswalk can give, alone or together, may be assigned in
// the edition that ships: it is the finest of its list.
func TestCrosswalkTargets(t *testing.T) {
	t.Parallel()
	dir := "../../services/classify/toocs/data/toocs31"
	leaf := map[string]map[string]bool{}
	for _, list := range []string{"mechanism", "nature", "bodily_location"} {
		leaf[list] = map[string]bool{}
		rows := source(t, filepath.Join(dir, list+".csv"))
		for _, r := range rows {
			leaf[list][r["code"]] = true
		}
		for _, r := range rows {
			delete(leaf[list], r["parent"])
		}
	}
	for _, c := range []string{"180", "218", "380", "480", "580", "610", "620", "630", "640", "650", "660", "680"} {
		require.True(t, leaf["bodily_location"][c], c)
	}
	files, err := filepath.Glob("crosswalks/*.csv")
	require.NoError(t, err)
	for _, f := range files {
		for _, r := range source(t, f) {
			list, code := r["toocs_list"], r["toocs_code"]
			if code == "" {
				code = r["toocs_mechanism_code"]
			}
			if list == "" {
				list = map[bool]string{true: "nature", false: "mechanism"}[strings.Contains(f, "nature")]
			}
			require.True(t, leaf[list][code], "%s: %v", f, r)
		}
	}
}

// FuzzMapping: no text panics; what is accepted can read a row of its columns
// without a panic, and a record that comes of it has a name and an origin.
func FuzzMapping(f *testing.F) {
	for _, name := range importer.Builtins() {
		text, err := importer.Builtin(name)
		require.NoError(f, err)
		f.Add(string(text), "a", "1")
	}
	f.Add(plain, "", "\n")
	f.Add("fairlead_mapping: 1\n? [a]\n: b\n", "x", "y")
	f.Fuzz(func(t *testing.T, text, cell, other string) {
		m, err := importer.Parse([]byte(text))
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		any := func(string) (*time.Location, error) { return time.UTC, nil }
		_, err = m.Bind(nil, any)
		var missing importer.MappingErrors
		if err == nil {
			return
		}
		require.ErrorAs(t, err, &missing)
		var header, cells []string
		for i, e := range missing {
			require.Positive(t, e.Line)
			if name, ok := strings.CutPrefix(e.Problem, `the table has no column "`); ok {
				header = append(header, strings.SplitN(name, `"; it has`, 2)[0])
				cells = append(cells, []string{cell, other}[i%2])
			}
		}
		r, err := m.Bind(header, any)
		if err != nil {
			return // a column named twice, or with quotes in its name
		}
		rec, problems := r.Record(sheet.Row{Line: 2, Cells: cells})
		require.Equal(t, rec == nil, len(problems) > 0)
		if rec != nil {
			require.NotEmpty(t, rec.GetReport().GetOrigin().GetSourceId())
			require.NotEmpty(t, rec.GetReport().GetName())
		}
	})
}

// FuzzRow: whatever stands in the cells of a real mapping, a row becomes a
// record that keeps every rule of the contract, or problems with a cure.
func FuzzRow(f *testing.F) {
	text, err := os.ReadFile("mappings/old-register.yaml")
	require.NoError(f, err)
	m, err := importer.Parse(text)
	require.NoError(f, err)
	header := strings.Split("Book;No;Type;Date;Depot;Short title;What happened;Where exactly;Done about it;Could have been;Injury;Employed by;Days off;Off from;Back on;Spilt what;Litres;Entered by", ";")
	v, err := protovalidate.New()
	require.NoError(f, err)
	f.Add("N;1;NM;3/2/2021;Northside;T;Story;;;Fatal;Cut;us;4;15/2/2021;19/2/2021;oil;20;x")
	f.Add("N;1;?;;Nursery;T;Story;;;don't know;;;;;;;;")
	f.Add("N;1;Injury;3/2/2021 ;quarry  rd;T;Story;;;;Cut;someone;0;;;;1e9;")
	f.Fuzz(func(t *testing.T, text string) {
		cells := strings.Split(text, ";")
		for i := range cells {
			cells[i] = strings.ToValidUTF8(strings.TrimSpace(cells[i]), "?")
		}
		for len(cells) < len(header) {
			cells = append(cells, "")
		}
		r, err := m.Bind(header, zones)
		require.NoError(t, err)
		rec, problems := r.Record(sheet.Row{Line: 2, Cells: cells[:len(header)]})
		for _, p := range problems {
			require.NotEmpty(t, p.Cure)
			require.Equal(t, 2, p.Line)
		}
		if rec == nil {
			require.NotEmpty(t, problems)
			return
		}
		if err := v.Validate(rec.GetReport()); err != nil {
			// The service bounds days lost; the importer leaves that to it.
			require.ErrorContains(t, err, "rostered_days")
		}
		again, err := proto.Marshal(rec)
		require.NoError(t, err)
		require.NotEmpty(t, again)
	})
}
