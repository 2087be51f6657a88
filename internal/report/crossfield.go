package report

import (
	"laidup/internal/calendar"

	"github.com/go-playground/validator/v10"
)

// timeline is what the dates of a vehicle and its inspection have to agree on. No date is a date
// not known.
type timeline struct {
	Built, LastRan, Inspected calendar.Date
}

// crossField is built once: it holds rules, no state.
var crossField = newCrossField()

func newCrossField() *validator.Validate {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterStructValidation(func(sl validator.StructLevel) {
		t := sl.Current().Interface().(timeline)
		if after(t.Built, t.Inspected) {
			sl.ReportError(t.Built, "/vehicle/built", "Built", "built_after_inspection", "")
		}
		if after(t.LastRan, t.Inspected) {
			sl.ReportError(t.LastRan, "/lay_up/last_ran", "LastRan", "ran_after_inspection", "")
		}
		if after(t.Built, t.LastRan) {
			sl.ReportError(t.LastRan, "/lay_up/last_ran", "LastRan", "ran_before_built", "")
		}
	}, timeline{})
	return v
}

var crossFieldWords = map[string]string{
	"built_after_inspection": "the vehicle was built after it was inspected: correct one of the dates",
	"ran_after_inspection":   "the vehicle last ran after it was inspected: correct one of the dates",
	"ran_before_built":       "the vehicle last ran before it was built: correct one of the dates",
}

// after reports whether a is certainly later than b.
func after(a, b calendar.Date) bool {
	return !a.IsZero() && !b.IsZero() && a.Earliest() > b.Latest()
}

func (d *decoder) timeline(built, ran calendar.Date) {
	err := crossField.Struct(timeline{built, ran, d.inspection})
	if errs, ok := err.(validator.ValidationErrors); ok {
		for _, e := range errs {
			d.faultAt(e.Field(), Impossible, "%s", crossFieldWords[e.Tag()])
		}
	}
}
