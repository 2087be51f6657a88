package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

// schemaFiles are the JSON Schemas besides that of reports, which is made of the catalogue.
var schemaFiles = map[string]string{
	"assessment": "json/assessment.schema.json",
	"appraisal":  "json/appraisal.schema.json",
	"appraisals": "json/appraisals.schema.json",
	"rule_set":   "ruleset/1.schema.json",
}

// schemas lists the JSON Schemas.
type schemas struct {
	Schemas []schemaView `json:"schemas"`
}

// schemaView is a JSON Schema as the list has it. ID is its $id: it names kind and version, and stays
// the same wherever the schema is served from.
type schemaView struct {
	Name  string `json:"name"`
	ID    string `json:"id"`
	Title string `json:"title"`
	Link  string `json:"link"`
}

// readSchemas reads the schemas, once, when the API is made.
func readSchemas(from fs.FS, report []byte) (map[string]raw, schemas, error) {
	all := map[string]raw{"report": report}
	for name, file := range schemaFiles {
		if from == nil {
			break
		}
		text, err := fs.ReadFile(from, file)
		if err != nil {
			return nil, schemas{}, fmt.Errorf("read schema of %s: %w", name, err)
		}
		all[name] = text
	}
	list := schemas{}
	for name, text := range all {
		var head struct {
			ID    string `json:"$id"`
			Title string `json:"title"`
		}
		if err := json.Unmarshal(text, &head); err != nil {
			return nil, schemas{}, fmt.Errorf("read schema of %s: %w", name, err)
		}
		list.Schemas = append(list.Schemas, schemaView{name, head.ID, head.Title, "/v1/schemas/" + name})
	}
	slices.SortFunc(list.Schemas, func(x, y schemaView) int { return cmp.Compare(x.Name, y.Name) })
	return all, list, nil
}

func (a *API) listSchemas(*request) (reply, error) { return reply{body: a.schemaList}, nil }

func (a *API) getSchema(r *request) (reply, error) {
	text, ok := a.schemas[r.param("name")]
	if !ok {
		var names []string
		for _, s := range a.schemaList.Schemas {
			names = append(names, s.Name)
		}
		return reply{}, notFound.says("there is no schema of %q: there is one of %s", clip(r.param("name")), strings.Join(names, ", "))
	}
	return reply{body: text}, nil
}
