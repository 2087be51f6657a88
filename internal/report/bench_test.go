package report_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"laidup/internal/catalogue"
	"laidup/internal/report"
)

// The wire format as plain structs, for the price of reading it with encoding/json and no check.
type plain[V any] struct {
	Schema    string `json:"schema"`
	Reference string `json:"reference"`
	Vehicle   struct {
		Reference     string    `json:"reference"`
		Description   string    `json:"description"`
		VIN           *string   `json:"vin"`
		Built         string    `json:"built"`
		Odometer      *measured `json:"odometer"`
		Fuel          string    `json:"fuel"`
		FuelDelivery  string    `json:"fuel_delivery"`
		Ignition      string    `json:"ignition"`
		Cylinders     *int      `json:"cylinders"`
		ValveDrive    string    `json:"valve_drive"`
		Interference  string    `json:"interference"`
		Turbocharged  *bool     `json:"turbocharged"`
		Cooling       string    `json:"cooling"`
		Layout        string    `json:"layout"`
		Gearbox       string    `json:"gearbox"`
		Clutch        string    `json:"clutch"`
		BrakeServo    *bool     `json:"brake_servo"`
		PowerSteering *bool     `json:"power_steering"`
		Hybrid        *bool     `json:"hybrid"`
		AirCondition  *struct {
			Fitted      *bool  `json:"fitted"`
			Refrigerant string `json:"refrigerant"`
		} `json:"air_conditioning"`
	} `json:"vehicle"`
	LayUp *struct {
		LastRan string `json:"last_ran"`
		Storage string `json:"storage"`
	} `json:"lay_up"`
	Inspection struct {
		Date      string `json:"date"`
		Inspector string `json:"inspector"`
		Purpose   string `json:"purpose"`
	} `json:"inspection"`
	Observations []struct {
		Item   string       `json:"item"`
		Method string       `json:"method"`
		Date   string       `json:"date"`
		Found  map[string]V `json:"found"`
		Note   string       `json:"note"`
		At     []string     `json:"at"`
		Fitted *bool        `json:"fitted"`
		Part   string       `json:"part"`
	} `json:"observations"`
}

type measured struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// largeReport makes a valid report with n observations, going round the items of the catalogue
// that the vehicle has, one to three findings each.
func largeReport(t testing.TB, cat *catalogue.Catalogue, n int) []byte {
	t.Helper()
	o := validReport()
	vehicle := o["vehicle"].(object)
	delete(vehicle, "valve_drive")
	delete(vehicle, "fuel")
	var observations []object
	for i := 0; len(observations) < n; i++ {
		it := cat.Items[i%len(cat.Items)]
		found := object{}
		own := len(it.Finds) - 4
		for k := range min(1+i%3, own) {
			f := it.Finds[(i+k)%own]
			found[f.ID] = sampleValue(f, i)
		}
		if i%4 == 0 {
			found["age"] = object{"value": float64(i%20) + 0.5, "unit": "a"}
		}
		observation := object{"item": it.ID, "method": cat.Methods[i%len(cat.Methods)].ID, "found": found}
		if n := len(it.Positions); n > 0 && i%3 > 0 {
			observation["at"] = []string{it.Positions[0].ID, it.Positions[n-1].ID}[:i%3]
		}
		if i%5 == 0 {
			observation["note"] = "left edge, two cords; seen with a mirror from below"
		}
		b, err := json.Marshal(object{"schema": report.SchemaName, "vehicle": vehicle, "lay_up": o["lay_up"], "inspection": o["inspection"], "observations": []object{observation}})
		if err != nil {
			t.Fatal(err)
		}
		if _, _, faults := report.Decode(b, cat); len(faults) > 0 {
			continue // not on this vehicle
		}
		observations = append(observations, observation)
	}
	o["observations"] = observations
	b, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sampleValue is a possible value of a finding.
func sampleValue(f *catalogue.Finding, i int) any {
	switch f.Kind {
	case catalogue.Flag:
		return i%2 == 0
	case catalogue.Choice:
		return f.Values[i%len(f.Values)]
	case catalogue.Quantity:
		units := f.Unit.Like()
		u := units[i%len(units)]
		b, _ := f.Bounds([]byte(u.Code))
		return object{"value": b.Min + (b.Max-b.Min)*float64(i%7+1)/8, "unit": u.Code}
	case catalogue.Count:
		return max(1, int(f.Min))
	case catalogue.Date:
		return "2024-03"
	case catalogue.WeekCode:
		return "0914"
	}
	return "as in the workshop's book"
}

// BenchmarkDecode holds decoding and checking a report against reading it with encoding/json into
// plain structs, turn by turn so that both meet the same machine: the ratio is what counts.
func BenchmarkDecode(b *testing.B) {
	cat := builtIn(b)
	for _, n := range []int{80, 120} {
		data := largeReport(b, cat, n)
		b.Run(fmt.Sprintf("%d observations", n), func(b *testing.B) {
			var ours, raw, anything []time.Duration
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				start := time.Now()
				if _, _, faults := report.Decode(data, cat); len(faults) > 0 {
					b.Fatal(faults)
				}
				decoded := time.Now()
				var r plain[json.RawMessage]
				if err := json.Unmarshal(data, &r); err != nil {
					b.Fatal(err)
				}
				first := time.Now()
				var a plain[any]
				if err := json.Unmarshal(data, &a); err != nil {
					b.Fatal(err)
				}
				ours = append(ours, decoded.Sub(start))
				raw = append(raw, first.Sub(decoded))
				anything = append(anything, time.Since(first))
			}
			b.ReportMetric(0, "ns/op") // of the three together: says nothing
			b.ReportMetric(float64(median(ours)), "ns/decode")
			b.ReportMetric(float64(median(raw)), "ns/plain-raw")
			b.ReportMetric(float64(median(anything)), "ns/plain-any")
			b.ReportMetric(float64(median(ours))/float64(median(raw)), "x-plain-decode-raw")
			b.ReportMetric(float64(median(ours))/float64(median(anything)), "x-plain-decode")
		})
	}
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}

func BenchmarkDecodeAlone(b *testing.B) {
	cat := builtIn(b)
	data := largeReport(b, cat, 120)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		report.Decode(data, cat)
	}
}

func BenchmarkLay(b *testing.B) {
	cat := builtIn(b)
	r, _, faults := report.Decode(largeReport(b, cat, 120), cat)
	if len(faults) > 0 {
		b.Fatal(faults)
	}
	b.ReportAllocs()
	for b.Loop() {
		report.Lay([]*report.Report{r}, cat, 0.6)
	}
}
