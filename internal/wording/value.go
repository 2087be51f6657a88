package wording

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"laidup/internal/quantity"
	"laidup/internal/score"
)

// Spaced makes words of an id.
func Spaced(id string) string { return strings.ReplaceAll(id, "_", " ") }

// allOfIt is the share that leaves nothing out.
const allOfIt score.Share = 1e10

// Percent writes a chance, or another share of a whole, as a percentage. 100 % and 0 % it says of
// what is exactly that and of nothing else: what comes close is "over 99.9 %" or "under 0.1 %", and
// towards either end, where a digit decides, there is one more. It is the one way in which a share
// becomes words.
func (w *Words) Percent(s score.Share) string {
	switch bound, number := percentage(s); bound {
	case above:
		return w.value("percent_above", "n", number)
	case below:
		return w.value("percent_below", "n", number)
	default:
		return w.value("percent", "n", number)
	}
}

// Chance writes a chance with the range that it has: "82 % (74 to 88)". Without a range, or with one
// that words do not tell from the chance, it is [Words.Percent].
func (w *Words) Chance(s, low, high score.Share) string {
	said := w.Percent(s)
	if low, high, ok := w.ends(s, low, high); ok {
		return w.value("chance", "chance", said, "low", low, "high", high)
	}
	return said
}

// Range writes the range of a chance alone, for where there is no room beside it: "74 to 88 %"; nothing
// where [Words.Chance] says none.
func (w *Words) Range(s, low, high score.Share) string {
	if low, high, ok := w.ends(s, low, high); ok {
		return w.value("range", "low", low, "high", high)
	}
	return ""
}

// ends writes the ends of the range of a chance; false where there is none to be told from the chance.
func (w *Words) ends(s, low, high score.Share) (from, to string, ok bool) {
	if high == 0 {
		return "", "", false
	}
	if s > 0 && s < allOfIt {
		// What is not certain has no range that ends in certainty.
		low, high = max(low, 1), min(high, allOfIt-1)
	}
	said := w.bare(s)
	from, to = w.bare(low), w.bare(high)
	return from, to, from != said || to != said
}

// bare is a percentage without its sign, for the ends of a range.
func (w *Words) bare(s score.Share) string {
	switch bound, number := percentage(s); bound {
	case above:
		return w.value("bare_above", "n", number)
	case below:
		return w.value("bare_below", "n", number)
	default:
		return number
	}
}

// What a percentage is to the number that stands for it.
const (
	exact = iota
	above
	below
)

func percentage(s score.Share) (bound int, number string) {
	const percent = allOfIt / 100
	switch {
	case s >= allOfIt:
		return exact, "100"
	case s <= 0:
		return exact, "0"
	case s > 99*percent+percent/10*9:
		return above, "99.9"
	case s < percent/10:
		return below, "0.1"
	case s >= 99*percent, s < 10*percent-percent/20:
		return exact, strconv.FormatFloat(100*s.Float(), 'f', 1, 64)
	}
	return exact, strconv.FormatFloat(100*s.Float(), 'f', 0, 64)
}

// Looked writes the weighted share of what was looked at. Items may weigh nothing: 100 % is said only
// where all were looked at, and 0 % only where none was.
func (w *Words) Looked(c score.Coverage) string {
	share := c.Share
	if c.LookedAt < c.Applying {
		share = min(share, allOfIt-1)
	}
	if c.LookedAt > 0 {
		share = max(share, 1)
	}
	return w.Percent(share)
}

// Value writes a value in the form of a report as a person would.
func (w *Words) Value(raw json.RawMessage) string {
	var v any
	if json.Unmarshal(raw, &v) != nil {
		return string(raw)
	}
	switch v := v.(type) {
	case bool:
		if v {
			return w.value("yes")
		}
		return w.value("no")
	case string:
		return Spaced(v)
	case map[string]any:
		name, _ := v["unit"].(string)
		if u, ok := quantity.Lookup(name); ok {
			name = u.Sign
		}
		return strings.TrimSpace(fmt.Sprintf("%v %s", v["value"], name))
	}
	return fmt.Sprint(v)
}

// Placed adds the positions concerned to the name of an item: "brake hoses (front left)".
func (w *Words) Placed(name string, at []string) string {
	if len(at) == 0 {
		return name
	}
	names := make([]string, len(at))
	for i, p := range at {
		names[i] = Spaced(p)
	}
	return w.value("placed", "name", name, "at", strings.Join(names, ", "))
}

// factName makes words of the path of a fact.
func factName(path string) string {
	_, name, _ := strings.Cut(path, ".")
	return Spaced(strings.ReplaceAll(name, ".", "_"))
}

// Clearing says which findings clear a blocker.
func (w *Words) Clearing(list []score.Clearing) string {
	items := make([]string, len(list))
	for i, c := range list {
		found := make([]string, len(c.Found))
		for k, f := range c.Found {
			found[k] = w.toFind(f)
			if c.Fact != "" {
				found[k] = w.value("fact", "fact", factName(c.Fact), "value", w.Value(f.Value))
			}
		}
		said := strings.Join(found, ", ")
		if c.Fact == "" {
			said = w.value("clearing", "item", w.Placed(Spaced(c.Item), c.At), "found", said)
		}
		items[i] = said
	}
	return strings.Join(items, "; ")
}

// toFind says what has to be found. A date is the day on which it is done, whichever that will be.
func (w *Words) toFind(f score.FindingForm) string {
	var date string
	switch {
	case bytes.Equal(f.Value, []byte("true")):
		return Spaced(f.ID)
	case json.Unmarshal(f.Value, &date) == nil:
		if _, err := time.Parse(time.DateOnly, date); err == nil {
			return w.value("note_date", "finding", Spaced(f.ID))
		}
	}
	return Spaced(f.ID) + " " + w.Value(f.Value)
}

// Contradicted names what observations contradict each other about: "brake hoses (front left), perished".
func (w *Words) Contradicted(name string, c score.Conflict) string {
	if c.At != "" {
		name = w.Placed(name, []string{c.At})
	}
	return w.value("contradicted", "name", name, "finding", Spaced(c.Finding))
}

// Contradiction says what was observed: "yes (seen, 2026-05-02) against no (told, 2026-05-02)".
func (w *Words) Contradiction(c score.Conflict) string {
	if len(c.Values) == 0 {
		return w.value("not_fitted")
	}
	said := make([]string, len(c.Values))
	for i, v := range c.Values {
		said[i] = w.Said(w.Value(v.Value), v.Method, v.Date)
	}
	return w.Against(said)
}

// Said says by what method and when a value was observed: "yes (seen, 2026-05-02)".
func (w *Words) Said(value, method, date string) string {
	return w.value("said", "value", value, "method", Spaced(method), "date", date)
}

// Against sets what was said against each other.
func (w *Words) Against(said []string) string { return strings.Join(said, w.value("against")) }
