package bulk

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"
	"time"

	"perennial/internal/fault"
)

// state is the cursor.
type state struct {
	What   string         `json:"what,omitempty"`   // a mark of the server and of what is asked of it
	Since  string         `json:"since,omitempty"`  // the server's moment of the last export that was read whole, as sent
	Full   time.Time      `json:"full,omitzero"`    // the server's moment of the last one of everything
	Counts map[string]int `json:"counts,omitempty"` // resources in that one, by type
	Tried  int            `json:"tried,omitempty"`  // exports that failed since
	Next   time.Time      `json:"next,omitzero"`    // the server is asked nothing before, by our clock
	Left   string         `json:"left,omitempty"`   // an export that the server is still to be told is not needed
	Run    *run           `json:"export,omitempty"` // the one under way
}

// run is an export under way.
type run struct {
	Status   string         `json:"status"` // where to ask after it
	Began    time.Time      `json:"began"`
	Full     bool           `json:"full,omitempty"`     // of everything
	Progress string         `json:"progress,omitempty"` // as the server said last
	Moment   string         `json:"moment,omitempty"`   // transactionTime, once its manifest was seen
	Read     []done         `json:"read,omitempty"`     // files that were read to their end
	Broken   int            `json:"broken,omitempty"`   // connections that broke since a file was read
	Said     map[string]int `json:"said,omitempty"`     // issues that the server reports, by severity and code
}

// done is a file that was read.
type done struct {
	File string `json:"file"` // a mark of its address
	Type string `json:"type,omitempty"`
	N    int    `json:"n"` // lines
}

// parse reads a cursor.
func parse(cursor string) (*state, error) {
	at := &state{}
	if cursor == "" {
		return at, nil
	}
	if err := json.Unmarshal([]byte(cursor), at); err != nil {
		return nil, fault.New(fault.Damaged, "read cursor", "Forget the cursor of this source: everything is then exported again.", err)
	}
	return at, nil
}

// write gives the cursor.
func (at *state) write() string {
	b, _ := json.Marshal(at) // times of four-digit years never fail
	return string(b)
}

// has says whether a file was read.
func (r *run) has(mark string) bool {
	for _, d := range r.Read {
		if d.File == mark {
			return true
		}
	}
	return false
}

// counts are the lines of the files that were read, by type.
func (r *run) counts() map[string]int {
	all := map[string]int{}
	for _, d := range r.Read {
		if d.Type != "" {
			all[d.Type] += d.N
		}
	}
	return all
}

// failed notes that an export came to nothing, and when another may begin.
func (at *state) failed(now time.Time) {
	at.Tried++
	if at.Next = (time.Time{}); at.Tried >= 3 {
		at.Next = now.Add(min(time.Hour<<min(at.Tried-3, 5), 24*time.Hour)).UTC().Truncate(time.Second)
	}
}

// mark tells one text from another without repeating it.
func mark(parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\n")))
	return hex.EncodeToString(sum[:8])
}
