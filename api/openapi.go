package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"laidup/schema"
)

// The description of the API, in OpenAPI 3.1, is put together of the table of endpoints, the table of
// problems, schema/openapi.yaml and the JSON Schemas that reports and rule sets are held against.

type object = map[string]any

// notes is what schema/openapi.yaml says.
type notes struct {
	Info       object
	Security   string // how to get and send a key
	Tags       []object
	Parameters map[string]object // of paths and queries
	Accepts    map[string]object // headers of requests
	Headers    map[string]object // headers of answers
	Operations map[string]operation
	Schemas    map[string]object
}

// operation is what a row of the table of endpoints does not say.
type operation struct {
	ID, Tag, About string
	Media          string   // of answers, where the row leaves it open
	Accepts        []string // headers of requests
	Body           *struct{ Schema, Media, Examples []string }
	Answers        map[int]answerNote
	Problems       []string // besides those that go with the row
}

type answerNote struct {
	Is                        string
	Schema, Headers, Examples []string
}

// forPrograms says whether a route is for programs, and so is described; pages are for people.
func (r route) forPrograms() bool {
	return strings.HasPrefix(r.path, "/v1/") || slices.Contains([]string{"/healthz", "/readyz", "/metrics"}, r.path)
}

// describer puts a description together.
type describer struct {
	notes
	kinds                        map[string]kind   // by name
	ownSchema                    map[string]string // of problems that say more than others, by name
	schemas, responses, examples object
}

// describe writes the description. A row without notes is left out, which a test sees; notes without
// a row, and whatever they name that is not there, are errors.
func describe(rows []route, reportSchema []byte) (raw, error) {
	d := &describer{kinds: map[string]kind{}, ownSchema: map[string]string{}, schemas: object{}, responses: object{}, examples: object{}}
	text, err := fs.ReadFile(schema.FS, "openapi.yaml")
	if err != nil {
		return nil, fmt.Errorf("read notes on the API: %w", err)
	}
	if err := yaml.Unmarshal(text, &d.notes); err != nil {
		return nil, fmt.Errorf("read notes on the API: %w", err)
	}
	ruleSetSchema, err := fs.ReadFile(schema.FS, "ruleset/1.schema.json")
	if err != nil {
		return nil, fmt.Errorf("read schema of rule sets: %w", err)
	}
	if err := d.lift("Report", reportSchema); err != nil {
		return nil, err
	}
	if err := d.lift("RuleSet", ruleSetSchema); err != nil {
		return nil, err
	}
	for _, name := range []string{"assessment", "appraisal", "appraisals"} {
		text, err := fs.ReadFile(schema.FS, "json/"+name+".schema.json")
		if err != nil {
			return nil, fmt.Errorf("read schema of answers: %w", err)
		}
		if err := d.take(name, text); err != nil {
			return nil, err
		}
	}
	d.readProblems()
	paths := map[string]object{}
	for _, r := range rows {
		key := r.method + " " + r.path
		note, ok := d.Operations[key]
		if !ok {
			continue
		}
		delete(d.Operations, key)
		one, err := d.operation(r, note)
		if err != nil {
			return nil, fmt.Errorf("describe %s: %w", key, err)
		}
		if paths[r.path] == nil {
			paths[r.path] = object{}
		}
		paths[r.path][strings.ToLower(r.method)] = one
	}
	for key := range d.Operations {
		return nil, fmt.Errorf("schema/openapi.yaml describes %s, of which api/routes.go has no row: add one, or take it out", key)
	}
	spell(d.schemas)
	return json.Marshal(object{
		"openapi": "3.1.1", "info": d.Info, "servers": []object{{"url": "/"}}, "tags": d.Tags, "paths": paths,
		"components": object{
			"schemas": d.schemas, "responses": d.responses, "examples": d.examples,
			"headers":         d.Headers,
			"securitySchemes": object{"key": object{"type": "http", "scheme": "bearer", "description": d.Security}},
		},
	})
}

// readSchema reads a JSON Schema, and its definitions apart.
func readSchema(name string, document []byte) (whole, defs object, err error) {
	if err := json.Unmarshal(document, &whole); err != nil {
		return nil, nil, fmt.Errorf("read schema %s: %w", name, err)
	}
	defs, _ = whole["$defs"].(object)
	for _, key := range []string{"$schema", "$id", "$defs"} {
		delete(whole, key)
	}
	return whole, defs, nil
}

// lift makes components of a JSON Schema and its definitions.
func (d *describer) lift(name string, document []byte) error {
	whole, defs, err := readSchema(name, document)
	if err != nil {
		return err
	}
	d.schemas[name] = lifted(name, whole)
	for def, s := range defs {
		d.schemas[name+camel(def)] = lifted(name, s)
	}
	return nil
}

// answerNames are the components that definitions of answers become, where their own name would not do.
var answerNames = map[string]string{
	"done": "Assessment", "unfinished": "UnscoredAssessment", "entry": "RegisterEntry", "rule_set": "RuleSetReference",
}

func answerName(definition string) string {
	return cmp.Or(answerNames[definition], camel(definition))
}

// take makes components of the JSON Schema of an answer and its definitions. Schemas share definitions:
// what has one name is one thing. An assessment is finished or not, and has two components.
func (d *describer) take(name string, document []byte) error {
	whole, defs, err := readSchema(name, document)
	if err != nil {
		return err
	}
	if defs["done"] == nil {
		defs[name] = whole
	}
	for def, s := range defs {
		if def == "done" { // over the API every assessment is one that is stored
			required, _ := s.(object)["required"].([]any)
			s.(object)["required"] = append(required, "id", "report")
		}
		component := leading(s, answerName)
		if known := d.schemas[answerName(def)]; known != nil && !reflect.DeepEqual(known, component) {
			return fmt.Errorf("schema %s has another %s than others have", name, def)
		}
		d.schemas[answerName(def)] = component
	}
	return nil
}

// lifted leads references to definitions to the components that they have become.
func lifted(name string, v any) any {
	return leading(v, func(to string) string { return name + camel(to) })
}

// leading leads references to definitions to the components that they have become.
func leading(v any, component func(definition string) string) any {
	switch v := v.(type) {
	case object:
		for key, member := range v {
			if to, is := member.(string); is && key == "$ref" {
				v[key] = "#/components/schemas/" + component(strings.TrimPrefix(to, "#/$defs/"))
			} else {
				v[key] = leading(member, component)
			}
		}
	case []any:
		for i := range v {
			v[i] = leading(v[i], component)
		}
	}
	return v
}

// spell adds what follows from a schema, and what generators of clients want to be told: that words are
// strings, and how wide numbers are.
func spell(v any) {
	switch v := v.(type) {
	case object:
		if _, said := v["type"]; !said {
			kinds := map[string]bool{}
			values, _ := v["enum"].([]any)
			if c, is := v["const"]; is {
				values = append(values, c)
			}
			for _, e := range values {
				switch e.(type) {
				case string:
					kinds["string"] = true
				case nil:
					kinds["null"] = true
				default:
					kinds["other"] = true
				}
			}
			switch {
			case kinds["string"] && len(kinds) == 1:
				v["type"] = "string"
			case kinds["string"] && kinds["null"] && len(kinds) == 2:
				v["type"] = []string{"string", "null"}
			}
		}
		if v["type"] == "number" && v["format"] == nil {
			v["format"] = "double"
		}
		for _, member := range v {
			spell(member)
		}
	case []any:
		for _, e := range v {
			spell(e)
		}
	}
}

// camel makes one word of several.
func camel(name string) string {
	var b strings.Builder
	for _, word := range strings.FieldsFunc(name, func(c rune) bool { return c == '_' || c == '-' }) {
		b.WriteString(strings.ToUpper(word[:1]) + word[1:])
	}
	return b.String()
}

// readProblems takes over the schemas, and says in that of problems which kinds there are: those
// that have no schema of their own.
func (d *describer) readProblems() {
	for name, s := range d.Schemas {
		d.schemas[name] = s
		properties, _ := s["properties"].(object)
		kind, _ := properties["type"].(object)
		if is, _ := kind["const"].(string); strings.HasPrefix(is, problemPrefix) {
			d.ownSchema[strings.TrimPrefix(is, problemPrefix)] = name
		}
	}
	var types []string
	for k := range kinds {
		name := k.row().name
		d.kinds[name] = k
		if d.ownSchema[name] == "" {
			types = append(types, problemPrefix+name)
		}
	}
	slices.Sort(types)
	// A copy: others are made of the same notes.
	plain := maps.Clone(d.Schemas["Problem"])
	properties := maps.Clone(plain["properties"].(object))
	kind := maps.Clone(properties["type"].(object))
	kind["enum"] = types
	properties["type"], plain["properties"] = kind, properties
	d.schemas["Problem"] = plain
}

// problems are the kinds that go with any route like this one.
func (r route) problems(body bool) []kind {
	list := []kind{internal, badQuery}
	add := func(when bool, more ...kind) {
		if when {
			list = append(list, more...)
		}
	}
	add(r.offers != nil, notAcceptable)
	add(r.needs != "", keyNeeded, scopeNeeded, crossSite, tooMany, unavailable)
	add(strings.Contains(r.path, "{"), notFound)
	add(slices.Contains(r.query, "gate"), noSuchGate)
	add(body, bodyCut, bodySlow, bodyTooLarge, notJSON)
	return list
}

func (d *describer) operation(r route, note operation) (object, error) {
	out := object{"operationId": note.ID, "tags": []string{note.Tag}, "summary": r.doc, "security": []object{}}
	if r.needs != "" {
		out["security"] = []object{{"key": []string{string(r.needs)}}}
	}
	if r.deprecation() != nil {
		out["deprecated"] = true
	}
	if note.About != "" {
		out["description"] = note.About
	}
	parameters, err := d.parametersOf(r, note)
	if err != nil {
		return nil, err
	}
	if len(parameters) > 0 {
		out["parameters"] = parameters
	}
	if note.Body != nil {
		content, err := d.content(note.Body.Media, note.Body.Schema, note.Body.Examples)
		if err != nil {
			return nil, err
		}
		out["requestBody"] = object{"required": true, "content": content}
	}
	if out["responses"], err = d.answers(r, note); err != nil {
		return nil, err
	}
	return out, nil
}

func (d *describer) parametersOf(r route, note operation) ([]any, error) {
	var list []any
	add := func(name, in string, among map[string]object) error {
		note := among[name]
		if own := among[r.path+" "+name]; own != nil { // one name for two things
			note = own
		}
		if note == nil {
			return fmt.Errorf("schema/openapi.yaml has no parameter %s: give it an entry under parameters, or accepts for a header", name)
		}
		one := maps.Clone(note)
		one["name"], one["in"] = name, in
		if in == "path" {
			one["required"] = true
		}
		list = append(list, one)
		return nil
	}
	for part := range strings.SplitSeq(r.path, "/") {
		if name, is := strings.CutPrefix(part, "{"); is {
			if err := add(strings.TrimSuffix(name, "}"), "path", d.Parameters); err != nil {
				return nil, err
			}
		}
	}
	query, _ := r.parameters()
	for _, name := range query {
		if name == "format" {
			var formats []string
			for _, media := range r.offers {
				formats = append(formats, strings.TrimPrefix(path.Base(media), "x-"))
			}
			list = append(list, object{
				"name": name, "in": "query", "description": "The form of the answer; it goes before the header Accept",
				"schema": object{"type": "string", "enum": formats, "default": formats[0]},
			})
			continue
		}
		if err := add(name, "query", d.Parameters); err != nil {
			return nil, err
		}
	}
	headers := note.Accepts
	if r.cache != noStore {
		headers = append(slices.Clone(headers), "If-None-Match")
	}
	for _, name := range headers {
		if err := add(name, "header", d.Accepts); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func ref(of, name string) object { return object{"$ref": "#/components/" + of + "/" + name} }

// content describes a body by its media types. What is not JSON is text of some kind.
func (d *describer) content(media, schemas, examples []string) (object, error) {
	whole := object{}
	var one object
	var choice []object
	for _, name := range schemas {
		if d.schemas[name] == nil {
			return nil, fmt.Errorf("schema/openapi.yaml has no schema %s: give it an entry under schemas", name)
		}
		one = ref("schemas", name)
		choice = append(choice, one)
	}
	if len(choice) > 1 {
		one = object{"oneOf": choice}
	}
	shown := object{}
	for _, name := range examples {
		if err := d.example(name); err != nil {
			return nil, err
		}
		shown[path.Base(name)] = ref("examples", path.Base(name))
	}
	for _, m := range media {
		part := object{"schema": object{"type": "string"}}
		if one != nil && (m == mediaNDJSON || m == mediaJSONLines) { // a line each
			part["schema"] = object{"type": "string", "contentMediaType": m, "contentSchema": one}
		} else if structured := m == mediaYAML || strings.HasSuffix(m, "/json") || strings.HasSuffix(m, "+json"); one != nil && structured {
			part["schema"] = one
			if len(shown) > 0 {
				part["examples"] = shown
			}
		}
		whole[m] = part
	}
	return whole, nil
}

// example reads an example: a file of the demo or one that was recorded.
func (d *describer) example(name string) error {
	file := "examples/" + name + ".json"
	if strings.HasPrefix(name, "demo/") {
		file = name + ".json"
	}
	text, err := fs.ReadFile(schema.FS, file)
	if err != nil {
		return fmt.Errorf("read example: %w", err)
	}
	d.examples[path.Base(name)] = object{"value": json.RawMessage(text)}
	return nil
}

func (d *describer) answers(r route, note operation) (object, error) {
	all := object{}
	media := r.offers
	if note.Media != "" {
		media = []string{note.Media}
	}
	for status, a := range note.Answers {
		headers, err := d.headersOf(r, a.Headers...)
		if err != nil {
			return nil, err
		}
		content, err := d.content(media, a.Schema, a.Examples)
		if err != nil {
			return nil, err
		}
		all[strconv.Itoa(status)] = object{"description": a.Is, "headers": headers, "content": content}
	}
	if r.cache != noStore && r.method == http.MethodGet {
		headers, err := d.headersOf(r)
		if err != nil {
			return nil, err
		}
		all["304"] = object{"description": "It is what the client has already", "headers": headers}
	}
	kinds := r.problems(note.Body != nil)
	for _, name := range note.Problems {
		k, ok := d.kinds[name]
		if !ok {
			return nil, fmt.Errorf("there is no problem %s: the names stand in api/problem.go", name)
		}
		kinds = append(kinds, k)
	}
	byStatus := map[string][]kind{}
	for _, k := range kinds {
		status := strconv.Itoa(k.row().status)
		byStatus[status] = append(byStatus[status], k)
	}
	for status, kinds := range byStatus {
		if all[status] != nil {
			return nil, fmt.Errorf("%s is an answer and a problem", status)
		}
		var err error
		if all[status], err = d.problem(kinds); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// headersOf lists the headers of answers on a route.
func (d *describer) headersOf(r route, more ...string) (object, error) {
	names := append(slices.Clone(more), "X-Request-Id")
	if r.cache != noStore {
		names = append(names, "ETag")
	}
	if r.needs != "" {
		names = append(names, "RateLimit", "RateLimit-Policy")
	}
	all := object{}
	for _, name := range names {
		if d.Headers[name] == nil {
			return nil, fmt.Errorf("schema/openapi.yaml has no header %s", name)
		}
		all[name] = ref("headers", name)
	}
	return all, nil
}

const problemPrefix = "/problems/"

// problem describes the problems that share a status; routes with the same ones share a response.
func (d *describer) problem(kinds []kind) (object, error) {
	slices.Sort(kinds)
	var names, says, schemas []string
	headers := object{"X-Request-Id": ref("headers", "X-Request-Id")}
	examples := object{}
	for _, k := range kinds {
		row := k.row()
		names = append(names, row.name)
		says = append(says, row.title+" (`"+row.name+"`)")
		own := "Problem"
		if d.ownSchema[row.name] != "" {
			own = d.ownSchema[row.name]
			if err := d.example(row.name); err != nil {
				return nil, err
			}
			examples[row.name] = ref("examples", row.name)
		} else if row.detail != "" {
			examples[row.name] = object{"value": k.says("").body("6NRJWT3M5DZDWYNJ6R3AM7NXQS")}
		}
		if !slices.Contains(schemas, own) {
			schemas = append(schemas, own)
		}
		if row.retry > 0 {
			headers["Retry-After"] = ref("headers", "Retry-After")
		}
		if k == keyNeeded || k == scopeNeeded {
			headers["WWW-Authenticate"] = ref("headers", "WWW-Authenticate")
		}
	}
	name := camel(strings.Join(names, "_or_") + "_response") // no schema may have the name: generators make one type of each
	if d.responses[name] == nil {
		content, err := d.content([]string{mediaProblem}, schemas, nil)
		if err != nil {
			return nil, err
		}
		if len(examples) > 0 {
			content[mediaProblem].(object)["examples"] = examples
		}
		d.responses[name] = object{"description": strings.Join(says, "; "), "headers": headers, "content": content, "x-problems": names}
	}
	return ref("responses", name), nil
}

func (a *API) getDescription(*request) (reply, error) { return reply{body: a.description}, nil }

func (a *API) referencePage(r *request) (reply, error) {
	view := a.reference
	view.Frame = a.frame(r, a.say("reference"), "")
	return a.page("reference", view)
}
