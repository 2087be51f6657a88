package report

import "laidup/internal/catalogue"

// SchemaByItem is the schema put together of the parts by which a [Checker] goes.
func SchemaByItem(cat *catalogue.Catalogue) []byte {
	whole := parts(cat)
	branches := []any{object{"$ref": "#/$defs/" + anyObserved}}
	for _, it := range cat.Items {
		branches = append(branches, object{
			"if":   object{"properties": object{"item": object{"const": it.ID}}, "required": []any{"item"}},
			"then": object{"$ref": "#/$defs/" + observationOn(it)},
		})
	}
	whole["$defs"].(object)["observation"] = object{"allOf": branches}
	return marshal(whole)
}
