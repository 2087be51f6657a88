package api

import (
	"strings"

	"laidup/api/wire"
)

func (a *API) listSchemas(*wire.Request) (wire.Reply, error) {
	d, err := a.described()
	return wire.Reply{Body: d.list}, err
}

func (a *API) getSchema(r *wire.Request) (wire.Reply, error) {
	d, err := a.described()
	if err != nil {
		return wire.Reply{}, err
	}
	text, ok := d.schemas[r.Param("name")]
	if !ok {
		var names []string
		for _, s := range d.list.Schemas {
			names = append(names, s.Name)
		}
		return wire.Reply{}, wire.NotFound.Says("there is no schema of %q: there is one of %s", wire.Clip(r.Param("name")), strings.Join(names, ", "))
	}
	return wire.Reply{Body: text}, nil
}

func (a *API) getDescription(*wire.Request) (wire.Reply, error) {
	d, err := a.described()
	return wire.Reply{Body: d.openAPI}, err
}
