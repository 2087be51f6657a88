package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode"

	"laidup/internal/score"
	"laidup/internal/wording"
)

// page writes an assessment for people: plain text that says everything in words. Colour only
// repeats what the words say.
type page struct {
	io.Writer
	colour bool
	width  int
	words  *wording.Words
}

// newPage begins a page for a terminal.
func newPage(w io.Writer, t terminal) page { return page{w, t.colour, t.width, wording.English()} }

func (p page) line(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

func (p page) heading(s string) {
	p.line("")
	p.line("%s", p.strong(s))
}

func (p page) paint(code, s string) string {
	if !p.colour {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

func (p page) strong(s string) string { return p.paint("1", s) }

// state writes the state of a gate: bold where the key must not be turned.
func (p page) state(s string) string {
	if s == score.Clear {
		return s
	}
	return p.paint("1;7", s)
}

// fill writes text in lines no wider than the page, indented after a first line that is begun.
func (p page) fill(first, rest, text string) {
	line, indent := first, rest
	empty := true
	for _, word := range strings.Fields(printable(text)) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > p.width {
			p.line("%s", line)
			line, empty = indent, true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	p.line("%s", strings.TrimRight(line, " "))
}

// printable leaves out of a text what is no letter or sign: what stands in a report by somebody else
// must not steer the terminal, nor begin a line that says the gate is clear.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case !unicode.IsPrint(r):
			return -1
		}
		return r
	}, text)
}

// registerHead is how many entries of the register are shown unless all are asked for.
const registerHead = 15

// causesHead is how many causes of an entry are shown unless all are asked for.
const causesHead = 2

func writeAssessment(t terminal, a *score.Assessment, title string, all bool) error {
	var b strings.Builder
	p := newPage(&b, t)
	if title == "" {
		title = a.Vehicle
	} else {
		title = printable(title) + " (" + a.Vehicle + ")"
	}
	p.line("%s, as of %s", p.strong(title), a.AsOf)
	p.verdict(a)
	p.gates(a)
	p.blockers(a)
	p.register(a, all)
	p.condition(a)
	p.lists(a)
	p.line("")
	p.line("Rule set %s %s, %s", a.RuleSet.Name, a.RuleSet.Version, a.RuleSet.Digest)
	_, err := io.WriteString(t.out, b.String())
	return err
}

// blockers counts what blocks a gate.
func blockers(n int) string {
	switch n {
	case 0:
		return "no blockers"
	case 1:
		return "1 blocker"
	}
	return fmt.Sprintf("%d blockers", n)
}

func (p page) verdict(a *score.Assessment) {
	p.line("%s: %s, %s; chance of getting that far without harm: %s", p.strong(strings.ToUpper(wording.Spaced(a.Verdict.Gate))), p.state(a.Verdict.State), blockers(a.Verdict.Blockers), p.words.Chance(a.Verdict.ChanceThrough, a.Verdict.ChanceThroughLow, a.Verdict.ChanceThroughHigh))
}

func (p page) table(rows [][]string) {
	w := tabwriter.NewWriter(p, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(w, strings.Join(r, "\t"))
	}
	_ = w.Flush()
}

func (p page) gates(a *score.Assessment) {
	p.heading("Gates")
	rows := [][]string{{"  gate", "state", "blockers", "no harm here", "no harm up to here"}}
	for _, g := range a.Gates {
		rows = append(rows, []string{
			"  " + wording.Spaced(g.Gate), g.State, fmt.Sprint(g.Blockers),
			p.words.Chance(g.ChanceUnharmed, g.ChanceUnharmedLow, g.ChanceUnharmedHigh), p.words.Chance(g.ChanceThrough, g.ChanceThroughLow, g.ChanceThroughHigh),
		})
	}
	p.table(rows)
}

func (p page) blockers(a *score.Assessment) {
	list := a.BlockersBy(a.Verdict.Gate)
	later := len(a.Blockers) - len(list)
	if len(list) > 0 {
		p.heading("Blockers up to " + wording.Spaced(a.Verdict.Gate))
	}
	for _, b := range list {
		head := fmt.Sprintf("%3d. %s, %s: %s", b.Rank, wording.Spaced(b.Gate), b.Kind, p.words.Placed(wording.Spaced(b.Item), b.At))
		if b.Severity != "" {
			head += " (" + b.Severity + ")"
		}
		p.line("%s", p.strong(head))
		p.fill("     ", "     ", b.Because)
		p.fill("     To clear it: ", "       ", p.words.Clearing(b.ClearBy))
		for _, c := range b.Cautions {
			p.fill("     Caution: ", "       ", c)
		}
		p.fill("     By: ", "       ", strings.Join(b.Rules, ", ")+"; "+b.Source)
	}
	if later > 0 {
		p.line("")
		p.line("%d more block later gates: --gate %s shows them.", later, a.Gates[len(a.Gates)-1].Gate)
	}
	for _, g := range a.Gates {
		if g.Gate == a.Verdict.Gate && len(g.Cautions) > 0 {
			p.heading("Before you " + g.Is)
			for _, c := range g.Cautions {
				p.fill("  - ", "    ", c)
			}
		}
	}
}

func (p page) register(a *score.Assessment, all bool) {
	shown := a.Register
	if !all && len(shown) > registerHead {
		shown = shown[:registerHead]
	}
	p.heading("Risk register")
	for _, e := range shown {
		p.fill(fmt.Sprintf("%4d. ", e.Rank), "      ", fmt.Sprintf("%s risk: %s, %s at %s; %s of all risk, based on what is %s", e.Risk, e.Severity, p.words.Chance(e.Probability, e.Low, e.High), wording.Spaced(e.Gate), p.words.Percent(e.Share), e.RestsOn))
		p.fill("      "+wording.Spaced(e.Item)+": ", "      ", e.What)
		causes := e.Causes
		if !all {
			causes = causes[:min(len(causes), causesHead)]
		}
		for i := range causes {
			p.fill("      ", "        ", p.arithmetic(&causes[i]))
		}
		switch left := len(e.Causes) - len(causes); left {
		case 0:
		case 1:
			p.line("      ... and a lesser cause")
		default:
			p.line("      ... and %d lesser causes", left)
		}
	}
	if len(shown) < len(a.Register) {
		p.line("  ... and %d smaller ones: --all shows them.", len(a.Register)-len(shown))
	}
}

// arithmetic shows how the weights of a cause add up.
func (p page) arithmetic(e *score.Cause) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s, then harm in %s of attempts; prior %.1f dB", p.words.Placed(e.Is, e.At), p.words.Chance(e.Probability, e.Low, e.High), p.words.Percent(e.Chance), e.PriorDB.Float())
	if e.ShiftsDB != 0 {
		fmt.Fprintf(&b, "; %+.1f storage and kind of vehicle", e.ShiftsDB.Float())
	}
	for _, ev := range e.Evidence {
		fmt.Fprintf(&b, "; %+.1f %s", ev.EffectiveDB.Float(), ev.Because)
	}
	if len(e.Evidence) > 0 || e.ShiftsDB != 0 {
		fmt.Fprintf(&b, "; together %.1f dB", e.TotalDB.Float())
	}
	return b.String()
}

func (p page) condition(a *score.Assessment) {
	c := a.Condition
	p.heading("Condition, 0 to 100")
	rows := [][]string{{"  system", "expected", "from", "to"}, {"  whole vehicle", fmt.Sprintf("%.0f", c.Expected.Float()), fmt.Sprintf("%.0f", c.Low.Float()), fmt.Sprintf("%.0f", c.High.Float())}}
	for _, s := range c.Systems {
		rows = append(rows, []string{"  " + wording.Spaced(s.System), fmt.Sprintf("%.0f", s.Expected.Float()), fmt.Sprintf("%.0f", s.Low.Float()), fmt.Sprintf("%.0f", s.High.Float())})
	}
	p.table(rows)
	p.line("  Something was found on %d of %d items, %s of them by weight.", a.Coverage.LookedAt, a.Coverage.Applying, p.words.Looked(a.Coverage))
}

func (p page) lists(a *score.Assessment) {
	if len(a.LookNext) > 0 {
		p.heading("What to inspect next")
		rows := [][]string{}
		for _, l := range a.LookNext {
			rows = append(rows, []string{"  " + wording.Spaced(l.Item), fmt.Sprintf("%g min", l.Minutes.Float()), "remove first: " + wording.Spaced(l.Access)})
		}
		p.table(rows)
	}
	if len(a.Conflicts) > 0 {
		p.heading("Contradictions: the worse finding counts until someone inspects again")
		for _, c := range a.Conflicts {
			p.fill("  - ", "    ", p.words.Contradicted(wording.Spaced(c.Item), c)+": "+p.words.Contradiction(c))
		}
	}
	if len(a.Cautions) > 0 {
		p.heading("Cautions")
		for _, c := range a.Cautions {
			p.fill("  - ", "    ", c)
		}
	}
	if len(a.Assumes) > 0 {
		p.heading("Assumptions")
		for _, c := range a.Assumes {
			p.fill("  - ", "    ", c)
		}
	}
}
