package store_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"laidup/internal/assess"
	"laidup/internal/webhook"
)

func TestWhoWaitsLongestOfAnOrganisationIsTakenOnce(t *testing.T) {
	onEachStore(t, func(h hooked) {
		queueing := func(lane assess.Lane, want ...string) {
			h.Helper()
			got, err := h.Queueing(h.Context(), lane)
			h.must(err)
			same(h.T, got, want)
		}
		take := func(lane assess.Lane, organisation, want string) {
			h.Helper()
			id, err := h.Take(h.Context(), lane, organisation)
			if want == "" && errors.Is(err, assess.ErrNotFound) {
				return
			}
			if err != nil || id != want {
				h.Errorf("took %q (%v) of %s, want %q", id, err, organisation, want)
			}
		}
		queueing(assess.Assessments)
		for i, name := range []string{"one", "two", "three"} {
			h.accept(us, name, fmt.Sprint("tern-0", i))
		}
		h.accept(them, "four", "dale-01")
		queueing(assess.Assessments, us, them)
		_, err := h.Start(h.Context(), "a-one")
		h.must(err)
		// All came at once: by their ids.
		take(assess.Assessments, us, "a-three")
		take(assess.Assessments, them, "a-four")
		queueing(assess.Assessments, us)
		take(assess.Assessments, us, "a-two")
		take(assess.Assessments, us, "")
		queueing(assess.Assessments)
		// What was taken is begun with, finished and put back as ever.
		_, err = h.Start(h.Context(), "a-three")
		h.must(err)
		h.must(h.PutBack(h.Context(), "a-three"))
		h.finish("three", "crank=blocked")

		queueing(assess.Chunks)
		head := assess.BatchHead{ID: "b", Organisation: us, Kind: assess.Rescore, RuleSet: assess.RuleSetRef{Name: "first-start", Version: "1.0.0", Digest: "sha256:0a"}, At: noon}
		_, _, err = h.OpenRescore(h.Context(), head, assess.RescoreScope{Vehicles: []string{"tern-00", "tern-01"}}, 1, 10, func(n int) string { return fmt.Sprint("b.", n) })
		h.must(err)
		queueing(assess.Chunks, us)
		take(assess.Chunks, us, "b.1")
		take(assess.Chunks, us, "b.2")
		take(assess.Chunks, us, "")
		queueing(assess.Chunks)
		if left, err := h.WaitingChunks(h.Context(), noon.Add(time.Hour), noon.Add(2*time.Hour), 9); err != nil || len(left) != 2 {
			h.Errorf("what was taken and not finished is handed over again: %+v (%v)", left, err)
		}

		queueing(assess.PlansLane)
		basis, err := h.Basis(h.Context(), us, "tern-00")
		h.must(err)
		_, _, err = h.OrderPlan(h.Context(), assess.PlanSubmission{ID: "p", Organisation: us, Basis: basis, Gate: "crank", Request: []byte("{}"), At: noon})
		h.must(err)
		queueing(assess.PlansLane, us)
		take(assess.PlansLane, us, "p")
		queueing(assess.PlansLane)
		take(assess.PlansLane, us, "")
	})
}

// An organisation whose receivers hang has some tries in flight, however many receivers it has; another has its own turn.
func TestReceiversThatHangKeepNoOtherOrganisationWaiting(t *testing.T) {
	onEachStore(t, func(h hooked) {
		for i := range 6 {
			h.subscribe(us, fmt.Sprint("hangs-", i))
		}
		h.subscribe(them, "answers")
		for i := range 4 {
			h.assess(us, fmt.Sprint("ours-", i), fmt.Sprint("tern-", i), "crank=blocked")
		}
		h.assess(them, "theirs", "dale-1", "crank=blocked")
		now := time.Now().Add(time.Minute)
		claim := func(atOnce int) (of map[string]int) {
			h.Helper()
			tasks, err := h.Claim(h.Context(), now, now.Add(time.Minute), webhook.Room{OfSubscription: 4, OfOrganisation: 8, AtOnce: atOnce})
			h.must(err)
			of = map[string]int{}
			for _, task := range tasks {
				of[task.To.Organisation]++
			}
			return of
		}
		if got := claim(3); got[us] == 0 || got[them] == 0 || got[us]+got[them] != 3 {
			h.Errorf("with room for three: %v", got)
		}
		if got := claim(20); got[us]+got[them] > 8 {
			h.Errorf("with room for more: %v", got)
		}
		if got := claim(20); got[us] != 0 {
			h.Errorf("once there is no room for it: %v", got)
		}
		h.assess(them, "late", "dale-2", "crank=blocked")
		if got := claim(20); got[us] != 0 || got[them] == 0 {
			h.Errorf("what is due later: %v", got)
		}
	})
}
