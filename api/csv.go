package api

import (
	"encoding/json"
	"strconv"
	"strings"

	"laidup/api/wire"
	"laidup/internal/score"
)

func number[N interface {
	json.Marshaler
	score.Share | score.Number | score.Decibans
}](n N) string {
	b, _ := n.MarshalJSON() // a fixed-point number always has a form
	return string(b)
}

// end is one end of the range of a chance; nothing where there is no range.
func end(n score.Share) string {
	if n == 0 {
		return ""
	}
	return number(n)
}

// at says where on the vehicle.
func at(positions []string) string {
	if len(positions) == 0 {
		return ""
	}
	return " at " + strings.Join(positions, " ")
}

var registerColumns = []wire.Column[score.Entry]{
	{Name: "rank", Cell: func(e score.Entry) string { return strconv.Itoa(e.Rank) }},
	{Name: "hazard", Cell: func(e score.Entry) string { return e.Hazard }},
	{Name: "item", Cell: func(e score.Entry) string { return e.Item }},
	{Name: "gate", Cell: func(e score.Entry) string { return e.Gate }},
	{Name: "what", Cell: func(e score.Entry) string { return e.What }},
	{Name: "severity", Cell: func(e score.Entry) string { return e.Severity }},
	{Name: "probability", Cell: func(e score.Entry) string { return number(e.Probability) }},
	{Name: "low", Cell: func(e score.Entry) string { return end(e.Low) }},
	{Name: "high", Cell: func(e score.Entry) string { return end(e.High) }},
	{Name: "level", Cell: func(e score.Entry) string { return e.Level }},
	{Name: "risk", Cell: func(e score.Entry) string { return e.Risk }},
	{Name: "risk_index", Cell: func(e score.Entry) string { return number(e.RiskIndex) }},
	{Name: "share", Cell: func(e score.Entry) string { return number(e.Share) }},
	{Name: "rests_on", Cell: func(e score.Entry) string { return e.RestsOn }},
	{Name: "causes", Cell: func(e score.Entry) string {
		return wire.Lines(e.Causes, func(c score.Cause) string {
			return c.Fault + at(c.At) + ": " + number(c.Probability) + " x " + number(c.Chance)
		})
	}},
	{Name: "ledgers", Cell: func(e score.Entry) string {
		return wire.Lines(e.Causes, func(c score.Cause) string {
			sum := c.Fault + ": prior " + number(c.PriorDB)
			if c.ShiftsDB != 0 {
				sum += ", shifts " + number(c.ShiftsDB)
			}
			for _, v := range c.Evidence {
				sum += ", " + v.Because + at(v.At) + " " + number(v.EffectiveDB)
			}
			return sum + ", together " + number(c.TotalDB) + " dB"
		})
	}},
	{Name: "source", Cell: func(e score.Entry) string { return e.Source }},
}

var blockerColumns = []wire.Column[score.Blocker]{
	{Name: "rank", Cell: func(b score.Blocker) string { return strconv.Itoa(b.Rank) }},
	{Name: "gate", Cell: func(b score.Blocker) string { return b.Gate }},
	{Name: "kind", Cell: func(b score.Blocker) string { return b.Kind }},
	{Name: "item", Cell: func(b score.Blocker) string { return b.Item }},
	{Name: "at", Cell: func(b score.Blocker) string { return strings.Join(b.At, " ") }},
	{Name: "hazard", Cell: func(b score.Blocker) string { return b.Hazard }},
	{Name: "severity", Cell: func(b score.Blocker) string { return b.Severity }},
	{Name: "because", Cell: func(b score.Blocker) string { return b.Because }},
	{Name: "clear_by", Cell: func(b score.Blocker) string {
		return wire.Lines(b.ClearBy, func(c score.Clearing) string {
			return c.Item + c.Fact + at(c.At) + " " + string(wire.Encode(c.Found))
		})
	}},
	{Name: "cautions", Cell: func(b score.Blocker) string { return strings.Join(b.Cautions, " ") }},
	{Name: "rules", Cell: func(b score.Blocker) string { return strings.Join(b.Rules, "; ") }},
	{Name: "source", Cell: func(b score.Blocker) string { return b.Source }},
}
