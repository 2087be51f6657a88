// Package assesstest holds what tests need of the ports that package assess declares: the suite
// that every store must pass, and fakes of the store and the queue.
package assesstest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"laidup/internal/assess"
)

// Memory is an [assess.Store] that forgets everything with the process. It is safe for
// concurrent use.
type Memory struct {
	mu          sync.Mutex
	down        error
	vehicles    map[owned]*assess.Vehicle // Newest and Waiting are worked out when asked for
	logs        map[owned]*log
	spellings   map[owned]string // of references, by what they are in small letters
	reports     map[string]ownedReport
	assessments map[string]*assess.Assessment // with Organisation and Starts
	keys        map[owned]claim
	ruleSets    map[string][]byte // by digest
	published   []assess.Publication
	deeds       []deed
	retention   map[string]int    // days, by organisation
	ofBatch     map[string]string // the batch of an assessment, by its id
	batches     map[string]*batch
	chunks      map[string]*chunk
	plans       map[string]*plan
	ticks       []assess.TickSubmission
	outcomes    map[string]*recorded
	counts      map[counted]assess.CountRow
	judged      map[owned]assess.JudgedRuleSet // by digest
	attachments map[owned]*attachment
	links       []link
	loose       map[string]loose // by the name of the file
}

// owned is a name that an organisation gave.
type owned struct{ organisation, name string }

type ownedReport struct {
	assess.Report
	organisation string
	withdrawn    int // the ordinal with which it was; 0: it stands
}

// log is what counts the ordinals of a vehicle.
type log struct {
	entries int // reports and withdrawals
	void    int // the ordinal up to which assessments say nothing of it
}

// claim is what an idempotency key stands for.
type claim struct {
	fingerprint string
	receipt     assess.Receipt
}

var _ assess.Store = (*Memory)(nil)

// NewMemory returns an empty store.
func NewMemory() *Memory {
	return &Memory{
		vehicles:    map[owned]*assess.Vehicle{},
		logs:        map[owned]*log{},
		spellings:   map[owned]string{},
		reports:     map[string]ownedReport{},
		assessments: map[string]*assess.Assessment{},
		keys:        map[owned]claim{},
		ruleSets:    map[string][]byte{},
		ofBatch:     map[string]string{},
		batches:     map[string]*batch{},
		chunks:      map[string]*chunk{},
		retention:   map[string]int{},
		plans:       map[string]*plan{},
		outcomes:    map[string]*recorded{},
		counts:      map[counted]assess.CountRow{},
		judged:      map[owned]assess.JudgedRuleSet{},
		attachments: map[owned]*attachment{},
		loose:       map[string]loose{},
	}
}

// Break makes every later call return err, as a store that cannot be reached would; nil mends it.
func (m *Memory) Break(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.down = err
}

// enter locks the store for one call, unless that must not happen.
func (m *Memory) enter(ctx context.Context) (leave func(), err error) {
	m.mu.Lock()
	err = ctx.Err()
	if err == nil {
		err = m.down
	}
	if err != nil {
		m.mu.Unlock()
		return nil, err
	}
	return m.mu.Unlock, nil
}

// Accept implements [assess.Store].
func (m *Memory) Accept(ctx context.Context, s assess.Submission) (assess.Receipt, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Receipt{}, err
	}
	defer leave()
	return m.accept(s)
}

// accept stores a report; the store is locked.
func (m *Memory) accept(s assess.Submission) (assess.Receipt, error) {
	if s.IdempotencyKey != "" {
		if known, ok := m.keys[owned{s.Organisation, s.IdempotencyKey}]; ok {
			if known.fingerprint != s.Fingerprint {
				return assess.Receipt{}, fmt.Errorf("accept report %s: %w", s.ReportID, assess.ErrKeyReused)
			}
			known.receipt.Repeat = true
			return known.receipt, nil
		}
	}
	if _, ok := m.reports[s.ReportID]; ok {
		return assess.Receipt{}, fmt.Errorf("accept report %s: the id is taken", s.ReportID)
	}
	if _, ok := m.assessments[s.AssessmentID]; ok {
		return assess.Receipt{}, fmt.Errorf("accept report %s: assessment id %s is taken", s.ReportID, s.AssessmentID)
	}
	if folded := (owned{s.Organisation, strings.ToLower(s.Vehicle)}); m.spellings[folded] == "" {
		m.spellings[folded] = s.Vehicle
	}
	s.Vehicle = m.spelled(s.Organisation, s.Vehicle)
	at := stored(s.At)
	room := s.Most
	old, known := m.reports[s.Replaces]
	if s.Replaces != "" {
		if !known || old.organisation != s.Organisation || old.Vehicle != s.Vehicle || old.ReplacedBy != "" {
			return assess.Receipt{}, fmt.Errorf("accept report %s: %w", s.ReportID, assess.ErrNothingToReplace)
		}
		if old.withdrawn == 0 {
			room++
		}
	}
	if s.Step != nil {
		if p := m.plans[s.Step.Plan]; p == nil || p.Organisation != s.Organisation || p.Vehicle != s.Vehicle {
			return assess.Receipt{}, fmt.Errorf("accept report %s: %w", s.ReportID, assess.ErrNotFound)
		}
	}
	if err := m.touch(s); err != nil {
		return assess.Receipt{}, err
	}
	v := m.vehicles[owned{s.Organisation, s.Vehicle}]
	if v == nil {
		v = &assess.Vehicle{Reference: s.Vehicle}
		m.vehicles[owned{s.Organisation, s.Vehicle}] = v
		m.logs[owned{s.Organisation, s.Vehicle}] = new(log)
	}
	if s.Most > 0 && v.Reports >= room {
		return assess.Receipt{}, fmt.Errorf("accept report %s: %w", s.ReportID, assess.ErrDossierFull)
	}
	v.Description = cmp.Or(s.Description, v.Description)
	v.Reports++
	l := m.logs[owned{s.Organisation, s.Vehicle}]
	l.entries++
	if at.After(v.UpdatedAt) {
		v.UpdatedAt = at
	}
	m.reports[s.ReportID] = ownedReport{assess.Report{
		ID: s.ReportID, Vehicle: s.Vehicle, Reference: s.Reference, Inspected: s.Inspected,
		Ordinal: l.entries, Body: bytes.Clone(s.Body), ReceivedAt: at, PostedBy: s.PostedBy,
	}, s.Organisation, 0}
	if s.Step != nil {
		m.ticks = append(m.ticks, assess.TickSubmission{Organisation: s.Organisation, Vehicle: s.Vehicle, Tick: assess.Tick{
			Plan: s.Step.Plan, Step: s.Step.Number, On: s.Inspected, Inspector: s.Step.Inspector, Report: s.ReportID, At: at, By: s.PostedBy,
		}})
	}
	for _, id := range s.PhotoIDs() {
		m.links = append(m.links, link{s.Organisation, s.ReportID, s.Vehicle, id})
	}
	if s.Replaces != "" {
		if old.withdrawn == 0 {
			old.withdrawn, old.WithdrawnAt = l.entries, at
			v.Reports--
			v.Withdrawn++
		}
		old.ReplacedBy = s.ReportID
		m.reports[s.Replaces] = old
	}
	m.assessments[s.AssessmentID] = &assess.Assessment{
		ID: s.AssessmentID, Organisation: s.Organisation, ReportID: s.ReportID, Vehicle: s.Vehicle, Gate: s.Gate, Ordinal: l.entries,
		RuleSet: s.RuleSet, State: assess.Queued, CreatedAt: stored(s.QueuedAt()), EnqueuedAt: stored(s.QueuedAt()),
	}
	if s.Batch != "" {
		m.ofBatch[s.AssessmentID] = s.Batch
	}
	receipt := assess.Receipt{ReportID: s.ReportID, AssessmentID: s.AssessmentID}
	if s.IdempotencyKey != "" {
		m.keys[owned{s.Organisation, s.IdempotencyKey}] = claim{s.Fingerprint, receipt}
	}
	return receipt, nil
}

// Repeat implements [assess.Store].
func (m *Memory) Repeat(ctx context.Context, organisation, key, fingerprint string) (assess.Receipt, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Receipt{}, err
	}
	defer leave()
	known, ok := m.keys[owned{organisation, key}]
	switch {
	case !ok:
		return assess.Receipt{}, fmt.Errorf("idempotency key: %w", assess.ErrNotFound)
	case known.fingerprint != fingerprint:
		return assess.Receipt{}, fmt.Errorf("idempotency key: %w", assess.ErrKeyReused)
	}
	known.receipt.Repeat = true
	return known.receipt, nil
}

// Report implements [assess.Store].
func (m *Memory) Report(ctx context.Context, organisation, id string) (assess.Report, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Report{}, err
	}
	defer leave()
	r, ok := m.reports[id]
	if !ok || r.organisation != organisation {
		return assess.Report{}, fmt.Errorf("report %s: %w", id, assess.ErrNotFound)
	}
	r.Body = bytes.Clone(r.Body)
	return r.Report, nil
}

// Reports implements [assess.Store].
func (m *Memory) Reports(ctx context.Context, p assess.ReportPage) ([]assess.Report, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	p.Vehicle = m.spelled(p.Organisation, p.Vehicle)
	if m.vehicles[owned{p.Organisation, p.Vehicle}] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", p.Vehicle, assess.ErrNotFound)
	}
	before, known := m.reports[p.BeforeID]
	if p.BeforeID != "" && (!known || before.organisation != p.Organisation || before.Vehicle != p.Vehicle) {
		return nil, nil
	}
	var list []assess.Report
	for _, r := range m.reports {
		if r.organisation == p.Organisation && r.Vehicle == p.Vehicle && (p.BeforeID == "" || r.Ordinal < before.Ordinal) {
			r.Body = bytes.Clone(r.Body)
			list = append(list, r.Report)
		}
	}
	slices.SortFunc(list, func(a, b assess.Report) int { return b.Ordinal - a.Ordinal })
	return list[:min(p.Limit, len(list))], nil
}

// Withdraw implements [assess.Store].
func (m *Memory) Withdraw(ctx context.Context, w assess.Withdrawal) (assess.Withdrawn, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Withdrawn{}, err
	}
	defer leave()
	r, ok := m.reports[w.ReportID]
	if !ok || r.organisation != w.Organisation {
		return assess.Withdrawn{}, fmt.Errorf("report %s: %w", w.ReportID, assess.ErrNotFound)
	}
	if r.withdrawn > 0 {
		return assess.Withdrawn{Report: r.Report, Repeat: true}, nil
	}
	of := owned{w.Organisation, r.Vehicle}
	v, l := m.vehicles[of], m.logs[of]
	l.entries++
	v.Reports--
	v.Withdrawn++
	r.withdrawn, r.WithdrawnAt, r.Because = l.entries, stored(w.At), w.Because
	m.reports[w.ReportID] = r
	m.note(ctx, w.Organisation, assess.WithdrawnReport, w.ReportID, nil)
	done := assess.Withdrawn{Report: r.Report}
	var last ownedReport
	for _, other := range m.reports {
		if other.organisation == w.Organisation && other.Vehicle == r.Vehicle && other.withdrawn == 0 && other.Ordinal > last.Ordinal {
			last = other
		}
	}
	if last.ID == "" {
		l.void = l.entries
		return done, nil
	}
	asked := m.list(func(a *assess.Assessment) bool { return a.ReportID == last.ID })
	slices.SortFunc(asked, func(a, b assess.Assessment) int { return a.Ordinal - b.Ordinal })
	set, gate := asked[0].RuleSet, asked[0].Gate
	if w.Under != nil {
		set, gate = w.Under(set, gate)
	}
	done.AssessmentID = w.AssessmentID
	m.assessments[w.AssessmentID] = &assess.Assessment{
		ID: w.AssessmentID, Organisation: w.Organisation, ReportID: last.ID, Vehicle: r.Vehicle, Gate: gate, Ordinal: l.entries,
		RuleSet: set, State: assess.Queued, CreatedAt: stored(w.QueuedAt()), EnqueuedAt: stored(w.QueuedAt()),
	}
	return done, nil
}

// Dossier implements [assess.Store].
func (m *Memory) Dossier(ctx context.Context, organisation, vehicle string, upTo int) ([]assess.Report, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	if m.vehicles[owned{organisation, vehicle}] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", vehicle, assess.ErrNotFound)
	}
	var dossier []assess.Report
	for _, r := range m.reports {
		if r.organisation == organisation && r.Vehicle == vehicle && r.Ordinal <= upTo && (r.withdrawn == 0 || r.withdrawn > upTo) {
			r.Body = bytes.Clone(r.Body)
			dossier = append(dossier, r.Report)
		}
	}
	slices.SortFunc(dossier, func(a, b assess.Report) int { return a.Ordinal - b.Ordinal })
	return dossier, nil
}

// Assessment implements [assess.Store].
func (m *Memory) Assessment(ctx context.Context, organisation, id string) (assess.Assessment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Assessment{}, err
	}
	defer leave()
	a, ok := m.assessments[id]
	if !ok || a.Organisation != organisation {
		return assess.Assessment{}, fmt.Errorf("assessment %s: %w", id, assess.ErrNotFound)
	}
	whole := listed(a)
	whole.Outcome.Body = bytes.Clone(a.Outcome.Body)
	return whole, nil
}

// Start implements [assess.Store].
func (m *Memory) Start(ctx context.Context, id string) (assess.Assessment, error) {
	var started assess.Assessment
	err := m.change(ctx, id, func(a *assess.Assessment) {
		a.State = assess.Running
		a.Starts++
		started = listed(a)
		started.Organisation, started.Starts, started.Batch = a.Organisation, a.Starts, m.ofBatch[id]
	})
	return started, err
}

// PutBack implements [assess.Store].
func (m *Memory) PutBack(ctx context.Context, id string) error {
	return m.change(ctx, id, func(a *assess.Assessment) { a.Starts = max(0, a.Starts-1) })
}

// Finish implements [assess.Store].
func (m *Memory) Finish(ctx context.Context, id string, o assess.Outcome, at time.Time) error {
	return m.change(ctx, id, func(a *assess.Assessment) {
		a.State, a.FinishedAt, a.Outcome = assess.Done, stored(at), o
		a.Outcome.Body, a.Outcome.Summary = bytes.Clone(o.Body), bytes.Clone(o.Summary)
	})
}

// Fail implements [assess.Store].
func (m *Memory) Fail(ctx context.Context, id string, problem []byte, at time.Time) error {
	return m.change(ctx, id, func(a *assess.Assessment) {
		a.State, a.FinishedAt, a.Problem = assess.Failed, stored(at), bytes.Clone(problem)
	})
}

// Retry implements [assess.Store].
func (m *Memory) Retry(ctx context.Context, organisation, id string, at time.Time) (int, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return 0, err
	}
	defer leave()
	a, ok := m.assessments[id]
	switch {
	case !ok || a.Organisation != organisation:
		return 0, fmt.Errorf("assessment %s: %w", id, assess.ErrNotFound)
	case a.State != assess.Failed:
		return 0, fmt.Errorf("assessment %s: %w", id, assess.ErrNotFailed)
	}
	a.State, a.Starts, a.EnqueuedAt, a.FinishedAt, a.Problem = assess.Queued, 0, stored(at), time.Time{}, nil
	delete(m.ofBatch, id)
	return a.Attempt, nil
}

// Enqueued implements [assess.Store].
func (m *Memory) Enqueued(ctx context.Context, id string, attempt int, at time.Time) error {
	err := m.change(ctx, id, func(a *assess.Assessment) {
		if attempt >= a.Attempt {
			a.Attempt, a.EnqueuedAt = attempt, stored(at)
		}
	})
	if errors.Is(err, assess.ErrFinished) {
		return nil
	}
	return err
}

// change lets do change an unfinished assessment.
func (m *Memory) change(ctx context.Context, id string, do func(*assess.Assessment)) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	a, ok := m.assessments[id]
	if !ok {
		return fmt.Errorf("assessment %s: %w", id, assess.ErrNotFound)
	}
	if finished(a) {
		return fmt.Errorf("assessment %s: %w", id, assess.ErrFinished)
	}
	do(a)
	return nil
}

// Waiting implements [assess.Store].
func (m *Memory) Waiting(ctx context.Context, before, after time.Time, limit int) ([]assess.Assessment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	waiting := m.list(func(a *assess.Assessment) bool {
		return !finished(a) && m.ofBatch[a.ID] == "" && (a.EnqueuedAt.Before(stored(before)) || a.EnqueuedAt.After(stored(after)))
	})
	slices.SortFunc(waiting, func(a, b assess.Assessment) int {
		return cmp.Or(a.EnqueuedAt.Compare(b.EnqueuedAt), strings.Compare(a.ID, b.ID))
	})
	return waiting[:min(limit, len(waiting))], nil
}

// Backlog implements [assess.Store].
func (m *Memory) Backlog(ctx context.Context) (assess.Backlog, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Backlog{}, err
	}
	defer leave()
	var b assess.Backlog
	for _, a := range m.assessments {
		switch {
		case a.State == assess.Failed:
			if of := m.batches[m.ofBatch[a.ID]]; of == nil || of.State != assess.Cancelled {
				b.Failed++
			}
		case !finished(a) && m.ofBatch[a.ID] == "":
			b.Unfinished++
			if b.Oldest.IsZero() || a.CreatedAt.Before(b.Oldest) {
				b.Oldest = a.CreatedAt
			}
		}
	}
	for _, c := range m.chunks {
		if !c.finished {
			b.Chunks++
		}
	}
	for _, p := range m.plans {
		if p.FinishedAt.IsZero() {
			b.Plans++
		}
	}
	return b, nil
}

// Vehicle implements [assess.Store].
func (m *Memory) Vehicle(ctx context.Context, organisation, reference string) (assess.Vehicle, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return assess.Vehicle{}, err
	}
	defer leave()
	v, ok := m.vehicles[owned{organisation, m.spelled(organisation, reference)}]
	if !ok {
		return assess.Vehicle{}, fmt.Errorf("vehicle %s: %w", reference, assess.ErrNotFound)
	}
	return m.cover(organisation, v), nil
}

// Vehicles implements [assess.Store].
func (m *Memory) Vehicles(ctx context.Context, p assess.VehiclePage) ([]assess.Vehicle, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	blockers := func(v assess.Vehicle) int {
		if v.At == nil {
			return assess.NotJudged
		}
		return v.At.Blockers
	}
	inOrder := func(a, b assess.Vehicle) int {
		switch p.By {
		case assess.ByReference:
			return strings.Compare(a.Reference, b.Reference)
		case assess.ByBlockers:
			return cmp.Or(cmp.Compare(blockers(b), blockers(a)), strings.Compare(b.Reference, a.Reference))
		}
		return cmp.Or(b.UpdatedAt.Compare(a.UpdatedAt), strings.Compare(b.Reference, a.Reference))
	}
	cursor := assess.Vehicle{Reference: p.AfterReference, UpdatedAt: stored(p.AfterTime), At: &assess.GateState{Blockers: p.AfterBlockers}}
	var page []assess.Vehicle
	for key, v := range m.vehicles {
		if key.organisation != p.Organisation {
			continue
		}
		c := m.cover(p.Organisation, v)
		if c.Newest != nil {
			gates := m.assessments[c.Newest.ID].Outcome.Gates
			if at := slices.IndexFunc(gates, func(g assess.GateState) bool { return g.Gate == p.Gate }); at >= 0 {
				c.At = &gates[at]
			}
		}
		switch {
		case p.AfterReference != "" && inOrder(c, cursor) <= 0:
		case slices.ContainsFunc(strings.Fields(strings.ToLower(p.Search)), func(word string) bool { return !strings.Contains(strings.ToLower(c.Reference+" "+c.Description), word) }):
		case p.Verdict != "" && (c.At == nil || c.At.State != p.Verdict):
		default:
			page = append(page, c)
		}
	}
	slices.SortFunc(page, inOrder)
	return page[:min(p.Limit, len(page))], nil
}

// Gates implements [assess.Store].
func (m *Memory) Gates(ctx context.Context, organisation string) ([]string, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	gates := map[string]bool{}
	for _, a := range m.assessments {
		if a.Organisation != organisation {
			continue
		}
		for _, g := range a.Outcome.Gates {
			gates[g.Gate] = true
		}
	}
	return slices.Sorted(maps.Keys(gates)), nil
}

// History implements [assess.Store].
func (m *Memory) History(ctx context.Context, p assess.HistoryPage) ([]assess.Assessment, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	p.Vehicle = m.spelled(p.Organisation, p.Vehicle)
	if m.vehicles[owned{p.Organisation, p.Vehicle}] == nil {
		return nil, fmt.Errorf("vehicle %s: %w", p.Vehicle, assess.ErrNotFound)
	}
	history := m.history(p.Organisation, p.Vehicle)
	if p.BeforeID != "" {
		at := slices.IndexFunc(history, func(a assess.Assessment) bool { return a.ID == p.BeforeID })
		if at < 0 {
			at = len(history) - 1
		}
		history = history[at+1:]
	}
	return history[:min(p.Limit, len(history))], nil
}

// KeepRuleSet implements [assess.Store].
func (m *Memory) KeepRuleSet(ctx context.Context, ref assess.RuleSetRef, canonical []byte) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	m.ruleSets[ref.Digest] = bytes.Clone(canonical)
	return nil
}

// RuleSet implements [assess.Store].
func (m *Memory) RuleSet(ctx context.Context, digest string) ([]byte, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	canonical, ok := m.ruleSets[digest]
	if !ok {
		return nil, fmt.Errorf("rule set %s: %w", digest, assess.ErrNotFound)
	}
	return bytes.Clone(canonical), nil
}

// Publish implements [assess.Store].
func (m *Memory) Publish(ctx context.Context, p assess.Publication, canonical []byte) (again bool, err error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return false, err
	}
	defer leave()
	for _, known := range m.published {
		switch {
		case known.Organisation != p.Organisation || known.Name != p.Name || known.Version != p.Version:
		case known.Digest == p.Digest:
			return true, nil
		default:
			return false, fmt.Errorf("publish rule set %s %s: %w", p.Name, p.Version, assess.ErrVersionPublished)
		}
	}
	p.PublishedAt = stored(p.PublishedAt)
	m.published = append(m.published, p)
	m.ruleSets[p.Digest] = bytes.Clone(canonical)
	m.note(ctx, p.Organisation, assess.RuleSetPublished, p.Name+"/"+p.Version, map[string]any{"digest": p.Digest})
	return false, nil
}

// Published implements [assess.Store].
func (m *Memory) Published(ctx context.Context, organisation string) ([]assess.Publication, error) {
	leave, err := m.enter(ctx)
	if err != nil {
		return nil, err
	}
	defer leave()
	return slices.DeleteFunc(slices.Clone(m.published), func(p assess.Publication) bool { return p.Organisation != organisation }), nil
}

// Ping implements [assess.Store].
func (m *Memory) Ping(ctx context.Context) error {
	leave, err := m.enter(ctx)
	if err != nil {
		return err
	}
	leave()
	return nil
}

// spelled is a reference as the vehicle has it.
func (m *Memory) spelled(organisation, reference string) string {
	return cmp.Or(m.spellings[owned{organisation, strings.ToLower(reference)}], reference)
}

// cover returns a copy of v with its Newest and Waiting.
func (m *Memory) cover(organisation string, v *assess.Vehicle) assess.Vehicle {
	c := *v
	for _, a := range m.history(organisation, v.Reference) {
		if a.Ordinal <= m.logs[owned{organisation, v.Reference}].void {
			break
		}
		if a.State == assess.Done {
			c.Newest, c.Coverage = &a, m.assessments[a.ID].Outcome.Coverage
			break
		}
		c.Waiting = c.Waiting || a.State != assess.Failed
	}
	return c
}

// history lists the vehicle's assessments with their summaries, highest ordinal first.
func (m *Memory) history(organisation, vehicle string) []assess.Assessment {
	all := m.list(func(a *assess.Assessment) bool { return a.Organisation == organisation && a.Vehicle == vehicle })
	slices.SortFunc(all, func(a, b assess.Assessment) int {
		return cmp.Or(b.Ordinal-a.Ordinal, b.CreatedAt.Compare(a.CreatedAt), strings.Compare(b.ID, a.ID))
	})
	for i, a := range all {
		all[i].Outcome.Summary = bytes.Clone(m.assessments[a.ID].Outcome.Summary)
	}
	return all
}

// list returns copies of the assessments that match, without bodies, in no order.
func (m *Memory) list(match func(*assess.Assessment) bool) []assess.Assessment {
	var all []assess.Assessment
	for _, a := range m.assessments {
		if match(a) {
			all = append(all, listed(a))
		}
	}
	return all
}

// listed returns a copy of a without its body.
func listed(a *assess.Assessment) assess.Assessment {
	c := *a
	c.Organisation, c.Starts = "", 0
	c.Outcome = assess.Outcome{AsOf: a.Outcome.AsOf, VerdictState: a.Outcome.VerdictState, Blockers: a.Outcome.Blockers}
	c.Problem = bytes.Clone(a.Problem)
	return c
}

func finished(a *assess.Assessment) bool { return a.State == assess.Done || a.State == assess.Failed }

// stored is what a store keeps of an instant.
func stored(t time.Time) time.Time { return time.UnixMilli(t.UnixMilli()).UTC() }
