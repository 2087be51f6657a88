package report

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/quantity"

	"github.com/go-json-experiment/json/jsontext"
)

// Decode reads a report. With any fault there is no report; all faults that can be told are
// returned at once, in the order of the document. Cautions come with valid reports only.
func Decode(data []byte, cat *catalogue.Catalogue) (*Report, []Caution, []Fault) {
	d := &decoder{
		cat: cat,
		in:  jsontext.NewDecoder(bytes.NewBuffer(data), jsontext.AllowDuplicateNames(true)),
		rep: &Report{},
	}
	err := d.document()
	if err == nil {
		err = d.end()
	}
	if err != nil {
		// What was read before the text stopped being JSON says little: only this counts.
		return nil, nil, []Fault{malformed(err)}
	}
	if len(d.faults) == 0 {
		d.finish()
	}
	if len(d.faults) > 0 {
		return nil, nil, d.faults
	}
	return d.rep, d.cautions, nil
}

func malformed(err error) Fault {
	f := Fault{Code: Malformed, Detail: "the document is empty: send a report as JSON"}
	var syntax *jsontext.SyntacticError
	switch {
	case errors.As(err, &syntax):
		f.Pointer = string(syntax.JSONPointer)
		f.Detail = fmt.Sprintf("not JSON at byte %d: %s", syntax.ByteOffset, strings.TrimPrefix(syntax.Err.Error(), "jsontext: "))
	case !errors.Is(err, io.EOF):
		f.Detail = "not JSON: " + err.Error()
	}
	return f
}

// decoder reads one report. Its methods return an error only when the text is not JSON.
type decoder struct {
	cat      *catalogue.Catalogue
	in       *jsontext.Decoder
	rep      *Report
	faults   []Fault
	cautions []Caution

	inspection calendar.Date
	path       [8]step // where the value being read stands
	depth      int
	scratch    []byte
	given      []given
}

// step is one step of a JSON Pointer: a member of the given name, or an element by index.
type step struct {
	name  string
	index int
}

// given remembers where an observation stands, for the checks that need the whole report.
type given struct {
	index int
	date  calendar.Date // zero: the day of the inspection
	age   float64       // NaN: none
}

func (d *decoder) push(name string)    { d.path[d.depth] = step{name: name}; d.depth++ }
func (d *decoder) pushIndex(index int) { d.path[d.depth] = step{index: index}; d.depth++ }
func (d *decoder) pop()                { d.depth-- }

func (d *decoder) pointer() string {
	var p jsontext.Pointer
	for _, s := range d.path[:d.depth] {
		if s.name == "" {
			s.name = strconv.Itoa(s.index)
		}
		p = p.AppendToken(s.name)
	}
	return string(p)
}

func (d *decoder) fault(code Code, format string, args ...any) {
	d.faultAt(d.pointer(), code, format, args...)
}

func (d *decoder) faultAt(pointer string, code Code, format string, args ...any) {
	switch {
	case len(d.faults) < MaxFaults:
		d.faults = append(d.faults, Fault{pointer, fmt.Sprintf(format, args...), code})
	case len(d.faults) == MaxFaults:
		d.faults = append(d.faults, Fault{"", "there are more faults than these: mend these first", OutOfRange})
	}
}

func (d *decoder) end() error {
	if _, err := d.in.ReadToken(); err != io.EOF {
		if err == nil {
			err = errors.New("something follows the report")
		}
		return err
	}
	return nil
}

// object reads an object member by member; each is read by member, which says whether the name is
// known and finds the same name a second time by its number. A value of another kind is a fault.
func (d *decoder) object(what string, member func(name []byte) (number int, read func() error)) (bool, error) {
	if d.in.PeekKind() != '{' {
		return false, d.wrongType("an object: " + what)
	}
	if _, err := d.in.ReadToken(); err != nil {
		return false, err
	}
	var seen uint64
	for d.in.PeekKind() != '}' {
		name, err := d.text()
		if err != nil {
			return false, err
		}
		number, read := member(name)
		if read == nil {
			d.push(string(name))
			d.fault(UnknownField, "there is no field %q here: it takes %s", clip(name), what)
			d.pop()
			if err := d.in.SkipValue(); err != nil {
				return false, err
			}
			continue
		}
		// The name has to be kept before the next read overwrites it.
		if seen&(1<<number) != 0 {
			d.push(string(name))
			d.fault(Duplicate, "%q stands here twice: leave one out", clip(name))
			d.pop()
			if err := d.in.SkipValue(); err != nil {
				return false, err
			}
			continue
		}
		seen |= 1 << number
		if err := read(); err != nil {
			return false, err
		}
	}
	_, err := d.in.ReadToken()
	return true, err
}

// text reads the next token, a string, into memory valid until the next read.
func (d *decoder) text() ([]byte, error) {
	v, err := d.in.ReadValue()
	if err != nil {
		return nil, err
	}
	if raw := v[1 : len(v)-1]; bytes.IndexByte(raw, '\\') < 0 {
		return raw, nil
	}
	d.scratch, err = jsontext.AppendUnquote(d.scratch[:0], v)
	return d.scratch, err
}

func clip[T ~string | ~[]byte](s T) string {
	if utf8.RuneCountInString(string(s)) > 40 {
		return string([]rune(string(s))[:40]) + "…"
	}
	return string(s)
}

var kindNames = map[jsontext.Kind]string{'n': "null", 't': "true", 'f': "false", '"': "text", '0': "a number", '{': "an object", '[': "a list"}

// wrongType reports the next value as of the wrong kind and skips it.
func (d *decoder) wrongType(want string) error {
	kind := d.in.PeekKind()
	if err := d.in.SkipValue(); err != nil {
		return err
	}
	d.fault(WrongType, "this is %s: it has to be %s", kindNames[kind], want)
	return nil
}

// word reads a text of at most limit characters; ok is false after a fault.
func (d *decoder) word(what string, limit int) (word []byte, ok bool, err error) {
	if d.in.PeekKind() != '"' {
		return nil, false, d.wrongType("text: " + what)
	}
	word, err = d.text()
	if err != nil {
		return nil, false, err
	}
	if n := utf8.RuneCount(word); n > limit {
		d.fault(OutOfRange, "this is %d characters long: %d is the limit", n, limit)
		return nil, false, nil
	}
	return word, true, nil
}

func (d *decoder) missing(name, what string) {
	d.push(name)
	d.fault(Missing, "%s is missing: %s", name, what)
	d.pop()
}

const referenceForm = "letters, digits and . _ ~ - starting with a letter or digit"

func reference(s []byte) bool {
	for i, c := range s {
		alnum := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if !alnum && (i == 0 || !strings.ContainsRune("._~-", rune(c))) {
			return false
		}
	}
	return len(s) > 0
}

func (d *decoder) document() error {
	const what = "schema, reference, vehicle, lay_up, inspection, observations"
	var has [6]bool
	isObject, err := d.object(what, func(name []byte) (int, func() error) {
		mark := func(i int, name string, read func() error) (int, func() error) {
			return i, func() error {
				has[i] = true
				d.push(name)
				defer d.pop()
				return read()
			}
		}
		switch string(name) {
		case "schema":
			return mark(0, "schema", d.schemaName)
		case "reference":
			return mark(1, "reference", d.optionalText("your own name for the report", MaxText, &d.rep.Reference))
		case "vehicle":
			return mark(2, "vehicle", d.vehicle)
		case "lay_up":
			return mark(3, "lay_up", d.layUp)
		case "inspection":
			return mark(4, "inspection", d.inspectionPart)
		case "observations":
			return mark(5, "observations", d.observations)
		}
		return 0, nil
	})
	if err != nil || !isObject {
		return err
	}
	if !has[0] {
		d.missing("schema", `write "schema": "`+SchemaName+`"`)
	}
	if !has[2] {
		d.missing("vehicle", "say at least which vehicle it is, by its reference")
	}
	if !has[4] {
		d.missing("inspection", "say at least on which date the vehicle was inspected")
	}
	if !has[5] {
		d.missing("observations", "list what was found; [] if nothing was looked at")
	}
	return nil
}

func (d *decoder) schemaName() error {
	s, ok, err := d.word(`"`+SchemaName+`"`, MaxText)
	if ok && string(s) != SchemaName {
		d.fault(WrongValue, "%q is not a schema known here: write %q", clip(s), SchemaName)
	}
	return err
}

// optionalText reads a text that may also be null.
func (d *decoder) optionalText(what string, limit int, into *string) func() error {
	return func() error {
		if d.in.PeekKind() == 'n' {
			return d.in.SkipValue()
		}
		s, _, err := d.word(what, limit)
		*into = string(s)
		return err
	}
}

func (d *decoder) vehicle() error {
	hasReference := false
	isObject, err := d.object("reference, description, vin and the facts of the catalogue", func(name []byte) (int, func() error) {
		switch string(name) {
		case "reference":
			return 63, func() error {
				hasReference = true
				d.push("reference")
				defer d.pop()
				s, ok, err := d.word("a name for the vehicle", 100)
				if ok && !reference(s) {
					d.fault(WrongValue, "a vehicle's reference is %s", referenceForm)
				}
				d.rep.Vehicle.Reference = string(s)
				return err
			}
		case "description":
			return 62, d.member("description", d.optionalText("what the vehicle is", MaxText, &d.rep.Vehicle.Description))
		case "vin":
			return 61, d.member("vin", d.vin)
		}
		return d.fact("vehicle", "", name)
	})
	if isObject && err == nil && !hasReference {
		d.missing("reference", "name the vehicle, so that later reports can be laid beside this one")
	}
	return err
}

// member reads a value as the member of the name given.
func (d *decoder) member(name string, read func() error) func() error {
	return func() error {
		d.push(name)
		defer d.pop()
		return read()
	}
}

// fact finds the reader of a fact by name, or of an object that holds facts.
func (d *decoder) fact(part, prefix string, name []byte) (int, func() error) {
	path := prefix + string(name)
	number := 0
	for i, f := range d.cat.Facts {
		if f.In != part {
			continue
		}
		if f.ID == path {
			return i % 60, d.member(string(name), func() error { return d.factValue(f) })
		}
		if prefix == "" && strings.HasPrefix(f.ID, path+".") {
			number = i
		}
	}
	if number > 0 {
		return number % 60, d.member(path, func() error {
			if d.in.PeekKind() == 'n' {
				return d.in.SkipValue()
			}
			_, err := d.object("the facts of the catalogue that begin with "+path, func(name []byte) (int, func() error) {
				return d.fact(part, path+".", name)
			})
			return err
		})
	}
	return 0, nil
}

// factValue reads a fact; null and "unknown" are the same as leaving it out.
func (d *decoder) factValue(f *catalogue.Finding) error {
	switch d.in.PeekKind() {
	case 'n':
		return d.in.SkipValue()
	case '"':
		if f.Kind == catalogue.Choice || f.Kind == catalogue.Date {
			break
		}
		s, err := d.text()
		if err == nil && string(s) != "unknown" {
			d.fault(WrongType, "this is text: it has to be %s, or left out where it is not known", kindOf(f))
		}
		return err
	}
	v, known, err := d.value(f)
	if known {
		d.rep.Facts = append(d.rep.Facts, v)
	}
	return err
}

func (d *decoder) layUp() error {
	if d.in.PeekKind() == 'n' {
		return d.in.SkipValue()
	}
	_, err := d.object("last_ran and storage", func(name []byte) (int, func() error) {
		return d.fact("lay_up", "", name)
	})
	return err
}

func (d *decoder) inspectionPart() error {
	hasDate := false
	isObject, err := d.object("date, inspector, purpose", func(name []byte) (int, func() error) {
		switch string(name) {
		case "date":
			return 0, d.member("date", func() error {
				hasDate = true
				date, ok, err := d.date()
				if ok && !date.ToTheDay() {
					d.fault(WrongValue, "an inspection has a date to the day, such as 2026-05-02")
				}
				d.inspection, d.rep.Inspected = date, date.Earliest()
				return err
			})
		case "inspector":
			return 1, d.member("inspector", d.optionalText("who looked", MaxText, &d.rep.Inspector))
		case "purpose":
			return 2, d.member("purpose", func() error {
				if d.in.PeekKind() == 'n' {
					return d.in.SkipValue()
				}
				s, ok, err := d.word("one of "+strings.Join(Purposes, ", "), MaxText)
				if ok && indexOf(Purposes, s) < 0 {
					d.fault(WrongValue, "%q is not a purpose: use one of %s", clip(s), strings.Join(Purposes, ", "))
				}
				d.rep.Purpose = string(s)
				return err
			})
		}
		return 0, nil
	})
	if isObject && err == nil && !hasDate {
		d.missing("date", "ages are counted to it")
	}
	return err
}

func (d *decoder) observations() error {
	if d.in.PeekKind() != '[' {
		return d.wrongType("a list of observations")
	}
	if _, err := d.in.ReadToken(); err != nil {
		return err
	}
	for i := 0; d.in.PeekKind() != ']'; i++ {
		if i >= MaxObservations {
			if i == MaxObservations {
				d.fault(OutOfRange, "there are more than %d observations: split the report", MaxObservations)
			}
			if err := d.in.SkipValue(); err != nil {
				return err
			}
			continue
		}
		d.pushIndex(i)
		err := d.observation(i)
		d.pop()
		if err != nil {
			return err
		}
	}
	_, err := d.in.ReadToken()
	return err
}

func (d *decoder) observation(index int) error {
	o := Observation{Method: -1}
	g := given{index: index, age: math.NaN()}
	var hasItem, hasMethod, hasFound bool
	var early jsontext.Value // found, where it came before item
	isObject, err := d.object("item, method, date, found, note", func(name []byte) (int, func() error) {
		switch string(name) {
		case "item":
			return 0, d.member("item", func() error {
				hasItem = true
				s, ok, err := d.word("an item of the catalogue", MaxText)
				if ok {
					if o.Item = d.cat.ItemBytes(s); o.Item == nil {
						d.fault(UnknownField, "%q is not an item of the catalogue", clip(s))
					}
				}
				return err
			})
		case "method":
			return 1, d.member("method", func() error {
				hasMethod = true
				s, ok, err := d.word("how it was found", MaxText)
				if ok {
					if o.Method = d.cat.Method(s); o.Method < 0 {
						d.fault(WrongValue, "%q is not a method: use one of %s", clip(s), methodNames(d.cat))
					}
				}
				return err
			})
		case "date":
			return 2, d.member("date", func() error {
				date, _, err := d.date()
				g.date = date
				return err
			})
		case "note":
			return 3, d.member("note", d.optionalText("a note", MaxNote, &o.Note))
		case "found":
			return 4, d.member("found", func() error {
				hasFound = true
				if !hasItem {
					v, err := d.in.ReadValue()
					early = v.Clone()
					return err
				}
				if o.Item == nil {
					return d.in.SkipValue()
				}
				return d.found(&o)
			})
		}
		return 0, nil
	})
	if err != nil || !isObject {
		return err
	}
	if early != nil && o.Item != nil {
		// The item has become known only now: read its findings with it.
		outer := d.in
		d.in = jsontext.NewDecoder(bytes.NewReader(early), jsontext.AllowDuplicateNames(true))
		err := d.member("found", func() error { return d.found(&o) })()
		d.in = outer
		if err != nil {
			return err
		}
	}
	if !hasItem {
		d.missing("item", "name an item of the catalogue")
	}
	if !hasMethod {
		d.missing("method", "say how it was found: one of "+methodNames(d.cat))
	}
	if !hasFound {
		d.missing("found", "say what was found on the item")
	}
	for _, v := range o.Found {
		if v.Finding == o.Item.Age {
			g.age = v.Number
		}
	}
	d.given = append(d.given, g)
	d.rep.Observations = append(d.rep.Observations, o)
	return nil
}

func methodNames(c *catalogue.Catalogue) string {
	names := make([]string, len(c.Methods))
	for i, m := range c.Methods {
		names[i] = m.ID
	}
	return strings.Join(names, ", ")
}

func (d *decoder) found(o *Observation) error {
	if d.in.PeekKind() != '{' {
		return d.wrongType("an object of what was found")
	}
	if _, err := d.in.ReadToken(); err != nil {
		return err
	}
	item := o.Item
	o.Found = make([]Value, 0, 4)
	var seen uint64
	some := false
	for d.in.PeekKind() != '}' {
		some = true
		name, err := d.text()
		if err != nil {
			return err
		}
		f := item.FindBytes(name)
		if f == nil {
			d.push(string(name))
			d.fault(UnknownField, "%q cannot be found on %s: it takes %s", clip(name), item.ID, findNames(item))
		} else {
			d.push(f.ID)
			if bit := uint64(1) << (f.Slot - item.Finds[0].Slot); seen&bit != 0 {
				d.fault(Duplicate, "%q stands here twice: leave one out", f.ID)
				f = nil
			} else {
				seen |= bit
			}
		}
		if f == nil {
			err = d.in.SkipValue()
		} else {
			var v Value
			var ok bool
			if v, ok, err = d.value(f); ok {
				o.Found = append(o.Found, v)
			}
		}
		d.pop()
		if err != nil {
			return err
		}
	}
	if !some {
		d.fault(Missing, "nothing was found here: leave the observation out, or say what was found")
	}
	_, err := d.in.ReadToken()
	return err
}

func findNames(it *catalogue.Item) string {
	names := make([]string, len(it.Finds))
	for i, f := range it.Finds {
		names[i] = f.ID
	}
	return strings.Join(names, ", ")
}

// kindOf says in words what value a finding or fact takes.
func kindOf(f *catalogue.Finding) string {
	switch f.Kind {
	case catalogue.Flag:
		return "true or false"
	case catalogue.Choice:
		return "one of " + strings.Join(f.Values, ", ")
	case catalogue.Quantity:
		return fmt.Sprintf(`a measurement such as {"value": 1, "unit": %q}`, f.Unit.Code)
	case catalogue.Count:
		return "a whole number"
	case catalogue.Date:
		return `a date such as "2026-05-02" (or "2026-05", "2026")`
	}
	return "text"
}

// value reads the value of a finding or fact; ok is false after a fault, and for a choice of a
// fact that says "unknown".
func (d *decoder) value(f *catalogue.Finding) (v Value, ok bool, err error) {
	v.Finding = f
	kind := d.in.PeekKind()
	switch f.Kind {
	case catalogue.Flag:
		if kind != 't' && kind != 'f' {
			return v, false, d.wrongType(kindOf(f))
		}
		if kind == 't' {
			v.Number = 1
		}
		return v, true, d.in.SkipValue()
	case catalogue.Choice:
		if kind != '"' {
			return v, false, d.wrongType(kindOf(f))
		}
		s, err := d.text()
		if err != nil {
			return v, false, err
		}
		i := indexOf(f.Values, s)
		if i < 0 {
			if f.Item != nil || string(s) != "unknown" {
				d.fault(WrongValue, "%q is not an answer here: use %s", clip(s), kindOf(f))
			}
			return v, false, nil
		}
		v.Number = float64(i)
		return v, true, nil
	case catalogue.Quantity:
		v.Number, ok, err = d.measurement(f)
		return v, ok, err
	case catalogue.Count:
		if kind != '0' {
			return v, false, d.wrongType(kindOf(f))
		}
		v.Number, ok, err = d.number(kindOf(f))
		if ok && v.Number != math.Trunc(v.Number) {
			d.fault(WrongValue, "this has to be a whole number")
			return v, false, err
		}
		if ok && !(v.Number >= f.Min && v.Number <= f.Max) {
			d.fault(OutOfRange, "this has to be from %v to %v", f.Min, f.Max)
			return v, false, err
		}
		return v, ok, err
	case catalogue.Date:
		if f.Item == nil && kind == '"' {
			s, err := d.text()
			if err != nil || string(s) == "unknown" {
				return v, false, err
			}
			v.Date, ok = d.parseDate(s)
		} else {
			v.Date, ok, err = d.date()
		}
		v.Number = float64(v.Date.Earliest())
		return v, ok, err
	}
	s, ok, err := d.word("a reference or a name", MaxText)
	if ok && len(bytes.TrimSpace(s)) == 0 {
		d.fault(WrongValue, "this is empty: leave it out, or say what it is")
		return v, false, err
	}
	v.Text, v.Number = string(s), 1
	return v, ok, err
}

func (d *decoder) date() (calendar.Date, bool, error) {
	s, ok, err := d.word(`a date such as "2026-05-02"`, MaxText)
	if !ok || err != nil {
		return calendar.Date{}, false, err
	}
	date, ok := d.parseDate(s)
	return date, ok, nil
}

func (d *decoder) parseDate(s []byte) (calendar.Date, bool) {
	date, err := calendar.Parse(string(s))
	if err != nil {
		d.fault(WrongValue, "%q is %s", clip(s), err)
	}
	return date, err == nil
}

func (d *decoder) number(want string) (float64, bool, error) {
	if d.in.PeekKind() != '0' {
		return 0, false, d.wrongType(want)
	}
	raw, err := d.in.ReadValue()
	if err != nil {
		return 0, false, err
	}
	n, err := strconv.ParseFloat(string(raw), 64)
	if err != nil {
		d.fault(OutOfRange, "the number %s is beyond all measure", clip(raw))
		return 0, false, nil
	}
	return n, true, nil
}

// measurement reads {"value": 2.1, "unit": "bar"} in the unit of the catalogue.
func (d *decoder) measurement(f *catalogue.Finding) (float64, bool, error) {
	var value float64
	var bounds catalogue.Bounds
	var hasValue, hasUnit, valueOK, unitOK bool
	isObject, err := d.object("value, unit", func(name []byte) (int, func() error) {
		switch string(name) {
		case "value":
			return 0, d.member("value", func() (err error) {
				hasValue = true
				value, valueOK, err = d.number("a number")
				return err
			})
		case "unit":
			return 1, d.member("unit", func() error {
				hasUnit = true
				s, ok, err := d.word("a unit", MaxText)
				if !ok {
					return err
				}
				if bounds, unitOK = f.Bounds(s); !unitOK {
					d.fault(WrongUnit, "%q is not a unit for this: use one of %s", clip(s), strings.Join(f.Units(), ", "))
				}
				return err
			})
		}
		return 0, nil
	})
	if err != nil || !isObject {
		return 0, false, err
	}
	if !hasValue {
		d.missing("value", "give the number that was read")
	}
	if !hasUnit {
		d.missing("unit", "say in which unit: one of "+strings.Join(f.Units(), ", "))
	}
	if !valueOK || !unitOK {
		return 0, false, nil
	}
	if !(value >= bounds.Min && value <= bounds.Max) {
		d.push("value")
		d.fault(OutOfRange, "%v %s is impossible here: it has to be from %v to %v", value, bounds.Unit.Sign, bounds.Min, bounds.Max)
		d.pop()
		return 0, false, nil
	}
	n, err := quantity.Convert(value, bounds.Unit, f.Unit)
	if err != nil {
		d.fault(WrongUnit, "%s", err)
		return 0, false, nil
	}
	return n, true, nil
}

func indexOf(words []string, w []byte) int {
	for i := range words {
		if words[i] == string(w) {
			return i
		}
	}
	return -1
}

// finish makes the checks that need the whole report.
func (d *decoder) finish() {
	frame := make(condition.Frame, d.cat.Size)
	for i := range frame {
		frame[i] = condition.Unset
	}
	d.rep.fill(frame)
	built, ran := d.dateFact("vehicle", "built"), d.dateFact("lay_up", "last_ran")
	d.timeline(built, ran)
	for i := range d.rep.Observations {
		o := &d.rep.Observations[i]
		d.observed(o, d.given[i], built)
		at := "/observations/" + strconv.Itoa(d.given[i].index)
		if !o.Item.AppliesTo(frame) {
			d.faultAt(at+"/item", NotFitted, "by its facts this vehicle has no %s (%s): mend the facts or leave the observation out", o.Item.Is, o.Item.Applies.Source())
		}
		if len(o.Item.Musts) > 0 {
			d.musts(o, frame, at)
		}
	}
}

func (d *decoder) dateFact(part, id string) calendar.Date {
	fact := d.cat.Fact(part, id)
	for _, v := range d.rep.Facts {
		if v.Finding == fact {
			return v.Date
		}
	}
	return calendar.Date{}
}

// observed checks the dates and ages of one observation.
func (d *decoder) observed(o *Observation, g given, built calendar.Date) {
	at := "/observations/" + strconv.Itoa(g.index)
	o.On = d.rep.Inspected
	if !g.date.IsZero() {
		o.On = g.date.Earliest()
		if o.On > d.rep.Inspected {
			d.faultAt(at+"/date", Impossible, "%s is after the inspection of %s", g.date, d.inspection)
		}
	}
	for _, v := range o.Found {
		switch {
		case v.Finding.Kind != catalogue.Date:
			continue
		case v.Date.Earliest() > d.rep.Inspected:
			d.faultAt(at+"/found/"+v.Finding.ID, Impossible, "%s is after the inspection of %s", v.Date, d.inspection)
		case v.Finding == o.Item.Renewed && !built.IsZero() && v.Date.Latest() < built.Earliest():
			d.faultAt(at+"/found/"+v.Finding.ID, Impossible, "%s is before the vehicle was built (%s)", v.Date, built)
		}
	}
	// Ages are told in whole years, rounded up as often as down.
	if !built.IsZero() && g.age-built.Earliest().YearsTo(o.On) >= 1 {
		d.faultAt(at+"/found/age", Impossible, "an age of %.4g years is from before the vehicle was built (%s)", g.age, built)
	}
}

func (d *decoder) musts(o *Observation, frame condition.Frame, at string) {
	for _, v := range o.Found {
		frame[v.Finding.Slot] = v.Number
	}
	for _, m := range o.Item.Musts {
		if m.Hold.Holds(frame) == condition.False {
			d.faultAt(at+"/found", Impossible, "%s", m.Else)
		}
	}
	for _, v := range o.Found {
		frame[v.Finding.Slot] = condition.Unset
	}
}

// DecodeFound reads the findings of one observation on an item, as [Decode] does.
func DecodeFound(data []byte, item *catalogue.Item, cat *catalogue.Catalogue) ([]Value, []Fault) {
	d := &decoder{cat: cat, in: jsontext.NewDecoder(bytes.NewReader(data), jsontext.AllowDuplicateNames(true)), rep: &Report{}}
	o := Observation{Item: item}
	err := d.found(&o)
	if err == nil {
		err = d.end()
	}
	if err != nil {
		return nil, []Fault{malformed(err)}
	}
	return o.Found, d.faults
}
