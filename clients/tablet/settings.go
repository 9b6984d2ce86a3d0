package tablet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
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
}

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
	return s, nil
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
