package describe

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"slices"

	"laidup/api/wire"
)

// schemaFiles are the JSON Schemas besides that of reports, which is made of the catalogue.
var schemaFiles = map[string]string{
	"assessment": "json/assessment.schema.json",
	"appraisal":  "json/appraisal.schema.json",
	"appraisals": "json/appraisals.schema.json",
	"plan":       "json/plan.schema.json",
	"rule_set":   "ruleset/2.schema.json",
}

// Schemas lists the JSON Schemas.
type Schemas struct {
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

// ReadSchemas reads the schemas, once, when the API is made.
func ReadSchemas(from fs.FS, report []byte) (map[string]wire.Raw, Schemas, error) {
	all := map[string]wire.Raw{"report": report}
	for name, file := range schemaFiles {
		if from == nil {
			break
		}
		text, err := fs.ReadFile(from, file)
		if err != nil {
			return nil, Schemas{}, fmt.Errorf("read schema of %s: %w", name, err)
		}
		all[name] = text
	}
	list := Schemas{}
	for name, text := range all {
		var head struct {
			ID    string `json:"$id"`
			Title string `json:"title"`
		}
		if err := json.Unmarshal(text, &head); err != nil {
			return nil, Schemas{}, fmt.Errorf("read schema of %s: %w", name, err)
		}
		list.Schemas = append(list.Schemas, schemaView{name, head.ID, head.Title, "/v1/schemas/" + name})
	}
	slices.SortFunc(list.Schemas, func(x, y schemaView) int { return cmp.Compare(x.Name, y.Name) })
	return all, list, nil
}
