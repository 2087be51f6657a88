package jobbook

import (
	"encoding/json"
	"maps"
	"slices"
)

// The forms below are a job book as it is written. docs/job-book.md describes their fields.

type bookForm struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Is      string `json:"is"`
	RuleSet struct {
		Name    string `json:"name"`
		Version string `json:"version"`
	} `json:"rule_set"`
	Source Source `json:"source"`
	Rate   *struct {
		Cents    int    `json:"cents"`
		Currency string `json:"currency"`
	} `json:"rate"`
	Horizon    Horizon     `json:"horizon"`
	LookTakes  []int       `json:"look_takes"`  // in percent of the catalogue's minutes
	RefitTakes []float64   `json:"refit_takes"` // hours
	Cautions   []string    `json:"cautions"`
	Kinds      []kindForm  `json:"kinds"`
	Traits     []namedForm `json:"traits"`
	Fittings   []namedForm `json:"fittings"`
	Places     []namedForm `json:"places"`
	Plant      []namedForm `json:"plant"`
	Parts      []partForm  `json:"parts"`
	Looks      []lookForm  `json:"looks"`
	States     []stateForm `json:"states"`
	Jobs       []jobForm   `json:"jobs"`
}

type namedForm struct {
	ID      string `json:"id"`
	Is      string `json:"is"`
	Room    int    `json:"room"`    // of a place
	Assumed bool   `json:"assumed"` // of a trait
}

type kindForm struct {
	ID   string `json:"id"`
	Is   string `json:"is"`
	When string `json:"when"`
}

// onForm says on which vehicles an entry holds: those of one of the kinds, of which the condition holds.
type onForm struct {
	On   []string `json:"on"`
	When string   `json:"when"`
}

type partForm struct {
	ID     string    `json:"id"`
	Is     string    `json:"is"`
	Kind   PartKind  `json:"kind"`
	Price  []float64 `json:"price"` // hours of labour
	Money  []int     `json:"money"` // cents
	Lead   []int     `json:"lead"`  // days
	Source *Source   `json:"source"`
}

type lookForm struct {
	Access string    `json:"access"`
	Item   string    `json:"item"`
	Open   openForms `json:"open"`
	Fitted []string  `json:"fitted"`
	Gives  *[]string `json:"gives"`
	Not    []string  `json:"not"`
	People int       `json:"people"`
	Once   string    `json:"once"`
}

type openForm struct {
	onForm
	All []string `json:"all"`
}

// openForms is a list of states, or of alternatives.
type openForms []openForm

// UnmarshalJSON reads either form.
func (o *openForms) UnmarshalJSON(b []byte) error {
	var all []string
	if err := json.Unmarshal(b, &all); err == nil {
		*o = openForms{{All: all}}
		return nil
	}
	return json.Unmarshal(b, (*[]openForm)(o))
}

type stateForm struct {
	onForm
	ID       string              `json:"id"`
	Is       string              `json:"is"`
	Shuts    []string            `json:"shuts"`
	Spoils   map[string][]string `json:"spoils"`
	Ways     []wayForm           `json:"ways"`
	Cautions []string            `json:"cautions"`
	Source   *Source             `json:"source"`
}

type wayForm struct {
	onForm
	ID       string         `json:"id"`
	If       []string       `json:"if"`
	Unless   []string       `json:"unless"`
	Needs    []string       `json:"needs"`
	After    []string       `json:"after"`
	Then     []string       `json:"then"`
	Open     []float64      `json:"open"`
	Close    []float64      `json:"close"`
	People   int            `json:"people"`
	Uses     []string       `json:"uses"`
	Holds    []string       `json:"holds"`
	Places   []string       `json:"places"`
	UsesUp   []needForm     `json:"uses_up"`
	Surprise []surpriseForm `json:"surprise"`
	Note     string         `json:"note"`
	Source   *Source        `json:"source"`
}

type surpriseForm struct {
	What   string   `json:"what"`
	Chance float64  `json:"chance"`
	Adds   []string `json:"adds"`
}

// needForm is a part, or one of several, and how many.
type needForm struct {
	Any   []string `json:"any"`
	Times int      `json:"times"`
}

// UnmarshalJSON reads the name of a part, or an object.
func (n *needForm) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		*n = needForm{Any: []string{""}}
		return json.Unmarshal(b, &n.Any[0])
	}
	type plain needForm
	return json.Unmarshal(b, (*plain)(n))
}

// giveForm has the findings on one item, and what is reported where the book says so.
type giveForm struct {
	ids    []string
	values map[string]json.RawMessage
}

// UnmarshalJSON reads a list of findings, or what is reported by finding.
func (g *giveForm) UnmarshalJSON(b []byte) error {
	*g = giveForm{}
	if len(b) > 0 && b[0] == '[' {
		return json.Unmarshal(b, &g.ids)
	}
	err := json.Unmarshal(b, &g.values)
	g.ids = slices.Sorted(maps.Keys(g.values))
	return err
}

type jobForm struct {
	onForm
	ID         string              `json:"id"`
	Is         string              `json:"is"`
	Gives      map[string]giveForm `json:"gives"`
	Shows      map[string]giveForm `json:"shows"`
	Mends      map[string][]string `json:"mends"`
	At         map[string][]string `json:"at"`
	Open       openForms           `json:"open"`
	Fitted     []string            `json:"fitted"`
	After      []string            `json:"after"`
	Must       []string            `json:"must"`
	Then       []string            `json:"then"`
	With       []string            `json:"with"`
	Closes     []string            `json:"closes"`
	Spoils     map[string][]string `json:"spoils"`
	Proof      bool                `json:"proof"`
	Discovered bool                `json:"discovered"`
	Once       string              `json:"once"`
	Licensed   string              `json:"licensed"`
	BoughtIn   []needForm          `json:"bought_in"`
	People     int                 `json:"people"`
	Hours      []float64           `json:"hours"`
	Wait       []float64           `json:"wait"`
	Uses       []string            `json:"uses"`
	Places     []string            `json:"places"`
	Parts      []needForm          `json:"parts"`
	Reveals    []surpriseForm      `json:"reveals"`
	Later      *laterForm          `json:"later"`
	Variants   []variantForm       `json:"variants"`
	Cautions   []string            `json:"cautions"`
	Source     *Source             `json:"source"`
}

// variantForm is what it takes to do a job on some vehicles, where that is not what it takes on others.
type variantForm struct {
	onForm
	ID       string     `json:"id"`
	Is       string     `json:"is"`
	Open     openForms  `json:"open"`
	People   int        `json:"people"`
	Hours    []float64  `json:"hours"`
	Wait     []float64  `json:"wait"`
	Uses     []string   `json:"uses"`
	Places   []string   `json:"places"`
	Parts    []needForm `json:"parts"`
	BoughtIn []needForm `json:"bought_in"`
	Source   *Source    `json:"source"`
}

type laterForm struct {
	Item    string    `json:"item"`
	Shape   float64   `json:"shape"`
	Scale   float64   `json:"scale"`
	Per     string    `json:"per"`
	Fails   []float64 `json:"fails"`
	Because string    `json:"because"`
}
