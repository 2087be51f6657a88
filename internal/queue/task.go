package queue

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// KindScore is the kind of a [ScoreTask].
const KindScore = "assessment:score"

// ScoreTask asks a worker to work an assessment out. It carries the id alone: everything else is
// read from the store.
type ScoreTask struct {
	AssessmentID string `json:"assessment_id"`
}

func (t ScoreTask) encode() ([]byte, error) { return json.Marshal(t) }

// DecodeScoreTask reads the payload of a task of kind [KindScore]. It refuses every payload that
// Enqueue would not have written.
func DecodeScoreTask(payload []byte) (ScoreTask, error) {
	var t ScoreTask
	if err := json.Unmarshal(payload, &t); err != nil {
		return ScoreTask{}, fmt.Errorf("decode %s: %w", KindScore, err)
	}
	if t.AssessmentID == "" {
		return ScoreTask{}, fmt.Errorf("decode %s: no assessment_id", KindScore)
	}
	// The decoder forgives more than is good: other fields, other spellings of ours, two of one.
	if written, err := t.encode(); err != nil || !bytes.Equal(payload, written) {
		return ScoreTask{}, fmt.Errorf("decode %s: not as it is written", KindScore)
	}
	return t, nil
}
