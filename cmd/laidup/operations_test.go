package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"go.yaml.in/yaml/v3"

	"laidup/internal/config"
	"laidup/internal/ruleset"
)

// described lists the metrics that a process has, also those that nothing was counted for yet.
func described(t *testing.T) map[string]bool {
	t.Helper()
	m := newMetrics([]*ruleset.Set{{Name: "first-start"}})
	m.ask(nil, nil, nil, map[string]*sql.DB{"all": nil})
	descs := make(chan *prometheus.Desc, 1000)
	m.registry.Describe(descs)
	close(descs)
	all := map[string]bool{}
	for d := range descs {
		all[regexp.MustCompile(`fqName: "([^"]+)"`).FindStringSubmatch(d.String())[1]] = true
	}
	return all
}

// known says whether there is a metric of the name, or a series of a histogram.
func known(all map[string]bool, name string) bool {
	for _, of := range []string{"_bucket", "_sum", "_count"} {
		if base, is := strings.CutSuffix(name, of); is && all[base] {
			return true
		}
	}
	return all[name]
}

func operations(t *testing.T) string {
	t.Helper()
	page, err := os.ReadFile(filepath.Join("..", "..", "docs", "operations.md"))
	if err != nil {
		t.Fatal(err)
	}
	return string(page)
}

func TestThePageOnOperationsHasTheMetricsThatThereAre(t *testing.T) {
	page, all := operations(t), described(t)
	for _, name := range regexp.MustCompile(`\b(laidup|go|process)_[a-z_]+\b`).FindAllString(page, -1) {
		if !known(all, name) {
			t.Errorf("the page names %s, which does not exist", name)
		}
	}
	for name := range all {
		if strings.HasPrefix(name, "laidup_") && !strings.Contains(page, "| `"+name+"` |") {
			t.Errorf("the page does not say what %s means", name)
		}
	}
	if len(all) < 40 {
		t.Errorf("only %d metrics are described", len(all))
	}
}

// Flags and headings that the page sends its reader to exist.
func TestThePageOnOperationsNamesWhatExists(t *testing.T) {
	page := operations(t)
	settings, err := os.ReadFile(filepath.Join("..", "..", "docs", "settings.md"))
	if err != nil {
		t.Fatal(err)
	}
	// Flags alone are settings; those that stand with a command are the command's. Other programs'
	// are none of ours.
	flag := regexp.MustCompile(`--[a-z][a-z-]+`)
	for _, code := range regexp.MustCompile("`(--|laidup )[^`]+`").FindAllString(page, -1) {
		text := string(settings)
		if words := strings.Fields(strings.Trim(code, "`")); words[0] == "laidup" {
			command := words[1:min(2, len(words))]
			if words[1] == "keys" || words[1] == "rules" {
				command = words[1:min(3, len(words))]
			}
			status, help, errs := session(t, "", append(slices.Clone(command), "--help")...)
			if text = help; status != 0 {
				t.Errorf("%s: %s", code, errs)
			}
		}
		for _, name := range flag.FindAllString(code, -1) {
			if !strings.Contains(text, name) {
				t.Errorf("%s: there is no %s", code, name)
			}
		}
	}
	for _, link := range regexp.MustCompile(`\]\(#([a-z-]+)\)`).FindAllStringSubmatch(page, -1) {
		if !slices.Contains(anchors(page), link[1]) {
			t.Errorf("there is no heading #%s", link[1])
		}
	}
}

func anchors(page string) (all []string) {
	for _, heading := range regexp.MustCompile(`(?m)^#+ (.*)$`).FindAllStringSubmatch(page, -1) {
		all = append(all, strings.ReplaceAll(regexp.MustCompile(`[^a-z -]`).ReplaceAllString(strings.ToLower(heading[1]), ""), " ", "-"))
	}
	return all
}

// What stands in a PromQL expression besides names of metrics: what is aggregated by, selected, and
// the functions.
var (
	notNames  = regexp.MustCompile(`"[^"]*"|\{[^}]*\}|\[[^\]]*\]|\bby \([^)]*\)|\boffset \d+[smhd]`)
	labelled  = regexp.MustCompile(`([a-z_]+)(?:=~|!~|!=|=)"`)
	word      = regexp.MustCompile(`[a-zA-Z_:][a-zA-Z0-9_:]*`)
	functions = []string{"min", "max", "sum", "rate", "increase", "changes", "histogram_quantile", "and"}
	labels    = []string{"job", "part", "instance", "status", "route", "method"}
)

func TestAlertsAskForMetricsThatThereAreAndSayWhatToDo(t *testing.T) {
	file, err := os.Open(filepath.Join("..", "..", "deploy", "prometheus-rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var rules struct {
		Groups []struct {
			Name  string
			Rules []struct {
				Alert, Expr, For string
				Labels           struct{ Severity string }
				Annotations      struct{ Summary, Runbook string }
			}
		}
	}
	d := yaml.NewDecoder(file)
	d.KnownFields(true)
	if err := d.Decode(&rules); err != nil {
		t.Fatal(err)
	}
	page, all := operations(t), described(t)
	all["up"] = true // Prometheus' own
	var alerts []string
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			alerts = append(alerts, r.Alert)
			if !slices.Contains([]string{"page", "warn"}, r.Labels.Severity) || r.Annotations.Summary == "" || g.Name == "" {
				t.Errorf("%s: severity %q, summary %q", r.Alert, r.Labels.Severity, r.Annotations.Summary)
			}
			if anchor, is := strings.CutPrefix(r.Annotations.Runbook, "docs/operations.md#"); !is || !slices.Contains(anchors(page), anchor) {
				t.Errorf("%s: nobody says what to do at %s", r.Alert, r.Annotations.Runbook)
			}
			if !regexp.MustCompile(`(?m)^\| \[` + r.Alert + `\]`).MatchString(page) {
				t.Errorf("%s is not in the table of alerts", r.Alert)
			}
			if strings.Count(r.Expr, "(") != strings.Count(r.Expr, ")") || strings.Count(r.Expr, `"`)%2 != 0 {
				t.Errorf("%s: %s is not closed", r.Alert, r.Expr)
			}
			for _, label := range labelled.FindAllStringSubmatch(r.Expr, -1) {
				if !slices.Contains(labels, label[1]) {
					t.Errorf("%s: there is no label %s", r.Alert, label[1])
				}
			}
			asked := 0
			for _, name := range word.FindAllString(notNames.ReplaceAllString(r.Expr, " "), -1) {
				switch {
				case known(all, name):
					asked++
				case !slices.Contains(functions, name):
					t.Errorf("%s: there is no metric %s", r.Alert, name)
				}
			}
			if asked == 0 {
				t.Errorf("%s asks for nothing: %s", r.Alert, r.Expr)
			}
		}
	}
	if listed := regexp.MustCompile(`(?m)^\| \[Laidup`).FindAllString(page, -1); len(listed) != len(alerts) || len(alerts) < 10 {
		t.Errorf("%d alerts, %d in the table", len(alerts), len(listed))
	}
}

// The time that the page tells to give to the supervisor is what stopping may take by the defaults.
func TestThePageSaysHowLongStoppingMayTake(t *testing.T) {
	if !strings.Contains(operations(t), "50 s by default") || reflectDefault(config.Work{}, "Grace") != "20s" || reflectDefault(config.HTTP{}, "Drain") != "0s" {
		t.Error("drain + twice the grace + 10 s are not 50 s")
	}
}

func reflectDefault(of any, field string) string {
	f, _ := reflect.TypeOf(of).FieldByName(field)
	return f.Tag.Get("default")
}
