package tablet

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
)

// Settings are what a house tells its tablets, from a file of its own.
type Settings struct {
	// Home is the workplace where the tablets are; its name comes first in the
	// list of places. Optional.
	Home string `json:"home,omitempty"`
	// Card is the emergency card.
	Card Card `json:"card"`
	// Plans are pictures of places by workplace: the names of PNG, JPEG or WebP
	// files beside the settings, to 2 MB each.
	Plans map[string]string `json:"plans,omitempty"`

	// pictures are the plans as read.
	pictures map[string]picture
}

// picture is a plan.
type picture struct {
	mediaType, sum string
	data           []byte
}

// maxPlan bounds the file of a plan: a tablet keeps all of them.
const maxPlan = 2 << 20

// Card is what the emergency card says beside the number that rings ambulance,
// fire and police.
type Card struct {
	// Numbers to ring, in this order.
	Numbers []Number `json:"numbers,omitempty"`
	// Radio says on which channel somebody hears.
	Radio string `json:"radio,omitempty"`
	// Place says in words where the place is, as one tells an ambulance.
	Place string `json:"place,omitempty"`
	// Latitude and Longitude are those of the place, in degrees; both or none.
	Latitude  *float64 `json:"latitude,omitempty"`
	Longitude *float64 `json:"longitude,omitempty"`
}

// Number is somebody to ring.
type Number struct {
	Who    string `json:"who"`
	Number string `json:"number"`
}

// ReadSettings reads a settings file; a file that is not there is no fault.
func ReadSettings(path string) (Settings, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Settings{}, nil
	}
	if err != nil {
		return Settings{}, fmt.Errorf("tablet: settings: %w", err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	var s Settings
	if err := d.Decode(&s); err != nil {
		return Settings{}, fmt.Errorf("tablet: settings %s: %w; mend the file or take it away", path, err)
	}
	if err := s.Check(); err != nil {
		return Settings{}, fmt.Errorf("%w (in %s)", err, path)
	}
	s.pictures = map[string]picture{}
	for place, name := range s.Plans {
		p, err := readPlan(filepath.Join(filepath.Dir(path), name))
		if err != nil {
			return Settings{}, fmt.Errorf("tablet: settings %s: plans: %s: %w", path, place, err)
		}
		s.pictures[place] = p
	}
	return s, nil
}

// readPlan reads a plan and tells by its bytes that it is a picture.
func readPlan(path string) (picture, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return picture{}, err
	}
	kind := http.DetectContentType(data)
	switch {
	case len(data) > maxPlan:
		return picture{}, fmt.Errorf("%s is larger than 2 MB; make the picture smaller", filepath.Base(path))
	case kind != "image/png" && kind != "image/jpeg" && kind != "image/webp":
		return picture{}, fmt.Errorf("%s is no PNG, JPEG or WebP picture", filepath.Base(path))
	}
	sum := sha256.Sum256(data)
	return picture{mediaType: kind, sum: hex.EncodeToString(sum[:8]), data: data}, nil
}

var (
	phone     = regexp.MustCompile(`^\+?[0-9][0-9 ]{1,20}$`)
	workplace = regexp.MustCompile(`^workplaces/[a-z0-9][a-z0-9-]{0,62}$`)
)

// Check says what is wrong with settings, all at once: a wrong number on an
// emergency card is worse than none.
func (s Settings) Check() error {
	var wrong []string
	add := func(field, cure string) { wrong = append(wrong, field+": "+cure) }
	if s.Home != "" && !workplace.MatchString(s.Home) {
		add("home", "must be a workplace name such as workplaces/northside")
	}
	for place, name := range s.Plans {
		if !workplace.MatchString(place) {
			add("plans", place+" must be a workplace name such as workplaces/northside")
		}
		if name == "" || name != filepath.Base(name) {
			add("plans", name+" must be the name of a file beside the settings")
		}
	}
	for i, n := range s.Card.Numbers {
		at := fmt.Sprintf("card.numbers[%d]", i)
		if strings.TrimSpace(n.Who) == "" {
			add(at+".who", "say who answers")
		}
		if !phone.MatchString(n.Number) {
			add(at+".number", "write digits and blanks, such as 02 5550 0000")
		}
	}
	switch lat, lon := s.Card.Latitude, s.Card.Longitude; {
	case (lat == nil) != (lon == nil):
		add("card.latitude", "give latitude and longitude, or neither")
	case lat != nil && (*lat < -90 || *lat > 90 || *lon < -180 || *lon > 180):
		add("card.latitude", "must be degrees: latitude -90 to 90, longitude -180 to 180")
	}
	if len(wrong) > 0 {
		return errors.New("tablet: settings: " + strings.Join(wrong, "; "))
	}
	return nil
}
