package report

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Faults are what is wrong with what somebody wrote.
type Faults []Fault

// Add notes one.
func (f *Faults) Add(pointer string, code Code, format string, args ...any) {
	*f = append(*f, Fault{Pointer: pointer, Code: code, Detail: fmt.Sprintf(format, args...)})
}

// Member is a member of an object: where its value goes, and what it has to be.
type Member struct {
	Into any
	Is   string
}

// Object reads an object strictly, of which every member may be left out, and returns those that are given and of their
// type. instead says what to write where it is no object.
func Object(data []byte, instead string, fields map[string]Member) (given map[string]bool, wrong Faults) {
	var values map[string]jsontext.Value
	if err := json.Unmarshal(data, &values); err != nil || values == nil {
		wrong.Add("", Malformed, "this is no JSON object, or a name stands in it twice: %s", instead)
		return nil, wrong
	}
	given = map[string]bool{}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		into, known := fields[name]
		switch {
		case !known:
			wrong.Add("/"+Escaped(name), UnknownField, "there is no such member: use %s", strings.Join(slices.Sorted(maps.Keys(fields)), ", "))
		case bytes.Equal(values[name], []byte("null")) || json.Unmarshal(values[name], into.Into) != nil:
			wrong.Add("/"+name, WrongType, "write %s, or leave it out", into.Is)
		default:
			given[name] = true
		}
	}
	return given, wrong
}

// Escaped writes a name into a JSON Pointer (RFC 6901), shortened where a client sent more than a name.
func Escaped(name string) string {
	if len(name) > 60 {
		name = strings.ToValidUTF8(name[:60], "") + "…"
	}
	return strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
}
