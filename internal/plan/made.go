package plan

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	jsonv2 "github.com/go-json-experiment/json"

	"laidup/internal/calendar"
	"laidup/internal/score"
)

// SchemaName is what a plan states as its schema.
const SchemaName = "laidup.plan/1"

// Request says what is to be planned. The zero value plans up to the gate that the assessment was asked
// about, for one person with one of each plant, eight hours a day from Monday to Friday, from the day of the
// assessment on.
type Request struct {
	Goal       string         // id of a gate
	People     int            // 0: one
	Plant      map[string]int // how many of each plant of the book there are; of one not named there is one
	DayMinutes int            // working time of a day; 0: 480
	Start      calendar.Day   // 0: the day of the assessment
	// Traits of the book that somebody looked up or knows.
	Traits   map[string]bool
	Licences []string // that who works holds
	Without  []string // ids of jobs that are not to be done
	Now      bool     // only what the gate needs: nothing is weighed against doing it later
	Years    int      // how far "later" reaches; 0: as the book says
	// Off has the ids of states that are open when the work begins. What one of them needs open is taken to be open too.
	Off []string
	// Late has by how many days more than the book says a part takes to come, by its id.
	Late map[string]int
}

// Plan is what to do, in which order, by when and for how much. Times are in minutes of working time. Money is there only
// where the book has a rate; it is in the plan's currency.
type Plan struct {
	Schema  string `json:"schema"`
	ID      string `json:"id,omitempty"` // set by whoever stores it
	Vehicle string `json:"vehicle"`
	// Assessment is the one that it was made of; empty where nothing is stored.
	Assessment string        `json:"assessment,omitempty"`
	Report     string        `json:"report,omitempty"`
	AsOf       string        `json:"as_of"`
	Goal       string        `json:"goal"`
	State      string        `json:"state"` // of the goal before anything is done
	RuleSet    score.RuleSet `json:"rule_set"`
	Book       BookName      `json:"job_book"`
	Currency   string        `json:"currency,omitempty"`

	Opening []Opened `json:"opening"`
	Steps   []Doing  `json:"steps"`
	// Twice is the state that is opened twice for want of an order, and Clash why.
	Twice string   `json:"twice,omitempty"`
	Clash []string `json:"clash,omitempty"`
	// NoOrder is there where the work holds itself up: then there are no steps, and nothing that follows from them.
	NoOrder *NoOrder `json:"no_order,omitempty"`
	// While has the jobs that are not needed and were weighed because what they need is open or nearly so.
	While []Weighed `json:"while_open"`
	// Looks has what nobody looked at and a look at which is worth more than it takes, the most per minute first.
	Looks    []LookFor `json:"looks"`
	Branches []Branch  `json:"branches"`
	Order    []Ordered `json:"parts"`
	Totals   Totals    `json:"totals"`
	Proof    Proven    `json:"proof"`
	// Facts of the vehicle that stand in the way until somebody tells them.
	Facts []score.Clearing `json:"facts,omitempty"`
	// Assumed is what was taken for true and decides a way in: to be looked up before the plan is begun.
	Assumed []Assumed `json:"assumed,omitempty"`
	// Open is what no job of the book and no look gives, so that the goal stays shut.
	Open     []score.Clearing `json:"not_given,omitempty"`
	Start    []Stage          `json:"start"`
	Cautions []string         `json:"cautions"`
	Assumes  []string         `json:"assumes"`
}

// JSON encodes the plan: the one form in which it is stored and served.
func (p *Plan) JSON() ([]byte, error) { return jsonv2.Marshal(p) }

// BookName names the job book that a plan was made by.
type BookName struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Digest  string `json:"digest"`
}

// Minutes is a low, a likely and a high number of minutes or days.
type Minutes struct {
	Low    int64 `json:"low"`
	Likely int64 `json:"likely"`
	High   int64 `json:"high"`
}

// Opened is a state that the plan opens, and the way that it takes.
type Opened struct {
	State string  `json:"state"`
	Is    string  `json:"is"`
	Way   string  `json:"way"`
	Note  string  `json:"note,omitempty"`
	Open  Minutes `json:"open"`
	Close Minutes `json:"close"`
	// People is how many it takes.
	People int    `json:"people"`
	Closed string `json:"closed_by,omitempty"` // the job that does the closing
	// Already says that it is open when the work begins, so that only its closing is work.
	Already bool `json:"already,omitzero"`
}

// Cleared is a blocker that a step helps to clear.
type Cleared struct {
	Gate string   `json:"gate"`
	Item string   `json:"item"`
	At   []string `json:"at,omitempty"`
}

// Doing is one step of the plan. Its times are those of the schedule that was made.
type Doing struct {
	Step    int     `json:"step"`
	Act     Act     `json:"act"`
	ID      string  `json:"id"`
	Is      string  `json:"is"`
	Look    bool    `json:"look,omitzero"`
	Visit   int     `json:"visit,omitzero"`   // 2 where a state is opened for the second time
	Already bool    `json:"already,omitzero"` // it opens what is open when the work begins: there is nothing to do
	Minutes Minutes `json:"minutes"`
	People  int     `json:"people"`
	Cost    *Cents  `json:"cost,omitempty"` // labour and parts, if it goes as is likely
	Begins  int64   `json:"begins"`         // working minutes from the start
	Day     string  `json:"day"`
	// Float is by how much it may be late without making the whole late if people and plant were no matter;
	// Slack the same in the schedule that was made while no other step moves.
	Float    int64     `json:"float"`
	Slack    int64     `json:"slack"`
	After    []int     `json:"after,omitempty"` // steps that must be done before
	Proof    bool      `json:"proof,omitzero"`
	Licensed string    `json:"licensed,omitempty"`
	BoughtIn bool      `json:"bought_in,omitzero"`
	Clears   []Cleared `json:"clears,omitempty"` // the blockers, as of the day of the plan
	// Reports is what is to be reported if all is well; days in it are that of the assessment, and to be replaced
	// by that on which it was done. Measures is what is to be measured or written down, with a
	// value that would do: never a result, and nothing to print as one. Readings names it, and what else is read.
	Reports  []score.Clearing `json:"reports,omitempty"`
	Measures []score.Clearing `json:"measures,omitempty"`
	Readings []string         `json:"readings,omitempty"`
	Parts    []string         `json:"parts,omitempty"`
	Why      string           `json:"why,omitempty"` // asked, needed, while_open, proof
	Cautions []string         `json:"cautions,omitempty"`
}

// NoOrder says why there is no order, not even with one state opened twice.
type NoOrder struct {
	// Ring has conditions that cannot all be kept; without any one of them the others can.
	Ring []Held `json:"ring"`
	// Jobs are what was to be done, in no order.
	Jobs []Named  `json:"jobs"`
	Do   []string `json:"do"` // what helps
}

// Held is one condition of a ring. One and Other are ids of states and jobs; [Conflict] has what Because may be.
type Held struct {
	Because string `json:"because"`
	One     string `json:"one"`
	Other   string `json:"other"`
	Is      string `json:"is"`
}

// Named is the id of a job or look, and what it is called.
type Named struct {
	ID string `json:"id"`
	Is string `json:"is"`
}

// Amount is what is weighed, parts and chances included: in minutes of labour, and in money where the book has a rate.
type Amount struct {
	Minutes int64  `json:"minutes"`
	Cost    *Cents `json:"cost,omitempty"`
}

// Weighed is a job that was weighed now against later.
type Weighed struct {
	Job     string `json:"job"`
	Is      string `json:"is"`
	Done    bool   `json:"done"`
	Now     Amount `json:"now"`    // what doing it now adds to the plan
	Later   Amount `json:"later"`  // what leaving it is expected to cost
	Alone   Amount `json:"alone"`  // what it costs when it is needed
	Chance  int    `json:"chance"` // that it is needed within the horizon, in ten thousand
	New     int    `json:"chance_new"`
	Because string `json:"because,omitempty"`
	// Look is a look at the part that may change the decision and is worth more than it takes; nil for none.
	Look *LookFirst `json:"look,omitempty"`
}

// LookFirst is a look to be had before something is decided. Worth is by how much the decision is expected to
// cost less with it (EVSI), what the look takes not yet taken off.
type LookFirst struct {
	Item    string `json:"item"`
	Minutes int64  `json:"minutes"`
	Worth   Amount `json:"worth"`
}

// LookFor is a look that is worth more than it takes, and the job that is decided by it. PerMinute is what a minute of it is worth: in
// the currency of the plan, or in minutes of labour where the book has no rate.
type LookFor struct {
	LookFirst
	Is        string `json:"is"` // the item, in words
	Job       string `json:"job"`
	JobIs     string `json:"job_is"`
	Done      bool   `json:"done"` // the job is in the plan: the look may spare it; else it may bring it in
	PerMinute Cents  `json:"worth_per_minute"`
}

// Branch is what a step may bring to light, and what it adds then.
type Branch struct {
	Step    int      `json:"step"`
	What    string   `json:"what"`
	Chance  int      `json:"chance"` // in ten thousand
	Adds    []string `json:"adds"`   // ids of jobs
	Minutes Minutes  `json:"minutes"`
	Parts   []string `json:"parts,omitempty"`
}

// Ordered is a part to order.
type Ordered struct {
	Part    string  `json:"part"`
	Is      string  `json:"is"`
	Kind    string  `json:"kind"`
	Times   int     `json:"times"`
	Step    int     `json:"step"`    // the first that needs it
	Planned string  `json:"planned"` // the day of that step
	Latest  string  `json:"latest"`  // the last day on which that step may begin without making the whole late
	Lead    Minutes `json:"lead_days"`
	OrderBy string  `json:"order_by"`      // to be there on the latest day with a chance of 80 per cent, and as is likely on the planned one
	Late    bool    `json:"late,omitzero"` // ordered on the first day it may still hold up the plan
	Price   *Money  `json:"price,omitempty"`
	Instead string  `json:"instead,omitempty"` // what else does
}

// Cents is an amount of money in hundredths. As text it has a point and two decimals.
type Cents int64

// MarshalText writes it, such as 12.50.
func (c Cents) MarshalText() ([]byte, error) {
	sign, n := "", uint64(max(c, 0))
	if c < 0 {
		sign, n = "-", uint64(-(c+1))+1
	}
	return fmt.Appendf(nil, "%s%d.%02d", sign, n/100, n%100), nil
}

// UnmarshalText reads what MarshalText writes.
func (c *Cents) UnmarshalText(text []byte) error {
	whole, decimals, ok := strings.Cut(string(text), ".")
	n, err := strconv.ParseInt(whole+decimals, 10, 64)
	if !ok || len(decimals) != 2 || err != nil {
		return fmt.Errorf("%q is no amount of money: write it as 12.50", text)
	}
	*c = Cents(n)
	return nil
}

// Money is a low, a likely and a high amount.
type Money struct {
	Low    Cents `json:"low"`
	Likely Cents `json:"likely"`
	High   Cents `json:"high"`
}

// Sums are amounts below which the whole comes to in so many of a hundred draws.
type Sums struct {
	P10 Cents `json:"p10"`
	P50 Cents `json:"p50"`
	P80 Cents `json:"p80"`
	P90 Cents `json:"p90"`
}

// Totals is what it comes to: person-minutes, money, and calendar days until the goal.
type Totals struct {
	Labour  Percentiles `json:"labour"`
	Cost    *Sums       `json:"cost,omitempty"`
	Days    Percentiles `json:"days"`
	Makes   int64       `json:"working_minutes"` // of the schedule, all going as is likely
	Ends    string      `json:"ends"`
	Drivers []Driver    `json:"drivers"`
}

// Driver is a step whose hours are much of why the range is wide.
type Driver struct {
	ID    string `json:"id"`
	Is    string `json:"is"`
	Wide  int64  `json:"wide"` // person-minutes between its P10 and P90
	Share int    `json:"share"`
}

// Proven says how good the plan is: the ways and jobs chosen cost at most Gap, in hundredths of a per cent,
// more than any others; no schedule with these steps takes less than Least working minutes.
type Proven struct {
	Optimal bool `json:"optimal"`
	// Clears says that it was tried: the goal is clear once all that the steps report has been reported.
	Clears bool  `json:"clears"`
	Gap    int   `json:"gap"`
	Work   int   `json:"work"`
	Tries  int   `json:"tries"`
	Least  int64 `json:"least_working_minutes"`
}

// Assumed is something that was taken for true and that a way in hangs on.
type Assumed struct {
	What  string          `json:"what"` // a trait's id, or a fact
	Is    string          `json:"is"`
	Value json.RawMessage `json:"value,omitempty"`
	For   string          `json:"for"` // the way or job
	// Saves is how much cheaper the plan would be if it were the other way; nil where the plan rests on it.
	Saves *Amount `json:"saves,omitempty"`
}

// Stage is a gate on the way to the goal: what is proven last before it, and what to mind.
type Stage struct {
	Gate     string   `json:"gate"`
	Is       string   `json:"is"`
	State    string   `json:"state"`
	Proofs   []int    `json:"proofs,omitempty"` // steps
	Readings []string `json:"readings,omitempty"`
	Cautions []string `json:"cautions,omitempty"`
}
