package api

import (
	"strings"

	"laidup/api/wire"
)

func (a *API) listSchemas(*wire.Request) (wire.Reply, error) {
	return wire.Reply{Body: a.schemaList}, nil
}

func (a *API) getSchema(r *wire.Request) (wire.Reply, error) {
	text, ok := a.schemas[r.Param("name")]
	if !ok {
		var names []string
		for _, s := range a.schemaList.Schemas {
			names = append(names, s.Name)
		}
		return wire.Reply{}, wire.NotFound.Says("there is no schema of %q: there is one of %s", wire.Clip(r.Param("name")), strings.Join(names, ", "))
	}
	return wire.Reply{Body: text}, nil
}

func (a *API) getDescription(*wire.Request) (wire.Reply, error) {
	return wire.Reply{Body: a.description}, nil
}
