// Package describe writes the description of the API, in OpenAPI 3.1. It is put together of the table of
// endpoints, the table of problems, schema/openapi.yaml and the JSON Schemas that reports and rule sets are
// held against.
package describe

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

	"laidup/api/wire"
	"laidup/internal/access"
	"laidup/schema"
)

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

// Row is an endpoint as the table has it.
type Row struct {
	Method, Path string
	Needs        access.Scope // empty: no key is needed
	Doc          string
	Query        []string // the query parameters it takes
	Media        []string // the media types it can answer in
	Kept         bool     // clients may keep its answers
	Deprecated   bool
}

// describer puts a description together.
type describer struct {
	notes
	kinds                        map[string]wire.Kind // by name
	ownSchema                    map[string]string    // of problems that say more than others, by name
	schemas, responses, examples object
}

// OpenAPI writes the description. A row without notes is left out, which a test sees; notes without
// a row, and whatever they name that is not there, are errors. program is the version of the program that serves
// the API, which has a version of its own; empty: it is not said.
func OpenAPI(rows []Row, reportSchema []byte, program string) (wire.Raw, error) {
	d := &describer{kinds: map[string]wire.Kind{}, ownSchema: map[string]string{}, schemas: object{}, responses: object{}, examples: object{}}
	text, err := fs.ReadFile(schema.FS, "openapi.yaml")
	if err != nil {
		return nil, fmt.Errorf("read notes on the API: %w", err)
	}
	if err := yaml.Unmarshal(text, &d.notes); err != nil {
		return nil, fmt.Errorf("read notes on the API: %w", err)
	}
	ruleSetSchema, err := fs.ReadFile(schema.FS, "ruleset/2.schema.json")
	if err != nil {
		return nil, fmt.Errorf("read schema of rule sets: %w", err)
	}
	if err := d.lift("Report", reportSchema); err != nil {
		return nil, err
	}
	if err := d.lift("RuleSet", ruleSetSchema); err != nil {
		return nil, err
	}
	for _, name := range []string{"assessment", "appraisal", "appraisals", "plan"} {
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
		key := r.Method + " " + r.Path
		note, ok := d.Operations[key]
		if !ok {
			continue
		}
		delete(d.Operations, key)
		one, err := d.operation(r, note)
		if err != nil {
			return nil, fmt.Errorf("describe %s: %w", key, err)
		}
		if paths[r.Path] == nil {
			paths[r.Path] = object{}
		}
		paths[r.Path][strings.ToLower(r.Method)] = one
	}
	for key := range d.Operations {
		return nil, fmt.Errorf("schema/openapi.yaml describes %s, of which api/routes.go has no row: add one, or take it out", key)
	}
	sent, err := d.webhooks()
	if err != nil {
		return nil, err
	}
	spell(d.schemas)
	if program != "" {
		d.Info["x-program-version"] = program
	}
	return json.Marshal(object{
		"openapi": "3.1.1", "info": d.Info, "servers": []object{{"url": "/"}}, "tags": d.Tags, "paths": paths, "webhooks": sent,
		"components": object{
			"schemas": d.schemas, "responses": d.responses, "examples": d.examples,
			"headers":         d.Headers,
			"securitySchemes": object{"key": object{"type": "http", "scheme": "bearer", "description": d.Security}},
		},
	})
}

// webhooks describes the requests that are sent to subscribers: one for each type of event that the schema Event knows,
// with the headers of the Standard Webhooks specification.
func (d *describer) webhooks() (object, error) {
	var event struct {
		Discriminator struct{ Mapping map[string]string }
	}
	text, err := json.Marshal(d.schemas["Event"])
	if err == nil {
		err = json.Unmarshal(text, &event)
	}
	if err != nil {
		return nil, fmt.Errorf("read the types of events in schema/openapi.yaml: %w", err)
	}
	header := func(name, is string) object {
		return object{"name": name, "in": "header", "required": true, "description": is, "schema": object{"type": "string"}}
	}
	all := object{}
	for kind, schema := range event.Discriminator.Mapping {
		all[kind] = object{"post": object{
			"operationId": "receive" + camel(strings.ReplaceAll(kind, ".", "_")), "tags": []string{"webhooks"}, "security": []object{},
			"summary": "Sent to subscribers: " + kind + ".",
			"parameters": []object{
				header("webhook-id", "Id of the event, the same at each try: an event may come twice"),
				header("webhook-timestamp", "When this try was sent, in seconds since 1970"),
				header("webhook-signature", "Signatures by the subscription's secret, as Standard Webhooks has them"),
			},
			"requestBody": object{"required": true, "content": object{wire.MediaJSON: object{"schema": object{"$ref": schema}}}},
			"responses": object{
				"2XX": object{"description": "Received. Answer within 15 seconds, before you do any work"},
				"410": object{"description": "Ends the subscription"},
			},
		}}
	}
	return all, nil
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

// leading leads references to definitions to the components that they have become, those by which a
// union is told apart among them.
func leading(v any, component func(definition string) string) any {
	lead := func(to string) string { return "#/components/schemas/" + component(strings.TrimPrefix(to, "#/$defs/")) }
	switch v := v.(type) {
	case object:
		union, _ := v["discriminator"].(object)
		mapping, _ := union["mapping"].(object)
		for name, to := range mapping {
			if to, is := to.(string); is {
				mapping[name] = lead(to)
			}
		}
		for key, member := range v {
			if to, is := member.(string); is && key == "$ref" {
				v[key] = lead(to)
			} else if key != "discriminator" {
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
	for k := range wire.Kinds {
		name := k.Row().Name
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
func (r Row) problems(body bool) []wire.Kind {
	list := []wire.Kind{wire.Internal, wire.BadQuery}
	add := func(when bool, more ...wire.Kind) {
		if when {
			list = append(list, more...)
		}
	}
	add(r.Media != nil, wire.NotAcceptable)
	add(r.Needs != "", wire.KeyNeeded, wire.ScopeNeeded, wire.CrossSite, wire.TooMany, wire.Unavailable)
	add(strings.Contains(r.Path, "{"), wire.NotFound)
	add(slices.Contains(r.Query, "gate"), wire.NoSuchGate)
	add(body, wire.BodyCut, wire.BodySlow, wire.BodyTooLarge, wire.NotJSON)
	return list
}

func (d *describer) operation(r Row, note operation) (object, error) {
	out := object{"operationId": note.ID, "tags": []string{note.Tag}, "summary": r.Doc, "security": []object{}}
	if r.Needs != "" {
		out["security"] = []object{{"key": []string{string(r.Needs)}}}
	}
	if r.Deprecated {
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

func (d *describer) parametersOf(r Row, note operation) ([]any, error) {
	var list []any
	add := func(name, in string, among map[string]object) error {
		note := among[name]
		if own := among[r.Path+" "+name]; own != nil { // one name for two things
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
	for part := range strings.SplitSeq(r.Path, "/") {
		if name, is := strings.CutPrefix(part, "{"); is {
			if err := add(strings.TrimSuffix(name, "}"), "path", d.Parameters); err != nil {
				return nil, err
			}
		}
	}
	for _, name := range r.Query {
		if name == "format" {
			var formats []string
			for _, media := range r.Media {
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
	if r.Kept {
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
		if one != nil && (m == wire.MediaNDJSON || m == wire.MediaJSONLines) { // a line each
			part["schema"] = object{"type": "string", "contentMediaType": m, "contentSchema": one}
		} else if strings.HasPrefix(m, "image/") || m == "application/octet-stream" {
			part["schema"] = object{"type": "string", "format": "binary"} // as generators of clients know it
		} else if structured := m == wire.MediaYAML || strings.HasSuffix(m, "/json") || strings.HasSuffix(m, "+json"); one != nil && structured {
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

func (d *describer) answers(r Row, note operation) (object, error) {
	all := object{}
	media := r.Media
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
	if r.Kept && r.Method == http.MethodGet {
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
			return nil, fmt.Errorf("there is no problem %s: the names stand in api/wire/problem.go", name)
		}
		kinds = append(kinds, k)
	}
	byStatus := map[string][]wire.Kind{}
	for _, k := range kinds {
		status := strconv.Itoa(k.Row().Status)
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
func (d *describer) headersOf(r Row, more ...string) (object, error) {
	names := append(slices.Clone(more), "X-Request-Id")
	if r.Kept {
		names = append(names, "ETag")
	}
	if r.Needs != "" {
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
func (d *describer) problem(kinds []wire.Kind) (object, error) {
	slices.Sort(kinds)
	var names, says, schemas []string
	headers := object{"X-Request-Id": ref("headers", "X-Request-Id")}
	examples := object{}
	for _, k := range kinds {
		row := k.Row()
		names = append(names, row.Name)
		says = append(says, row.Title+" (`"+row.Name+"`)")
		own := "Problem"
		if d.ownSchema[row.Name] != "" {
			own = d.ownSchema[row.Name]
			if err := d.example(row.Name); err != nil {
				return nil, err
			}
			examples[row.Name] = ref("examples", row.Name)
		} else if row.Detail != "" {
			examples[row.Name] = object{"value": k.Says("").Body("6NRJWT3M5DZDWYNJ6R3AM7NXQS")}
		}
		if !slices.Contains(schemas, own) {
			schemas = append(schemas, own)
		}
		if row.Retry > 0 {
			headers["Retry-After"] = ref("headers", "Retry-After")
		}
		if k == wire.KeyNeeded || k == wire.ScopeNeeded {
			headers["WWW-Authenticate"] = ref("headers", "WWW-Authenticate")
		}
	}
	name := camel(strings.Join(names, "_or_") + "_response") // no schema may have the name: generators make one type of each
	if d.responses[name] == nil {
		content, err := d.content([]string{wire.MediaProblem}, schemas, nil)
		if err != nil {
			return nil, err
		}
		if len(examples) > 0 {
			content[wire.MediaProblem].(object)["examples"] = examples
		}
		d.responses[name] = object{"description": strings.Join(says, "; "), "headers": headers, "content": content, "x-problems": names}
	}
	return ref("responses", name), nil
}
