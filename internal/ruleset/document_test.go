package ruleset_test

import (
	"slices"
	"strings"
	"testing"

	"laidup/internal/ruleset"
)

// Every mistake says where it is and, where it has one, in which entry.
func TestMistakesOfARuleSet(t *testing.T) {
	for name, c := range map[string]struct {
		changes              []any
		pointer, entry, text string
	}{
		// the JSON Schema
		"a field there is not":              {list{"/author", "me"}, "", "", `additionalProperties 'author' not allowed`},
		"a field of a rule there is not":    {list{"/rules/0/wieght", 3}, "/rules/0", "belt_fraying", `'wieght' not allowed`},
		"no name":                           {list{"/name", drop}, "", "", `missing properties: 'name'`},
		"several missing":                   {list{"/name", drop, "/gates", drop}, "", "", `missing properties: 'name', 'gates'`},
		"another schema":                    {list{"/schema", "laidup.rule_set/1"}, "/schema", "", `value must be "laidup.rule_set/2"`},
		"a version that is a number":        {list{"/version", 1.2}, "/version", "", "expected string, but got number"},
		"a version of two parts":            {list{"/version", "1.2"}, "/version", "", "does not match pattern"},
		"a name with spaces":                {list{"/name", "first start"}, "/name", "", "does not match pattern"},
		"proof that needs no credence":      {list{"/proof_credence", 0}, "/proof_credence", "", "must be > 0"},
		"a weight of a severity missing":    {list{"/severity_weights/marginal", drop}, "/severity_weights", "", "missing properties: 'marginal'"},
		"a half-life of nothing":            {list{"/half_life/years", 0}, "/half_life/years", "", "must be > 0"},
		"no gates":                          {list{"/gates", list{}}, "/gates", "", "minimum 1 items required"},
		"a tolerance of no severity":        {list{"/gates/1/tolerates/awful", 0.1}, "/gates/1/tolerates", "crank", "'awful' not allowed"},
		"a tolerance above certainty":       {list{"/gates/1/tolerates/critical", 1.5}, "/gates/1/tolerates/critical", "crank", "must be <= 1"},
		"a gate that tolerates nothing":     {list{"/gates/1/tolerates", object{}}, "/gates/1/tolerates", "crank", "minimum 1 properties"},
		"a gate without its reason":         {list{"/gates/1/because", drop}, "/gates/1", "crank", "missing properties: 'because'"},
		"an error that helps":               {list{"/common_error", -1}, "/common_error", "", "must be >= 0"},
		"no common error":                   {list{"/common_error", drop}, "", "", "missing properties: 'common_error'"},
		"bad for certain":                   {list{"/likely_bad", 1}, "/likely_bad", "", "must be < 1"},
		"a severity there is not":           {list{"/hazards/1/severity", "awful"}, "/hazards/1/severity", "no_start", `must be one of "catastrophic"`},
		"a severity of a case there is not": {list{"/hazards/0/severity/0/is", "awful"}, "/hazards/0/severity/0/is", "valve_strike", `must be one of "catastrophic"`},
		"a certain prior":                   {list{"/faults/1/prior/is", 1}, "/faults/1/prior/is", "battery_flat", "must be < 1"},
		"a prior of nothing":                {list{"/faults/1/prior/is", 0}, "/faults/1/prior/is", "battery_flat", "must be > 0"},
		"a prior that is sure of itself":    {list{"/faults/0/prior/spread", drop}, "/faults/0/prior", "belt_weak", "missing properties: 'spread'"},
		"a prior for when nothing is known": {list{"/faults/0/prior/when_unknown", 0.2}, "/faults/0/prior", "belt_weak", "'when_unknown' not allowed"},
		"a prior with two forms":            {list{"/faults/0/prior/is", 0.1}, "/faults/0/prior", "belt_weak", "'is' not allowed"},
		"a shift of 70 decibans":            {list{"/faults/0/prior/shifts/0/db", 70}, "/faults/0/prior/shifts/0/db", "belt_weak", "must be <= 60"},
		"a shift for all":                   {list{"/faults/0/prior/shifts/0/when", drop}, "/faults/0/prior/shifts/0", "belt_weak", "missing properties: 'when'"},
		"an anchor to nothing":              {list{"/faults/0/prior/anchor/cite", drop}, "/faults/0/prior/anchor", "belt_weak", "missing properties: 'cite'"},
		"a year that is a number":           {list{"/faults/0/prior/anchor/year", 2019}, "/faults/0/prior/anchor/year", "belt_weak", "expected string, but got number"},
		"a hazard that nothing causes":      {list{"/hazards/0/causes", list{}}, "/hazards/0/causes", "valve_strike", "minimum 1 items required"},
		"a chance above certainty":          {list{"/hazards/0/causes/0/chance", 1.1}, "/hazards/0/causes/0/chance", "valve_strike", "must be <= 1"},
		"no chance at all":                  {list{"/hazards/0/causes/0/chance", 0}, "/hazards/0/causes/0/chance", "valve_strike", "must be > 0"},
		"a chance without a spread":         {list{"/hazards/0/causes/0/spread", drop}, "/hazards/0/causes/0", "valve_strike", "missing properties: 'spread'"},
		"a hazard with a prior":             {list{"/hazards/0/prior", object{"is": 0.1, "spread": 3}}, "/hazards/0", "valve_strike", "'prior' not allowed"},
		"a knot of three":                   {list{"/faults/0/prior/curve/0", list{1, 2, 3}}, "/faults/0/prior/curve/0", "belt_weak", "maximum 2 items required"},
		"a curve without knots":             {list{"/rules/2/weight/curve", list{}}, "/rules/2/weight/curve", "volts", "minimum 1 items required"},
		"a weight of a word":                {list{"/rules/0/weight", "much"}, "/rules/0/weight", "belt_fraying", "expected number, but got string"},
		"a weight of 70 decibans":           {list{"/rules/0/weight", 70}, "/rules/0/weight", "belt_fraying", "must be <= 60"},
		"a kind of blocker there is not":    {list{"/rules/0/blocks/kind", "unproven"}, "/rules/0/blocks/kind", "belt_fraying", `must be one of "defect", "duty"`},
		"a rule that blocks when":           {list{"/rules/0/blocks/when", "true"}, "/rules/0/blocks", "belt_fraying", "'when' not allowed"},
		"a limit of a strange kind":         {list{"/limits/0/kind", "unproven"}, "/limits/0/kind", "belt_over_age", `must be one of "defect", "duty"`},
		"a proof of a strange kind":         {list{"/proofs/0/kind", "defect"}, "/proofs/0/kind", "belt_proven", `must be one of "unproven", "duty"`},
		"a proof that is never asked for":   {list{"/proofs/0/always", false}, "/proofs/0/always", "belt_proven", "value must be true"},
		"a follow without a proof":          {list{"/follows/0/needs", drop}, "/follows/0", "belt_was_frayed", "missing properties: 'needs'"},
		"a condition that is a list":        {list{"/rules/0/when", list{"found.fraying"}}, "/rules/0/when", "belt_fraying", "expected string, but got array"},
		"an empty condition":                {list{"/rules/0/when", ""}, "/rules/0/when", "belt_fraying", "length must be >= 1"},
		"a condition too long":              {list{"/rules/0/when", strings.Repeat("x", 1001)}, "/rules/0/when", "belt_fraying", "length must be <= 1000"},
		"nothing that clears":               {list{"/proofs/0/clear_by", list{}}, "/proofs/0/clear_by", "belt_proven", "minimum 1 items required"},
		"a regulation not cited":            {list{"/rules/0/source", object{"kind": "regulation"}}, "/rules/0/source", "belt_fraying", "missing properties: 'cite'"},
		"judgement that is cited":           {list{"/rules/0/source/cite", "me"}, "/rules/0/source", "belt_fraying", "'cite' not allowed"},
		"a source there is not":             {list{"/rules/0/source/kind", "forum"}, "/rules/0/source/kind", "belt_fraying", "value must be one of"},
		"no proof":                          {list{"/proofs/0/proves", drop}, "/proofs/0", "belt_proven", "missing properties: 'proves'"},
		"an estimate that is cited":         {list{"/faults/0/source/cite", "me"}, "/faults/0/source", "belt_weak", "'cite' not allowed"},
		"a method on nobody's word":         {list{"/catalogue/methods/0/source", drop}, "/catalogue/methods/0", "seen", "missing properties: 'source'"},
		"a method with a credence":          {list{"/catalogue/methods/0/credence", 0.9}, "/catalogue/methods/0", "seen", "'credence' not allowed"},
		"an item's own figure of nothing":   {list{"/catalogue/systems/0/items/0/methods/seen/reassures", 0}, "/catalogue/systems/0/items/0/methods/seen/reassures", "timing_belt", "must be > 0"},
		"a part of nothing":                 {list{"/catalogue/systems/0/items/0/parts/cover", list{}}, "/catalogue/systems/0/items/0/parts/cover", "timing_belt", "minimum 1 items required"},
		"a grade of 101":                    {list{"/grades/0/map/silent", 101}, "/grades/0/map/silent", "", "must be <= 100"},
		"a grade of a strange name":         {list{"/grades/0/map/a b~1c", "x"}, "/grades/0/map/a b~1c", "", "expected number"},
		"a grade of neither":                {list{"/grades/0/map", drop}, "/grades/0", "", "missing properties"},
		"null for a list":                   {list{"/rules", nil}, "/rules", "", "expected array, but got null"},
		"a fact of no kind":                 {list{"/catalogue/facts/2/kind", "word"}, "/catalogue/facts/2/kind", "interference", "must be one of"},

		// the catalogue
		"an item in two systems":     {list{"/catalogue/systems/1/items/0/id", "timing_belt"}, "/catalogue/systems/1/items/0/id", "timing_belt", "is there already"},
		"an unheard-of access":       {list{"/catalogue/systems/1/items/0/access", "roof"}, "/catalogue/systems/1/items/0/access", "battery", "is not an access"},
		"an item that never applies": {list{"/catalogue/systems/1/items/0/applies", "wheels > 4"}, "/catalogue/systems/1/items/0/applies", "battery", `reads "wheels"`},

		"positions there are not":  {list{"/catalogue/systems/1/items/0/positions", "corners"}, "/catalogue/systems/1/items/0/positions", "battery", `"corners"`},
		"a part with no such find": {list{"/catalogue/systems/0/items/0/parts/cover/0", "colour"}, "/catalogue/systems/0/items/0/parts/cover/0", "timing_belt", `"colour"`},

		// gates, weights
		"needed from no gate":        {list{"/catalogue/systems/0/items/0/needed_from/gate", "fly"}, "/catalogue/systems/0/items/0/needed_from/gate", "timing_belt", `"fly" is not a gate`},
		"what is worse is tolerated": {list{"/gates/1/tolerates/catastrophic", 0.05}, "/gates/1/tolerates/critical", "crank", "is less than is tolerated of what is catastrophic"},
		"two of an item's half-life": {list{"/half_lives/0/item", "timing_belt"}, "/half_lives/0", "", "timing_belt has a half_life of its own"},
		"asks for no gate":           {list{"/asks", "fly"}, "/asks", "", `"fly" is not a gate of this rule set`},
		"two gates of one name":      {list{"/gates/0/id", "crank"}, "/gates/1/id", "crank", `"crank" is there already`},
		"what is worse weighs less":  {list{"/severity_weights/critical", 2000}, "/severity_weights/critical", "", "weighs more than what is worse"},
		"an access there is not":     {list{"/look_next/access/1", "roof"}, "/look_next/access/1", "", `"roof" is not an access`},
		"a half-life of no item":     {list{"/half_lives/0/item", "wing"}, "/half_lives/0/item", "", `"wing" is not an item`},
		"two half-lives of one item": {list{"/half_lives/-", object{"item": "battery", "years": 3, "source": object{"kind": "judgement"}}}, "/half_lives/1/item", "", `"battery" is there already`},
		"a weight of no item":        {list{"/weights/items/0/id", "wing"}, "/weights/items/0/id", "wing", "is not an item"},
		"a weight of no system":      {list{"/weights/systems/0/id", "wings"}, "/weights/systems/0/id", "wings", "is not a system"},
		"two weights of one item":    {list{"/weights/items/-", object{"id": "timing_belt", "weight": 1}}, "/weights/items/1/id", "timing_belt", "is there already"},
		"two weights of one system":  {list{"/weights/systems/-", object{"id": "electrics", "weight": 1}}, "/weights/systems/1/id", "electrics", "is there already"},

		// faults
		"two faults of one name":      {list{"/faults/1/id", "belt_weak"}, "/faults/1/id", "belt_weak", "is there already"},
		"a fault of no item":          {list{"/faults/1/item", "wing"}, "/faults/1/item", "battery_flat", `"wing" is not an item`},
		"a fault when found":          {list{"/faults/1/when", "other.battery.secured"}, "/faults/1/when", "battery_flat", "only facts about the vehicle can be read here"},
		"a shift by a finding":        {list{"/faults/0/prior/shifts/0/when", "other.timing_belt.fraying"}, "/faults/0/prior/shifts/0/when", "belt_weak", "is not declared"},
		"a prior of a choice":         {list{"/faults/0/prior/of", "interference"}, "/faults/0/prior/of", "belt_weak", "gives a word where a number is wanted"},
		"a prior of a misspelling":    {list{"/faults/0/prior/of", "agee"}, "/faults/0/prior/of", "belt_weak", `did you mean "age"?) (line 1, column 1 of the condition)`},
		"a prior from right to left":  {list{"/faults/0/prior/curve/1/0", 0}, "/faults/0/prior/curve/1", "belt_weak", "from left to right"},
		"a prior above certainty":     {list{"/faults/0/prior/curve/1/1", 1.5}, "/faults/0/prior/curve/1", "belt_weak", "between 0 and 1"},
		"a prior that begins at none": {list{"/faults/0/prior/curve/0/1", 0}, "/faults/0/prior/curve/0", "belt_weak", "between 0 and 1"},
		"a prior that falls":          {list{"/faults/0/prior/curve/1/1", 0.0005}, "/faults/0/prior/curve/1", "belt_weak", "the curve falls from 0.001 to 0.0005"},
		"a cap below the curve":       {list{"/faults/0/prior/cap", 0.1}, "/faults/0/prior/cap", "belt_weak", "is below the 0.2"},
		"a cap below a constant":      {list{"/faults/1/prior/cap", 0.1}, "/faults/1/prior/cap", "battery_flat", "is below the 0.3"},
		"a fault that does no harm":   {list{"/hazards/1/causes/0/fault", "belt_weak", "/hazards/1/causes/1", drop}, "/faults/1", "battery_flat", "does no harm"},
		"a prior that reads too much": {list{"/faults/0/prior/of", `found.fraying && found.noise == "rough" && found.record != "" && found.ordered < found.renewed && found.removed && found.judged == "unfit" && other.battery.secured ? 1 : found.run`}, "/faults/0/prior/of", "belt_weak", "reads 9 findings: 8 is the limit"},

		// hazards
		"two hazards of one name":    {list{"/hazards/1/id", "valve_strike"}, "/hazards/1/id", "valve_strike", "is there already"},
		"a hazard at no gate":        {list{"/hazards/1/gate", "fly"}, "/hazards/1/gate", "no_start", `"fly" is not a gate`},
		"a hazard when found":        {list{"/hazards/1/when", "other.battery.secured"}, "/hazards/1/when", "no_start", "is not declared"},
		"severity by a finding":      {list{"/hazards/0/severity/0/when", "other.timing_belt.fraying"}, "/hazards/0/severity/0/when", "valve_strike", "is not declared"},
		"a severity without an end":  {list{"/hazards/0/severity/1/when", "cylinders > 4"}, "/hazards/0/severity", "valve_strike", "the last case, and only the last"},
		"a severity that ends early": {list{"/hazards/0/severity/0/when", drop}, "/hazards/0/severity", "valve_strike", "the last case, and only the last"},
		"a cause that is none":       {list{"/hazards/0/causes/0/fault", "belt_week"}, "/hazards/0/causes/0/fault", "valve_strike", `"belt_week" is not a fault`},
		"a cause twice":              {list{"/hazards/1/causes/0/fault", "belt_weak"}, "/hazards/1/causes/1/fault", "no_start", "is a cause of it already"},
		"a chance by a finding":      {list{"/hazards/1/causes/0/chance/0/when", "other.battery.secured"}, "/hazards/1/causes/0/chance/0/when", "no_start", "is not declared"},
		"a chance without an end":    {list{"/hazards/1/causes/0/chance/1/when", "cylinders > 4"}, "/hazards/1/causes/0/chance", "no_start", "the last case, and only the last"},

		// rules
		"two rules of one name":       {list{"/rules/1/id", "belt_fraying"}, "/rules/1/id", "belt_fraying", "is there already"},
		"a rule of no fault":          {list{"/rules/0/fault", "weak"}, "/rules/0/fault", "belt_fraying", `"weak" is not a fault`},
		"a rule on no item":           {list{"/rules/0/item", "wing"}, "/rules/0/item", "belt_fraying", `"wing" is not an item`},
		"a rule that blocks no gate":  {list{"/rules/0/blocks/gate", "fly"}, "/rules/0/blocks/gate", "belt_fraying", "is not a gate"},
		"a rule that blocks if found": {list{"/rules/0/blocks/if", "found.fraying"}, "/rules/0/blocks/if", "belt_fraying", "is not declared"},
		"a rule named as a limit":     {list{"/rules/1/id", "belt_over_age"}, "/rules/1/id", "belt_over_age", "is there already"},
		"a rule that clears no limit": {list{"/rules/1/clear_by", list{object{"item": "timing_belt", "found": object{"fraying": false}}}}, "/rules/1/clear_by", "belt_sound", "belongs to a rule that speaks for its fault"},
		"a rule of another item":      {list{"/rules/0/when", "found.open_circuit < 12"}, "/rules/0/when", "belt_fraying", `reads "found.open_circuit"`},
		"a rule that is a number":     {list{"/rules/0/when", "found.run"}, "/rules/0/when", "belt_fraying", "gives a number"},
		"a rule on facts alone":       {list{"/rules/0/when", "cylinders > 4"}, "/rules/0/when", "belt_fraying", "reads no finding: what the facts alone say belongs into the prior"},
		"a rule on years alone":       {list{"/rules/0/when", "years_laid_up > 4"}, "/rules/0/when", "belt_fraying", "reads no finding"},
		"a weight of a word's place":  {list{"/rules/2/weight/of", "found.secured"}, "/rules/2/weight/of", "volts", "gives a condition"},
		"a weight from right to left": {list{"/rules/2/weight/curve/1/0", 11}, "/rules/2/weight/curve/1", "volts", "from left to right"},
		"a rule that reads too much": {list{"/rules/0/when", `found.fraying && found.noise == "rough" && found.run > 1 && found.record != "" && found.ordered < found.renewed && age > 1 && found.removed && found.judged == "unfit" && other.battery.secured`},
			"/rules/0/when", "belt_fraying", "reads 10 findings: 8 is the limit"},
		"a reason with no such finding": {list{"/rules/0/because", "at {found.speed}"}, "/rules/0/because", "belt_fraying", "{found.speed} is not something that can be put in"},
		"a reason that is not closed":   {list{"/rules/0/because", "at {age"}, "/rules/0/because", "belt_fraying", "{age} is not something"},
		"a reason with a text in it":    {list{"/rules/0/because", "says {found.record}"}, "/rules/0/because", "belt_fraying", "{found.record} is not something"},
		"a reason with braces":          {list{"/rules/0/because", "a {} b"}, "/rules/0/because", "belt_fraying", "{} is not something"},

		// limits
		"two limits of one name":         {list{"/limits/1/id", "belt_over_age"}, "/limits/1/id", "belt_over_age", "is there already"},
		"a limit of no fault":            {list{"/limits/0/fault", "weak"}, "/limits/0/fault", "belt_over_age", `"weak" is not a fault`},
		"a limit on no item":             {list{"/limits/1/item", "wing"}, "/limits/1/item", "battery_loose", `"wing" is not an item`},
		"a limit of nothing":             {list{"/limits/1/item", drop}, "/limits/1", "battery_loose", "speaks of no fault and of no item"},
		"a limit at no gate":             {list{"/limits/0/gate", "fly"}, "/limits/0/gate", "belt_over_age", "is not a gate"},
		"a limit if found":               {list{"/limits/0/if", "found.fraying"}, "/limits/0/if", "belt_over_age", "is not declared"},
		"a limit that guards nothing":    {list{"/limits/1/guards/0", "strike"}, "/limits/1/guards/0", "battery_loose", `"strike" is not a hazard`},
		"a limit that guards it twice":   {list{"/limits/1/guards", list{"no_start", "no_start"}}, "/limits/1/guards/1", "battery_loose", "is there already"},
		"a limit that always holds":      {list{"/limits/1/when", "true"}, "/limits/1/when", "battery_loose", "reads nothing"},
		"a limit on a number, unguarded": {list{"/limits/1/when", "age > 4", "/limits/1/guards", drop}, "/limits/1", "battery_loose", "guards nothing"},
		"a limit that nothing clears":    {list{"/limits/1/clear_by", drop}, "/limits/1", "battery_loose", "says nothing of what clears it"},
		"a limit that is a number":       {list{"/limits/0/when", "age"}, "/limits/0/when", "belt_over_age", "gives a number"},
		"a limit for a strange reason":   {list{"/limits/0/because", "{x}"}, "/limits/0/because", "belt_over_age", "{x} is not something"},

		// what clears
		"cleared on no item":             {list{"/faults/1/clear_by/0/item", "wing"}, "/faults/1/clear_by/0/item", "battery_flat", "is not an item"},
		"cleared by no finding":          {list{"/faults/1/clear_by/0/found", object{"charge": 1}}, "/faults/1/clear_by/0/found/charge", "battery_flat", `"charge" cannot be found on battery`},
		"cleared by a strange finding":   {list{"/faults/1/clear_by/0/found", object{"a/b": 1}}, "/faults/1/clear_by/0/found/a~1b", "battery_flat", "cannot be found"},
		"cleared by a wrong unit":        {list{"/faults/1/clear_by/0/found/open_circuit/unit", "bar"}, "/faults/1/clear_by/0/found/open_circuit", "battery_flat", "is not a unit for this"},
		"cleared by an impossible value": {list{"/faults/1/clear_by/0/found/open_circuit/value", 600}, "/faults/1/clear_by/0/found/open_circuit", "battery_flat", "is impossible here"},
		"cleared by a word for a flag":   {list{"/proofs/0/clear_by/0/found/fraying", "no"}, "/proofs/0/clear_by/0/found/fraying", "belt_proven", "it has to be true or false"},
		"as_of for what is no date":      {list{"/proofs/0/clear_by/0/found", object{"noise": "as_of"}}, "/proofs/0/clear_by/0/found/noise", "belt_proven", `"as_of" is not an answer`},
		"cleared by two values":          {list{"/limits/0/clear_by", list{object{"item": "timing_belt", "found": object{"fraying": true}}}}, "/proofs/0/clear_by/0/found/fraying", "belt_proven", "asks for another fraying of timing_belt than /limits/0/clear_by/0/found/fraying does"},
		"cleared by one thing twice":     {list{"/proofs/0/clear_by/-", object{"item": "timing_belt", "found": object{"fraying": false}}}, "/proofs/0/clear_by/1/found/fraying", "belt_proven", "is asked for already"},
		"as_of and another day":          {list{"/proofs/0/clear_by/0/found", object{"renewed": "2026-05-02"}}, "/proofs/0/clear_by/0/found/renewed", "belt_proven", "asks for another renewed of timing_belt"},

		// proofs
		"two proofs of one name":            {list{"/proofs/-", object{"id": "belt_proven", "item": "battery", "gate": "crank", "proves": "found.secured", "always": true, "because": "x", "clear_by": list{object{"item": "battery", "found": object{"secured": true}}}, "source": object{"kind": "judgement"}}}, "/proofs/1/id", "belt_proven", "is there already"},
		"a proof on no item":                {list{"/proofs/0/item", "wing"}, "/proofs/0/item", "belt_proven", "is not an item"},
		"a proof at no gate":                {list{"/proofs/0/gate", "fly"}, "/proofs/0/gate", "belt_proven", "is not a gate"},
		"a proof that guards nothing":       {list{"/proofs/0/guards/0", "strike"}, "/proofs/0/guards/0", "belt_proven", `"strike" is not a hazard`},
		"a proof always and sometimes":      {list{"/proofs/0/always", true}, "/proofs/0/guards", "belt_proven", "leave out always or guards"},
		"a proof never asked for":           {list{"/proofs/0/guards", drop}, "/proofs/0", "belt_proven", "is never asked for"},
		"a proof by facts":                  {list{"/proofs/0/proves", "cylinders > 4"}, "/proofs/0/proves", "belt_proven", "facts alone prove nothing"},
		"a proof by a misspelling":          {list{"/proofs/0/proves", "!found.frayin"}, "/proofs/0/proves", "belt_proven", `did you mean "found.fraying"?) (line 1, column 2 of the condition)`},
		"a proof needed by nothing":         {list{"/proofs/0/when", "nothing"}, "/proofs/0/when", "belt_proven", "is not declared"},
		"a proof for a strange reason":      {list{"/proofs/0/because", "{x}"}, "/proofs/0/because", "belt_proven", "{x} is not something"},
		"a proof that is not met":           {list{"/proofs/0/proves", "found.fraying"}, "/proofs/0/clear_by", "belt_proven", "does not make `proves` true: ask for"},
		"a proof that is met by half":       {list{"/proofs/0/proves", `!found.fraying && found.noise == "silent"`}, "/proofs/0/clear_by", "belt_proven", "does not make `proves` true: ask for"},
		"a proof that some cannot meet":     {list{"/proofs/0/proves", `!found.fraying && (turbocharged || found.noise == "silent")`}, "/proofs/0/clear_by", "belt_proven", "does not make `proves` true on a vehicle with turbocharged: false"},
		"a proof that no vehicle asked can": {list{"/proofs/0/when", "turbocharged", "/proofs/0/proves", `!found.fraying && !turbocharged`}, "/proofs/0/clear_by", "belt_proven", "on a vehicle with turbocharged: true"},

		// follows
		"two follows of one name":       {list{"/follows/-", object{"id": "belt_was_frayed", "item": "timing_belt", "when": "found.fraying", "needs": "belt_proven", "because": "x", "source": object{"kind": "judgement"}}}, "/follows/1/id", "belt_was_frayed", "is there already"},
		"a follow on no item":           {list{"/follows/0/item", "wing"}, "/follows/0/item", "belt_was_frayed", "is not an item"},
		"a follow that needs no proof":  {list{"/follows/0/needs", "proven"}, "/follows/0/needs", "belt_was_frayed", `"proven" is not a proof`},
		"a follow of facts":             {list{"/follows/0/when", "turbocharged"}, "/follows/0/when", "belt_was_frayed", "reads no finding"},
		"a follow for a strange reason": {list{"/follows/0/because", "{x}"}, "/follows/0/because", "belt_was_frayed", "{x} is not something"},

		// condition
		"unseen of a finding":             {list{"/unseen/of", "found.run"}, "/unseen/of", "", "use age, years_laid_up or years_since_built"},
		"unseen from right to left":       {list{"/unseen/high/curve/1/0", 0}, "/unseen/high/curve/1", "", "from left to right"},
		"a grade of no item":              {list{"/grades/0/item", "wing"}, "/grades/0/item", "", "is not an item"},
		"a grade of no finding":           {list{"/grades/0/of", "colour"}, "/grades/0/of", "", `"colour" cannot be found on timing_belt`},
		"a grade of a finding of some":    {list{"/grades/1/of", "noise"}, "/grades/1/of", "", `"noise" cannot be found on battery`},
		"a grade of a value there is not": {list{"/grades/0/map/loud", 50}, "/grades/0/map/loud", "", `noise is never "loud"`},
		"a grade of a strange value":      {list{"/grades/0/map/a~1b", 50}, "/grades/0/map/a~1b", "", "never"},
		"a worse choice graded better":    {list{"/grades/0/map/rough", 70}, "/grades/0/map", "", "a worse noise gets a better condition"},
		"a worse flag graded better":      {list{"/grades/3/map/false", 100.0, "/grades/3/map/true", 20}, "/grades/3/map", "", "a worse secured gets a better condition"},
		"a worse number graded better":    {list{"/grades/2/curve/1/1", 0.0, "/grades/2/curve/0/1", 50}, "/grades/2/curve/1", "", "a worse open_circuit gets a better condition"},
		"a curve above 100":               {list{"/grades/2/curve/1/1", 101}, "/grades/2/curve/1", "", "101 is not between 0 and 100"},
		"a curve from right to left":      {list{"/grades/2/curve/1/0", 11}, "/grades/2/curve/1", "", "from left to right"},
		"a choice graded by a curve":      {list{"/grades/0", object{"item": "timing_belt", "of": "noise", "curve": list{list{0, 1}}, "source": object{"kind": "judgement"}}}, "/grades/0", "", "graded by a map"},
		"a date graded by a map":          {list{"/grades/0/of", "renewed"}, "/grades/0", "", "graded by a map"},
	} {
		t.Run(name, func(t *testing.T) {
			text := spoilt(t, c.changes...)
			mistakes := mistakesOf(t, "small.json", text)
			i := slices.IndexFunc(mistakes, func(m ruleset.Mistake) bool { return m.Pointer == c.pointer && strings.Contains(m.Detail, c.text) })
			if i < 0 {
				t.Fatalf("mistakes are\n%s\nwant %s: %s", mistakes, c.pointer, c.text)
			}
			f := mistakes[i]
			if f.Entry != c.entry || f.File != "small.json" || f.Line < 1 || f.Column < 1 || f.Line > strings.Count(text, "\n")+1 {
				t.Errorf("mistake is %+v, want entry %q", f, c.entry)
			}
		})
	}
}

func TestAllMistakesAreToldAtOnce(t *testing.T) {
	mistakes := mistakesOf(t, "small.json", spoilt(t, "/asks", "fly", "/faults/0/prior/of", "luck", "/hazards/1/gate", "fly", "/rules/2/when", "found.x", "/proofs/0/because", "{x}", "/unseen/of", "luck", "/grades/0/of", "colour"))
	if len(mistakes) < 7 {
		t.Errorf("mistakes are\n%s", mistakes)
	}
	if lines := strings.Split(mistakes.Error(), "\n"); len(lines) != len(mistakes) || lines[0] != mistakes[0].String() {
		t.Errorf("as one text:\n%s", mistakes)
	}
	mistakes = mistakesOf(t, "small.json", spoilt(t, "/name", "X Y", "/version", 1, "/rules/0/weight", "x", "/hazards/0/gate", 5))
	for _, pointer := range []string{"/name", "/version", "/rules/0/weight", "/hazards/0/gate"} {
		if !slices.ContainsFunc(mistakes, func(m ruleset.Mistake) bool { return m.Pointer == pointer }) {
			t.Errorf("nothing is said of %s:\n%s", pointer, mistakes)
		}
	}
}

func TestAMistakeReadsAsEditorsUnderstandIt(t *testing.T) {
	for want, m := range map[string]ruleset.Mistake{
		"rules.yaml:3:5: belt: /rules/0/when: wrong": {File: "rules.yaml", Line: 3, Column: 5, Entry: "belt", Pointer: "/rules/0/when", Detail: "wrong"},
		"rules.yaml: wrong":                          {File: "rules.yaml", Detail: "wrong"},
		"/asks: wrong":                               {Pointer: "/asks", Detail: "wrong"},
		"3:5: /asks: wrong":                          {Line: 3, Column: 5, Pointer: "/asks", Detail: "wrong"},
	} {
		if got := m.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Where a value may have one of several forms, what is said is what keeps it from the one that was meant.
func TestMistakesOfAFormAmongSeveral(t *testing.T) {
	for name, c := range map[string]struct {
		changes []any
		want    []string
	}{
		"a prior over a number":  {list{"/faults/0/prior/curve", drop}, []string{"/faults/0/prior: missing properties: 'curve'"}},
		"a chance":               {list{"/hazards/0/causes/0/chance", 2}, []string{"/hazards/0/causes/0/chance: must be <= 1 but found 2"}},
		"a chance in cases":      {list{"/hazards/1/causes/0/chance/0/is", 2}, []string{"/hazards/1/causes/0/chance/0/is: must be <= 1 but found 2"}},
		"what a rule blocks":     {list{"/rules/0/blocks/gate", drop}, []string{"/rules/0/blocks: missing properties: 'gate'"}},
		"a severity":             {list{"/hazards/1/severity", "awful"}, []string{`/hazards/1/severity: value must be one of "catastrophic", "critical", "marginal", "negligible"`}},
		"a severity in cases":    {list{"/hazards/0/severity/0/is", "awful"}, []string{`/hazards/0/severity/0/is: value must be one of "catastrophic", "critical", "marginal", "negligible"`}},
		"a weight over a number": {list{"/rules/2/weight/curve", drop}, []string{"/rules/2/weight: missing properties: 'curve'"}},
		"a weight that is none":  {list{"/rules/2/weight", true}, []string{"/rules/2/weight: expected number, but got boolean", "/rules/2/weight: expected object, but got boolean"}},
		"a cited source":         {list{"/rules/2/source/cite", drop}, []string{"/rules/2/source: missing properties: 'cite'"}},
		"an uncited source":      {list{"/rules/0/source/cite", "x"}, []string{"/rules/0/source: additionalProperties 'cite' not allowed"}},
		"a grade both ways":      {list{"/grades/0/curve", list{list{0, 0}}}, []string{"/grades/0: this has several forms at once: use one of them"}},
		"a grade in no way":      {list{"/grades/0/map", drop}, []string{"/grades/0: missing properties: 'map'", "/grades/0: missing properties: 'curve'"}},
	} {
		var got []string
		for _, f := range mistakesOf(t, "small.json", spoilt(t, c.changes...)) {
			got = append(got, f.Pointer+": "+f.Detail)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: mistakes are %q, want %q", name, got, c.want)
		}
	}
}
