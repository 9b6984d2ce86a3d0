package access

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Words that conditions are made of.
const (
	own       = "their own; others' by an administrator"
	within    = "at workplaces within reach"
	figures   = "places within reach; few persons held back from who does not read reports"
	withCode  = "whoever has the code"
	beforeIn  = "nobody has to be signed in"
	reading   = "within reach; health, persons and codes by role"
	writing   = "within reach; an investigator in the case"
	houseWide = "the whole house"
)

// conditions say, in the words of the matrix, what a method is narrowed by once
// the role has let somebody in. The narrowing is done by Narrow, At, ViewOf and
// Redact, by the guard of small groups, and last by the net.
var conditions = map[string]string{
	"AccessService":         own,
	"PrincipalService":      houseWide,
	"SignInService":         own,
	"DeviceService":         houseWide,
	"WorkplaceService":      within,
	"ReportService":         writing,
	"ReceiptService":        withCode,
	"MessageService":        writing,
	"MyReportService":       "what they told under their own name; a tablet in somebody's turn only",
	"KeeperService":         "their own passphrase; naming and ending by an administrator",
	"ReadService":           "who opened what, never what it said",
	"MaskService":           "within reach; words as told only to who reads them so",
	"SealedService":         "as the method that is sealed",
	"AttachmentService":     writing,
	"ClassificationService": writing,
	"HoursService":          within,
	"MeasureService":        figures,
	"ComputeService":        "the caller's own numbers; knows no report",
	"SearchService":         "words and filters the role may read; reports within reach",
	"ExportService":         figures,
	"RetentionService":      houseWide,
	"ChangeService":         "no bodies; who acted by role, and never who told in confidence",

	"PrincipalService.SetPin":         own,
	"PrincipalService.ListSessions":   own,
	"PrincipalService.EndSession":     own,
	"SignInService.GetSignInWays":     beforeIn,
	"SignInService.MakeSignInCode":    houseWide,
	"SignInService.LinkOpenID":        houseWide,
	"DeviceService.EnrolDevice":       withCode,
	"DeviceService.ListWorkers":       "those who agreed, at the tablet's workplace",
	"DeviceService.BeginTurn":         "at that tablet",
	"WorkplaceService.GetPerson":      "people at workplaces within reach",
	"WorkplaceService.ListPeople":     "people at workplaces within reach",
	"ReportService.FileReport":        "at any workplace; a tablet at its own",
	"ReportService.GetReport":         reading,
	"ReportService.ListReports":       reading,
	"ReportService.ListReportHistory": "within reach; who acted by role, and never who told in confidence",
	"ReportService.GetTeller":         "named: by role; in confidence: adviser or keeper, with a reason that is kept; anonymous: nobody",

	"AttachmentService.AddAttachment":    "to reports within reach, or that the caller filed",
	"AttachmentService.GetAttachment":    reading,
	"AttachmentService.ListAttachments":  reading,
	"AttachmentService.ReadAttachment":   reading,
	"ClassificationService.ListEditions": "tables only",
	"ClassificationService.ListCodes":    "tables only",
	"ClassificationService.LookUpCodes":  "tables only",
	"MeasureService.ListMeasures":        "definitions only",
	"ExportService.CompareSummaries":     figures + "; reports behind a difference by who may list them",
	"ChangeService.GetHead":              "a number, a hash and an hour",
	"ChangeService.GetCheckpoint":        "a number, a hash and a signature",
}

// Condition is what a method is narrowed by, in words: its own, else that of its
// service.
func Condition(method string) string {
	if c, ok := conditions[method]; ok {
		return c
	}
	service, _, _ := strings.Cut(method, ".")
	if c, ok := conditions[service]; ok {
		return c
	}
	return "as its room says"
}

// verbAndResource takes a method apart: FileReport is file, report.
func verbAndResource(method string) (verb, resource string) {
	_, name, _ := strings.Cut(method, ".")
	var words []string
	from := 0
	for i, r := range name {
		if i > from && unicode.IsUpper(r) && !unicode.IsUpper(rune(name[i-1])) {
			words, from = append(words, strings.ToLower(name[from:i])), i
		}
	}
	words = append(words, strings.ToLower(name[from:]))
	return words[0], strings.Join(words[1:], " ")
}

// PrintMatrix writes who may do what: every method as verb and resource, every
// role, and on which condition. It is the policy that is in force, not a copy.
func (p *Policy) PrintMatrix(w io.Writer) error {
	var roles []pb.Role
	for i := int32(1); pb.Role_name[i] != ""; i++ {
		roles = append(roles, pb.Role(i))
	}
	var b strings.Builder
	b.WriteString("Who may do what. Roles:")
	for _, r := range roles {
		fmt.Fprintf(&b, " %s %s", short(r), RoleWord(r))
	}
	b.WriteString("\n-- is: not at all. all is: whoever calls, signed in or not.\n")
	var methods []string
	for m := range p.allowed {
		methods = append(methods, m)
	}
	slices.Sort(methods)
	last := ""
	for _, m := range methods {
		service, _, _ := strings.Cut(m, ".")
		if service != last {
			fmt.Fprintf(&b, "\n%-44s", service)
			for _, r := range roles {
				fmt.Fprintf(&b, " %s", short(r))
			}
			b.WriteString("\n")
			last = service
		}
		verb, resource := verbAndResource(m)
		fmt.Fprintf(&b, "  %-42s", strings.TrimSpace(verb+" "+resource))
		for _, r := range roles {
			switch {
			case p.Open(m):
				b.WriteString(" all")
			case slices.Contains(p.allowed[m], r):
				b.WriteString(" " + short(r))
			default:
				b.WriteString(" -- ")
			}
		}
		fmt.Fprintf(&b, "  %s\n", Condition(m))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// short is a role in three letters.
func short(r pb.Role) string { return RoleWord(r)[:3] }
