package report

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"laidup/internal/calendar"
	"laidup/internal/catalogue"
	"laidup/internal/condition"
	"laidup/internal/handbook"
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

// maxPointer bounds where a text stops being JSON: it may be ten thousand lists deep.
const maxPointer = 200

func malformed(err error) Fault {
	f := Fault{Code: Malformed, Detail: "the document is empty: send a report as JSON"}
	var syntax *jsontext.SyntacticError
	switch {
	case errors.As(err, &syntax):
		f.Pointer = string(syntax.JSONPointer)
		if len(f.Pointer) > maxPointer {
			// What stands around it will do.
			f.Pointer = f.Pointer[:strings.LastIndexByte(f.Pointer[:maxPointer], '/')]
		}
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

	early []byte // found of an observation, where it came before item
	again *jsontext.Decoder
}

// step is one step of a JSON Pointer: a member of the given name, or an element by index.
type step struct {
	name  string
	index int // -1: a member
}

// given remembers where an observation stands, for the checks that need the whole report.
type given struct {
	index int
	date  calendar.Date // zero: the day of the inspection
	age   float64       // NaN: none
}

func (d *decoder) push(name string)    { d.path[d.depth] = step{name, -1}; d.depth++ }
func (d *decoder) pushIndex(index int) { d.path[d.depth] = step{"", index}; d.depth++ }
func (d *decoder) pop()                { d.depth-- }

func (d *decoder) pointer() string {
	var p jsontext.Pointer
	for _, s := range d.path[:d.depth] {
		if s.index >= 0 {
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

// members goes through the members of an object, as a bufio.Scanner goes through lines. While it
// stands on a member, that is the end of the decoder's path.
type members struct {
	d      *decoder
	what   string // names the fields there are, for who gets one wrong
	seen   uint64 // the numbers of the fields that were there
	field  int    // the number of the field it stands on
	name   string
	inside bool
	more   bool
	whole  bool  // the object was read to its end
	err    error // to be set by who reads the value
}

// object starts to read an object. A value of another kind is a fault, and has no members.
func (d *decoder) object(what string) members {
	m := members{d: d, what: what}
	if d.in.PeekKind() != '{' {
		m.err = d.wrongType("an object: " + what)
		return m
	}
	_, m.err = d.in.ReadToken()
	m.more = true
	return m
}

// next goes to the next member that is one of the fields.
func (m *members) next(fields []string) bool {
	return m.nextBy(func(name []byte) (int, string) {
		if i := indexOf(fields, name); i >= 0 {
			return i, fields[i]
		}
		return -1, ""
	})
}

// nextBy goes to the next member that resolve has a number for, 0 to 63; the others, and a second
// one of a number, are faults.
func (m *members) nextBy(resolve func(name []byte) (number int, known string)) bool {
	d := m.d
	if m.inside {
		d.pop()
		m.inside = false
	}
	for m.more && m.err == nil {
		if d.in.PeekKind() == '}' {
			_, m.err = d.in.ReadToken()
			m.more, m.whole = false, m.err == nil
			return false
		}
		var name []byte
		if name, m.err = d.text(); m.err != nil {
			return false
		}
		m.field, m.name = resolve(name)
		switch {
		case m.field < 0:
			d.push(string(name))
			d.fault(UnknownField, "there is no field %q here: it takes %s", clip(name), m.what)
		case m.seen&(1<<m.field) != 0:
			d.push(m.name)
			d.fault(Duplicate, "%q stands here twice: leave one out", m.name)
		default:
			d.push(m.name)
			m.seen |= 1 << m.field
			m.inside = true
			return true
		}
		d.pop()
		m.err = d.in.SkipValue()
	}
	return false
}

// has reports whether a field was there.
func (m *members) has(field int) bool { return m.seen&(1<<field) != 0 }

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
	// Databases and spreadsheets take it for the end of the text.
	if bytes.IndexByte(word, 0) >= 0 {
		d.fault(WrongValue, `there is a NUL character (\u0000) in this text: leave it out`)
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

var documentFields = []string{"schema", "reference", "vehicle", "lay_up", "inspection", "observations"}

func (d *decoder) document() error {
	m := d.object("schema, reference, vehicle, lay_up, inspection, observations")
	for m.next(documentFields) {
		switch m.field {
		case 0:
			m.err = d.schemaName()
		case 1:
			m.err = d.optionalText("your own name for the report", MaxText, &d.rep.Reference)
		case 2:
			m.err = d.vehicle()
		case 3:
			m.err = d.layUp()
		case 4:
			m.err = d.inspectionPart()
		case 5:
			m.err = d.observations()
		}
	}
	if !m.whole {
		return m.err
	}
	if !m.has(0) {
		d.missing("schema", `write "schema": "`+SchemaName+`"`)
	}
	if !m.has(2) {
		d.missing("vehicle", "say at least which vehicle it is, by its reference")
	}
	if !m.has(4) {
		d.missing("inspection", "say at least on which date the vehicle was inspected")
	}
	if !m.has(5) {
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
func (d *decoder) optionalText(what string, limit int, into *string) error {
	if d.in.PeekKind() == 'n' {
		return d.in.SkipValue()
	}
	s, _, err := d.word(what, limit)
	*into = string(s)
	return err
}

// The fields of a vehicle that are no facts are numbered after the facts.
var vehicleFields = []string{"reference", "description", "vin"}

const (
	fieldReference = catalogue.MaxFacts + iota
	fieldDescription
	fieldVIN
)

func (d *decoder) vehicle() error {
	m := d.object("reference, description, vin and the facts of the catalogue")
	for m.nextBy(func(name []byte) (int, string) {
		if i := indexOf(vehicleFields, name); i >= 0 {
			return fieldReference + i, vehicleFields[i]
		}
		return d.fact("vehicle", "", name)
	}) {
		switch m.field {
		case fieldReference:
			m.err = d.vehicleReference()
		case fieldDescription:
			m.err = d.optionalText("what the vehicle is", MaxText, &d.rep.Vehicle.Description)
		case fieldVIN:
			m.err = d.vin()
		default:
			m.err = d.factMember("vehicle", "", &m)
		}
	}
	if m.whole && !m.has(fieldReference) {
		d.missing("reference", "name the vehicle, so that later reports can be laid beside this one")
	}
	return m.err
}

func (d *decoder) vehicleReference() error {
	s, ok, err := d.word("a name for the vehicle", 100)
	if ok && !reference(s) {
		d.fault(WrongValue, "a vehicle's reference is %s", referenceForm)
	}
	d.rep.Vehicle.Reference = string(s)
	return err
}

// fact finds a fact, or some fact of an object of facts, by the name of the member that has it;
// the number is its index in the catalogue.
func (d *decoder) fact(part, prefix string, name []byte) (number int, known string) {
	number = -1
	if bytes.IndexByte(name, '.') >= 0 {
		return number, "" // a dot parts the names of two members
	}
	for i, f := range d.cat.Facts {
		id, ok := strings.CutPrefix(f.ID, prefix)
		if !ok || f.In != part {
			continue
		}
		if id == string(name) {
			return i, id
		}
		if n := len(name); len(id) > n && id[n] == '.' && id[:n] == string(name) {
			number, known = i, id[:n]
		}
	}
	return number, known
}

// factMember reads the value of a fact, or an object of facts, that m stands on.
func (d *decoder) factMember(part, prefix string, m *members) error {
	f := d.cat.Facts[m.field]
	path := prefix + m.name
	switch {
	case f.ID == path:
		return d.factValue(f)
	case d.in.PeekKind() == 'n':
		return d.in.SkipValue()
	}
	inner := d.object("the facts of the catalogue that begin with " + path)
	for inner.nextBy(func(name []byte) (int, string) { return d.fact(part, path+".", name) }) {
		inner.err = d.factMember(part, path+".", &inner)
	}
	return inner.err
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
	m := d.object("last_ran, storage and the other facts of the catalogue on the lay-up")
	for m.nextBy(func(name []byte) (int, string) { return d.fact("lay_up", "", name) }) {
		m.err = d.factMember("lay_up", "", &m)
	}
	return m.err
}

var inspectionFields = []string{"date", "inspector", "purpose"}

func (d *decoder) inspectionPart() error {
	m := d.object("date, inspector, purpose")
	for m.next(inspectionFields) {
		switch m.field {
		case 0:
			var ok bool
			d.inspection, ok, m.err = d.date()
			if ok && !d.inspection.ToTheDay() {
				d.fault(WrongValue, "an inspection has a date to the day, such as 2026-05-02")
			}
			d.rep.Inspected = d.inspection.Earliest()
		case 1:
			m.err = d.optionalText("who looked", MaxText, &d.rep.Inspector)
		case 2:
			m.err = d.purpose()
		}
	}
	if m.whole && !m.has(0) {
		d.missing("date", "ages are counted to it")
	}
	return m.err
}

func (d *decoder) purpose() error {
	if d.in.PeekKind() == 'n' {
		return d.in.SkipValue()
	}
	s, ok, err := d.word("one of "+strings.Join(Purposes, ", "), MaxText)
	if ok && indexOf(Purposes, s) < 0 {
		d.fault(WrongValue, "%q is not a purpose: use one of %s", clip(s), strings.Join(Purposes, ", "))
	}
	d.rep.Purpose = string(s)
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

var observationFields = []string{"item", "method", "date", "found", "note"}

func (d *decoder) observation(index int) error {
	o := Observation{Method: -1}
	g := given{index: index, age: math.NaN()}
	late := -1 // where the faults of findings that came before their item go
	m := d.object("item, method, date, found, note")
	for m.next(observationFields) {
		switch m.field {
		case 0:
			o.Item, m.err = d.item()
		case 1:
			o.Method, m.err = d.method()
		case 2:
			g.date, _, m.err = d.date()
		case 3:
			switch {
			case !m.has(0):
				var v jsontext.Value
				v, m.err = d.in.ReadValue()
				d.early = append(d.early[:0], v...)
				late = len(d.faults)
			case o.Item == nil:
				m.err = d.in.SkipValue()
			default:
				m.err = d.found(&o)
			}
		case 4:
			m.err = d.optionalText("a note", MaxNote, &o.Note)
		}
	}
	if !m.whole {
		return m.err
	}
	if late >= 0 && o.Item != nil {
		if err := d.foundEarly(&o, late); err != nil {
			return err
		}
	}
	if !m.has(0) {
		d.missing("item", "name an item of the catalogue")
	}
	if !m.has(1) {
		d.missing("method", "say how it was found: one of "+methodNames(d.cat))
	}
	if !m.has(3) {
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

// foundEarly reads findings that came before the item they are on, and puts their faults where
// they stand in the document.
func (d *decoder) foundEarly(o *Observation, late int) error {
	text := bytes.NewBuffer(d.early)
	if d.again == nil {
		d.again = jsontext.NewDecoder(text, jsontext.AllowDuplicateNames(true))
	} else {
		d.again.Reset(text, jsontext.AllowDuplicateNames(true))
	}
	before := len(d.faults)
	d.in, d.again = d.again, d.in
	d.push("found")
	err := d.found(o)
	d.pop()
	d.in, d.again = d.again, d.in
	if late < before && before < len(d.faults) && len(d.faults) <= MaxFaults {
		moved := slices.Clone(d.faults[before:])
		d.faults = slices.Insert(d.faults[:before], late, moved...)
	}
	return err
}

func (d *decoder) item() (*catalogue.Item, error) {
	s, ok, err := d.word("an item of the catalogue", MaxText)
	if !ok {
		return nil, err
	}
	it := d.cat.ItemBytes(s)
	if it == nil {
		d.fault(UnknownField, "%q is not an item of the catalogue", clip(s))
	}
	return it, nil
}

func (d *decoder) method() (int, error) {
	s, ok, err := d.word("how it was found", MaxText)
	if !ok {
		return -1, err
	}
	i := d.cat.Method(s)
	if i < 0 {
		d.fault(WrongValue, "%q is not a method: use one of %s", clip(s), methodNames(d.cat))
	}
	return i, nil
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
	case catalogue.WeekCode:
		return `a week code in quotes, such as "0914" for week 9 of 2014`
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
			d.fault(OutOfRange, "this has to be %s", between(f.Min, f.Max))
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
	case catalogue.WeekCode:
		v.Date, ok, err = d.weekCode(f)
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

// weekCode reads the code of the week in which a part was made as the day on which that week began.
func (d *decoder) weekCode(f *catalogue.Finding) (calendar.Date, bool, error) {
	s, ok, err := d.word(kindOf(f), MaxText)
	if !ok || err != nil {
		return calendar.Date{}, false, err
	}
	day, err := handbook.TyreMade(clip(s))
	if err != nil {
		mend := ""
		if errors.Is(err, handbook.ErrDecadeOpen) {
			mend = `: leave it out and post the age instead, such as "age": {"value": 28, "unit": "a"}`
		}
		d.fault(WrongValue, "%s%s", err, mend)
		return calendar.Date{}, false, nil
	}
	return day.Date(), true, nil
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
	return n + 0, true, nil // -0 is 0
}

var measurementFields = []string{"value", "unit"}

// measurement reads {"value": 2.1, "unit": "bar"} in the unit of the catalogue.
func (d *decoder) measurement(f *catalogue.Finding) (float64, bool, error) {
	var value float64
	var bounds catalogue.Bounds
	var valueOK, unitOK bool
	m := d.object("value, unit")
	for m.next(measurementFields) {
		switch m.field {
		case 0:
			value, valueOK, m.err = d.number("a number")
		case 1:
			bounds, unitOK, m.err = d.unit(f)
		}
	}
	if !m.whole {
		return 0, false, m.err
	}
	if !m.has(0) {
		d.missing("value", "give the number that was read")
	}
	if !m.has(1) {
		d.missing("unit", "say in which unit: one of "+strings.Join(f.Units(), ", "))
	}
	if !valueOK || !unitOK {
		return 0, false, nil
	}
	if !(value >= bounds.Min && value <= bounds.Max) {
		d.push("value")
		d.fault(OutOfRange, "%s %s is impossible here: it has to be %s", plain(value), bounds.Unit.Sign, between(bounds.Min, bounds.Max))
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

func (d *decoder) unit(f *catalogue.Finding) (catalogue.Bounds, bool, error) {
	s, ok, err := d.word("a unit", MaxText)
	if !ok {
		return catalogue.Bounds{}, false, err
	}
	bounds, ok := f.Bounds(s)
	if !ok {
		d.fault(WrongUnit, "%q is not a unit for this: use one of %s", clip(s), strings.Join(f.Units(), ", "))
	}
	return bounds, ok, nil
}

// plain writes a number without an exponent for what occurs in a workshop.
func plain(v float64) string {
	if math.Abs(v) < 1e15 {
		return strconv.FormatFloat(v, 'f', -1, 64)
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

func between(lo, hi float64) string {
	switch {
	case math.IsInf(hi, 1):
		return plain(lo) + " or more"
	case math.IsInf(lo, -1):
		return plain(hi) + " or less"
	}
	return "from " + plain(lo) + " to " + plain(hi)
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
		at := "/observations/" + strconv.Itoa(d.given[i].index)
		if !o.Item.AppliesTo(frame) {
			d.faultAt(at+"/item", NotFitted, "by its facts this vehicle has no %s (%s): mend the facts or leave the observation out", o.Item.Is, o.Item.Applies.Source())
		}
		d.observed(o, d.given[i], built, at)
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
func (d *decoder) observed(o *Observation, g given, built calendar.Date, at string) {
	o.On = d.rep.Inspected
	if !g.date.IsZero() {
		o.On = g.date.Earliest()
		if o.On > d.rep.Inspected {
			d.faultAt(at+"/date", Impossible, "%s is after the inspection of %s", g.date, d.inspection)
		}
	}
	for _, v := range o.Found {
		switch {
		case v.Finding.Kind == catalogue.WeekCode:
			if v.Date.Earliest() > d.rep.Inspected {
				d.faultAt(at+"/found/"+v.Finding.ID, Impossible, "the week of %s is after the inspection of %s: read the code again, week first and then year", v.Date, d.inspection)
			}
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
