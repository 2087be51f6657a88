package queue

import (
	"bytes"
	"encoding/json"
	"fmt"

	"laidup/internal/origin"
)

// KindScore is the kind of a [ScoreTask].
const KindScore = "assessment:score"

// ScoreTask asks a worker to work an assessment out. It carries the id alone: everything else is
// read from the store.
type ScoreTask struct {
	AssessmentID string `json:"assessment_id"`
}

// KindChunk is the kind of a [ChunkTask].
const KindChunk = "batch:chunk"

// ChunkTask asks a worker to work on a chunk of a batch. It carries the id alone.
type ChunkTask struct {
	ChunkID string `json:"chunk_id"`
}

// KindPlan is the kind of a [PlanTask].
const KindPlan = "vehicle:plan"

// PlanTask asks a worker to make a plan. It carries the id alone.
type PlanTask struct {
	PlanID string `json:"plan_id"`
}

// Where a task comes from travels in its headers, beside the payload: a worker of another version
// reads the payload as strictly as ever, and leaves headers alone that it does not know.
const (
	headerRequest     = "request"
	headerTraceParent = "traceparent"
	headerTraceState  = "tracestate"
)

func headersOf(o origin.Origin) map[string]string {
	headers := map[string]string{}
	for name, value := range map[string]string{headerRequest: o.Request, headerTraceParent: o.TraceParent, headerTraceState: o.TraceState} {
		if value != "" {
			headers[name] = value
		}
	}
	return headers
}

func originOf(headers map[string]string) origin.Origin {
	return origin.Origin{Request: headers[headerRequest], TraceParent: headers[headerTraceParent], TraceState: headers[headerTraceState]}
}

// DecodeScoreTask reads the payload of a task of kind [KindScore]. It refuses every payload that
// Enqueue would not have written.
func DecodeScoreTask(payload []byte) (ScoreTask, error) {
	return decode(KindScore, payload, func(t ScoreTask) string { return t.AssessmentID })
}

// DecodeChunkTask reads the payload of a task of kind [KindChunk], as strictly.
func DecodeChunkTask(payload []byte) (ChunkTask, error) {
	return decode(KindChunk, payload, func(t ChunkTask) string { return t.ChunkID })
}

// DecodePlanTask reads the payload of a task of kind [KindPlan], as strictly.
func DecodePlanTask(payload []byte) (PlanTask, error) {
	return decode(KindPlan, payload, func(t PlanTask) string { return t.PlanID })
}

func decode[T any](kind string, payload []byte, id func(T) string) (T, error) {
	var t, none T
	if err := json.Unmarshal(payload, &t); err != nil {
		return none, fmt.Errorf("decode %s: %w", kind, err)
	}
	if id(t) == "" {
		return none, fmt.Errorf("decode %s: no id", kind)
	}
	// The decoder forgives more than is good: other fields, other spellings of ours, two of one.
	if written, err := json.Marshal(t); err != nil || !bytes.Equal(payload, written) {
		return none, fmt.Errorf("decode %s: not as it is written", kind)
	}
	return t, nil
}
