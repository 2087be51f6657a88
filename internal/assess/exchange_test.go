package assess_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"laidup/internal/assess"
	"laidup/internal/assess/assesstest"
	"laidup/internal/builtin"
	"laidup/internal/ruleset"
)

// stand is a service on a store in memory, with a clock that a test sets and ids of its own.
type stand struct {
	assess.Account
	service *assess.Service
	store   *assesstest.Memory
	files   *assesstest.Files
	queue   *assesstest.Queue
	now     *time.Time
}

// openStand opens a service for an organisation; its ids begin with a name. Rule sets are published as they are.
func openStand(t rapid.TB, name, organisation string, now time.Time, published ...*ruleset.Set) *stand {
	t.Helper()
	s := &stand{store: assesstest.NewMemory(), files: &assesstest.Files{}, queue: &assesstest.Queue{}, now: &now}
	ids := 0
	var err error
	s.service, err = assess.New(assess.Options{
		Store: s.store, Attachments: s.store, Files: s.files, Queue: s.queue,
		RuleSets: builtin.RuleSets(), Loader: builtin.Loader(), Clock: func() time.Time { return now },
		NewID: func() string { ids++; return fmt.Sprintf("%s-%06d", name, ids) }, TryFor: 10 * time.Minute,
	})
	if err != nil {
		t.Fatal(err)
	}
	return s.another(t, organisation, published...)
}

// another is the same service for another organisation.
func (s stand) another(t rapid.TB, organisation string, published ...*ruleset.Set) *stand {
	t.Helper()
	for _, set := range published {
		ref := assess.RuleSetRef{Name: set.Name, Version: set.Version, Digest: set.Digest}
		if _, err := s.store.Publish(context.Background(), assess.Publication{RuleSetRef: ref, Organisation: organisation, Is: set.Is, PublishedAt: *s.now}, set.Canonical); err != nil {
			t.Fatal(err)
		}
	}
	s.Account = s.service.For(organisation)
	return &s
}

// work scores what is queued.
func (s *stand) work(t rapid.TB) {
	t.Helper()
	for task, ok := s.queue.Take(); ok; task, ok = s.queue.Take() {
		if err := s.service.Score(context.Background(), task.AssessmentID); err != nil {
			t.Fatal(err)
		}
	}
}

func (s *stand) export(t rapid.TB) []byte {
	t.Helper()
	var out bytes.Buffer
	x, err := s.Export(context.Background(), []assess.ExportedSubscription{{ID: "sub_1", URL: "https://yard.example/", CreatedAt: *s.now}})
	if err == nil {
		err = x.Write(context.Background(), &out)
	}
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func (s *stand) take(text []byte) (assess.Imported, error) {
	return s.Import(context.Background(), assess.ImportOrder{MaxLine: 4 << 20}, bytes.NewReader(text))
}

// told is all that is known of an organisation's vehicles, without ids and the times at which something was done here.
func (s *stand) told(t rapid.TB) (all []string) {
	t.Helper()
	ctx := context.Background()
	vehicles, err := s.Vehicles(ctx, assess.VehiclePage{By: assess.ByReference, Gate: "crank", Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range vehicles {
		all = append(all, fmt.Sprintf("%s %q: %d stand, %d do not, %s, at %+v, %+v", v.Reference, v.Description, v.Reports, v.Withdrawn, v.UpdatedAt, v.At, v.Coverage))
		reports, err := s.Reports(ctx, assess.ReportPage{Vehicle: v.Reference, Limit: 1000})
		if err != nil {
			t.Fatal(err)
		}
		ordinals := map[string]int{}
		for _, r := range reports {
			ordinals[r.ID] = r.Ordinal
		}
		for _, r := range reports {
			all = append(all, fmt.Sprintf("report %d %s %s %s, withdrawn %s for %q, replaced by %d: %s", r.Ordinal, r.Reference, r.Inspected, r.ReceivedAt, r.WithdrawnAt, r.Because, ordinals[r.ReplacedBy], r.Body))
			said, err := r.Said()
			if err != nil {
				t.Fatal(err)
			}
			for _, shown := range said.Photos {
				all = append(all, "photo "+shown.ID+": "+s.digests(t, shown.ID))
			}
		}
		history, err := s.History(ctx, assess.HistoryPage{Vehicle: v.Reference, Limit: 1000})
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range history {
			a, err := s.Assessment(ctx, h.ID)
			if err != nil {
				t.Fatal(err)
			}
			body := strings.NewReplacer(a.ID, "ID", a.ReportID, "REPORT").Replace(string(a.Outcome.Body))
			all = append(all, fmt.Sprintf("assessment %d of report %d at %s under %v, %s: %s", a.Ordinal, ordinals[a.ReportID], a.Gate, a.RuleSet, a.State, body))
		}
	}
	return all
}

// digests is that of a photo, and how large it and its thumbnail are, as they can be read.
func (s *stand) digests(t rapid.TB, id string) (all string) {
	t.Helper()
	a, err := s.Attachment(context.Background(), id)
	opened := a
	a.File, a.CreatedAt = "", time.Time{}
	for _, thumbnail := range []bool{false, true} {
		var file io.ReadSeekCloser
		if err == nil {
			file, err = s.OpenPhoto(context.Background(), opened, thumbnail)
		}
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(file)
		if err != nil {
			t.Fatal(err)
		}
		c, kind, err := image.DecodeConfig(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		all += fmt.Sprintf(" %s of %d by %d, %+v", kind, c.Width, c.Height, a)
		if digest := sha256.Sum256(data); !thumbnail && hex.EncodeToString(digest[:]) != id {
			t.Fatalf("photo %s has the digest %x", id, digest)
		}
	}
	return all
}

// attach stores a picture, as a photo or not, which is another for each number.
func (s *stand) attach(t rapid.TB, side, n int, drawn bool) string {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, side, side))
	noise := rand.New(rand.NewPCG(1, uint64(n))) // #nosec G404 -- it takes room
	for i := range m.Pix {
		m.Pix[i] = byte(noise.Uint32()) | 3
	}
	var b bytes.Buffer
	err := jpeg.Encode(&b, m, nil)
	if drawn {
		b.Reset()
		err = png.Encode(&b, m)
	}
	if err != nil {
		t.Fatal(err)
	}
	a, _, err := s.Attach(context.Background(), b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return a.ID
}

// parts are observations to make reports of.
func parts(t testing.TB) (vehicle json.RawMessage, observations []json.RawMessage) {
	t.Helper()
	for n := 1; n <= 3; n++ {
		var o struct {
			Vehicle      json.RawMessage
			Observations []json.RawMessage
		}
		if err := json.Unmarshal(read(t, "schema", "demo", fmt.Sprintf("brennick-wren-03.%d.json", n)), &o); err != nil {
			t.Fatal(err)
		}
		if n == 1 {
			vehicle = o.Vehicle
		}
		observations = append(observations, o.Observations...)
	}
	return vehicle, observations
}

func yardRules(t testing.TB) *ruleset.Set {
	t.Helper()
	set, err := builtin.Loader().Knowing(builtin.RuleSets()...).Document("yard", fmt.Appendf(nil, yardOverlay, builtin.FirstStart().Version, "yard", "1.0.0"))
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// history has an organisation live for a while: reports come, are withdrawn and replaced, on some vehicles.
func (s *stand) history(t *rapid.T, vehicle json.RawMessage, observations []json.RawMessage) {
	ctx := context.Background()
	came := map[string][]string{}
	for range rapid.IntRange(1, 14).Draw(t, "happenings") {
		*s.now = s.now.Add(time.Duration(rapid.IntRange(-3, 30*24).Draw(t, "hours")) * time.Hour)
		name := rapid.SampledFrom([]string{"wren-01", "wren-02", "wren-03"}).Draw(t, "vehicle")
		kind := rapid.SampledFrom([]string{"report", "report", "report", "correction", "withdrawal"}).Draw(t, "what")
		if len(came[name]) == 0 {
			kind = "report"
		}
		if kind == "withdrawal" {
			id := rapid.SampledFrom(came[name]).Draw(t, "report")
			if _, err := s.Withdraw(ctx, id, "it was made of <another> vehicle"); err != nil {
				t.Fatal(err)
			}
			continue
		}
		var some []json.RawMessage
		for range rapid.IntRange(1, 6).Draw(t, "observations") {
			some = append(some, rapid.SampledFrom(observations).Draw(t, "observation"))
		}
		// A date may lie a day ahead, and long ago.
		date := s.now.Add(time.Duration(rapid.IntRange(-60, 1).Draw(t, "days")) * 24 * time.Hour).Format(time.DateOnly)
		form := map[string]any{
			"schema": "laidup.report/1", "reference": fmt.Sprint("bench-", len(came[name])),
			"vehicle":      json.RawMessage(strings.Replace(string(vehicle), "brennick-wren-03", rapid.SampledFrom([]string{name, strings.ToUpper(name)}).Draw(t, "spelling"), 1)),
			"inspection":   map[string]any{"date": date, "inspector": "bench \u2028 1"},
			"observations": some,
		}
		var shown []string
		for i := range rapid.IntRange(0, 3).Draw(t, "photos") {
			if id := s.attach(t, 24, rapid.IntRange(1, 4).Draw(t, "photo"), i == 1); !slices.Contains(shown, id) {
				shown = append(shown, id)
			}
		}
		if len(shown) > 0 {
			form["photos"] = shown
		}
		if kind == "correction" {
			form["replaces"] = rapid.SampledFrom(came[name]).Draw(t, "replaced")
		}
		body, err := json.MarshalIndent(form, "", rapid.SampledFrom([]string{"", "\t"}).Draw(t, "indent"))
		if err != nil {
			t.Fatal(err)
		}
		done, err := s.Submit(ctx, assess.Order{
			Body: body, Gate: rapid.SampledFrom([]string{"", "crank", "road_test"}).Draw(t, "gate"),
			RuleSet: rapid.SampledFrom([]string{"", "pre-purchase", "yard/1.0.0"}).Draw(t, "rule set"),
		})
		switch {
		case errors.As(err, new(*assess.InvalidError)): // it was drawn so: it replaces what was replaced before, or contradicts itself
		case err != nil:
			t.Fatal(err)
		default:
			came[name] = append(came[name], done.ReportID)
		}
	}
}

// The main thing about an export: whoever imports it has the same assessments of every vehicle, byte for byte but for ids.
func TestWhatIsImportedIsAssessedAsItWas(t *testing.T) {
	examples(t, 30) // each is a dozen assessments, twice
	vehicle, observations := parts(t)
	yard := yardRules(t)
	taken, tried := 0, 0
	service := openStand(t, "id", "nobody", time.Time{}) // rule sets are read once
	rapid.Check(t, func(rt *rapid.T) {
		tried++
		*service.now = time.Date(2025, 11, 3, 9, 0, 0, 0, time.UTC)
		from := service.another(rt, fmt.Sprint("brennick-motors-", tried), yard)
		from.history(rt, vehicle, observations)
		from.work(rt)
		text := from.export(rt)
		*service.now = service.now.Add(200 * 24 * time.Hour)
		to := service.another(rt, fmt.Sprint("harrow-lane-", tried), yard)
		done, err := to.take(text)
		if err != nil || done.Refused > 0 || done.LeftOut != 2 || !strings.HasPrefix(done.Organisation, "brennick-motors-") {
			rt.Fatalf("imported are %+v, %v: %s", done, err, done.Refusals)
		}
		taken += done.Reports
		to.work(rt)
		want := from.told(rt)
		if diff := cmp.Diff(want, to.told(rt)); diff != "" {
			rt.Fatal(diff)
		}
		// Again, and at home, it changes nothing.
		for name, s := range map[string]*stand{"again": to, "where it is from": from} {
			again, err := s.take(text)
			if err != nil || again.Refused > 0 || again.Reports+again.Withdrawals+again.RuleSets+again.Attachments > 0 || again.AlreadyThere != done.Reports+done.Withdrawals+done.Attachments+done.AlreadyThere {
				rt.Fatalf("%s: imported are %+v, %v: %s", name, again, err, again.Refusals)
			}
			if _, more := s.queue.Take(); more {
				rt.Fatalf("%s: there is something to do", name)
			}
			if diff := cmp.Diff(want, s.told(rt)); diff != "" {
				rt.Fatal(name, diff)
			}
		}
	})
	if taken == 0 {
		t.Error("nothing was ever imported")
	}
}

// examples has rapid try so many examples for the rest of a test, unless the command line says how many.
func examples(t *testing.T, n int) {
	t.Helper()
	f := flag.Lookup("rapid.checks")
	if before := f.Value.String(); before == f.DefValue {
		if err := f.Value.Set(strconv.Itoa(n)); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = f.Value.Set(before) })
	}
}

// lived is a stand with something on it, and its export.
func lived(t *testing.T) (s *stand, lines []string) {
	t.Helper()
	s = openStand(t, "from", "brennick-motors", time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC))
	ctx := context.Background()
	submit := func(body []byte) string {
		t.Helper()
		done, err := s.Submit(ctx, assess.Order{Body: body})
		if err != nil {
			t.Fatal(err)
		}
		return done.ReportID
	}
	tern := read(t, "testdata", "cases", "base-tern.json")
	one := submit(tern)
	two := submit(bytes.Replace(tern, []byte("{"), []byte(`{"replaces":"`+one+`",`), 1))
	if _, err := s.Withdraw(ctx, two, "it was made of another vehicle"); err != nil {
		t.Fatal(err)
	}
	submit(bytes.ReplaceAll(tern, []byte("marrick-tern-01"), []byte("marrick-tern-02")))
	s.work(t)
	return s, strings.SplitAfter(strings.TrimSuffix(string(s.export(t)), "\n"), "\n")
}

// kindsOf has the kinds of lines by their numbers from 0: export, report, report, withdrawal, report, subscription, retention, end.
const (
	atHead = iota
	atFirst
	atSecond
	atWithdrawal
	atOther
	atSubscription
	atRetention
	atEnd
)

func TestAnExportThatIsNotWholeIsNoticed(t *testing.T) {
	t.Parallel()
	s, lines := lived(t)
	for name, c := range map[string]struct {
		change func(l []string) []string
		taken  int // reports
		want   error
	}{
		"the end is missing":      {func(l []string) []string { return l[:atEnd] }, 3, assess.ErrExportCut},
		"it is cut between lines": {func(l []string) []string { return l[:atSecond] }, 1, assess.ErrExportCut},
		"it is cut within a line": {func(l []string) []string { l[atOther] = l[atOther][:80]; return l[:atSubscription] }, 2, assess.ErrExportCut},
		"a line is left out":      {func(l []string) []string { return slices.Delete(l, atOther, atOther+1) }, 2, assess.ErrExportCut},
		"a line is there twice":   {func(l []string) []string { return slices.Insert(l, atOther, l[atOther]) }, 3, assess.ErrExportCut},
		"lines changed places": {func(l []string) []string {
			l[atSubscription], l[atRetention] = l[atRetention], l[atSubscription]
			return l
		}, 3, assess.ErrExportCut},
		"a reason was changed": {func(l []string) []string {
			l[atWithdrawal] = strings.Replace(l[atWithdrawal], "another", "an other", 1)
			return l
		}, 3, assess.ErrExportCut},
		"something is behind the end": {func(l []string) []string { l[atEnd] += "\n"; return append(l, l[atOther]) }, 3, assess.ErrExportCut},
		"it is empty":                 {func([]string) []string { return nil }, 0, assess.ErrNoExport},
		"it is a batch":               {func(l []string) []string { return []string{"{}\n", "{}\n"} }, 0, assess.ErrNoExport},
		"it is of a later form":       {func(l []string) []string { l[atHead] = strings.Replace(l[atHead], "export:1", "export:2", 1); return l }, 0, assess.ErrNoExport},
		"blank lines follow":          {func(l []string) []string { return append(l, "\n", " \n") }, 3, nil},
	} {
		t.Run(name, func(t *testing.T) {
			to := s.another(t, "harrow-lane-"+strings.ReplaceAll(name, " ", "-"))
			done, err := to.take([]byte(strings.Join(c.change(slices.Clone(lines)), "")))
			if !errors.Is(err, c.want) || done.Reports != c.taken {
				t.Errorf("taken are %+v, %v", done, err)
			}
			var partial *assess.PartialImportError
			if errors.As(err, &partial) && partial.Reports != c.taken {
				t.Errorf("it says %+v", partial)
			}
			// Sent again as it is, it is whole.
			if again, err := to.take([]byte(strings.Join(lines, ""))); err != nil || again.Refused > 0 || done.Reports+again.Reports != 3 {
				t.Errorf("again: %+v, %v", again, err)
			}
		})
	}
}

// edited changes members of a line, and makes the export whole again.
func edited(t testing.TB, lines []string, at int, change func(map[string]any)) []byte {
	t.Helper()
	lines = slices.Clone(lines)
	var o map[string]any
	if err := json.Unmarshal([]byte(lines[at]), &o); err != nil {
		t.Fatal(err)
	}
	change(o)
	text, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	lines[at] = string(text) + "\n"
	return assess.Sealed(lines[:atEnd])
}

func TestALineThatCannotBeTakenIsRefusedByItself(t *testing.T) {
	t.Parallel()
	s, lines := lived(t)
	set := func(name string, value any) func(map[string]any) { return func(o map[string]any) { o[name] = value } }
	for name, c := range map[string]struct {
		at      int
		change  func(map[string]any)
		reports int
		refused []int // lines from 1
		why     string
	}{
		"a report without a body":        {atOther, func(o map[string]any) { delete(o, "body") }, 2, []int{5}, "a report has an id, received_at and a body"},
		"a report without an id":         {atOther, set("id", ""), 2, []int{5}, "a report has an id"},
		"a report of no time":            {atOther, func(o map[string]any) { delete(o, "received_at") }, 2, []int{5}, "received_at"},
		"a report of the future":         {atOther, set("received_at", "2062-05-02T00:00:00Z"), 2, []int{5}, "is in the future (it is 2026-06-12T09:00:00Z here)"},
		"a faulty report":                {atOther, set("body", `{"schema":"laidup.report/1"}`), 2, []int{5}, "invalid-report"},
		"a report ahead of its own day":  {atOther, set("received_at", "2001-01-01T00:00:00Z"), 2, []int{5}, "is in the future (today is 2001-01-01)"},
		"an unknown rule set":            {atOther, set("rule_set", map[string]any{"name": "yard", "version": "1.0.0", "digest": "sha256:00"}), 2, []int{5}, "rule set yard 1.0.0 (sha256:00) is not there"},
		"no rule set":                    {atOther, func(o map[string]any) { delete(o, "rule_set") }, 2, []int{5}, "rule set (none)"},
		"a replaced report is refused":   {atFirst, set("body", "{}"), 2, []int{2}, "invalid-report"},
		"a replaced report is not there": {atSecond, set("replaces", "nobody"), 2, []int{3, 4}, "/replaces"},
		"a withdrawal without a reason":  {atWithdrawal, set("reason", " "), 3, []int{4}, "a withdrawal has a reason"},
		"a withdrawal of nothing":        {atWithdrawal, set("report", "nobody"), 3, []int{4}, "no report on this vehicle"},
		"an unknown member":              {atRetention, set("hours", 3), 3, []int{7}, "hours"},
		"an unknown kind":                {atRetention, set("kind", "drawing"), 3, []int{7}, `no lines of kind \"drawing\"`},
		"an old version of a rule set":   {atOther, set("rule_set", map[string]any{"name": "first-start", "version": "0.9.0", "digest": "sha256:00"}), 3, nil, ""},
		"a gate that is gone":            {atOther, set("gate", "moon"), 3, nil, ""},
	} {
		t.Run(name, func(t *testing.T) {
			to := s.another(t, "harrow-lane-"+strings.ReplaceAll(name, " ", "-"))
			done, err := to.take(edited(t, lines, c.at, c.change))
			if err != nil || done.Reports != c.reports || done.Refused != len(c.refused) {
				t.Fatalf("taken are %+v, %v: %s", done, err, done.Refusals)
			}
			for i, r := range done.Refusals {
				if r.Line != c.refused[i] || i == 0 && !strings.Contains(string(r.Problem), c.why) {
					t.Errorf("line %d is refused for %s", r.Line, r.Problem)
				}
			}
			to.work(t)
		})
	}
}

// What others have published is unknown, even to who knows its digest.
func TestAnImportDoesNotReachTheRuleSetsOfOthers(t *testing.T) {
	t.Parallel()
	_, lines := lived(t)
	yard := yardRules(t)
	to := openStand(t, "to", "brennick-motors", time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC), yard)
	others := to.service.For("harrow-lane")
	for _, name := range []string{yard.Name, builtin.FirstStart().Name} {
		text := edited(t, lines, atOther, func(o map[string]any) {
			o["rule_set"] = map[string]any{"name": name, "version": yard.Version, "digest": yard.Digest}
		})
		done, err := others.Import(context.Background(), assess.ImportOrder{MaxLine: 4 << 20}, bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if name == yard.Name && done.Refused != 1 {
			t.Errorf("taken are %+v", done)
		}
	}
	to.work(t)
	vehicles, err := others.Vehicles(context.Background(), assess.VehiclePage{Gate: "crank", Limit: 9})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range vehicles {
		if v.Newest != nil && v.Newest.RuleSet.Digest == yard.Digest {
			t.Errorf("%s was assessed under the rule set of another organisation", v.Reference)
		}
	}
}

// A rule set comes along and is tried as if it had been published.
func TestAnImportPublishesTheRuleSets(t *testing.T) {
	t.Parallel()
	yard := yardRules(t)
	from := openStand(t, "from", "brennick-motors", time.Date(2026, 6, 12, 9, 0, 0, 0, time.UTC), yard)
	if _, err := from.Submit(context.Background(), assess.Order{Body: read(t, "testdata", "cases", "base-tern.json"), RuleSet: "yard"}); err != nil {
		t.Fatal(err)
	}
	from.work(t)
	to := openStand(t, "to", "harrow-lane", *from.now)
	done, err := to.take(from.export(t))
	if err != nil || done.RuleSets != 1 || done.Reports != 1 || done.Refused > 0 {
		t.Fatalf("taken are %+v, %v: %s", done, err, done.Refusals)
	}
	to.work(t)
	if diff := cmp.Diff(from.told(t), to.told(t)); diff != "" {
		t.Error(diff)
	}
	trail, err := to.Audit(context.Background(), assess.AuditPage{Limit: 9})
	if err != nil {
		t.Fatal(err)
	}
	actions := map[string]string{}
	for _, e := range trail {
		actions[e.Action] = string(e.Detail)
	}
	if want := []string{"data.imported", "rule_set.published"}; !slices.Equal(slices.Sorted(maps.Keys(actions)), want) || !strings.Contains(actions["data.imported"], `"organisation":"brennick-motors"`) {
		t.Errorf("the audit trail has %v", actions)
	}
}

func TestAnImportGoesOnWhereTheStoreWasAway(t *testing.T) {
	t.Parallel()
	from, lines := lived(t)
	to := openStand(t, "to", "harrow-lane", *from.now)
	n := 0
	done, err := to.Import(context.Background(), assess.ImportOrder{MaxLine: 4 << 20, Pause: func() error {
		if n++; n == 4 {
			return io.ErrUnexpectedEOF
		}
		return nil
	}}, strings.NewReader(strings.Join(lines, "")))
	if !errors.As(err, new(*assess.PartialImportError)) || !errors.Is(err, io.ErrUnexpectedEOF) || done.Reports != 2 {
		t.Errorf("taken are %+v, %v", done, err)
	}
	if done, err := to.take([]byte(strings.Join(lines, ""))); err != nil || done.AlreadyThere != 2 || done.Reports != 1 || done.Withdrawals != 1 {
		t.Errorf("taken are %+v, %v", done, err)
	}
}

func FuzzImport(f *testing.F) {
	for _, line := range []string{
		`{"kind":"export","format":"urn:laidup:export:1","organisation":"a","at":"2026-06-12T09:00:00Z","counts":{"vehicles":0,"reports":0,"withdrawals":0}}`,
		`{"kind":"report","id":"r","vehicle":"a","received_at":"2026-06-12T09:00:00Z","gate":"crank","rule_set":{"name":"first-start","version":"2.0.0","digest":""},"body":"{\"schema\":\"laidup.report/1\",\"vehicle\":{\"reference\":\"a\"},\"inspection\":{\"date\":\"2026-05-02\"},\"observations\":[]}"}`,
		`{"kind":"withdrawal","report":"r","at":"2026-06-12T09:00:00Z","reason":"x"}`,
		`{"kind":"rule_set","name":"a","version":"1.0.0","digest":"","document":{}}`,
		`{"kind":"end","lines":1e400,"sha256":"\ud800"}`,
		`{"kind":"attachment","id":"` + strings.Repeat("a", 64) + `","pieces":2,"piece":1,"content":"AAAA"}` + "\n" + `{"kind":"attachment","id":"` + strings.Repeat("a", 64) + `","pieces":2,"piece":2}`,
		`{"kind":"retention","days":-1}` + "\n\n",
	} {
		f.Add([]byte(line))
	}
	service := openStand(f, "id", "nobody", time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC))
	tried := 0
	f.Fuzz(func(t *testing.T, lines []byte) {
		tried++
		to := service.another(t, fmt.Sprint("harrow-lane-", tried))
		head := `{"kind":"export","format":"urn:laidup:export:1","organisation":"a"}` + "\n"
		done, err := to.take(append([]byte(head), lines...))
		if err != nil && !errors.As(err, new(*assess.PartialImportError)) {
			t.Fatal(err)
		}
		for _, r := range done.Refusals {
			if !json.Valid(r.Problem) || r.Line < 2 {
				t.Errorf("line %d is refused for %s", r.Line, r.Problem)
			}
		}
		to.work(t)
	})
}
