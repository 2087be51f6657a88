package api

import (
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"

	"laidup/api/wire"
)

// erasureForm is what a vehicle is erased with.
type erasureForm struct {
	Reference string `json:"reference"`
	Reason    string `json:"reason"`
}

// faults says all that is wrong with a form by which the vehicle of a reference is to be erased.
func (f erasureForm) faults(reference string) (faults []formFault) {
	if f.Reference != reference {
		faults = append(faults, formFault{"/reference", "confirm", fmt.Sprintf("give the vehicle's reference once more, letter by letter as GET /v1/vehicles/%s has it: so no slip erases anything", reference)})
	}
	reason := strings.TrimSpace(f.Reason)
	switch {
	case reason == "" || len(reason) > maxReason || strings.ContainsRune(reason, 0):
		faults = append(faults, formFault{"/reason", "form", fmt.Sprintf("say why the vehicle is erased, in 1 to %d bytes without NUL", maxReason)})
	case strings.Contains(strings.ToLower(reason), strings.ToLower(reference)):
		faults = append(faults, formFault{"/reason", "names_it", "the reason is kept: say it without the reference, and without anything else that is to be erased"})
	}
	return faults
}

// erasedVehicle counts what was erased.
type erasedVehicle struct {
	Vehicle     string `json:"vehicle"`
	Reports     int    `json:"reports"`
	Assessments int    `json:"assessments"`
	Events      int    `json:"events"`
	BatchLines  int    `json:"batch_lines"`
	Attachments int    `json:"attachments"`
}

func (a *API) eraseVehicle(r *wire.Request) (wire.Reply, error) {
	named, err := r.Name("reference")
	if err != nil {
		return wire.Reply{}, err
	}
	// Whether there is such a vehicle comes first: nobody is told how to erase what is not there.
	v, err := r.Account.Vehicle(r.Context(), named)
	if err != nil {
		return wire.Reply{}, err
	}
	var form erasureForm
	if !wire.Announces(r.Header, wire.MediaJSON) {
		return wire.Reply{}, wire.NotJSON.Says("")
	}
	err = a.bodies.Read(r, "an erasure", maxOrder, func(body []byte) error {
		if err := json.Unmarshal(body, &form, json.RejectUnknownMembers(true)); err != nil {
			return wire.BadErasure.Says("an erasure is {\"reference\": \"…\", \"reason\": \"…\"}, with the vehicle's reference once more%s", wire.PlaceOf(err))
		}
		return nil
	})
	if err != nil {
		return wire.Reply{}, err
	}
	if faults := form.faults(v.Reference); faults != nil {
		return wire.Reply{}, &wire.Problem{Kind: wire.BadErasure, Errors: faults}
	}
	done, err := r.Account.Erase(r.Context(), v.Reference, strings.TrimSpace(form.Reason))
	if err != nil {
		return wire.Reply{}, err
	}
	return wire.Reply{Body: erasedVehicle{v.Reference, done.Reports, done.Assessments, done.Events, done.Lines, done.Attachments}}, nil
}
