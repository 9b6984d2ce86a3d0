package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"gopkg.in/yaml.v3"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Errors of a Directory.
var (
	// ErrUnknownToken says that a token belongs to nobody.
	ErrUnknownToken = errors.New("access: token is not known")
	// ErrTaken says that there is a principal of that name already.
	ErrTaken = errors.New("access: a principal of that name is there already")
	// ErrNobody says that there is no principal of that name.
	ErrNobody = errors.New("access: no principal of that name")
)

// Directory knows principals by their access tokens. Only the SHA-256 of a
// token is kept: tokens have 160 random bits, so a plain hash is enough, and
// whoever reads the file learns no token.
type Directory struct {
	path string // empty: in memory only

	mu      sync.RWMutex
	entries []entry
	lent    []entry // in this process only
	seen    seen    // the file as it was last read
	looked  time.Time
}

// seen is what is known of a file when its contents were read.
type seen struct {
	info os.FileInfo // nil: never read
	at   time.Time
}

// settled is how old a file must have been when it was read to be known by its
// time: file systems stamp times by a clock tick, at worst of two seconds
// (FAT), and a second edit in one tick may leave time and size as they were.
const settled = 2 * time.Second

// is reports whether the file is certainly as it was when it was read.
func (s seen) is(now os.FileInfo) bool {
	return s.info != nil && os.SameFile(s.info, now) && s.info.Size() == now.Size() &&
		s.info.ModTime().Equal(now.ModTime()) && s.at.Sub(s.info.ModTime()) > settled
}

// entry is one principal as it lies in the file.
type entry struct {
	ID          string   `yaml:"id"`
	DisplayName string   `yaml:"display_name"`
	Roles       []string `yaml:"roles"`
	Workplaces  []string `yaml:"workplaces,omitempty"`
	TokenSHA256 string   `yaml:"token_sha256"`
}

// NewDirectory returns an empty directory that lives in memory.
func NewDirectory() *Directory { return &Directory{} }

// OpenDirectory reads the directory file at path. A missing file is an empty
// directory; the file appears with the first Add.
func OpenDirectory(path string) (*Directory, error) {
	d := &Directory{path: path}
	if err := d.reload(); err != nil {
		return nil, err
	}
	return d, nil
}

// Empty reports whether nobody is in the directory.
func (d *Directory) Empty() bool {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return len(d.entries) == 0
}

// Principals returns everyone in the directory, in order of name.
func (d *Directory) Principals() []Principal {
	d.mu.RLock()
	defer d.mu.RUnlock()
	var out []Principal
	for _, e := range d.entries {
		out = append(out, e.principal())
	}
	slices.SortFunc(out, func(a, b Principal) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// Active returns a principal of the directory by name.
func (d *Directory) Active(name string) (Principal, bool) {
	d.refresh()
	d.mu.RLock()
	defer d.mu.RUnlock()
	for _, e := range d.entries {
		if "principals/"+e.ID == name {
			return e.principal(), true
		}
	}
	return Principal{}, false
}

var idRule = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// Add puts a principal into the directory and returns its new token, which is
// shown once and kept nowhere. who.Name is principals/{id}.
func (d *Directory) Add(who Principal) (token string, err error) {
	token, err = NewToken()
	if err != nil {
		return "", err
	}
	return token, d.AddWithToken(who, token)
}

// AddWithToken is Add with a token that the caller chose, as the demo does.
func (d *Directory) AddWithToken(who Principal, token string) error {
	id, ok := strings.CutPrefix(who.Name, "principals/")
	if !ok || !idRule.MatchString(id) {
		return fmt.Errorf("access: name must be principals/ and 1 to 63 lower-case letters, digits and hyphens, not %q", who.Name)
	}
	if who.Name == Anonymous || who.Name == Confidential {
		return fmt.Errorf("access: %s is kept for reports of nobody's name; choose another", who.Name)
	}
	if len(who.Roles) == 0 {
		return errors.New("access: a principal needs at least one role")
	}
	e := entry{ID: id, DisplayName: who.DisplayName, Workplaces: who.Workplaces, TokenSHA256: hash(token)}
	for _, r := range who.Roles {
		e.Roles = append(e.Roles, RoleWord(r))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, old := range d.entries {
		if old.ID == id {
			return ErrTaken
		}
	}
	d.entries = append(d.entries, e)
	return d.save()
}

// Lend makes a principal known in this process only: it is never written to
// the file and is gone at the next start.
func (d *Directory) Lend(who Principal, token string) {
	e := entry{ID: strings.TrimPrefix(who.Name, "principals/"), DisplayName: who.DisplayName, Workplaces: who.Workplaces, TokenSHA256: hash(token)}
	for _, r := range who.Roles {
		e.Roles = append(e.Roles, RoleWord(r))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lent = append(d.lent, e)
}

// Remove takes a principal out: its token stops working at once.
func (d *Directory) Remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := len(d.entries)
	d.entries = slices.DeleteFunc(d.entries, func(e entry) bool { return "principals/"+e.ID == name })
	if len(d.entries) == n {
		return ErrNobody
	}
	return d.save()
}

// ByToken returns whom a token belongs to, or ErrUnknownToken.
func (d *Directory) ByToken(token string) (Principal, error) {
	d.refresh()
	h := []byte(hash(token))
	d.mu.RLock()
	defer d.mu.RUnlock()
	for _, e := range slices.Concat(d.entries, d.lent) {
		if subtle.ConstantTimeCompare(h, []byte(e.TokenSHA256)) == 1 {
			return e.principal(), nil
		}
	}
	return Principal{}, ErrUnknownToken
}

// refresh reads the file again when it has changed, at most once a second, so
// that a principal added or removed by command is known without a restart.
func (d *Directory) refresh() {
	if d.path == "" {
		return
	}
	d.mu.Lock()
	stale := time.Since(d.looked) > time.Second
	if stale {
		d.looked = time.Now()
	}
	last := d.seen
	d.mu.Unlock()
	if !stale {
		return
	}
	if info, err := os.Stat(d.path); err == nil && !last.is(info) {
		// An unreadable file leaves the old directory in force.
		_ = d.reload()
	}
}

func (d *Directory) reload() error {
	f, err := os.Open(d.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("access: read directory: %w", err)
	}
	defer f.Close()
	// Looked at before it is read, and through the same handle: an edit while
	// it is read, or another file in its place, then differs from what is
	// remembered and is read the next time.
	at := time.Now()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("access: read directory: %w", err)
	}
	raw, err := io.ReadAll(f)
	if err != nil {
		return fmt.Errorf("access: read directory: %w", err)
	}
	var entries []entry
	if err := yaml.Unmarshal(raw, &entries); err != nil {
		return fmt.Errorf("access: %s is not a list of principals: %w", d.path, err)
	}
	for _, e := range entries {
		for _, r := range e.Roles {
			if _, ok := ParseRole(r); !ok {
				return fmt.Errorf("access: %s: principal %s has the unknown role %q; roles are %s", d.path, e.ID, r, strings.Join(RoleWords(), ", "))
			}
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.entries, d.seen = entries, seen{info, at}
	return nil
}

// save writes the file beside the old one and renames it over, so that a crash
// leaves the one or the other. Callers hold the lock.
func (d *Directory) save() error {
	if d.path == "" {
		return nil
	}
	raw, err := yaml.Marshal(d.entries)
	if err != nil {
		return fmt.Errorf("access: write directory: %w", err)
	}
	head := "# Who may use the service. Tokens are kept as SHA-256 only. Edit by `fairlead-server access`.\n"
	f, err := os.CreateTemp(filepath.Dir(d.path), ".access-*")
	if err != nil {
		return fmt.Errorf("access: write directory: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.WriteString(head + string(raw))
	err = errors.Join(err, f.Chmod(0o600), f.Sync())
	at := time.Now()
	info, statErr := f.Stat() // of the file that is renamed, not of what lies there afterwards
	err = errors.Join(err, statErr, f.Close())
	if err == nil {
		err = os.Rename(f.Name(), d.path)
	}
	if err != nil {
		return fmt.Errorf("access: write directory: %w", err)
	}
	d.seen = seen{info, at}
	return nil
}

func (e entry) principal() Principal {
	p := Principal{Name: "principals/" + e.ID, DisplayName: e.DisplayName, Workplaces: e.Workplaces}
	for _, r := range e.Roles {
		if role, ok := ParseRole(r); ok {
			p.Roles = append(p.Roles, role)
		}
	}
	return p
}

// NewToken returns a token of 160 random bits.
func NewToken() (string, error) { return newSecret("fl_") }

func newSecret(prefix string) (string, error) {
	var b [20]byte
	if _, err := rand.Read(b[:]); err != nil {
		return "", fmt.Errorf("access: random token: %w", err)
	}
	return prefix + strings.ToLower(base32.StdEncoding.EncodeToString(b[:])), nil
}

func hash(token string) string {
	h := sha256.Sum256([]byte(token))
	return hex.EncodeToString(h[:])
}

// RoleWord returns the plain word of a role: ROLE_ADVISER is "adviser".
func RoleWord(r pb.Role) string {
	return strings.ToLower(strings.TrimPrefix(r.String(), "ROLE_"))
}

// ParseRole is the inverse of RoleWord.
func ParseRole(word string) (pb.Role, bool) {
	n, ok := pb.Role_value["ROLE_"+strings.ToUpper(word)]
	return pb.Role(n), ok && n != 0
}

// RoleWords returns all roles as words, in the order of the contract.
func RoleWords() []string {
	var out []string
	for i := int32(1); ; i++ {
		if _, ok := pb.Role_name[i]; !ok {
			return out
		}
		out = append(out, RoleWord(pb.Role(i)))
	}
}
