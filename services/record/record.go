package record

import (
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
)

// Kinds of resources in the ledger, and the shape of their names.
const (
	KindWorkplace  = "Workplace"  // workplaces/{id}
	KindPerson     = "Person"     // people/{id}
	KindReport     = "Report"     // reports/{uuid}
	KindTeller     = "Teller"     // reports/{uuid}/teller
	KindTellerRead = "TellerRead" // reports/{uuid}/teller/reads/{uuid}
	KindCoding     = "Coding"     // reports/{uuid}/codings/{report or harm id}
	KindHours      = "Hours"      // workplaces/{id}/hours/{YYYY-MM}.{group}
	KindPrincipal  = "Principal"  // principals/{id}
	KindPin        = "Pin"        // principals/{id}/pin
	KindSession    = "Session"    // sessions/{uuid}
	KindToken      = "Token"      // tokens/{uuid}
	KindDevice     = "Device"     // devices/{uuid}
	KindCredential = "Credential" // principals/{id}/credentials/{id}
	KindSignInCode = "SignInCode" // principals/{id}/code
	KindSignInKey  = "SignInKey"  // signIn/key
	KindAttachment = "Attachment" // reports/{uuid}/attachments/{uuid}
	KindMessage    = "Message"    // reports/{uuid}/messages/{uuid}
	KindKeeper     = "Keeper"     // keepers/{id}
	KindMasked     = "MaskedText" // reports/{uuid}/masked
	KindRead       = "Read"       // reports/{uuid}/reads/{uuid}, reads/{uuid} for a list
	// What is kept, held and taken out; see services/retention.
	KindKept           = "Kept"           // reports/{uuid}/kept
	KindRetentionClass = "RetentionClass" // retentionClasses/{id}
	KindRetentionRun   = "RetentionRun"   // retentionRuns/{uuid}
	KindLegalHold      = "LegalHold"      // legalHolds/{id}
)

// Verbs in the log: what was done.
const (
	VerbCreate     = "create"
	VerbUpdate     = "update"
	VerbFile       = "file"
	VerbImport     = "import"
	VerbAmend      = "amend"
	VerbVoid       = "void"
	VerbAddHarm    = "add-harm"
	VerbOutcome    = "record-outcome"
	VerbAbsence    = "record-absence"
	VerbCode       = "code"
	VerbRestate    = "restate"
	VerbOpenTeller = "open-teller"
	VerbAttach     = "attach"
	VerbDetach     = "detach"
	VerbErase      = "erase"
	VerbEnd        = "end"
	VerbBegin      = "begin"
	VerbEnrol      = "enrol"
	VerbSetPin     = "set-pin"
	// Ways to sign in.
	VerbSetPassword = "set-password"
	VerbMakeCode    = "make-code"
	VerbAddPasskey  = "add-passkey"
	VerbLink        = "link"
	VerbUse         = "use"
	VerbKeep        = "keep"
	VerbName        = "name"
	VerbRead        = "read"
	VerbMask        = "mask"
	VerbBecome      = "become"
	// Names told in confidence that lay open are closed to keepers; those that
	// were closed are shared with all who are keepers now.
	VerbClose = "close"
	VerbShare = "share"
	// Between a teller and the house.
	VerbAsk         = "ask"
	VerbTell        = "tell"
	VerbAnswer      = "answer"
	VerbAcknowledge = "acknowledge"
)

// Claim spaces: keys that belong to one resource only.
const (
	// SpaceShortCode maps a short code, without its hyphens, to a report.
	SpaceShortCode = "short-code"
	// SpaceSource maps dataset, a slash and source id to a report.
	SpaceSource = "source"
	// SpaceReceipt maps the hash of a receipt code to a report.
	SpaceReceipt = "receipt"
	// SpacePasskey maps the id of a passkey, and SpaceOpenID issuer and
	// subject of an account, both hashed, to a credential.
	SpacePasskey = "passkey"
	SpaceOpenID  = "openid"
	// SpaceTicket marks the challenges that were answered.
	SpaceTicket = "ticket"
)

// sealed kinds say who somebody is: their bodies lie in the ledger under a key
// that can be destroyed.
var sealed = map[string]bool{KindPerson: true, KindTeller: true, KindTellerRead: true, KindLegalHold: true,
	KindPrincipal: true, KindPin: true, KindMessage: true, KindKeeper: true, KindMasked: true,
	KindCredential: true, KindSignInCode: true, KindSignInKey: true}

// Sealed reports whether the bodies of a kind lie under a key that can be
// destroyed.
func Sealed(kind string) bool { return sealed[kind] }

// ErasedPerson reports whether nothing is left of who a person is: whoever is
// added has an employment group.
func ErasedPerson(p *pb.Person) bool { return p.GetEmploymentGroup() == 0 }

// Etag returns the etag of a revision.
func Etag(revision int64) string { return "r" + strconv.FormatInt(revision, 10) }

// Revision returns the revision that an etag stands for; ok is false when it
// is not one of ours.
func Revision(etag string) (revision int64, ok bool) {
	digits, found := strings.CutPrefix(etag, "r")
	n, err := strconv.ParseInt(digits, 10, 64)
	if !found || err != nil || n < 1 || digits != strconv.FormatInt(n, 10) {
		return 0, false
	}
	return n, true
}

// Body encodes a message for the ledger, without its etag.
func Body(m proto.Message) ([]byte, error) {
	if fd := etagField(m); fd != nil && m.ProtoReflect().Has(fd) {
		m = proto.Clone(m)
		m.ProtoReflect().Clear(fd)
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("record: encode %s: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	return b, nil
}

// Read decodes a body into m and sets its etag to that of the revision.
func Read(body []byte, revision int64, m proto.Message) error {
	if err := proto.Unmarshal(body, m); err != nil {
		return fmt.Errorf("record: decode %s: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	if fd := etagField(m); fd != nil {
		m.ProtoReflect().Set(fd, protoreflect.ValueOfString(Etag(revision)))
	}
	return nil
}

// Put returns the ledger put that writes m. ifRevision is as in ledger.Put.
func Put(m proto.Message, name, kind, verb string, ifRevision int64) (ledger.Put, error) {
	body, err := Body(m)
	if err != nil {
		return ledger.Put{}, err
	}
	return ledger.Put{Name: name, Kind: kind, Verb: verb, Body: body, IfRevision: ifRevision, Seal: sealed[kind]}, nil
}

// ReportOf returns the report that a name below it belongs to, and whether
// there is one: `reports/x/codings/h1` belongs to `reports/x`.
func ReportOf(name string) (string, bool) {
	parts := strings.SplitN(name, "/", 3)
	if len(parts) < 2 || parts[0] != "reports" {
		return "", false
	}
	return parts[0] + "/" + parts[1], true
}

func etagField(m proto.Message) protoreflect.FieldDescriptor {
	fd := m.ProtoReflect().Descriptor().Fields().ByName("etag")
	if fd == nil || fd.Kind() != protoreflect.StringKind {
		return nil
	}
	return fd
}
