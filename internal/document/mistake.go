package document

import (
	"fmt"
	"slices"
	"strings"
)

const (
	maxMistakes = 200 // that are told
	maxDetail   = 500 // bytes of what is told of a mistake
)

// Mistake is one thing wrong with a document.
type Mistake struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	// Entry is the id of the entry that it is in, if it has one.
	Entry   string `json:"entry,omitempty"`
	Pointer string `json:"pointer"` // JSON Pointer into the document
	Detail  string `json:"detail"`
}

// String writes the mistake as editors understand it: file:line:column: entry: text.
func (m Mistake) String() string {
	var b strings.Builder
	if m.File != "" {
		fmt.Fprintf(&b, "%s:", m.File)
	}
	if m.Line > 0 {
		fmt.Fprintf(&b, "%d:%d:", m.Line, m.Column)
	}
	if b.Len() > 0 {
		b.WriteByte(' ')
	}
	if m.Entry != "" {
		fmt.Fprintf(&b, "%s: ", m.Entry)
	}
	if m.Pointer != "" {
		fmt.Fprintf(&b, "%s: ", m.Pointer)
	}
	b.WriteString(m.Detail)
	return b.String()
}

// Mistakes is the error of a document that cannot be used: everything that is wrong with it.
type Mistakes []Mistake

// Error lists all mistakes, one a line.
func (m Mistakes) Error() string {
	lines := make([]string, len(m))
	for i, x := range m {
		lines[i] = x.String()
	}
	return strings.Join(lines, "\n")
}

// List is a list of mistakes of a size that can be sent. The zero value is empty.
type List struct {
	mistakes Mistakes
	more     bool // there were more
}

// Note adds a mistake, unless it has been told.
func (l *List) Note(m Mistake) {
	m.Detail, m.Pointer, m.Entry = clip(m.Detail, maxDetail), clip(m.Pointer, maxDetail), clip(m.Entry, 100)
	switch {
	case slices.Contains(l.mistakes, m):
	case len(l.mistakes) == maxMistakes:
		l.more = true
	default:
		l.mistakes = append(l.mistakes, m)
	}
}

// Len is how many mistakes are told.
func (l *List) Len() int { return len(l.mistakes) }

// Full reports whether another mistake would only be counted: who looks for more looks in vain.
func (l *List) Full() bool { return len(l.mistakes) == maxMistakes }

// More reports whether there are more mistakes than are told.
func (l *List) More() bool { return l.more }

// Err returns all mistakes, and says if there are more; nil where there are none.
func (l *List) Err() error {
	switch {
	case len(l.mistakes) == 0:
		return nil
	case l.more:
		return append(slices.Clip(l.mistakes), Mistake{Detail: "there are more mistakes: fix these first"})
	}
	return l.mistakes
}

// clip leaves of a text so many bytes.
func clip(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}
