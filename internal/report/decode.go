package report

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
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
	"laidup/internal/spelling"

	"github.com/go-json-experiment/json/jsontext"
)

// Decode reads a report. With any fault there is no report; all faults that can be told are
// returned at once, in the order of the document. Cautions come with valid reports only.
//
// It knows no clock and takes any date: see [DecodeBy].
func Decode(data []byte, cat *catalogue.Catalogue) (*Report, []Caution, []Fault) {
	return DecodeBy(0, data, cat)
}

// DecodeBy is [Decode] by a clock that shows today: dates that lie more than [DaysAhead] after it are
// faults.
func DecodeBy(today calendar.Day, data []byte, cat *catalogue.Catalogue) (*Report, []Caution, []Fault) {
	d := &decoder{
		cat:      cat,
		today:    today,
		in:       jsontext.NewDecoder(bytes.NewBuffer(data), jsontext.AllowDuplicateNames(true)),
		rep:      &Report{},
		expected: min(MaxObservations, len(data)/96),
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
	today    calendar.Day // 0: not known
	in       *jsontext.Decoder
	rep      *Report
	faults   []Fault
	cautions []Caution

	inspection calendar.Date
	path       [8]step // where the value being read stands
	depth      int
	scratch    []byte
	given      []given
	values     []Value // room for what is found, by many observations
	expected   int     // about how many observations there are
	linked     int     // how many photos there were so far

	seen  uint64 // the findings that an observation has, by their place in those of the item
	early []byte // what of an observation depends on its item and came before it
	later bytes.Buffer
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
		d.faults = append(d.faults, Fault{Pointer: pointer, Detail: fmt.Sprintf(format, args...), Code: code})
	case len(d.faults) == MaxFaults:
		d.faults = append(d.faults, Fault{Detail: "there are more problems: fix these first", Code: OutOfRange})
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

var documentFields = []string{"schema", "reference", "vehicle", "lay_up", "inspection", "observations", "replaces", "photos"}

func (d *decoder) document() error {
	m := d.object("schema, reference, vehicle, lay_up, inspection, observations, replaces, photos")
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
		case 6:
			m.err = d.replaces()
		case 7:
			d.rep.Photos, m.err = d.photos()
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

// replaces reads the id of another report, as the service gave it. Whether there is such a report only the
// service can say.
func (d *decoder) replaces() error {
	if d.in.PeekKind() == 'n' {
		return d.in.SkipValue()
	}
	s, ok, err := d.word("the id of the report that this one replaces", 100)
	if ok && !reference(s) {
		d.fault(WrongValue, "the id of a report is %s", referenceForm)
	}
	d.rep.Replaces = string(s)
	return err
}

// photos reads the ids of attachments, as the service gave them. Whether there are such attachments only the
// service can say.
func (d *decoder) photos() (ids []string, err error) {
	if d.in.PeekKind() == 'n' {
		return nil, d.in.SkipValue()
	}
	if d.in.PeekKind() != '[' {
		return nil, d.wrongType("a list of the ids of photos")
	}
	if _, err := d.in.ReadToken(); err != nil {
		return nil, err
	}
	for i := 0; d.in.PeekKind() != ']'; i++ {
		if d.linked++; d.linked > MaxPhotos {
			if d.linked == MaxPhotos+1 {
				d.fault(OutOfRange, "the report links more than %d photos: split it", MaxPhotos)
			}
			if err := d.in.SkipValue(); err != nil {
				return nil, err
			}
			continue
		}
		d.pushIndex(i)
		s, ok, err := d.word("the id of a photo", MaxText)
		switch {
		case err != nil:
			return nil, err
		case !ok:
		case !IsPhotoID(s):
			d.fault(WrongValue, "%q is not the id of a photo, which is 64 of the characters 0-9 and a-f: POST /v1/attachments answers with it", clip(s))
		case slices.Contains(ids, string(s)):
			d.fault(Duplicate, "%q stands here twice: leave one out", clip(s))
		default:
			ids = append(ids, string(s))
		}
		d.pop()
	}
	_, err = d.in.ReadToken()
	return ids, err
}

// IsPhotoID says whether something has the form of a photo's id, a SHA-256 in hexadecimal.
func IsPhotoID[T string | []byte](s T) bool {
	return len(s) == 64 && strings.Trim(string(s), "0123456789abcdef") == ""
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
		if f.Kind == catalogue.Choice || f.Kind == catalogue.Date || f.Kind == catalogue.Text {
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
	if d.in.PeekKind() != ']' {
		d.rep.Observations, d.given = make([]Observation, 0, d.expected), make([]given, 0, d.expected)
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

var observationFields = []string{"item", "method", "date", "found", "note", "at", "fitted", "part", "photos"}

const (
	fieldItem = iota
	fieldMethod
	fieldDate
	fieldFound
	fieldNote
	fieldAt
	fieldFitted
	fieldPart
	fieldPhotos
)

// waiting is a member of an observation that came before the item that it depends on.
type waiting struct {
	field    int
	from, to int // in early
	late     int // where its faults go
}

func (d *decoder) observation(index int) error {
	o := Observation{Method: -1}
	g := given{index: index, age: math.NaN()}
	var wait [3]waiting
	waits := 0
	d.seen, d.early = 0, d.early[:0]
	m := d.object("item, method, date, found, note, at, fitted, part, photos")
	for m.next(observationFields) {
		switch m.field {
		case fieldItem:
			o.Item, m.err = d.item()
		case fieldMethod:
			o.Method, m.err = d.method()
		case fieldDate:
			g.date, _, m.err = d.date()
		case fieldNote:
			m.err = d.optionalText("a note", MaxNote, &o.Note)
		case fieldFitted:
			o.NotFitted, m.err = d.notFitted()
		case fieldPhotos:
			o.Photos, m.err = d.photos()
		default:
			switch {
			case !m.has(fieldItem):
				var v jsontext.Value
				v, m.err = d.in.ReadValue()
				wait[waits] = waiting{m.field, len(d.early), len(d.early) + len(v), len(d.faults)}
				waits++
				d.early = append(d.early, v...)
			case o.Item == nil:
				m.err = d.in.SkipValue()
			default:
				m.err = d.onItem(m.field, &o)
			}
		}
	}
	if !m.whole {
		return m.err
	}
	if waits > 0 && o.Item != nil {
		if err := d.onItemEarly(wait[:waits], &o); err != nil {
			return err
		}
	}
	d.whole(&m, &o)
	for _, v := range o.Found {
		if v.Finding == o.Item.Age {
			g.age = v.Number
		}
	}
	d.given = append(d.given, g)
	d.rep.Observations = append(d.rep.Observations, o)
	return nil
}

// whole checks what an observation has to have, and what it cannot have together.
func (d *decoder) whole(m *members, o *Observation) {
	if !m.has(fieldItem) {
		d.missing("item", "name an item of the catalogue")
	}
	if !m.has(fieldMethod) {
		d.missing("method", "say how it was found: one of "+methodNames(d.cat))
	}
	switch {
	case !m.has(fieldFitted):
		if !m.has(fieldFound) {
			d.missing("found", "say what was found on the item")
		}
	case o.NotFitted:
		for _, field := range [...]int{fieldFound, fieldAt, fieldPart} {
			if m.has(field) {
				d.push(observationFields[field])
				d.fault(WrongValue, "what was never fitted has nothing of the kind: leave %[1]s out, or fitted", observationFields[field])
				d.pop()
			}
		}
	}
	if o.Part == nil || d.seen == 0 {
		return
	}
	d.push("found")
	for k, f := range o.Item.Finds {
		there := d.seen&(1<<k) != 0
		switch {
		case f == o.Item.Renewed && !there:
			d.missing(f.ID, "say when the "+o.Item.ID+"'s "+o.Part.ID+" was renewed: a part goes with that and nothing else")
		case f != o.Item.Renewed && there:
			d.push(f.ID)
			d.fault(WrongValue, "a part goes with renewed and nothing else: put this into an observation of its own")
			d.pop()
		}
	}
	d.pop()
}

// onItem reads a member of an observation that depends on the item.
func (d *decoder) onItem(field int, o *Observation) error {
	switch field {
	case fieldAt:
		return d.at(o)
	case fieldPart:
		return d.part(o)
	}
	return d.found(o)
}

// onItemEarly reads what came before the item it depends on, and puts its faults where it stands
// in the document.
func (d *decoder) onItemEarly(waits []waiting, o *Observation) error {
	moved := 0
	for _, w := range waits {
		d.later = *bytes.NewBuffer(d.early[w.from:w.to])
		if d.again == nil {
			d.again = jsontext.NewDecoder(&d.later, jsontext.AllowDuplicateNames(true))
		} else {
			d.again.Reset(&d.later, jsontext.AllowDuplicateNames(true))
		}
		before, late := len(d.faults), w.late+moved
		d.in, d.again = d.again, d.in
		d.push(observationFields[w.field])
		err := d.onItem(w.field, o)
		d.pop()
		d.in, d.again = d.again, d.in
		if err != nil {
			return err
		}
		moved += len(d.faults) - before
		if late < before && before < len(d.faults) && len(d.faults) <= MaxFaults {
			own := slices.Clone(d.faults[before:])
			d.faults = slices.Insert(d.faults[:before], late, own...)
		}
	}
	return nil
}

// notFitted reads the word that the vehicle never had an item. That it has one goes without saying.
func (d *decoder) notFitted() (bool, error) {
	switch d.in.PeekKind() {
	case 'f':
		return true, d.in.SkipValue()
	case 't':
		d.fault(WrongValue, "that an item is fitted goes without saying: leave it out")
		return false, d.in.SkipValue()
	}
	return false, d.wrongType("false, or left out")
}

// at reads the positions that an observation speaks of, in the order of the document.
func (d *decoder) at(o *Observation) error {
	item := o.Item
	if len(item.Positions) == 0 {
		d.fault(UnknownField, "%s has no positions: leave this out", item.ID)
		return d.in.SkipValue()
	}
	if d.in.PeekKind() != '[' {
		return d.wrongType("a list of positions: " + positionNames(item))
	}
	if _, err := d.in.ReadToken(); err != nil {
		return err
	}
	i := 0
	for ; d.in.PeekKind() != ']'; i++ {
		d.pushIndex(i)
		err := d.position(o)
		d.pop()
		if err != nil {
			return err
		}
	}
	if i == 0 {
		d.fault(Missing, "no position is named: leave this out, or name those that were looked at: %s", positionNames(item))
	}
	_, err := d.in.ReadToken()
	return err
}

func (d *decoder) position(o *Observation) error {
	s, ok, err := d.word("a position", MaxText)
	if !ok {
		return err
	}
	k := o.Item.PositionBytes(s)
	switch {
	case k < 0:
		d.fault(WrongValue, "%q is not a position of %s: use %s", clip(s), o.Item.ID, positionNames(o.Item))
	case slices.Contains(o.At, k):
		d.fault(Duplicate, "%q stands here twice: leave one out", clip(s))
	default:
		if o.At == nil {
			o.At = make([]int, 0, 4)
		}
		o.At = append(o.At, k)
	}
	return nil
}

// positionNames says which positions an item has.
func positionNames(it *catalogue.Item) string {
	if it.PositionsOf != nil {
		return it.Positions[0].ID + " to " + it.Positions[len(it.Positions)-1].ID
	}
	names := make([]string, len(it.Positions))
	for i, p := range it.Positions {
		names[i] = p.ID
	}
	return strings.Join(names, ", ")
}

// part reads which part of an item was renewed by itself.
func (d *decoder) part(o *Observation) error {
	item := o.Item
	if len(item.Parts) == 0 {
		d.fault(UnknownField, "%s has no parts that are renewed by themselves: leave this out", item.ID)
		return d.in.SkipValue()
	}
	s, ok, err := d.word("a part of the item: "+partNames(item), MaxText)
	if !ok {
		return err
	}
	if o.Part = item.PartBytes(s); o.Part == nil {
		d.fault(WrongValue, "%q is not a part of %s: use one of %s", clip(s), item.ID, partNames(item))
	}
	return nil
}

func partNames(it *catalogue.Item) string {
	names := make([]string, len(it.Parts))
	for i, p := range it.Parts {
		names[i] = p.ID
	}
	return strings.Join(names, ", ")
}

func (d *decoder) item() (*catalogue.Item, error) {
	s, ok, err := d.word("an item of the catalogue", MaxText)
	if !ok {
		return nil, err
	}
	it := d.cat.ItemBytes(s)
	if it == nil {
		d.fault(UnknownField, "%q is not an item of the catalogue%s", clip(s), meant(clip(s), func(yield func(string) bool) {
			for _, it := range d.cat.Items {
				if !yield(it.ID) {
					return
				}
			}
		}))
	}
	return it, nil
}

// meant suggests what may have been meant by a name that is not among those given.
func meant(name string, names iter.Seq[string]) string {
	if near := spelling.Nearest(name, names); near != "" {
		return fmt.Sprintf(" (did you mean %q?)", near)
	}
	return ""
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
	if cap(d.values)-len(d.values) < 8 {
		d.values = make([]Value, 0, 64)
	}
	first, some := len(d.values), false
	for d.in.PeekKind() != '}' {
		some = true
		name, err := d.text()
		if err != nil {
			return err
		}
		f := item.FindBytes(name)
		if f == nil {
			d.push(string(name))
			d.fault(UnknownField, "%q cannot be found on %s%s: it takes %s", clip(name), item.ID, meant(clip(name), func(yield func(string) bool) {
				for _, f := range item.Finds {
					if !yield(f.ID) {
						return
					}
				}
			}), findNames(item))
		} else {
			d.push(f.ID)
			if bit := uint64(1) << (f.Slot - item.Finds[0].Slot); d.seen&bit != 0 {
				d.fault(Duplicate, "%q stands here twice: leave one out", f.ID)
				f = nil
			} else {
				d.seen |= bit
			}
		}
		if f == nil {
			err = d.in.SkipValue()
		} else {
			var v Value
			var ok bool
			if v, ok, err = d.value(f); ok {
				d.values = append(d.values, v)
			}
		}
		d.pop()
		if err != nil {
			return err
		}
	}
	o.Found = d.values[first:len(d.values):len(d.values)]
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
		return "one of " + choices(f.Values)
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

// choices lists words to choose from, in quotes where one of them could be taken for a number.
func choices(words []string) string {
	if !slices.ContainsFunc(words, func(w string) bool { _, err := strconv.ParseFloat(w, 64); return err == nil }) {
		return strings.Join(words, ", ")
	}
	return `"` + strings.Join(words, `", "`) + `"`
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
	if f.Item == nil && string(s) == "unknown" {
		return v, false, err
	}
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
		return date, false
	}
	d.notYet(date)
	return date, true
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
	d.notYet(day.Date())
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
		// Where the facts say that there is none, somebody may say so as well.
		if !o.NotFitted && !o.Item.AppliesTo(frame) {
			d.faultAt(at+"/item", NotFitted, "by its facts this vehicle has no %s (%s): correct the facts or leave the observation out", o.Item.Is, o.Item.Applies.Source())
		}
		d.placed(o, frame, at)
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

// placed checks the positions of one observation against the facts, and sorts them.
func (d *decoder) placed(o *Observation, frame condition.Frame, at string) {
	if len(o.At) == 0 {
		return
	}
	if o.Item.PositionsOf != nil || o.Item.PositionsWhen != nil {
		there, known := o.Item.PositionsOn(frame)
		for i, k := range o.At {
			if p := o.Item.Positions[k]; known && !slices.Contains(there, p) {
				d.faultAt(at+"/at/"+strconv.Itoa(i), NotFitted, "by its facts this vehicle has no %s: correct the facts or leave the position out", p.ID)
			}
		}
	}
	slices.Sort(o.At)
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
	if g.age == g.age && !built.IsZero() && g.age-built.Earliest().YearsTo(o.On) >= 1 {
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
