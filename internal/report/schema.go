package report

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"strings"

	"laidup/internal/catalogue"
)

// Schema returns the JSON Schema (2020-12) of reports on vehicles of a catalogue. It accepts and
// refuses what [Decode] does, up to what one value says about another. An observation is a union
// over the items, told apart by the member item, as generators of clients understand it.
func Schema(cat *catalogue.Catalogue) []byte {
	return marshal(schema(cat, func(s *schemaWriter) object {
		of, mapping := []any{}, object{}
		for _, it := range cat.Items {
			ref := "#/$defs/" + observationOn(it)
			of, mapping[it.ID] = append(of, object{"$ref": ref}), ref
		}
		return object{"oneOf": of, "discriminator": object{"propertyName": "item", "mapping": mapping}}
	}))
}

// Parts of the schema, for who validates part by part; that of an observation on an item has the item's id.
const (
	frame       = ""  // the whole, whatever its observations are
	anyObserved = "*" // an observation on no item of the catalogue
)

// parts is the schema in definitions of which each part needs but a few; the root is the frame.
func parts(cat *catalogue.Catalogue) object {
	return schema(cat, func(s *schemaWriter) object {
		items := []any{}
		for _, it := range cat.Items {
			items = append(items, it.ID)
		}
		o := s.observation(object{"enum": items}, object{"type": "object"})
		properties := o["properties"].(object)
		properties["at"], properties["part"] = object{"type": "array"}, object{"type": "string"}
		s.defs[anyObserved] = o
		return object{}
	})
}

// part cuts a part out of what parts returned, with the definitions that it needs.
func part(whole object, name string) object {
	root := object{"$ref": "#/$defs/" + name}
	switch name {
	case frame:
		root = maps.Clone(whole)
		delete(root, "$id")
	case anyObserved:
	default:
		root["$ref"] = "#/$defs/" + observationOn(&catalogue.Item{ID: name})
	}
	defs, all := object{}, whole["$defs"].(object)
	delete(root, "$defs")
	var need func(v any)
	need = func(v any) {
		switch v := v.(type) {
		case object:
			for key, value := range v {
				if ref, ok := value.(string); ok && key == "$ref" {
					name := strings.TrimPrefix(ref, "#/$defs/")
					if _, known := defs[name]; !known {
						defs[name] = all[name]
						need(all[name])
					}
				}
				need(value)
			}
		case []any:
			for _, value := range v {
				need(value)
			}
		}
	}
	need(root)
	root["$defs"] = defs
	return root
}

// schema writes the schema with the definition of an observation that is given.
func schema(cat *catalogue.Catalogue, observation func(*schemaWriter) object) object {
	s := &schemaWriter{cat: cat, defs: object{}}
	s.defs["date"] = object{
		"description": "a calendar date; year and month, or the year alone, where the day is not known",
		"type":        "string",
		"anyOf": []any{
			object{"pattern": "^" + yearPattern + "$"},
			object{"pattern": "^" + yearPattern + "-(0[1-9]|1[0-2])$"},
			object{"$ref": "#/$defs/day"},
		},
	}
	s.defs["day"] = object{"type": "string", "format": "date", "pattern": "^" + yearPattern + "-[0-9]{2}-[0-9]{2}$"}
	s.defs["week_code"] = object{
		"description": "week and year of making since 2000, by the last four digits of the number on a tyre's wall: 0914 is week 9 of 2014",
		"type":        "string", "pattern": "^(0[1-9]|[1-4][0-9]|5[0-3])[0-9]{2}$",
	}
	methods := []any{}
	for _, m := range cat.Methods {
		methods = append(methods, m.ID)
	}
	s.defs["method"] = object{"description": "how it was found, most credible first", "enum": methods}
	for _, it := range cat.Items {
		s.defs["found_on_"+it.ID] = s.found(it)
		s.defs[observationOn(it)] = s.observationOn(it)
	}
	s.defs["photos"] = object{
		"description": fmt.Sprintf("the ids of attachments, as POST /v1/attachments answers them; at most %d in a report", MaxPhotos),
		"type":        []any{"array", "null"}, "maxItems": MaxPhotos, "uniqueItems": true,
		"items": object{"type": "string", "pattern": "^[0-9a-f]{64}$"},
	}
	s.defs["observation"] = observation(s)
	text := object{"type": []any{"string", "null"}, "maxLength": MaxText, "pattern": storable}
	vehicle := s.facts("vehicle")
	vehicle["reference"] = object{"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._~-]{0,99}$"}
	vehicle["description"] = text
	vehicle["vin"] = object{"anyOf": []any{
		object{"type": "null"},
		object{"type": "string", "maxLength": vinLength - 1, "pattern": storable},
		object{"type": "string", "pattern": "^[A-HJ-NPR-Za-hj-npr-z0-9]{17}$"},
	}}
	return object{
		"$schema": "https://json-schema.org/draft/2020-12/schema",
		"$id":     "urn:laidup:report:1",
		"title":   "laidup report",
		"type":    "object", "additionalProperties": false,
		"required": []any{"schema", "vehicle", "inspection", "observations"},
		"properties": object{
			"schema":    object{"const": SchemaName},
			"reference": text,
			"replaces": object{
				"description": "the id of an earlier report on the vehicle, which this one corrects: the vehicle is assessed without that one",
				"type":        []any{"string", "null"}, "pattern": "^[A-Za-z0-9][A-Za-z0-9._~-]{0,99}$",
			},
			"vehicle": object{"type": "object", "additionalProperties": false, "required": []any{"reference"}, "properties": vehicle},
			"lay_up":  object{"type": []any{"object", "null"}, "additionalProperties": false, "properties": s.facts("lay_up")},
			"inspection": object{
				"type": "object", "additionalProperties": false, "required": []any{"date"},
				"properties": object{
					"date":      object{"$ref": "#/$defs/day"},
					"inspector": text,
					"purpose":   object{"enum": append(words(Purposes), nil)},
				},
			},
			"photos":       object{"$ref": "#/$defs/photos"},
			"observations": object{"type": "array", "maxItems": MaxObservations, "items": object{"$ref": "#/$defs/observation"}},
		},
		"$defs": s.defs,
	}
}

func marshal(schema object) []byte {
	data, err := json.MarshalIndent(schema, "", " ")
	if err != nil {
		panic(err) // maps, lists and words cannot fail to encode
	}
	return append(data, '\n')
}

type object = map[string]any

// Patterns in the part of the language that ECMAScript and RE2 share: storable is any text without
// the character U+0000, said is one in which something is said, by Unicode's notion of a space.
const (
	storable = `^[^\x00]*$`
	said     = `^[^\x00]*[^\x00\t-\r ` + "\u0085\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000" + `][^\x00]*$`
)

const yearPattern = "([1-9][0-9]{3}|0[1-9][0-9]{2}|00[1-9][0-9]|000[1-9])"

type schemaWriter struct {
	cat  *catalogue.Catalogue
	defs object
}

// observationOn names the definition of an observation on an item.
func observationOn(it *catalogue.Item) string { return "Observation_" + it.ID }

// observation describes an observation of which the item and what is found on it are given.
func (s *schemaWriter) observation(item, found object) object {
	return object{
		"type": "object", "additionalProperties": false, "required": []any{"item", "method"},
		"properties": object{
			"item":   item,
			"method": object{"$ref": "#/$defs/method"},
			"date":   object{"$ref": "#/$defs/date"},
			"note":   object{"type": []any{"string", "null"}, "maxLength": MaxNote, "pattern": storable},
			"photos": object{"$ref": "#/$defs/photos"},
			"found":  found,
			"fitted": object{"type": "boolean", "const": false, "description": "this vehicle never had the item: then nothing is found on it"},
		},
		"if":   object{"required": []any{"fitted"}},
		"then": object{"not": object{"anyOf": []any{object{"required": []any{"found"}}, object{"required": []any{"at"}}, object{"required": []any{"part"}}}}},
		"else": object{"required": []any{"found"}},
	}
}

// observationOn describes an observation on one item.
func (s *schemaWriter) observationOn(it *catalogue.Item) object {
	o := s.observation(object{"const": it.ID}, object{"$ref": "#/$defs/found_on_" + it.ID})
	o["title"] = it.Is
	properties := o["properties"].(object)
	if len(it.Positions) > 0 {
		names := []any{}
		for _, p := range it.Positions {
			names = append(names, p.ID)
		}
		properties["at"] = object{
			"description": "the positions that this speaks of; left out, it does not say",
			"type":        "array", "minItems": 1, "uniqueItems": true, "items": object{"enum": names},
		}
	}
	if len(it.Parts) > 0 {
		names := []any{}
		for _, p := range it.Parts {
			names = append(names, p.ID)
		}
		properties["part"] = object{"description": "the part that was renewed by itself; left out, it is the whole item", "enum": names}
		o["dependentSchemas"] = object{"part": object{"properties": object{"found": object{"required": []any{"renewed"}, "maxProperties": 1}}}}
	}
	return o
}

func words(list []string) []any {
	out := make([]any, len(list))
	for i, w := range list {
		out[i] = w
	}
	return out
}

// facts describes the facts of one part of a report; those with a dot stand in an object of their own.
func (s *schemaWriter) facts(part string) object {
	properties := object{}
	for _, f := range s.cat.Facts {
		if f.In != part {
			continue
		}
		outer, inner, nested := strings.Cut(f.ID, ".")
		into, name := properties, f.ID
		if nested {
			if properties[outer] == nil {
				properties[outer] = object{"type": []any{"object", "null"}, "additionalProperties": false, "properties": object{}}
			}
			into, name = properties[outer].(object)["properties"].(object), inner
		}
		// Null and "unknown" are the same as leaving a fact out.
		into[name] = object{"title": f.Is, "anyOf": []any{s.value(f), object{"enum": []any{nil, "unknown"}}}}
	}
	return properties
}

func (s *schemaWriter) found(it *catalogue.Item) object {
	properties := object{}
	for _, f := range it.Finds {
		properties[f.ID] = s.value(f)
		properties[f.ID].(object)["title"] = f.Is
	}
	return object{"title": it.Is, "type": "object", "additionalProperties": false, "minProperties": 1, "properties": properties}
}

func (s *schemaWriter) value(f *catalogue.Finding) object {
	switch f.Kind {
	case catalogue.Flag:
		return object{"type": "boolean"}
	case catalogue.Choice:
		return object{"enum": words(f.Values)}
	case catalogue.Count:
		return bounded(object{"type": "integer"}, f.Min, f.Max)
	case catalogue.Date:
		return object{"$ref": "#/$defs/date"}
	case catalogue.WeekCode:
		return object{"$ref": "#/$defs/week_code"}
	case catalogue.Quantity:
		return object{"$ref": "#/$defs/" + s.quantity(f)}
	}
	return object{"type": "string", "minLength": 1, "maxLength": MaxText, "pattern": said}
}

func bounded(o object, lo, hi float64) object {
	if !math.IsInf(lo, 0) {
		o["minimum"] = lo
	}
	if !math.IsInf(hi, 0) {
		o["maximum"] = hi
	}
	return o
}

// quantity describes a measurement, with its bounds in each unit, and returns the name of the
// definition; measurements alike share one. The name ends in no number: generators of clients number
// the branches of a definition, and that of 0 to 5 would get the name of 0 to 50.
func (s *schemaWriter) quantity(f *catalogue.Finding) string {
	unit := f.Unit.Code
	if unit == "1" {
		unit = "one"
	}
	name := strings.NewReplacer("[", "", "]", "", "%", "percent", "/", "_per_", "'", "_", "-", "minus_", "+", "", ".", "_").
		Replace(fmt.Sprintf("quantity_%v_to_%v_%s", f.Min, f.Max, unit))
	if s.defs[name] != nil {
		return name
	}
	units := f.Units()
	branches := []any{}
	for _, u := range f.Unit.Like() {
		b, _ := f.Bounds([]byte(u.Code))
		branches = append(branches, object{"properties": object{
			"unit":  object{"enum": words(append([]string{u.Code}, u.Short...))},
			"value": bounded(object{}, b.Min, b.Max),
		}})
	}
	s.defs[name] = object{
		"type": "object", "additionalProperties": false, "required": []any{"value", "unit"},
		"properties": object{
			"value": object{"type": "number"},
			"unit":  object{"enum": words(units)},
		},
		"anyOf": branches,
	}
	return name
}
