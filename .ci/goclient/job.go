package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"goclient/client"
)

// mainJob does the whole job: a report is posted, what follows is read, and what was done about it is
// posted in its turn. It returns what it was told.
// docs/integrating.md shows it, from "begin" to "end".
//
// begin
func mainJob(ctx context.Context, url, key string, first []byte, followUps ...[]byte) (said []string, err error) {
	laidup, err := client.NewClientWithResponses(url, client.WithRequestEditorFn(func(_ context.Context, r *http.Request) error {
		r.Header.Set("Authorization", "Bearer "+key)
		return nil
	}))
	if err != nil {
		return nil, err
	}

	// Post a report. The same Idempotency-Key makes it harmless to post it again after the line broke.
	crank, once := "crank", fmt.Sprintf("report-%d", time.Now().UnixNano())
	posted, err := laidup.PostReportWithBodyWithResponse(ctx, &client.PostReportParams{Gate: &crank, IdempotencyKey: &once}, "application/json", bytes.NewReader(first))
	if err != nil {
		return nil, err
	}
	if refused := posted.ApplicationproblemJSON422; refused != nil {
		// What is wrong, where, and how to mend it: one entry for each fault.
		invalid, err := refused.AsInvalidReport()
		if err != nil {
			return nil, err
		}
		for _, fault := range invalid.Errors {
			said = append(said, fmt.Sprintf("%s at %s: %s", fault.Code, fault.Pointer, fault.Detail))
		}
		return said, nil
	}
	if posted.JSON202 == nil {
		return nil, fmt.Errorf("post report: %s", posted.Body)
	}
	id, vehicle := posted.JSON202.Id, posted.JSON202.Vehicle

	// Ask for the assessment until it is there.
	for {
		got, err := laidup.GetAssessmentWithResponse(ctx, id, nil)
		if err != nil {
			return nil, err
		}
		if got.JSON200 == nil {
			return nil, fmt.Errorf("get assessment: %s", got.Body)
		}
		assessment, err := got.JSON200.AsAssessment()
		if err != nil {
			return nil, err
		}
		if assessment.State == "done" {
			said = append(said, fmt.Sprintf("%s is %s", assessment.Verdict.Gate, assessment.Verdict.State))
			break
		}
		if assessment.State == "failed" {
			return nil, fmt.Errorf("the assessment failed: %s", got.Body)
		}
		time.Sleep(200 * time.Millisecond)
	}

	// What is in the way, and what would clear it?
	blockers, err := laidup.GetBlockersWithResponse(ctx, id, &client.GetBlockersParams{Gate: &crank})
	if err != nil {
		return nil, err
	}
	if blockers.JSON200 == nil {
		return nil, fmt.Errorf("get blockers: %s", blockers.Body)
	}
	for _, b := range blockers.JSON200.Blockers {
		clearing, err := json.Marshal(b.ClearBy)
		if err != nil {
			return nil, err
		}
		where := ""
		if b.At != nil {
			where = " at " + strings.Join(*b.At, ", ")
		}
		said = append(said, fmt.Sprintf("%s on %s%s: %s; report %s", b.Kind, b.Item, where, b.Because, clearing))
	}

	// Report what was done about it, this time waiting for the assessment.
	wait := "wait=20"
	for _, report := range followUps {
		posted, err := laidup.PostReportWithBodyWithResponse(ctx, &client.PostReportParams{Prefer: &wait}, "application/json", bytes.NewReader(report))
		if err != nil {
			return nil, err
		}
		if posted.JSON200 == nil {
			return nil, fmt.Errorf("post follow-up: %s", posted.Body)
		}
	}

	// The one question before the gate.
	ready, err := laidup.GetReadinessWithResponse(ctx, vehicle, &client.GetReadinessParams{Gate: &crank})
	if err != nil {
		return nil, err
	}
	if ready.JSON200 == nil {
		return nil, fmt.Errorf("get readiness: %s", ready.Body)
	}
	return append(said, fmt.Sprintf("crank is %s, %d in the way", ready.JSON200.State, len(ready.JSON200.Blockers))), nil
}

// end
