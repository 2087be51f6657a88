package outcome

import "math"

// Period is what was seen in one stretch of time.
type Period struct {
	Name  string // as periods are sorted
	Cells []Cell
}

// DriftPoint is one period on the way of a series.
type DriftPoint struct {
	Period   string   `json:"period"`
	Seen     int      `json:"seen"`
	Events   int      `json:"events"`
	Expected *float64 `json:"expected"`
	Brier    *float64 `json:"brier"`
	Worse    float64  `json:"worse"`  // CUSUM for odds that have doubled, in nats
	Better   float64  `json:"better"` // CUSUM for odds that have halved
}

// Drift is how a series went.
type Drift struct {
	Points []DriftPoint `json:"points"`
	// Limit is what a CUSUM has to reach for an alarm; nil without any period.
	Limit *float64 `json:"limit"`
	Alarm string   `json:"alarm,omitempty"` // worse or better, and Since the period
	Since string   `json:"since,omitempty"`
}

// The alarms of a drift.
const (
	Worse  = "worse"
	Better = "better"
)

// oddsRatio is the change that a CUSUM looks for.
const oddsRatio = 2

// Weight is what one outcome adds to the risk-adjusted CUSUM for odds that are ratio times those of the
// forecast p: the log-likelihood ratio (Steiner et al., Biostatistics 1:441, 2000).
func Weight(p, ratio float64, event bool) float64 {
	w := -math.Log1p(p * (ratio - 1))
	if event {
		w += math.Log(ratio)
	}
	return w
}

// WaldLimits are where a sequential test ends (A. Wald, Sequential Analysis, 1947): above the one for the change,
// below the other against it; alpha is the probability of a false alarm, beta that of a change not seen.
func WaldLimits(alpha, beta float64) (change, none float64) {
	return math.Log((1 - beta) / alpha), math.Log(beta / (1 - alpha))
}

// Drifts follows a series through its periods. False alarms anywhere in the whole stretch have at most the
// probability alpha if the forecasts are right: a CUSUM over m periods passes h with at most m e^-h, for what it
// has added since any one of them is the logarithm of a likelihood ratio, whose mean is 1.
func Drifts(periods []Period, alpha float64) Drift {
	d := Drift{Points: []DriftPoint{}}
	if len(periods) == 0 {
		return d
	}
	const sides = 2
	limit := math.Log(sides * float64(len(periods)) / alpha)
	d.Limit = known(limit)
	var worse, better float64
	for _, p := range periods {
		t := total(p.Cells)
		point := DriftPoint{Period: p.Name, Seen: t.seen, Events: t.events}
		if t.seen > 0 {
			point.Expected, point.Brier = known(t.expected), known(brierOf(p.Cells))
		}
		worse = max(0, worse+weights(p.Cells, oddsRatio))
		better = max(0, better+weights(p.Cells, 1/float64(oddsRatio)))
		point.Worse, point.Better = *known(worse), *known(better)
		d.Points = append(d.Points, point)
		if d.Alarm == "" && worse >= limit {
			d.Alarm, d.Since = Worse, p.Name
		}
		if d.Alarm == "" && better >= limit {
			d.Alarm, d.Since = Better, p.Name
		}
	}
	return d
}

func weights(cells []Cell, ratio float64) float64 {
	var sum float64
	for _, c := range cells {
		sum += float64(c.Events)*Weight(c.P, ratio, true) + float64(c.Seen-c.Events)*Weight(c.P, ratio, false)
	}
	return sum
}
