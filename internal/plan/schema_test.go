package plan

import (
	"bytes"
	"encoding/json"
	"sync"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"laidup/schema"
)

// described is the JSON Schema of plans; [world.plan] holds every plan that a test makes against it.
var described = sync.OnceValues(func() (*jsonschema.Schema, error) {
	data, err := schema.FS.ReadFile("json/plan.schema.json")
	if err != nil {
		return nil, err
	}
	c := jsonschema.NewCompiler()
	c.Draft, c.AssertFormat = jsonschema.Draft2020, true
	if err := c.AddResource("plan", bytes.NewReader(data)); err != nil {
		return nil, err
	}
	return c.Compile("plan")
})

func asDescribed(t testing.TB, p *Plan) {
	t.Helper()
	s, err := described()
	if err != nil {
		t.Fatal(err)
	}
	data, err := p.JSON()
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(data, &v); err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(v); err != nil {
		t.Fatalf("the plan is not as its schema says: %#v", err)
	}
}

func TestThePlanOfAClearGateIsAsDescribed(t *testing.T) {
	w := ourWorld(t)
	p, _ := w.plan(t, w.demos(t)["marrick-tern-01"], Request{Goal: "hand_turn"})
	if len(p.Steps) != 0 || p.NoOrder != nil {
		t.Errorf("%d steps, %+v", len(p.Steps), p.NoOrder)
	}
}
