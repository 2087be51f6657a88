package assess

import (
	"bytes"
	"fmt"

	"github.com/go-json-experiment/json"
)

// Sealed puts the end behind lines of an export, each with its line break.
func Sealed(lines []string) []byte {
	var all bytes.Buffer
	var c chain
	for _, l := range lines {
		all.WriteString(l)
		c.add([]byte(l[:len(l)-1]))
	}
	end, err := json.Marshal(exportLine{Kind: lineEnd, Lines: c.lines, SHA256: c.text()})
	if err != nil {
		panic(err)
	}
	return append(all.Bytes(), end...)
}

// String is for what tests say.
func (r Refusal) String() string { return fmt.Sprintf("line %d: %s", r.Line, r.Problem) }
